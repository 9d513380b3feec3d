"""The table of hazards as a page, from protocol/hazards.toml."""

from __future__ import annotations

HEAD = """# Hazards

Made from `hazards.toml`. Every thing that exists, crossed with {guides} guide words ({cells} cells). A cell has a row
with its detection and figure, or says in few words why it cannot be. steadyram is not a safety-rated control: the rows
say what it notices, and what remains is bounded by the hardware that the residual names. Guards, relief valve,
emergency stop and two-hand control are judged apart, and local codes come first.

The campaign `tests/campaign/hazards.py` injects the rows without a test of their own in {phases} phases, singly, in
pairs by a covering array and at random, and judges by the plant's truth:

1. No output of a valve is energised without a pedal's contact newly closed since the last reset, fault,
   acknowledgement or end of stroke. A latched return is the one exception: upwards, and not in handling. A short that
   closes the contact looks the same: what it starts is in the pedal's rows.
2. After a latched fault no feed is energised until it is acknowledged by a button that is held and released.
3. With the cutoff on, the true force on the work stays within the row's figure, in times the setpoint, beside twice
   what healthy parts of the same press go over.
4. What the device shows is true, or it says that it is not known.
5. Nothing that was stored is replaced by a default or an older copy in silence.
6. A record exists for every stroke that energised a feed.

Figures hold for a learned job that requires the cutoff, with a setpoint an eighth of capacity; smaller setpoints fare
worse in proportion. Rows above 1.1 are the residual risks.

"""


def check(d: dict) -> list[str]:
    """Return what the table lacks: a cell without a row or a reason, a row without a figure or a residual."""
    wrong = []
    rows: dict[tuple[str, str], dict] = {}
    for row in d["hazard"]:
        key = (row["thing"], row["guide"])
        if key in rows:
            wrong.append(f"{key} has two rows")
        rows[key] = row
        if not row.get("detection") or not row.get("figure") or "force" not in row:
            wrong.append(f"{key} lacks a detection, its figure or its force")
        if row.get("force", 9) > 1.1 and not row.get("residual"):
            wrong.append(f"{key} lets {row.get('force')} times through and states no residual")
    things = {thing["name"]: thing["class"] for thing in d["thing"]}
    for name, kind in things.items():
        for guide in d["guides"]:
            if (name, guide) not in rows and guide not in d["class"][kind]:
                wrong.append(f"{name}, {guide}: neither a row nor a reason")
    known = {(name, guide) for name in things for guide in d["guides"]}
    wrong += [f"{key} is of no thing or guide word" for key in rows if key not in known]
    return wrong


def hazards_page(d: dict) -> str:
    """Text of HAZARDS.md. Raises SystemExit for a table with a gap."""
    wrong = check(d)
    if wrong:
        raise SystemExit("hazards.toml: " + "; ".join(wrong[:5]))
    cells = len(d["thing"]) * len(d["guides"])
    out = [HEAD.format(guides=len(d["guides"]), cells=cells, phases="six")]
    residual = [row for row in d["hazard"] if row.get("residual")]
    out.append("## Residual risks\n\n")
    out.append(_table(("thing", "guide word", "times the setpoint", "what remains"), [
        (row["thing"], row["guide"], _force(row), row["residual"]) for row in residual
    ]))  # fmt: skip
    out.append("\n## Rows\n\n")
    out.append(_table(("thing", "guide word", "detection", "figure", "times the setpoint", "tried in"), [
        (row["thing"], row["guide"], row["detection"], row["figure"], _force(row),
         f"`{row['test']}`" if "test" in row else "campaign")
        for row in d["hazard"]
    ]))  # fmt: skip
    out.append("\n## What cannot be\n\n")
    for kind, reasons in d["class"].items():
        names = ", ".join(thing["name"] for thing in d["thing"] if thing["class"] == kind)
        words = "; ".join(f"{guide}: {why}" for guide, why in reasons.items())
        out.append(f"- **{kind}** ({names}): {words}.\n")
    return "".join(out)


def _force(row: dict) -> str:
    return "capacity of the press" if row["force"] > 10 else f"{row['force']:g}"


def _table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "|" + " --- |" * len(head)]
    lines += ["| " + " | ".join(row) + " |" for row in rows]
    return "\n".join(lines) + "\n"
