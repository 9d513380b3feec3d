"""Keep many devices pulled: a thread a device, each on its own whatever happens to the others.

A device that goes away is looked for again, a store that goes away is waited for; nothing is lost meanwhile,
since the device keeps its log and records are known by (uid, seq).
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from steadyram.cycles.broker import Broker
from steadyram.cycles.collect_config import CollectConfig, DeviceEntry
from steadyram.cycles.messages import CycleMessage, Live, StateMessage
from steadyram.cycles.pull import pull, unreadable_in_words
from steadyram.cycles.said_since import Marks, marks, said_since
from steadyram.cycles.store import CycleStore
from steadyram.device import Device
from steadyram.errors import DeviceRefusal, LinkError, SteadyramError
from steadyram.link.client import Client, float_if_known, integer_of
from steadyram.link.definition import definition, name_of
from steadyram.link.frames import Answer
from steadyram.link.records import CycleRecord, Reading
from steadyram.link.transport import open_transport

Say = Callable[[str], None]

_WAIT_FIRST_S, _WAIT_MOST_S = 0.5, 10.0
_TURN_S: Final = 0.25
_STATE_LEAST_S: Final = 0.5
# No live reading for this long: the device was restarted behind an open port and forgot that it was asked.
_SILENT_S: Final = 3.0


@dataclass(slots=True)
class Watched:
    """How it stands with one device; written by its thread, read by anyone."""

    entry: DeviceEntry
    uid: str = ""
    online: bool = False
    reading: Reading | None = None
    live_force_N: float | None = None
    live_unix: float = 0.0
    pulled: int = 0
    lost: int = 0
    stored: int = 0
    reconnects: int = 0
    trouble: str = ""
    told: Marks = (0, 0, 0, 0)
    pulled_to: int = 0  # the device's next record number at the newest pull

    @property
    def name(self) -> str:
        """What people call it."""
        return self.entry.name or self.entry.port


class Collector:
    """Pulls every device of a configuration into the store until `stop`."""

    def __init__(
        self,
        config: CollectConfig,
        store: CycleStore,
        *,
        broker: Broker | None = None,
        say: Say = print,
        watched: list[Watched] | None = None,
    ) -> None:
        """Take what to collect from and into; nothing is opened before `start`.

        store and broker are closed by the caller; say: takes one line for people, from any thread; watched: the
        devices of the configuration where somebody else looks at their state, too.
        """
        self.config = config
        self.watched = [Watched(entry) for entry in config.device] if watched is None else watched
        self._store = store
        self._broker = broker
        self._say = say
        self._stop = threading.Event()
        self._threads = [
            threading.Thread(target=self._keep, args=(each,), name=f"collect {each.name}", daemon=True)
            for each in self.watched
        ]

    def start(self) -> None:
        """Start every device's thread."""
        for thread in self._threads:
            thread.start()

    def ask_to_stop(self) -> None:
        """Ask every thread to end; safe in a signal handler."""
        self._stop.set()

    def stop(self, timeout_s: float = 10.0) -> None:
        """Ask every thread to end, and wait for it: a pull that runs is finished or dropped whole."""
        self._stop.set()
        until = time.monotonic() + timeout_s
        for thread in (each for each in self._threads if each.ident is not None):
            thread.join(max(0.0, until - time.monotonic()))

    def wait(self, seconds: float | None = None) -> bool:
        """Wait until `stop` was called (True), or for some seconds (False)."""
        return self._stop.wait(seconds)

    # ------------------------------------------------------------ a device's thread
    def _keep(self, one: Watched) -> None:
        wait_s = _WAIT_FIRST_S
        while not self._stop.is_set():
            try:
                device = Device(Client(open_transport(one.entry.port)))
                try:
                    self._serve(one, device)
                    return
                finally:
                    device.close()
            except SteadyramError as error:
                # A link that worked for a while is tried again at once, one that never did more and more seldom.
                wait_s = _WAIT_FIRST_S if one.online else min(_WAIT_MOST_S, wait_s * 1.6)
                self._gone(one, str(error), link=isinstance(error, LinkError | DeviceRefusal))
            except Exception as error:  # one device's surprise must not end the others' collecting
                self._gone(one, f"unexpected: {type(error).__name__}: {error}", link=False)
                wait_s = _WAIT_MOST_S
            self._stop.wait(wait_s)

    def _gone(self, one: Watched, sentence: str, *, link: bool) -> None:
        if one.online:
            one.reconnects += 1
        if sentence != one.trouble:
            self._say(f"{one.name}: {sentence}")
        one.trouble = sentence
        one.online = False
        one.live_force_N = None
        if self._broker is not None and one.uid:
            self._broker.online(one.uid, False, one.name)

    def _serve(self, one: Watched, device: Device) -> None:
        identity = device.hello()
        one.uid = identity.uid
        # Counted once: at a million records a count takes longer than a pull.
        one.stored = self._store.count(one.uid)
        one.told = marks(self._store, one.uid)
        live_s = self.config.live
        device.events(True, live_s)
        self._pull(one, device, sets=True)
        self._say(f"{one.name}: device {one.uid} is here, {one.stored} records in the store.")
        one.online, one.trouble = True, ""
        if self._broker is not None:
            self._broker.online(one.uid, True, one.name)
        self._state(one, device)
        asked = heard = stated = time.monotonic()
        state, damaged = False, device.client.damaged_lines
        while not self._stop.is_set():
            event = device.next_event(_TURN_S)
            now = time.monotonic()
            pull_now = sets = False
            while event is not None:
                heard = now
                if event.word == "live":
                    state |= self._live(one, event)
                # A record that the pull before brought already, while its event was on the way, needs no other.
                pull_now |= event.word == "record" and integer_of(event.fields, "seq") >= one.pulled_to
                sets |= event.word == "set"
                state |= event.word in ("state", "record", "set", "changes")
                event = device.next_event(0.0)
            if live_s and now - heard > max(_SILENT_S, 5 * live_s):
                device.hello()
                device.events(True, live_s)
                heard, pull_now, sets = now, True, True
            if device.client.damaged_lines != damaged:
                # Any event may have been on that line: the device is asked for what would tell of it.
                state, damaged = True, device.client.damaged_lines
            # Events may be lost: a reading whose next record is beyond what was pulled says so, too.
            behind = one.reading is not None and one.reading.next_seq > one.pulled_to
            if pull_now or sets or behind or now - asked >= self.config.poll:
                self._pull(one, device, sets=sets)
                asked = time.monotonic()
                state = True
            if state and now - stated >= _STATE_LEAST_S:
                self._state(one, device)
                stated, state = time.monotonic(), False
        device.events(False)

    def _pull(self, one: Watched, device: Device, *, sets: bool) -> None:
        def arrived(records: list[CycleRecord]) -> None:
            one.pulled += len(records)
            if self._broker is not None:
                for record in records:
                    self._broker.cycle(CycleMessage.of(one.uid, record))

        result = pull(device, self._store, traces=self.config.traces, sets=sets, arrived=arrived)
        if self._broker is not None:
            # Also what the page or the command line put into the store meanwhile.
            messages, one.told = said_since(self._store, one.uid, one.told)
            for message in messages:
                self._broker.verdict(message)
        one.pulled_to = result.next_seq
        one.lost += result.lost
        one.stored += result.records
        if result.lost:
            self._say(f"{one.name}: {result.lost} records were overwritten on the device before this pull.")
        if result.unreadable:
            self._say(f"{one.name}: {unreadable_in_words(result)}")

    def _state(self, one: Watched, device: Device) -> None:
        one.reading = device.now()
        if self._broker is not None:
            self._broker.state(StateMessage.of(one.uid, one.reading, int(time.time())))

    def _live(self, one: Watched, event: Answer) -> bool:
        """Pass a live reading on; returns whether its state is another than the whole reading's."""
        fields = event.fields
        state = name_of(definition().states, integer_of(fields, "state"))
        one.live_force_N = float_if_known(fields, "force_n")
        one.live_unix = time.time()
        if self._broker is not None:
            self._broker.live(
                Live(
                    uid=one.uid,
                    device_ms=integer_of(fields, "ms"),
                    state=state,
                    force_N=one.live_force_N,
                    peak_N=float(integer_of(fields, "peak_n")),
                )
            )
        return one.reading is not None and state != one.reading.state
