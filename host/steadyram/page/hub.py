"""What every open browser is told: the newest message of each kind for who comes later, and the stream of all.

The keeper's thread publishes, the server's loop delivers. A browser that does not take its messages in time
is let go; it comes back by itself and then gets the newest of everything.
"""

from __future__ import annotations

import asyncio
import json
import threading
from typing import Any

_KEPT = 400
# Kinds of which the newest is all that a newcomer needs, in the order in which it gets them.
_NEWEST = ("hello", "bends", "view", "results", "band", "trace", "stroke")


class Client:
    """One open page: its queue of texts. `None` in the queue means: let go."""

    def __init__(self) -> None:
        self.queue: asyncio.Queue[str | None] = asyncio.Queue(_KEPT)


class Hub:
    """Thread-safe on the publishing side; `join` and `leave` belong to the server's loop."""

    def __init__(self) -> None:
        self._loop: asyncio.AbstractEventLoop | None = None
        self._clients: set[Client] = set()
        self._newest: dict[str, str] = {}
        self._points: list[list[float]] = []
        self._lock = threading.Lock()

    @property
    def pages(self) -> int:
        """Return how many pages are open."""
        return len(self._clients)

    def attach(self, loop: asyncio.AbstractEventLoop) -> None:
        """Deliver in this loop from now on."""
        self._loop = loop

    def publish(self, kind: str, **content: Any) -> None:
        """Tell every page. Kinds in `_NEWEST` are kept for who comes later; "live" points are gathered."""
        text = json.dumps({"kind": kind, **content}, allow_nan=False, separators=(",", ":"))
        with self._lock:
            if kind in ("stroke", "trace"):
                self._points = []
            if kind == "trace":
                # The stroke that was drawn as it happened is over: a newcomer needs its log only.
                self._newest.pop("stroke", None)
            elif kind == "live" and content.get("t_s") is not None and content["force_N"] is not None:
                self._points.append([content["t_s"], content["force_N"]])
            if kind in _NEWEST:
                self._newest[kind] = text
        self._send(text)

    def _send(self, text: str) -> None:
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(self._deliver, text)

    def _deliver(self, text: str) -> None:
        for client in list(self._clients):
            try:
                client.queue.put_nowait(text)
            except asyncio.QueueFull:
                self._clients.discard(client)
                while not client.queue.empty():
                    client.queue.get_nowait()
                client.queue.put_nowait(None)

    def join(self) -> Client:
        """A new page; its queue begins with the newest of everything."""
        client = Client()
        with self._lock:
            for kind in _NEWEST:
                if kind in self._newest:
                    client.queue.put_nowait(self._newest[kind])
            if self._points:
                client.queue.put_nowait(json.dumps({"kind": "points", "points": self._points[-300:]}))
            self._clients.add(client)
        return client

    def leave(self, client: Client) -> None:
        """The page is gone."""
        self._clients.discard(client)
