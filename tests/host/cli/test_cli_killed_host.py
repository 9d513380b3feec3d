"""The host is killed in the middle of a push and of a pull, as processes against a real virtual press.

SIGKILL leaves no chance to tidy up. A line between the two tells how far the host has come and lets it go no further.
"""

from __future__ import annotations

import signal
import socket
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
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
from steadyram.virtual.quick_setup import (
    datasheet_characteristics,
    nameplate_calibration,
    nameplate_settings,
)

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs SIGKILL")
JOBS = 12
STROKES = 7
# Long: only a failure waits to the end.
WAIT_S = 300.0


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
        try:
            assert process.wait(WAIT_S) == 0
        finally:
            process.kill()
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


class Halting:
    """A line to the press that goes dead after the `times`-th request with `sent` in it; then `halted` is set."""

    def __init__(self, url: str, sent: str, times: int) -> None:
        self.halted = threading.Event()
        self._sent, self._left = sent.encode(), times
        host, port = url.removeprefix("socket://").split(":")
        self._there = (host, int(port))
        self._ends: list[socket.socket] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        threading.Thread(target=self._forth, daemon=True).start()

    def _forth(self) -> None:
        host, _ = self._listener.accept()
        press = socket.create_connection(self._there)
        self._ends += [host, press]
        threading.Thread(target=self._back, args=(host, press), daemon=True).start()
        part = b""
        while data := host.recv(65536):
            *lines, part = (part + data).split(b"\n")
            for line in lines:
                press.sendall(line + b"\n")
                self._left -= self._sent in line
                if self._left == 0:
                    self.halted.set()
                    return

    @staticmethod
    def _back(host: socket.socket, press: socket.socket) -> None:
        with suppress(OSError):
            while data := press.recv(65536):
                host.sendall(data)

    def close(self) -> None:
        # A socket that another thread reads from ends by shutting it down.
        for each in self._ends:
            with suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
        for each in (self._listener, *self._ends):
            each.close()


def killed_after(sent: str, times: int, arguments: Sequence[str], url: str) -> None:
    """Run a command at the press; SIGKILL it once it has sent the `times`-th request with `sent` in it."""
    with closing(Halting(url, sent, times)) as line:
        host = start(*arguments, "--port", line.url, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        assert line.halted.wait(WAIT_S), f"no {times} times '{sent}'"
        host.kill()
        assert host.wait() == -signal.SIGKILL


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
            killed_after(sent, times, ("jobs", "push", str(other), "--yes"), url)
            with linked(url) as device:
                now = device.jobs().jobs
            assert now in (sets[a], sets[b]), f"a mix after {times} times '{sent}'"
            landed.append(now == sets[other])
            if now == sets[other]:
                holds, other = other, holds
        # Killed before the commit was sent nothing may have changed.
        assert landed == [False, False, False, False, True]
        assert start("jobs", "push", str(other), "--yes", "--port", url, stdout=subprocess.DEVNULL,
                     stderr=subprocess.DEVNULL).wait() == 0  # fmt: skip
        with linked(url) as device:
            assert device.jobs().jobs == sets[other]


def test_killed_in_pulls_every_record_comes_home_once(tmp_path: Path) -> None:
    with pressed(tmp_path) as (url, hands_url):
        open_changes(hands_url)
        press = read_press(default_press())
        with linked(url) as device, OperatorLine(hands_url) as line:
            device.push_press(nameplate_settings(press) | datasheet_characteristics(press))
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
        pull = ("cycles", "pull", "--store", str(store))
        for sent, times in ((" log ", 1), (" trace ", 1), (" trace ", 3), (" trace ", 2)):
            killed_after(sent, times, pull, url)
        for _ in range(2):
            assert (
                start(*pull, "--port", url, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL).wait() == 0
            )
        with linked(url) as device:
            uid = device.identity().uid
    with CycleStore(store, create=False) as opened:
        pulled = [cycle.record for cycle in opened.cycles(uid)]
        assert pulled == held
        for record in held:
            assert opened.trace(uid, record.seq) == traces[record.seq]
    with closing(sqlite3.connect(store)) as database:
        assert database.execute("pragma integrity_check").fetchone() == ("ok",)
