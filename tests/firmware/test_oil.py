"""What a record tells of the oil: in a learned stroke only, and -1 where it is not known."""

from array import array

import pytest

from steadyram_fw import tables as t
from steadyram_fw.core import oil
from steadyram_fw.core.job_model import LEVELS
from steadyram_fw.core.modes import MODE_FIRST, MODE_PLAN
from steadyram_fw.core.position import CONTACT16, MARK, U16, new_cells

FIELDS = (t.R_OIL_CONTACT_US, t.R_OIL_HALF_US, t.R_OIL_END_US)


class Cut:
    """A learned stroke that met its part after 400 ms of oil, and let in 100 ms from there to the end."""

    def __init__(self) -> None:
        self.cells = new_cells()
        for level in range(LEVELS + 1):
            self.cells[MARK + level] = -1
        self.cells[CONTACT16] = 400 * 16
        self.cells[U16] = self.u16 = 500 * 16
        self.mode = MODE_PLAN
        self.setpoint = 20_000
        self.rests = array("i", [5_000, 420 * 16, 15_000, 460 * 16, *[0] * 12])
        self.rested = 2


def told(cut: Cut, *, counted: bool = True, from_top: bool = True) -> tuple[int, ...]:
    record = array("i", [0] * t.R_LEN)
    oil.tell(record, cut, counted, from_top)
    return tuple(record[place] for place in FIELDS)


def test_oil_is_told_in_microseconds_of_the_low_stage():
    # Half the setpoint lies half-way between two rests, 20 and 60 ms of oil after contact.
    assert told(Cut()) == (400_000, 40_000, 100_000)


def test_a_level_that_was_passed_in_a_feed_stands_for_itself():
    cut = Cut()
    cut.cells[MARK + LEVELS // 2] = 433 * 16
    assert told(cut) == (400_000, 33_000, 100_000)


def test_contact_is_not_known_from_anywhere_but_the_top():
    assert told(Cut(), from_top=False) == (-1, 40_000, 100_000)


@pytest.mark.parametrize("change", ["first", "hand pump", "nothing met"])
def test_nothing_is_told_where_oil_was_not_counted(change: str):
    cut = Cut()
    if change == "first":
        cut.mode = MODE_FIRST
    if change == "nothing met":
        cut.cells[CONTACT16] = -1
    assert told(cut, counted=change != "hand pump") == (-1, -1, -1)


def test_half_the_setpoint_is_not_known_where_it_was_not_reached():
    cut = Cut()
    cut.rested = 1
    assert told(cut) == (400_000, -1, 100_000)


def test_a_stroke_that_is_cut_off_in_a_feed_counts_what_came_in():
    cut = Cut()
    cut.u16 = 380 * 16
    assert told(cut)[2] == 100_000
