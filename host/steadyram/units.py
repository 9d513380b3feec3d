"""One pint registry for the whole host, and the parsing of quantities that people type.

Inside the host every number is SI (newton, pascal, metre, second). Quantities are parsed and
printed here and nowhere else.

Sources of the exact factors: NIST SP 811 (2008), appendix B; 1 lbf = 4.4482216152605 N exactly.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from functools import cache
from typing import TYPE_CHECKING, Any, Final

from steadyram.errors import UnitError

if TYPE_CHECKING:
    import pint


@cache
def registry() -> pint.UnitRegistry[Any]:
    """Return the one registry; made when it is first asked for, because that takes as long as most commands."""
    import pint

    made: pint.UnitRegistry[Any] = pint.UnitRegistry()
    # `tonf` in this project is the short ton-force (2000 lbf); the long and the metric one have names of their own.
    made.define("tonf = 2000 * force_pound = short_tonf")
    made.define("long_tonf = 2240 * force_pound")
    made.define("tonne_force = 1000 * kilogram_force = metric_tonf")
    return made


# Pressures of this trade are gauge pressures (zero at the atmosphere); absolute ones are another quantity.
_GAUGE = re.compile(r"^(psi|bar|kPa|MPa|Pa)\s*(?:g|\(g\)|gauge)$")
_ABSOLUTE = re.compile(r"^(psi|bar|kPa|MPa|Pa)\s*(?:a|\(a\)|abs|absolute)$")
# A power of a power could be any size: 9**9**9 would keep the parser busy for ever.
_TOWER = re.compile(r"(?:\^|\*\*)\s*[-+]?\d+\s*(?:\^|\*\*)|\)\s*(?:\^|\*\*)|(?:\^|\*\*)\s*(?:\(|[-+]?\d\d)")
_BARE_TON = re.compile(
    r"^[^a-zA-Z]*(?:ton|tons|tonne|tonnes|t|tf|tonforce|ton[-_ ]force|(?:short|long|metric|us|uk)[-_ ]?tons?)\s*$",
    re.I,
)

# What the three tons are, for people who choose or mistype one. NIST SP 811, appendix B.
TONS: Final = (
    "tonf is the short ton-force, 2000 lbf or 8.896 kN (the one on presses sold in the USA); long_tonf is 2240 lbf or "
    "9.964 kN; tonne_force is 1000 kgf or 9.807 kN (the metric one)"
)

FORCE_UNITS: Final = ("tonf", "kN", "lbf", "N", "kgf", "tonne_force", "long_tonf")
PRESSURE_UNITS: Final = ("psi", "bar", "MPa", "kPa")

_KIND_EXAMPLES: Final = {
    "newton": "a force such as '1.0 tonf', '8.9 kN' or '2000 lbf'",
    "pascal": "a pressure such as '3000 psi', '200 bar' or '20 MPa'",
    "meter": "a length such as '5 mm' or '0.25 in'",
    "second": "a time such as '25 ms' or '2 s'",
    "meter**3": "a volume such as '0.8 L'",
    "meter**3/second": "a flow such as '2 L/min'",
    "newton/meter": "a stiffness such as '200 kN/mm'",
    "dimensionless": "a fraction such as '5 %'",
    "radian": "an angle such as '90 deg'",
    "1/second": "a rate such as '0.5 %/s' or '12 /min'",
}


# Larger than anything of a press, its parts or a shop, in the unit that is its key; a typing error, or an attack.
_LARGEST: Final = {
    "newton": 1e9,
    "pascal": 1e13,
    "meter": 1e4,
    "second": 1e9,
    "meter**3": 1e3,
    "meter**3/second": 1e3,
    "newton/meter": 1e13,
    "dimensionless": 1e6,
    "radian": 1e4,
    "1/second": 1e7,
}
_LARGEST_OTHER: Final = 1e15


def parse(text: str, si_unit: str, *, what: str = "value") -> float:
    """Parse a quantity with its unit and return its magnitude in `si_unit`.

    text: what a person wrote, for example "1.6 tonf"; si_unit: a pint unit, for example "newton".
    Raises UnitError with one sentence naming `what` when the unit is missing, ambiguous ("ton")
    or of the wrong kind, or when the number is not finite, or larger than anything of
    a press (`_LARGEST`).
    """
    expected = _KIND_EXAMPLES.get(si_unit, f"a quantity in {si_unit}")
    raw = str(text).strip()
    if si_unit == "newton" and _BARE_TON.match(raw):
        raise UnitError(f"{what} is '{raw}', and a bare ton is ambiguous: {TONS}; write one of these.")
    if len(raw) > 80:
        raise UnitError(f"{what} is longer than any quantity; write {expected}.")
    match = re.fullmatch(r"([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*)", raw)
    if match is None:
        raise UnitError(f"{what} is '{raw}', which does not begin with a number; write {expected}.")
    number, unit_text = float(match[1]), match[2].strip().replace("%", "percent")
    if re.match(r",\d", unit_text):
        raise UnitError(
            f"{what} is '{raw}', and its comma could set thousands or decimals apart; write the number without one, "
            "for example '3300 psi' or '3.3 bar'."
        )
    if not unit_text:
        if si_unit == "dimensionless":
            return _within(number, raw, si_unit, what)
        raise UnitError(f"{what} is '{raw}' and has no unit; write {expected}.")
    if si_unit == "pascal" and _ABSOLUTE.match(unit_text):
        raise UnitError(
            f"{what} is '{raw}', an absolute pressure; give gauge pressure (zero at the atmosphere, "
            f"about 14.7 psi or "
            "1.01 bar less)."
        )
    if si_unit == "pascal" and (gauge := _GAUGE.match(unit_text)):
        unit_text = gauge[1]
    if unit_text.startswith("/"):
        unit_text = "1" + unit_text
    if not re.fullmatch(r"[A-Za-z0-9_*/^. µ°()-]+", unit_text) or _TOWER.search(unit_text):
        raise UnitError(f"{what} is '{raw}', whose unit cannot be read; write {expected}.")
    ureg = registry()
    try:
        unit = ureg.parse_expression(unit_text)
        quantity = number * (unit if isinstance(unit, ureg.Quantity) else ureg.Quantity(unit))
        value = float(quantity.to(si_unit).magnitude)
    except Exception as error:  # the parser raises whatever an unexpected text makes it trip over
        if type(error).__name__ == "DimensionalityError":
            raise UnitError(f"{what} is '{raw}', which is of the wrong kind; write {expected}.") from None
        raise UnitError(f"{what} is '{raw}', whose unit is not known; write {expected}.") from None
    return _within(value, raw, si_unit, what)


def _within(value: float, raw: str, si_unit: str, what: str) -> float:
    if not math.isfinite(value):
        raise UnitError(f"{what} is not a finite number.")
    most = _LARGEST.get(si_unit, _LARGEST_OTHER)
    if abs(value) > most:
        raise UnitError(
            f"{what} is '{raw}', and that is more than {most:g} {si_unit}; check the number and its unit."
        )
    return value


def to_unit(value_si: float, si_unit: str, unit: str) -> float:
    """Convert an SI magnitude to `unit`."""
    return float(registry().Quantity(value_si, si_unit).to(unit).magnitude)


def show(value_si: float, si_unit: str, unit: str, digits: int = 4) -> str:
    """Write an SI magnitude for people, in `unit`, with `digits` significant digits: "3,300 psi"."""
    return f"{figure(to_unit(value_si, si_unit, unit), digits)} {unit}"


def figure(value: float, digits: int = 4) -> str:
    """Write a number with `digits` significant digits, no exponent, and thousands set apart: "3,300"."""
    if not math.isfinite(value) or value == 0:
        return f"{value:g}"
    rounded = float(f"{value:.{digits - 1}e}")
    text = f"{rounded:,.{_decimals(rounded, digits)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def show_column(values_si: Iterable[float], si_unit: str, unit: str, digits: int = 4) -> list[str]:
    """Write the figures of one column with as many decimals each as the largest needs for `digits` digits."""
    numbers = [to_unit(value, si_unit, unit) for value in values_si]
    largest = max((abs(number) for number in numbers if math.isfinite(number)), default=0.0)
    decimals = _decimals(float(f"{largest:.{digits - 1}e}"), digits) if largest else 0
    return [f"{number:,.{decimals}f} {unit}" for number in numbers]


def _decimals(rounded: float, digits: int) -> int:
    return max(0, digits - 1 - math.floor(math.log10(abs(rounded))))
