"""Bounds of what may be committed, from both sides."""

import pytest

from steadyram_fw import tables as T
from steadyram_fw.services import checks
from steadyram_fw.services.refuse import Refuse

SETTINGS = [row[3] for row in T.SETTINGS]
SPAN = SETTINGS[T.S_COUNTS_FULL] - SETTINGS[T.S_COUNTS_ZERO]


def calibration(times):
    """A line with so many times the slope of the nameplate: pi/4 bore^2 p over the transducer's span of counts."""
    full_n = 3.14159265 / 4 * (SETTINGS[T.S_BORE_UM] / 1e6) ** 2 * SETTINGS[T.S_RANGE_KPA] * 1000
    cal = [row[3] for row in T.CALIBRATION]
    cal[T.C_ZERO_COUNTS], cal[T.C_MAX_COUNTS] = SETTINGS[T.S_COUNTS_ZERO], SETTINGS[T.S_COUNTS_FULL]
    cal[T.C_C1_N] = round(times * full_n / SPAN * 65536)
    return cal


@pytest.mark.parametrize(
    ("times", "accepted"),
    [(0.25, False), (0.45, False), (0.495, False), (0.505, True), (1.0, True),
     (1.98, True), (2.02, False), (3.5, False)],
)  # fmt: skip
def test_a_calibration_and_the_nameplate_agree_within_a_factor_of_two(times, accepted):
    if accepted:
        checks.check_calibration(SETTINGS, calibration(times))
        return
    with pytest.raises(Refuse) as refused:
        checks.check_calibration(SETTINGS, calibration(times))
    assert refused.value.number == T.E_INCONSISTENT
    assert "factor of two" in refused.value.detail


def job(**fields):
    values = [row[3] for row in T.JOB]
    for name, value in fields.items():
        values[[row[0] for row in T.JOB].index(name)] = value
    return values


@pytest.mark.parametrize(
    ("chosen", "asked_n", "ceiling_n"),
    [
        (None, 0, SETTINGS[T.S_OVERFORCE_N]),
        (None, 5000, 5000),
        (None, SETTINGS[T.S_OVERFORCE_N] + 1, None),
        (job(cutoff_required=0, tool_limit_n=8000), 0, 8000),
        (job(cutoff_required=0, tool_limit_n=8000), 8001, None),
        (job(cutoff_required=0), 0, SETTINGS[T.S_OVERFORCE_N]),
        (job(cutoff_required=1), 0, None),
    ],
)
def test_a_valve_test_has_a_ceiling_of_its_own(chosen, asked_n, ceiling_n):
    if ceiling_n is not None:
        assert checks.check_test(SETTINGS, chosen, calibration(1.0), 0, asked_n) == ceiling_n
        return
    with pytest.raises(Refuse):
        checks.check_test(SETTINGS, chosen, calibration(1.0), 0, asked_n)


@pytest.mark.parametrize("calibrated", [True, False])
def test_a_valve_test_is_cut_below_its_ceiling(calibrated):
    cal = calibration(1.0) if calibrated else None
    per_n = SPAN / (3.14159265 / 4 * (SETTINGS[T.S_BORE_UM] / 1e6) ** 2 * SETTINGS[T.S_RANGE_KPA] * 1000)
    at = SETTINGS[T.S_COUNTS_ZERO] + round(50_000 * per_n)
    assert checks.check_test(SETTINGS, None, cal, at - 8, 50_000) == 50_000
    with pytest.raises(Refuse) as refused:
        checks.check_test(SETTINGS, None, cal, at + 8, 50_000)
    assert refused.value.number == T.E_OUT_OF_RANGE
