"""Time, power, link and wiring of the virtual press, with the real firmware in it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from steadyram.errors import BadInput, LinkTimeout
from steadyram.link.client import Client
from steadyram.virtual import quick_setup, runtime, script
from steadyram.virtual.default_press import default_press
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.runtime import FirmwareStopped, find_micropython

needs_micropython = pytest.mark.skipif(find_micropython() is None, reason="MicroPython is not installed")


@pytest.fixture
def press(tmp_path: Path) -> Iterator[VirtualPress]:
    with VirtualPress(default_press(), 3, "cpython", tmp_path) as made:
        yield made


def test_run_takes_exactly_the_time_given(press: VirtualPress) -> None:
    press.run(0.123)
    press.run(0.001)
    assert press.time_s == pytest.approx(0.124, abs=1e-12)


def test_run_until_stops_after_the_tick_in_which_it_came_true(press: VirtualPress) -> None:
    assert press.run_until(lambda p: p.plant.step_index >= 137, 1.0)
    assert press.plant.step_index == 137
    assert not press.run_until(lambda p: p.plant.step_index < 0, 0.05)
    assert press.plant.step_index == 187


def test_after_and_when_act_at_their_tick(press: VirtualPress) -> None:
    acted: list[tuple[str, int]] = []
    press.after(0.050, lambda: acted.append(("after", press.plant.step_index)))
    press.when(lambda p: p.plant.step_index >= 33, lambda: acted.append(("when", press.plant.step_index)))
    press.run(0.2)
    assert acted == [("when", 33), ("after", 50)]


def test_link_answers_in_virtual_time(press: VirtualPress) -> None:
    device = quick_setup.open_device(press)
    before = press.time_s
    assert device.hello().board == "virtual"
    assert 0 < press.time_s - before < 0.1
    silent = press.transport()
    before = press.time_s
    assert silent.read(0.5) == b""
    assert press.time_s - before == pytest.approx(0.5)
    # However little is left to wait for, time goes on.
    for left_s in (1e-12, 0.0004):
        before = press.time_s
        silent.read(left_s)
        assert press.time_s > before


def test_extend_follows_the_pedal_and_estop_cuts_it(press: VirtualPress) -> None:
    quick_setup.set_up(press, 20_000.0)
    # The first part is approached at slow feed, until the reading has moved: full feed is the second one's.
    script.play(press, script.one_part(press))
    press.run(0.5)
    press.operator.press_extend()
    assert press.run_until(lambda p: bool(p.outputs & 1), 0.1)
    press.run(0.05)
    assert press.plant.extend.spool
    press.operator.push_estop()
    # The stop's own contact takes the relays' supply at once, whatever the firmware does.
    assert not press.plant.extend.commanded
    press.run(0.1)
    press.assert_all_off_within(5, after="estop-pushed")
    press.operator.pull_estop()
    press.run(0.5)
    press.assert_stays_off(since="estop-pulled")
    press.assert_never_both()


@pytest.mark.parametrize("name", ["cpython", pytest.param("micropython", marks=needs_micropython)])
def test_power_cut_drops_outputs_and_keeps_flash(name: Any, tmp_path: Path) -> None:
    with VirtualPress(default_press(), 3, name, tmp_path) as press:
        device = quick_setup.set_up(press, 20_000.0)
        settings = device.settings()
        script.play(press, script.one_part(press))
        press.operator.press_extend()
        press.run_until(lambda p: p.plant.force_N > 500, 5.0)
        press.power_cut()
        assert (press.outputs, press.powered, press.display) == (0, False, "")
        press.run(0.2)
        press.send(b"x hello\n")
        press.power_up()
        press.run(0.5)
        # The pedal is still held: nothing moves until it was let go and pressed anew.
        press.assert_stays_off(since="power-cut")
        press.operator.release_all()
        press.run(0.5)
        assert device.hello().boot == 2
        assert device.settings() == settings
        assert [record.values["seq"] for record in device.log()] == [1]
    with VirtualPress(default_press(), 3, name, tmp_path) as again:
        assert quick_setup.open_device(again).hello().boot == 3


@needs_micropython
@pytest.mark.parametrize("after", [0, 1, 2, 5, 9])
def test_power_cut_in_the_middle_of_a_flash_write(after: int, tmp_path: Path) -> None:
    with VirtualPress(default_press(), 3, "micropython", tmp_path) as press:
        device = quick_setup.set_up(press, 20_000.0)
        before = device.settings()
        press.power_cut_in_write(after)
        wanted = {**quick_setup.nameplate_settings(press.plant.press), "band_ppt": 13}

        def changes() -> None:
            device.push_settings(wanted)
            device.use_job(1)
            device.recount()

        # The device goes dark in the middle and answers no more.
        with pytest.raises(LinkTimeout):
            changes()
        assert not press.powered
        press.power_up()
        press.run(0.5)
        values = dict(quick_setup.open_device(press).settings().values)
        assert values in (dict(before.values), wanted)


@needs_micropython
def test_step_does_not_allocate_through_strokes_and_faults(tmp_path: Path) -> None:
    with VirtualPress(default_press(), 3, "micropython", tmp_path, lock_heap=True) as press:
        quick_setup.set_up(press, 20_000.0)
        press.cycle = 0
        press.inject("sensor-open@3:rise")
        for _ in range(3):
            script.play(press, script.one_part(press))
        assert press.display.startswith("FAULT")


@needs_micropython
def test_firmware_that_ends_is_reported_with_its_traceback(tmp_path: Path) -> None:
    with pytest.raises(FirmwareStopped, match=r"MemoryError|memory"):
        VirtualPress(default_press(), 3, "micropython", tmp_path, heap=60_000)


def test_without_micropython_it_says_so_and_takes_cpython(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(runtime, "find_micropython", lambda: None)
    monkeypatch.setattr(runtime, "_said_fallback", False)
    with VirtualPress(default_press(), 3, "micropython", tmp_path) as press:
        assert press.runtime.name == "cpython"
    assert "CPython" in capsys.readouterr().err


def test_change_alters_the_press_and_refuses_nonsense(press: VirtualPress) -> None:
    before = press.plant.press.valve.close_delay
    press.inject("slow-valve")
    press.change("valve.close_delay", "+50%")
    assert press.plant.press.valve.close_delay == pytest.approx(1.5 * before)
    # A fault that multiplies the figure multiplies the new one.
    assert press.plant.extend.close_s == pytest.approx(3.0 * before)
    press.clear_faults()
    assert press.plant.extend.close_s == pytest.approx(1.5 * before)
    with pytest.raises(BadInput):
        press.change("valve.nonsense", "1 ms")
    assert press.plant.press.valve.close_delay == pytest.approx(1.5 * before)


def test_temporary_state_is_gone_at_close() -> None:
    with VirtualPress(default_press(), 3, "cpython") as press:
        folder = press.state_dir
        assert folder.is_dir()
    assert not folder.exists()


@pytest.mark.parametrize(("arguments", "says"), [({"seed": -1}, "seed"), ({"runtime": "abacus"}, "runtime")])
def test_bad_arguments_are_refused(arguments: dict[str, Any], says: str, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=says):
        VirtualPress(default_press(), **{"seed": 0, "runtime": "cpython", "state_dir": tmp_path, **arguments})


def test_panel_state_is_read_with_the_cutoff_off_too(press: VirtualPress) -> None:
    press.run(0.5)
    assert script.panel_state(press) == "ready"
    press.operator.cutoff(False)
    press.run(0.5)
    assert "CUTOFF OFF" in press.display
    assert script.panel_state(press) == "ready"


@pytest.mark.parametrize("name", ["cpython", pytest.param("micropython", marks=needs_micropython)])
def test_every_verb_that_only_asks_is_answered_as_by_a_board(name: Any, tmp_path: Path) -> None:
    with VirtualPress(default_press(), 3, name, tmp_path) as press:
        client = Client(press.transport())
        # What only hardware can measure is -1 there.
        assert client.request("board").fields["heap_free"] == "-1"
        for verb in ("hello", "now", "io"):
            assert client.request(verb).fields
