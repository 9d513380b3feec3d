"""The served press over real sockets, pseudo-terminals and typed lines, in a thread of this process."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
import serial

import steadyram.cli
from steadyram.device import Device
from steadyram.errors import BadInput, DeviceRefusal, LinkError, PortError
from steadyram.link.client import Client
from steadyram.link.records import DeviceJob
from steadyram.link.transport import open_transport
from steadyram.press.pressfile import read_press
from steadyram.virtual import quick_setup
from steadyram.virtual.default_press import default_press
from steadyram.virtual.operator import SEAL_S
from steadyram.virtual.operator_line import OperatorLine
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.script import Person, hold_enable
from steadyram.virtual.server import _SLIP_S, BUSY_NOTE, PressServer, parse_listen
from steadyram_fw import tables

Serve = Callable[..., "Served"]
# Long: only a failure waits to the end.
WAIT_S = 300.0


class Served:
    """A press served by a thread until `end`."""

    def __init__(self, state: Path, seed: int = 0, **options: Any) -> None:
        self.said: list[str] = []
        self.press = VirtualPress(default_press(), seed, "cpython", state)
        self.server = PressServer(self.press, listen=("127.0.0.1", 0), say=self.said.append, **options)
        self.url = self.server.url
        self.port = int(self.url.rpartition(":")[2])
        self._devices: list[Device] = []
        self._thread = threading.Thread(target=self.server.serve)
        self._thread.start()

    def device(self, url: str | None = None) -> Device:
        self._devices.append(Device(Client(open_transport(url or self.url))))
        return self._devices[-1]

    def wait_for(self, condition: Callable[[], Any], what: str, seconds: float = WAIT_S) -> None:
        deadline = time.monotonic() + seconds
        while not condition():
            assert time.monotonic() < deadline, what
            time.sleep(0.05)

    def end(self) -> None:
        self.server.stop()
        self._thread.join(WAIT_S)
        for device in self._devices:
            device.close()
        self.server.close()
        self.press.close()


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Serve]:
    made: list[Served] = []

    def start(**options: Any) -> Served:
        made.append(Served(tmp_path / f"state{len(made)}", **options))
        return made[-1]

    yield start
    for served in made:
        served.end()


def test_pyserial_opens_the_socket_and_reconnects(serve: Serve) -> None:
    served = serve()
    for _ in range(3):
        with serial.serial_for_url(served.url, timeout=WAIT_S) as port:
            port.write(b"a1 hello\n")
            assert b"board=virtual" in port.readline()


def test_pseudo_terminal_answers_like_a_port(serve: Serve) -> None:
    served = serve(pty=True)
    for _ in range(2):
        device = served.device(served.server.pty_path)
        assert device.hello().board == "virtual"
        device.close()
    # The socket still answers beside it.
    assert served.device().hello().board == "virtual"


def test_the_pseudo_terminal_hears_nothing_of_another_hosts_answers(serve: Serve) -> None:
    served = serve(pty=True)
    with socket.create_connection(("127.0.0.1", served.port), timeout=WAIT_S) as host:
        host.sendall(b"a1 hello\na2 now\na3 events on=1 live_ms=200\n")
        heard = b""
        while heard.count(b" ok ") < 3 or b"- live" not in heard:
            heard += host.recv(1000)
        with serial.Serial(served.server.pty_path, timeout=WAIT_S) as port:
            port.write(b"p0 hello\n")
            assert port.readline() == BUSY_NOTE
    with serial.Serial(served.server.pty_path, timeout=WAIT_S) as port:
        port.write(b"p1 events on=0\n")
        lines = [port.readline()]
        while not lines[-1].startswith(b"p1 ok"):
            lines.append(port.readline())
        # Whole lines of its own time only: at most events that the host before had asked for.
        assert all(line.startswith((b"p1 ok", b"- ")) for line in lines), lines
        assert not any(line.startswith(b"a") for line in lines)
        assert len(lines) < 6


def test_a_second_host_is_told_and_let_go(serve: Serve) -> None:
    served = serve()
    first = served.device()
    first.hello()
    with socket.create_connection(("127.0.0.1", served.port), timeout=WAIT_S) as second:
        heard = b""
        while chunk := second.recv(1000):
            heard += chunk
    assert heard == BUSY_NOTE
    assert first.hello().board == "virtual"
    first.close()

    def third_gets_in() -> bool:
        heard = b""
        # Turned away it may find its connection reset.
        with (
            suppress(ConnectionError),
            socket.create_connection(("127.0.0.1", served.port), timeout=WAIT_S) as third,
        ):
            third.sendall(b"b1 hello\n")
            while b"\n" not in heard and (chunk := third.recv(1000)):
                heard += chunk
        return b"board=virtual" in heard

    served.wait_for(third_gets_in, "the press did not take a new host after the first had gone")


def test_a_host_that_breaks_off_does_no_harm(serve: Serve) -> None:
    served = serve()
    for _ in range(5):
        rude = socket.create_connection(("127.0.0.1", served.port), timeout=WAIT_S)
        with suppress(ConnectionError):
            rude.sendall(b"c1 now\n" * 200 + b"half a li")
        # Closing with a reset, not with a goodbye.
        rude.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\x00\x00\x00\x00\x00\x00\x00")
        rude.close()

    def answers() -> bool:
        device = served.device()
        try:
            return device.hello().board == "virtual"
        except LinkError:
            device.close()
            return False

    served.wait_for(answers, "no answer after hosts that broke off")


def test_a_lamp_that_blinks_over_a_fault_does_not_hurry_an_idle_press(tmp_path: Path) -> None:
    """With nobody there it goes at the wall's pace: only bytes, hands, scripts and valves are something to do."""
    with VirtualPress(default_press(), 0, "cpython", tmp_path / "state") as press:
        server = PressServer(press, listen=("127.0.0.1", 0))
        press.run(1.0)
        press.inject("estop-open")
        hurried = 0
        for _ in range(40):
            press.run(0.1)
            hurried += server._busy()
        assert press.core_state().fault == tables.FAULT_ESTOP_OPEN
        assert press.valve_log[-1].time_s > press.time_s - 0.5, "its lamp or buzzer has just switched"
        assert hurried == 0
        server.close()


def test_whoever_comes_right_after_one_that_has_gone_gets_in(tmp_path: Path) -> None:
    with VirtualPress(default_press(), 0, "cpython", tmp_path / "state") as press:
        server = PressServer(press, listen=("127.0.0.1", 0), operator_listen=("127.0.0.1", 0))
        assert server.hands_url is not None
        line, pedals = (("127.0.0.1", int(url.rpartition(":")[2])) for url in (server.url, server.hands_url))
        # All of it has come before the server looks for the first time.
        for where, said in ((line, b"a1 now\n"), (pedals, b"show\n")):
            with socket.create_connection(where, timeout=WAIT_S) as gone:
                gone.sendall(said)
        thread = threading.Thread(target=server.serve)
        with socket.create_connection(line, timeout=WAIT_S) as host, OperatorLine(server.hands_url) as hands:
            host.sendall(b"b1 hello\n")
            thread.start()
            try:
                heard = b""
                while b"board=virtual" not in heard and (chunk := host.recv(1000)):
                    heard += chunk
                assert b"board=virtual" in heard
                assert BUSY_NOTE not in heard
                assert hands.do("wait 0.1") == []
            finally:
                server.stop()
                thread.join(WAIT_S)
                server.close()


def test_several_run_side_by_side(serve: Serve) -> None:
    presses = [serve(seed=seed) for seed in (1, 2)]
    assert presses[0].port != presses[1].port
    assert [p.device().hello().uid for p in presses] == ["v00000001", "v00000002"]


def test_changes_need_the_held_button_and_auto_operator_works_a_batch(serve: Serve) -> None:
    served = serve(person=Person(work=True, keep_open=True))
    device = served.device()
    served.wait_for(device.calibration_unsealed, "nobody held the enable button")
    model = read_press(default_press())
    device.push_press(quick_setup.nameplate_settings(model) | quick_setup.datasheet_characteristics(model))
    device.push_calibration(quick_setup.nameplate_calibration(model, round(device.now().mean_counts)))
    fields = {field.name: field.default for field in device.client.definition.job}
    device.push_jobs([DeviceJob(1, "batch of two", fields | {"setpoint_n": 20_000, "batch": 2})])
    device.use_job(1)
    # The operator starts once the host is quiet, so look at the press and ask when it is done.
    served.wait_for(lambda: [e.name for e in served.press.events].count("load-part") == 2, "no second part")
    served.wait_for(lambda: len(list(device.log())) == 2, "no second record")
    assert [record.values["stop"] for record in device.log()] == [1, 1]
    # The batch is done: changes are opened again and no third part is made.
    served.wait_for(lambda: device.now().changes_left_s > 0, "changes were not opened again")
    assert len(list(device.log())) == 2


def test_who_keeps_changes_open_leaves_the_button_alone_in_a_valve_test(serve: Serve) -> None:
    served = serve(person=Person(work=False, keep_open=True))
    device = served.device()
    served.wait_for(device.calibration_unsealed, "nobody held the enable button")
    device.push_press(quick_setup.nameplate_settings(read_press(default_press())))
    # The panel's screen of an armed test says nothing on changes, which are open all the same.
    device.probe(cut_counts=0, pulse_ms=12, pulses=4, pause_ms=90)
    held = [e.name for e in served.press.events].count("press-enable")
    began = served.press.time_s
    served.wait_for(lambda: device.now().armed_s > 0 and served.press.time_s > began + 2.0, "not armed")
    assert [e.name for e in served.press.events].count("press-enable") == held
    assert device.now().changes_left_s > 0


def test_two_who_hold_the_enable_button_do_so_one_after_the_other(tmp_path: Path) -> None:
    with VirtualPress(default_press(), 5, "cpython", tmp_path / "flash") as press:
        first, second = hold_enable(press, SEAL_S), hold_enable(press, SEAL_S)
        assert next(first) == SEAL_S
        let_go = next(second)
        assert callable(let_go)
        assert not let_go(press)
        next(first)
        assert let_go(press)
        assert next(second) == SEAL_S
        assert press.operator.enable_held


def test_changes_are_refused_when_nobody_holds_the_button(serve: Serve) -> None:
    device = serve().device()
    with pytest.raises(DeviceRefusal, match="button"):
        device.recount()


def test_typed_actions_work_the_press(serve: Serve) -> None:
    read_end, write_end = os.pipe()
    try:
        served = serve(actions=read_end)
        device = served.device()
        lines = (
            "# comment\n\nwait 0.3\npress retract\nwait 0.1\nrelease\ndance\ncutoff off\nfault sensor-opne\n"
        )
        lines += "wait x\nblock"
        os.write(write_end, lines.encode())
        os.write(write_end, b"\nshow\n")
        served.wait_for(lambda: len(served.said) >= 4, "not all lines were done")
        assert served.said[0] == "'dance' is not an action; type help for the list."
        assert "did you mean sensor-open" in served.said[1]
        assert served.said[2] == "'wait x': give a number from 0 to 86400."
        assert served.said[3].startswith("time ")
        assert not device.now().cutoff
        names = [event.name for event in served.press.events]
        assert names == ["power-up", "press-retract", "release-retract", "cutoff-off", "swap-block"]
        os.write(write_end, b"power-cut\nwait 0.2\npower-up\nwait 0.5\nchange work.gap=6 mm\nhelp\n")
        served.wait_for(lambda: len(served.said) >= 5, "not all lines were done")
        assert device.hello().boot == 2
        assert served.press.plant.press.work.gap == pytest.approx(0.006)
    finally:
        os.close(write_end)
    # The end of the typing is not the end of the press.
    assert device.hello().boot == 2


def test_actions_from_a_plain_file(serve: Serve, tmp_path: Path) -> None:
    script = tmp_path / "actions"
    script.write_text(
        "wait 0.2\nestop push\nwait 0.1\nestop pull\nlatch on\nknob 2\nempty\npart\nrepair\nenable\nack\n"
    )
    with script.open("rb") as source:
        served = serve(actions=source.fileno())
        served.wait_for(
            lambda: any(e.name == "release-ack" for e in served.press.events), "the file was not done"
        )
    names = [event.name for event in served.press.events]
    for name in ("estop-pushed", "estop-pulled", "latch-on", "remove-part", "load-part", "press-enable"):
        assert name in names
    device = served.device()
    served.wait_for(lambda: device.now().changes_left_s > 0, "the enable button was not held long enough")


def test_real_time_keeps_pace_with_the_wall(serve: Serve) -> None:
    served = serve(realtime=True)
    device = served.device()

    def keeps_pace() -> bool:
        start, up = time.monotonic(), device.now().uptime_s
        time.sleep(0.7)
        run = device.now().uptime_s - up
        passed = time.monotonic() - start
        # It must never run ahead, but for what it lay behind at the start and may make up for.
        assert run <= passed + _SLIP_S + 0.05
        return run > 0.4 * passed

    # A loaded machine may make it slip for a while.
    served.wait_for(keeps_pace, "it does not keep pace")


@pytest.mark.parametrize("text", ["5000", "127.0.0.1:", "127.0.0.1:x", "127.0.0.1:70000", ":1"])
def test_bad_listen_addresses_are_refused(text: str) -> None:
    with pytest.raises(BadInput, match="HOST:PORT"):
        parse_listen(text)


def test_a_taken_port_gets_one_sentence(serve: Serve, tmp_path: Path) -> None:
    taken = serve().port
    with (
        VirtualPress(default_press(), 0, "cpython", tmp_path / "other") as press,
        pytest.raises(PortError, match="cannot be listened on"),
    ):
        PressServer(press, listen=("127.0.0.1", taken))


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--listen", "nonsense"], "HOST:PORT"),
        (["--press", "there-is-no-such.toml"], "cannot be read"),
        (["--fault", "gremlin@1"], "There is no fault"),
        (["--runtime", "abacus"], "abacus"),
    ],
)
def test_bad_options_get_one_sentence_and_exit_2(
    options: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as stopped:
        steadyram.cli.main(["virtual", "--runtime", "cpython", *options])
    told = capsys.readouterr()
    assert stopped.value.code == 2
    assert told.out == ""
    assert says in told.err
    assert told.err.count("\n") == 1
