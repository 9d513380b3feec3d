"""How well force against travel tells wrong parts apart, and how much better than force against time alone.

The limits in `cycles/travel_envelope.py` were tuned on the presses of TUNED; the figures are of the presses of
TRIED. One rule came after a first run on those: a ram that meets nothing, and is past where contact belongs, has
a part missing. The seeds of the committed run came after that, too. The same strokes are judged twice: by force
against time as the tool does without a sensor (`envelope_watch`), and by force against travel. Both learn from the
same good parts, which are not counted. Intervals are Wilson's for a share, 95 %. They take cycles as independent;
the presses, though, get the same draws of parts by seed, so they are somewhat too narrow.

Force against time has no word for a part upside down; its nearest, "hard", counts as the right one, as far as
naming goes. What it says of the press is not held against it: an alarm is a part that is called bad.

"sound" counts parts on the press as it was when it learned, "drifting" those of the spell in which it warms, leaks,
drags, or its valve gets slow, with parts as before.

What the cutoff learned from a bad part is put back before the next one. As it is, after a bad part it may drive a
good one far over or short of its setpoint, and what is tried here is the telling apart. `as_is` has the same
strokes without that.

    python -m tests.campaign.travel_detection --seeds 4 --out tests/campaign/out/travel_detection.json
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from multiprocessing import Pool
from pathlib import Path
from typing import Any

from tests.campaign.detection import rate
from tests.campaign.provenance import provenance
from tests.campaign.travel_sim import ENCODER_5, ENCODER_10, PARTS, POT, Line, Sample, shift

from steadyram.cycles.envelope import learn_envelope
from steadyram.cycles.envelope_watch import Watch
from steadyram.cycles.travel_envelope import learn_travel_envelope
from steadyram.cycles.travel_signature import TravelStroke

TUNED = (
    Line("depth-20", 1.3, 1.5e-3, 400),
    Line("workshop-20", 1.3, 1.5e-3, 0, POT),
    Line("bench-4", 1.4, 1.0e-3, 300, ENCODER_10),
    Line("slowvalve-20", 1.3, 1.5e-3, 0, POT),
)
TRIED = (
    Line("depth-30", 1.3, 1.5e-3, 400),
    Line("stiff-20", 1.4, 1.5e-3, 400, ENCODER_5),
    Line("soft-20", 1.3, 1.5e-3, 0, POT),
    Line("frame-50-slow", 1.3, 2.0e-3, 0, ENCODER_10),
    Line("workshop-20-fine", 1.3, 1.5e-3, 400, POT),
)
KINDS = ("good", *PARTS)
SAID = (*KINDS, "soft", "hard", "not judged")
METHODS = ("time", "travel")
_QUIET = ("good", "not judged")


@dataclass
class Tally:
    """Counts of truth against what was said, by method and by whether the press drifted; how strokes ended."""

    said: Counter[tuple[str, bool, str, str]] = field(default_factory=Counter)
    stops: Counter[tuple[str, str]] = field(default_factory=Counter)
    highest: float = 0.0
    simulated: int = 0

    def add(self, other: Tally) -> None:
        """Take another tally in."""
        self.said.update(other.said)
        self.stops.update(other.stops)
        self.highest = max(self.highest, other.highest)
        self.simulated += other.simulated

    def table(self, method: str, drifting: bool) -> dict[str, dict[str, int]]:
        """The confusion table of one method."""
        return {truth: {said: self.said[method, drifting, truth, said] for said in SAID} for truth in KINDS}

    def rates(self, method: str, drifting: Sequence[bool]) -> dict[str, Any]:
        """Missed, false and rightly named, with intervals."""

        def count(truths: Sequence[str], said: Sequence[str]) -> int:
            return sum(
                self.said[method, d, truth, word] for d in drifting for truth in truths for word in said
            )

        def named(kind: str) -> int:
            nearest = ("upside down", "hard") if kind == "upside down" and method == "time" else (kind,)
            return count([kind], nearest)

        of = {kind: count([kind], SAID) for kind in KINDS}
        bad = sum(of[kind] for kind in PARTS)
        return {
            "false_alarms": rate(of["good"] - count(["good"], _QUIET), of["good"]),
            "not_judged_good": rate(count(["good"], ["not judged"]), of["good"]),
            "missed": rate(count(PARTS, _QUIET), bad),
            "rightly_named": rate(sum(named(kind) for kind in PARTS), bad),
            "by_kind": {
                kind: {
                    "missed": rate(count([kind], _QUIET), of[kind]),
                    "rightly_named": rate(named(kind), of[kind]),
                }
                for kind in PARTS
            },
        }

    def to_json(self) -> dict[str, Any]:
        """The document of one campaign."""
        return {
            "cycles_simulated": self.simulated,
            "cycles_judged": sum(n for (method, *_), n in self.said.items() if method == "travel"),
            "highest_force_over_setpoint": round(self.highest, 2),
            "stops": {f"{truth}: {stop}": n for (truth, stop), n in sorted(self.stops.items())},
            **{
                method: {
                    "sound": {"confusion": self.table(method, False), **self.rates(method, [False])},
                    "drifting": {"confusion": self.table(method, True), **self.rates(method, [True])},
                    "all": self.rates(method, [False, True]),
                }
                for method in METHODS
            },
        }


def travel_stroke(sample: Sample) -> TravelStroke:
    """The stroke as the host would make it of record, trace and travel."""
    return TravelStroke(sample.stroke, sample.travel_m, sample.lag_s, sample.contact_m)


def tally(samples: Iterable[Sample]) -> Tally:
    """Learn from a shift's learning parts, then judge the rest in order, both ways."""
    kept = list(samples)
    learning = [each for each in kept if each.learning]
    watch = Watch(learn_envelope([each.stroke for each in learning]))
    envelope = learn_travel_envelope([travel_stroke(each) for each in learning])
    found = Tally(simulated=len(kept))
    for each in kept:
        if each.learning:
            continue
        drifting = each.press != "sound"
        found.said["time", drifting, each.truth, watch.judge(each.stroke).part] += 1
        found.said["travel", drifting, each.truth, envelope.judge(travel_stroke(each)).part] += 1
        found.stops["good" if each.truth == "good" else "bad", each.stroke.stop] += 1
        found.highest = max(found.highest, each.stroke.peak_N / each.stroke.setpoint_N)
    return found


def _one(job: tuple[Line, int, bool]) -> tuple[str, Tally]:
    line, seed, put_back = job
    return line.name, tally(shift(line, seed, put_back=put_back))


def campaign(
    lines: Iterable[Line], seeds: Iterable[int], *, workers: int = 1, put_back: bool = True
) -> dict[str, Any]:
    """Every line with every seed; the document of one part of the results file."""
    jobs = [(line, seed, put_back) for line in lines for seed in seeds]
    whole = Tally()
    presses: dict[str, Tally] = {}
    with Pool(workers) as pool:
        for name, found in pool.imap(_one, jobs):
            presses.setdefault(name, Tally()).add(found)
            whole.add(found)
    document = whole.to_json()
    document["by_press"] = {
        name: {
            method: {
                key: found.rates(method, [False, True])[key]
                for key in ("false_alarms", "not_judged_good", "missed", "rightly_named")
            }
            for method in METHODS
        }
        for name, found in presses.items()
    }
    return document


def show(document: dict[str, Any]) -> str:
    """The confusion tables and rates as text."""
    out = []
    for method in METHODS:
        for press in ("sound", "drifting"):
            part = document[method][press]
            out.append(f"force against {method}, press {press}")
            out.append(f"{'':12}" + "".join(f"{said:>13}" for said in SAID))
            for truth, row in part["confusion"].items():
                out.append(f"{truth:12}" + "".join(f"{row[said]:13}" for said in SAID))
            for key in ("false_alarms", "not_judged_good", "missed", "rightly_named"):
                each = part[key]
                low, high = each["interval_95"]
                out.append(f"  {key}: {each['count']} of {each['of']}, {100 * low:.2f} to {100 * high:.2f} %")
    return "\n".join(out)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--seeds", type=int, default=4, help="four: each kind of drift once")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    told = parser.parse_args()
    seeds = range(600, 600 + told.seeds)
    document = {
        "made": provenance(),
        "seeds": list(seeds),
        "tried": campaign(TRIED, seeds, workers=told.workers),
        "as_is": campaign(TRIED, seeds[:1], workers=told.workers, put_back=False),
    }
    told.out.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
    print(show(document["tried"]))


if __name__ == "__main__":
    main()
