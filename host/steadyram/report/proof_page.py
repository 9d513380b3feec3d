"""The proof of a batch as one self-contained HTML page; no outside request, no script."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from steadyram import __version__
from steadyram.config import Preferences
from steadyram.link.definition import definition
from steadyram.link.records import CycleRecord
from steadyram.report import proof_text as words
from steadyram.report.page import clean, marks, when
from steadyram.report.plot import WIDE, Plot
from steadyram.report.proof import Proof
from steadyram.report.shown import Shown, depth, forces
from steadyram.report.travel_plot import travel_figures

# Above this many points a chart draws them as one cloud; only those out of the ordinary keep their tooltips.
_DOTS_MOST: Final = 400
_ROWS_MOST: Final = 400
_LABEL: Final = 14.0  # height of a label


def render_proof(proof: Proof, units: Preferences, *, title: str = "Proof of a batch", made_unix: int) -> str:
    """The whole page. made_unix: time of making."""
    environment = Environment(
        loader=PackageLoader("steadyram.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    environment.filters["force"] = forces(units)
    environment.filters["depth"] = depth
    environment.filters["when"] = when
    environment.filters["clean"] = clean
    rows = listed(proof)
    return environment.get_template("proof.html").render(
        title=title,
        proof=proof,
        units=units,
        reactions=words.REACTION_PLAN,
        sampling=words.sampling_plan(proof),
        headline=words.headline(proof),
        odd=words.odd_rows(proof),
        odd_headings=words.ODD_HEADINGS,
        said=words.word_rows(proof),
        said_headings=words.WORD_HEADINGS,
        findings=words.proof_findings(proof, units),
        facts=words.fact_rows(proof, units),
        indices=words.index_rows(proof, units),
        tests=words.test_rows(proof, units),
        test_headings=words.test_headings(proof),
        sets=words.set_rows(proof),
        assumes=words.ASSUMES,
        cautions=words.CAUTIONS,
        charts=charts(proof, units),
        # Depths have their charts above where they are what parts are held to.
        travel=travel_figures(
            proof.travel, proof.jobs[-1] if proof.jobs else None, units, depths=proof.quantity == "force"
        )
        if proof.travel is not None
        else (),
        rows=rows,
        marks=marks,
        stop_texts={entry.name: entry.text for entry in definition().stops.values()},
        fault_texts={each.name: f"{each.text}. {each.remedy}" for each in definition().faults.values()},
        made=when(made_unix),
        version=__version__,
    )


def listed(proof: Proof) -> list[CycleRecord]:
    """All records of a small batch; of a large one those that are out of the ordinary, up to a bound."""
    if len(proof.records) <= _ROWS_MOST:
        return list(proof.records)
    landed = {record.seq for record in proof.landed}
    odd = {record.seq for record in proof.outside_limits}
    odd |= {seq for seq, each in proof.judgements.items() if each.odd}
    odd |= {proof.charted[hit.index].seq for hit in proof.hits if hit.rule == 1}
    return [r for r in proof.records if r.seq in odd or r.seq not in landed or marks(r)][:_ROWS_MOST]


def charts(proof: Proof, units: Preferences) -> list[tuple[str, Markup, str]]:
    """Heading, drawing and caption of each chart; none without two landed parts."""
    if proof.individuals is None:
        return []
    shown = Shown(proof.quantity, units)
    value, spread = shown.value, shown.spread
    level = value if not proof.relative else spread
    found = [_run(proof, shown), _moving(proof, shown)]
    chart = proof.individuals
    captions = [
        f"Individuals chart: mean {level(chart.centre)}, limits {level(chart.lower)} to {level(chart.upper)} "
        "(mean ± 2.66 times the mean moving range, NIST/SEMATECH e-Handbook 6.3.2.2). Diamonds "
        + ("are beyond them" if len(proof.values) > _DOTS_MOST else "broke a rule of runs")
        + ". Thin lines: mean ± 3 sigma; shaded: within the limits that parts are held against.",
        f"Moving range of neighbours: mean {spread(chart.moving_range)}, upper limit {spread(chart.range_upper)}.",
    ]
    headings = ["Run chart", "Moving range"]
    if proof.means is not None:
        n = proof.means.n
        found += [_means(proof, shown), _ranges(proof, shown)]
        headings += [f"Means of {n} parts (X-bar)", f"Ranges of {n} parts (R)"]
        captions += [
            f"Limits {level(proof.means.lower)} to {level(proof.means.upper)}: mean of means ± A2 times the "
            "mean range (NIST/SEMATECH e-Handbook 6.3.2.1).",
            f"Mean range {spread(proof.means.mean_range)}, limits {spread(proof.means.range_lower)} to "
            f"{spread(proof.means.range_upper)} (D3 and D4 times it).",
        ]
    found.append(_histogram(proof, shown))
    headings.append("Spread against the limits")
    captions.append(f"Landed parts; dashed: the limits that parts are held against, solid: the {shown.aim}.")
    return list(zip(headings, found, captions, strict=True))


def _label(proof: Proof, shown: Shown) -> str:
    return f"{shown.named(proof.relative)}, {shown.unit}"


def _run(proof: Proof, shown: Shown) -> Markup:
    assert proof.individuals is not None
    chart, centre, scale, label = proof.individuals, proof.centre, shown.scale, _label(proof, shown)
    values = [value * scale for value in proof.values]
    low_limit, high_limit = centre - proof.limits.below, centre + proof.limits.above
    low = min([*values, chart.lower * scale, low_limit * scale])
    high = max([*values, chart.upper * scale, high_limit * scale])
    plot = _plot("Run chart of the landed parts", "landed part", label, len(values), low, high, wide=True)
    plot.band(low_limit * scale, high_limit * scale)
    # Of many points only those beyond three sigmas stand out, and lines are drawn over the cloud.
    many = len(values) > _DOTS_MOST
    odd = {hit.index for hit in proof.hits if hit.rule == 1 or not many}
    tips = [f"record {record.seq}" for record in proof.charted]
    if many:
        _points(plot, values, odd, tips, shown)
    plot.level(low_limit * scale, "limit", "low limit")
    plot.level(high_limit * scale, "limit", "high limit")
    plot.level(centre * scale, "set", shown.aim)
    for value, text, neighbour in (
        (chart.upper, "+3 sigma", high_limit),
        (chart.lower, "-3 sigma", low_limit),
    ):
        # Two labels on one spot cannot be read; the caption tells which line is which.
        near = (
            min(abs(plot.y(value * scale) - plot.y(other * scale)) for other in (neighbour, centre)) < _LABEL
        )
        plot.level(value * scale, "mid", "" if near else text)
    if not many:
        _points(plot, values, odd, tips, shown)
    return plot.svg()


def _moving(proof: Proof, shown: Shown) -> Markup:
    assert proof.individuals is not None
    scale = shown.scale
    ranges = [abs(b - a) * scale for a, b in zip(proof.values[:-1], proof.values[1:], strict=True)]
    top = proof.individuals.range_upper * scale
    plot = _plot("Moving ranges", "landed part", f"moving range, {shown.unit}", len(ranges) + 1, 0.0,
                 max([*ranges, top]))  # fmt: skip
    plot.level(top, "limit", "limit")
    plot.level(proof.individuals.moving_range * scale, "mid", "mean")
    odd = {index for index, width in enumerate(ranges) if width > top}
    _points(plot, ranges, odd, [f"record {record.seq}" for record in proof.charted[1:]], shown, start=2)
    return plot.svg()


def _means(proof: Proof, shown: Shown) -> Markup:
    assert proof.means is not None
    chart, scale, label = proof.means, shown.scale, _label(proof, shown)
    values = [value * scale for value in chart.means]
    low, high = min([*values, chart.lower * scale]), max([*values, chart.upper * scale])
    plot = _plot("Chart of means", f"group of {chart.n}", label, len(values), low, high)
    for value, style, text in (
        (chart.centre, "mid", "mean"), (chart.upper, "limit", "limit"), (chart.lower, "limit", "limit")
    ):  # fmt: skip
        plot.level(value * scale, style, text)
    _points(plot, values, set(chart.outside), [f"group {i + 1}" for i in range(len(values))], shown)
    return plot.svg()


def _ranges(proof: Proof, shown: Shown) -> Markup:
    assert proof.means is not None
    chart, scale = proof.means, shown.scale
    values = [value * scale for value in chart.ranges]
    plot = _plot("Chart of ranges", f"group of {chart.n}", f"range, {shown.unit}", len(values), 0.0,
                 max([*values, chart.range_upper * scale]))  # fmt: skip
    plot.level(chart.mean_range * scale, "mid", "mean")
    plot.level(chart.range_upper * scale, "limit", "limit")
    _points(plot, values, set(chart.ranges_outside), [f"group {i + 1}" for i in range(len(values))], shown)
    return plot.svg()


def _histogram(proof: Proof, shown: Shown) -> Markup:
    scale, label = shown.scale, _label(proof, shown)
    values = np.asarray(proof.values) * scale
    centre = proof.centre * scale
    below, above = proof.limits.below * scale, proof.limits.above * scale
    low, high = min(values.min(), centre - below), max(values.max(), centre + above)
    room = (high - low) * 0.05 or 1.0
    bins = min(40, max(8, round(np.sqrt(len(values)) * 1.5)))
    counts, edges = np.histogram(values, bins=bins)
    plot = Plot("Spread of the landed parts", label, "parts", low - room, high + room, 0.0,
                float(counts.max()) * 1.08)  # fmt: skip
    plot.bars(edges.tolist(), counts.tolist())
    plot.upright(centre - below, "limit")
    plot.upright(centre + above, "limit")
    plot.upright(centre, "set")
    return plot.svg()


def _plot(title: str, x: str, y: str, n: int, low: float, high: float, *, wide: bool = False) -> Plot:
    room = (high - low) * 0.07 or 1.0
    floor = low if low == 0.0 else low - room
    plot = Plot(title, x, y, 0.5, n + 0.5, floor, high + room, x_whole=True)
    if wide:
        plot.size = WIDE
    return plot


def _points(
    plot: Plot, values: Sequence[float], odd: set[int], tips: Sequence[str], shown: Shown, start: int = 1
) -> None:
    xs = [index + start for index in range(len(values))]
    many = len(values) > _DOTS_MOST
    if many:
        plain = [index for index in range(len(values)) if index not in odd]
        plot.cloud([xs[index] for index in plain], [values[index] for index in plain])
    else:
        plot.line(xs, values, "run")
    for index, value in enumerate(values):
        if index in odd or not many:
            plot.dot(
                xs[index], value, "dot odd" if index in odd else "dot", f"{tips[index]}: {shown.tip(value)}"
            )
