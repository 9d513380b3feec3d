"""The served press over real sockets and pseudo-terminals, as the command runs it."""

from __future__ import annotations

import os
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

from steadyram.device import Device
from steadyram.link.client import Client
from steadyram.link.records import DeviceJob
from steadyram.link.transport import open_transport
from steadyram.virtual import quick_setup
from steadyram.virtual.default_press import default_press
from steadyram.virtual.server import BUSY_NOTE, parse_listen

# The command line with this one command: loading all the others takes longer than most of these tests.
_ALONE = """
import steadyram.cli as c
from steadyram.cli import virtual
c._load = lambda: virtual.register(c.cli)
c.main()
"""
STEADYRAM = [sys.executable, "-c", _ALONE]
Serve = Callable[..., "Served"]


class Served:
    """One `steadyram virtual` in a process of its own."""

    def __init__(self, *options: str, stdin: Any = subprocess.DEVNULL) -> None:
        # The first line must not take a minute on a loaded machine, but must come by then.
        command = [*STEADYRAM, "virtual", *options]
        self.process = subprocess.Popen(
            command, stdin=stdin, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        assert self.process.stdout is not None
        assert select.select([self.process.stdout], [], [], 60)[0], "no ready line"
        line = self.process.stdout.readline()
        assert line.startswith("ready socket://127.0.0.1:"), line
        self.url = line.split()[1]
        self.port = int(self.url.rpartition(":")[2])

    def device(self, url: str | None = None) -> Device:
        return Device(Client(open_transport(url or self.url)))

    def stderr_line(self, start: str) -> str:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            if line.startswith(start):
                return line.strip()
        raise AssertionError(f"no line on standard error starts with {start}")

    def end(self, number: int = signal.SIGTERM) -> tuple[int, str]:
        """Exit code and whatever else stood on standard output."""
        self.process.send_signal(number)
        out, _ = self.process.communicate(timeout=30)
        return self.process.returncode, out


@pytest.fixture
def serve() -> Iterator[Serve]:
    made: list[Served] = []

    def start(*options: str, runtime: str = "cpython", **more: Any) -> Served:
        made.append(Served("--press", str(default_press()), "--runtime", runtime, *options, **more))
        return made[-1]

    yield start
    for served in made:
        if served.process.poll() is None:
            served.process.kill()
        served.process.communicate()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
@pytest.mark.parametrize("runtime", ["cpython", "micropython"])
def test_signals_end_it_cleanly(serve: Serve, runtime: str, number: int) -> None:
    served = serve(runtime=runtime)
    assert served.device().hello().board == "virtual"
    assert served.end(number) == (0, "")


def test_the_installed_command_has_it() -> None:
    command = [sys.executable, "-c", "from steadyram.cli import main; main()", "virtual", "--help"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0
    assert "ready URL" in done.stdout


def test_pyserial_opens_the_socket_and_reconnects(serve: Serve) -> None:
    served = serve()
    for _ in range(3):
        with serial.serial_for_url(served.url, timeout=5) as port:
            port.write(b"a1 hello\n")
            assert b"board=virtual" in port.readline()


def test_pseudo_terminal_answers_like_a_port(serve: Serve) -> None:
    served = serve("--pty")
    path = served.stderr_line("pty ").split()[1]
    for _ in range(2):
        device = served.device(path)
        assert device.hello().board == "virtual"
        device.close()
    # The socket still answers beside it.
    assert served.device().hello().board == "virtual"


def test_a_second_host_is_told_and_let_go(serve: Serve) -> None:
    served = serve()
    first = served.device()
    first.hello()
    with socket.create_connection(("127.0.0.1", served.port), timeout=10) as second:
        heard = b""
        while chunk := second.recv(1000):
            heard += chunk
    assert heard == BUSY_NOTE
    assert first.hello().board == "virtual"
    first.close()
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline:
        with socket.create_connection(("127.0.0.1", served.port), timeout=10) as third:
            third.sendall(b"b1 hello\n")
            if b"board=virtual" in third.recv(1000):
                return
    raise AssertionError("the press did not take a new host after the first had gone")


def test_several_run_side_by_side(serve: Serve) -> None:
    presses = [serve("--seed", str(seed)) for seed in (1, 2)]
    assert presses[0].port != presses[1].port
    assert [p.device().hello().uid for p in presses] == ["v00000001", "v00000002"]


def test_changes_need_the_held_button_and_auto_operator_works_a_batch(serve: Serve, tmp_path: Path) -> None:
    served = serve("--enable-changes", "--operator", "auto", "--state", str(tmp_path))
    device = served.device()
    deadline = time.monotonic() + 30
    while device.now().changes_left_s <= 0:
        assert time.monotonic() < deadline, "nobody held the enable button"
        time.sleep(0.1)
    from steadyram.press.pressfile import read_press

    model = read_press(default_press())
    device.push_settings(quick_setup.nameplate_settings(model))
    device.push_calibration(quick_setup.nameplate_calibration(model, round(device.now().mean_counts)))
    fields = {field.name: field.default for field in device.client.definition.job}
    device.push_jobs([DeviceJob(1, "batch of two", fields | {"setpoint_n": 20_000, "batch": 2})])
    device.use_job(1)
    # The operator starts once the host is quiet, so ask seldom.
    deadline = time.monotonic() + 60
    records: list[Any] = []
    while len(records) < 2:
        assert time.monotonic() < deadline, f"{len(records)} parts only"
        time.sleep(2.0)
        records = list(device.log())
    assert [record.values["stop"] for record in records] == [1, 1]
    time.sleep(0.5)
    assert len(list(device.log())) == 2
    assert served.end()[0] == 0


def test_changes_are_refused_when_nobody_holds_the_button(serve: Serve) -> None:
    device = serve().device()
    time.sleep(0.3)
    assert device.now().changes_left_s == 0


def test_typed_actions_work_the_press(serve: Serve) -> None:
    read_end, write_end = os.pipe()
    served = serve("--operator", "stdin", stdin=read_end)
    os.close(read_end)
    device = served.device()
    with os.fdopen(write_end, "w") as typing:
        typing.write("# comment\nwait 0.3\npress extend\nwait 0.1\ndance\ncutoff off\nfault sensor-opne\n")
        typing.flush()
        assert served.stderr_line("'dance'") == "'dance' is not an action; type help for the list."
        assert "did you mean sensor-open" in served.stderr_line("There is no fault")
        reading = device.now()
        assert not reading.cutoff
        typing.write("release\npower-cut\nwait 0.2\npower-up\nwait 0.5\nshow\n")
        typing.flush()
        served.stderr_line("time ")
    assert device.hello().boot == 2


def test_real_time_keeps_pace_with_the_wall(serve: Serve) -> None:
    device = serve("--realtime").device()
    start, up = time.monotonic(), device.now().uptime_s
    time.sleep(1.0)
    passed, run = time.monotonic() - start, device.now().uptime_s - up
    # A loaded machine may make it slip; it must never run ahead.
    assert run <= passed + 0.05
    assert run > 0.5 * passed


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")
def test_an_idle_press_leaves_the_processor_alone(serve: Serve) -> None:
    served = serve()

    def used_s() -> float:
        fields = Path(f"/proc/{served.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    before = used_s()
    time.sleep(1.5)
    assert used_s() - before < 0.5


@pytest.mark.parametrize("text", ["5000", "127.0.0.1:", "127.0.0.1:x", "127.0.0.1:70000", ":1"])
def test_bad_listen_addresses_are_refused(text: str) -> None:
    with pytest.raises(Exception, match="HOST:PORT"):
        parse_listen(text)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--listen", "nonsense"], "HOST:PORT"),
        (["--press", "there-is-no-such.toml"], "cannot be read"),
        (["--fault", "gremlin@1"], "There is no fault"),
    ],
)
def test_bad_options_get_one_sentence_and_exit_2(options: list[str], says: str) -> None:
    command = [*STEADYRAM, "virtual", "--runtime", "cpython", *options]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 2
    assert done.stdout == ""
    assert says in done.stderr
    assert "Traceback" not in done.stderr


def test_a_taken_port_gets_one_sentence(serve: Serve) -> None:
    port = serve().port
    command = [*STEADYRAM, "virtual", "--runtime", "cpython"]
    done = subprocess.run(
        [*command, "--listen", f"127.0.0.1:{port}"], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 2
    assert "cannot be listened on" in done.stderr
