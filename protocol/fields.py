"""What a field of the definition takes: its bounds, and its values where it is an enumeration."""

from __future__ import annotations


def least_and_most(row: dict) -> tuple[int, int]:
    """Return a field's bounds, in its own unit. An enumeration takes the places of its values."""
    if "values" in row:
        return 0, len(row["values"]) - 1
    return row["min"], row["max"]


def meaning(row: dict) -> str:
    """Return what a field means, with every value of an enumeration."""
    if "values" not in row:
        return str(row["text"])
    values = (f"{i} = {each['name']} ({each['text']})" for i, each in enumerate(row["values"]))
    return f"{row['text']}: {', '.join(values)}"
