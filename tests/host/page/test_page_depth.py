"""What the page shows of parts that stop on depth: the depth against what was asked for, the force beside it."""

from __future__ import annotations

import pytest
from tests.host.cycles.samples import record

from steadyram.link.definition import definition
from steadyram.link.records import DeviceJob
from steadyram.link.sets import job_crc
from steadyram.page.shown import result_json
from steadyram_fw import tables as t

JOB = DeviceJob(
    1,
    "to depth",
    {f.name: f.default for f in definition().job} | {"setpoint_n": 90_000, "stop_on": 1, "depth_um": 5300},
)


@pytest.mark.parametrize(
    ("stop", "depth_um", "by", "words", "look"),
    [
        (t.STOP_DEPTH, 5302, "depth", "set depth reached", "good"),
        (t.STOP_OVER, 5340, "depth", "past the set depth", "alarm"),
        (t.STOP_OVER, 5100, None, "over the set force", "alarm"),
        (t.STOP_WINDOW, 5300, None, "outside the job's window", "alarm"),
    ],
)
def test_a_row_of_a_part_on_depth(stop: int, depth_um: int, by: str | None, words: str, look: str) -> None:
    fields = {"job_crc": job_crc(JOB), "depth_um": depth_um, "target_um": 5300, "stop": stop}
    row = result_json(record(4, **fields), None, {}, {(1, job_crc(JOB)): JOB})
    assert (row["depth_m"], row["target_m"]) == (depth_um / 1e6, 5.3e-3)
    assert (row["landed_by"], row["stop"], row["look"], row["job_name"]) == (by, words, look, "to depth")


def test_a_part_on_force_has_no_target() -> None:
    row = result_json(record(4), None, {}, {})
    assert (row["target_m"], row["landed_by"], row["stop"]) == (None, "force", "set force reached")
