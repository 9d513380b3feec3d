"""The host is killed in the middle of a push and of a pull, as processes against a real virtual press.

SIGKILL leaves no chance to tidy up. The wire log tells how far the host had come.
"""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from steadyram.cycles.store import CycleStore
from steadyram.device import Device
from steadyram.jobs.file import read_jobs
from steadyram.link.client import Client
from steadyram.link.records import DeviceJob
from steadyram.link.transport import open_transport
from steadyram.press.pressfile import read_press
from steadyram.virtual.default_press import default_press
from steadyram.virtual.operator_line import LineHands, OperatorLine
from steadyram.virtual.quick_setup import nameplate_calibration, nameplate_settings

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs SIGKILL")
JOBS = 12
STROKES = 7


def start(*arguments: str, **streams: int) -> subprocess.Popen[str]:
    return subprocess.Popen([sys.executable, "-m", "steadyram", *arguments], text=True, **streams)  # type: ignore[call-overload,no-any-return]


@contextmanager
def pressed(folder: Path, *options: str) -> Iterator[tuple[str, str]]:
    """A served virtual press: (serial URL, operator's URL)."""
    log = folder / "press.log"
    with log.open("w") as errors:
        process = start(
            *("virtual", "--runtime", "cpython", "--state", str(folder / "flash"), *options),
            *("--listen", "127.0.0.1:0", "--operator-listen", "127.0.0.1:0"),
            stdout=subprocess.PIPE,
            stderr=errors.fileno(),
        )
    try:
        assert process.stdout is not None
        ready = process.stdout.readline().split()
        assert ready[:1] == ["ready"], log.read_text()
        hands = [line.split()[1] for line in log.read_text().splitlines() if line.startswith("hands ")]
        yield ready[1], hands[0]
    finally:
        process.terminate()
        assert process.wait(20) == 0
        assert process.stdout is not None
        process.stdout.close()


@contextmanager
def linked(url: str) -> Iterator[Device]:
    device = Device(Client(open_transport(url)))
    try:
        yield device
    finally:
        device.close()


def open_changes(hands_url: str) -> None:
    with OperatorLine(hands_url) as line:
        LineHands(line).open_changes()


def killed_after(sent: str, times: int, arguments: Sequence[str], wire: Path) -> bool:
    """Run a command; SIGKILL it once the wire log has `sent` that often. False if it ended before."""
    wire.unlink(missing_ok=True)
    host = start(*arguments, "--wire-log", str(wire), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    end = time.monotonic() + 60
    while host.poll() is None:
        assert time.monotonic() < end
        if wire.exists() and wire.read_text(errors="replace").count(sent) >= times:
            os.kill(host.pid, signal.SIGKILL)
            return host.wait() == -signal.SIGKILL
        time.sleep(0.001)
    assert host.returncode == 0
    return False


def jobs_file(path: Path, force_kN: int) -> tuple[DeviceJob, ...]:
    path.write_text(
        "".join(f'[[job]]\nname = "job {n}"\nforce = "{force_kN + n} kN"\nbatch = {n}\n' for n in range(JOBS))
    )
    return tuple(read_jobs(path).to_device())


def test_killed_in_a_push_the_device_holds_the_old_jobs_or_the_new(tmp_path: Path) -> None:
    a, b = tmp_path / "a.toml", tmp_path / "b.toml"
    sets = {a: jobs_file(a, 10), b: jobs_file(b, 30)}
    with pressed(tmp_path, "--realtime") as (url, hands_url):
        open_changes(hands_url)
        with linked(url) as device:
            device.push_jobs(sets[a])
        holds, other = a, b
        landed = []
        for sent, times in ((" stage ", 1), (" put ", 2), (" put ", JOBS), (" check", 1), (" commit ", 1)):
            push = ("jobs", "push", str(other), "--yes", "--port", url)
            killed = killed_after(sent, times, push, tmp_path / "wire.log")
            with linked(url) as device:
                now = device.jobs().jobs
            assert now in (sets[a], sets[b]), f"a mix after {times} times '{sent}'"
            landed.append((killed, now == sets[other]))
            if now == sets[other]:
                holds, other = other, holds
        # Killed before the commit was sent nothing may have changed; that must have been tried.
        assert (True, False) in landed[:3]
        assert start("jobs", "push", str(other), "--yes", "--port", url, stdout=subprocess.DEVNULL,
                     stderr=subprocess.DEVNULL).wait() == 0  # fmt: skip
        with linked(url) as device:
            assert device.jobs().jobs == sets[other]


def test_killed_in_pulls_every_record_comes_home_once(tmp_path: Path) -> None:
    with pressed(tmp_path) as (url, hands_url):
        open_changes(hands_url)
        press = read_press(default_press())
        with linked(url) as device, OperatorLine(hands_url) as line:
            device.push_settings(nameplate_settings(press))
            device.push_calibration(nameplate_calibration(press, round(device.now().mean_counts)))
            device.push_jobs(jobs_file(tmp_path / "jobs.toml", 10))
            device.use_job(1)
            for _ in range(STROKES):
                line.do("work")
                line.do("wait 0.3")
            held = list(device.log())
            assert len(held) == STROKES
            traces = {record.seq: device.trace(record.seq) for record in held}
    with pressed(tmp_path, "--realtime") as (url, _):
        store = tmp_path / "cycles.db"
        pull = ("cycles", "pull", "--store", str(store), "--port", url)
        kills = [
            killed_after(sent, times, pull, tmp_path / "wire.log")
            for sent, times in ((" log ", 1), (" trace ", 1), (" trace ", 3), (" trace ", 2))
        ]
        assert sum(kills) >= 2
        for _ in range(2):
            assert start(*pull, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL).wait() == 0
        with linked(url) as device:
            uid = device.identity().uid
    with CycleStore(store, create=False) as opened:
        pulled = [cycle.record for cycle in opened.cycles(uid)]
        assert pulled == held
        for record in held:
            assert opened.trace(uid, record.seq) == traces[record.seq]
    with closing(sqlite3.connect(store)) as database:
        assert database.execute("pragma integrity_check").fetchone() == ("ok",)
