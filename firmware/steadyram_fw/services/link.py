"""The line protocol: one line in, its answer out, nothing run twice.

A request is answered by one line, or by rows and a line, one of them each time work() is called, so that a
long answer never builds up in memory. A new good line ends an answer that is still running: its asker has
given up.
"""

from .. import tables as T
from . import lines, verbs
from .crc import crc32
from .refuse import Refuse
from .store import StoreError

_EVENTS_KEPT = 8
_LIVE_MIN_MS = 20


class Link:
    """`app` gives the device, `write(bytes)` takes whole lines."""

    def __init__(self, app, write):
        self._app = app
        self._write = write
        self._line = bytearray(T.LINE_MAX)
        self._used = 0
        self._long = False
        self._rx = b""
        self._at = 0
        self._done = []  # [tag, CRC-32 of the line, its length, answer] of the latest changes
        self._rows = None
        self._rows_tag = ""
        self.staged = None
        self.events_on = False
        self.live_ms = 0
        self._live_left = 0
        self._events = []
        self._seen = None
        self._seen_enabled = False

    # ------------------------------------------------------------ in
    @property
    def hungry(self):
        """True when the bytes given before have been worked through."""
        return self._at >= len(self._rx)

    def receive(self, data):
        """Take bytes from the board; call only while `hungry`."""
        self._rx = data.replace(b"\r", b"\n") if b"\r" in data else data
        self._at = 0

    def _gather(self):
        """Move received bytes into the line; True when a line is complete."""
        rx = self._rx
        while self._at < len(rx):
            end = rx.find(b"\n", self._at)
            stop = len(rx) if end < 0 else end
            room = T.LINE_MAX - self._used
            some = stop - self._at
            if some > room:
                self._long = True
                some = room
            self._line[self._used : self._used + some] = rx[self._at : self._at + some]
            self._used += some
            self._at = stop + 1
            if end >= 0:
                if self._used:
                    return True
                self._long = False
        return False

    # ------------------------------------------------------------ work
    def work(self):
        """Do one piece of work: answer a line, send a row or an event. Returns True when there was any."""
        if self._gather():
            raw = bytes(memoryview(self._line)[: self._used])
            long = self._long
            self._used = 0
            self._long = False
            self._answer(raw, long)
            return True
        if self.events_on and self._event():
            return True
        if self._rows is not None:
            self._row()
            return True
        return False

    def _answer(self, raw, long):
        tag = lines.tag_of(raw)
        try:
            if long:
                raise Refuse(T.E_TOO_LONG)
            body, sealed = lines.check(raw)
            tag, verb, fields = lines.split(body)
            row = T.VERBS.of(verb)
            if row is None:
                raise Refuse(T.E_UNKNOWN_VERB)
            if row[1] and not sealed:
                raise Refuse(T.E_NEEDS_CRC)
            self._app.silent_ms = 0
        except Refuse as refuse:
            self._write(lines.refusal(tag, refuse.number, refuse.detail))
            return
        self._rows = None
        if not row[1]:
            self._run(tag, row, fields)
            return
        crc = crc32(raw)
        for old in self._done:
            if old[0] == tag:
                if old[1] == crc and old[2] == len(raw):
                    self._write(old[3])
                else:
                    self._write(lines.refusal(tag, T.E_TAG_REUSED, ""))
                return
        answer = self._run(tag, row, fields)
        if len(self._done) >= T.TAGS_KEPT:
            self._done.pop(0)
        self._done.append((tag, crc, len(raw), answer))

    def _run(self, tag, row, fields):
        # a change works on the core and on files: nothing may start meanwhile
        still = row[1] and self._app.hold_still()
        try:
            found = verbs.committed(self._app, self, fields) if row[0] == "commit" else None
            if found is None:
                if row[2] and not self._app.access.enabled:
                    raise Refuse(T.E_NOT_ENABLED)
                if row[3] and not still:
                    raise Refuse(T.E_BUSY)
                values = fields if row[4] is None else lines.arguments(row[4], fields)
                found = verbs.RUN[row[0]](self._app, self, values)
            if not isinstance(found, str):
                self._rows = found
                self._rows_tag = tag
                self._row()
                return None
            answer = lines.seal(tag + " ok" + found)
        except Refuse as refuse:
            answer = lines.refusal(tag, refuse.number, refuse.detail)
        except StoreError:
            answer = lines.refusal(tag, T.E_STORE_FAILED, "")
        finally:
            if still:
                self._app.let_go()
        self._write(answer)
        return answer

    def _row(self):
        """Send the next line of the running answer: rows are ("row", text), the end is ("ok", text)."""
        try:
            word, text = next(self._rows)
            line = lines.seal(self._rows_tag + " " + word + text)
        except Refuse as refuse:
            word = "no"
            line = lines.refusal(self._rows_tag, refuse.number, refuse.detail)
        if word != "row":
            self._rows = None
        self._write(line)

    # ------------------------------------------------------------ events
    def event(self, name, text):
        """Queue an event; when nobody takes them the oldest is dropped."""
        if self.events_on:
            if len(self._events) >= _EVENTS_KEPT:
                self._events.pop(0)
            self._events.append("- " + name + text)

    def start_events(self, on, live_ms):
        """Switch the event stream."""
        self.events_on = bool(on)
        self.live_ms = max(live_ms, _LIVE_MIN_MS) if live_ms else 0
        self._live_at = self._app.clock.uptime_ms()
        self._events = []
        self._seen = self._state()
        self._seen_enabled = self._app.access.enabled

    _live_at = 0

    def _state(self):
        core = self._app.core
        return core.state, core.fault, core.refusal, core.stop

    def _event(self):
        app = self._app
        now = self._state()
        if now != self._seen:
            self._seen = now
            self.event("state", " state=%d fault=%d refusal=%d stop=%d" % now)
        if app.access.enabled != self._seen_enabled:
            self._seen_enabled = app.access.enabled
            self.event("changes", " changes_s=%d" % app.access.seconds_left)
        if self.live_ms:
            ms = app.clock.uptime_ms()
            if (ms - self._live_at) & 0xFFFFFFFF >= self.live_ms:
                self._live_at = ms
                core = app.core
                values = (ms, core.state, verbs.known(core.shown_n), core.peak_n, core.counts)
                self.event("live", " ms=%d state=%d force_n=%s peak_n=%d counts=%d" % values)
        if not self._events:
            return False
        self._write(lines.seal(self._events.pop(0)))
        return True
