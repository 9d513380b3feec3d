"""What the page says of a press whose next stroke is not what it looks like, from readings alone."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from steadyram.link.definition import definition
from steadyram.link.records import DeviceJob, Reading
from steadyram.page.in_force import InForce
from steadyram.page.view import view_json
from steadyram.page.words import (
    LATCHED_MOVING,
    NOT_CALIBRATED_LOADED,
    PRESSURE_NOT_KNOWN,
    VALVE_TEST_ARMED,
    WILL_REFUSE,
)

REST: dict[str, str] = {
    "state": "1", "fault": "0", "refusal": "0", "stop": "0", "force_n": "0", "pressure_kpa": "0", "peak_n": "0",
    "counts": "6554", "mean_c16": "104864", "spread_c": "3", "job": "1", "setpoint_n": "5000", "count": "0",
    "batch": "0", "cutoff": "1", "latch": "0", "estop": "1", "top": "1", "extend": "0", "retract": "0", "slow": "0",
    "changes_s": "0", "first_seq": "0", "next_seq": "1", "uptime_ms": "1000", "unix": "0", "zero": "6554",
    "travel_um": "0", "reference": "0", "armed_s": "0", "armed_n": "0",
}  # fmt: skip
STATE = {entry.name: str(number) for number, entry in definition().states.items()}


def press(
    settings: dict[str, int] | None = None,
    job: dict[str, int] | None = None,
    calibrated: bool = True,
    characterised: bool = True,
    **told: str,
) -> dict[str, Any]:
    """The page's `press` for a reading that differs from one at rest by `told`."""
    known = definition()
    fields = {field.name: field.default for field in known.job} | {"setpoint_n": 5000} | (job or {})
    values = {field.name: field.default for field in known.settings} | (settings or {})
    calibration = {field.name: field.default for field in known.calibration} if calibrated else {}
    in_force = SimpleNamespace(
        settings=SimpleNamespace(values=values),
        measured=SimpleNamespace(values={"char_valid": int(characterised)}),
        calibration=SimpleNamespace(values=calibration),
        jobs=SimpleNamespace(gen=1, jobs=(DeviceJob(1, "nut", fields),)),
    )
    document = view_json(
        link="connected",
        trouble="",
        since_unix=0.0,
        reading=Reading.from_fields(REST | told),
        in_force=cast(InForce, in_force),
        guide=None,
        now_unix=0.0,
    )
    return cast(dict[str, Any], document["press"])


def test_a_press_at_rest_warns_of_nothing() -> None:
    told = press()
    assert told["headline"] == "Ready to press"
    assert told["unknown_words"] == ""
    assert not told["latched"]
    assert not told["threshold"]
    assert told["armed_left_s"] == 0


def test_an_armed_valve_test_takes_the_headline() -> None:
    told = press(armed_s="42", armed_n="178000")
    assert told["headline"] == VALVE_TEST_ARMED
    assert told["look"] == "alarm"
    assert "retract" in told["remedy"]
    assert (told["armed_left_s"], told["armed_N"]) == (42, 178_000)


def test_an_unknown_force_is_no_number_and_says_how_to_treat_the_press() -> None:
    told = press(force_n="-", pressure_kpa="-", state=STATE["fault"], fault="1")
    assert told["force_N"] is None
    assert told["unknown_words"] == PRESSURE_NOT_KNOWN
    told = press(calibrated=False, force_n="-", pressure_kpa="0")
    assert told["force_N"] is None
    assert told["unknown_words"] == NOT_CALIBRATED_LOADED


@pytest.mark.parametrize(
    ("choice", "selector", "handling", "latched"),
    [
        (0, 1, 0, False),
        (1, 0, 0, True),
        (2, 0, 0, False),
        (2, 1, 0, True),
        (1, 1, 1, False),
        (2, 1, 1, False),
    ],
)
def test_a_latched_return_is_told_as_the_control_core_decides_it(
    choice: int, selector: int, handling: int, latched: bool
) -> None:
    told = press(
        job={"latch_return": choice, "handling": handling}, latch=str(selector), state=STATE["return"]
    )
    assert told["latched"] == latched
    assert (told["headline"] == LATCHED_MOVING) == latched


def test_a_plain_threshold_and_a_press_that_was_never_characterised_show_before_the_pedal() -> None:
    assert press(settings={"strategy": 0}, characterised=False)["threshold"]
    told = press(settings={"strategy": 1}, characterised=False)
    assert told["headline"] == WILL_REFUSE["not-characterised"]
    assert not told["threshold"]
