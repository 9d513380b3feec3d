"""No press that the device accepts makes the control step need more than 31 bits.

Settings are drawn over their whole bounds, the corners above all, with the largest calibrations that the checks
let pass; readings and pedals come from a crude press. What is asserted is the width of every intermediate result.
"""

from __future__ import annotations

import random
from array import array
from typing import Any

import pytest
from tests.micropython import runtimes
from tests.micropython.narrow_integers import Narrow, narrow_core

from steadyram_fw import tables as t
from steadyram_fw.core.job_model import LEARNED_LEN
from steadyram_fw.services import checks
from steadyram_fw.services.refuse import Refuse

ZERO = 6554
# Largest sum of coefficients that a calibration may have; the checks refuse more (proved below).
SUM_MAX = 4194303


def draw(low: int, high: int, rng: random.Random) -> int:
    """A value within bounds, often a bound itself, else more often small than large."""
    kind = rng.random()
    if kind < 0.15:
        return low
    if kind < 0.45:
        return high
    return min(high, low + int((high - low) * rng.random() ** 4))


def some_press(rng: random.Random) -> array[int]:
    settings = array("i", [draw(row[1], row[2], rng) for row in t.SETTINGS])
    settings[t.S_CHAR_VALID] = settings[t.S_TOP_SWITCH] = 1
    settings[t.S_STRATEGY] = rng.choice((0, 1, 1, 1, 2))
    settings[t.S_OVERFORCE_N] = settings[t.S_CAPACITY_N] = 5_000_000
    settings[t.S_SENSOR_KIND] = 0
    settings[t.S_COUNTS_ZERO], settings[t.S_COUNTS_FULL] = ZERO, 58982
    settings[t.S_ZERO_DRIFT_PPT] = 100
    settings[t.S_STROKE_MS] = rng.choice((0, 600_000))
    settings[t.S_RATE_LOW_N_S] = max(1000, settings[t.S_RATE_LOW_N_S])
    return settings


def some_calibration(rng: random.Random) -> array[int]:
    c2 = rng.choice((0, 0, 1_000_000, -500_000))
    c3 = rng.choice((0, 0, 300_000))
    c1 = rng.choice((SUM_MAX - abs(c2) - abs(c3), 2_500_000, 250_000 + abs(c2)))
    travel = [rng.choice((SUM_MAX, -SUM_MAX, 300_000)), rng.choice((200_000, -200_000, 5_000))]
    return array(
        "i",
        [ZERO, rng.choice((0, -1_000_000)), c1, c2, c3, 60_000, rng.choice((0, 0, 0, 1_000_000)), 1, *travel],
    )


def run_strokes(core: Any, rng: random.Random, watch: Any) -> int:
    """A few strokes against something between a sponge and a rock; returns how many made a record."""
    ready = t.IN_ESTOP_OK | t.IN_CUTOFF | t.IN_TOP | t.IN_CUTOUT_OK
    records = 0

    def steps(count: int, counts: float, inputs: int) -> None:
        for _ in range(count):
            core.step(max(3300, min(62_000, int(counts) + rng.randrange(-8, 9))), inputs, 3000)

    watch(True)
    steps(400, ZERO, ready)
    for _ in range(5):
        counts, rate, gap = float(ZERO), rng.choice((2, 30, 300, 3000)), rng.randrange(20, 200)
        place, speed = 3000.0, rng.choice((0.2, 3.0, 40.0))
        for ms in range(1200):
            out = core.step(
                min(62_000, int(counts) + rng.randrange(-8, 9)),
                ready | t.IN_EXTEND if ms < 20 else ready & ~t.IN_TOP | t.IN_EXTEND,
                int(place),
            )
            if out & (t.OUT_EXTEND | t.OUT_SLOW):
                gap -= 1
                place = min(64_000.0, place + speed)
                if gap < 0:
                    counts = min(60_000.0, counts + rate)
            if core.state in (t.STATE_DONE, t.STATE_FAULT, t.STATE_REFUSED):
                break
        steps(200, counts, ready & ~t.IN_TOP)
        steps(700, ZERO, ready | (t.IN_ACK if core.fault else 0))
        steps(200, ZERO, ready)
        records += core.record_ready
        watch(False)
        core.record_stored()
        watch(True)
    watch(False)
    return records


@pytest.mark.slow
def test_extremes_stay_narrow() -> None:
    narrow = Narrow()
    records = 0
    with narrow_core(runtimes.CORE, narrow) as module:
        for seed in range(19):
            rng = random.Random(seed)
            core = module.Controller()
            core.configure(some_press(rng))
            core.calibrate(some_calibration(rng))
            setpoint = rng.choice((5_000_000, 3_000_000, 300_000, 3000))
            job = array("i", [row[3] for row in t.JOB])
            job[t.J_SETPOINT_N], job[t.J_DWELL_MS] = setpoint, rng.choice((0, 400))
            job[t.J_STOP_ON] = rng.choice((0, 0, 1, 2))
            job[t.J_DEPTH_UM] = rng.choice((1_000_000, 5_000, 300))
            core.choose(1, job, array("i", [0] * LEARNED_LEN))
            records += run_strokes(core, rng, narrow.watch)
    assert records > 17, "more than a stroke a press: what is watched is whole strokes"
    assert len(narrow.widest) > 150


@pytest.mark.parametrize(
    ("c1", "c2", "c3", "accepted"),
    [
        (SUM_MAX, 0, 0, True),
        (SUM_MAX - 5, -5, 0, True),
        (SUM_MAX, 1, 0, False),
        (4_000_000, 100_000, -100_000, False),
    ],
)
def test_wider_calibrations_are_refused(c1: int, c2: int, c3: int, accepted: bool) -> None:
    settings = array("i", [row[3] for row in t.SETTINGS])
    settings[t.S_BORE_UM], settings[t.S_RANGE_KPA] = 460_000, 20_000
    cal = [row[3] for row in t.CALIBRATION]
    cal[:8] = [ZERO, 0, c1, c2, c3, 58_982, 0, 1]
    if accepted:
        checks.check_calibration(settings, cal)
    else:
        with pytest.raises(Refuse, match="too large together"):
            checks.check_calibration(settings, cal)
