"""`first-part --hands`: scripted at a virtual press, beside someone who keeps changes open."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from steadyram.cli import cli
from steadyram.link.records import DeviceJob
from steadyram.link.transport import port_in_process
from steadyram.press.pressfile import read_press
from steadyram.virtual.default_press import default_press
from steadyram.virtual.operator_line import operator_in_process
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import (
    datasheet_characteristics,
    nameplate_calibration,
    nameplate_settings,
    open_changes,
    open_device,
    set_up,
)
from steadyram.virtual.script import one_part, play

URL = "socket://virtual.invalid:1"


def test_panel_says_that_the_batch_is_complete_and_counts_on(tmp_path: Path) -> None:
    with VirtualPress(default_press(), 2116, "cpython", tmp_path / "flash") as press:
        device = set_up(press, 20_000.0, batch=1)
        press.operator.hold_enable()  # closes changes: the panel has its last line for the parts

        def shown() -> str:
            lines = []
            for _ in range(14):
                press.run(0.5)
                lines.append(press.display)
            return "\n".join(lines)

        assert "BATCH COMPLETE" not in shown()
        play(press, one_part(press))
        assert device.now().count == 1
        after = shown()
        assert "BATCH COMPLETE" in after
        assert "parts 1 of 1" in after


@pytest.mark.parametrize("cutoff", [True, False])
def test_a_part_is_pressed_and_its_force_stored(tmp_path: Path, cutoff: bool) -> None:
    model = read_press(default_press())
    with (
        VirtualPress(default_press(), 2115, "cpython", tmp_path / "flash") as press,
        port_in_process(URL, press.transport),
        operator_in_process(URL, press),
    ):
        device = open_device(press)
        press.run(0.5)
        open_changes(press)
        device.push_press(nameplate_settings(model) | datasheet_characteristics(model))
        device.push_calibration(nameplate_calibration(model, round(device.now().mean_counts)))
        fields = {field.name: field.default for field in device.client.definition.job}
        device.push_jobs([DeviceJob(1, "saddle", fields | {"setpoint_n": 20_000, "cutoff_required": 1})])
        device.use_job(1)
        press.operator.hold_enable()  # the same button closes changes again
        assert device.now().changes_left_s == 0
        press.operator.cutoff(cutoff)
        press.run(0.2)
        ended = CliRunner().invoke(
            cli, ["first-part", "--port", URL, "--hands", URL, "--take", "settled", "--json"]
        )
        stored = device.jobs().jobs[0].fields["setpoint_n"]
        if cutoff:
            assert ended.exit_code == 0, ended.output
            assert abs(stored - 20_000) < 1_000
            assert stored != 20_000
            assert press.plant.at_top
        else:
            assert "refuses to extend: cutoff required" in str(ended.exception)
            assert stored == 20_000
        assert not press.operator.extend_held
