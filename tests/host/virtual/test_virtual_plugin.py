"""The pytest plugin as a tester's project uses it: each case is a pytest run of its own."""

from __future__ import annotations

import runpy
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from steadyram.errors import BadInput, CheckFailed
from steadyram.virtual.default_press import default_press
from steadyram.virtual.tester_press import TesterPress

pytest_plugins = "pytester"

STROKE = """
import pytest

@pytest.mark.virtual_press(runtime="cpython", seed=4)
def test_stroke(virtual_press, device):
    virtual_press.make_ready("1.0 tonf")
    virtual_press.operator.load_part()
    virtual_press.stroke()
    virtual_press.operator.release_extend()
    virtual_press.run(0.2)
    virtual_press.assert_never_both()
    virtual_press.assert_extended_once(since="press-extend")
    assert virtual_press.panel_state == "ready"
    assert device.now().count == 1

@pytest.mark.virtual_press(runtime="cpython", fault="sensor-open@1:rise")
def test_fault(virtual_press):
    virtual_press.make_ready("1.0 tonf", job={"batch": 3})
    virtual_press.cycle = 0
    virtual_press.operator.load_part()
    virtual_press.stroke()
    assert virtual_press.panel_state == "fault"
    virtual_press.assert_extend_off_within(60, after="fault sensor-open")

@pytest.mark.virtual_press(runtime="cpython", changes={"work.gap": "9 mm"})
def test_changes(virtual_press):
    assert virtual_press.plant.press.work.gap == pytest.approx(0.009)
"""


def test_stroke_fault_and_change_in_parallel_with_junit(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(STROKE)
    result = pytester.runpytest_subprocess(
        "-n", "2", "--junitxml=out.xml", "--strict-markers", "-W", "error::pytest.PytestWarning"
    )
    result.assert_outcomes(passed=3)
    cases = list(ET.parse(pytester.path / "out.xml").iter("testcase"))
    assert len(cases) == 3
    for case in cases:
        found = {p.get("name"): p.get("value") for p in case.iter("property")}
        assert str(found["steadyram_runtime"]).startswith("CPython")
        assert found["steadyram_press"] == "built-in bench press"
    assert {
        p.get("value") for c in cases for p in c.iter("property") if p.get("name") == "steadyram_seed"
    } == {"0", "4"}


def test_failed_test_tells_what_happened(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(
        """
        def test_it(virtual_press):
            virtual_press.run(0.5)
            virtual_press.operator.press_extend()
            virtual_press.run(0.1)
            assert virtual_press.panel_state == "no such state"
        """
    )
    result = pytester.runpytest_inprocess("--steadyram-runtime", "cpython")
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["*virtual press*", "*press-extend*"])


def test_option_beats_ini_and_marker_beats_option(pytester: pytest.Pytester) -> None:
    pytester.makeini("[pytest]\nsteadyram_seed = 11\nsteadyram_runtime = cpython\n")
    pytester.makepyfile(
        """
        import pytest
        def test_plain(virtual_press):
            print("seed", virtual_press.seed)
        @pytest.mark.virtual_press(seed=33)
        def test_marked(virtual_press):
            print("seed", virtual_press.seed)
        """
    )
    pytester.runpytest_inprocess("-s", "-p", "no:xdist").stdout.fnmatch_lines(["*seed 11*", "*seed 33*"])
    pytester.runpytest_inprocess("-s", "-p", "no:xdist", "--steadyram-seed", "22").stdout.fnmatch_lines(
        ["*seed 22*", "*seed 33*"]
    )


def test_fault_option_reaches_every_press(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(
        """
        def test_it(virtual_press):
            virtual_press.run(0.6)
            assert virtual_press.counts == 0
        """
    )
    result = pytester.runpytest_inprocess("--steadyram-runtime=cpython", "--fault", "sensor-open@0.5s")
    result.assert_outcomes(passed=1)


@pytest.mark.parametrize(
    ("marker", "says"),
    [
        ("sead=3", "*sead*"),
        ("fault='gremlin'", "*There is no fault*"),
        ("press='nowhere.toml'", "*cannot be read*"),
    ],
)
def test_mistakes_are_named(pytester: pytest.Pytester, marker: str, says: str) -> None:
    pytester.makepyfile(
        f"""
        import pytest
        @pytest.mark.virtual_press(runtime="cpython", {marker})
        def test_it(virtual_press):
            pass
        """
    )
    result = pytester.runpytest_inprocess()
    assert result.ret != 0
    result.stdout.fnmatch_lines([says])


def test_loading_the_plugin_costs_others_next_to_nothing() -> None:
    code = (
        "import sys, steadyram.virtual.pytest_plugin;"
        "print(*[m for m in ('numpy', 'scipy', 'pint', 'pydantic', 'serial') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""


def test_press_file_by_ini_is_found_beside_the_ini(pytester: pytest.Pytester) -> None:
    text = Path(default_press()).read_text().replace("built-in bench press", "mine")
    (pytester.path / "mine.toml").write_text(text)
    pytester.makeini("[pytest]\nsteadyram_press = mine.toml\nsteadyram_runtime = cpython\n")
    pytester.makepyfile("def test_it(virtual_press):\n    assert virtual_press.plant.press.name == 'mine'\n")
    pytester.runpytest_inprocess().assert_outcomes(passed=1)


# What a stranger wrote from the reference page alone; relative press file, types, strokes one after another, refusals.
STRANGER = """
import pytest

pytestmark = pytest.mark.virtual_press(press="presses/mine.toml", runtime="cpython", seed=11)

def test_1_how_a_stroke_ended_is_returned(virtual_press):
    virtual_press.make_ready("20 kN")
    virtual_press.operator.load_part()
    assert virtual_press.stroke() in ("setpoint", "short", "over")

def test_2_a_second_stroke_after_back_to_top_is_made(virtual_press, device):
    virtual_press.make_ready("20 kN")
    for count in (1, 2, 3):
        virtual_press.operator.load_part()
        assert virtual_press.stroke() in ("setpoint", "short", "over")
        virtual_press.back_to_top()
        virtual_press.run(0.5)
        assert device.now().count == count

def test_3_a_stroke_after_retract_was_held_at_the_top(virtual_press):
    virtual_press.make_ready("20 kN")
    virtual_press.operator.press_retract()
    virtual_press.run(1.0)
    virtual_press.operator.load_part()
    assert virtual_press.stroke() in ("setpoint", "short", "over")

def test_4_with_the_cutoff_off_a_job_that_needs_it_is_refused(virtual_press):
    virtual_press.make_ready("20 kN", job={"cutoff_required": 1})
    virtual_press.operator.cutoff_on = False
    virtual_press.run(0.5)
    assert virtual_press.stroke() == "refused"
    virtual_press.assert_stays_off(since="press-extend")

def test_5_parts(virtual_press, device):
    virtual_press.make_ready("20 kN", job={"batch": 5})
    assert {virtual_press.part() for _ in range(2)} <= {"setpoint", "short", "over"}
    assert device.now().count == 2

@pytest.mark.virtual_press(fault="sensor-open@1:rise")
def test_6_a_fault_is_returned(virtual_press):
    virtual_press.make_ready("20 kN")
    virtual_press.cycle = 0
    virtual_press.operator.load_part()
    assert virtual_press.stroke() == "fault"
    assert virtual_press.panel_state == "fault"

def test_7_two_strokes_are_not_one(virtual_press):
    virtual_press.make_ready("20 kN")
    start = virtual_press.time_s
    virtual_press.part()
    virtual_press.assert_extended_once(since=start)
    virtual_press.part()
    with pytest.raises(AssertionError, match="2 strokes"):
        virtual_press.assert_extended_once(since=start)

def test_8_no_job_is_refused(virtual_press):
    virtual_press.run(0.5)
    assert virtual_press.stroke() == "refused"

def test_9_the_emergency_stop_in_mid_stroke(virtual_press):
    virtual_press.make_ready("20 kN")
    virtual_press.operator.load_part()
    virtual_press.operator.press_extend()
    assert virtual_press.run_until(lambda press: press.plant.force_N > 1000, timeout_s=10)
    virtual_press.operator.push_estop()
    virtual_press.run(0.3)
    virtual_press.assert_all_off_within(5, after="estop-pushed")

def test_10_power_comes_back(virtual_press, device):
    virtual_press.make_ready("20 kN")
    virtual_press.part()
    virtual_press.power_cut()
    virtual_press.run(0.2)
    virtual_press.power_up()
    virtual_press.run(3.0)
    assert virtual_press.part() in ("setpoint", "short", "over")
    assert [record.seq for record in device.log()] == [1, 2]

def test_11_acknowledge_a_fault_and_go_on(virtual_press):
    virtual_press.make_ready("20 kN")
    virtual_press.operator.push_estop()
    virtual_press.run(0.5)
    virtual_press.operator.pull_estop()
    virtual_press.run(0.5)
    virtual_press.acknowledge()
    virtual_press.run(0.5)
    assert virtual_press.part() in ("setpoint", "short", "over")

def test_12_the_true_force_is_told(virtual_press):
    virtual_press.make_ready("20 kN")
    virtual_press.operator.load_part()
    virtual_press.stroke()
    assert 15_000 < virtual_press.plant.force_N < 26_000
"""


def test_twelve_tests_of_a_stranger(pytester: pytest.Pytester) -> None:
    folder = pytester.path / "sub"
    (folder / "presses").mkdir(parents=True)
    (folder / "test_stranger.py").write_text(STRANGER)
    press = Path(__file__).parents[2] / "presses" / "workshop-20.toml"
    (folder / "presses" / "mine.toml").write_text(press.read_text())
    result = pytester.runpytest_subprocess("sub", "--strict-markers")
    result.assert_outcomes(passed=12)


def test_the_story_of_a_failed_test_is_in_the_junit_file(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(
        """
        import pytest

        @pytest.mark.virtual_press(runtime="cpython")
        def test_fails(virtual_press):
            virtual_press.run(0.2)
            assert False
        """
    )
    pytester.runpytest_subprocess("--junitxml=out.xml").assert_outcomes(failed=1)
    told = {p.get("name"): p.get("value") for p in ET.parse(pytester.path / "out.xml").iter("property")}
    assert "power-up" in str(told["steadyram_story"])


def test_micropython_that_was_asked_for_is_not_replaced_in_silence(pytester: pytest.Pytester) -> None:
    pytester.makeconftest(
        """
        from steadyram.virtual import runtime
        runtime.find_micropython = lambda: None
        """
    )
    pytester.makepyfile(
        """
        import pytest

        @pytest.mark.virtual_press(runtime="micropython")
        def test_asked(virtual_press):
            pass

        def test_whatever_there_is(virtual_press):
            assert str(virtual_press.runtime).startswith("CPython")
        """
    )
    result = pytester.runpytest_subprocess()
    result.assert_outcomes(passed=1, errors=1)
    result.stdout.fnmatch_lines(["*asks for runtime='micropython'*"])


def test_every_value_of_the_reference_page_is_there() -> None:
    page = runpy.run_path(str(Path(__file__).parents[3] / "hardware_notes" / "tester_reference_page.py"))
    with TesterPress(default_press(), runtime="cpython") as press:
        parts = {
            "virtual_press": press,
            "virtual_press.operator": press.operator,
            "virtual_press.plant": press.plant,
        }
        for title, names in page["VALUES"].items():
            part = parts.get(title.strip("`"))
            assert part is None or [name for name in names if not hasattr(part, name)] == [], title
    # A happening that the page lists can be waited for by that name.
    assert {"press-extend", "release-retract", "estop-pulled", "power-cut", "press-ack"} <= set(
        page["happenings"]()
    )


def test_a_first_part_that_the_slow_feed_pressed_alone_was_extended() -> None:
    with TesterPress(default_press(), runtime="cpython", seed=2026) as press:
        press.make_ready("10 kN")
        assert press.part() in ("setpoint", "short", "over")
        assert press.on_times()
        press.assert_extended_once(since="press-extend")


def test_what_a_press_says_when_it_is_refused_or_misused() -> None:
    """One press for all: a stroke at once after switching on, refusals, slips of a tester's pen."""
    with TesterPress(default_press(), runtime="cpython", seed=3) as press:
        press.operator.press_extend()  # while the device starts
        press.run(0.5)
        with pytest.raises(CheckFailed, match="pedal-at-start"):
            press.make_ready("10 kN")
        press.power_cut()
        press.operator.release_all()
        press.power_up()
        assert press.stroke() == "refused"  # waits for the start
        assert press.refusal == press.device.now().refusal == "not-configured"
        assert press.panel_state == "refused"
        press.operator.release_all()
        press.make_ready("10 kN", job={"cutoff_required": 1})
        press.operator.cutoff_on = False
        assert press.events[-1].name == "cutoff-off"
        press.run(0.3)
        assert press.part() == "refused"
        assert press.refusal == "cutoff-required"
        # Kept until a pedal goes down again, as the protocol's page says; the panel shows the set force again.
        now = press.device.now()
        assert (now.state, now.refusal) == ("ready", "cutoff-required")
        assert press.panel_state == "ready"
        press.operator.press_retract()
        press.run(0.2)
        assert press.device.now().refusal is None
        press.operator.release_all()
        press.operator.cutoff_on = True
        press.run(0.3)
        values = press.device.settings().values
        for wrong in ({**values, "band_ppt": 12.5}, {**values, "band_ppt": "13"}, 7):
            with pytest.raises(BadInput, match="whole number"):
                press.device.push_settings(wrong)  # type: ignore[arg-type]
        with pytest.raises(BadInput, match="what settings"):
            press.device.push_jobs(press.device.jobs(), instead_of=7)  # type: ignore[arg-type]
        assert press.device.push_jobs(press.device.jobs()).jobs == press.device.jobs().jobs
        assert press.device.push_settings(press.device.settings()).values == values
        for bad in (-1.0, 0.0004, float("nan")):
            with pytest.raises(BadInput, match="time"):
                press.run(bad)
        for call in (lambda: press.make_ready(40), lambda: press.make_ready("10 kN", depth="5 mm")):
            with pytest.raises(BadInput, match=r"give the unit|position sensor"):
                call()
        press.inject("pump-off@0.5s")  # a time that has passed means now
        press.run(0.01)
        assert press.faults == ["pump-off"]
        press.clear_faults()
        with pytest.raises(AttributeError, match="did you mean 'cycle'"):
            press.cycl = 0
        press.operator.load_part()
        press.stroke()
        press.operator.push_estop()
        press.run(0.3)
        with pytest.raises(AssertionError, match="did not come up"):
            press.back_to_top()
        assert press.operator.raise_ram(0.5) is False
    with pytest.raises(BadInput, match="closed"):
        press.run(1)


def test_a_marker_without_the_fixture_warns(pytester: pytest.Pytester) -> None:
    pytester.makepyfile("import pytest\n@pytest.mark.virtual_press(seed=3)\ndef test_it(): pass\n")
    pytester.runpytest_inprocess().assert_outcomes(passed=1, warnings=1)


def test_a_part_that_went_over_is_not_called_a_setpoint(tmp_path: Path) -> None:
    # Without a learned cutoff the feed's own oil carries the force to twice the setpoint; that is judged once settled.
    with TesterPress(default_press(), 3, "cpython", tmp_path) as press:
        press.make_ready("20 kN", settings={"strategy": 0})
        assert press.part() == "over"
        (record,) = press.device.log()
        assert record.values["peak_n"] > 30_000
