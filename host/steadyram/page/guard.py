"""Bound what strangers can take of the page: sockets, bytes and time before a request is whole, and wrong tokens.

A socket that was opened and says nothing costs as much as a tablet's. So at most `WAITING_MOST` sockets may be without
a whole request; when one more comes, the one that has waited longest is closed, and each is closed after `WAITING_S`.
A page that is open has made its request and is not among them.
"""

from __future__ import annotations

import asyncio
import gc
import logging
from collections import OrderedDict, deque
from collections.abc import Callable
from typing import Any, Final

from uvicorn.protocols.http.h11_impl import H11Protocol

WAITING_MOST: Final = 48
WAITING_S: Final = 8.0
# Sockets of all kinds; a shop has a handful of tablets, and a browser opens six sockets.
SOCKETS_MOST: Final = 160
# A sentence of the server's own log is written once in so long, however often it is due.
SAID_S: Final = 60.0
# Wrong tokens: of one address so many in so long, of all addresses ten times as many.
WRONG_MOST, WRONG_S = 5, 60.0


class Waiting:
    """Sockets without a whole request, the longest-waiting first."""

    def __init__(self, most: int = WAITING_MOST) -> None:
        self._most = most
        self._since: OrderedDict[Any, asyncio.TimerHandle] = OrderedDict()
        self.closed = 0  # sockets that were closed for want of a request

    def add(self, one: Any, loop: asyncio.AbstractEventLoop) -> None:
        """Note a socket; close the one that has waited longest where there are too many."""
        while len(self._since) >= self._most:
            self._close(next(iter(self._since)))
        self._since[one] = loop.call_later(WAITING_S, self._close, one)

    def done(self, one: Any) -> None:
        """Note that a socket has made its request, or is gone."""
        timer = self._since.pop(one, None)
        if timer is not None:
            timer.cancel()

    def _close(self, one: Any) -> None:
        self.done(one)
        self.closed += 1
        one.transport.abort()

    def __len__(self) -> int:
        return len(self._since)


def guarded_http(waiting: Waiting) -> type[H11Protocol]:
    """Return the protocol class of a server whose sockets without a request are bounded by `waiting`."""

    class Guarded(H11Protocol):
        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
            super().connection_made(transport)
            if len(self.connections) > SOCKETS_MOST:
                waiting.closed += 1
                transport.abort()
                return
            waiting.add(self, self.loop)

        def data_received(self, data: bytes) -> None:
            super().data_received(data)
            # A cycle begins with a request's whole head; a socket that became a live connection is let go of.
            if self.cycle is not None or self not in self.connections:
                waiting.done(self)

        def connection_lost(self, exc: Exception | None) -> None:
            waiting.done(self)
            super().connection_lost(exc)

    return Guarded


class Seldom(logging.Filter):
    """Let each sentence of a log through once in `SAID_S`; the next time it says how often it was held back."""

    def __init__(self, clock: Callable[[], float]) -> None:
        super().__init__()
        self._clock = clock
        self._last: dict[str, tuple[float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Return whether a record is to be written."""
        sentence, now = str(record.msg), self._clock()
        at, held = self._last.get(sentence, (now - SAID_S, 0))
        if now - at < SAID_S:
            self._last[sentence] = at, held + 1
            return False
        if held:
            record.msg = f"{sentence} {held} more of these since the last one written."
        self._last[sentence] = now, 0
        return True


def set_aside_what_stays() -> None:
    """Take what is loaded out of the collector's work: it stays, and there is a lot of it.

    Every few thousand sockets a full collection is due. With the 140,000 objects of the program's modules in it, it
    stopped the page for 0.05 to 0.23 s, about once a second under attack (two processors, load 6).
    """
    gc.collect()
    gc.freeze()


class WrongTokens:
    """How often a wrong token was given of late, by address and by all."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._times: OrderedDict[str, deque[float]] = OrderedDict()
        self._all: deque[float] = deque(maxlen=10 * WRONG_MOST)

    def refused(self, address: str) -> bool:
        """Return whether this address, or all of them together, gave too many wrong tokens to be heard now."""
        since = self._clock() - WRONG_S
        mine = self._times.get(address, ())
        many = sum(at > since for at in mine) >= WRONG_MOST
        return many or sum(at > since for at in self._all) >= 10 * WRONG_MOST

    def wrong(self, address: str) -> None:
        """Note a wrong token."""
        now = self._clock()
        self._times.setdefault(address, deque(maxlen=WRONG_MOST)).append(now)
        self._times.move_to_end(address)
        while len(self._times) > 1000:
            self._times.popitem(last=False)
        self._all.append(now)
