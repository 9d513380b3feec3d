"""The sheet to be bent: thickness, and of its metal what depth, springback and load need."""

from __future__ import annotations

from dataclasses import dataclass

from steadyram.errors import BadInput
from steadyram.press.force_bend import positive
from steadyram.press.materials import SOURCE, material


@dataclass(frozen=True)
class Sheet:
    """Thickness (m), yield and tensile strength and modulus (Pa) of a sheet; `source` says where they are from."""

    thickness_m: float
    yield_Pa: float
    tensile_Pa: float
    modulus_Pa: float
    name: str = "as given"
    source: str = "as given"


def sheet_of(
    thickness_m: float,
    name: str | None = None,
    *,
    yield_Pa: float | None = None,
    tensile_Pa: float | None = None,
    modulus_Pa: float | None = None,
) -> Sheet:
    """A sheet of a material of the table, of given figures, or of a material with some figures replaced.

    Raises BadInput when a figure is missing, or not positive, or yield is above tensile strength.
    """
    row = material(name) if name is not None else None
    strengths = (
        yield_Pa if yield_Pa is not None else row.yield_Pa if row else None,
        tensile_Pa if tensile_Pa is not None else row.tensile_Pa if row else None,
        modulus_Pa if modulus_Pa is not None else row.modulus_Pa if row else None,
    )
    if strengths[0] is None or strengths[1] is None or strengths[2] is None:
        raise BadInput(
            "give a material of `steadyram force materials`, or yield strength, tensile strength and modulus."
        )
    given = [what for what, value in zip("YTE", (yield_Pa, tensile_Pa, modulus_Pa), strict=True) if value]
    source = SOURCE if not given else "as given" if len(given) == 3 else f"partly as given; else {SOURCE}"
    sheet = Sheet(
        thickness_m, strengths[0], strengths[1], strengths[2], row.name if row else "as given", source
    )
    positive(
        thickness=thickness_m, yield_strength=sheet.yield_Pa, tensile_strength=sheet.tensile_Pa,
        modulus=sheet.modulus_Pa,
    )  # fmt: skip
    if sheet.yield_Pa > sheet.tensile_Pa:
        raise BadInput("the yield strength is above the tensile strength; check whether they are exchanged.")
    return sheet
