"""Two hosts and a device over a line that loses, doubles and damages, against a model of the committed sets.

The device is the firmware's real App. Whatever the line does: the device's jobs are a set that some host asked to
commit whole, the active job is one that was asked for, numbers of records only grow, and a host that was told "done"
finds it so.
"""

from __future__ import annotations

import random
import tempfile
from pathlib import Path

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from tests.host.loopback import Bench, LoopTransport

from steadyram.device import Device
from steadyram.errors import BadFrame, CheckFailed, DeviceRefusal, LinkTimeout
from steadyram.link.client import Client
from steadyram.link.definition import definition
from steadyram.link.records import DeviceJob
from steadyram.link.sets import digest
from steadyram_fw import tables as T


class LossyLine(LoopTransport):
    """Each line in either direction may be lost, doubled, cut or have up to three bits flipped."""

    def __init__(self, bench: Bench, source: random.Random, badness: float) -> None:
        super().__init__(bench)
        self.source = source
        self.badness = badness

    def spoil(self, data: bytes) -> bytes:
        out = b""
        for line in data.splitlines(keepends=True):
            what = self.source.random() / self.badness if self.badness else 1.0
            if what < 0.2:
                continue
            if what < 0.4:
                out += line + line
            elif what < 0.6:
                out += line[: self.source.randrange(len(line))]
            elif what < 1.0:
                raw = bytearray(line)
                for _ in range(self.source.randint(1, 3)):
                    bit = self.source.randrange(8 * len(raw))
                    raw[bit >> 3] ^= 1 << (bit & 7)
                out += bytes(raw)
            else:
                out += line
        return out

    def _write(self, data: bytes) -> None:
        super()._write(self.spoil(data))

    def _read(self, timeout_s: float) -> bytes:
        return self.spoil(super()._read(timeout_s))


def jobs_of(setpoints: dict[int, int]) -> list[DeviceJob]:
    fields = {field.name: field.default for field in definition().job}
    return [
        DeviceJob(slot, f"job {slot}", fields | {"setpoint_n": n}) for slot, n in sorted(setpoints.items())
    ]


SETPOINTS = st.dictionaries(st.sampled_from([1, 2, 16]), st.integers(1, 170_000), max_size=3)
HOSTS = st.sampled_from([0, 1])
BADNESS = st.sampled_from([0.0, 0.05, 0.3])


class Link(RuleBasedStateMachine):
    """See the module."""

    @initialize(seed=st.integers(0, 1 << 30))
    def power_up(self, seed: int) -> None:
        self.folder = tempfile.TemporaryDirectory()
        self.bench = Bench(Path(self.folder.name) / "flash")
        self.source = random.Random(seed)
        self.line = [LossyLine(self.bench, self.source, 0.0) for _ in range(2)]
        self.host = [self.new_host(n) for n in range(2)]
        self.possible = {digest("jobs", [])}  # digests that may be in force
        self.may_be_active = {0}
        self.stored = 0
        self.bench.enable()

    def new_host(self, n: int) -> Device:
        return Device(Client(self.line[n], timeout_s=0.3, tries=3, source=self.source))

    def teardown(self) -> None:
        if hasattr(self, "folder"):
            self.folder.cleanup()

    @property
    def in_force(self) -> str:
        return str(self.bench.app.keeper.digests["jobs"])

    @rule(n=HOSTS, badness=BADNESS)
    def line_gets(self, n: int, badness: float) -> None:
        self.line[n].badness = badness

    @rule(n=HOSTS)
    def reconnect(self, n: int) -> None:
        self.host[n] = self.new_host(n)

    @rule(junk=st.binary(max_size=300))
    def junk(self, junk: bytes) -> None:
        self.bench._in += junk
        self.bench.run(20)

    @rule()
    def hold_the_button(self) -> None:
        self.bench.enable()

    @rule()
    def power_cut(self) -> None:
        self.bench._out.clear()
        self.bench.power_up()
        self.bench.run(20)

    @rule()
    def stroke(self) -> None:
        if self.bench.core.fault == 0:
            self.bench.stroke(9000)
            self.stored += 1

    @rule(n=HOSTS, setpoints=SETPOINTS)
    def push(self, n: int, setpoints: dict[int, int]) -> None:
        jobs = jobs_of(setpoints)
        wanted = digest("jobs", jobs)
        before = self.in_force
        open_before = self.bench.app.access.enabled
        try:
            self.host[n].hello()
            state = self.host[n].push_jobs(jobs)
        except (DeviceRefusal, LinkTimeout, BadFrame, CheckFailed):
            # Not told "done": the old set or, if the answer was what got lost, the new one.
            assert self.in_force in (before, wanted)
        else:
            assert state.digest == wanted == self.in_force
        if not open_before:
            assert self.in_force == before, "changed although changes were closed"
        self.possible = {self.in_force}

    @rule(n=HOSTS, slot=st.sampled_from([0, 1, 2, 16]))
    def use(self, n: int, slot: int) -> None:
        before = self.bench.app.keeper.active
        open_before = self.bench.app.access.enabled
        try:
            self.host[n].use_job(slot)
        except (DeviceRefusal, LinkTimeout, BadFrame):
            pass
        else:
            assert self.bench.app.keeper.active == slot
        assert self.bench.app.keeper.active in ((before, slot) if open_before else (before,))

    @precondition(lambda self: self.stored)
    @rule(n=HOSTS)
    def pull(self, n: int) -> None:
        try:
            numbers = [record.seq for record in self.host[n].log()]
        except (DeviceRefusal, LinkTimeout, BadFrame):
            return
        assert numbers == list(range(self.stored - len(numbers) + 1, self.stored + 1))

    @invariant()
    def nothing_but_what_was_asked_for(self) -> None:
        if not hasattr(self, "bench"):
            return
        keeper = self.bench.app.keeper
        assert self.in_force in self.possible
        assert keeper.digests["settings"] == digest(
            "settings", {field.name: field.default for field in definition().settings}
        )
        assert keeper.cal is None
        assert keeper.log.last == self.stored
        assert self.bench.core.armed is None
        assert self.bench.app.outputs & (T.OUT_EXTEND | T.OUT_RETRACT | T.OUT_SLOW) == 0


Link.TestCase.settings = settings(
    max_examples=12, stateful_step_count=25, deadline=None, derandomize=True,
    suppress_health_check=list(HealthCheck),
)  # fmt: skip
TestLink = Link.TestCase
