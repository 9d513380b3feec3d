"""Which job a stroke was of, where its setpoint changed between two pulls."""

from types import MappingProxyType

from steadyram.cycles.jobs_run import jobs_run
from steadyram.link.records import DeviceJob
from steadyram.link.sets import job_crc

FIELDS = {"setpoint_n": 8950, "tool_limit_n": 17793, "dwell_ms": 0, "batch": 10, "unproven": 0}


def stroke(job: DeviceJob) -> MappingProxyType[str, int]:
    return MappingProxyType(
        {"job": job.slot, "job_crc": job_crc(job), "setpoint_n": job.fields["setpoint_n"]}
    )


def test_a_first_part_has_the_name_of_the_job_that_it_changed() -> None:
    now = DeviceJob(1, "pipe saddle", FIELDS)
    before = DeviceJob(1, "pipe saddle", {**FIELDS, "setpoint_n": 8896, "unproven": 1})
    found = jobs_run([now], [stroke(before), stroke(now), stroke(before)])  # type: ignore[list-item]
    assert [(job.name, job.fields["setpoint_n"]) for job in found] == [
        ("pipe saddle", 8950),
        ("pipe saddle", 8896),
    ]


def test_another_job_in_that_slot_lends_no_name() -> None:
    now = DeviceJob(1, "pipe saddle", FIELDS)
    other = DeviceJob(1, "hinge bushing", {**FIELDS, "setpoint_n": 8896})
    assert jobs_run([now], [stroke(other)]) == [now]  # type: ignore[list-item]
