"""What commissioning finds on presses drawn at random, against what is true of them.

python tests/campaign/commissioning.py --seeds 2000:2200 --out FILE      judge these (FILE.json: whole at the end)
python tests/campaign/commissioning.py --seeds 3000:3050 --glitch --out FILE   with two spoilt samples at each edge
python tests/campaign/commissioning.py --report FILE [FILE ...]          the summary, at most 60 lines

Every press is calibrated and characterised through the strokes that the device makes (`commissioning_rig`). The truth
is worked out from the press file: rates by k Q / A on the block, lags as those of a spool at constant speed that opens
at once when half its travel past the overlap is done, oil as cold as it is at the end of the test. Wrong in silence:
off by more than three stated uncertainties, and nothing said.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.campaign.commissioning_rig import Rig, RigHands  # noqa: E402

from steadyram.commission.calibrate import calibrate  # noqa: E402
from steadyram.commission.characterise import characterise  # noqa: E402
from steadyram.commission.pulse_response import MOVES_MS  # noqa: E402
from steadyram.errors import SteadyramError  # noqa: E402
from steadyram.press.limits import series_stiffness_N_m  # noqa: E402
from steadyram.press.pressfile import PressFile, build_press  # noqa: E402
from steadyram.virtual.drawn_press import draw_press  # noqa: E402
from steadyram.virtual.work import BLOCK_STIFFNESS_N_M  # noqa: E402

SPAN_COUNTS = 52428.0
_DRAWS = 4000
Row = dict[str, Any]


def truth(press: PressFile, now_s: float) -> dict[str, float | None]:
    """Return the true figures of a press, SI, with the oil as cold as it is `now_s` after power-on."""
    valve, sensor = press.valve, press.transducer
    stiffness = series_stiffness_N_m(press, work_stiffness_N_m=BLOCK_STIFFNESS_N_M)
    area = press.cylinder.area_m2
    low, high = press.pump.flow_m3_s(0.0), press.pump.flow_m3_s(math.inf)
    cold = 1.0 + valve.warm_up * math.exp(-now_s / valve.warm_up_time)
    edge = (1.0 - valve.overlap) * valve.slew / 2.0
    opens = valve.relay_delay + cold * valve.open_delay + valve.overlap * valve.slew + edge
    closes = valve.relay_delay + cold * valve.close_delay + edge
    line = (
        2.0 * sensor.line_damping / (2.0 * math.pi * sensor.line_frequency) if sensor.line_frequency else 0.0
    )
    lead = sensor.line_drop * area**2 / (stiffness * low)
    two = press.pump.changeover is not None and high < low
    return {
        "open_lag_s": opens,
        "close_lag_s": closes,
        "sensor_lag_s": sensor.lag + line,
        "lead_s": lead,
        "rate_low_N_per_s": stiffness * low / area,
        "rate_high_N_per_s": stiffness * high / area,
        "rate_slow_N_per_s": None
        if valve.slow_feed is None
        else stiffness * min(valve.slow_feed, high) / area,
        "changeover_N": press.pump.changeover * area - press.cylinder.seal_friction
        if two and press.pump.changeover is not None
        else None,
        "pulse_dead_s": opens - closes,
        "pulse_least_s": shortest_pulse_s(press, cold),
        "friction_N": press.cylinder.seal_friction,
        "jitter_s": math.sqrt(2.0) * valve.jitter,
    }


def shortest_pulse_s(press: PressFile, cold: float) -> float | None:
    """Return the shortest pulse (whole ms) that lets in more than MOVES_MS of full flow on the mean, by draws."""
    valve = press.valve
    rng = np.random.default_rng(1)

    def draw(delay: float) -> Any:
        return np.maximum(0.0, delay + valve.jitter * rng.standard_normal(_DRAWS))

    for width_ms in range(1, 400):
        width = width_ms / 1000.0
        if width < valve.pull_in * valve.relay_delay - 1e-9:
            continue
        on = draw(valve.relay_delay) + draw(cold * valve.open_delay)
        off = width + draw(valve.relay_delay) + draw(cold * valve.close_delay)
        moving = np.maximum(0.0, off - on)
        if valve.slew > 0:
            lap = valve.overlap
            part = np.maximum(0.0, moving / valve.slew - lap) ** 2 / (1.0 - lap) * valve.slew
            moving = np.where(moving >= valve.slew, moving - lap * valve.slew, part)
        if float(np.mean(moving)) * 1000.0 >= MOVES_MS:
            return width
    return None


def commission(press: PressFile, seed: int, glitch: bool) -> Row:
    """Calibrate and characterise one press; return what was found, what is true, or why it was refused."""
    rig = Rig(press, seed, glitch=(2, 0.01) if glitch else None)
    hands: Any = RigHands(rig)
    device: Any = rig
    full_N = press.cylinder.area_m2 * press.transducer.range
    rig.values = {
        "zero_counts": round(rig.now().mean_counts), "c0_n": 0, "c1_n": round(full_N / SPAN_COUNTS * 65536),
    }  # fmt: skip
    slow = press.valve.slow_feed is not None
    row: Row = {"seed": seed, "glitch": glitch}
    try:
        found = calibrate.__wrapped__(  # type: ignore[attr-defined]
            device, hands, capacity_N=press.capacity_N, counts_per_N=SPAN_COUNTS / full_N,
            holds_load=press.valve.load_holding, slow_fitted=slow,
        )  # fmt: skip
        rig.values = found.polynomial.fields
        measured = characterise.__wrapped__(  # type: ignore[attr-defined]
            device, hands, capacity_N=press.capacity_N, slow_fitted=slow, burst=press.pump.burst
        )
    except SteadyramError as error:
        row["refused"] = str(error)
        return row
    row["true"] = truth(press, rig.plant.time_s)
    row["found"] = {k: v for k, v in measured.to_json().items() if not k.endswith("samples_s")}
    return row


# Figure, its uncertainty, and what else is close enough (SI).
FIGURES = (
    ("open_lag_s", "open_lag_u_s", 0.002),
    ("close_lag_s", "close_lag_u_s", 0.002),
    ("rate_low_N_per_s", "rate_low_u", 0.0),
    ("rate_high_N_per_s", "rate_high_u", 0.0),
    ("rate_slow_N_per_s", "rate_slow_u", 0.0),
    ("pulse_dead_s", "pulse_dead_u_s", 0.0),
    ("pulse_least_s", "pulse_least_u_s", 0.001),
    ("sensor_lag_s", "sensor_lag_u_s", 0.0),
    ("jitter_s", "jitter_u_s", 0.0),
    ("friction_N", "friction_u_N", 0.0),
)


def judge(row: Row) -> dict[str, str]:
    """Return for each figure: in, out, wrong (in silence), unknown."""
    found, true = row["found"], row["true"]
    verdict: dict[str, str] = {}
    for name, u_name, close in FIGURES:
        at, value, u = true[name], found[name], found.get(u_name)
        if at is None:
            continue
        if name.startswith("rate") and u is not None:
            u *= value
        if value is None or u is None:
            verdict[name] = "unknown"
            continue
        if name == "sensor_lag_s" and found["line_drop_N"] is None:
            # Where the line's drop was not told apart it is a lead of the reading, and belongs to this figure.
            at -= true["lead_s"]
        off = abs(value - at)
        verdict[name] = "in" if off <= max(u, close) else "wrong" if off > 3.0 * u else "out"
        if name.startswith("rate_") and found["stages"] is None and verdict[name] == "wrong":
            verdict[name] = "out"
    return verdict | {"changeover": _changeover(found, true)}


def _changeover(found: Row, true: Row) -> str:
    if found["stages"] is None:
        return "unknown"
    if true["changeover_N"] is None:
        return "in" if found["stages"] == 1 else "wrong"
    if found["changeover_N"] is None:
        beyond = true["changeover_N"] > (found["seen_to_N"] or 0.0)
        return "unknown" if beyond else "wrong"
    off = abs(found["changeover_N"] - true["changeover_N"])
    u = found["changeover_u_N"] or 0.0
    return "in" if off <= u else "wrong" if off > 3.0 * u else "out"


def report(rows: list[Row]) -> list[str]:
    """Return the summary's lines."""
    refused = Counter(str(row["refused"]).split(":")[0][:90] for row in rows if "refused" in row)
    judged = [row for row in rows if "found" in row]
    seeds = [row["seed"] for row in rows]
    lines = [
        f"{len(rows)} presses drawn, seeds {min(seeds)} to {max(seeds)}"
        + (", two samples spoilt by 1 % of range at each edge" if any(row["glitch"] for row in rows) else ""),
        f"{len(judged)} commissioned, {len(rows) - len(judged)} refused:",
        *(f"  {count:3d}  {why}" for why, count in refused.most_common()),
        "",
        f"{'figure':22s}{'in':>6s}{'out':>6s}{'wrong':>7s}{'unknown':>9s}   share in, of those stated",
    ]
    verdicts = [(row["seed"], judge(row)) for row in judged]
    wrong: list[str] = []
    for name in [*(each[0] for each in FIGURES), "changeover"]:
        count = Counter(v[name] for _, v in verdicts if name in v)
        stated = count["in"] + count["out"] + count["wrong"]
        share = f"{count['in'] / stated:.0%}" if stated else "-"
        lines.append(
            f"{name:22s}{count['in']:6d}{count['out']:6d}{count['wrong']:7d}{count['unknown']:9d}   {share}"
        )
        wrong += [f"{name} of {seed}" for seed, v in verdicts if v.get(name) == "wrong"]
    lines += ["", f"wrong in silence: {len(wrong)}" + (": " + ", ".join(wrong[:12]) if wrong else "")]
    return lines


def figures(rows: list[Row]) -> Row:
    """Return the counts of a summary: for each figure in, out, wrong in silence, unknown."""
    judged = [judge(row) for row in rows if "found" in row]
    refused = Counter(str(row["refused"]).split(":")[0][:60] for row in rows if "refused" in row)
    table = {}
    for name in [*(each[0] for each in FIGURES), "changeover"]:
        count = Counter(verdict[name] for verdict in judged if name in verdict)
        table[name] = " ".join(f"{count[word]} {word}" for word in ("in", "out", "wrong", "unknown"))
    wrong = sum("wrong" in verdict.values() for verdict in judged)
    head = {"presses": len(rows), "commissioned": len(judged), "presses_with_a_wrong_figure": wrong}
    return head | {f"refused: {why}": count for why, count in refused.items()} | table


def main() -> None:
    """Run or report."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", help="FIRST:LAST[:STEP]")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--glitch", action="store_true")
    parser.add_argument("--report", type=Path, nargs="+")
    given = parser.parse_args()
    if given.report:
        rows = [json.loads(line) for path in given.report for line in path.read_text().splitlines()]
        print("\n".join(report(sorted(rows, key=lambda row: row["seed"]))))
        return
    first, last, *step = (int(part) for part in given.seeds.split(":"))
    whole = given.out.suffix == ".json"
    rows = []
    for seed in range(first, last, *(step or [1])):
        press = build_press(draw_press(np.random.default_rng(seed), f"drawn {seed}"), f"drawn {seed}")
        rows.append(commission(press, seed, given.glitch))
        if not whole:
            with given.out.open("a") as file:
                file.write(json.dumps(rows[-1]) + "\n")
    if whole:
        given.out.write_text(json.dumps({"figures": figures(rows), "rows": rows}, indent=1) + "\n")


if __name__ == "__main__":
    main()
