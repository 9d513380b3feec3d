from __future__ import annotations

import random
from pathlib import Path

import pytest
from tests.host.link.scripted import ScriptedTransport, Step
from tests.host.loopback import Bench, LoopTransport

from steadyram.device import Device
from steadyram.errors import BadInput, CheckFailed, DeviceRefusal, LinkError, LinkTimeout, PortLost
from steadyram.link.client import Client
from steadyram.link.definition import definition
from steadyram.link.records import DeviceJob
from steadyram.link.sets import digest, put_lines


def connect(bench: Bench, seed: int = 1) -> Device:
    return Device(Client(LoopTransport(bench), source=random.Random(seed)))


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    made = Bench(tmp_path / "flash")
    made.enable()
    return made


def settings(**changed: int) -> dict[str, int]:
    return {field.name: field.default for field in definition().settings} | changed


def job(slot: int, name: str, **changed: int) -> DeviceJob:
    fields = {field.name: field.default for field in definition().job}
    return DeviceJob(slot, name, fields | {"setpoint_n": 9000} | changed)


CALIBRATION = {
    "zero_counts": 6554,
    "c0_n": -400,
    "c1_n": 338000,
    "c2_n": 0,
    "c3_n": 0,
    "max_counts": 50000,
    "friction_n": 400,
    "serial": 7,
    "made_unix": 4_000_000_000,
    "due_unix": 0,
}


def test_who_it_is_and_how_it_reads(bench: Bench) -> None:
    device = connect(bench)
    identity = device.hello()
    assert (identity.board, identity.uid, identity.job_slots) == ("bench", "b3nch001", 16)
    assert identity.has("trace")
    assert not identity.has("tra")
    reading = device.now()
    assert reading.state == "ready"
    assert reading.fault is None
    assert reading.force_N == 120.0
    assert reading.mean_counts == 6554.0
    assert reading.cutoff
    assert not reading.extend
    assert reading.changes_left_s > 500
    # By the nameplate: 46 counts over the nominal zero of a 34474 kPa range over 52428 counts.
    assert reading.pressure_Pa == pytest.approx(46 * 34474e3 / 52428, abs=1000)


def test_settings_go_there_and_come_back(bench: Bench) -> None:
    device = connect(bench)
    before = device.settings()
    pushed = device.push_settings(settings(capacity_n=150_000, overforce_n=160_000))
    assert pushed.values["capacity_n"] == 150_000
    assert pushed.gen == before.gen + 1
    assert pushed.digest == digest("settings", pushed.values) != before.digest


def test_jobs_go_there_and_come_back_and_survive_a_power_cut(bench: Bench) -> None:
    device = connect(bench)
    wanted = (job(2, "big nut #0000", batch=50), job(16, "x=1, y=2 -- #AB"))
    assert device.push_jobs(tuple(reversed(wanted))).jobs == wanted
    assert device.use_job(16) == 9000.0
    bench.power_up()
    again = connect(bench, 2)
    assert again.jobs().jobs == wanted
    assert again.now().job == 16
    bench.enable()
    assert again.push_jobs([]).jobs == ()


def test_calibration_goes_there_and_comes_back(bench: Bench) -> None:
    device = connect(bench)
    assert device.calibration().values == {}
    with pytest.raises(DeviceRefusal, match="sealed") as caught:
        device.push_calibration(CALIBRATION)
    assert caught.value.number == 26
    assert not device.calibration_unsealed()
    bench.unseal()
    assert device.calibration_unsealed()
    pushed = device.push_calibration(CALIBRATION).values
    # Optional fields stay at their defaults.
    assert pushed == CALIBRATION | {"position_um_64k": 0, "position_step_nm": 0}


def test_a_bad_set_is_refused_before_anything_is_sent(bench: Bench) -> None:
    device = connect(bench)
    before = device.settings()
    with pytest.raises(BadInput, match="capacity_n"):
        device.push_settings(settings(capacity_n=10**9))
    with pytest.raises(BadInput, match="lacks 'changes_s'"):
        device.push_settings({k: v for k, v in settings().items() if k != "changes_s"})
    with pytest.raises(BadInput, match="no key 'colour'"):
        device.push_settings(settings(colour=3))
    with pytest.raises(BadInput, match="Slot 3"):
        device.push_jobs([job(3, "a"), job(3, "b")])
    with pytest.raises(BadInput, match="slot 17"):
        device.push_jobs([job(17, "a")])
    assert device.settings() == before


def test_the_device_refuses_a_set_as_a_whole(bench: Bench) -> None:
    device = connect(bench)
    device.push_jobs([job(1, "old")])
    with pytest.raises(DeviceRefusal, match="above the press's capacity") as caught:
        device.push_jobs([job(1, "new"), job(2, "too much", setpoint_n=200_000)])
    assert caught.value.number == 16
    assert [each.name for each in device.jobs().jobs] == ["old"]


def test_changes_need_the_button(tmp_path: Path) -> None:
    closed = Bench(tmp_path / "flash")
    with pytest.raises(DeviceRefusal, match="enable button") as caught:
        connect(closed).push_settings(settings())
    assert caught.value.number == 12


def test_commissioning_requests(bench: Bench) -> None:
    device = connect(bench)
    device.probe(feed="slow", cut_counts=9000, pulse_ms=20, pulses=3, pause_ms=400)
    assert bench.core.armed == (1, 9000, 20, 3, 400, 190000)
    assert device.zero() == 6554
    assert len(device.last_fine()) == 512
    assert device.last_fine()[:2] == [12, 13]
    pulses = device.last_pulses()
    assert [(pulse.width_s, pulse.before_counts) for pulse in pulses] == [(0.02, 1000.0), (0.018, 1062.5)]
    assert device.set_clock(1_900_000_000) == 1_900_000_000
    assert device.now().unix >= 1_900_000_000


def test_teaching_marks_the_job_proven(bench: Bench) -> None:
    device = connect(bench)
    device.push_jobs([job(1, "estimate", unproven=1)])
    device.use_job(1)
    assert device.teach(9500.0) == 9500.0
    taught = device.jobs().by_slot(1)
    assert taught is not None
    assert (taught.fields["setpoint_n"], taught.fields["unproven"]) == (9500, 0)
    device.forget(1)
    assert device.recount() == 0
    assert device.learned() == {}


def test_events_come_apart_from_answers(bench: Bench) -> None:
    device = connect(bench)
    device.events(live_s=0.05)
    event = device.next_event(1.0)
    assert event is not None
    assert event.word == "live"
    assert event.fields["force_n"] == "120"
    device.events(on=False)


def pushed_length(bench: Bench, wanted: list[DeviceJob]) -> int:
    class Counting(LoopTransport):
        total = 0

        def _write(self, data: bytes) -> None:
            Counting.total += len(data)
            super()._write(data)

    device = Device(Client(Counting(bench), source=random.Random(9)))
    device.identity()
    Counting.total = 0
    device.push_jobs(wanted)
    return Counting.total


def test_a_link_dropped_at_any_byte_of_a_push_leaves_old_or_new(tmp_path: Path) -> None:
    old = [job(1, "old one"), job(2, "old two", batch=5)]
    new = [job(1, "new one", setpoint_n=8000), job(3, "new three", dwell_ms=500)]
    first = Bench(tmp_path / "length")
    first.enable()
    connect(first).push_jobs(old)
    length = pushed_length(first, new)
    sides = set()
    for cut in range(0, length + 1, 17):
        bench = Bench(tmp_path / f"cut{cut}")
        bench.enable()
        device = connect(bench)
        device.push_jobs(old)
        bench.drop_after = cut
        try:
            device.push_jobs(new)
        except LinkError as error:
            assert isinstance(error, PortLost)  # noqa: PT017 - the sort of loss is the point
        bench.drop_after = None
        bench.power_up()
        found = list(connect(bench, 2).jobs().jobs)
        assert found in (old, new)
        sides.add(found[0].name)
        bench.enable()
        assert list(connect(bench, 3).push_jobs(new).jobs) == new
    assert sides == {"old one", "new one"}


def test_a_damaged_line_anywhere_in_a_push_changes_nothing_twice(tmp_path: Path) -> None:
    wanted = [job(1, "one"), job(2, "two")]

    class Damaging(LoopTransport):
        """Every third write arrives damaged, every fourth answer is lost."""

        writes = reads = 0

        def _write(self, data: bytes) -> None:
            Damaging.writes += 1
            if Damaging.writes % 3 == 0:
                middle = len(data) // 2
                data = data[:middle] + b"~" + data[middle + 1 :]
            super()._write(data)

        def _read(self, timeout_s: float) -> bytes:
            data = super()._read(timeout_s)
            if data:
                Damaging.reads += 1
                if Damaging.reads % 4 == 0:
                    return b""
            return data

    bench = Bench(tmp_path / "flash")
    bench.enable()
    device = Device(Client(Damaging(bench), source=random.Random(4), tries=8))
    state = device.push_jobs(wanted)
    assert list(state.jobs) == wanted
    assert state.gen == 1


def test_a_lost_answer_to_commit_is_settled_by_the_device() -> None:
    # Optional fields that have their defaults are not sent.
    wanted = {field.name: settings()[field.name] for field in definition().settings if not field.optional}
    told = digest("settings", wanted)
    lines = put_lines(list(wanted.items()), 240)
    shown = [f"row {' '.join(f'{k}={v}' for k, v in part)}" for part in _parts(wanted)]
    steps = [
        Step(
            "hello",
            ["ok proto=1 oldest=1 fw=0 board=b uid=u units=N caps=log boot=1 job_slots=16 line_max=240"],
        ),
        Step("stage kind=settings", ["ok kind=settings"]),
        *[
            Step("put " + " ".join(f"{k}={v}" for k, v in line.items()), [f"ok n={len(line)}"])
            for line in lines
        ],
        Step("check", [f"ok digest={told}"]),
        Step(f"commit digest={told}"),
        Step(f"commit digest={told}"),
        Step("show kind=settings", [f"ok gen=2 digest={told} n=0"]),
        Step("show kind=settings", [*shown, f"ok gen=2 digest={told} n={len(wanted)}"]),
    ]
    transport = ScriptedTransport(steps)
    device = Device(Client(transport, tries=2, source=random.Random(1)))
    assert device.push_settings(wanted).gen == 2
    transport.finish()


def test_a_digest_that_differs_is_dropped_and_said() -> None:
    steps = [
        Step(
            "hello",
            ["ok proto=1 oldest=1 fw=0 board=b uid=u units=N caps=log boot=1 job_slots=16 line_max=240"],
        ),
        Step("stage kind=jobs", ["ok kind=jobs"]),
        Step("check", ["ok digest=00000000"]),
        Step("drop", ["ok"]),
    ]
    transport = ScriptedTransport(steps)
    with pytest.raises(CheckFailed, match="nothing was changed"):
        Device(Client(transport, source=random.Random(1))).push_jobs([])
    transport.finish()


def test_another_protocol_is_said_plainly() -> None:
    newer = "ok proto=9 oldest=8 fw=9 board=b uid=u units=N caps=log boot=1 job_slots=16 line_max=240"
    with pytest.raises(CheckFailed, match="protocol 8 to 9"):
        Device(Client(ScriptedTransport([Step("hello", [newer])]))).hello()


def test_silence_is_a_timeout(bench: Bench) -> None:
    class Deaf(LoopTransport):
        def _write(self, data: bytes) -> None:
            return None

    with pytest.raises(LinkTimeout):
        Device(Client(Deaf(bench), timeout_s=0.1, tries=2)).hello()


def _parts(values: dict[str, int]) -> list[list[tuple[str, int]]]:
    pairs = list(values.items())
    return [pairs[at : at + 5] for at in range(0, len(pairs), 5)]
