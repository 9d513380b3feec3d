"""The hazards campaign: single hazards in every phase, pairs by a covering array, strokes drawn at random.

Judged by the invariants at the head of protocol/HAZARDS.md, on the plant's truth. The third one holds the true force of
each stroke to the figure of the hazards that were on (`force` in protocol/hazards.toml).

    python -m tests.campaign.hazards --strokes 10000 --seed 1 --out tests/campaign/hazards_summary.json

Seeded; the summary carries the digests of the code that it judges.
"""

from __future__ import annotations

import argparse
import json
import random
import time
import tomllib
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from allpairspy import AllPairs
from tests.campaign.hazards_inject import INJECT
from tests.campaign.hazards_rig import FEED, LIVE, Rig, Violation
from tests.campaign.provenance import ROOT, provenance

from steadyram_fw import tables as t

TABLE = ROOT / "protocol" / "hazards.toml"
PRESSES = ("workshop-20-fine", "workshop-20")
SHARE = 0.12  # setpoint, of the capacity
HEALTHY = 1.10  # a learned part with nothing wrong
PHASES = ("rest", "approach", "contact", "rise", "closing", "return")


def hazards() -> dict[str, Any]:
    """The table."""
    return tomllib.loads(TABLE.read_text(encoding="utf-8"))


def figures(table: dict[str, Any]) -> dict[str, float]:
    """Largest true force over setpoint that each injected hazard may come to, by its name."""
    return {
        f"{row['thing']}:{row['guide']}": float(row["force"]) for row in table["hazard"] if "force" in row
    }


def make(name: str, seed: int) -> Rig:
    return Rig(ROOT / "tests" / "presses" / f"{name}.toml", seed, SHARE)


def when(rig: Rig, phase: str) -> Any:
    """Predicate for the moment at which a hazard comes on."""
    core, plant = rig.core, rig.plant
    since = [0]

    def approach() -> bool:
        since[0] = since[0] + 1 if rig.out & FEED else 0
        return since[0] > 60

    return {
        "rest": lambda: True,
        "approach": approach,
        "contact": lambda: plant.force_N > 0.0 and core.state in LIVE,
        "rise": lambda: plant.force_N > 0.4 * rig.setpoint and core.state in LIVE,
        "closing": lambda: plant.force_N > 0.0 and core.state == t.STATE_SETTLE,
        "return": lambda: bool(rig.out & t.OUT_RETRACT),
    }[phase]


def strokes(
    rig: Rig, names: Iterable[str], phase: str, draw: random.Random, cycles: int = 3
) -> dict[str, Any]:
    """Bring hazards on in a phase and press parts; what came of it. A violation is told, not raised."""
    rig.mend()
    before, faults, ended = rig.strokes, dict(rig.faults), dict(rig.stops)
    records = rig.records
    worst, broken = 0.0, ""
    names = list(names)

    def bring() -> None:
        for name in names:
            INJECT[name](rig, draw)

    rig.trigger = (when(rig, phase), bring)
    try:
        for _ in range(cycles):
            worst = max(worst, rig.cycle())
            if rig.core.state == t.STATE_FAULT:
                # A tap that is too short, then one as told.
                rig.word |= t.IN_ACK
                rig.run(draw.choice((1, 30, 120)))
                rig.word &= ~t.IN_ACK
                rig.run(100)
                rig.acknowledge()
    except Violation as violation:
        broken = str(violation)
    if not broken and rig.strokes - before > rig.records - records + (rig.core.record_ready or rig.core.live):
        broken = "6: a stroke without a record"
    return {
        "worst": round(worst, 3),
        "healthy": round(rig.healthy, 3),
        "violation": broken,
        "strokes": rig.strokes - before,
        "faults": sorted(n for n in rig.faults if rig.faults[n] != faults.get(n, 0)),
        "stops": sorted(n for n in rig.stops if rig.stops[n] != ended.get(n, 0)),
    }


def singles(seed: int, presses: Iterable[str], step: int = 1) -> list[dict[str, Any]]:
    """Every injected hazard in every phase, on each press (step: every so many only)."""
    rows = []
    for name in presses:
        rig = make(name, seed)
        cases = [(hazard, phase) for hazard in INJECT for phase in PHASES]
        for number, (hazard, phase) in enumerate(cases[seed % step :: step]):
            draw = random.Random(seed * 1000 + number)
            rows.append(
                {"press": name, "hazards": [hazard], "phase": phase} | strokes(rig, [hazard], phase, draw)
            )
    return rows


def pairs(seed: int, presses: Iterable[str], step: int = 1) -> list[dict[str, Any]]:
    """Cover every pair of hazards of two things, and of a hazard and a phase, in as few cases as the library finds."""
    things: dict[str, list[str]] = {}
    for hazard in INJECT:
        things.setdefault(hazard.split(":")[0], [""]).append(hazard)
    factors = [*things.values(), list(PHASES)]
    rows = []
    for name in presses:
        rig = make(name, seed)
        for number, row in enumerate(list(AllPairs(factors))[seed % step :: step]):
            chosen = [each for each in row[:-1] if each]
            draw = random.Random(seed * 2000 + number)
            rows.append(
                {"press": name, "hazards": chosen, "phase": row[-1]} | strokes(rig, chosen, row[-1], draw)
            )
    return rows


def drawn(seed: int, wanted: int, presses: tuple[str, ...] = PRESSES) -> list[dict[str, Any]]:
    """Strokes with up to three hazards and an operator who does as he likes."""
    rows: list[dict[str, Any]] = []
    draw = random.Random(seed)
    rigs: dict[str, Rig] = {}
    done = 0
    while done < wanted:
        name = draw.choice(presses)
        if name not in rigs or draw.random() < 0.004:
            rigs[name] = make(name, draw.randrange(1 << 30))
        chosen = draw.sample(list(INJECT), draw.choice((0, 0, 1, 1, 1, 2, 2, 3)))
        row = {"press": name, "hazards": chosen, "phase": draw.choice(PHASES)}
        row |= at_will(rigs[name], chosen, row["phase"], draw)
        done += max(1, row["strokes"])
        rows.append(row)
    return rows


def at_will(rig: Rig, names: list[str], phase: str, draw: random.Random) -> dict[str, Any]:
    """Some acts of an operator at random moments, then two cycles as told, with the hazards on."""
    rig.mend()
    first = rig.strokes
    records = rig.records
    rig.trigger = (when(rig, phase), lambda: [INJECT[name](rig, draw) for name in names] and None)
    worst, broken = 0.0, ""
    masks = (t.IN_EXTEND, t.IN_RETRACT, t.IN_LATCH, t.IN_ACK, t.IN_CUTOFF)
    try:
        rig.plant.peak_N = 0.0
        for _ in range(draw.randrange(4)):
            mask = draw.choices(masks, (8, 4, 2, 3, 1))[0]
            rig.word ^= mask
            rig.run(draw.choice((1, 3, 8, 40, 150, 400)))
            if draw.random() < 0.8:
                rig.word ^= mask
                if mask == t.IN_ACK:
                    # He may well have acknowledged, if only by chance.
                    rig.acks += 1
        rig.word = (rig.word | t.IN_CUTOFF) & ~t.IN_ACK
        worst = rig.plant.peak_N / rig.setpoint
        for _ in range(2):
            worst = max(worst, rig.cycle())
            if rig.core.state == t.STATE_FAULT:
                rig.acknowledge()
    except Violation as violation:
        broken = str(violation)
    if not broken and rig.strokes - first > rig.records - records + (rig.core.record_ready or rig.core.live):
        broken = "6: a stroke without a record"
    return {
        "worst": round(worst, 3),
        "healthy": round(rig.healthy, 3),
        "violation": broken,
        "strokes": rig.strokes - first,
    }


def judged(rows: list[dict[str, Any]], allowed: dict[str, float]) -> list[dict[str, Any]]:
    """The rows that broke an invariant; a force beyond the figure of its hazards is number 3."""
    out = []
    for row in rows:
        most = max([HEALTHY, *(allowed.get(name, HEALTHY) for name in row["hazards"])])
        # Two things wrong at once: what each lets through may add up.
        beyond = sum(max(0.0, allowed.get(name, HEALTHY) - 1.0) for name in row["hazards"])
        # Beside what healthy parts come to on this press, which is the landing's matter.
        scatter = max(0.0, row["healthy"] - 1.0)
        if row["worst"] > max(most, 1.0 + beyond) + 2.0 * scatter + 0.005:
            row = row | {"violation": row["violation"] or f"3: {row['worst']} of the setpoint"}
        if row["violation"]:
            out.append(row)
    return out


def summary(
    seed: int, wanted: int, presses: tuple[str, ...] = PRESSES, steps: tuple[int, int] = (1, 1)
) -> dict[str, Any]:
    """Run all three parts; what is committed."""
    table = hazards()
    allowed = figures(table)
    one = singles(seed, presses, steps[0])
    two = pairs(seed, presses, steps[1])
    many = drawn(seed, wanted, presses)
    worst: dict[str, float] = {}
    for row in one:
        worst[row["hazards"][0]] = max(worst.get(row["hazards"][0], 0.0), row["worst"])
    broken = [row for rows in (one, two, many) for row in judged(rows, allowed)]
    return {
        "seed": seed,
        "presses": list(presses),
        "rows_of_the_table": len(table["hazard"]),
        "hazards_injected": len(INJECT),
        "single_cases": len(one),
        "pair_cases": len(two),
        "drawn_cases": len(many),
        "drawn_strokes": sum(row["strokes"] for row in many),
        "strokes": sum(row["strokes"] for rows in (one, two, many) for row in rows),
        "healthy_drawn": sum(not row["hazards"] for row in many),
        "healthy_worst": max((row["worst"] for row in many if not row["hazards"]), default=0.0),
        "violations": len(broken),
        "violations_by_invariant": dict(sorted(Counter(row["violation"][:1] for row in broken).items())),
        "first_violations": [
            f"{row['press']} {'+'.join(row['hazards'])}@{row['phase']}: {row['violation']}"
            for row in broken[:12]
        ],
        "residual": {name: value for name, value in sorted(worst.items()) if value > HEALTHY},
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--strokes", type=int, default=10_000)
    parser.add_argument("--out", type=Path, default=Path(__file__).with_name("hazards_summary.json"))
    options = parser.parse_args()
    began = time.monotonic()
    belongs = provenance()
    told = belongs | summary(options.seed, options.strokes) | {"took_s": round(time.monotonic() - began)}
    text = json.dumps(told, indent=1)
    options.out.write_text(text + "\n", encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
