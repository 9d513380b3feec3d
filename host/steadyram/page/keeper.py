"""The one thread that owns the serial line: it reads, pulls into the store, runs orders, and comes back after a cut.

Everything it learns goes to the hub. When the line is lost the page says so and keeps what it has; when it
comes back the pull goes on where the store ends, so nothing is lost. The press needs none of this to work.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from steadyram.config import Preferences
from steadyram.cycles.pull import pull
from steadyram.cycles.store import CycleStore, Withdrawal
from steadyram.cycles.store import Verdict as Word
from steadyram.device import Device
from steadyram.errors import BadInput, CheckFailed, LinkError, LinkTimeout, SteadyramError
from steadyram.link.client import Client, float_if_known, integer_of
from steadyram.link.definition import definition, name_of
from steadyram.link.frames import Answer
from steadyram.link.records import Reading
from steadyram.link.transport import Transport, open_transport
from steadyram.page import orders
from steadyram.page.hub import Hub
from steadyram.page.in_force import InForce
from steadyram.page.questions import Guide, GuideStopped
from steadyram.page.shown import ShownJob, newest_words, results_json
from steadyram.page.view import view_json
from steadyram.page.words import BENDING

LIVE_S: Final = 0.04
_READ_EVERY_S: Final = 0.5
_AGAIN_S: Final = 1.0
_SILENT_S: Final = 2.0
_LIVE_STATES: Final = frozenset({"advance", "settle", "nudge", "dwell"})


class WatchedDevice(Device):
    """A device whose events and readings go to an observer each, whoever waits for them."""

    def __init__(
        self, client: Client, observer: Callable[[Answer], None], noticed: Callable[[Reading], None]
    ) -> None:
        super().__init__(client)
        self._observer = observer
        self._noticed = noticed

    def next_event(self, timeout_s: float) -> Answer | None:
        """As Device's; the observer sees the event first."""
        event = super().next_event(timeout_s)
        if event is not None:
            self._observer(event)
        return event

    def now(self) -> Reading:
        """As Device's; the observer sees the reading first."""
        reading = super().now()
        self._noticed(reading)
        return reading


@dataclass(frozen=True)
class Order:
    """Something a page asked for; `done` gets whether it worked, and a sentence."""

    content: dict[str, Any]
    done: Callable[..., None]


class Keeper:
    """Owns the link and the store.

    port: what `--port` takes; store: an open store; records: folder for records of calibrations and of bend lists;
    bends: folder of the lists.
    """

    def __init__(
        self,
        port: str,
        store: CycleStore,
        hub: Hub,
        units: Preferences,
        records: Path,
        bends: Path = Path(),
        *,
        opener: Callable[[str], Transport] = open_transport,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self.port = port
        self.store = store
        self.hub = hub
        self.units = units
        self.records = records
        self.bends = bends
        self.guide: Guide | None = None
        self.in_force: InForce | None = None
        self.reading: Reading | None = None
        self.uid = ""
        self.wall = wall
        self._opener = opener
        self._orders: queue.SimpleQueue[Order] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="keeper", daemon=True)
        self._link = "connecting"
        self._trouble = ""
        self._since_unix = wall()
        self._shown = ShownJob()
        self._said: dict[int, str] = {}
        self._stroke_from_ms: int | None = None
        self._live_seen_s = 0.0
        # The state of the live readings is another than that of the last whole one: read it at once.
        self._state_moved = False
        self._uptime_s = -1.0
        self._sets_stale = True
        self._pull_wanted = True
        self._told_seq = -1
        known = store.devices()
        if len(known) == 1:
            # The results of before are there at once, even while the press is still off.
            self.uid = known[0].uid

    # ------------------------------------------------------------ from other threads
    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End, waiting for the thread."""
        self._stop.set()
        if self.guide is not None:
            self.guide.stop()
        self._thread.join(10.0)

    def order(self, content: dict[str, Any], done: Callable[..., None]) -> None:
        """Hand in an order. Answers to a guided procedure go past the queue, for it is the queue that waits."""
        guide = self.guide
        if guide is not None and content.get("do") == "answer":
            guide.answer(int(content.get("number", 0)), str(content.get("text", "")))
            done(True, "")
        elif guide is not None and content.get("do") == "stop":
            guide.stop()
            done(True, "The procedure is being stopped.")
        else:
            self._orders.put(Order(content, done))

    # ------------------------------------------------------------ the thread
    def _run(self) -> None:
        self._tell_store()
        self._tell_bends()
        while not self._stop.is_set():
            try:
                self._connected()
            except LinkError as error:
                self._lost("lost", str(error))
            except SteadyramError as error:
                self._lost("halted", str(error))
            until = time.monotonic() + _AGAIN_S
            while time.monotonic() < until and not self._stop.wait(0.1):
                self._take_orders(None)

    def _lost(self, link: str, trouble: str) -> None:
        if self._link not in ("lost", "halted"):
            self._since_unix = self.wall()
        self._link, self._trouble = link, trouble
        self._stroke_from_ms = None
        self.publish_view()

    def _connected(self) -> None:
        """One life of the link; ends by an exception, or when the page is closed."""
        self._link, self._trouble = (
            ("connecting" if self._link == "connecting" else self._link),
            self._trouble,
        )
        device = WatchedDevice(
            Client(self._opener(self.port), timeout_s=1.5, tries=3), self._event, self._notice
        )
        try:
            identity = device.hello()
            self.uid = identity.uid
            self.store.see_device(identity, int(self.wall()))
            self._uptime_s = -1.0
            self._sets_stale = self._pull_wanted = True
            self._read(device)
            if self.reading is not None and self.reading.unix == 0:
                device.set_clock(int(self.wall()))
            device.events(True, LIVE_S)
            self._live_seen_s = time.monotonic()
            self._link, self._trouble = "connected", ""
            self._since_unix = self.wall()
            read_s = 0.0
            while not self._stop.is_set():
                device.next_event(0.05)
                now_s = time.monotonic()
                if now_s - read_s >= _READ_EVERY_S or self._state_moved:
                    self._state_moved = False
                    self._read(device)
                    read_s = now_s
                    if now_s - self._live_seen_s > _SILENT_S:
                        # A board that was restarted has forgotten that events were wanted.
                        device.events(True, LIVE_S)
                        self._live_seen_s = now_s
                if self._pull_wanted and self._stroke_from_ms is None:
                    self._pull(device)
                self._take_orders(device)
        finally:
            device.close()

    def _read(self, device: Device) -> None:
        reading = device.now()
        if reading.uptime_s < self._uptime_s:
            raise LinkTimeout("The press's board was switched off and on; connecting again.")
        self._uptime_s = reading.uptime_s
        before = self.reading
        self.reading = reading
        if before is None or reading.job != before.job or reading.setpoint_N != before.setpoint_N:
            self._sets_stale = True
        if reading.next_seq - 1 > self.store.last_seq(self.uid):
            self._pull_wanted = True
        if self._sets_stale and reading.state not in _LIVE_STATES:
            self.in_force = InForce(device.settings(), device.measured(), device.jobs(), device.calibration())
            self._sets_stale = False
            for state in (
                self.in_force.settings,
                self.in_force.measured,
                self.in_force.jobs,
                self.in_force.calibration,
            ):
                self.store.add_snapshot(self.uid, state, int(self.wall()))
            self._tell_store()
        self.publish_view()

    def _pull(self, device: Device) -> None:
        self._pull_wanted = False
        # What the parts look like is judged, and kept, when the page is told of them.
        pull(device, self.store, sets=False, judge=False, wall=self.wall)
        self._tell_store()
        self._read(device)

    # ------------------------------------------------------------ what is told
    def publish_view(self) -> None:
        """Tell the pages how things stand."""
        self.hub.publish(
            "view",
            **view_json(
                link=self._link,
                trouble=self._trouble,
                since_unix=self._since_unix,
                reading=self.reading,
                in_force=self.in_force,
                guide=self.guide,
                now_unix=self.wall(),
            ),
        )

    def _tell_store(self) -> None:
        """Results, band and the newest trace, from the store."""
        if not self.uid:
            return
        self._said = newest_words(self.store, self.uid)
        reading = self.reading
        last = self.store.last_seq(self.uid)
        if reading is not None:
            self._shown.refresh(self.store, self.uid, reading.job, reading.setpoint_N, self._said)
        self.hub.publish("results", rows=results_json(self.store, self.uid, self._shown, self._said))
        self.hub.publish("band", band=self._shown.band_json(), teaching=len(self._shown.judged.teaching))
        if last and last != self._told_seq:
            self._tell_trace(last)

    def _tell_trace(self, seq: int) -> None:
        trace = self.store.trace(self.uid, seq)
        if trace is not None and trace.unit_N:
            self._told_seq = seq
            self.hub.publish("trace", seq=seq, dt_s=trace.dt_s, force_N=trace.force_N())

    def _tell_bends(self) -> None:
        """The bend lists that there are."""
        from steadyram.page.bends import lists_json  # slow to load

        self.hub.publish("bends", lists=lists_json(self.bends, self.records))

    def _notice(self, reading: Reading) -> None:
        """A guided procedure looked at the press: the page's headline goes with it."""
        before = self.reading
        if self.guide is None or before is None:
            return
        seen = [
            (each.state, each.refusal, each.fault, each.top, each.changes_left_s > 0)
            for each in (before, reading)
        ]
        if seen[0] != seen[1]:
            self.reading = reading
            self.publish_view()

    def _event(self, event: Answer) -> None:
        """The device told something by itself. Raises GuideStopped when a procedure is to end."""
        if self.guide is not None:
            self.guide.check()
        if event.word == "live":
            self._live(event)
        elif event.word == "record":
            self._pull_wanted = True
        elif event.word == "set":
            self._sets_stale = True

    def _live(self, event: Answer) -> None:
        self._live_seen_s = time.monotonic()
        state = name_of(definition().states, integer_of(event.fields, "state"))
        at_ms = integer_of(event.fields, "ms")
        force_N = float_if_known(event.fields, "force_n")
        self._state_moved |= self.reading is not None and state != self.reading.state
        pressing = state in _LIVE_STATES
        if pressing and self._stroke_from_ms is None:
            self._stroke_from_ms = at_ms
            self.hub.publish("stroke")
        # The pedal was pressed somewhere in the period before the first reading of the stroke.
        since_ms = None if self._stroke_from_ms is None else at_ms - self._stroke_from_ms
        t_s = None if since_ms is None else round(since_ms / 1000.0 + LIVE_S / 2, 4)
        if not pressing:
            self._stroke_from_ms = None
        self.hub.publish(
            "live",
            force_N=force_N,
            peak_N=float(integer_of(event.fields, "peak_n")),
            state=state,
            t_s=t_s,
        )

    # ------------------------------------------------------------ orders
    def _take_orders(self, device: Device | None) -> None:
        while not self._orders.empty():
            order = self._orders.get()
            try:
                said = self._do(order.content, device)
            except LinkError:
                order.done(False, "The connection to the press was lost; look whether it was done.")
                raise
            except SteadyramError as error:
                order.done(False, str(error))
            else:
                # A trace that one page asked for is for that page alone.
                if isinstance(said, str):
                    order.done(True, said)
                else:
                    order.done(True, "", said)

    def _do(self, content: dict[str, Any], device: Device | None) -> str | dict[str, Any]:
        """Do what a page asks for; returns the sentence of the answer, or the trace asked for."""
        order = orders.read_order(content)
        if isinstance(order, orders.Word):
            self._word(order)
            return f"Part {order.seq} is noted as {order.verdict}."
        if isinstance(order, orders.TakeBack):
            return self._take_back(order)
        if isinstance(order, orders.ShowTrace):
            trace = self.store.trace(self.uid, order.seq)
            if trace is None or not trace.unit_N:
                raise BadInput(f"Record {order.seq} has no force trace.")
            return {"seq": order.seq, "dt_s": trace.dt_s, "force_N": trace.force_N()}
        if isinstance(order, orders.UploadBends | orders.BendLists):
            return self._bend_lists(order)
        if device is None:
            raise CheckFailed("There is no connection to the press; nothing was changed.")
        if isinstance(order, orders.Calibrate | orders.Bend):
            return self._guided(device, order)
        said = orders.run(device, order, self.units)
        self._sets_stale = True
        self._read(device)
        return said

    def _word(self, order: orders.Word) -> None:
        if not any(True for _ in self.store.cycles(self.uid, order.seq, order.seq)):
            raise BadInput(f"There is no record {order.seq}.")
        word = Word(order.seq, order.verdict, order.why, order.by, int(self.wall()))
        self.store.add_verdict(self.uid, word)
        self._tell_store()

    def _take_back(self, order: orders.TakeBack) -> str:
        standing = [
            each for each in self.store.verdicts(self.uid, order.seq, order.seq) if each.withdrawn is None
        ]
        if not standing:
            raise BadInput(f"Nobody's word on the part of record {order.seq} stands; nothing was withdrawn.")
        taken = Withdrawal(order.why.strip(), order.by, int(self.wall()))
        self.store.withdraw(self.uid, "verdict", standing[-1].number, taken)
        self._tell_store()
        now = (
            f"it counts as {standing[-2].verdict} again"
            if len(standing) > 1
            else "nobody's word is left on it"
        )
        return (
            f"Part {order.seq}: the word '{standing[-1].verdict}' is withdrawn and stays in the store; {now}."
        )

    def _bend_lists(self, order: orders.UploadBends | orders.BendLists) -> str:
        from steadyram.page.bends import take_upload

        said = ""
        if isinstance(order, orders.UploadBends):
            bends = take_upload(self.bends, order.name, order.text)
            said = f"{order.name} is right: {len(bends.bend)} bend{'' if len(bends.bend) == 1 else 's'}."
        self._tell_bends()
        return said

    def _guided(self, device: Device, order: orders.Calibrate | orders.Bend) -> str:
        """Run a guided procedure to its end. Raises what it raises; nothing else is done for the page meanwhile."""
        bending = isinstance(order, orders.Bend)
        read_s = time.monotonic()

        def idle(seconds: float) -> None:
            nonlocal read_s
            device.next_event(seconds)
            if self._stop.is_set():
                raise GuideStopped("The page's program was ended; what was recorded stays.")
            if bending and time.monotonic() - read_s >= _READ_EVERY_S:
                # A list takes hours: what was struck, and the job that it was struck with, are shown meanwhile.
                self._read(device)
                if self._pull_wanted and self._stroke_from_ms is None:
                    self._pull(device)
                read_s = time.monotonic()

        self.guide = (
            Guide(
                "Bending", self.publish_view, idle, headline=BENDING, left="the record has every stroke made"
            )
            if bending
            else Guide("Calibration", self.publish_view, idle)
        )
        try:
            if isinstance(order, orders.Bend):
                from steadyram.page.bending import bend_at_page  # slow to load, seldom needed

                return bend_at_page(device, self.guide, order, self.bends, self.records)
            from steadyram.page.guided import calibrate_at_page

            return calibrate_at_page(device, self.guide, order, self.store, self.records, self.wall)
        finally:
            self.guide = None
            self._sets_stale = self._pull_wanted = True
            if bending:
                self._tell_bends()
            self.publish_view()
