"""The panel alone: dialling, choosing a job, a first part, zero, counts, faults, changes."""

import pytest
from bench import Bench, calibration_puts, job_puts, settings_puts

from steadyram_fw import tables as T
from steadyram_fw.panel import unit
from steadyram_fw.panel.draw import View, ceiling_words, mm, wrap
from steadyram_fw.panel.panel import CHECKLIST, _limit_words


@pytest.fixture
def bench(tmp_path):
    bench = Bench(str(tmp_path))
    bench.inputs |= T.IN_CUTOFF
    bench.enable()
    bench.push("settings", settings_puts())
    bench.app.access._unsealed = True
    bench.push("calibration", calibration_puts())
    bench.push(
        "jobs", job_puts(1, "first", setpoint_n=10000) + job_puts(4, "fourth", setpoint_n=20000, batch=9)
    )
    bench.app.access.close()
    bench.settle()
    return bench


def push(bench, ms=100):
    bench.inputs |= T.IN_PUSH
    bench.run(ms)
    bench.inputs &= ~T.IN_PUSH
    bench.run(3)


def turn(bench, steps):
    bench.board.turns = steps
    bench.run(3)


def page(bench):
    return bench.app.panel.menu.page


def view(bench):
    return bench.app.panel.look(bench.app.clock.uptime_ms())


def newest_changes(bench, what):
    bench.settle()
    log = bench.app.keeper.changes
    rows = [log.read(seq) for seq in range(log.first, log.next)]
    return [(T.BY_NAMES[row[4]], str(row[6]), str(row[7])) for row in rows if row and row[5] == what]


def choose(bench, steps):
    push(bench)
    push(bench)
    turn(bench, steps)
    push(bench)


def test_job_is_chosen_with_knob_and_push_and_recorded_as_done_here(bench):
    choose(bench, 1)
    assert bench.app.keeper.active == 4
    assert page(bench) == ""
    assert newest_changes(bench, "active") == [("panel", "0", "4")]
    assert view(bench).job == "4 fourth"
    push(bench)
    push(bench)
    assert view(bench).rows[view(bench).mark] == "4 fourth", "the list opens at the job in force"
    turn(bench, 99)
    assert view(bench).rows[view(bench).mark] == "back", "a list ends"
    push(bench)
    assert bench.app.keeper.active == 4


def test_dialled_setpoint_is_taken_by_a_push_at_once(bench):
    choose(bench, 0)
    turn(bench, 2)
    assert view(bench).dialled
    assert view(bench).set_n == 10200
    assert bench.app.keeper.job()[T.J_SETPOINT_N] == 10000
    push(bench, 50)
    assert bench.app.keeper.job()[T.J_SETPOINT_N] == 10200
    assert page(bench) == ""
    assert newest_changes(bench, "jobs.1.setpoint_n") == [("link", "", "10000"), ("panel", "10000", "10200")]


def test_dialling_stops_at_the_limit_of_press_and_tooling(bench):
    choose(bench, 0)
    turn(bench, 100000)
    assert view(bench).set_n == bench.app.keeper.settings[T.S_CAPACITY_N]
    turn(bench, -1000000)
    assert view(bench).set_n == 1


def test_long_push_is_for_changes_not_for_the_menu(bench):
    bench.inputs |= T.IN_PUSH | T.IN_ENABLE | T.IN_ACK
    bench.run(1700)
    bench.inputs &= ~(T.IN_PUSH | T.IN_ENABLE | T.IN_ACK)
    bench.run(300)
    assert page(bench) == ""
    assert bench.app.access.enabled
    assert view(bench).note.startswith("CHANGES")


def test_bounce_of_the_push_is_no_push(bench):
    for _ in range(5):
        push(bench, 5)
    assert page(bench) == ""


def test_push_in_a_fault_acknowledges_and_does_nothing_else(bench):
    bench.app.core.raise_fault(T.FAULT_SENSOR_LOW)
    bench.run(1)
    shown = view(bench)
    assert shown.kind == View.FAULT
    assert shown.title == "FAULT 1"
    assert " ".join(shown.rows).startswith("transducer signal below")
    bench.inputs |= T.IN_PUSH | T.IN_ACK
    bench.run(50)
    bench.app.core.fault = 0
    bench.inputs &= ~(T.IN_PUSH | T.IN_ACK)
    bench.run(5)
    assert page(bench) == ""


def test_fault_closes_the_menu_and_so_does_a_stroke(bench):
    for act in ("fault", "live"):
        push(bench)
        assert page(bench) == "menu"
        if act == "fault":
            bench.app.core.raise_fault(T.FAULT_OVER_FORCE)
        else:
            bench.app.core.live = True
        bench.run(2)
        assert page(bench) == ""
        bench.app.core.fault, bench.app.core.live = 0, False
        bench.run(2)


def test_menu_cannot_be_opened_in_a_stroke(bench):
    bench.app.core.live = True
    push(bench)
    assert page(bench) == ""


def test_unused_menu_closes_after_twenty_seconds(bench):
    push(bench)
    bench.run(19000)
    assert page(bench) == "menu"
    bench.run(1500)
    assert page(bench) == ""


def pick(bench, steps):
    push(bench)
    turn(bench, steps)
    push(bench)


def test_zero_is_taken_after_asking_and_refused_away_from_the_top(bench):
    pick(bench, 2)
    assert page(bench) == "zero"
    push(bench)
    assert view(bench).rows == ("taken",)
    assert newest_changes(bench, "zero")[-1][0] == "panel"
    push(bench)
    bench.inputs &= ~T.IN_TOP
    pick(bench, 2)
    push(bench)
    assert view(bench).title == "not done"
    assert " ".join(view(bench).rows).startswith("this needs the ram at the top")


def test_count_is_reset_after_asking(bench):
    choose(bench, 1)
    bench.stroke()
    assert bench.app.keeper.counts[4] == 1
    pick(bench, 3)
    turn(bench, 1)
    push(bench)
    assert bench.app.keeper.counts[4] == 1, "no"
    pick(bench, 3)
    push(bench)
    assert bench.app.keeper.counts[4] == 0
    assert newest_changes(bench, "count.4") == [("panel", "1", "0")]


def test_first_part_is_run_judged_and_taken(bench):
    choose(bench, 1)
    pick(bench, 1)
    assert page(bench) == "first"
    push(bench)
    assert page(bench) == "wait"
    assert newest_changes(bench, "learned.4") == [("panel", "", "forgotten")]
    bench.app.core.live = True
    bench.run(30000)
    assert page(bench) == "wait", "a first part may take its time"
    bench.app.core.live = False
    bench.stroke()
    bench.run(300)
    assert page(bench) == "take"
    assert view(bench).title.startswith("got ")
    assert view(bench).set_n == 20000
    turn(bench, -3)
    assert view(bench).set_n == 19400
    push(bench)
    job = bench.app.keeper.job()
    assert (job[T.J_SETPOINT_N], job[T.J_UNPROVEN]) == (19400, 0)


def test_what_a_host_changed_meanwhile_is_not_overwritten_at_the_panel(bench):
    changes = (
        (
            "jobs",
            lambda: bench.push(
                "jobs", job_puts(1, "first", setpoint_n=8000) + job_puts(4, "x", setpoint_n=7000)
            ),
        ),
        ("active", lambda: bench.app.keeper.use(1)),
        ("none", lambda: bench.app.keeper.use(0)),
    )
    for what, change in changes:
        bench.app.keeper.use(4)
        bench.run(3)
        pick(bench, 1)
        push(bench)
        if what != "none":
            bench.stroke()
            bench.run(300)
            assert page(bench) == "take"
        bench.enable()
        change()
        set_n = [job and job[1][T.J_SETPOINT_N] for job in bench.app.keeper.jobs]
        bench.run(300)
        assert view(bench).rows == ("jobs were", "changed by", "somebody else"), what
        push(bench)
        assert page(bench) == ""
        bench.stroke()
        bench.run(300)
        assert [job and job[1][T.J_SETPOINT_N] for job in bench.app.keeper.jobs] == set_n


def test_a_force_being_dialled_is_dropped_when_a_host_changes_the_job(bench):
    bench.app.keeper.use(4)
    turn(bench, -5)
    assert bench.app.panel.turned_n
    bench.enable()
    bench.push("jobs", job_puts(4, "fourth", setpoint_n=7000))
    bench.run(5000)
    assert bench.app.keeper.job()[T.J_SETPOINT_N] == 7000


def test_first_part_offers_what_the_core_proposes(bench):
    choose(bench, 1)
    pick(bench, 1)
    push(bench)
    bench.app.core.proposed_n = 21230
    bench.stroke()
    bench.run(300)
    assert view(bench).set_n == 21230


def test_first_part_that_was_let_go_is_not_taken(bench):
    choose(bench, 1)
    pick(bench, 1)
    push(bench)
    bench.stroke(stop=T.STOP_PEDAL)
    bench.run(300)
    assert view(bench).rows == ("not complete:", "let go too early")
    push(bench)
    assert page(bench) == ""


def test_without_a_job_there_is_no_first_part(bench):
    pick(bench, 1)
    assert view(bench).rows == ("choose a job", "first")


def test_full_flash_is_a_fault_not_a_crash(bench, monkeypatch):
    from steadyram_fw.services.store import Cell, StoreError

    def full(self, payload, note=0):
        raise StoreError("full")

    monkeypatch.setattr(Cell, "save", full)
    choose(bench, 1)
    assert bench.app.core.fault == T.FAULT_STORE_FAILED
    assert bench.app.keeper.active == 0


def test_cutoff_off_is_what_is_seen_whatever_else_is_true(bench):
    choose(bench, 0)
    bench.inputs &= ~T.IN_CUTOFF
    for state in range(len(T.STATE_NAMES)):
        bench.app.core.state = state
        bench.run(2)
        assert view(bench).kind == View.CUTOFF_OFF


def test_core_is_held_while_the_panel_writes(bench, monkeypatch):
    seen = []
    keeper = bench.app.keeper
    real = keeper.use

    def use(number, by):
        seen.append(bench.app._still)
        return real(number, by)

    monkeypatch.setattr(keeper, "use", use)
    choose(bench, 1)
    assert seen == [True]
    assert bench.app._still is False


def test_text_for_boards_without_display_follows_the_menu(bench):
    push(bench)
    bench.run(300)
    assert bench.board.shown[:2] == ("menu", "> job")


@pytest.mark.parametrize(
    ("newtons", "text"),
    [
        (0, "0.00"),
        (4, "0.00"),
        (5, "0.01"),
        (-40, "-0.04"),
        (12384, "12.38"),
        (99994, "99.99"),
        (99995, "100.0"),
        (184300, "184.3"),
    ],
)
def test_kilonewtons(newtons, text):
    assert unit.figure(newtons, unit.KN) == (text, "kN")


@pytest.mark.parametrize(
    ("micrometres", "text"),
    [
        (0, "0.00"),
        (5304, "5.30"),
        (99994, "99.99"),
        (99995, "100.0"),
        (999949, "999.9"),
        (999950, "1000"),
        (-1234, "-1.23"),
        (-9995, "-10.0"),
        (-99950, "-100"),
    ],
)
def test_millimetres_take_five_figures_at_most(micrometres, text):
    assert mm(micrometres) == text
    assert len(text) <= 5


class Sensor:
    """The ram's position as a core with a sensor shows it."""

    fitted, known, um = True, True, 3210


def put_job(bench, **fields):
    for key, value in fields.items():
        bench.app.keeper.jobs[1][1][getattr(T, "J_" + key.upper())] = value
    bench.app.keeper.use(1)


def at(bench, ms):
    return bench.app.panel.look(ms)


def test_job_that_stops_on_depth_shows_target_travel_and_the_limit_on_force(bench, monkeypatch):
    put_job(bench, stop_on=1, depth_um=5300)
    assert at(bench, 0).travel_um is None, "without a reference nothing is shown for the ram's place"
    monkeypatch.setattr(bench.app.core, "travel", Sensor())
    monkeypatch.setattr(bench.app.core, "travel_um", 3210, raising=False)
    seen = at(bench, 0)
    assert (seen.kind, seen.target_um, seen.travel_um) == (View.HOME, 5300, 3210)
    assert seen.job == "1 first"
    assert at(bench, 3000).job == "limit 10.00 kN"
    assert bench.app.panel.text()[1] == "at 3.21 to 5.30 mm"
    put_job(bench, stop_on=2)
    assert at(bench, 3000).job == "or at 10.00 kN"
    put_job(bench, stop_on=0)
    assert at(bench, 3000).target_um == 0
    assert at(bench, 3000).job == "1 first"


def test_handling_shows_its_checklist_one_after_another_and_the_ceiling(bench):
    put_job(bench, handling=1)
    assert at(bench, 0).title == "no ceiling set"
    bench.app.keeper.settings[T.S_HANDLING_N] = 4000
    shown = []
    for turn in range(2 * len(CHECKLIST)):
        seen = at(bench, 3000 * turn)
        assert (seen.kind, seen.title) == (View.HANDLING, "below 4.00 kN")
        shown.append(seen.rows)
    assert tuple(shown) == CHECKLIST * 2
    words = " ".join(word for row in CHECKLIST for word in row)
    for needed in ("all pins in", "locked", "nobody under", "never work", "under raised bed"):
        assert needed in words
    assert bench.app.panel.text()[1] == "HANDLING: CHECK PINS"
    # Whatever is worse comes first.
    bench.app.core.raise_fault(T.FAULT_SENSOR_LOW)
    assert at(bench, 0).kind == View.FAULT
    bench.app.core.fault = 0
    bench.inputs &= ~T.IN_CUTOFF
    bench.run(2)
    assert at(bench, 0).kind == View.CUTOFF_OFF


def test_words_of_depth_and_handling_fit_the_display(bench):
    assert all(len(row) <= 16 for rows in CHECKLIST for row in rows)
    job, settings = list(bench.app.keeper.jobs[1][1]), list(bench.app.keeper.settings)
    settings[T.S_HANDLING_N] = T.SETTINGS[T.S_HANDLING_N][2]
    for number in range(T.SETTINGS[T.S_PANEL_UNIT][2] + 1):
        settings[T.S_PANEL_UNIT] = number
        for stop_on in (1, 2):
            job[T.J_STOP_ON], job[T.J_SETPOINT_N] = stop_on, 999900
            assert len(_limit_words(job, unit.of(settings))) <= 16
        assert len(ceiling_words(settings)) <= 16


def test_every_fault_and_refusal_fits_the_display():
    for text in list(T.FAULT_TEXTS)[1:]:
        for rows in wrap(text, 16, 4):
            assert len(rows) <= 4
            assert all(len(row) <= 16 for row in rows), rows
    for table, columns in ((T.REFUSAL_PANEL, 16), (T.STATE_PANEL, 8), (T.STOP_PANEL, 20)):
        assert all(len(words) <= columns and "-" not in words for words in table), list(table)
