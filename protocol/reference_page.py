"""The reference page, from the definition and from the exchanges of the conformance vectors."""

from __future__ import annotations

import binascii
import tomllib
from functools import cache
from pathlib import Path

from fields import least_and_most
from fields import meaning as field_meaning

HEAD = Path(__file__).resolve().parent / "reference_head.md"
KEYS = Path(__file__).resolve().parent / "reply_keys.toml"


def reference(d: dict, vectors: dict) -> str:
    """Text of REFERENCE.md."""
    p = d["protocol"]
    out = [
        HEAD.read_text(encoding="utf-8").format(
            version=p["version"],
            tag_max=p["tag_max_chars"],
            line_max=p["line_max_bytes"],
            reply_max=p["reply_max_bytes"],
            tags=p["tags_remembered"],
            crc=p["crc"],
            name_max=d["jobs"]["name_max_chars"],
        )
    ]
    examples = {
        step["example"]: step
        for session in vectors.get("session", [])
        for step in session["step"]
        if "example" in step
    }
    worked = next((each for each in vectors.get("session", []) if each["name"] == "worked"), None)
    if worked is not None:
        out.append(_worked(worked))
    out.append("\n## Verbs\n\n`>` is what the host sends, `<` what the device answers.\n")
    out += [_verb(verb, examples.get(verb["name"])) for verb in d["verb"]]
    out.append(
        "\n## Events\n\nAfter `events on=1`, until `events on=0` or a restart. Events may be lost.\n\n"
    )
    out.append(
        _table(
            ("event", "keys", "meaning"),
            [(f"`{e['name']}`", " ".join(f"`{k}`" for k in e["keys"]), e["text"]) for e in d["event"]],
        )
    )
    out.append(
        "\n## Errors\n\nThe sentence of a `no` may end with the key, slot or limit concerned in brackets.\n\n"
    )
    out.append(_numbered(d["error"]))
    out.append(f"\n## Settings\n\n{_fields(d['setting'])}")
    out.append(
        "\n## Measured values\n\nWhat tests on the press measured. Pushing settings leaves them in force.\n\n"
        f"{_fields(d['measured'])}"
    )
    out.append(f"\n## Job fields\n\nSlots 1 to {d['jobs']['slots']}; job 0 = no job.\n\n{_fields(d['job'])}")
    out.append(f"\n## Calibration fields\n\n{_fields(d['calibration'])}")
    out.append(
        "\n## Cycle record\n\nThe values of `v` in a row of `log`, in this order.\n\n"
        + _table(
            ("place", "field", "meaning"),
            [(str(i), f"`{row['name']}`", _since(row)) for i, row in enumerate(d["record"])],
        )
    )
    out.append(
        "\n### Record flags\n\n"
        + _table(
            ("bit", "name", "meaning"), [(str(row["bit"]), row["name"], row["text"]) for row in d["flag"]]
        )
    )
    out.append(
        "\n## Contacts\n\nA contact counts once it has stayed as it is for the time of its row. "
        "`now` tells what counts, `io` what is wired.\n\n"
        + _table(
            ("contact", "closed after, ms", "open after, ms", "what it does"),
            [(f"`{c['name']}`", str(c["close_ms"]), str(c["open_ms"]), c["text"]) for c in d["contact"]],
        )
    )
    out.append(_words(d))
    for title, key in (
        ("States", "state"),
        ("Stop reasons", "stop"),
        ("Faults", "fault"),
        ("Refusals of extend", "refusal"),
    ):
        out.append(f"\n## {title}\n\n{_numbered(d[key])}")
    out.append(f"\n## Who made a change\n\n`by` in a row of `changes`.\n\n{_numbered(d['origin'])}")
    return "".join(out)


def _worked(session: dict) -> str:
    """Return one session whole, and the bytes and the checksum of its first line that needs one."""
    out = (
        "\n## A worked session, byte for byte\n\nA device that was never set up, from the first line to the newest "
        "record. `>` is what the host sends, `<` what the device answers; each line ends with one byte 0A.\n"
    )
    sealed = next(
        step["send"] for step in session["step"] if " #" in step.get("send", "") and "stage" in step["send"]
    )
    lines: list[str] = []

    def block() -> str:
        text = "\n```\n" + "\n".join(lines) + "\n```\n" if lines else ""
        lines.clear()
        return text

    for step in session["step"]:
        if "say" in step:
            out += block() + f"\n{step['say']}\n"
        if "send" in step:
            lines += ["> " + step["send"], *("< " + line for line in step["answer"])]
            if step["send"] == sealed:
                out += block() + _bytes_of(sealed)
                sealed = ""
    return out + block()


def _bytes_of(line: str) -> str:
    """Return a line's bytes in hexadecimal and how its checksum is written."""
    body, _, digits = line.rpartition(" #")
    crc = binascii.crc_hqx(body.encode("ascii"), 0xFFFF)
    shown = (line + "\n").encode("ascii").hex(" ").upper()
    rows = [shown[at : at + 96].rstrip() for at in range(0, len(shown), 96)]
    return (
        f"\nThe {len(line) + 1} bytes that the host sent:\n\n```\n"
        + "\n".join(rows)
        + f"\n```\n\nThe CRC of the {len(body)} bytes `{body}` is 0x{crc:04X}; its four digits, each "
        f"added to 0x40, are `{digits}`.\n"
    )


def _verb(verb: dict, example: dict | None) -> str:
    marks = [
        word
        for key, word in (("change", "checksum needed"), ("enable", "enable"), ("busy", "at rest"))
        if verb.get(key)
    ]
    out = f"\n### `{verb['name']}`{' (' + ', '.join(marks) + ')' if marks else ''}\n\n"
    out += f"{_sentence(verb['text'])}\n\n"
    rows = []
    for name in verb.get("args", []):
        if values := verb.get("values", {}).get(name):
            takes = ", ".join(f"{i} = {each['name']} ({each['text']})" for i, each in enumerate(values))
        elif name in verb.get("bounds", {}):
            low, high = verb["bounds"][name]
            takes = f"{low} to {high}"
        elif name in verb.get("choices", {}):
            takes = ", ".join(f"`{word}`" for word in verb["choices"][name])
        else:
            takes = "a word"
        default = verb.get("optional", {}).get(name)
        rows.append((f"`{name}`", takes, "must be given" if default is None else f"default {default}"))
    if verb.get("open_keys"):
        out += "Arguments: the keys of the staged set.\n\n"
    elif rows:
        out += _table(("argument", "takes", ""), rows) + "\n"
    if "rows" in verb:
        out += f"Rows: {verb['rows']}.\n\n"
    if verb["reply"]:
        out += _table(
            ("reply", "meaning"), [(f"`{key}`", meaning(verb["name"], key)) for key in verb["reply"]]
        )
    else:
        out += "Reply: nothing more.\n"
    if example is not None:
        lines = ["> " + example["send"], *("< " + line for line in example["answer"])]
        out += "\n```\n" + "\n".join(lines) + "\n```\n"
    return out


def meaning(verb: str, key: str) -> str:
    """Return what a key of a verb's reply means. Raises SystemExit where reply_keys.toml does not say."""
    keys = reply_keys()
    found = keys.get(verb, {}).get(key) or keys["all"].get(key)
    if not found:
        raise SystemExit(f"{KEYS.name}: nothing says what `{key}` in the reply to `{verb}` means")
    return str(found)


@cache
def reply_keys() -> dict:
    """Return the meanings of reply keys by verb, those of all verbs under "all"."""
    return tomllib.loads(KEYS.read_text(encoding="utf-8"))


def _words(d: dict) -> str:
    """Return the bits of the input and the output word."""
    contacts = {each["name"]: each["text"].split(";")[0] for each in d["contact"]}
    drives = {
        "extend": "extend valve",
        "retract": "retract valve",
        "slow": "slow feed's valve",
        "lamp": "lamp",
        "buzzer": "buzzer",
    }

    def rows(bits: dict, texts: dict) -> list[tuple[str, str, str]]:
        return [
            (str(bit), f"`{name}`", texts[name]) for name, bit in sorted(bits.items(), key=lambda b: b[1])
        ]

    inputs, outputs = rows(d["inputs"], contacts), rows(d["outputs"], drives)
    return (
        "\n## Bits of the input and the output word\n\nBit 0 is the lowest; 1 = contact closed, or output "
        "energised.\n\n"
        + _table(("input bit", "contact", "what it is"), inputs)
        + "\n"
        + _table(("output bit", "output", ""), outputs)
    )


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:] + ("" if text.endswith(".") else ".")


def _since(row: dict) -> str:
    return row["text"] + (f" (protocol {row['since']})" if row.get("since", 1) > 1 else "")


def _field_text(row: dict) -> str:
    since = f" (protocol {row['since']})" if row.get("since", 1) > 1 else ""
    return field_meaning(row) + (" (optional)" if row.get("optional") else "") + since


def _fields(rows: list[dict]) -> str:
    return _table(
        ("key", "min", "max", "default", "meaning"),
        [(f"`{r['name']}`", *map(str, least_and_most(r)), str(r["default"]), _field_text(r)) for r in rows],
    )


def _numbered(rows: list[dict]) -> str:
    if any("remedy" in row for row in rows):
        return _table(
            ("number", "name", "meaning", "what to do"),
            [(str(r["id"]), f"`{r['name']}`", r["text"], r.get("remedy", "")) for r in rows],
        )
    return _table(("number", "name", "meaning"), [(str(r["id"]), f"`{r['name']}`", r["text"]) for r in rows])


def _table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "|" + " --- |" * len(head)]
    lines += ["| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |" for row in rows]
    return "\n".join(lines) + "\n"
