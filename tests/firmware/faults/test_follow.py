"""The watch whether the reading follows the oil, fed by hand: outputs, a reading and a force a millisecond."""

import random
from array import array

import pytest

from steadyram_fw import tables as t
from steadyram_fw.core.follow import CELLS, CONTACT16, LATEST16, OVERDUE, Follow, _blend, look
from steadyram_fw.core.job_model import L_WATCH, LEARNED_LEN
from steadyram_fw.core.press import Press, seal_friction_n

PLACES = {row[0]: i for i, row in enumerate(t.SETTINGS)}
C1 = 350000  # newtons per 65536 counts
FRICTION_N = 600
SHOW16 = (FRICTION_N << 19) // C1
MEASURED = dict(
    char_valid=1, open_lag_us=38000, close_lag_us=33000, sensor_lag_us=2000, jitter_us=1400, noise_n=140,
    rate_low_n_s=944000, rate_high_n_s=270000, changeover_n=38500, pulse_dead_us=5000,
)  # fmt: skip


def made(cal=True, **changed):
    settings = array("i", [row[3] for row in t.SETTINGS])
    for name, value in {**MEASURED, **changed}.items():
        settings[PLACES[name]] = value
    press = Press()
    press.configure(settings)
    follow = Follow(press)
    follow.configure(settings, [6554, -600, C1, 0, 0, 58982, FRICTION_N, 1] if cal else None, C1)
    return follow


def taught(parts=20, setpoint=20000, watch=None):
    """What a job taught whose parts meet the ram after 400 ms of oil and reach their force 40 ms later, evenly."""
    a = array("i", [0] * LEARNED_LEN)
    follow = watch or made()
    for _ in range(parts):
        stroke = Stroke(follow, a, setpoint)
        stroke.run(438, rise16=SHOW16)
        for n in range(1, 41):
            # told to close 33 ms before the flow ends
            out = t.OUT_EXTEND if n < 8 else 0
            assert stroke.run(1, out, SHOW16, max(701, setpoint * n // 40))[0] == 0
        follow.teach()
    return a


class Stroke:
    def __init__(self, follow, learned=None, setpoint=20000, zero16=104000):
        follow.begin(zero16, 700, setpoint, learned)
        self.cells, self.zero16 = follow.cells, zero16

    def run(self, ms, out=t.OUT_EXTEND, rise16=0, force=0):
        """First verdict in `ms` milliseconds and when it came, (0, ms) without one."""
        for n in range(1, ms + 1):
            verdict = look(self.cells, out, self.zero16 + rise16, force)
            if verdict:
                return verdict, n
        return 0, ms


def test_contact_that_scatters_is_seldom_overdue_however_few_parts_taught_it():
    """Six parts teach; one normal contact in 5,000 is later than allowed, where jitter and sight add nothing."""
    parts = 6
    draw = random.Random(1906)
    follow = made(jitter_us=0)
    learned = array("i", [0] * LEARNED_LEN)
    late = 0
    for _ in range(5_000):
        learned[L_WATCH] = 20000
        for n in range(parts):
            learned[L_WATCH + 1] = n
            _blend(learned, L_WATCH + 2, round(20_000 + 2_000 * draw.gauss(0.0, 1.0)))
        learned[L_WATCH + 1] = parts
        follow.begin(104000, 700, 20000, learned)
        late += round(20_000 + 2_000 * draw.gauss(0.0, 1.0)) > follow.cells[LATEST16] - follow._p.see16
    assert late <= 1


def test_free_travel_that_does_not_show_is_a_fault():
    stroke = Stroke(made())
    # opening, 24 ms of oil, then the mean of sixteen, five time constants and the jitter
    verdict, ms = stroke.run(400)
    assert verdict == t.FAULT_READING_STILL
    assert abs(ms - (38 + 24 + 40 + (5 * 32 + 4 * 22) // 16)) < 3


def test_free_travel_that_shows_is_none():
    stroke = Stroke(made())
    stroke.run(80)
    assert stroke.run(20, rise16=SHOW16) == (0, 20)
    assert stroke.run(2000) == (0, 2000)


@pytest.mark.parametrize("rise16", [-5000, 0, SHOW16 - 1])
def test_noise_and_less_than_half_of_friction_do_not_count(rise16):
    assert Stroke(made()).run(400, rise16=rise16)[0] == t.FAULT_READING_STILL


@pytest.mark.parametrize("why", ["friction in the noise", "not characterised", "hand pump", "no calibration"])
def test_where_friction_cannot_show_contact_proves_the_reading(why):
    changed = {
        "friction in the noise": {"noise_n": 400},
        "not characterised": {"char_valid": 0},
        "hand pump": {"burst_feed": 1},
        "no calibration": {},
    }[why]
    follow = made(cal=why != "no calibration", **changed)
    stroke = Stroke(follow)
    assert stroke.run(3000) == (0, 3000)
    assert not follow.shown()
    stroke.run(1, force=800)
    assert follow.shown()


def test_a_reading_that_was_proven_is_doubted_again():
    follow = made()
    Stroke(follow).run(100, rise16=SHOW16)
    assert follow.shown()
    follow.doubt()
    assert not follow.proven


def test_pulses_count_what_they_let_in():
    stroke = Stroke(made())
    for pulse in range(40):
        for out, ms in ((t.OUT_EXTEND, 17), (0, 90)):
            verdict, _ = stroke.run(ms, out)
            if verdict:
                # 17 ms energised less 5 ms dead and the jitter: the third pulse brings 24 ms of oil
                assert (verdict, pulse) == (t.FAULT_READING_STILL, 2)
                return
    raise AssertionError("never")


def test_contact_that_is_overdue_ends_the_stroke():
    stroke = Stroke(made(), taught())
    stroke.run(60)
    # contact at 400 ms of oil, the sensor's lag and jitter; then a deviation that is nearly nothing
    latest = 38 + 400 + (64 + 44) / 16
    verdict, ms = stroke.run(1000, rise16=SHOW16)
    assert verdict == OVERDUE
    assert latest - 4 < ms + 60 < latest + 12


def test_contact_of_a_job_that_is_new_or_another_is_not_expected():
    pumped = made(burst_feed=1)
    for follow, learned, setpoint in (
        (made(), taught(5), 20000),
        (made(), taught(), 19000),
        (made(), None, 20000),
        (pumped, taught(watch=pumped), 20000),
    ):
        assert Stroke(follow, learned, setpoint).run(2000, rise16=SHOW16) == (0, 2000)


@pytest.mark.parametrize("level", range(1, 16))
def test_a_reading_that_stops_on_the_part_is_overdue_within_what_the_job_needs(level):
    stroke = Stroke(made(), taught())
    stroke.run(430, rise16=SHOW16)
    for passed in range(1, level + 1):
        assert stroke.run(1, rise16=SHOW16, force=max(701, 20000 * passed // 16))[0] == 0
    force = max(701, 20000 * level // 16)
    verdict, ms = stroke.run(400, rise16=SHOW16, force=force)
    assert verdict == OVERDUE
    # true force when it ends, on a part that rises by 500 N a millisecond
    blind_N = 500 * ms
    assert force + blind_N < 2.0 * 20000


def test_a_reading_that_falls_away_under_a_feed_ends_the_stroke():
    stroke = Stroke(made())
    stroke.run(430, rise16=SHOW16)
    assert stroke.run(20, rise16=SHOW16, force=8000) == (0, 20)
    assert stroke.run(20, 0, rise16=0, force=100) == (0, 20)
    assert stroke.run(20, rise16=0, force=100) == (OVERDUE, 1)


def test_a_part_that_takes_a_little_more_oil_is_not_overdue():
    stroke = Stroke(made(), taught())
    stroke.run(430, rise16=SHOW16)
    for n in range(1, 60):
        # a fifth softer
        force = max(701, 20000 * n // 48)
        assert stroke.run(1, rise16=SHOW16, force=force) == (0, 1), n


@pytest.mark.parametrize("level", range(1, 16))
def test_a_plateau_that_lies_a_little_higher_is_not_overdue(level):
    """The oil of the whole is this job's, but the part stands at one level for a quarter of it."""
    stroke = Stroke(made(), taught())
    stroke.run(430, rise16=SHOW16)
    for passed in range(1, level + 1):
        assert stroke.run(1, rise16=SHOW16, force=max(701, 20000 * passed // 16)) == (0, 1)
    assert stroke.run(10, rise16=SHOW16, force=max(701, 20000 * level // 16)) == (0, 10)
    for passed in range(level + 1, 17):
        assert stroke.run(1, rise16=SHOW16, force=20000 * passed // 16) == (0, 1)


def test_oil_beyond_the_rams_stroke_is_a_fault():
    stroke = Stroke(made(stroke_ms=3000))
    stroke.run(80)
    verdict, ms = stroke.run(5000, rise16=SHOW16)
    assert verdict == t.FAULT_OIL_LIMIT
    assert abs(ms + 80 - 3038) < 3
    assert Stroke(made(stroke_ms=0)).run(60000, rise16=SHOW16)[0] == 0


def settling(tau_ms, late_ms=0, rate=944.0):
    """Verdict after a closing: the force goes on for 33 ms + late_ms, the sensor follows with a time constant."""
    stroke = Stroke(made())
    stroke.run(100, rise16=SHOW16, force=800)
    true, seen = 800.0, 800.0
    share = 1.0 if tau_ms == 0 else 1.0 / tau_ms
    for n in range(400):
        true += rate if n < 33 + late_ms else 0.0
        seen += share * (true - seen)
        verdict, _ = stroke.run(1, 0, SHOW16, round(seen))
        if verdict:
            return verdict
    return 0


def test_a_snubber_that_lags_is_seen_after_the_close():
    assert settling(30.0) == t.FAULT_READING_SLOW
    assert settling(60.0) == t.FAULT_READING_SLOW


@pytest.mark.parametrize(("tau_ms", "late_ms"), [(0, 0), (2, 0), (4, 0), (2, 16), (2, 24)])
def test_a_healthy_sensor_and_a_valve_three_quarters_late_are_not(tau_ms, late_ms):
    assert settling(tau_ms, late_ms) == 0


def test_the_arrays_are_as_long_as_they_are_used():
    assert len(made().cells) == CELLS


def part_verdict(follow, a, full_ms):
    """The first verdict of a part that is met after 400 ms of oil, half way up 20 ms later and all the way after 44.

    The full feed is told to close after `full_ms` and gives over to the slow one, sixteen times slower; both take 38 ms
    to open and 33 ms to close.
    """
    stroke = Stroke(follow, a, 20000)
    oil_ms, n, verdict = 0.0, 0, 0
    while oil_ms < 444 and not verdict:
        n += 1
        oil_ms += (38 < n <= full_ms + 33 if full_ms else 0) + (n > full_ms + 38) / 16
        share = min(1.0, (oil_ms - 400) / 20) + max(0.0, oil_ms - 420) / 24
        force = int(10000 * share) if oil_ms > 400 else 0
        verdict, _ = stroke.run(1, t.OUT_EXTEND if n <= full_ms else t.OUT_SLOW, SHOW16, force)
    return verdict or stroke.run(100, 0, SHOW16, 20000)[0]


@pytest.mark.parametrize("full_ms", [415, 425, 437])
def test_a_job_taught_by_two_feeds_is_not_overdue_when_the_slow_feed_does_it_alone(full_ms):
    """After a part without hardware the next one is a first part: its slow feed must find the job as it was."""
    follow = made(slow_fitted=1, rate_slow_n_s=59000, slow_open_lag_us=38000, slow_close_lag_us=33000)
    a = array("i", [0] * LEARNED_LEN)
    for _ in range(20):
        assert part_verdict(follow, a, full_ms) == 0
        follow.teach()
    assert part_verdict(follow, a, 0) == 0


def test_a_ram_that_breaks_away_anew_in_each_pulse_has_not_met_the_part():
    follow = made()
    stroke = Stroke(follow)
    for _ in range(12):
        # Runs at 100 N; sticks up to 1.1 kN, more than friction and touch, as each pulse starts it.
        assert stroke.run(60, 0, SHOW16, 100)[0] == 0
        assert stroke.run(20, t.OUT_EXTEND, SHOW16, 1100)[0] == 0
        assert stroke.run(120, t.OUT_EXTEND, SHOW16, 100)[0] == 0
    assert follow.cells[CONTACT16] < 0


@pytest.mark.parametrize(
    ("told_n", "c0_n", "force_sensor", "found_n"),
    [
        (700, -600, 0, 700),
        (1, -600, 0, 600),
        (0, -600, 0, 600),
        (0, 300, 0, 0),
        (0, -60000, 0, 12500),
        (0, -600, 1, 0),
    ],
)
def test_friction_that_a_calibration_could_not_tell_is_the_rising_lines_own(
    told_n, c0_n, force_sensor, found_n
):
    """The rising branch shows it as the force missing at no pressure; branches too close tell less than there is."""
    settings = array("i", [row[3] for row in t.SETTINGS])
    settings[PLACES["capacity_n"]] = 200000
    settings[PLACES["sensor_measures"]] = force_sensor
    assert seal_friction_n(settings, [6554, c0_n, C1, 0, 0, 58982, told_n, 1]) == found_n
    assert seal_friction_n(settings, None) == 0
