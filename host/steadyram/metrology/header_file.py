"""The header of a calibration as a TOML file with units, the way a person fills it in."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from steadyram.errors import BadInput
from steadyram.metrology.header import Header
from steadyram.metrology.text_file import read_text
from steadyram.toml_text import parse_toml
from steadyram.units import parse

MAX_BYTES = 100_000

TEMPLATE = """\
# Fill in and keep: the calibration record is made from it.
number = 1                        # of this calibration; goes to the device
# interval_days = 365             # to the next calibration, if agreed with the customer; left out none is stated
laboratory = ""                   # who calibrates, with address
customer = ""
location = ""                     # where the calibration is done
# reseated = true                 # if the reference has to be taken out and put back between the runs: an answer
                                  # that says otherwise is then refused; left out, each answer is recorded
nameplate_explained = ""          # only where the points are more than 5 % off the nameplate: why. It counts with a
                                  # ground: [press] measured_bore, or a [second_reference]
firmware = ""                     # its version; taken from a device that is read
note = ""

[press]
what = "20 tonf shop press"
serial = "none"
condition = ""                    # as received, e.g. "in use, no leaks seen"
bore = "4 in"                     # by the nameplate
bore_u_percent = 0.05             # standard uncertainty of the bore; the area's is twice that
rated_force = "20 tonf"           # by the nameplate; no point beyond it is asked for
# measured_bore = "4.02 in"       # the ground of nameplate_explained, with what it was measured with
# measured_bore_by = "inside micrometer, serial M3"

[transducer]
what = "pressure transducer"
serial = "none"
range = "5000 psi"
# A load cell or strain gauges in its place: no range and no press.bore, but the force at full output.
# full_output = "200 kN"
counts_step = 16                  # one converter step on the 16-bit scale: 16 for 12 bits, 1 for 16 bits
# fluctuation_counts = 3          # spread of the mean reading at rest; taken from a device that is read
temperature_percent_per_K = 0.02  # by its data sheet
temperature_span_K = 5            # how far the shop may stray from today's temperature

[reference]
kind = "load-cell"                # load-cell (under the ram) or gauge (on the line)
what = "load cell with indicator"
serial = "none"
certificate = ""                  # its number
# due = 2027-01-31                # last day on which that certificate is valid
traceable_to = ""                 # e.g. "the SI through a national standard of force"; then the next lines are needed
calibrated_by = ""                # the laboratory that issued that certificate
accreditation = ""                # its number, or "national metrology institute"
# calibrated_on = 2026-01-31      # date of that certificate
# calibrated_from = "10 kN"       # range of that certificate; no point may lie outside it
# calibrated_to = "250 kN"
# iso_376_class = 1               # of a load cell by that certificate; without it no class of ISO 7500-1
# class_a_from = "12 kN"          # ASTM E74: force from which the cell is of class A; without it no sentence on ASTM E4
expanded_percent = 0.1            # of reading, from its certificate
coverage_factor = 2
drift_percent = 0                 # half width of its change between certificates, per cent of reading; 0: not included,
                                  # and then the document is no certificate
# seat_percent = 0.2              # half width of what a tilted or rough seat makes, per cent of reading; left out
                                  # 0.2 is taken (judgement, hardware_notes/calibration.md); 0: not included
resolution = "10 N"               # a force, or a pressure for a gauge
# zero_reading = "0 N"            # what it shows with the ram at the top
# For a gauge: its accuracy class instead of expanded_percent, its range, and what the press adds.
# class_percent = 1.6             # of range (EN 837-1, ASME B40.100)
# range = "5000 psi"
# place = "0.1 bar"               # pressure between gauge and cylinder: a metre of oil is 0.09 bar
# assumed_friction = "0.6 kN"
# assumed_friction_u = "0.2 kN"

[environment]
# ambient_C = 20                  # at the start: read it; left out it is asked for or unknown
# ambient_end_C = 20              # at the end, for points from a CSV file; a guided calibration asks for it
"""

# Of a force sensor force alone counts: its record names it as a pressure on this area.
FORCE_SENSOR_AREA_M2 = 0.05
# What a tilted or rough seat makes of a load cell's reading where the header says nothing: half width, per cent.
SEAT_PERCENT = 0.2
SEAT_BASIS = "judgement, no source; hardware_notes/calibration.md"
_INSTRUMENT = {"what", "serial", "certificate", "condition"}
_TABLES: dict[str, set[str]] = {
    "press": _INSTRUMENT | {"bore", "bore_u_percent", "rated_force", "measured_bore", "measured_bore_by"},
    "transducer": _INSTRUMENT
    | {"range", "full_output", "counts_step", "fluctuation_counts"}
    | {"temperature_percent_per_K", "temperature_span_K"},
    "reference": _INSTRUMENT
    | {"kind", "expanded_percent", "expanded", "coverage_factor", "resolution", "class_percent", "range"}
    | {"drift_percent", "place", "zero_reading", "due", "traceable_to", "seat_percent"}
    | {"assumed_friction", "assumed_friction_u", "calibrated_by", "accreditation", "calibrated_on"}
    | {"calibrated_from", "calibrated_to", "iso_376_class", "class_a_from"},
    "second_reference": {"what", "serial", "certificate", "force", "counts"},
    "environment": {"ambient_C", "ambient_end_C", "oil_C", "humidity_percent"},
}
_TOP = {
    "number", "interval_days", "note", "invented", "laboratory", "customer", "location", "reseated",
    "nameplate_explained", "firmware",
}  # fmt: skip
# Quantities of the reference: key in the file, field of the record.
_READ = {
    "resolution": "resolution", "range": "range", "place": "place", "expanded": "expanded_abs",
    "calibrated_from": "calibrated_from", "calibrated_to": "calibrated_to",
}  # fmt: skip


def read_header(path: Path, zero_counts: float, made: datetime | None = None) -> Header:
    """Read a header file. zero_counts: reading at rest; made: when the calibration was done, now if not given.

    Raises BadInput naming the key for anything missing, unknown, without unit or out of range.
    """
    text = read_text(path, MAX_BYTES, "a header file")
    try:
        tables: dict[str, Any] = parse_toml(text)
    except ValueError as error:
        raise BadInput(
            f"the header file {path} is not TOML ({error}); 'calibration header' prints an example."
        ) from None
    for key, value in tables.items():
        if key in _TABLES and isinstance(value, dict):
            unknown = set(value) - _TABLES[key]
            if unknown:
                raise BadInput(f"{path}: the key {key}.{min(unknown)} is not known; correct or remove it.")
        elif key not in _TOP:
            raise BadInput(f"{path}: the key {key} is not known; correct or remove it.")
    missing = {"press", "transducer", "reference"} - set(tables)
    if missing:
        raise BadInput(f"{path}: the table [{min(missing)}] is missing; add it.")
    press, transducer, reference = (
        dict(tables["press"]),
        dict(tables["transducer"]),
        dict(tables["reference"]),
    )

    def quantity(table: dict[str, Any], where: str, key: str, si: str, default: str | None = None) -> float:
        text = table.pop(key, default)
        if text is None:
            raise BadInput(f"{path}: {where}.{key} is missing; add it with its unit.")
        return parse(str(text), si, what=f"{path}: {where}.{key}")

    by_force = "full_output" in transducer
    if by_force and "range" in transducer:
        raise BadInput(f"{path}: transducer.range and transducer.full_output exclude each other; keep one.")
    if by_force and reference.get("kind") == "gauge":
        raise BadInput(
            f"{path}: a force sensor is not calibrated against a gauge on the line; take a load cell."
        )
    measured = None if "measured_bore" not in press else quantity(press, "press", "measured_bore", "meter")
    second = dict(tables["second_reference"]) if "second_reference" in tables else None
    if second is not None:
        second["force_N"] = quantity(second, "second_reference", "force", "newton")
    rated = None if "rated_force" not in press else quantity(press, "press", "rated_force", "newton")
    if reference.get("kind") == "load-cell":
        said = "seat_percent" in reference
        reference |= {
            "seat_percent": reference.get("seat_percent", SEAT_PERCENT),
            "seat_basis": "by the header" if said else SEAT_BASIS,
        }
    bore_u = press.pop("bore_u_percent", 0.05)
    if by_force:
        press.pop("bore", None)
        area_m2 = FORCE_SENSOR_AREA_M2
        range_Pa = quantity(transducer, "transducer", "full_output", "newton") / area_m2
    else:
        area_m2 = math.pi / 4 * quantity(press, "press", "bore", "meter") ** 2
        range_Pa = quantity(transducer, "transducer", "range", "pascal")
    unit = "pascal" if reference.get("kind") == "gauge" else "newton"
    document: dict[str, Any] = {
        **{k: tables[k] for k in _TOP if k in tables},
        "area_m2": area_m2,
        "rated_N": rated,
        "measured_bore_m": measured,
        "measured_bore_by": press.pop("measured_bore_by", ""),
        "second_reference": second,
        "measures": "force" if by_force else "pressure",
        # A = pi/4 d^2: its relative uncertainty is twice the bore's.
        "area_u_percent": 2.0 * bore_u if isinstance(bore_u, (int, float)) else bore_u,
        "range_Pa": range_Pa,
        "assumed_friction_N": quantity(reference, "reference", "assumed_friction", "newton", "0 N"),
        "assumed_friction_u_N": quantity(reference, "reference", "assumed_friction_u", "newton", "0 N"),
        "zero_counts": zero_counts,
        "made": (made if made is not None else datetime.now(UTC)).isoformat(),
        "environment": tables.get("environment", {}),
    }
    for key in ("counts_step", "fluctuation_counts", "temperature_percent_per_K", "temperature_span_K"):
        if key in transducer:
            document[key] = transducer.pop(key)
    for key, field in _READ.items():
        if key in reference:
            reference[field] = quantity(reference, "reference", key, unit)
    if "class_a_from" in reference:
        reference["class_a_from"] = quantity(reference, "reference", "class_a_from", "newton")
    if "zero_reading" in reference:
        reference["zero_reading"] = quantity(reference, "reference", "zero_reading", unit)
    document |= {"press": press, "transducer": transducer, "reference": reference}
    try:
        return Header.model_validate(document)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        message = first["msg"].removeprefix("Value error, ")
        raise BadInput(f"{path}: {key + ': ' if key else ''}{message[:200]}; correct it.") from None
