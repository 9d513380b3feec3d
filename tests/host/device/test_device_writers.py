"""Two hosts, or a host and the panel, change one set: the later one is told, and nothing is replaced unseen."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from tests.host.cycles.test_cycles_pull import connect, ready_bench
from tests.host.device.test_device_sets import job
from tests.host.served import Served

from steadyram.cli import main
from steadyram.device import Device
from steadyram.errors import CheckFailed


def test_what_somebody_else_changed_meanwhile_is_not_replaced(tmp_path: Path) -> None:
    bench = ready_bench(tmp_path / "flash")
    one, other = connect(bench, 1), connect(bench, 2)
    seen_jobs, seen = one.jobs(), one.settings()
    other.push_jobs([job(1, "the other's", batch=9)])
    other.push_settings({**seen.values, "band_ppt": seen.values["band_ppt"] + 1})
    for push in (
        lambda: one.push_jobs([job(1, "mine")], instead_of=seen_jobs),
        lambda: one.push_settings({**seen.values, "band_ppt": 30}, instead_of=seen),
    ):
        with pytest.raises(CheckFailed, match="by somebody else meanwhile"):
            push()
    assert [each.name for each in other.jobs().jobs] == ["the other's"]
    assert other.settings().values["band_ppt"] == seen.values["band_ppt"] + 1
    # Whoever looks again may push, and whoever does not ask is not held up.
    one.push_jobs([job(1, "mine")], instead_of=one.jobs())
    other.push_jobs([job(1, "unasked")])
    assert [each.name for each in one.jobs().jobs] == ["unasked"]


def test_the_command_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STEADYRAM_CONFIG_DIR", str(tmp_path))
    bench = ready_bench(tmp_path / "flash")
    file = tmp_path / "jobs.toml"
    file.write_text('[[job]]\nname = "mine"\nforce = "8 kN"\n')
    jobs = Device.jobs
    looked: list[int] = []

    def then_somebody_pushes(self: Device) -> Any:
        found = jobs(self)
        if not looked:
            looked.append(1)
            self.push_jobs([job(2, "the other's")])
        return found

    monkeypatch.setattr(Device, "jobs", then_somebody_pushes)
    with Served(bench) as served, pytest.raises(SystemExit) as stop:
        main(["jobs", "push", str(file), "--yes", "--port", served.url])
    assert stop.value.code == 5
    assert "by somebody else meanwhile" in capsys.readouterr().err
    assert [each.name for each in connect(bench, 5).jobs().jobs] == ["the other's"]
