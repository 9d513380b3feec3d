"""The same job on several presses, side by side: the newest batch of each device that ran it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from steadyram.cycles.batches import find_batches, jobs_run
from steadyram.cycles.store import CycleStore
from steadyram.errors import BadInput
from steadyram.report.landing import target_of, value_of
from steadyram.report.proof import Proof, prove


@dataclass(frozen=True, slots=True)
class Comparison:
    """One press's batch against all the others' together: difference of means with its interval (N, or m of depth)."""

    proof: Proof
    difference: float | None
    interval: tuple[float, float] | None


def compare(
    store: CycleStore,
    name: str,
    *,
    tolerance_ppt: float | None = None,
    tolerance_m: float | None = None,
    confidence: float = 0.95,
) -> list[Comparison]:
    """Each device's newest batch of the job called `name`.

    What is compared is peak over setpoint, or depth less the depth asked for, so that presses with setpoints and
    depths of their own can stand together; differences are by Welch's t interval (Welch 1947), shown as newtons at
    that press's setpoint, or as metres. With more
    than two presses the confidence holds for all intervals together.
    A press whose parts landed by depth stands against such presses only.
    Raises BadInput when no device ran such a job, or as `prove` does.
    """
    proofs = []
    for device in store.devices():
        slots = {job.slot for job in store.jobs_seen(device.uid) if job.name == name}
        newest = [
            batches[-1]
            for job in jobs_run(store, device.uid)
            if job in slots and (batches := find_batches(store, device.uid, job))
        ]
        if newest:
            batch = max(newest, key=lambda each: each.last_seq)
            proofs.append(prove(store, batch, tolerance_ppt=tolerance_ppt, tolerance_m=tolerance_m))
    if not proofs:
        known = {job.name for device in store.devices() for job in store.jobs_seen(device.uid)}
        raise BadInput(
            f"No device in {store.path} ran a job called '{name}'; jobs seen: {', '.join(sorted(known))}."
        )
    # Each press is held against the others: with many, one would stand out by chance alone (Bonferroni's correction).
    each_at = 1.0 - (1.0 - confidence) / max(1, len(proofs) if len(proofs) > 2 else 1)
    return [_against(proof, proofs, each_at) for proof in proofs]


def _off(proof: Proof) -> list[float]:
    if proof.quantity == "depth":
        return [value_of(record, "depth") - target_of(record, "depth") for record in proof.charted]
    return [record["peak_n"] / record["setpoint_n"] for record in proof.charted if record["setpoint_n"]]


def _against(proof: Proof, proofs: list[Proof], confidence: float) -> Comparison:
    own = _off(proof)
    alike = [other for other in proofs if other is not proof and other.quantity == proof.quantity]
    others = [off for other in alike for off in _off(other)]
    if len(own) < 2 or len(others) < 2:
        return Comparison(proof, None, None)
    from scipy import stats

    scale = 1.0 if proof.quantity == "depth" else max(proof.setpoints, key=lambda each: each[1])[0]
    found: Any = stats.ttest_ind(own, others, equal_var=False)
    low, high = found.confidence_interval(confidence)
    difference = (sum(own) / len(own) - sum(others) / len(others)) * scale
    return Comparison(proof, difference, (float(low) * scale, float(high) * scale))
