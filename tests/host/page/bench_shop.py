"""A virtual press on a socket, a link that can be cut, the page's own process, and a headless browser."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from tests.campaign.detection_sim import commissioned

from steadyram.cycles.pull import pull
from steadyram.cycles.store import CycleStore
from steadyram.press.pressfile import read_press
from steadyram.virtual.operator_line import OperatorLine
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import set_up
from steadyram.virtual.script import one_part, play
from steadyram.virtual.server import PressServer
from steadyram_fw import tables as t

PRESS = Path(__file__).parent.parent.parent / "presses" / "bench-4.toml"
# Long: what comes at all comes on a slow machine, too, and only a failure waits to the end.
WAIT_S = 120.0


def chromium() -> str | None:
    """The browser's path, or None."""
    return shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


def wait_for(what: Callable[[], bool], seconds: float = WAIT_S) -> bool:
    """Poll until true; False when it never was."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if what():
            return True
        time.sleep(0.03)
    return False


class _Server(PressServer):
    """Can be made to drag: every hundredth of a second of the press then takes `drag_s` longer."""

    drag_s = 0.0

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.going = threading.Event()
        self.going.set()

    def _run(self, seconds: float) -> None:
        self.going.wait(WAIT_S)
        if self.drag_s:
            time.sleep(self.drag_s)
        super()._run(seconds)


class ServedPress:
    """A press served in a thread, with an operator's line to its pedals and panel."""

    def __init__(self, press: VirtualPress, *, realtime: bool = False) -> None:
        self.press = press
        self._server = _Server(
            press,
            listen=("127.0.0.1", 0),
            operator_listen=("127.0.0.1", 0),
            realtime=realtime,
            say=lambda text: None,
        )
        self.url = self._server.url
        self._thread = threading.Thread(target=self._server.serve, daemon=True)
        self._thread.start()
        assert self._server.hands_url is not None
        self.hands = OperatorLine(self._server.hands_url)

    @contextlib.contextmanager
    def slowly(self) -> Iterator[None]:
        """The press at a fifth of its speed or less: what passes within a second or two is there to be seen."""
        self._server.drag_s = 0.04
        try:
            yield
        finally:
            self._server.drag_s = 0.0

    def each_turn(self, look: Callable[[VirtualPress], None]) -> None:
        """Call `look` after every span of at most a hundredth of a second, in the press's thread."""
        self._server._on_turn = look

    @contextlib.contextmanager
    def hung(self) -> Iterator[None]:
        """The board stands still: its line is whole, and nothing comes over it."""
        self._server.going.clear()
        try:
            yield
        finally:
            self._server.going.set()

    def close(self) -> None:
        """End the press."""
        self._server.going.set()
        self.hands.close()
        self._server.stop()
        self._thread.join(WAIT_S)
        self._server.close()
        self.press.close()


class Shop(ServedPress):
    """A commissioned press that has pressed parts of a batch."""

    def __init__(
        self,
        folder: Path,
        *,
        parts: int = 1,
        batch: int = 12,
        realtime: bool = False,
        job: dict[str, int] | None = None,
        due_unix: int = 0,
        names: Sequence[str] = ("small clinch nut",),
    ) -> None:
        model = read_press(PRESS)
        core = commissioned(model, np.random.default_rng(5))
        settings = {row[0]: core.settings[i] for i, row in enumerate(t.SETTINGS)}
        press = VirtualPress(PRESS, 4, "cpython", folder, wall_unix=int(time.time()))
        device = set_up(press, 4800.0, batch=batch, name=names[0], settings=settings, job=job)
        if len(names) > 1:
            first = device.jobs().jobs[0]
            device.push_jobs(
                [replace(first, slot=slot, name=name) for slot, name in enumerate(names, start=1)]
            )
        if due_unix:
            device.push_calibration(device.calibration().values | {"due_unix": due_unix})
        for _ in range(parts - 1):
            play(press, one_part(press))
        # What an earlier shift left in the store; the newest part is for the page to pull.
        with CycleStore(folder.parent / "cycles.db") as store:
            pull(device, store)
        play(press, one_part(press))
        super().__init__(press, realtime=realtime)


class Cable:
    """A socket between page and press that can be cut and mended."""

    def __init__(self, url: str) -> None:
        host, port = url.removeprefix("socket://").rsplit(":", 1)
        self._there = (host, int(port))
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._whole = threading.Event()
        self._whole.set()
        self._ends: list[socket.socket] = []
        self._swallowing = False
        self.url = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            if not self._whole.is_set():
                near.close()
                continue
            try:
                far = socket.create_connection(self._there)
            except OSError:
                near.close()
                continue
            self._ends += [near, far]
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self._carry, args=(one, other), daemon=True).start()

    def _carry(self, source: socket.socket, sink: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(65536):
                if not self._swallowing:
                    sink.sendall(data)
        for end in (source, sink):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def swallow(self, on: bool) -> None:
        """Let every byte vanish while both ends think that the line stands, or carry again."""
        self._swallowing = on

    def cut(self) -> None:
        """Pull the plug."""
        self._whole.clear()
        for end in self._ends:
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()
        self._ends.clear()

    def mend(self) -> None:
        """Plug it in again."""
        self._whole.set()

    def close(self) -> None:
        """Away with it."""
        self.cut()
        self._listener.close()


@contextlib.contextmanager
def page_process(port: str, folder: Path, *more: str) -> Iterator[str]:
    """`steadyram page` as a person starts it; gives the page's address."""
    with page_and_process(port, folder, *more) as (url, _):
        yield url


@contextlib.contextmanager
def page_and_process(port: str, folder: Path, *more: str) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """The same, with the process that serves it."""
    command = [
        sys.executable, "-m", "steadyram", "page", "--port", port, "--store", str(folder / "cycles.db"),
        "--records", str(folder), "--listen", "127.0.0.1:0", *more,
    ]  # fmt: skip
    environment = {**os.environ, "STEADYRAM_CONFIG_DIR": str(folder)}
    log = (folder / "page.log").open("ab")
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=log, env=environment, text=True)
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        assert line.startswith("ready http://"), (folder / "page.log").read_text()
        yield line.split()[1], process
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            ended = process.wait(WAIT_S)
        except subprocess.TimeoutExpired:
            process.kill()
            raise
        finally:
            log.close()
        assert ended == 0, (folder / "page.log").read_text()
