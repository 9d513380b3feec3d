"""Run the page: the keeper's thread, and the web server in this one."""

from __future__ import annotations

import contextlib
import logging
import signal
import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp

from steadyram import __version__
from steadyram.config import Preferences
from steadyram.cycles.store import CycleStore
from steadyram.errors import PortError
from steadyram.page.access import Access
from steadyram.page.app import build_app
from steadyram.page.guard import Seldom, Waiting, guarded_http, set_aside_what_stays
from steadyram.page.hub import Hub
from steadyram.page.keeper import Keeper
from steadyram.page.words import CAUTION
from steadyram.units import to_unit


def open_listener(host: str, port: int) -> socket.socket:
    """A listening socket. Raises PortError with one sentence."""
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        listener = socket.socket(family, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(64)
    except OSError as error:
        raise PortError(
            f"The address {host}:{port} cannot be listened on ({error.strerror}); choose another port, or 0 to "
            "have a free one picked."
        ) from None
    return listener


def serve(
    port: str,
    listener: socket.socket,
    access: Access,
    store: CycleStore,
    units: Preferences,
    records: Path,
    bends: Path,
    ready: Callable[[str], None],
    around: Callable[[ASGIApp], ASGIApp] | None = None,
) -> None:
    """Serve until SIGTERM or Ctrl-C.

    records, bends: folders; ready: called with the page's address once it answers; around: makes the application that
    is served of the page, and may then show the page in a frame.
    """
    host, number = listener.getsockname()[:2]
    hub = Hub()
    hub.publish(
        "hello",
        version=__version__,
        unit=units.force_unit,
        per_N=to_unit(1.0, "newton", units.force_unit),
        caution=CAUTION,
    )
    keeper = Keeper(port, store, hub, units, records, bends)
    page = build_app(hub, keeper.order, access, framed=around is not None)
    config = uvicorn.Config(
        page if around is None else around(page),
        log_level="warning",
        access_log=False,
        server_header=False,
        http=guarded_http(Waiting()),
        ws="websockets-sansio",
        ws_max_size=262_144,
        timeout_graceful_shutdown=2,
    )
    # The server's own sentence about rubbish would fill the disk at the sender's pace.
    logging.getLogger("uvicorn.error").addFilter(Seldom(time.monotonic))
    keeper.start()
    set_aside_what_stays()
    try:
        server = _Server(config, lambda: ready(f"http://{_shown(host)}:{number}/"))
        server.run(sockets=[listener])
    finally:
        keeper.stop()
        listener.close()


class _Server(uvicorn.Server):
    def __init__(self, config: uvicorn.Config, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._ready = ready

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """End quietly on SIGTERM and Ctrl-C: being told to end is no failure."""
        wanted = (signal.SIGTERM, signal.SIGINT)
        before = {each: signal.signal(each, self.handle_exit) for each in wanted}
        try:
            yield
        finally:
            for each, handler in before.items():
                signal.signal(each, handler)

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if self.started:
            self._ready()


def _shown(host: str) -> str:
    return f"[{host}]" if ":" in host else host
