"""What a reference is worth, said before the calibration starts and not after an afternoon's work."""

from __future__ import annotations

from steadyram.config import preferences
from steadyram.errors import BadInput
from steadyram.metrology.budget import combine
from steadyram.metrology.header import Header
from steadyram.metrology.measurement import Newton, measurement_of
from steadyram.units import show

# A setpoint whose reference may be off by more than this part of it is told to be meaningless (common practice:
# a cutoff is asked to hold a few per cent; no source).
MEANINGLESS_PART = 0.20
FAIR_PART = 0.05
# A force below this part of full scale is none that a press is set to.
ANY_PART = 1e-4


def reference_expanded(header: Header, force_N: float) -> float:
    """Return the expanded uncertainty (N, 95 %) that the reference alone leaves at a force."""
    return combine(measurement_of(header).components(Newton(force_N))).expanded


def out_of_date(header: Header) -> list[str]:
    """Return a sentence where the reference's certificate has ended before the calibration, otherwise nothing.

    Raises BadInput where traceability is claimed through it.
    """
    due = header.reference.due
    if due is None or due >= header.made.date():
        return []
    ended = f"the reference's certificate ended on {due:%Y-%m-%d}"
    if header.reference.traceable_to.strip():
        raise BadInput(
            f"{ended}, and the header claims traceability through it: have the reference calibrated, or leave "
            "traceable_to empty for the record of a working calibration."
        )
    return [
        f"{ended[0].upper()}{ended[1:]}: its reading may have changed since; no certificate can be made with it."
    ]


def lowest_force(header: Header, part: float) -> float | None:
    """Return the lowest force (N) at which the reference's expanded uncertainty is `part` of it, None within range.

    By bisection: the relative uncertainty falls with the force.
    """
    high = header.area_m2 * header.range_Pa
    if reference_expanded(header, high) > part * high:
        return None
    low = 0.0
    for _ in range(60):
        middle = (low + high) / 2
        if reference_expanded(header, middle) > part * middle:
            low = middle
        else:
            high = middle
    return high


def worth_of_reference(header: Header, smallest_N: float | None, unit: str) -> list[str]:
    """Return what to know of the reference before starting, in sentences.

    smallest_N: the smallest setpoint wanted, None if not known.
    """
    said = []
    reference = header.reference
    if reference.class_percent:
        half = reference.class_percent / 100.0 * reference.range
        said.append(
            f"A gauge of class {reference.class_percent:g} over {preferences().pressure(reference.range)} may read "
            f"wrong by {preferences().pressure(half, 3)} anywhere on its scale: "
            f"{show(half * header.area_m2, 'newton', unit, 3)} on this piston."
        )
    fair = lowest_force(header, FAIR_PART)
    said.append(
        f"This reference cannot tell any force of this press to {FAIR_PART:.0%}."
        if fair is None
        else f"This reference tells every force of this press to {FAIR_PART:.0%} or better."
        if fair < ANY_PART * header.area_m2 * header.range_Pa
        else f"This reference tells forces to {100 * FAIR_PART:.0f} % from {show(fair, 'newton', unit, 3)} up."
    )
    if smallest_N is not None:
        own = reference_expanded(header, smallest_N)
        share = f"±{100.0 * own / smallest_N:.2g} % of the smallest setpoint, {show(smallest_N, 'newton', unit, 3)}"
        if own > MEANINGLESS_PART * smallest_N:
            said.append(
                f"With this reference alone the force is uncertain by {share}: such a setpoint means nothing. "
                "Take a load cell, or a gauge of a better class or a smaller range."
            )
        else:
            said.append(f"With this reference alone the force is uncertain by {share}.")
    return said
