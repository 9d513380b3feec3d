"""What a report shows of a job whose press has a position sensor, gathered from the store: numbers, no layout."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from steadyram.cycles.charts import IndividualsChart, individuals_chart
from steadyram.cycles.store import CycleStore
from steadyram.cycles.travel_envelope import TRAVEL_WORDS
from steadyram.cycles.travel_signature import TravelStroke
from steadyram.cycles.travel_store import TravelJudged, judge_travel, travel_strokes
from steadyram.link.records import CycleRecord, DeviceJob

# Of a long run the newest are judged: half a millisecond each, and a page must not wait.
JUDGED_MOST: Final = 500


@dataclass(frozen=True, slots=True)
class TravelData:
    """Strokes with travel and what they say; depths of those that came to rest as asked, and their limits.

    target_m: what the job stops at, 0 for one that stops on force; low_m, high_m: its window on travel, high_m 0
    when it has none.
    """

    strokes: Mapping[int, TravelStroke]
    judged: TravelJudged
    settled: tuple[CycleRecord, ...]
    chart: IndividualsChart | None
    target_m: float
    low_m: float
    high_m: float

    @property
    def on_depth(self) -> bool:
        """True when the job stops on depth or has a window on it."""
        return self.target_m > 0.0 or self.high_m > 0.0

    @property
    def odd(self) -> list[tuple[int, str]]:
        """Records whose parts are not as the good ones, with what is said of them."""
        return [(seq, TRAVEL_WORDS[each.part]) for seq, each in self.judged.verdicts.items() if each.alarm]


def gather_travel(
    store: CycleStore, uid: str, records: Sequence[CycleRecord], job: DeviceJob | None
) -> TravelData | None:
    """What there is to show of one job's records; None when none of them has travel."""
    seen = [each for each in records if "travel" in each.flags and "handling" not in each.flags]
    if not seen:
        return None
    newest = seen[-JUDGED_MOST:]
    strokes = travel_strokes(store, uid, newest)
    said = {each.seq: each.verdict for each in store.verdicts(uid, newest[0].seq, newest[-1].seq)}
    fields = job.fields if job is not None else {}
    target = max((each.values.get("target_um", 0) for each in seen), default=0) / 1e6
    asked = ("depth", "window", "over") if target else ("setpoint", "window", "over")
    settled = tuple(each for each in seen if each.stop in asked and "cutoff" in each.flags)
    # A part outside its window is known to be wrong: it sets no limits for the others.
    depths = [each["depth_um"] / 1e6 for each in settled if each.stop != "window"]
    return TravelData(
        strokes=strokes,
        judged=judge_travel(newest, strokes, said),
        settled=settled,
        chart=individuals_chart(depths) if len(depths) > 1 else None,
        target_m=target,
        low_m=fields.get("window_low_um", 0) / 1e6,
        high_m=fields.get("window_high_um", 0) / 1e6,
    )
