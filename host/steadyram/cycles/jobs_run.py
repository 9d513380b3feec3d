"""Jobs as they were run: a setpoint that was changed between two pulls leaves strokes of a job that no set shows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from steadyram.link.records import CycleRecord, DeviceJob
from steadyram.link.sets import job_crc


def jobs_run(seen: Sequence[DeviceJob], records: Iterable[CycleRecord]) -> list[DeviceJob]:
    """Return `seen` and the jobs of `records` that differ from one of them in the setpoint only.

    A first part's proposal or the knob makes such a job. It is told by the digest in the record (16 bits): the job seen
    in that slot, with the setpoint of the record and proven or not, has it.
    """
    found = list(seen)
    known = {(job.slot, job_crc(job)) for job in seen}
    for record in records:
        key = (record["job"], record["job_crc"])
        if key in known:
            continue
        known.add(key)
        for job in reversed(seen):
            if job.slot != key[0]:
                continue
            for unproven in (1, 0):
                fields = {**job.fields, "setpoint_n": record["setpoint_n"], "unproven": unproven}
                if job_crc(run := replace(job, fields=fields)) == key[1]:
                    found.append(run)
                    break
            else:
                continue
            break
    return found
