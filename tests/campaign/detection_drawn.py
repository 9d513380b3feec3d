"""What the signatures tell on presses drawn at random: batches of forty parts with faults mixed in from the second on.

Press number s comes from the seed s alone, with a work of each of three kinds: clinch, dimple, press-fit. The setpoint
lies past the plateau. One part in five, drawn, has one of the faults below; part 1, which teaches the press its job, is
good. The press warms up, its pump scatters and its seal friction changes while it works, as drawn.

==================  ============================================================================
missing             the hardware is not there: its height is missing, and its plateau
double              two parts on each other: contact early by its height, twice the travel
soft25, hard25      force of the plateau 25 % off, thickness right
thin20, thick20     sheet 20 % off: contact moves by the difference, force in proportion
early05, late05     contact 0.5 mm off, the part right
==================  ============================================================================

Strokes are simulated once (`--draw`) and judged afterwards, so that a change of the judgement does not simulate anew.
Seeds 1 to 99 may be tuned on; figures are of seeds from 3000 on.

    python -m tests.campaign.detection_drawn --seed 3000 3010 --draw 4
"""

from __future__ import annotations

import argparse
import json
import math
import pickle
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import norm
from tests.campaign.detection import rate
from tests.campaign.detection_batch import Batch
from tests.campaign.detection_sim import Line, Shift

from steadyram.cycles.envelope import LEAST_PARTS, learn_envelope
from steadyram.cycles.envelope_watch import ONE_SIDE, Watch
from steadyram.cycles.signature import Stroke
from steadyram.cycles.signature_store import TEACHING_PARTS, learn_more
from steadyram.errors import BadInput
from steadyram.press.pressfile import build_press
from steadyram.press.sizing import smallest_setpoint_N
from steadyram.virtual.drawn_press import draw_press, draw_work
from steadyram.virtual.work import Part, make_part

WORKS = ("clinch", "dimple", "press-fit")
FAULTS = ("missing", "double", "soft25", "hard25", "thin20", "thick20", "early05", "late05")
PARTS = 40
FAULT_SHARE = 0.2
# Way to the work at full feed: what takes longer costs simulated time and tells nothing more.
LONGEST_S = 5.0
OUT = Path(__file__).parent / "out"


def draw_batch(seed: int, work: str) -> Batch | None:
    """Press one batch; None where no setpoint of that work can be held on that press, or it never gets ready."""
    rng = np.random.default_rng([seed, 41, WORKS.index(work)])
    tables = draw_press(np.random.default_rng(seed), f"drawn-{seed}")
    capacity = build_press(tables, "drawn").capacity_N
    stroke = build_press(tables, "drawn").cylinder.stroke
    for _ in range(20):
        tables["work"] = draw_work(rng, capacity, stroke, work)
        press = build_press(tables, f"drawn-{seed}")
        over = float(rng.uniform(1.15, 1.5))
        setpoint = over * press.work.plateau * (1.1 if work == "clinch" else 1.0)
        smallest = smallest_setpoint_N(press, 0.05)
        near = press.work.gap < LONGEST_S * press.pump.flow_m3_s(0.0) / press.cylinder.area_m2
        if smallest is not None and smallest < setpoint < 0.8 * capacity and near:
            break
    else:
        return None
    sheet = float(rng.uniform(1.0e-3, 3.0e-3))
    made = Shift(Line(press.name, over, int(rng.choice([0, 300])), sheet), seed, press)
    height = max(press.work.travel, float(rng.uniform(2.0e-3, 5.0e-3)))
    samples = []
    try:
        for number in range(PARTS):
            truth = str(rng.choice(FAULTS)) if number and rng.random() < FAULT_SHARE else "good"
            part = _part(truth, rng, made, sheet, height)
            samples.append(made.press_part(truth, part, learning=False))
    except AssertionError:
        return None
    area = press.cylinder.area_m2
    return Batch(
        seed,
        work,
        press.work.gap_scatter,
        press.work.scatter,
        press.pump.flow_m3_s(0.0) / area,
        tuple(samples),
    )


def _part(truth: str, rng: np.random.Generator, made: Shift, sheet: float, height: float) -> Part:
    """One part with its own scatter and this fault."""
    work = made.press.work
    force = {"soft25": 0.75, "hard25": 1.25}.get(truth, 1.0)
    ratio = {"thin20": 0.8, "thick20": 1.2}.get(truth, 1.0)
    shift = {"early05": -0.5e-3, "late05": 0.5e-3}.get(truth, 0.0) + sheet * (1.0 - ratio)
    gap = max(0.3e-3, work.gap + work.gap_scatter * float(rng.standard_normal()) + shift)
    part = make_part(
        work.model_copy(update={"plateau": work.plateau * force * ratio}),
        float(rng.standard_normal()),
        float(rng.standard_normal()),
    )
    if truth == "missing":
        return Part((), work.stiffness, gap + height)
    if truth == "double":
        corners = tuple((2.0 * x, f) for x, f in part.corners)
        return Part(corners, part.stiffness_N_m / 2.0, max(gap - height, 0.3e-3))
    return replace(part, gap_m=gap)


def batches(first: int, draw: int) -> Iterator[Batch]:
    """Yield the batches of some seeds, simulated once and kept in `out/`."""
    folder = OUT / "detection_drawn"
    folder.mkdir(parents=True, exist_ok=True)
    for seed in range(first, first + draw):
        for work in WORKS:
            file = folder / f"{seed}-{work}.pickle"
            if not file.exists():
                whole = file.with_suffix(".part")
                whole.write_bytes(pickle.dumps(draw_batch(seed, work)))
                whole.replace(file)
            found = pickle.loads(file.read_bytes())  # written by this program
            if found is not None:
                yield found


# What a fault may be called: a part that is thinner comes late, and one whose contact alone is off has no kind.
RIGHT = {
    "missing": {"missing"},
    "double": {"double"},
    "soft25": {"soft", "thin"},
    "hard25": {"hard", "thick"},
    "thin20": {"thin", "soft", "late"},
    "thick20": {"thick", "hard", "early"},
    "early05": {"thick", "early"},
    "late05": {"thin", "late"},
}


def judge(batch: Batch, confirmed: bool) -> list[tuple[str, str]]:
    """Truth and verdict of each part; confirmed: the first parts that are good teach, else the first 30 of any kind."""
    strokes = {number: each.stroke for number, each in enumerate(batch.samples)}
    usable = [
        number
        for number, each in enumerate(batch.samples)
        if each.stroke.learned
        and each.stroke.stop in ("setpoint", "short")
        and (not confirmed or each.truth == "good")
    ]
    known = usable[: LEAST_PARTS + 2 if confirmed else TEACHING_PARTS]
    try:
        envelope = learn_envelope([strokes[number] for number in known])
    except BadInput:
        return [(each.truth, "no envelope") for each in batch.samples]
    envelope, _ = learn_more(envelope, strokes, known if confirmed else ())
    watch = Watch(envelope)
    return [(each.truth, watch.judge(each.stroke).part) for each in batch.samples]


def among(batch: Batch) -> list[bool]:
    """Tell part by part whether each of its figures by oil lies within what the batch's good parts themselves show.

    No limit on contact, on the way to half or on the way from there to the end finds such a part without calling a good
    one odd. Good parts: learned strokes to the set force. False where a figure is not known.
    """

    def oil(stroke: Stroke) -> tuple[float, float, float]:
        return stroke.oil_contact_s, stroke.oil_half_s, stroke.oil_end_s - stroke.oil_half_s

    good = [
        oil(each.stroke)
        for each in batch.samples
        if each.truth == "good" and each.stroke.learned and each.stroke.stop in ("setpoint", "short")
    ]
    if len(good) < LEAST_PARTS:
        return [False] * len(batch.samples)
    least, most = np.nanmin(good, axis=0), np.nanmax(good, axis=0)
    found = [np.array(oil(each.stroke)) for each in batch.samples]
    return [bool(np.all((least <= each) & (each <= most))) for each in found]


def permitted(batch: Batch, shift_m: float = 0.5e-3) -> tuple[float, float]:
    """Return how often contact off by a shift could be told at best: by the part's own scatter, and by the reading's.

    Of a normal figure whose scatter is known without error, at the false alarms that one side of contact is allowed
    (`ONE_SIDE`). First: contact scatters as drawn, and nothing else does. Second: by the standard deviation of the oil
    at contact of the batch's good parts, which also holds the pump's, the valve's and the reading's scatter.
    """
    contact = [
        each.stroke.oil_contact_s for each in batch.samples if each.truth == "good" and each.stroke.learned
    ]
    read_m = (
        float(np.nanstd(contact, ddof=1)) * batch.speed_m_s if np.isfinite(contact).sum() > 2 else math.nan
    )
    beyond = norm.isf(ONE_SIDE)
    return tuple(float(norm.sf(beyond - shift_m / max(sd_m, 1e-6))) for sd_m in (batch.gap_scatter_m, read_m))


def figures(found: Iterable[Batch], confirmed: bool) -> dict[str, Any]:
    """Rates over batches, with Wilson's intervals, of the parts that were judged; and how many were not.

    Beside them what the parts' own scatter permits: see `among` and `permitted` (a sum of chances, in parts).
    """
    tally: Counter[tuple[str, str]] = Counter()
    within: Counter[str] = Counter()
    bounds: dict[str, list[tuple[float, float]]] = {"early05": [], "late05": []}
    for batch in found:
        told = judge(batch, confirmed)
        tally.update(told)
        within.update(truth for (truth, _), inside in zip(told, among(batch), strict=True) if inside)
        for truth, said in told:
            if truth in bounds and said not in ("not judged", "no envelope"):
                bounds[truth].append(permitted(batch))

    def count(truth: str, said: Callable[[str], bool]) -> int:
        return sum(n for (was, told), n in tally.items() if was == truth and said(told))

    def quiet(said: str) -> bool:
        return said in ("good", "not judged", "no envelope")

    def judged(said: str) -> bool:
        return said not in ("not judged", "no envelope")

    out: dict[str, Any] = {
        "parts": sum(tally.values()),
        "parts_not_judged": sum(n for (_, said), n in tally.items() if not judged(said)),
        "false_alarms": rate(count("good", lambda said: not quiet(said)), count("good", judged)),
    }
    for fault in FAULTS:
        of = count(fault, judged)
        out[fault] = {
            "alarmed": rate(count(fault, lambda said: not quiet(said)), of),
            "named": rate(count(fault, RIGHT[fault].__contains__), of),
            "among_good_parts": within[fault],
        }
        if bounds.get(fault):
            drawn, read = np.nansum(bounds[fault], axis=0)
            out[fault]["told_at_best"] = {
                "by_drawn_scatter": round(drawn, 1),
                "by_read_scatter": round(read, 1),
            }
    return out


def main() -> None:
    """Simulate what is missing, and judge it."""
    words = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    words.add_argument("--seed", type=int, nargs="+", default=[3000, 3010])
    words.add_argument("--draw", type=int, default=5, help="presses from each seed on")
    words.add_argument("--out", type=Path)
    given = words.parse_args()
    found = [batch for seed in given.seed for batch in batches(seed, given.draw)]
    shown = {
        "seeds": [f"{seed} to {seed + given.draw - 1}" for seed in given.seed],
        "batches": len(found),
        "confirmed": figures(found, confirmed=True),
        "provisional": figures(found, confirmed=False),
    }
    if given.out is not None:
        given.out.write_text(json.dumps(shown, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(shown))


if __name__ == "__main__":
    main()
