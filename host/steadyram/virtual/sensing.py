"""From the pressure in the cylinder to the converter's count: line, transducer, switching spikes, wide codes.

Each interval's pressure is taken as a straight line from its begin to its end; line and transducer are then solved
exactly.
"""

from __future__ import annotations

import bisect
import math

# Textbook decay of what a coil's edge couples into a cable; common practice 1 to 2 ms in all, no single source.
SPIKE_DECAY_S = 0.001
_TERMS = 12

Matrix = tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]


# Entries 00, 01, 10, 11, 20, 21, 22; those above the third row's last are nothing: the line does not feel the sensor.
_Packed = tuple[float, float, float, float, float, float, float]


def _times(a: _Packed, b: _Packed) -> _Packed:
    a00, a01, a10, a11, a20, a21, a22 = a
    b00, b01, b10, b11, b20, b21, b22 = b
    return (
        a00 * b00 + a01 * b10,
        a00 * b01 + a01 * b11,
        a10 * b00 + a11 * b10,
        a10 * b01 + a11 * b11,
        a20 * b00 + a21 * b10 + a22 * b20,
        a20 * b01 + a21 * b11 + a22 * b21,
        a22 * b22,
    )


def transition(frequency_Hz: float, damping: float, lag_s: float, dt_s: float) -> Matrix:
    """Return exp(M dt) for the state (line pressure, its rate over omega, sensed pressure).

    The line is x'' + 2 d w x' + w^2 x = w^2 p, the transducer tau s' + s = x. Scaling and squaring of a Taylor
    series (Moler & Van Loan, Nineteen dubious ways to compute the exponential of a matrix: from memory).
    lag_s 0 leaves the third row alone; the caller then takes the line's pressure as the sensed one.
    """
    w = 2.0 * math.pi * frequency_Hz
    rate = 1.0 / lag_s if lag_s > 0.0 else 0.0
    largest = dt_s * max(w * (1.0 + 2.0 * damping), 2.0 * rate)
    halvings = max(0, math.ceil(math.log2(largest / 0.25))) if largest > 0.25 else 0
    h = dt_s / (1 << halvings)
    m: _Packed = (0.0, w * h, -w * h, -2.0 * damping * w * h, rate * h, 0.0, -rate * h)
    total = power = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0, 1.0)
    for n in range(1, _TERMS):
        c00, c01, c10, c11, c20, c21, c22 = _times(power, m)
        power = (c00 / n, c01 / n, c10 / n, c11 / n, c20 / n, c21 / n, c22 / n)
        t00, t01, t10, t11, t20, t21, t22 = total
        p00, p01, p10, p11, p20, p21, p22 = power
        total = (t00 + p00, t01 + p01, t10 + p10, t11 + p11, t20 + p20, t21 + p21, t22 + p22)
    for _ in range(halvings):
        total = _times(total, total)
    t00, t01, t10, t11, t20, t21, t22 = total
    return ((t00, t01, 0.0), (t10, t11, 0.0), (t20, t21, t22))


def line_step(
    state: tuple[float, float, float],
    p0: float,
    p1: float,
    dt_s: float,
    frequency_Hz: float,
    damping: float,
    lag_s: float,
    phi: Matrix,
) -> tuple[float, float, float]:
    """Return the state after an interval in which the pressure went straight from p0 to p1 (Pa)."""
    w = 2.0 * math.pi * frequency_Hz
    rate = (p1 - p0) / dt_s
    behind = 2.0 * damping * rate / w
    # Departure from what the chain would do behind this ramp for ever.
    a = state[0] - (p0 - behind)
    b = state[1] - rate / w
    c = state[2] - (p0 - behind - lag_s * rate)
    line = p1 - behind + phi[0][0] * a + phi[0][1] * b
    speed = rate / w + phi[1][0] * a + phi[1][1] * b
    if lag_s <= 0.0:
        return line, speed, line
    sensed = p1 - behind - lag_s * rate + phi[2][0] * a + phi[2][1] * b + phi[2][2] * c
    return line, speed, sensed


class WideCodes:
    """Transfer of a converter of which four codes are wider than the others, as on the RP2040.

    The codes are those at 1/8, 3/8, 5/8 and 7/8 of the range less one (511, 1535, 2559, 3583 of 4096); the others
    are narrower by as much, so that both ends of the range stay. Source: the chip's erratum on its converter, from
    memory; the narrowing is this project's reading of it.
    """

    def __init__(self, bits: int, width: float) -> None:
        codes = 1 << bits
        self._width = width
        self._narrow = (codes - 4.0 * width) / (codes - 4.0)
        self._wide = [k * codes // 8 - 1 for k in (1, 3, 5, 7)]
        extra = self._extra = width - self._narrow
        # Where each wide code begins, in ideal steps.
        self._begins = [code * self._narrow + i * extra for i, code in enumerate(self._wide)]
        self._most = codes - 1

    def code(self, ideal: float) -> int:
        """Return the code for a position on the ideal scale (0 to the number of codes)."""
        begun = bisect.bisect_right(self._begins, ideal)
        if begun and ideal < self._begins[begun - 1] + self._width:
            return self._wide[begun - 1]
        at = int((ideal - begun * self._extra) / self._narrow)
        return min(self._most, max(0, at))
