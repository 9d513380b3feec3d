"""A trial: calibrate, characterise and run a job on the virtual press, and tell what really happened.

Everything goes the way of a real installation: over the link, with the panel's enable button held, the ram
moved by pedals only. The truth (peak on the work) is read from the plant; the device sees counts.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from steadyram.commission.calibrate import Found, calibrate
from steadyram.commission.characterise import Characteristics, characterise
from steadyram.commission.position import (
    PositionFound,
    calibrate_position,
    measure_speeds,
    touch_counts_for,
)
from steadyram.device import Device
from steadyram.errors import BadInput, CheckFailed
from steadyram.link.definition import definition
from steadyram.link.records import DeviceJob
from steadyram.nameplate import nameplate_settings
from steadyram.press.attainable import attainable_p95_N
from steadyram.press.limits import HOLD_TO, landing_band_N, limit_position_m, limit_sigma_N
from steadyram.press.pressfile import (
    PressFile,
    apply_change,
    build_press,
    parse_change,
    read_press_tables,
)
from steadyram.press.sizing import smallest_setpoint_N
from steadyram.units import show
from steadyram.virtual.faults import parse_fault
from steadyram.virtual.hands import VirtualHands
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import open_device
from steadyram.virtual.runtime import RuntimeName
from steadyram_fw import tables

STRATEGY = {word: i for i, word in enumerate(definition().enumeration("strategy"))}
STOP_ON = {word: i for i, word in enumerate(definition().enumeration("stop_on"))}
# Travel down to the gauge stacks of a virtual installation, as shares of the longest; one standard deviation of a
# block's height, metres (invented, the order of a workshop grade).
_STACKS = (0.1, 0.3, 0.5, 0.7, 0.9)
_LONGEST_S = 50.0
_STACK_ERROR_M = 5e-7
# The limit on force of a stroke that stops on depth, where none is given.
_LIMIT_SHARE = 0.9
_SPAN_COUNTS = 58982 - 6554
_CALIBRATED_UNIX = 1_767_225_600  # 2026-01-01, so that a trial's records are the same on any day
_LOOK_S = 0.04
_SETTLE_S = 0.25
# A foot comes off the pedal so long after an indicator's lamp went out.
_FOOT_OFF_S = 1.5
_LOADING_S = 0.7


@dataclass(frozen=True)
class Setup:
    """What installing found: the calibration and, unless a plain threshold is run, the dead-stop test."""

    calibration: Found
    characteristics: Characteristics | None
    position: PositionFound | None = None
    # What is in force on the device afterwards, in protocol units.
    settings: dict[str, int] = field(default_factory=dict)


def install(
    press: VirtualPress,
    device: Device,
    *,
    strategy: int,
    progress: Callable[[str, int, int], None] = lambda what, done, of: None,
) -> Setup:
    """Settings from the nameplate, calibration against the virtual load cell, then the dead-stop test."""
    model = press.plant.press
    hands = VirtualHands(press, press.seed)
    hands.open_changes()
    values = nameplate_settings(model) | {"strategy": strategy}
    device.push_settings(values)
    full_N = model.cylinder.area_m2 * model.transducer.range
    capacity = model.capacity_N
    found = calibrate(
        device,
        hands,
        capacity_N=capacity,
        counts_per_N=_SPAN_COUNTS / full_N,
        holds_load=model.valve.load_holding,
        slow_fitted=model.valve.slow_feed is not None,
        progress=lambda done, of: progress("calibrating", done, of),
    )
    hands.open_changes()
    calibration = found.polynomial.fields | {"serial": 1, "made_unix": _CALIBRATED_UNIX, "due_unix": 0}
    device.push_calibration(calibration)
    measured: Characteristics | None = None
    if strategy != STRATEGY["threshold"]:
        measured = characterise(
            device,
            hands,
            capacity_N=capacity,
            slow_fitted=model.valve.slow_feed is not None,
            burst=model.pump.burst,
            holds_load=model.valve.load_holding,
            progress=lambda done, of: progress("characterising", done, of),
        )
        hands.open_changes()
        values |= measured.settings()
        device.push_press(values)
    position: PositionFound | None = None
    if model.position is not None and measured is not None:
        position, values = _install_position(press, device, hands, found, calibration, values, progress)
    return Setup(found, measured, position, values)


def _install_position(
    press: VirtualPress,
    device: Device,
    hands: VirtualHands,
    found: Found,
    calibration: dict[str, int],
    values: dict[str, int],
    progress: Callable[[str, int, int], None],
) -> tuple[PositionFound, dict[str, int]]:
    """Position against gauge blocks, then the ram's speeds; pushed on top of what is in force already."""
    model = press.plant.press
    sensor = model.position
    assert sensor is not None
    daylight = 0.9 * model.cylinder.stroke
    # A hand pump is not worked for minutes: its blocks stand higher.
    longest = min(daylight, _LONGEST_S * model.pump.flow_m3_s(0.0) / 2 / model.cylinder.area_m2)
    draws = random.Random(press.seed ^ 0x6A0)
    span = model.capacity_N * 65536 / found.polynomial.fields["c1_n"]
    touch = touch_counts_for(span, float(device.now().spread_counts))
    slow = model.valve.slow_feed is not None
    located = calibrate_position(
        device,
        hands,
        [daylight - share * longest + draws.gauss(0.0, _STACK_ERROR_M) for share in _STACKS],
        kind=sensor.kind,
        nominal_m=(sensor.step or 0.0) if sensor.kind == "encoder" else (sensor.range or 0.0) / 0.9,
        zero_counts=found.zero_counts,
        touch_counts=touch,
        progress=lambda done, of: progress("measuring position", done, of),
    )
    hands.open_changes()
    device.push_calibration(calibration | located.fields)
    values = values | located.settings()
    device.push_press(values)
    speeds = measure_speeds(
        device,
        hands,
        zero_counts=found.zero_counts,
        touch_counts=touch,
        slow_fitted=slow,
        burst=model.pump.burst,
    )
    hands.open_changes()
    values = values | speeds.settings()
    device.push_press(values)
    return located, values


def check_setpoint(press: PressFile, setpoint_N: float) -> list[str]:
    """Warnings for a setpoint that can be run but not held. Raises BadInput for one that cannot be run."""
    top = press.capacity_N
    if setpoint_N > top:
        raise BadInput(
            f"The setpoint {show(setpoint_N, 'newton', 'kN')} is above what press, relief valve and transducer allow "
            f"({show(top, 'newton', 'kN')}); lower it."
        )
    if setpoint_N < 1:
        raise BadInput("The setpoint is not above zero; give a force such as '1.0 tonf'.")
    smallest = smallest_setpoint_N(press, HOLD_TO)
    if smallest is not None and setpoint_N >= smallest:
        return []
    cure = (
        "a smaller transducer range or a 16-bit converter"
        if press.valve.slow_feed is not None
        else "a slow-feed solenoid or a restrictor in the line"
    )
    figure = f"{show(smallest, 'newton', 'kN')}, the smallest" if smallest is not None else "anything that"
    return [
        f"The setpoint {show(setpoint_N, 'newton', 'kN')} is below {figure} this press can hold to {HOLD_TO:.0%}; "
        f"consider {cure}."
    ]


def check_target(press: PressFile, stop_on: str, target_m: float | None, cutoff: str) -> dict[str, int]:
    """Job fields of a stop on depth; none for one on force. Raises BadInput for what cannot be run."""
    if stop_on not in STOP_ON:
        raise BadInput(f"--stop is '{stop_on}'; choose force, depth or first.")
    if stop_on == "force":
        if target_m is not None:
            raise BadInput("--target is a depth; add --stop depth or --stop first.")
        return {}
    if target_m is None:
        raise BadInput(
            "A stop on depth needs --target, the ram's travel from the top switch, e.g. '5.30 mm'."
        )
    if press.position is None:
        raise BadInput(
            'The press file has no [position] table, so depth cannot be seen; add one, e.g. kind = "encoder" and '
            'step = "5 um".'
        )
    if cutoff == "threshold":
        raise BadInput("A plain threshold knows force alone; leave --cutoff at learned for a stop on depth.")
    if not 0 < target_m <= press.cylinder.stroke:
        raise BadInput(
            f"The target {1000 * target_m:.2f} mm is not within the stroke of {1000 * press.cylinder.stroke:.1f} mm."
        )
    return {"stop_on": STOP_ON[stop_on], "depth_um": round(1e6 * target_m)}


def run_trial(
    path: str | Path,
    setpoint_N: float,
    cycles: int,
    *,
    seed: int = 0,
    cutoff: str = "learned",
    runtime: RuntimeName = "micropython",
    faults: Sequence[str] = (),
    changes: Sequence[str] = (),
    job: dict[str, int] | None = None,
    stop_on: str = "force",
    target_m: float | None = None,
    with_attainable: bool = False,
    progress: Callable[[str, int, int], None] = lambda what, done, of: None,
    warn: Callable[[str], None] = lambda text: None,
) -> dict[str, Any]:
    """The document that `steadyram trial --json` prints. Forces in newtons, travel in metres, times in seconds.

    stop_on: "force", "depth" (setpoint_N is then the limit on force) or "first"; target_m: ram travel from the top.
    changes: "table.key=value@cycle"; faults: "NAME@CYCLE[:PHASE]"; with_attainable: work the attainable limit out,
    a second or so (as null where not asked for). Raises BadInput and what the device refuses.
    """
    if cutoff not in STRATEGY:
        raise BadInput(f"--cutoff is '{cutoff}'; choose learned, lead or threshold.")
    if not 1 <= cycles <= 100_000:
        raise BadInput("--cycles is not between 1 and 100000.")
    raw = read_press_tables(path)
    model = build_press(raw, str(path))
    if model.valve.indicator and cutoff != "threshold":
        raise BadInput(
            "This press has no valve (valve.indicator), so there is nothing to learn; give --cutoff threshold."
        )
    job = dict(job or {}) | check_target(model, stop_on, target_m, cutoff)
    if setpoint_N <= 0 and stop_on != "force":
        setpoint_N = _LIMIT_SHARE * model.capacity_N
    warnings = check_setpoint(model, setpoint_N)
    for text in warnings:
        warn(text)
    planned = [parse_change(text) for text in changes]
    later = raw
    for table, key, value, _ in sorted(planned, key=lambda each: each[3]):
        later = apply_change(later, table, key, value, str(path))
    for fault in faults:
        parse_fault(fault)
    with VirtualPress(raw, seed=seed, runtime=runtime) as press:
        device = open_device(press)
        install(press, device, strategy=STRATEGY[cutoff], progress=progress)
        fields = {field.name: field.default for field in definition().job}
        device.push_jobs([DeviceJob(1, "trial", fields | {"setpoint_n": round(setpoint_N)} | (job or {}))])
        device.use_job(1)
        for fault in faults:
            press.inject(fault)
        press.cycle = 0
        rows: list[dict[str, Any]] = []
        found: list[dict[str, Any]] = []
        seen = device.now().next_seq
        for n in range(1, cycles + 1):
            for table, key, value, cycle in planned:
                if cycle == n:
                    press.change(f"{table}.{key}", value)
            row, code = run_cycle(press, device, n, setpoint_N, seen)
            seen = row.pop("next_seq")
            rows.append(row)
            if target_m is not None:
                row["target_m"] = target_m
            if code is not None:
                found.append({"cycle": n, "code": code})
            progress("running", n, cycles)
        sigma_N = limit_sigma_N(model, setpoint_N)
        band_N = landing_band_N(sigma_N, setpoint_N)
        for row in rows:
            row["in_band"] = abs(row["peak_N"] - setpoint_N) <= band_N
        document: dict[str, Any] = {
            "runtime": press.runtime.name,
            "limit_sigma_N": sigma_N,
            "attainable_p95_N": attainable_p95_N(model, setpoint_N)
            if with_attainable and stop_on == "force"
            else None,
            "band_N": band_N,
            "setpoint_N": setpoint_N,
            "cutoff": cutoff,
            "seed": seed,
            "cycles": rows,
            "faults": found,
        }
        if stop_on != "force":
            document |= {"stop_on": stop_on, "target_m": target_m, "limit_sigma_m": limit_position_m(model)}
        if warnings:
            document["warnings"] = warnings
        return document


def run_cycle(
    press: VirtualPress, device: Device, n: int, setpoint_N: float, seen: int
) -> tuple[dict[str, Any], str | None]:
    """One part from loading to the top switch; the second value is the code of a fault that came up."""
    operator = press.operator
    plant = press.plant
    press.load_part()
    press.run(_LOADING_S)
    plant.peak_N = 0.0
    plant.deepest_m = 0.0
    log_from = len(press.valve_log)
    began = press.time_s
    operator.press_extend()
    code: str | None = None
    by_lamp = plant.press.valve.indicator
    lit_s = began
    reading = device.now()
    while press.time_s - began < 700.0:
        press.run(_LOOK_S)
        reading = device.now()
        if reading.state in ("done", "storing", "refused"):
            break
        if reading.state == "fault":
            code = reading.fault
            break
        if by_lamp:
            # Whoever pumps takes the foot off once the lamp has been dark for a while.
            lit_s = press.time_s if press.outputs & tables.OUT_LAMP else lit_s
            if press.time_s - lit_s > _FOOT_OFF_S:
                operator.release_extend()
    press.run(_SETTLE_S)
    reading = device.now()
    if reading.state == "fault":
        code = reading.fault
    peak, settled = plant.peak_N, plant.force_N
    depth, settled_depth = plant.deepest_m, plant.position_m
    ended = began
    extend = tables.OUT_LAMP if by_lamp else tables.OUT_EXTEND | tables.OUT_SLOW
    before = 0
    for entry in press.valve_log[log_from:]:
        if before & extend and not entry.word & extend:
            ended = entry.time_s
        before = entry.word
    operator.release_all()
    if code is not None:
        press.clear_faults()
        for _ in range(20):
            press.run(0.3)
            operator.tap_ack()
            press.run(0.3)
            if device.now().state != "fault":
                break
        else:
            raise CheckFailed(
                f"The fault '{code}' in cycle {n} could not be acknowledged; the trial ends here."
            )
    press.run(0.2)
    _up(press)
    bend = plant.released_angle_rad()
    reading = device.now()
    if reading.state == "fault":
        # A return that does not come off is a fault of this cycle too.
        code = code or reading.fault
        press.clear_faults()
        press.run(0.2)
        operator.tap_ack()
        press.run(0.2)
        _up(press)
        reading = device.now()
    records = list(device.log(seen)) if reading.next_seq > seen else []
    last = records[-1] if records else None
    travel: dict[str, Any] = {}
    if plant.press.position is not None:
        travel = {"depth_m": round(depth, 8), "settled_depth_m": round(settled_depth, 8)}
        travel["device_depth_m"] = last["depth_um"] / 1e6 if last else 0.0
    if bend is not None:
        # What a protractor shows after release.
        travel["angle_deg"] = round(180.0 - math.degrees(bend), 4)
    return (
        {
            "n": n,
            "setpoint_N": setpoint_N,
            "peak_N": round(peak, 3),
            "settled_N": round(settled, 3),
            "device_peak_N": float(last["peak_n"]) if last else 0.0,
            "stop": last.stop if last else (reading.refusal and f"refused:{reading.refusal}") or "none",
            "duration_s": round(ended - began, 3),
            "pulses": last["pulses"] if last else 0,
            "flags": sorted(last.flags) if last else [],
            "next_seq": reading.next_seq,
        }
        | travel,
        code,
    )


def _up(press: VirtualPress) -> None:
    if press.plant.at_top:
        return
    if press.plant.press.valve.indicator:
        press.operator.raise_ram(40.0)
        return
    press.operator.press_retract()
    press.run_until(lambda p: p.plant.at_top, 40.0)
    press.run(0.03)
    press.operator.release_retract()
    press.run(0.1)
