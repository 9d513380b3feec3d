"""What a calibration document may call itself: a certificate, or the record of a working calibration.

A certificate claims traceability, so it needs what makes the claim checkable. By ISO/IEC 17025:2017, 7.8.2 and
7.8.4 (from memory): who, for whom, where, on what and in which condition, against what, under which conditions.
"""

from __future__ import annotations

from steadyram.errors import BadInput
from steadyram.metrology.analyse import Analysis
from steadyram.metrology.earned import ISO_RUNS
from steadyram.metrology.nameplate import nameplate_doubted
from steadyram.metrology.traceability import (
    SIMULATED,
    UNCLAIMED,
    claims_traceability,
    identity_gaps,
    outside_reference,
)

CERTIFICATE = "Calibration certificate"
WORKING = "Record of a working calibration"
INVENTED = "Simulated press: invented data"


def procedure_gaps(analysis: Analysis) -> list[str]:
    """Return what else keeps a document from being a certificate."""
    header = analysis.record.header
    gaps = []
    if header.simulated:
        gaps.append(SIMULATED)
    elif not claims_traceability(header):
        gaps.append(UNCLAIMED)
    if outside := outside_reference(analysis.record):
        gaps.append(outside)
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
                "the force a count is more than 5 % off the nameplate's and no measurement bears out an explanation "
                "(nameplate_explained, with measured_bore or second_reference)",
                nameplate_doubted(analysis.record),
            ),
            (
                "the drift of the reference between its certificates is not in the uncertainty ([reference] "
                "drift_percent)",
                not header.reference.drift_percent,
            ),
            ("the date of the calibration is not recorded", not header.made_recorded),
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
    header = analysis.record.header
    identity, procedure = identity_gaps(header), procedure_gaps(analysis)
    if header.simulated:
        return INVENTED, procedure
    if identity and claims_traceability(header):
        raise BadInput(
            f"the header claims traceability, but lacks {'; '.join(identity)}. Fill it in, or leave traceable_to "
            "empty for the record of a working calibration."
        )
    gaps = [*(f"missing: {gap}" for gap in identity), *procedure]
    return (WORKING, gaps) if gaps else (CERTIFICATE, [])
