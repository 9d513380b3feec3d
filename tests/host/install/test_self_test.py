"""What a board measures of itself, beside its limits and the emulated figures."""

import json
from types import SimpleNamespace

import pytest

from steadyram.errors import CheckFailed
from steadyram.install.doctor import _left
from steadyram.install.self_test import READINGS, self_test

GOOD = {
    "build": "sr-2", "left": "", "interp": "1.28.0", "clock_hz": 200_000_000, "core_mv": 1150, "steps": 9000,
    "step_us": 250, "longest_us": 2500, "late_us": 1200, "pause_us": 90_000, "keeper_ms": 10, "outputs": 8,
    "read_back": 8, "heap_free": 95_000, "heap_used": 150_000,
}  # fmt: skip


class Told:
    """A device that tells what it is told to."""

    def __init__(self, told, spread=20):
        self.told = told
        self.asked = 0
        self.spread = spread

    def board(self):
        return self.told

    def identity(self):
        return SimpleNamespace(fw="9.9", board="pico")

    def settings(self):
        return SimpleNamespace(values={"counts_step": 16})

    def now(self):
        self.asked += 1
        return SimpleNamespace(counts=6560 + 16 * (self.asked % 3), spread_counts=self.spread)


def bad(told, **more):
    return [row.name for row in self_test(Told({**GOOD, **told}, **more))[0] if row.good is False]


def test_good_board_has_nothing_bad_and_a_file_to_send():
    rows, document = self_test(Told(GOOD))
    assert not [row for row in rows if row.good is False]
    assert next(row for row in rows if "different codes" in row.name).value == 3
    sent = json.loads(json.dumps(document))
    assert (sent["micropython"], sent["measured"]["heap_free"]) == ("1.28.0", 95_000)
    assert len(sent["table"]) == len(rows)


@pytest.mark.parametrize(
    ("told", "word"),
    [
        ({"step_us": 701}, "mean"),
        ({"longest_us": 6001}, "longest"),
        ({"late_us": 3001}, "late"),
        ({"core_mv": 1100}, "voltage"),
        ({"keeper_ms": 21}, "without steps"),
        ({"heap_free": 39_999}, "free"),
        ({"read_back": 9}, "read back"),
        ({"pause_us": 500_001}, "pause"),
    ],
)
def test_each_figure_beyond_its_limit_is_bad(told, word):
    names = bad(told)
    assert len(names) == 1
    assert word in names[0]


def test_noise_beyond_the_limit_is_bad_and_low_voltage_is_right_at_a_low_clock():
    assert bad({}, spread=25) == ["converter, spread at rest"]
    assert bad({"core_mv": 1100, "clock_hz": 125_000_000}) == []


def test_what_a_board_does_not_know_is_not_judged():
    unknown = {key: -1 if isinstance(value, int) else value for key, value in GOOD.items()}
    rows, _ = self_test(Told(unknown))
    assert [row.value for row in rows if row.good is not None] == [20]
    assert sum(row.value is None for row in rows) == len(rows) - 2


def test_old_firmware_is_told_in_a_sentence():
    with pytest.raises(CheckFailed, match="steadyram install"):
        self_test(Told(None))


def test_doctor_names_an_update_that_was_left():
    assert _left(Told(GOOD)) == []
    found = _left(Told({**GOOD, "left": "sr-3"}))
    assert found[0].level == "bad"
    assert "sr-3" in found[0].what
    assert "sr-2" in found[0].what
    assert READINGS >= 30
