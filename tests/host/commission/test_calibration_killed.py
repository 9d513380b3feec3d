"""A guided calibration that is killed midway leaves its points, and the next one says where they are."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from tests.host.cli.test_cli_killed_host import WAIT_S, linked, pressed, start

from steadyram.errors import CheckFailed
from steadyram.metrology.header_file import TEMPLATE
from steadyram.metrology.journal import read_journal
from steadyram.press.pressfile import read_press
from steadyram.virtual.default_press import default_press
from steadyram.virtual.operator_line import LineHands, OperatorLine
from steadyram.virtual.quick_setup import nameplate_settings

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs SIGKILL")


class StallingLine:
    """Passes the operator's line on until the reference was read `reads` times; then `stalled` is set."""

    def __init__(self, url: str, reads: int) -> None:
        self.stalled = threading.Event()
        self._left = reads
        host, port = url.removeprefix("socket://").split(":")
        self._press = socket.create_connection((host, int(port)))
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        threading.Thread(target=self._forth, daemon=True).start()

    def _forth(self) -> None:
        self._host, _ = self._listener.accept()
        threading.Thread(target=self._back, daemon=True).start()
        while data := self._host.recv(65536):
            self._left -= data.count(b"cell\n")
            if self._left < 0:
                self.stalled.set()
                return
            self._press.sendall(data)

    def _back(self) -> None:
        try:
            while data := self._press.recv(65536):
                self._host.sendall(data)
        except OSError:
            return

    def close(self) -> None:
        # A socket that another thread reads from ends by shutting it down.
        self._press.shutdown(socket.SHUT_RDWR)
        for each in (self._listener, self._host, self._press):
            each.close()


def pedals_free(url: str) -> bool:
    """Whether the press has seen that whoever was at the pedals left."""
    with OperatorLine(url) as line:
        try:
            line.do("show")
        except CheckFailed:
            return False
    return True


def test_killed_after_three_points(tmp_path: Path) -> None:
    (tmp_path / "header.toml").write_text(TEMPLATE)
    (tmp_path / "work").mkdir()
    target = tmp_path / "work" / "c.jsonl"
    with pressed(tmp_path) as (port, hands_url):
        with linked(port) as device, OperatorLine(hands_url) as line:
            LineHands(line).open_changes()
            device.push_settings(nameplate_settings(read_press(default_press())))
        command = (
            "calibration",
            "run",
            "--header",
            str(tmp_path / "header.toml"),
            "--out",
            str(target),
            "--port",
            port,
        )
        # Two readings of the reference a point.
        stalling = StallingLine(hands_url, reads=6)
        process = start(
            *command, "--hands", stalling.url, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        assert stalling.stalled.wait(WAIT_S)
        process.send_signal(signal.SIGKILL)
        process.wait(WAIT_S)
        stalling.close()
        until = time.monotonic() + WAIT_S
        while not pedals_free(hands_url):
            assert time.monotonic() < until
            time.sleep(0.1)
        left = target.with_name("c.unfinished.jsonl")
        assert sorted(path.name for path in left.parent.iterdir()) == [left.name]
        kept = read_journal(left)
        assert [point.direction for point in kept.points] == ["rising"] * 3
        assert kept.points[0].reference < kept.points[1].reference < kept.points[2].reference
        assert kept.header.zero_counts_after is None

        done = subprocess.run(
            [sys.executable, "-m", "steadyram", *command, "--hands", hands_url],
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, done.stderr
        assert "stopped after 3 points" in done.stderr
        aside = target.with_name("c.unfinished-1.jsonl")
        assert str(aside) in done.stderr
        assert read_journal(aside) == kept
        assert sorted(path.name for path in left.parent.iterdir()) == [target.name, aside.name]
        assert len(read_journal(target).points) > 6
