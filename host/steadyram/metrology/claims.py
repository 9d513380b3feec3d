"""What a calibration document may call itself: a certificate, or the record of a working calibration.

A certificate claims traceability, so it needs what makes the claim checkable. By ISO/IEC 17025:2017, 7.8.2 and
7.8.4 (from memory): who, for whom, where, on what and in which condition, against what, under which conditions.
"""

from __future__ import annotations

from steadyram.errors import BadInput
from steadyram.metrology.analyse import Analysis
from steadyram.metrology.earned import ISO_RUNS
from steadyram.metrology.nameplate import nameplate_doubted

CERTIFICATE = "Calibration certificate"
WORKING = "Record of a working calibration"


def identity_gaps(analysis: Analysis) -> list[str]:
    """Return what is missing to check a claim of traceability, by the keys of the header file."""
    header = analysis.record.header
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
    if reference.due is None:
        gaps.append("the date until which that certificate is valid ([reference] due)")
    elif reference.due < header.made.date():
        gaps.append(f"a reference that was in date: its certificate ended on {reference.due:%Y-%m-%d}")
    if not header.laboratory.strip():
        gaps.append("who calibrated, with address (laboratory)")
    return gaps


def procedure_gaps(analysis: Analysis) -> list[str]:
    """Return what else keeps a document from being a certificate."""
    header = analysis.record.header
    gaps = []
    if not header.reference.traceable_to.strip():
        gaps.append("no traceability is claimed ([reference] traceable_to)")
    gaps += [
        what
        for what, missing in (
            (
                "the force is not measured: it rests on a gauge's pressure, the nameplate's bore and a friction that "
                "is assumed",
                header.reference.kind == "gauge",
            ),
            ("the customer is not named (customer)", not header.customer.strip()),
            ("the place of the calibration is not named (location)", not header.location.strip()),
            ("the condition of the press is not described ([press] condition)", not header.press.condition),
            (
                "the ambient temperature was not read ([environment] ambient_C)",
                header.environment.ambient_C is None,
            ),
            (
                "the force a count is more than 5 % off the nameplate's and nothing explains it (nameplate_explained)",
                nameplate_doubted(analysis.record),
            ),
            ("the zero return was not read", header.zero_counts_after is None),
            ("the version of the firmware was not recorded (firmware)", not header.firmware.strip()),
            (f"fewer than {ISO_RUNS} rising runs were taken", analysis.runs < ISO_RUNS),
            (
                "the reference was not re-seated between the runs",
                not analysis.record.reseated and header.reference.kind == "load-cell",
            ),
            ("the record carries no digests", not analysis.record.digest),
        )
        if missing
    ]
    return gaps


def title_of(analysis: Analysis) -> tuple[str, list[str]]:
    """Return the title that was earned, and what keeps a working record from being a certificate.

    Raises BadInput where traceability is claimed and cannot be checked.
    """
    identity, procedure = identity_gaps(analysis), procedure_gaps(analysis)
    if identity and analysis.record.header.reference.traceable_to.strip():
        raise BadInput(
            f"the header claims traceability, but lacks {'; '.join(identity)}. Fill it in, or leave traceable_to "
            "empty for the record of a working calibration."
        )
    gaps = [*(f"missing: {gap}" for gap in identity), *procedure]
    return (WORKING, gaps) if gaps else (CERTIFICATE, [])
