"""Stop on depth and handling on presses drawn at random with a position sensor.

Press s is drawn from the seed s alone, as `drawn_press` draws presses, its stroke 50 to 100 mm; lags up to 80 ms and
friction up to 4 % of capacity are among its ranges. To it comes a sensor: an encoder of 1 to 20 um, or a
potentiometer 10 to 50 % longer than the stroke on a 16-bit converter, its noise 0.005 to 0.02 % of range, off by up
to 1 %. It is installed as any
press is: calibrated, commissioned, position against gauge blocks, speeds measured. Then:

- three depths on one clinch job drawn for it: in free travel (a quarter of the travel short of contact), on the
  plateau (its middle), on the stiff part (where the force is a tenth of capacity above the plateau's end);
- handling: the least ceiling that the press keeps, and a tenth of capacity if that is more, two strokes each onto a
  block. `ratio` is the highest true force on the work over the ceiling.

A part is off by its settled depth less the target, in limits (`press.limits.limit_position_m`). What part-to-part
scatter of the gap or the approach moves is not in the depth: it counts from the top switch.

    python -m tests.campaign.depth_drawn --presses 12 --seed 1 --out tests/campaign/out/depth_drawn.json
"""

from __future__ import annotations

import argparse
import json
import math
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
from tests.campaign.provenance import provenance

from steadyram.errors import SteadyramError
from steadyram.link.definition import definition
from steadyram.link.records import DeviceJob
from steadyram.press.limits import limit_position_m
from steadyram.press.pressfile import PressFile, build_press
from steadyram.virtual.drawn_press import draw_press, draw_work
from steadyram.virtual.hands import VirtualHands
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import open_device
from steadyram.virtual.trial import STRATEGY, install, run_cycle
from steadyram.virtual.work import block

PARTS, LEARNED_FROM = 6, 5
PLACES = ("free", "plateau", "stiff")
WITHIN, FIRST_MOST = 2.0, 3.0
TENTH = 0.1
OVER = 1.05


def draw(seed: int) -> dict[str, Any]:
    """Draw the tables of press `seed`, with its sensor and a clinch job whose gap does not scatter."""
    rng = np.random.Generator(np.random.PCG64([seed, 16]))
    tables = draw_press(rng, f"depth-{seed}")
    # (A long stroke makes the installation slow to simulate, and tells nothing more.)
    tables["cylinder"]["stroke"] = f"{50.0 * 2.0 ** rng.uniform(0.0, 1.0):.4g} mm"
    tables["work"] = draw_work(rng, 1e5, 0.05)
    model = build_press(tables, tables["name"])
    stroke_m = model.cylinder.stroke
    if rng.random() < 0.5:
        tables["position"] = {
            "kind": "encoder",
            "step": f"{math.exp(rng.uniform(0.0, math.log(20.0))):.4g} um",
        }
    else:
        tables["adc"] = {"bits": 16}
        tables["position"] = {
            "kind": "potentiometer",
            "range": f"{1e3 * stroke_m * rng.uniform(1.1, 1.5):.4g} mm",
            "noise": f"{100 * math.exp(rng.uniform(math.log(5e-5), math.log(2e-4))):.3g} %",
            "gain_error": f"{rng.uniform(-1.0, 1.0):.3g} %",
        }
    tables["work"] = draw_work(rng, model.capacity_N, stroke_m, "clinch") | {"gap_scatter": "0 mm"}
    build_press(tables, tables["name"])
    return tables


def targets_m(model: PressFile) -> dict[str, float]:
    """Return the ram's travel (m) of the three depths."""
    work = model.work
    past = TENTH * model.capacity_N / work.stiffness
    return {
        "free": 0.75 * work.gap,
        "plateau": work.gap + 0.6 * work.travel,
        "stiff": work.gap + work.travel + past,
    }


def depth_job(
    press: VirtualPress, device: Any, number: int, target_m: float, limit_N: float, limit_m: float
) -> dict[str, Any]:
    """Make the parts of one depth; how far each was off, in limits."""
    defaults = {each.name: each.default for each in definition().job}
    fields = {"setpoint_n": round(limit_N), "stop_on": 1, "depth_um": round(1e6 * target_m)}
    VirtualHands(press, press.seed).open_changes()
    device.push_jobs([DeviceJob(number, f"depth {number}", defaults | fields)])
    device.use_job(number)
    press.run(0.5)
    seen, off, ended = device.now().next_seq, [], Counter[str]()
    for n in range(1, PARTS + 1):
        try:
            row, code = run_cycle(press, device, n, limit_N, seen)
        except SteadyramError as error:
            ended[str(error)[:60]] += 1
            break
        seen = row["next_seq"]
        ended[code or row["stop"]] += 1
        if row["stop"] in ("depth", "over") and code is None:
            off.append(round((row["depth_m"] - target_m) / limit_m, 2))
    return {"target_m": round(target_m, 6), "off_limits": off, "ended": dict(ended)}


def handling(press: VirtualPress, device: Any, capacity_N: float) -> list[dict[str, Any]]:
    """Handle at the least ceiling, and at a tenth of capacity."""
    hands = VirtualHands(press, press.seed)
    defaults = {each.name: each.default for each in definition().job}
    most_n = next(each.maximum for each in definition().settings if each.name == "handling_n")
    hands.open_changes()
    device.push_settings({**device.settings().values, "handling_n": most_n})
    least_n = press.firmware.core.handling_least_n
    fields = {"setpoint_n": round(0.6 * capacity_N), "handling": 1}
    rows = []
    for ceiling_n in sorted({least_n, max(least_n, round(TENTH * capacity_N))}):
        row: dict[str, Any] = {"ceiling_N": ceiling_n, "share": round(ceiling_n / capacity_N, 4)}
        rows.append(row)
        if ceiling_n > min(most_n, 0.6 * capacity_N):
            row["refused"] = "the least ceiling is above what handling may ask for"
            continue
        hands.open_changes()
        device.push_settings({**device.settings().values, "handling_n": ceiling_n})
        device.push_jobs([DeviceJob(15, "move", defaults | fields)])
        device.use_job(15)
        press.run(0.3)
        press.operator.tap_ack()
        press.run(0.5)
        row["ratios"], row["ended"] = [], []
        for _ in range(2):
            press.plant.load_part(block(0.002))
            press.plant.peak_N = 0.0
            press.operator.press_extend()
            press.run_until(lambda p: p.firmware.core.state in (6, 8, 9), 60.0)
            press.run(0.4)
            now = device.now()
            row["ended"].append(now.fault or now.refusal or now.stop)
            row["ratios"].append(round(press.plant.peak_N / ceiling_n, 3))
            press.operator.release_all()
            press.run(0.3)
            if now.fault:
                press.operator.tap_ack()
                press.run(0.6)
            hands.to_top()
            press.run(0.3)
    return rows


def run_press(seed: int) -> dict[str, Any]:
    """Draw, install and judge one press."""
    tables = draw(seed)
    model = build_press(tables, tables["name"])
    limit_m = limit_position_m(model)
    assert limit_m is not None
    assert model.position is not None
    row: dict[str, Any] = {
        "seed": seed,
        "sensor": model.position.kind,
        "slow": model.valve.slow_feed is not None,
        "capacity_N": round(model.capacity_N),
        "friction_share": round(model.cylinder.seal_friction / model.capacity_N, 4),
        "limit_um": round(1e6 * limit_m, 2),
    }
    with VirtualPress(tables, seed=seed, runtime="cpython") as press:
        device = open_device(press)
        try:
            setup = install(press, device, strategy=STRATEGY["learned"])
        except SteadyramError as error:
            return row | {"refused": str(error).splitlines()[0][:160]}
        # One actuation's: relay and spool draw one each.
        row["jitter_ratio"] = round(
            setup.settings["jitter_us"] / (1e6 * math.sqrt(2.0) * model.valve.jitter), 3
        )
        row["depths"] = {}
        limit_N = 0.85 * model.capacity_N
        for number, (place, target_m) in enumerate(targets_m(model).items(), start=1):
            row["depths"][place] = depth_job(press, device, number, target_m, limit_N, limit_m)
        row["handling"] = handling(press, device, model.capacity_N)
    return row


def judged(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Return the figures over presses that commissioning accepted."""
    taken = [row for row in rows if "refused" not in row]
    depths = [(row, place, each) for row in taken for place, each in row["depths"].items()]
    later = [abs(x) for _, _, each in depths for x in each["off_limits"][LEARNED_FROM - 1 :]]
    wanted = len(depths) * (PARTS - LEARNED_FROM + 1)
    first = [(row["seed"], place, each["off_limits"][0]) for row, place, each in depths if each["off_limits"]]
    moved = [each for row in taken for each in row["handling"]]
    ratios = [ratio for each in moved for ratio in each.get("ratios", ())]
    ended = Counter(code for _, _, each in depths for code, n in each["ended"].items() for _ in range(n))
    jitter = [row["jitter_ratio"] for row in taken]
    return {
        "presses": len(rows),
        "refused": [f"{row['seed']}: {row['refused'][:70]}" for row in rows if "refused" in row][:24],
        "depth_jobs": len(depths),
        "later_parts": wanted,
        "later_within_2_limits": sum(x <= WITHIN for x in later),
        "later_within_share": round(sum(x <= WITHIN for x in later) / wanted, 4) if wanted else None,
        **{
            f"later_within_share_{name}": round(sum(abs(x) <= WITHIN for x in found) / max(1, len(found)), 4)
            for name, found in (
                (name, [x for _, place, each in depths if place == name for x in each["off_limits"][4:]])
                for name in PLACES
            )
        },
        "first_over_by_more_than_3_limits": [f"{s} {p}: {x}" for s, p, x in first if x > FIRST_MOST][:24],
        "ended": dict(ended.most_common(10)),
        "handling_strokes": len(ratios),
        "handling_ceiling_keepable_share_of_capacity": sorted(
            round(row["handling"][0]["share"], 3) for row in taken
        )[:24],
        "handling_worst_ratio": max(ratios, default=None),
        "handling_over_1.05": sum(ratio > OVER for ratio in ratios),
        "handling_refused": sum("refused" in each for each in moved),
        "handling_ended": dict(
            Counter(code for each in moved for code in each.get("ended", ())).most_common(10)
        ),
        "jitter_measured_over_true_worst": [min(jitter, default=None), max(jitter, default=None)],
    }


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Stop on depth and handling on drawn presses.")
    parser.add_argument("--presses", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    origin, rows = provenance(), []
    for seed in range(options.seed, options.seed + options.presses):
        rows.append(run_press(seed))
        print(json.dumps(rows[-1]), flush=True)
    found = {"provenance": origin, **judged(rows), "rows": rows}
    print(
        json.dumps(
            {key: value for key, value in found.items() if key not in ("rows", "provenance")}, indent=1
        )
    )
    if options.out is not None:
        options.out.parent.mkdir(parents=True, exist_ok=True)
        options.out.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
