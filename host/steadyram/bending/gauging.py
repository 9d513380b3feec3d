"""How the sheet is laid against the back gauge for a bend, in the words of whoever stands at the press."""

from __future__ import annotations

from steadyram.bending.bend_list import BendList


def gauge_words(bends: BendList, number: int) -> str:
    """Say where the back gauge stands for bend `number` (from 1) and which edge goes against it; "" without a position.

    Edge A is the edge of the flat blank that positions count from, edge B the one across from it. A side on which a
    bend was made before no longer lies flat, so the gauge is not set from there.
    """
    place_m = bends.bend[number - 1].position
    if place_m is None:
        return ""
    made = [each.position for each in bends.bend[: number - 1] if each.position is not None]
    if all(each > place_m for each in made):
        return f"back gauge {place_m * 1e3:.4g} mm, edge A against it"
    if bends.blank is not None and all(each < place_m for each in made):
        return f"back gauge {(bends.blank - place_m) * 1e3:.4g} mm, edge B against it"
    return f"no flat edge for the back gauge: lay the line, {place_m * 1e3:.4g} mm from edge A on the flat, by eye"
