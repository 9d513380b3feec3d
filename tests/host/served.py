"""A bench behind a real TCP socket, so that pyserial and whole processes can be tried on it."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable
from queue import SimpleQueue

from tests.host.loopback import Bench

_LOOK_S = 0.002
_SEND_S = 60.0


class Served:
    """Serves a bench at `url` until `close`; silent after `stall_after` rows (None = never)."""

    def __init__(self, bench: Bench, stall_after: int | None = None) -> None:
        self.bench = bench
        self.stall_after = stall_after
        self.stalled = threading.Event()
        self._rows = 0
        self._stop = threading.Event()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.05)
        self.url = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self._orders: SimpleQueue[Callable[[], None]] = SimpleQueue()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                connection, _ = self._listener.accept()
            except TimeoutError:
                continue
            with connection:
                self._serve(connection)

    def _serve(self, connection: socket.socket) -> None:
        connection.settimeout(_LOOK_S)
        bench = self.bench
        while not self._stop.is_set():
            while not self._orders.empty():
                self._orders.get()()
            try:
                data = connection.recv(4096)
                if not data:
                    return
                bench._in += data
            except TimeoutError:
                pass
            except OSError:
                return
            for _ in range(400):
                bench.tick()
                if (
                    not bench._out
                    and not bench._in
                    and bench.app.link.hungry
                    and bench.app.link._rows is None
                ):
                    break
            sent = bytes(bench._out)
            bench._out.clear()
            self._rows += sent.count(b" row ")
            if self.stall_after is not None and self._rows >= self.stall_after:
                self.stalled.set()
                continue
            try:
                # A reader that is slow to take it gets it whole; two milliseconds are for looking whether it asks.
                connection.settimeout(_SEND_S)
                connection.sendall(sent)
                connection.settimeout(_LOOK_S)
            except OSError:
                return

    def then(self, act: Callable[[], None]) -> None:
        """Have the bench's own thread do something once a host is connected."""
        self._orders.put(act)

    def close(self) -> None:
        """Stop serving."""
        self._stop.set()
        self._thread.join(_SEND_S)
        self._listener.close()

    def __enter__(self) -> Served:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
