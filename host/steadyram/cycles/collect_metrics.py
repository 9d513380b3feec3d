"""Devices' state as OpenMetrics text (Cloud Native Computing Foundation, version 1.0) over HTTP.

Chosen for machine-readable state because it is an open text standard that monitoring systems read as it is,
needs no client library at the reader's end, and has a type for exactly this (state sets). The broker's JSON
carries the same for those who want each change pushed.
"""

from __future__ import annotations

import hmac
import threading
from collections.abc import Callable, Iterable, Sequence
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Final

from steadyram.cycles.collect import Watched
from steadyram.errors import BadInput, PortError
from steadyram.link.definition import definition


class _Exposed:
    """What prometheus_client calls a collector: yields metric families when asked."""

    def __init__(self, watched: Sequence[Watched]) -> None:
        self._watched = watched

    def collect(self) -> Iterable[Any]:
        from prometheus_client import core

        labels = ["uid", "name"]
        families: list[tuple[Any, Callable[[Watched], float | None]]] = [
            (core.GaugeMetricFamily("steadyram_device_up", "1 while the collector reaches the device.", labels=labels),
             lambda w: float(w.online)),
            (core.GaugeMetricFamily("steadyram_force_newtons", "Force on the work as the device infers it.",
                                    labels=labels, unit="newtons"), lambda w: w.live_force_N),
            (core.GaugeMetricFamily("steadyram_setpoint_newtons", "Setpoint in force.", labels=labels,
                                    unit="newtons"), lambda w: w.reading.setpoint_N if w.reading else None),
            (core.GaugeMetricFamily("steadyram_batch_parts", "Parts of the batch so far.", labels=labels),
             lambda w: float(w.reading.count) if w.reading else None),
            (core.GaugeMetricFamily("steadyram_cutoff_on", "1 while the cutoff is on.", labels=labels),
             lambda w: float(w.reading.cutoff) if w.reading else None),
            (core.GaugeMetricFamily("steadyram_records_in_store", "Records of the device in the store.",
                                    labels=labels), lambda w: float(w.stored)),
            (core.CounterMetricFamily("steadyram_records_pulled", "Records pulled since start.", labels=labels),
             lambda w: float(w.pulled)),
            (core.CounterMetricFamily("steadyram_records_lost", "Records overwritten before a pull.",
                                      labels=labels), lambda w: float(w.lost)),
            (core.CounterMetricFamily("steadyram_reconnects", "Times the device was lost.", labels=labels),
             lambda w: float(w.reconnects)),
        ]  # fmt: skip
        states = core.StateSetMetricFamily("steadyram_state", "State of the device.", labels=labels)
        faults = core.StateSetMetricFamily("steadyram_fault", "Fault that is latched.", labels=labels)
        for each in self._watched:
            if not each.uid:
                continue
            who = [each.uid, each.name]
            for family, value in families:
                found = value(each)
                if found is not None:
                    family.add_metric(who, found)
            if each.online and each.reading is not None:
                reading = each.reading
                states.add_metric(
                    who, {e.name: e.name == reading.state for e in definition().states.values()}
                )
                faults.add_metric(
                    who, {e.name: e.name == reading.fault for e in definition().faults.values()}
                )
        yield from (family for family, _ in families)
        yield states
        yield faults


# A reader asks every few seconds; one that says nothing is let go.
_REQUEST_S: Final = 5.0
_READERS_MOST: Final = 16


class _Bounded(ThreadingHTTPServer):
    """A server with a bounded number of threads: who comes when all are busy is closed at once."""

    def __init__(self, *given: Any) -> None:
        self._free = threading.BoundedSemaphore(_READERS_MOST)
        super().__init__(*given)

    def process_request(self, request: Any, client_address: Any) -> None:
        if not self._free.acquire(blocking=False):
            self.shutdown_request(request)
            return
        super().process_request(request, client_address)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._free.release()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Say nothing: whoever broke off knows."""


class Metrics:
    """Serves the text at /metrics until closed."""

    def __init__(self, watched: Sequence[Watched], listen: tuple[str, int], token: str | None = None) -> None:
        """Serve from now on; token: what `Authorization: Bearer` must carry (RFC 6750), None asks for nothing.

        Raises PortError when the address is taken, BadInput without the library.
        """
        try:
            from prometheus_client import CollectorRegistry
            from prometheus_client.openmetrics import exposition
        except ImportError:
            raise BadInput(
                "Metrics need prometheus-client; install it with pip install 'steadyram[shop]'."
            ) from None
        generate: Any = exposition.generate_latest
        registry = CollectorRegistry()
        registry.register(_Exposed(watched))

        class Handler(BaseHTTPRequestHandler):
            timeout = _REQUEST_S

            def do_GET(self) -> None:
                given = self.headers.get("Authorization", "")
                if token is not None and not hmac.compare_digest(
                    given.encode("utf-8", "replace"), f"Bearer {token}".encode()
                ):
                    self.send_response(401)
                    self.send_header("WWW-Authenticate", 'Bearer realm="steadyram"')
                    self.send_header("Content-Length", "0")
                    self.end_headers()
                    return
                if self.path.split("?")[0] != "/metrics":
                    self.send_error(404)
                    return
                body: bytes = generate(registry)
                self.send_response(200)
                self.send_header("Content-Type", exposition.CONTENT_TYPE_LATEST)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, format: str, *args: Any) -> None:
                return None

        try:
            self._server = _Bounded(listen, Handler)
        except (OSError, OverflowError) as error:
            reason = getattr(error, "strerror", None) or error
            raise PortError(
                f"The address {listen[0]}:{listen[1]} cannot be listened on ({reason}); choose another."
            ) from None
        self.port = int(self._server.server_address[1])
        self._thread = threading.Thread(target=self._server.serve_forever, name="metrics", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop serving."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5)
