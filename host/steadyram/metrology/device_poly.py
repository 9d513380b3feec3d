"""The integer polynomial that the device really runs, and what rounding it costs.

The device turns counts into newtons by (protocol definition, table `calibration`)

    force_N = c0 + mulq(c1 + mulq(c2 + mulq(c3, x), x), x),   x = counts - zero_counts
    mulq(a, x) = a * x / 65536 rounded to nearest = (a * x + 32768) >> 16   (shift with floor)

so the coefficients are newtons per 65536 counts to a power. The polynomial is that of rising force:
when the reference is a load cell, seal friction is inside c0 already.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING

from steadyram.errors import BadInput
from steadyram.late import np
from steadyram.metrology.exact_fit import PolynomialFit, fit_polynomial

if TYPE_CHECKING:
    from numpy.typing import NDArray

FULL_COUNTS = 65535
COEFFICIENT_MAX = 4_194_303
CONSTANT_MAX = 1_000_000


@dataclass(frozen=True)
class DevicePolynomial:
    """What goes to the device and how well it fits.

    fields: `zero_counts`, `c0_n` .. `c3_n`, `max_counts`, `friction_n` by the definition's names;
    force_N, counts: the points; residual_N: force of the device's integer polynomial at each
    point's (rounded) counts, less the reference force; fit: the unrounded polynomial in
    u = (counts - zero) / 65536, None if the coefficients came from elsewhere.
    """

    fields: dict[str, int]
    force_N: NDArray[np.float64]
    counts: NDArray[np.float64]
    residual_N: NDArray[np.float64]
    fit: PolynomialFit | None


def mulq(a: int, x: int) -> int:
    """a * x / 65536 rounded to nearest, halves upward, as the device does it."""
    return (a * x + 32768) >> 16


def evaluate_device(fields: Mapping[str, int], counts: int) -> int:
    """Force in newtons that the device computes for a reading of `counts` (16-bit scale)."""
    x = counts - fields["zero_counts"]
    inner = fields["c2_n"] + mulq(fields["c3_n"], x)
    return fields["c0_n"] + mulq(fields["c1_n"] + mulq(inner, x), x)


def device_force(
    fields: Mapping[str, int], counts: Sequence[float] | NDArray[np.float64]
) -> NDArray[np.float64]:
    """Device's force (N) at mean readings, which may lie between counts.

    A mean of many samples is not an integer; the device's mean of forces then lies between those
    of the two neighbouring counts, so they are interpolated.
    """
    out = []
    for value in counts:
        low = int(np.floor(value))
        part = float(value) - low
        below = evaluate_device(fields, low)
        out.append(below + part * (evaluate_device(fields, low + 1) - below) if part else float(below))
    return np.asarray(out, dtype=np.float64)


def fit_device_polynomial(
    force_N: Sequence[float] | NDArray[np.float64],
    counts: Sequence[float] | NDArray[np.float64],
    zero_counts: float,
    degree: int = 1,
    friction_N: float = 0.0,
    weights: Sequence[float] | None = None,
) -> DevicePolynomial:
    """Fit the rising branch, reading to force, and round it to the device's integers.

    force_N, counts: one a point, mean counts on the 16-bit scale; zero_counts: reading at rest;
    degree: 1 to 3; friction_N: told to the device as it stands, not subtracted; weights: 1/sigma
    squared of the force.
    Raises BadInput when the points do not determine the polynomial, lie outside the converter, the
    polynomial does not rise over them, or a coefficient does not fit the device.
    """
    force = np.asarray(force_N, dtype=np.float64)
    reading = np.asarray(counts, dtype=np.float64)
    if force.shape != reading.shape or force.ndim != 1:
        raise BadInput("a calibration needs one mean reading for each force.")
    if not (np.isfinite(force).all() and np.isfinite(reading).all()):
        raise BadInput("a calibration point is not a finite number; measure it again.")
    if degree not in (1, 2, 3):
        raise BadInput(f"the device runs a line, a quadratic or a cubic, not degree {degree}.")
    if len(reading) and (
        reading.min() < 0 or reading.max() > FULL_COUNTS or not 0 <= zero_counts <= FULL_COUNTS
    ):
        raise BadInput(
            "a reading is outside the converter's 0 to 65535 counts; check the wiring and the file."
        )
    zero = round(zero_counts)
    u = [Fraction(float(c) - zero) / 65536 for c in reading]
    fit = fit_polynomial(u, [Fraction(float(f)) for f in force], degree, weights)
    return round_for_device(fit.coefficients, force, reading, zero, friction_N, fit)


def round_for_device(
    coefficients: Sequence[float],
    force: NDArray[np.float64],
    reading: NDArray[np.float64],
    zero: int,
    friction_N: float,
    fit: PolynomialFit | None = None,
) -> DevicePolynomial:
    """Round coefficients in u = (counts - zero) / 65536 to the device's integers and check them.

    Raises BadInput when a coefficient does not fit the device or the curve does not rise.
    """
    rounded = [round(b) for b in coefficients] + [0] * (4 - len(coefficients))
    fields = {
        "zero_counts": zero,
        "c0_n": rounded[0],
        "c1_n": rounded[1],
        "c2_n": rounded[2],
        "c3_n": rounded[3],
        "max_counts": min(FULL_COUNTS, int(np.ceil(reading.max()))),
        "friction_n": max(0, round(friction_N)),
    }
    if abs(rounded[0]) > CONSTANT_MAX or any(abs(c) > COEFFICIENT_MAX for c in rounded[1:]):
        raise BadInput(
            "the calibration's coefficients do not fit the device: the transducer is far too large, "
            "or a point is wrong by a power of ten."
        )
    ends = [evaluate_device(fields, round(c)) for c in np.linspace(reading.min(), reading.max(), 65)]
    if ends[-1] <= ends[0] or any(later < earlier for earlier, later in pairwise(ends)):
        raise BadInput(
            "the fitted force does not rise with the reading all the way; use a lower degree or more points."
        )
    return DevicePolynomial(fields, force, reading, device_force(fields, reading) - force, fit)


def line_for_device(
    points: Sequence[tuple[float, float]], zero_counts: float, friction_N: float = 0.0
) -> dict[str, int]:
    """Calibration fields from rising points (force_N, mean_counts) by a straight line."""
    force = [p[0] for p in points]
    counts = [p[1] for p in points]
    return fit_device_polynomial(force, counts, zero_counts, 1, friction_N).fields
