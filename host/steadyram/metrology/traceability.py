"""What a claim of metrological traceability must be able to show.

ISO/IEC 17025:2017, 6.5 and Annex A.2 (from memory): an unbroken chain, each link with its uncertainty, made by a
laboratory that is competent for it. Without these facts nobody can follow the chain one link up.
"""

from __future__ import annotations

from steadyram.config import preferences
from steadyram.metrology.header import Header
from steadyram.metrology.record import CalibrationRecord
from steadyram.units import show

UNCLAIMED = "no traceability is claimed ([reference] traceable_to)"
SIMULATED = "the press is simulated: its readings are invented data and are traceable to nothing"


def claims_traceability(header: Header) -> bool:
    """Return whether the header claims traceability of a press that exists."""
    return bool(header.reference.traceable_to.strip()) and not header.simulated


def identity_gaps(header: Header) -> list[str]:
    """Return what is missing to check a claim of traceability, by the keys of the header file."""
    reference = header.reference
    gaps = [
        f"the {what}'s serial number ([{key}] serial)"
        for what, key, one in (
            ("press", "press", header.press),
            (header.sensor, "transducer", header.transducer),
            ("reference", "reference", reference),
        )
        if one.unnamed
    ]
    if not reference.certificate.strip() or reference.certificate.strip().lower() == "none":
        gaps.append("the number of the reference's certificate ([reference] certificate)")
    if not reference.calibrated_by.strip():
        gaps.append("the laboratory that issued that certificate ([reference] calibrated_by)")
    if not reference.accreditation.strip():
        gaps.append(
            "that laboratory's accreditation number, or that it is a national metrology institute ([reference] "
            "accreditation)"
        )
    if reference.calibrated_on is None:
        gaps.append("the date of the reference's calibration ([reference] calibrated_on)")
    elif reference.calibrated_on > header.made.date():
        gaps.append(
            f"a reference that was calibrated before: its calibration is of {reference.calibrated_on:%Y-%m-%d}"
        )
    if reference.due is None:
        gaps.append("the date until which that certificate is valid ([reference] due)")
    elif reference.due < header.made.date():
        gaps.append(f"a reference that was in date: its certificate ended on {reference.due:%Y-%m-%d}")
    if reference.calibrated_from is None or reference.calibrated_to is None:
        gaps.append(
            "the range in which the reference is calibrated ([reference] calibrated_from, calibrated_to)"
        )
    if not header.laboratory.strip():
        gaps.append("who calibrated, with address (laboratory)")
    return gaps


def outside_reference(record: CalibrationRecord) -> str:
    """Return a clause where a rising point lies outside the reference's calibrated range, otherwise nothing."""
    one = record.header.reference
    if one.calibrated_from is None or one.calibrated_to is None:
        return ""
    read = [p.reference for p in record.points if p.direction == "rising"]
    # The last digit of a unit's conversion is no excess.
    if min(read) >= one.calibrated_from * (1 - 1e-9) and max(read) <= one.calibrated_to * (1 + 1e-9):
        return ""
    units, gauge = preferences(), one.kind == "gauge"
    si, unit = ("pascal", units.pressure_unit) if gauge else ("newton", units.force_unit)
    return (
        f"points were taken from {show(min(read), si, unit)} to {show(max(read), si, unit)}, the reference is "
        f"calibrated "
        f"from {show(one.calibrated_from, si, unit)} to {show(one.calibrated_to, si, unit)} only"
    )


def traceability_lacks(record: CalibrationRecord) -> list[str]:
    """Return what keeps a record from being traceable, each a clause: no class is stated then."""
    header = record.header
    if header.simulated:
        return [SIMULATED]
    if not claims_traceability(header):
        return [UNCLAIMED]
    lacks = [f"traceability cannot be followed without {gap}" for gap in identity_gaps(header)]
    outside = outside_reference(record)
    return [*lacks, outside] if outside else lacks
