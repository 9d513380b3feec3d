"""Write the files that are made from `definition.toml`, or check that they are current.

python protocol/generate.py            writes firmware/steadyram_fw/tables.py and, in protocol/, REFERENCE.md, FAULTS.md
                                       and HAZARDS.md
python protocol/generate.py --check    changes nothing; exit 1 and a sentence when one is stale
"""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from faults_page import faults_page  # noqa: E402
from fields import least_and_most  # noqa: E402
from hazards_page import hazards_page  # noqa: E402
from reference_page import reference  # noqa: E402

DEFINITION = HERE / "definition.toml"
VECTORS = HERE / "vectors.toml"
TABLES = HERE.parent / "firmware" / "steadyram_fw" / "tables.py"
REFERENCE = HERE / "REFERENCE.md"
FAULTS = HERE / "FAULTS.md"
HAZARDS_TABLE = HERE / "hazards.toml"
HAZARDS = HERE / "HAZARDS.md"

HEAD = '''"""Made by protocol/generate.py from protocol/definition.toml: change those, not this file."""

try:
    from micropython import const
except ImportError:

    def const(value):
        return value


from .rows import Rows, Verbs, Words

'''


def constant(prefix: str, name: str) -> str:
    """Name of a constant: the prefix, then the entry's name in capitals with `-` as `_`."""
    return prefix + name.upper().replace("-", "_")


def quoted(text: str) -> str:
    if '"' in text or "\\" in text or not text.isascii():
        raise SystemExit(f"definition.toml: {text!r} must be ASCII without quotes or backslashes")
    return f'"{text}"'


def text_lines(name: str, kind: str, items: list[str]) -> str:
    """A table as one text with a line an entry (firmware/steadyram_fw/rows.py)."""
    for item in items:
        quoted(item)
    return f'{name} = {kind}("""\\\n' + "\n".join(items) + '""")\n'


def tuple_lines(name: str, items: list[str]) -> str:
    """A tuple with one item a line, as ruff format would lay it out."""
    if not items:
        return f"{name} = ()\n"
    return f"{name} = (\n" + "".join(f"    {item},\n" for item in items) + ")\n"


def numbered(rows: list[dict], prefix: str) -> str:
    return "".join(f"{constant(prefix, row['name'])} = const({row['id']})\n" for row in rows)


def dense(rows: list[dict], key: str, what: str) -> list[str]:
    """One text for each number from 0 on, "" where the definition has none."""
    numbers = [row["id"] for row in rows]
    if len(set(numbers)) != len(numbers):
        raise SystemExit(f"definition.toml: a {what} number is used twice")
    out = [""] * (max(numbers) + 1)
    for row in rows:
        out[row["id"]] = row[key]
    return out


def bounds(rows: list[dict], what: str) -> list[str]:
    out = []
    for row in rows:
        low, high = least_and_most(row)
        default = row["default"]
        if not low <= default <= high:
            raise SystemExit(f"definition.toml: {what} {row['name']} has a default outside its bounds")
        if not row.get("wide") and not -(2**30) <= low <= high < 2**30:
            raise SystemExit(f"definition.toml: {what} {row['name']} does not fit a small int")
        out.append(f"{row['name']} {low} {high} {default}")
    return out


def optional(rows: list[dict]) -> str:
    """A tuple of the places whose field need not be put, one a line where they fill more than one."""
    places = [str(i) for i, row in enumerate(rows) if row.get("optional", False)]
    if len(", ".join(places)) > 88:
        return "(\n" + "".join(f"    {each},\n" for each in places) + ")"
    return f"({', '.join(places)}{',' if len(places) == 1 else ''})"


def enumeration(row: dict) -> str:
    """Constants of a field's values, named by field and value; nothing for a field without any."""
    return "".join(
        f"{constant(row['name'].upper() + '_', value['name'])} = const({i})\n"
        for i, value in enumerate(row.get("values", []))
    )


def verb_row(verb: dict) -> str:
    """One row of VERBS: see Verbs of steadyram_fw/rows.py."""
    flags = sum(bit for bit, key in ((1, "change"), (2, "enable"), (4, "busy")) if verb.get(key, False))
    args = ["*"] if verb.get("open_keys") else []
    for name in verb.get("args", []):
        low, high = verb.get("bounds", {}).get(name, ("", ",".join(verb.get("choices", {}).get(name, ()))))
        if values := verb.get("values", {}).get(name):
            low, high = 0, len(values) - 1
        args.append(f"{name}:{low}:{high}:{verb.get('optional', {}).get(name, '')}")
    return " ".join([verb["name"], str(flags), *args])


def tables(d: dict) -> str:
    """Text of tables.py."""
    p = d["protocol"]
    out = [HEAD]
    out.append(f"PROTO = const({p['version']})\n")
    out.append(f"OLDEST = const({p['oldest_compatible']})\n")
    out.append(f"LINE_MAX = const({p['line_max_bytes']})\n")
    out.append(f"REPLY_MAX = const({p['reply_max_bytes']})\n")
    out.append(f"TAGS_KEPT = const({p['tags_remembered']})\n")
    out.append(f"TAG_MAX = const({p['tag_max_chars']})\n")
    out.append(f"JOB_SLOTS = const({d['jobs']['slots']})\n")
    out.append(f"NAME_MAX = const({d['jobs']['name_max_chars']})\n")
    for title, table, prefix in (("inputs", "inputs", "IN_"), ("outputs", "outputs", "OUT_")):
        out.append(f"\n# {title}: masks of the bit word\n")
        out += [f"{constant(prefix, name)} = const({1 << bit})\n" for name, bit in d[table].items()]
    out.append("\n# contacts, by bit: milliseconds after which closed and open count\n")
    for key in ("close_ms", "open_ms"):
        by_bit = {d["inputs"][row["name"]]: row[key] for row in d["contact"]}
        if sorted(by_bit) != list(range(len(d["inputs"]))):
            raise SystemExit("definition.toml: every input needs one contact")
        times = "".join(f"\\x{by_bit[bit]:02x}" for bit in sorted(by_bit))
        out.append(f'{"CONTACT_" + key.upper()} = b"{times}"\n')
    for title, table, prefix in (
        ("states", "state", "STATE_"),
        ("stop reasons", "stop", "STOP_"),
        ("faults", "fault", "FAULT_"),
        ("refusals of extend", "refusal", "REFUSAL_"),
    ):
        out.append(f"\n# {title}\n")
        out.append(numbered(d[table], prefix))
        out.append(text_lines(table.upper() + "_NAMES", "Words", dense(d[table], "name", title)))
    for table in ("state", "stop", "refusal"):
        short = [{**row, "panel": row.get("panel", row["name"].replace("-", " "))} for row in d[table]]
        out.append(text_lines(table.upper() + "_PANEL", "Words", dense(short, "panel", table)))
    out.append(text_lines("FAULT_TEXTS", "Words", dense(d["fault"], "text", "fault")))
    out.append(text_lines("REFUSAL_TEXTS", "Words", dense(d["refusal"], "text", "refusal")))
    kinds = ", ".join(map(quoted, d["sets"]["kinds"]))
    out.append(f"\n# kinds of sets\nKINDS = ({kinds})\n")
    if any(
        verb.get("choices", {}).get("kind", d["sets"]["kinds"])[: len(d["sets"]["kinds"])]
        != d["sets"]["kinds"]
        for verb in d["verb"]
        if verb["name"] in ("show", "stage")
    ):
        raise SystemExit("definition.toml: show and stage take the kinds of sets")
    kept = len(d["setting"])
    d = {**d, "setting": d["setting"] + d["measured"]}
    for title, table, prefix, name in (
        ("settings, then measured values", "setting", "S_", "SETTINGS"),
        ("job fields", "job", "J_", "JOB"),
        ("calibration fields", "calibration", "C_", "CALIBRATION"),
    ):
        out.append(f"\n# {title}: places in the array, then name, min, max, default\n")
        out += [f"{constant(prefix, row['name'])} = const({i})\n" for i, row in enumerate(d[table])]
        out.append(f"{prefix}LEN = const({len(d[table])})\n")
        out.append(text_lines(name, "Rows", bounds(d[table], table)))
        out.append(f"# places of fields that need not be put\n{name}_OPTIONAL = {optional(d[table])}\n")
        values = "".join(enumeration(row) for row in d[table])
        out.append(f"# values of fields that are enumerations\n{values}" if values else "")
        if table == "setting":
            out.append(
                f"# places from here on are measured values, a set of their own\nS_MEASURED = const({kept})\n"
            )
    wide = [row.get("wide", False) for row in d["calibration"]]
    narrow = wide.index(True) if True in wide else len(wide)
    if not all(wide[narrow:]):
        raise SystemExit("definition.toml: the wide calibration fields must be the last ones")
    out.append(
        f"# the first fields go to the control core, the wide ones after them stay outside\n"
        f"CAL_CORE_LEN = const({narrow})\n"
    )
    out.append("\n# fields of a cycle record\n")
    out += [f"{constant('R_', row['name'])} = const({i})\n" for i, row in enumerate(d["record"])]
    out.append(f"R_LEN = const({len(d['record'])})\n")
    unknown = [bool(row.get("unknown", False)) for row in d["record"]]
    first = unknown.index(True)
    if not all(unknown[first:]):
        raise SystemExit("definition.toml: record fields that may be unknown must be the last ones")
    out.append(
        f"# from here on a field that a record has not got is -1, before it 0\nR_UNKNOWN = const({first})\n"
    )
    out.append(text_lines("RECORD", "Words", [row["name"] for row in d["record"]]))
    out.append(
        tuple_lines("RECORD_WIDE", [str(i) for i, row in enumerate(d["record"]) if row.get("wide", False)])
    )
    out += [f"{constant('FLAG_', row['name'])} = const({1 << row['bit']})\n" for row in d["flag"]]
    out.append(
        "\n# verbs: name, flags (1: a change, 2: only while enabled, 4: refused while live), arguments;\n"
        "# an argument without a default must be given\n"
    )
    out.append(text_lines("VERBS", "Verbs", [verb_row(v) for v in d["verb"]]))
    out.append("\n# who made a change\n")
    out.append(numbered(d["origin"], "BY_"))
    out.append(text_lines("BY_NAMES", "Words", dense(d["origin"], "name", "origin")))
    out.append("\n# errors\n")
    out.append(numbered(d["error"], "E_"))
    out.append(text_lines("ERROR_TEXTS", "Words", dense(d["error"], "text", "error")))
    return "".join(out)


def main(argv: list[str]) -> int:
    """Write or check; returns the exit code."""
    with DEFINITION.open("rb") as file:
        definition = tomllib.load(file)
    vectors: dict = {}
    if VECTORS.exists():
        with VECTORS.open("rb") as file:
            vectors = tomllib.load(file)
    stale = []
    made = (
        (TABLES, tables(definition)),
        (REFERENCE, reference(definition, vectors)),
        (FAULTS, faults_page(definition)),
        (HAZARDS, hazards_page(tomllib.loads(HAZARDS_TABLE.read_text(encoding="utf-8")))),
    )
    for path, text in made:
        if path.exists() and path.read_text(encoding="utf-8") == text:
            continue
        if "--check" in argv:
            stale.append(path.name)
        else:
            path.write_text(text, encoding="utf-8", newline="\n")
    if stale:
        print(f"{' and '.join(stale)}: not current with definition.toml; run python protocol/generate.py")
        return 1
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
