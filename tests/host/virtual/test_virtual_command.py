"""`steadyram virtual` as a process: its one line, its signals, its share of the processor."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from steadyram.device import Device
from steadyram.link.client import Client
from steadyram.link.transport import open_transport


class Served:
    """One `steadyram virtual` in a process of its own."""

    def __init__(self, *options: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "steadyram", "virtual", *options],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self.process.stdout is not None
        # Long: only a failure waits to the end.
        assert select.select([self.process.stdout], [], [], 300)[0], "no ready line"
        line = self.process.stdout.readline()
        assert line.startswith("ready socket://127.0.0.1:"), line
        self.url = line.split()[1]

    def device(self, url: str) -> Device:
        return Device(Client(open_transport(url)))

    def end(self, number: int) -> tuple[int, str, str]:
        """Exit code and whatever else stood on standard output and error."""
        self.process.send_signal(number)
        out, err = self.process.communicate(timeout=300)
        return self.process.returncode, out, err


@pytest.fixture(params=["cpython", "micropython"])
def served(request: pytest.FixtureRequest) -> Iterator[Served]:
    made = Served("--runtime", request.param, "--pty")
    yield made
    if made.process.poll() is None:
        made.process.kill()
    made.process.communicate()


def test_answers_on_both_lines_and_ends_by_sigterm(served: Served) -> None:
    assert served.device(served.url).hello().board == "virtual"
    assert served.process.stderr is not None
    told = [served.process.stderr.readline().split() for _ in range(2)]
    assert told[0][:2] == ["firmware", "on"]
    assert told[1][0] == "pty"
    assert served.device(told[1][1]).hello().board == "virtual"
    assert served.end(signal.SIGTERM) == (0, "", "")


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")
def test_is_idle_when_idle_and_ends_by_ctrl_c(served: Served) -> None:
    def used_s() -> float:
        fields = Path(f"/proc/{served.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def idle_second_s() -> float:
        before = used_s()
        time.sleep(1.0)
        return used_s() - before

    # One that did not rest would use any second whole; a slow machine may still be busy with the start in the first.
    assert any(idle_second_s() < 0.4 for _ in range(20))
    assert served.end(signal.SIGINT)[:2] == (0, "")


def test_the_installed_command_has_it() -> None:
    command = [sys.executable, "-c", "from steadyram.cli import main; main()", "virtual", "--help"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0
    assert "ready URL" in done.stdout
