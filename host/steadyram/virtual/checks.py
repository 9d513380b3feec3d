"""What a tester asserts about the valves. Every check looks at logs that miss no change.

Two logs: what the firmware commands (`valve_log`), and what the coils get after welded relays, emergency stop,
cutout and pedal contact (`coil_log`). A valve counts as on in an `assert_...` while either says so.
"""

from __future__ import annotations

from typing import Literal

from steadyram.virtual.press_face import Noted, Output
from steadyram_fw import tables

# Happenings after which valves may be energised again.
_PRESSED = frozenset({"press-extend", "press-retract"})
Log = Literal["outputs", "coils", "either"]
_FEED = tables.OUT_EXTEND | tables.OUT_SLOW
_VALVES = _FEED | tables.OUT_RETRACT


class ValveChecks:
    """Assertions for VirtualPress. Each raises AssertionError with a sentence that gives times."""

    valve_log: list[Output]
    coil_log: list[Output]
    events: list[Noted]
    outputs: int
    coils: int

    @property
    def time_s(self) -> float:
        """Seconds of virtual time."""
        raise NotImplementedError

    def time_of(self, happening: str | float) -> float:
        """Time in seconds of the newest happening of that name in `events` (a number is taken as it is)."""
        if not isinstance(happening, str):
            return float(happening)
        for noted in reversed(self.events):
            if noted.name == happening:
                return noted.time_s
        raise AssertionError(
            f"nothing called '{happening}' happened; there was {sorted({e.name for e in self.events})}"
        )

    def word_at(self, time_s: float) -> int:
        """The output word in force at a time (changes at that very time included)."""
        return _word_at(self.valve_log, time_s)

    def _log(self, of: Log) -> list[Output]:
        if of == "outputs":
            return self.valve_log
        if of == "coils":
            return self.coil_log
        merged: list[Output] = []
        words = [0, 0]
        told = [(each.time_s, 0, each.word) for each in self.valve_log]
        told += [(each.time_s, 1, each.word) for each in self.coil_log]
        for time_s, which, word in sorted(told, key=lambda each: each[0]):
            words[which] = word
            if merged and merged[-1].time_s == time_s:
                merged.pop()
            merged.append(Output(time_s, words[0] | words[1]))
        return merged

    def off_at(self, after: str | float, mask: int = _FEED, *, of: Log = "outputs") -> float | None:
        """Return when the masked valves were first all off at or after a happening; None = still on.

        mask: 1 extend, 2 retract, 4 slow feed, added up; 5 = either feed. of: by the output word, the coils, or off in
        both ("either" counts as on).
        """
        start = self.time_of(after)
        log = self._log(of)
        if not _word_at(log, start) & mask:
            return start
        for change in log:
            if change.time_s > start and not change.word & mask:
                return change.time_s
        return None

    def on_times(
        self, mask: int = _FEED, since: str | float = 0.0, *, of: Log = "outputs"
    ) -> list[tuple[float, float]]:
        """Return (from, to) of each spell with any masked valve on, from a happening to now.

        mask: 1 extend, 2 retract, 4 slow feed, added up; 5 = either feed: a first part may use the slow
        one alone. of: by the output word, the coils, or either.
        """
        start = self.time_of(since)
        log = self._log(of)
        spells: list[tuple[float, float]] = []
        began = start if _word_at(log, start) & mask else None
        for change in log:
            if change.time_s <= start:
                continue
            on = bool(change.word & mask)
            if on and began is None:
                began = change.time_s
            elif not on and began is not None:
                spells.append((began, change.time_s))
                began = None
        if began is not None:
            spells.append((began, self.time_s))
        return spells

    # ------------------------------------------------------------------ assertions
    def assert_never_both(self) -> None:
        """Check that extend (or slow feed) and retract were never energised together, commanded or by their coils."""
        for change in self._log("either"):
            if change.word & _FEED and change.word & tables.OUT_RETRACT:
                raise AssertionError(f"extend and retract were energised together at {change.time_s:.3f} s")

    def assert_extend_off_within(self, ms: float, *, after: str | float) -> None:
        """Check that extend and slow feed were off `ms` milliseconds after a happening (name or time), and stayed off.

        Until the next press of a pedal, or until now. By output word and coil: a welded relay fails. Fails also where
        neither was on since the newest press of a pedal before the happening: such a check would say nothing.
        """
        self._off_within(_FEED, "extend", ms, after)

    def assert_all_off_within(self, ms: float, *, after: str | float) -> None:
        """Check that every valve was off `ms` milliseconds after a happening (name or time), and stayed off.

        As `assert_extend_off_within`, retract included.
        """
        self._off_within(_VALVES, "a valve", ms, after)

    def _off_within(self, mask: int, what: str, ms: float, after: str | float) -> None:
        start = self._begun(after)
        off = self.off_at(after, mask, of="either")
        presses = [e.time_s for e in self.events if e.time_s > start and e.name in _PRESSED]
        if off is None:
            late = 1000 * (self.time_s - start)
            # What has not had its time yet has not failed, but has not passed either.
            raise AssertionError(
                f"{what} is still energised {late:.0f} ms after {after}; at most {ms:g} ms were allowed"
            )
        if 1000 * (off - start) > ms + 1e-6:
            raise AssertionError(
                f"{what} went off {1000 * (off - start):.0f} ms after {after}; at most {ms:g} ms were allowed"
            )
        until = min(presses, default=self.time_s + 1.0)
        again = [s for s in self.on_times(mask, start + ms / 1000.0, of="either") if s[0] < until]
        if again:
            raise AssertionError(
                f"{what} was energised {1000 * (again[0][0] - start):.0f} ms after {after}; at most {ms:g} ms were "
                "allowed"
            )
        if (self.outputs | self.coils) & mask and not presses:
            # Off in between, on again, and the time allowed still runs.
            raise AssertionError(
                f"{what} is still energised {1000 * (self.time_s - start):.0f} ms after {after}"
            )
        pressed = [e.time_s for e in self.events if e.time_s <= start and e.name in _PRESSED]
        before = max(pressed, default=0.0)
        if not any(began <= start + ms / 1000.0 for began, _ in self.on_times(mask, before, of="either")):
            raise AssertionError(
                f"nothing was energised between the pedal at {before:.3f} s and {after}, so nothing was switched off; "
                "check that the stroke was under way, or use assert_stays_off"
            )

    def _begun(self, when: str | float) -> float:
        """Return when a happening was, seconds. Raises AssertionError where that is yet to come."""
        start = self.time_of(when)
        if start > self.time_s + 1e-9:
            raise AssertionError(
                f"{when} is yet to come: it is {self.time_s:.3f} s now; run on before the check"
            )
        return start

    def assert_stays_off(self, *, since: str | float) -> None:
        """Check that no valve was energised from a happening until now, commanded or by its coil."""
        self._begun(since)
        spells = self.on_times(_VALVES, since, of="either")
        if spells:
            raise AssertionError(f"a valve was energised at {spells[0][0]:.3f} s, after {since}")

    def assert_extended_once(self, *, since: str | float) -> None:
        """Check that extend (or slow feed) was energised for one stroke since a happening, and is off now.

        The pulses that end a stroke belong to it: a stroke is what follows one press of the extend pedal.
        """
        spells = self.on_times(_FEED, since, of="either")
        if not spells:
            raise AssertionError(f"extend was never energised after {since}")
        if (self.outputs | self.coils) & _FEED:
            raise AssertionError("extend is still energised")
        presses = [e.time_s for e in self.events if e.name == "press-extend"]
        # By the newest press before each spell; spells before any press count as one.
        strokes = {max((at for at in presses if at <= began), default=-1.0) for began, _ in spells}
        if len(strokes) > 1:
            raise AssertionError(
                f"extend was energised for {len(strokes)} strokes after {since}, not for one"
            )


def _word_at(log: list[Output], time_s: float) -> int:
    """Return the word in force at a time, changes at that very time included."""
    word = 0
    for change in log:
        if change.time_s > time_s + 1e-9:
            break
        word = change.word
    return word
