"""Plain advice from a sizing, and the alternatives it compares side by side."""

from __future__ import annotations

from steadyram.press.controllable import plateau_N, shortest_pulse_s, spoilt_setpoints_N
from steadyram.press.limits import limit_sigma_N, pressure_at_Pa, rise_rate_N_s
from steadyram.press.pressfile import PressFile
from steadyram.press.sizing import COVER_95, Sizing, size_press, threshold_overshoot_N
from steadyram.press.sizing_parts import TRANSDUCER_RANGES_PA
from steadyram.units import show


def _change(press: PressFile, table: str, **values: object) -> PressFile:
    return press.model_copy(update={table: getattr(press, table).model_copy(update=values)})


def alternatives(
    press: PressFile, setpoint_N: float | None, tolerance: float, pressure_unit: str = "psi"
) -> list[tuple[str, Sizing]]:
    """Size the press as it is, with one thing changed at a time, then with all that help."""
    result = [("as it is", size_press(press, setpoint_N, tolerance))]
    at = result[0][1].setpoint_N
    changed: list[tuple[str, PressFile]] = []
    flow = press.pump.flow_m3_s(press.pump.relief)
    slow = press.valve.slow_feed
    target = min(flow / 5.0, slow / 2.0) if slow is not None else flow / 5.0
    litres = target * 60e3
    if not press.pump.burst:
        # A hand pump's strokes are its feed: nothing slows them but the hand.
        changed.append(
            (
                f"{'smaller' if slow is not None else 'fit a'} slow feed, {litres:.2g} L/min",
                _change(press, "valve", slow_feed=target),
            )
        )
    smaller = next((r for r in TRANSDUCER_RANGES_PA if r >= 1.1 * press.pump.relief), None)
    if press.force_sensor is None and smaller is not None and smaller < 0.95 * press.transducer.range:
        label = f"transducer of {show(smaller, 'pascal', pressure_unit)}"
        changed.append((label, _change(press, "transducer", range=smaller)))
    if press.adc.bits < 16:
        changed.append(("16-bit converter", _change(press, "adc", bits=16)))
    if press.valve.jitter > 0.0:
        changed.append(
            (
                "half the jitter (solid-state relay, quicker valve)",
                _change(press, "valve", jitter=press.valve.jitter / 2),
            )
        )
    doubled = press.oil.trapped_volume * 2
    changed.append(("twice the trapped oil (softer)", _change(press, "oil", trapped_volume=doubled)))
    every = press
    for label, other in changed:
        sized = size_press(other, at, tolerance)
        result.append((label, sized))
        if sized.limit_sigma_N < 0.97 * result[0][1].limit_sigma_N and not label.startswith("twice"):
            for table in ("valve", "transducer", "adc"):
                update = {
                    key: value
                    for key, value in getattr(other, table).__dict__.items()
                    if value != getattr(press, table).__dict__[key]
                }
                if update:
                    every = _change(every, table, **update)
    if every is not press:
        result.append(("all of those that help by 3 % or more", size_press(every, at, tolerance)))
    return result


def advice(
    press: PressFile,
    sized: Sizing,
    compared: list[tuple[str, Sizing]],
    unit: str = "tonf",
    pressure_unit: str = "MPa",
) -> list[str]:
    """What to change, most useful first; sentences for people."""

    def force(value: float) -> str:
        return show(value, "newton", unit, 3)

    lines = []
    percent = 100.0 * COVER_95 * sized.limit_sigma_N / sized.setpoint_N
    if sized.smallest_setpoint_N is None:
        lines.append(f"No setpoint of this press can be held to {100 * sized.tolerance:.3g} %.")
    if not sized.holds:
        lines.append(
            f"At {force(sized.setpoint_N)} the best possible scatter is ±{percent:.2g} % (95 % of "
            f"strokes), more than the "
            f"±{100 * sized.tolerance:.3g} % asked for."
        )
    sensor = "transducer" if press.force_sensor is None else "force sensor"
    reasons = {
        "timing": "valve timing at this rise rate matters most: "
        + ("take a valve with less jitter" if press.pump.burst else "slow the feed before anything else"),
        "noise": f"{sensor} noise matters most: take a smaller range or a quieter {sensor}",
        "step": f"the converter's step matters most: take more bits or a smaller {sensor} range",
    }
    lines.append(f"What limits the cutoff: {reasons[sized.parts.largest]}.")
    base = compared[0][1]
    helpful = sorted(
        (
            (s.limit_sigma_N, label, s)
            for label, s in compared[1:]
            if s.limit_sigma_N < 0.9 * base.limit_sigma_N and not label.startswith("all")
        ),
        key=lambda item: item[0],
    )
    for sigma, label, other in helpful[:3]:
        smallest = (
            f", smallest setpoint {force(other.smallest_setpoint_N)}" if other.smallest_setpoint_N else ""
        )
        lines.append(
            f"With '{label}' the limit falls to {100 * sigma / base.limit_sigma_N:.0f} % of what it "
            f"is{smallest}."
        )
    gap = shortest_pulse_s(press)
    if gap > 0.0:
        lines.append(
            f"The shortest pulse that moves anything lets {gap * 1e3:.3g} ms of "
            + ("full" if press.valve.slow_feed is None else "slow")
            + f" flow through, about {force(sized.shortest_pulse_N)}. The cutoff leaves room for it, but a "
            "part whose knee lies that close below the setpoint cannot be landed finer: "
            + (
                "fit a quicker-closing valve."
                if press.pump.burst or press.valve.slow_feed is not None
                else "fit a slow feed or a quicker-closing valve."
            )
        )
    held = sized.controllable_setpoint_N
    if held is not None and (sized.smallest_setpoint_N or 0.0) < 0.98 * held:
        lines.append(
            f"With the shortest pulse counted, the smallest setpoint that is held to {100 * sized.tolerance:.3g} % "
            f"is {force(held)}."
        )
    for low, high in spoilt_setpoints_N(press, sized.tolerance):
        lines.append(
            f"Setpoints from {force(low)} to {force(high)} fall on a wide code of the converter on the chip: choose "
            "another or fit the external 16-bit converter."
        )
    plateau = plateau_N(press)
    if plateau is not None and plateau[0] <= sized.setpoint_N <= plateau[1]:
        lines.append(
            f"The setpoint is on the plateau of the work ({force(plateau[0])} to {force(plateau[1])}): force alone "
            "does not say how far the part is formed there; press on to the rise behind it, or stop on depth."
        )
    if sized.threshold_overshoot_N > sized.tolerance * sized.setpoint_N:
        lines.append(
            f"A plain threshold would overshoot by about {force(sized.threshold_overshoot_N)} "
            f"({100 * sized.threshold_overshoot_N / sized.setpoint_N:.0f} %) with "
            f"{sized.lag_s * 1e3:.3g} ms of lag: use "
            "the learned cutoff, and let a new job come up to its first contact slowly."
        )
    rated, relief_N = press.frame.rated, press.cylinder.force_N(press.pump.relief)
    if rated is not None and relief_N > rated:
        lines.append(
            f"The relief valve lets {force(relief_N)} through, {100 * (relief_N / rated - 1):.0f} % more than the "
            f"frame is rated for: set it to {show(pressure_at_Pa(press, rated), 'pascal', pressure_unit, 3)} at most. "
            "The firmware's limit takes no relief valve's place."
        )
    if press.force_sensor is not None:
        if press.force_sensor.full_N < press.pump.relief * press.cylinder.area_m2:
            lines.append(
                "The force sensor's full output is below what the relief valve allows: it caps the capacity and is "
                "overloaded; choose one that covers it."
            )
    elif press.transducer.range < press.pump.relief:
        lines.append(
            "The transducer's range is below the relief setting: it caps the capacity and a blocked "
            "line can damage it; "
            "choose a range at least 10 % above the relief."
        )
    elif press.transducer.range > 2.0 * press.pump.relief:
        lines.append(
            "The transducer's range is more than twice the relief: half of its resolution is never used."
        )
    if not press.valve.load_holding:
        lines.append(
            "The valve is open-centre and lets go of the pressure at once: there is no settled force "
            "to close in from; a "
            "pilot-operated check valve cures it."
        )
    if press.pump.burst and press.pump.stroke_volume is not None:
        step = sized.series_stiffness_N_per_m * press.pump.stroke_volume / sized.area_m2
        lines.append(
            f"A hand pump moves the force in steps of about {force(step)} a stroke; use half strokes "
            f"near the end."
        )
    if press.valve.leak_down > 0.01:
        lines.append(
            f"The pressure leaks away at {100 * press.valve.leak_down:.2g} % a second: a dwell will "
            f"need topping up; look at "
            "the check valve's seat."
        )
    return lines


def hold_curve(press: PressFile, tolerance: float, points: int = 200) -> list[tuple[float, float, float]]:
    """(setpoint N, holdable fraction ±, threshold overshoot as a fraction) from 1 % of capacity up."""
    low, high = 0.01 * press.capacity_N, press.capacity_N
    curve = []
    for i in range(points):
        s = low * (high / low) ** (i / (points - 1))
        curve.append((s, COVER_95 * limit_sigma_N(press, s) / s, threshold_overshoot_N(press, s) / s))
    return curve


def rise_rates(press: PressFile) -> dict[str, float]:
    """Rise rate after flush (N/s) of each stage that the press has."""
    rates = {
        "low_stage_N_per_s": rise_rate_N_s(press, 0.0),
        "high_stage_N_per_s": rise_rate_N_s(press, press.capacity_N),
    }
    if press.valve.slow_feed is not None:
        rates["slow_feed_N_per_s"] = rise_rate_N_s(press, press.capacity_N, slow=True)
    return rates
