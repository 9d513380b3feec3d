"""The fault catalogue as a page, from the definition."""

from __future__ import annotations

HEAD = """# Fault catalogue

Made from `definition.toml`. steadyram is not a safety-rated control: it takes its own outputs off and says why, and
it replaces neither guards nor the relief valve, the emergency stop or two-hand control. Local codes and licensed
practice come first.

A fault takes every output off in the step that finds it, and stays latched: it is acknowledged at the panel, only
with both pedals released and its cause gone, and nothing moves before a pedal is pressed anew. *Within* is the
longest time from what can be seen of the cause to the outputs off and the fault latched, in milliseconds
(0 = nothing is energised when it is found; cycle and return limits: after the limit).

"""

COLUMNS = ("cause", "detection", "reaction", "latency_ms", "clear", "test")
TITLES = ("cause", "detection", "reaction", "within, ms", "cleared by", "test")


def faults_page(d: dict) -> str:
    """Text of FAULTS.md."""
    out = [HEAD, "## Faults\n\n"]
    out.append(
        _table(
            ("number", "name", *TITLES, "what to do"),
            [(str(r["id"]), f"`{r['name']}`", *_cells(r), r["remedy"]) for r in d["fault"]],
        )
    )
    out.append("\n## Mishaps that latch nothing\n\n")
    out.append(_table(("name", *TITLES), [(f"`{row['name']}`", *_cells(row)) for row in d["mishap"]]))
    return "".join(out)


def _cells(row: dict) -> list[str]:
    return [str(row[key]) for key in COLUMNS]


def _table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "|" + " --- |" * len(head)]
    lines += ["| " + " | ".join(row) + " |" for row in rows]
    return "\n".join(lines) + "\n"
