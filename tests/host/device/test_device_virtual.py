"""The same host code on the virtual press: its transport keeps the same promises in virtual time."""

from __future__ import annotations

import random
from pathlib import Path

from tests.host.device.test_device_sets import job

from steadyram.cycles.pull import pull
from steadyram.cycles.store import CycleStore
from steadyram.device import Device
from steadyram.link.client import Client
from steadyram.link.definition import definition
from steadyram.virtual.press import VirtualPress

PRESS = Path(__file__).parents[2] / "presses" / "workshop-20.toml"


def test_hello_push_and_pull_on_the_virtual_press(tmp_path: Path) -> None:
    press = VirtualPress(PRESS, seed=3, runtime="cpython")
    try:
        press.run(0.5)
        press.operator.hold_enable()
        press.run(2.5)
        device = Device(Client(press.transport(), source=random.Random(1)))
        assert device.hello().proto == definition().version
        assert device.now().changes_left_s > 0
        wanted = (job(1, "nut"), job(4, "dimple", dwell_ms=300))
        assert device.push_jobs(wanted).jobs == wanted
        device.use_job(4)
        assert device.now().setpoint_N == 9000.0
        before = press.time_s
        with CycleStore(tmp_path / "c.db") as store:
            result = pull(device, store)
            assert (result.records, result.lost) == (0, 0)
            assert result.changes >= 1
            assert len(store.jobs_seen(result.uid)) == 2
        assert press.time_s > before
    finally:
        press.close()
