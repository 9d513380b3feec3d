"""Load of a bend against what the tooling and the press may carry."""

from __future__ import annotations

from dataclasses import dataclass

from steadyram.bending.sheet import Sheet
from steadyram.bending.tooling import Tooling
from steadyram.config import preferences
from steadyram.press.estimate import Estimate
from steadyram.press.force_bend import bend_force, positive

# Short of a limit by less than this share of it, a load is worth a word.
_NEAR = 0.8


@dataclass(frozen=True)
class BendLoad:
    """Force of a bend (N, with its band), the load per length (N/m), what it may be, and warnings.

    allowed: False when even the best guess is above a rating or the capacity.
    """

    estimate: Estimate
    line_load_N_m: float
    allowed: bool
    warnings: tuple[str, ...]


def bend_load(tooling: Tooling, sheet: Sheet, length_m: float, capacity_N: float | None = None) -> BendLoad:
    """Check an air bend of `length_m` against the tooling's rating and the press's capacity, where known."""
    positive(length=length_m)
    estimate = bend_force(sheet.tensile_Pa, sheet.thickness_m, length_m, tooling.opening, "v")
    line = estimate.force_N / length_m
    warnings: list[str] = []
    allowed = True
    units = preferences()
    for what, low, high, limit, show in (
        ("the tooling's rating", line, estimate.high_N / length_m, tooling.rating, units.line_load),
        ("the press's capacity", estimate.force_N, estimate.high_N, capacity_N, units.force),
    ):
        if limit is None:
            continue
        told = f"{show(low, 3)}, up to {show(high, 3)}"
        if low > limit:
            allowed = False
            warnings.append(
                f"the bend takes {told}: above {what} of {show(limit, 3)}; open the die, bend in "
                f"shorter lengths or take other tooling"
            )
        elif high > limit:
            warnings.append(f"the bend takes {told}: its upper end is above {what} of {show(limit, 3)}")
        elif high > _NEAR * limit:
            warnings.append(f"the bend takes {told}: close to {what} of {show(limit, 3)}")
    if tooling.rating is None:
        warnings.append(
            "the tooling's rating is not given; read it off punch and die before the first stroke"
        )
    return BendLoad(estimate, line, allowed, tuple(warnings))
