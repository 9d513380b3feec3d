"""Drawings of a job whose press has a position sensor: force against travel with its band, and depths."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from markupsafe import Markup

from steadyram.config import Preferences
from steadyram.cycles.travel_signature import curve
from steadyram.link.records import DeviceJob
from steadyram.report.plot import WIDE, Plot
from steadyram.report.travel import TravelData
from steadyram.units import to_unit

STROKES_MOST: Final = 60
_DOTS_MOST: Final = 400
_LABEL: Final = 14.0  # height of a label
_MM: Final = 1000.0


def travel_figures(
    data: TravelData, job: DeviceJob | None, units: Preferences, *, depths: bool = True
) -> list[tuple[str, Markup, str]]:
    """Heading, drawing and caption: force against travel, and depths where the job asks for them.

    depths: False leaves these out, for a page that has them in charts of its own.
    """
    found = []
    plot = _force_travel(data, job, units)
    if plot is not None:
        found.append(("Force against travel", plot, _said(data)))
    if depths and data.chart is not None and data.on_depth:
        found.append(("Depth", _depths(data), _depth_note(data)))
    return found


def _force_travel(data: TravelData, job: DeviceJob | None, units: Preferences) -> Markup | None:
    numbers = list(data.strokes)[-STROKES_MOST:]
    curves = {seq: found for seq in numbers if (found := curve(data.strokes[seq])) is not None}
    if not curves:
        return None
    scale = to_unit(1.0, "newton", units.force_unit)
    band = data.judged.band
    first = min(float(each.travel_m[0]) for each in curves.values())
    last = max(float(each.travel_m[-1]) for each in curves.values())
    top = max(float(each.force_N[-1]) for each in curves.values())
    room = 0.04 * (last - first)
    windows = [job.fields.get(key, 0) if job is not None else 0 for key in ("window_low_n", "window_high_n")]
    top = max([top, *windows])
    plot = Plot(
        f"Force against travel of {len(curves)} strokes",
        "travel from the top, mm",
        f"force, {units.force_unit}",
        (first - room) * _MM,
        (last + room) * _MM,
        0.0,
        top * 1.08 * scale,
        size=WIDE,
    )
    if band is not None:
        low, high = band.low_N * scale, band.high_N * scale
        plot.area((band.travel_m * _MM).tolist(), low.tolist(), high.tolist(), "band")
    odd = {seq for seq, _ in data.odd}
    for seq in sorted(curves, key=lambda each: each in odd):
        each = curves[seq]
        style = "trace strange" if seq in odd else "trace"
        plot.line((each.travel_m * _MM).tolist(), (each.force_N * scale).tolist(), style)
    for value in {data.target_m, data.low_m, data.high_m} - {0.0}:
        plot.upright(value * _MM, "set" if value == data.target_m else "limit")
    for value in windows:
        if value:
            plot.level(value * scale, "limit", "window")
    return plot.svg()


def _said(data: TravelData) -> str:
    judged = data.judged
    text = "The newest strokes, from the last free travel to the highest force; the frame's stretch is in the travel."
    if judged.band is not None:
        text += f" Shaded: where {len(judged.teaching)} good parts lie."
    if judged.envelope is None:
        return text + " Too few good parts with a knee to judge others by."
    odd = data.odd
    if not odd:
        return text + f" All {len(judged.verdicts)} are as the good parts, or could not be judged."
    listed = "; ".join(f"record {seq}: {words}" for seq, words in odd[:6])
    more = f"; and {len(odd) - 6} more" if len(odd) > 6 else ""
    return f"{text} Not as the good parts, drawn in the mark's colour: {listed}{more}."


def _depths(data: TravelData) -> Markup:
    assert data.chart is not None
    chart = data.chart
    depths = [each["depth_um"] / 1e6 * _MM for each in data.settled]
    lines = [
        (data.target_m, "set", "target"),
        (data.low_m if data.high_m else 0.0, "limit", "window"),
        (data.high_m, "limit", "window"),
        (chart.centre, "mid", "mean"),
        (chart.upper, "mid", "+3 sigma"),
        (chart.lower, "mid", "-3 sigma"),
    ]
    lines = [(value * _MM, style, label) for value, style, label in lines if value]
    low, high = min([*depths, *(v for v, _, _ in lines)]), max([*depths, *(v for v, _, _ in lines)])
    room = 0.07 * (high - low) or 0.01
    plot = Plot(
        "Individuals chart of depth", "stroke", "depth, mm", 0.5, len(depths) + 0.5, low - room, high + room,
        x_whole=True, size=WIDE,
    )  # fmt: skip
    used: list[float] = []
    for value, style, label in lines:
        # Two labels on one spot cannot be read; the caption has the figures.
        near = any(abs(plot.y(value) - other) < _LABEL for other in used)
        used.append(plot.y(value))
        plot.level(value, style, "" if near else label)
    odd = {
        index
        for index, each in enumerate(data.settled)
        if each.stop == "window" or not chart.lower <= each["depth_um"] / 1e6 <= chart.upper
    }
    _points(plot, depths, odd, [each.seq for each in data.settled])
    return plot.svg()


def _points(plot: Plot, depths: Sequence[float], odd: set[int], numbers: Sequence[int]) -> None:
    places = [index + 1 for index in range(len(depths))]
    many = len(depths) > _DOTS_MOST
    if many:
        plot.cloud(places, depths)
    else:
        plot.line(places, depths, "run")
    for index, depth in enumerate(depths):
        if index in odd or not many:
            style = "dot odd" if index in odd else "dot"
            plot.dot(index + 1, depth, style, f"record {numbers[index]}: {depth:.3f} mm")


def _depth_note(data: TravelData) -> str:
    assert data.chart is not None
    chart = data.chart

    def shown(value: float) -> str:
        return f"{value * _MM:.3f} mm"

    text = (
        f"Ram travel from the top when the stroke had settled. Mean {shown(chart.centre)}, limits {shown(chart.lower)} "
        f"to {shown(chart.upper)} (mean ± 2.66 times the mean moving range, NIST/SEMATECH e-Handbook 6.3.2.2)."
    )
    if data.target_m:
        text += f" Target {shown(data.target_m)}."
    if any(each.stop == "window" for each in data.settled):
        text += " Strokes that missed their window are shown and not counted in these."
    if data.high_m:
        text += f" Window {shown(data.low_m)} to {shown(data.high_m)}."
    return text
