"""What a device can do, in host terms, over a Client.

A set (settings, measured values, jobs, calibration) is pushed by staging it, putting its fields, having it checked,
comparing the device's digest with our own and only then committing. When the link drops on the way the device holds
the old set or the new one, never a mix; pushing again after reconnecting settles which.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Final, Literal

from pydantic import ValidationError

from steadyram.errors import (
    BadFrame,
    BadInput,
    CheckFailed,
    DeviceRefusal,
    LinkError,
    LinkTimeout,
    PortLost,
)
from steadyram.link.client import Client, Reply, integer_of
from steadyram.link.definition import Definition, Field
from steadyram.link.frames import Answer
from steadyram.link.records import (
    CalibrationState,
    Change,
    CycleRecord,
    DeviceJob,
    Identity,
    JobsState,
    Pulse,
    Reading,
    SetState,
    SettingsState,
    Trace,
    TravelTrace,
    integers,
    record_from,
)
from steadyram.link.sets import checked, digest, press_sets, put_lines

SetKind = Literal["settings", "measured", "jobs", "calibration"]

_LOG_CHUNK: Final = 50


class Device:
    """One steadyram device. Every method may raise LinkError and DeviceRefusal."""

    def __init__(self, client: Client) -> None:
        self.client = client
        self._identity: Identity | None = None
        self._armed = False

    def close(self) -> None:
        """Disarm a valve test that this host armed and that may not have been run, then close the link."""
        try:
            if self._armed:
                # One short try: the device disarms by itself 5 s after its host's last line.
                self.client.request("disarm", timeout_s=0.3)
        except (LinkError, DeviceRefusal):
            pass
        finally:
            self._armed = False
            self.client.close()

    @property
    def _protocol(self) -> Definition:
        return self.client.definition

    # ------------------------------------------------------------ who and how
    def hello(self) -> Identity:
        """Ask who the device is. Raises CheckFailed when its protocol and this tool's do not overlap."""
        reply = self.client.request("hello")
        try:
            identity = Identity.model_validate(reply.merged())
        except ValidationError as error:
            where = ".".join(str(part) for part in error.errors()[0]["loc"])
            raise BadFrame(
                f"The device's answer to 'hello' is wrong at '{where}'; it may be another device."
            ) from None
        if identity.oldest > self._protocol.version or identity.proto < self._protocol.oldest_compatible:
            raise CheckFailed(
                f"The device speaks protocol {identity.oldest} to {identity.proto} and this tool "
                f"{self._protocol.oldest_compatible} to {self._protocol.version}; update the "
                "older of the two."
            )
        self._identity = identity
        return identity

    def identity(self) -> Identity:
        """Who the device is, asked once."""
        return self._identity if self._identity is not None else self.hello()

    def now(self) -> Reading:
        """Live readings in SI units."""
        return Reading.from_fields(self.client.request("now").merged(), self._protocol)

    def set_clock(self, unix: int | None = None) -> int:
        """Set the wall clock to `unix` (default: this computer's); returns what the device took."""
        return self.client.request("clock", unix=int(time.time()) if unix is None else unix).integer("unix")

    # ------------------------------------------------------------ sets
    def settings(self) -> SettingsState:
        """Press settings in force. Raises BadFrame when they do not match their digest."""
        return self._press_set("settings")

    def measured(self) -> SettingsState:
        """Measured values in force: lags, rates, speeds; generation 0 where none were ever pushed."""
        return self._press_set("measured")

    def _press_set(self, kind: Literal["settings", "measured"]) -> SettingsState:
        reply = self.client.request("show", kind=kind)
        values = self._values(kind, reply)
        return SettingsState(kind, reply.integer("gen"), self._digest(reply), values)

    def press_values(self) -> dict[str, int]:
        """Settings and measured values in force, together."""
        return {**self.settings().values, **self.measured().values}

    def calibration(self) -> CalibrationState:
        """Calibration in force; its values are empty when there is none."""
        reply = self.client.request("show", kind="calibration")
        values = self._values("calibration", reply)
        return CalibrationState("calibration", reply.integer("gen"), self._digest(reply), values)

    def jobs(self) -> JobsState:
        """Jobs in force, by slot. Raises BadFrame when they do not match their digest."""
        reply = self.client.request("show", kind="jobs")
        by_slot: dict[int, dict[str, str]] = {}
        for row in reply.rows:
            by_slot.setdefault(integer_of(row, "slot"), {}).update(row)
        jobs = tuple(
            DeviceJob(
                slot,
                fields.get("name", ""),
                self._whole(self._protocol.job, fields),
            )
            for slot, fields in sorted(by_slot.items())
        )
        told = self._digest(reply)
        self._agree("jobs", told, digest("jobs", jobs))
        return JobsState("jobs", reply.integer("gen"), told, jobs)

    def learned(self) -> dict[int, list[int]]:
        """What was learned, by job, as the firmware's array of integers."""
        found: dict[int, list[int]] = {}
        for row in self.client.request("show", kind="learned").rows:
            found.setdefault(integer_of(row, "job"), []).extend(integers(row.get("v", "")))
        return found

    def push_settings(
        self, values: Mapping[str, int] | SettingsState, *, instead_of: SetState | None = None
    ) -> SettingsState:
        """Make `values` (complete, protocol units; or what `settings` returned) the settings in force, all or none.

        Measured values stay as they are. instead_of: the settings that a person saw before deciding; others in force by
        now are not replaced. Raises BadInput before anything is sent when the set is not complete and within bounds,
        CheckFailed when somebody else changed them meanwhile.
        """
        return self._push_press_set("settings", values, instead_of)

    def push_measured(
        self, values: Mapping[str, int] | SettingsState, *, instead_of: SetState | None = None
    ) -> SettingsState:
        """Make `values` (complete, protocol units; or what `measured` returned) the measured values in force.

        instead_of: the values that were read before; others in force by now are not replaced (CheckFailed).
        """
        return self._push_press_set("measured", values, instead_of)

    def _push_press_set(
        self,
        kind: Literal["settings", "measured"],
        values: Mapping[str, int] | SettingsState,
        instead_of: SetState | None = None,
    ) -> SettingsState:
        plain = values.values if isinstance(values, SettingsState) else values
        complete = checked(kind, plain, self._protocol)
        lines = put_lines(self._told(kind, complete), self._line_max())
        self._push(kind, lines, digest(kind, complete), instead_of)
        return self._press_set(kind)

    def push_press(self, values: Mapping[str, int]) -> None:
        """Push settings and measured values that stand in one mapping, each as its own set.

        Settings must be complete; measured values that are not given stay as they are.
        """
        settings, measured = press_sets(values)
        self.push_settings(settings)
        if measured:
            before = self.measured()
            self.push_measured({**before.values, **measured}, instead_of=before)

    def push_calibration(
        self, values: Mapping[str, int] | CalibrationState, *, instead_of: SetState | None = None
    ) -> CalibrationState:
        """Make `values` (complete, protocol units; or what `calibration` returned) the calibration in force.

        instead_of: the calibration that was read before; another in force by now is not replaced (CheckFailed).
        """
        plain = values.values if isinstance(values, CalibrationState) else values
        complete = checked("calibration", plain, self._protocol)
        lines = put_lines(self._told("calibration", complete), self._line_max())
        self._push("calibration", lines, digest("calibration", complete), instead_of)
        return self.calibration()

    def calibration_unsealed(self) -> bool:
        """True while the panel allows a calibration to be pushed; a half-made set is dropped by asking."""
        try:
            self.client.request("stage", kind="calibration")
        except DeviceRefusal as refusal:
            if refusal.number in (self._protocol.error("not-enabled"), self._protocol.error("sealed")):
                return False
            raise
        self.client.request("drop")
        return True

    def push_jobs(
        self, jobs: Sequence[DeviceJob] | JobsState, *, instead_of: SetState | None = None
    ) -> JobsState:
        """Make `jobs` (or what `jobs` returned) the device's whole list of jobs, all of them or none.

        instead_of: the jobs that a person saw before deciding; others in force by now are not replaced.
        Raises BadInput before anything is sent when a slot or field is out of bounds or a slot is used twice,
        CheckFailed when somebody else changed them meanwhile.
        """
        slots = self.identity().job_slots
        lines: list[dict[str, str | int]] = []
        complete: list[DeviceJob] = []
        given = jobs.jobs if isinstance(jobs, JobsState) else jobs
        for job in sorted(given, key=lambda each: each.slot):
            if not 1 <= job.slot <= slots:
                raise BadInput(
                    f"Job '{job.name}' has slot {job.slot}, and this device has slots 1 to {slots}."
                )
            if not 1 <= len(job.name) <= self._protocol.job_name_max_chars:
                raise BadInput(
                    f"The job's name '{job.name[:60]}' is not 1 to {self._protocol.job_name_max_chars} signs "
                    "long."
                )
            if complete and complete[-1].slot == job.slot:
                raise BadInput(f"Slot {job.slot} is given to two jobs; give each its own.")
            fields = checked("jobs", job.fields, self._protocol)
            complete.append(DeviceJob(job.slot, job.name, fields))
            pairs: list[tuple[str, str | int]] = [("name", job.name), *self._told("jobs", fields)]
            lines += put_lines(pairs, self._line_max(), ("slot", job.slot))
        self._push("jobs", lines, digest("jobs", complete), instead_of)
        return self.jobs()

    def _told(self, kind: SetKind, values: Mapping[str, int]) -> list[tuple[str, str | int]]:
        """The pairs that have to be sent. Raises CheckFailed for a field that the device's firmware is too old for."""
        pairs = [(key, value) for key, value in values.items() if self._protocol.told(kind, key, value)]
        newer = {field.name for field in self._protocol.fields(kind) if field.since > self.identity().proto}
        for key, _ in pairs:
            if key in newer:
                raise CheckFailed(
                    f"The device's firmware does not know '{key}' yet; update it with 'steadyram install'."
                )
        return list(pairs)

    def _push(
        self,
        kind: SetKind,
        lines: Sequence[Mapping[str, str | int]],
        wanted: str,
        instead_of: SetState | None = None,
    ) -> None:
        if not isinstance(instead_of, SetState | None):
            raise BadInput(f"instead_of is {instead_of!r:.60}; give what settings(), jobs() ... returned.")
        self.client.request("stage", kind=kind)
        for line in lines:
            self.client.request("put", line)
        staged = self._digest(self.client.request("check"))
        if staged != wanted:
            self.client.request("drop")
            raise CheckFailed(
                f"The device staged other {kind} than were sent (digest {staged}, not {wanted}); nothing was "
                "changed, try again."
            )
        # The device itself compares: nothing can come between its look at what is in force and the commit.
        replaces = {} if instead_of is None else {"replaces": instead_of.gen}
        try:
            self.client.request("commit", {"digest": wanted, **replaces})
        except DeviceRefusal as refusal:
            if refusal.number != self._protocol.error("replaced-meanwhile") or instead_of is None:
                raise
            self.client.request("drop")
            there = self.client.request("show", kind=kind)
            raise CheckFailed(
                f"The {kind} were changed by somebody else meanwhile (generation {there.integer('gen')}, not "
                f"{instead_of.gen}); nothing was pushed. Look at the difference again."
            ) from None
        except (LinkTimeout, BadFrame):
            # The answer was lost, not necessarily the commit: the device itself is the judge.
            if self._digest(self.client.request("show", kind=kind)) != wanted:
                raise
        except PortLost as error:
            raise PortLost(
                f"{error} The device holds the old {kind} or the new; repeat the push to settle it."
            ) from None

    def _line_max(self) -> int:
        return min(self._protocol.line_max_bytes, self.identity().line_max)

    def _values(self, kind: SetKind, reply: Reply) -> dict[str, int]:
        merged: dict[str, str] = {}
        for row in reply.rows:
            merged.update(row)
        values = {} if not merged else self._whole(self._protocol.fields(kind), merged)
        self._agree(kind, self._digest(reply), digest(kind, values))
        return values

    @staticmethod
    def _whole(known: Sequence[Field], told: Mapping[str, str]) -> dict[str, int]:
        """Return every field; an optional one may be left out of an answer and has its default then."""
        return {
            field.name: field.default
            if field.optional and field.name not in told
            else integer_of(told, field.name)
            for field in known
        }

    @staticmethod
    def _agree(kind: str, told: str, computed: str) -> None:
        if told != computed:
            raise BadFrame(
                f"The {kind} that the device showed do not match their digest ({computed}, not {told}); ask "
                "again."
            )

    @staticmethod
    def _digest(reply: Reply) -> str:
        told = reply.fields.get("digest")
        if told is None:
            raise BadFrame(
                "The device's answer lacks 'digest'; its firmware and this tool do not fit together."
            )
        return told

    # ------------------------------------------------------------ jobs and commissioning
    def use_job(self, job: int) -> float:
        """Choose the active job (0 = none); returns its setpoint in newtons."""
        return float(self.client.request("use", job=job).integer("setpoint_n"))

    def recount(self) -> int:
        """Set the part count of the active job's batch to zero."""
        return self.client.request("recount").integer("count")

    def forget(self, job: int) -> None:
        """Forget what was learned for a job."""
        self.client.request("forget", job=job)

    def zero(self) -> int:
        """Take a new zero, ram at the top and pedals released; returns it in counts."""
        return self.client.request("zero").integer("zero")

    def probe(
        self,
        *,
        feed: Literal["full", "slow"] = "full",
        cut_counts: int = 0,
        pulse_ms: int = 0,
        pulses: int = 0,
        pause_ms: int = 0,
        ceiling_N: float = 0.0,
    ) -> float:
        """Arm one valve-test stroke, run by the next extend pedal; returns the force ceiling in newtons.

        feed: as the definition names it; ceiling_N: force at which the stroke ends, 0 = the highest that the device
        allows. Whoever arms also disarms: `testing` in commission/strokes.py does it on every way out.
        """
        self._armed = True
        more = {"ceiling_n": math.ceil(ceiling_N)} if ceiling_N else {}
        reply = self.client.request(
            "probe",
            {
                "feed": self._protocol.argument("probe", "feed", feed),
                "cut_counts": cut_counts,
                "pulse_ms": pulse_ms,
                "pulses": pulses,
                "pause_ms": pause_ms,
                **more,
            },
        )
        return float(reply.integer("ceiling_n")) if "ceiling_n" in reply.fields else ceiling_N

    def disarm(self) -> None:
        """Disarm a valve test that was armed and not run."""
        self.client.request("disarm")
        self._armed = False

    def teach(
        self, setpoint_N: float | None = None, *, job: int | None = None, replaces: int | None = None
    ) -> float:
        """Store the proposed or the given setpoint into the active job; returns it in newtons.

        job, replaces: the active job and the generation of the jobs that a person saw before deciding.
        Raises CheckFailed where others are active or in force by now; nothing is stored then.
        """
        given: dict[str, int] = {} if setpoint_N is None else {"setpoint_n": round(setpoint_N)}
        given |= {} if job is None else {"job": job}
        given |= {} if replaces is None else {"replaces": replaces}
        try:
            return float(self.client.request("teach", given).integer("setpoint_n"))
        except DeviceRefusal as refusal:
            if refusal.number != self._protocol.error("replaced-meanwhile"):
                raise
            raise CheckFailed(
                "The job was changed by somebody else meanwhile, or another was chosen; no set force was stored. "
                "Look at the job again."
            ) from None

    # ------------------------------------------------------------ records
    def log(self, start: int = 0, chunk: int = _LOG_CHUNK) -> Iterator[CycleRecord]:
        """Records from sequence number `start` on, oldest first; resume with the last one's `seq` + 1.

        A record that its flash no longer reads is left out. Raises BadFrame when the log is out of order.
        """
        for records in self.log_chunks(start, chunk):
            yield from records

    def log_chunks(self, start: int = 0, chunk: int = _LOG_CHUNK) -> Iterator[list[CycleRecord]]:
        """Yield the same in lists of at most `chunk`, one request each, until the device's `next` passes its `last`.

        A request that brings no row is no end: every record that it asked for may be unreadable in flash.
        """
        at = start
        more = {"fields": len(self._protocol.record)}
        while True:
            reply = self.client.request("log", {"from": at, "max": chunk} | more)
            records = [self._record(row) for row in reply.rows]
            following = reply.integer("next")
            for before, after in pairwise(records):
                if after.seq <= before.seq:
                    raise BadFrame("The device's log is out of order; pull it again.")
            if records:
                yield records
            if following <= at or following > reply.integer("last"):
                return
            at = following

    def _record(self, row: Mapping[str, str]) -> CycleRecord:
        return record_from(integers(row.get("v", "")), self._protocol)

    def trace(self, seq: int) -> Trace | None:
        """Stored trace of a record, or None when the device no longer has it."""
        reply = self._stored("trace", seq)
        if reply is None:
            return None
        points = self._list(reply)
        return Trace(seq, reply.integer("dt_ms") / 1000.0, float(reply.integer("unit_n")), tuple(points))

    def board(self) -> dict[str, str | int] | None:
        """What the board measures of itself, by the keys of the verb `board`; -1 where it does not know.

        None when its firmware is too old to tell.
        """
        if not self.identity().has("board"):
            return None
        told = self.client.request("board").merged()
        words = ("build", "left", "interp")
        return {key: value if key in words else integer_of(told, key) for key, value in told.items()}

    def place(self) -> int:
        """Raw reading of the position sensor, 0 to 65535; 0 on a device without one."""
        reply = self.client.request("io")
        return reply.integer("place") if "place" in reply.fields else 0

    def travel(self, seq: int) -> TravelTrace | None:
        """Ram travel along a record's trace, or None when the device has none (no sensor, or gone)."""
        if not self.identity().has("travel"):
            return None
        reply = self._stored("travel", seq)
        if reply is None:
            return None
        points = self._list(reply)
        return TravelTrace(
            seq, reply.integer("dt_ms") / 1000.0, reply.integer("unit_um") / 1e6, tuple(points)
        )

    def _stored(self, verb: str, seq: int) -> Reply | None:
        """Answer of a verb about a record, or None when the device has nothing of the kind."""
        try:
            return self.client.request(verb, seq=seq)
        except DeviceRefusal as refusal:
            if refusal.number == self._protocol.error("no-such-record"):
                return None
            raise

    def last_fine(self) -> list[int]:
        """Samples of the newest stroke around its stop: counts at 1 kHz."""
        return self._list(self.client.request("last", kind="fine"))

    def last_pulses(self) -> list[Pulse]:
        """Pulses of the newest stroke."""
        flat = self._list(self.client.request("last", kind="pulses"), per_item=3)
        return [
            Pulse(width / 1000.0, before / 16.0, after / 16.0)
            for width, before, after in zip(flat[::3], flat[1::3], flat[2::3], strict=True)
        ]

    @staticmethod
    def _list(reply: Reply, per_item: int = 1) -> list[int]:
        found = [number for row in reply.rows for number in integers(row.get("v", ""))]
        if len(found) != reply.integer("n") * per_item:
            raise BadFrame(
                f"The device announced {reply.fields['n']} points and sent another number; ask again."
            )
        return found

    def changes(self, start: int = 0) -> list[Change]:
        """The device's record of changes from number `start` on."""
        found: list[Change] = []
        at = start
        while True:
            reply = self.client.request("changes", {"from": at, "max": _LOG_CHUNK})
            found += [Change(integer_of(row, "seq"), dict(row)) for row in reply.rows]
            following = reply.integer("next")
            if following <= at or following > reply.integer("last"):
                return found
            at = following

    # ------------------------------------------------------------ events
    def events(self, on: bool = True, live_s: float = 0.0) -> None:
        """Switch the event stream; live_s: period of live readings, 0 = none."""
        self.client.request("events", on=int(on), live_ms=round(live_s * 1000))

    def next_event(self, timeout_s: float) -> Answer | None:
        """The next event, or None after `timeout_s` without one."""
        return self.client.next_event(timeout_s)
