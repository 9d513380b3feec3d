"""A stroke to a depth on a real press: one job of the device, pushed anew only where depth or ceiling change.

The device counts travel from the top switch and a bend from where the punch meets the sheet. Where that is, is felt
by the force: once, roughly, in a commissioning stroke at full feed, then at every fresh sheet as the stroke goes by,
at the slow feed where one is fitted, so that the valve's and the sensor's lag take nothing from it; at full feed the
rise of the force is drawn back to where it began.

All other jobs of the device stay as they are. The job's own slot is left as it was last pushed, and the device
stays on it: whoever works on chooses another job, and nothing is put back behind anyone's back.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from steadyram.bending.correction import DEPTH_SIGMA_M
from steadyram.bending.procedure import Reached
from steadyram.bending.touch import touch_of_rise
from steadyram.commission.hands import Hands
from steadyram.commission.position import touch_counts_for
from steadyram.commission.strokes import probe_stroke, testing, wait_for
from steadyram.cycles.travel_signature import seen_later_s
from steadyram.device import Device
from steadyram.errors import BadInput, CheckFailed
from steadyram.link.definition import definition
from steadyram.link.records import CycleRecord, DeviceJob

# The slow feed takes over so far above the sheet.
_CLEAR_M = 0.5e-3
# A touch farther than this from the one expected is no touch of this sheet.
_DOUBT_M = 1.5e-3
# Depths that differ by no more than a step of the sensor, and by this at most, are the same job.
_SAME_MOST_UM = 5
# A stroke at slow feed may take this share of the longest time that extend may be on.
_SLOW_SHARE = 0.5
_PATIENCE_S = 600.0
_LOOK_S = 0.1
_OPEN_LEAST_S = 5.0
# The step that sees the force comes half a millisecond later on average.
_STEP_LATE_S = 0.0005
# The record's own contact and the beginning of the rise are of one touch: no further apart than this.
_RISE_NEAR_M = 0.4e-3
_DEPTH_STOPS = ("depth", "over", "short")
_FORCE_STOPS = ("window", "setpoint")


class BendingPedals(Hands, Protocol):
    """Hands at the pedals while bending."""

    def fresh_sheet(self) -> None:
        """Lay flat sheet on the die, ram at the top."""


@dataclass(frozen=True)
class Felt:
    """A stroke as the device saw it: record's number, ram travel (m from the top switch), where the sheet was met."""

    seq: int
    travel_m: float
    touch_m: float
    settled_N: float
    stop: str
    pushes: int

    def document(self) -> dict[str, object]:
        """As a JSON-ready mapping."""
        return {
            "seq": self.seq,
            "travel_m": self.travel_m,
            "touch_m": self.touch_m,
            "settled_N": self.settled_N,
            "stop": self.stop,
        }


def knows_its_ram(settings: Mapping[str, int], calibration: Mapping[str, int]) -> bool:
    """Whether a device can stop at a depth: position sensor fitted and calibrated, ram speed measured."""
    scaled = calibration.get("position_step_nm") or calibration.get("position_um_64k")
    return bool(settings.get("position_kind") and scaled and settings.get("speed_um_s"))


def is_bend_job(job: DeviceJob) -> bool:
    """Whether a job is one that an earlier bend list left in its slot."""
    return job.fields.get("stop_on") == definition().value("stop_on", "depth") and job.name.startswith("bend")


class DeviceStroke:
    """procedure.Stroke over a device.

    slot: of the job that is used; replace_job: take the slot even if another job is in it; touch_m: ram travel at
    which the punch meets the sheet, if known (see `find_touch`). Raises BadInput, CheckFailed, LinkError,
    DeviceRefusal.
    """

    def __init__(
        self,
        device: Device,
        pedals: BendingPedals,
        *,
        slot: int | None = None,
        name: str = "bend",
        replace_job: bool = False,
        touch_m: float | None = None,
    ) -> None:
        self._device, self._pedals = device, pedals
        self._slot = device.identity().job_slots if slot is None else slot
        self._name = job_name(name)
        self._touch_m = touch_m
        self._touches: list[float] = []
        self._part_touch_m = touch_m
        self.felt: Felt | None = None
        self.pushes = 0
        settings = device.press_values()
        calibration = device.calibration().values
        if not calibration:
            raise CheckFailed(
                "The device has no calibration, so a bend has no ceiling; run 'calibration run' first."
            )
        if not knows_its_ram(settings, calibration):
            raise CheckFailed(
                "The device does not know where its ram is, so it cannot stop at a depth; fit a position sensor, then "
                "run 'position calibrate' and 'position speeds'."
            )
        # A potentiometer is read by means of sixteen: its step says nothing.
        self._same_um = min(_SAME_MOST_UM, abs(calibration["position_step_nm"]) // 1000 or _SAME_MOST_UM)
        self._settings, self._calibration = settings, calibration
        self._capacity_N = float(settings["capacity_n"])
        self._speed_m_s = settings["speed_um_s"] / 1e6
        self._slow_m_s = settings["speed_slow_um_s"] / 1e6 if settings["slow_fitted"] else 0.0
        self._travel_later_s = seen_later_s(settings)
        self._other_job(replace_job)

    @property
    def slot(self) -> int:
        """Slot of the job that the strokes use."""
        return self._slot

    @property
    def capacity_N(self) -> float:
        """What the device may press."""
        return self._capacity_N

    @property
    def depth_sigma_m(self) -> float:
        """One standard deviation (m) of how well a depth past touch is known: the reading, and the step that feels."""
        step_m = (self._slow_m_s or self._speed_m_s) * 1e-3 / math.sqrt(12.0)
        return math.hypot(DEPTH_SIGMA_M, step_m)

    @property
    def touch_m(self) -> float | None:
        """Ram travel at which the punch meets flat sheet, as far as it is known."""
        return self._touch_m

    def _other_job(self, replace_job: bool) -> None:
        slots = self._device.identity().job_slots
        if not 1 <= self._slot <= slots:
            raise BadInput(f"--slot {self._slot} is not one of this device's slots 1 to {slots}.")
        found = next((job for job in self._device.jobs().jobs if job.slot == self._slot), None)
        if found is not None and not is_bend_job(found) and not replace_job:
            raise BadInput(
                f"Slot {self._slot} holds the job '{found.name}'; choose another slot (--slot), or give that job up "
                "(--replace)."
            )

    def same_part(self, touch_m: float) -> None:
        """Go on with a part that an earlier session struck first, by where its sheet was met (m)."""
        self._touch_m = self._part_touch_m = touch_m

    # ------------------------------------------------------------------ where the sheet is
    def find_touch(self) -> float:
        """Feel for the sheet in one commissioning stroke at full feed; returns the ram travel (m) at the touch.

        The ram runs on by the valve's lag, half a millimetre or so into the sheet: let it be scrap of the same sheet.
        """
        device, pedals = self._device, self._pedals
        pedals.to_top()
        pedals.fresh_sheet()
        self._open(True)
        span = self._capacity_N * 65536 / self._calibration["c1_n"]
        touch = touch_counts_for(span, float(device.now().spread_counts))
        after = device.now().next_seq
        cut = self._calibration["zero_counts"] + touch
        with testing(device):
            probe_stroke(device, pedals, cut_counts=cut, pause_ms=100, collect=False)
        record = self._record(after)
        if record["contact_um"] == 0:
            raise CheckFailed(
                "The ram met nothing in this stroke; put the sheet on the die, see that the ram reaches it, and start "
                "again, or say where it meets it (--touch)."
            )
        pedals.to_top()
        self._touch_m = self._part_touch_m = self._touch_of(record, False)
        return self._touch_m

    def _touch_of(self, record: CycleRecord, slow: bool) -> float:
        """Ram travel (m) at which a stroke that has a contact met the sheet."""
        late_s = _STEP_LATE_S - self._travel_later_s
        told_m = record["contact_um"] / 1e6 - (self._slow_m_s if slow else self._speed_m_s) * late_s
        if slow:
            return told_m
        trace, travel = self._device.trace(record.seq), self._device.travel(record.seq)
        if trace is None or travel is None:
            return told_m
        calibration = self._calibration
        # A commissioning stroke's trace is in counts.
        force_N = trace.force_N() or [
            (point - calibration["zero_counts"]) * calibration["c1_n"] / 65536 for point in trace.points
        ]
        found_m = touch_of_rise(force_N, travel.travel_m(), trace.dt_s, self._travel_later_s)
        return told_m if found_m is None or abs(found_m - told_m) > _RISE_NEAR_M else found_m

    def _feels(self, depth_m: float) -> bool:
        """Whether the slow feed may go from above the sheet to the depth."""
        if not self._slow_m_s:
            return False
        longest_s = _SLOW_SHARE * self._settings["cycle_max_ms"] / 1000
        return (depth_m + _CLEAR_M) / self._slow_m_s < longest_s

    def _met(self, record: CycleRecord, slow: bool) -> None:
        """Take the touch of a fresh sheet from the record of its stroke."""
        assert self._touch_m is not None
        seen_m = self._touch_of(record, slow) if record["contact_um"] else 0.0
        if record["contact_um"] == 0 or abs(seen_m - self._touch_m) > _DOUBT_M:
            self._pedals.note(
                f"The punch met the sheet at {seen_m * 1e3:.2f} mm where {self._touch_m * 1e3:.2f} mm was expected: "
                "not believed. Look whether sheet and tooling are the ones of the list."
                if record["contact_um"]
                else "Where the punch met the sheet was not seen; the touch of before is used."
            )
            self._part_touch_m = self._touch_m
            return
        self._touches.append(seen_m)
        self._touch_m = statistics.fmean(self._touches[-5:])
        # At full feed a sample is worth more travel than sheets differ by, so only the mean is good.
        self._part_touch_m = seen_m if slow else self._touch_m

    # ------------------------------------------------------------------ the stroke
    def to_depth(self, depth_m: float, ceiling_N: float, fresh: bool = True) -> Reached:
        """See procedure.Stroke."""
        pedals, device = self._pedals, self._device
        if self._touch_m is None:
            raise CheckFailed(
                "Where the punch meets the sheet is not known yet; feel for it first, or give it."
            )
        pedals.to_top()
        if fresh:
            self._part_touch_m = self._touch_m
            pedals.fresh_sheet()
        assert self._part_touch_m is not None
        slow = self._feels(depth_m)
        self._set(self._part_touch_m + depth_m, ceiling_N, slow)
        felt = not fresh
        while True:
            after = device.now().next_seq
            doing = "waiting for a bend"
            wait_for(device, pedals, ("ready",), 30.0, doing)
            pedals.press_extend()
            try:
                self._until_over()
                pedals.wait(0.2)
            finally:
                pedals.release_extend()
            wait_for(device, pedals, ("ready",), 30.0, doing)
            record = self._record(after)
            if not felt and record["contact_um"]:
                self._met(record, slow)
                felt = True
            pedals.to_top()
            if record.stop != "pedal":
                break
            pedals.note("The pedal was let go before the depth was reached: the same stroke again.")
        if not felt:
            self._met(record, slow)
        return self._reached(record)

    def _until_over(self) -> None:
        """Wait until the stroke has begun and ended, by itself or by the pedal."""
        waited, begun = 0.0, False
        while True:
            reading = self._device.now()
            if reading.state == "refused":
                refusal = (reading.refusal or "for no reason told").replace("-", " ")
                raise CheckFailed(f"The device refuses to extend: {refusal}; put that right and go on.")
            if reading.state == "fault":
                raise CheckFailed(
                    f"The device stopped with the fault '{reading.fault}'; clear its cause, acknowledge it at the "
                    "panel and go on."
                )
            begun = begun or reading.state != "ready"
            if reading.state in ("done", "storing") or (begun and reading.state == "ready"):
                return
            if waited > _PATIENCE_S:
                raise CheckFailed(f"No stroke was made within {_PATIENCE_S:.0f} s; go on when ready.")
            self._pedals.wait(_LOOK_S)
            waited += _LOOK_S

    def _reached(self, record: CycleRecord) -> Reached:
        if record.stop not in (*_DEPTH_STOPS, *_FORCE_STOPS):
            raise CheckFailed(
                f"The stroke ended otherwise than by depth or force ({record.stop.replace('-', ' ')}); look why, "
                "and measure the part before going on."
            )
        assert self._part_touch_m is not None
        travel_m = record["depth_um"] / 1e6
        force_N = float(record["settled_n"] or record["peak_n"])
        self.felt = Felt(record.seq, travel_m, self._part_touch_m, force_N, record.stop, self.pushes)
        by_depth = record.stop in _DEPTH_STOPS
        return Reached(travel_m - self._part_touch_m, force_N, "depth" if by_depth else "force")

    def _record(self, after: int) -> CycleRecord:
        for record in self._device.log(after):
            return record
        raise CheckFailed("The stroke left no record; look at the panel and start again.")

    # ------------------------------------------------------------------ the job
    def _set(self, stop_m: float, ceiling_N: float, slow: bool) -> None:
        """Have the device's job stop at that travel (m) and under that force; push only what is another job."""
        device = self._device
        there = device.jobs()
        jobs = there.jobs
        before = next((job for job in jobs if job.slot == self._slot), None)
        ceiling = int(min(ceiling_N, self._capacity_N))
        slow_from_um = 0
        if slow and self._touch_m is not None:
            slow_from_um = max(1, round(1e6 * (self._touch_m - _CLEAR_M)))
        fields = {field.name: field.default for field in definition().job} | {
            "setpoint_n": ceiling,
            # So that the knob at the panel cannot raise the ceiling either.
            "tool_limit_n": ceiling,
            "stop_on": definition().value("stop_on", "depth"),
            "depth_um": round(1e6 * stop_m),
            "slow_from_um": slow_from_um,
        }
        wanted = DeviceJob(self._slot, self._name, fields)
        if before is not None and _same(before, wanted, self._same_um):
            wanted = before
        if before is None or dict(wanted.fields) != dict(before.fields) or wanted.name != before.name:
            self._open(False)
            device.push_jobs([*(job for job in jobs if job.slot != self._slot), wanted], instead_of=there)
            self.pushes += 1
        if device.now().job != self._slot:
            self._open(False)
            device.use_job(self._slot)

    def _open(self, always: bool) -> None:
        if always or self._device.now().changes_left_s < _OPEN_LEAST_S:
            self._pedals.open_changes()


def _same(before: DeviceJob, wanted: DeviceJob, same_um: int) -> bool:
    """Whether a job in force does as well: within a step of depth, and the slow feed still above the sheet."""
    if before.name != wanted.name:
        return False
    near = {"depth_um": same_um, "slow_from_um": 100}
    return all(
        abs(before.fields.get(key, 0) - value) <= near.get(key, 0) for key, value in wanted.fields.items()
    )


def job_name(text: str) -> str:
    """What the panel can show of a name: plain signs, no double quote, no longer than the protocol allows."""
    plain = "".join(sign for sign in text if " " <= sign <= "~" and sign not in '"\\').strip()
    most = definition().job_name_max_chars
    return f"bend {plain}".strip()[:most].strip() if plain and plain != "bend" else "bend"
