"""From gathered data to one self-contained HTML page: words, tables, plots. No outside request, no script."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from steadyram import __version__
from steadyram.config import Preferences
from steadyram.link.definition import definition
from steadyram.link.records import CycleRecord
from steadyram.report.gather import ReportData, Run
from steadyram.report.landing import value_of
from steadyram.report.plot import WIDE, Plot
from steadyram.report.shown import Shown
from steadyram.report.travel_plot import travel_figures
from steadyram.units import to_unit

# Above these a report draws points as one cloud and lists only the strokes that are out of the ordinary.
DOTS_MOST = 1000
ROWS_MOST = 1000


@dataclass(frozen=True, slots=True)
class RunView:
    """A run with its plots and the texts of its row in the summary."""

    run: Run
    cells: Mapping[str, str]
    traces: Markup | None
    peaks: Markup
    chart: Markup | None
    chart_note: str
    travel: Sequence[tuple[str, Markup, str]]


@dataclass(frozen=True, slots=True)
class Finding:
    """Something to know before trusting the numbers; `grave` is drawn stronger."""

    grave: bool
    text: str


def render(
    data: ReportData,
    units: Preferences,
    *,
    title: str = "Press report",
    made_unix: int,
    notes: Sequence[str] = (),
    facts: Mapping[str, str] | None = None,
) -> str:
    """The whole page. made_unix: time of making; notes: sentences to show on top (what a demo must say);
    facts: further lines of the identity table, such as the runtime that ran the firmware.
    """
    environment = Environment(
        loader=PackageLoader("steadyram.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    environment.filters["force"] = quick_force(units)
    environment.filters["when"] = when
    environment.filters["clean"] = clean
    return environment.get_template("page.html").render(
        title=title,
        data=data,
        units=units,
        runs=[_view(run, units) for run in data.runs],
        findings=findings(data, units),
        notes=notes,
        facts=facts or {},
        made=when(made_unix),
        version=__version__,
        settings_texts={field.name: field.text for field in (*definition().settings, *definition().measured)},
        calibration_texts={field.name: field.text for field in definition().calibration},
        fault_texts={each.name: f"{each.text}. {each.remedy}" for each in definition().faults.values()},
        stop_texts={entry.name: entry.text for entry in definition().stops.values()},
        marks=marks,
        listed=listed,
        protocol=definition().version,
    )


def quick_force(units: Preferences) -> Callable[..., str]:
    """A force for people, with the unit's factor looked up once: a long report asks for very many."""
    factor = to_unit(1.0, "newton", units.force_unit)

    def force(value_N: float, digits: int = 4) -> str:
        return f"{value_N * factor:.{digits}g} {units.force_unit}"

    return force


def listed(run: Run) -> Sequence[CycleRecord]:
    """All records of a run; of a long one those out of the ordinary, up to a bound, so that a browser opens it."""
    if len(run.records) <= ROWS_MOST:
        return run.records
    usual = {record.seq for record in run.charted if run.in_its_band(record)}
    if run.chart is not None:
        usual -= {run.charted[index].seq for index in run.chart.outside}
    return [record for record in run.records if record.seq not in usual or marks(record)][:ROWS_MOST]


def when(unix: Any) -> str:
    """A wall-clock time for people, UTC; a dash when the clock was not set."""
    try:
        number = int(unix)
        return f"{datetime.fromtimestamp(number, UTC):%Y-%m-%d %H:%M:%S} UTC" if number > 0 else "–"
    except (ValueError, OverflowError, OSError):
        return "–"


def clean(text: Any) -> str:
    """Text from outside without control or direction-changing characters; escaping is the template's part."""
    return "".join(char if char.isprintable() else "�" for char in str(text))[:400]


def marks(record: CycleRecord) -> str:
    """What is out of the ordinary about a record, in a few words."""
    words = {
        "first": "first part",
        "threshold": "plain threshold",
        "small": "setpoint below the smallest that can be held",
        "gap": "gap before it",
        "reset": "learning reset",
        "probe": "commissioning",
    }
    found = [] if "cutoff" in record.flags else ["no cutoff"]
    return ", ".join(found + [text for flag, text in words.items() if flag in record.flags])


def findings(data: ReportData, units: Preferences) -> list[Finding]:
    """What must be known before the numbers are trusted, gravest first."""
    found: list[Finding] = []
    if data.faults:
        names = ", ".join(sorted({str(record.fault) for record in data.faults}))
        found.append(Finding(True, f"{_count(len(data.faults), 'stroke')} ended in a fault ({names})."))
    if data.without_cutoff:
        numbers = _records([record.seq for record in data.without_cutoff])
        found.append(
            Finding(
                True,
                f"{_count(len(data.without_cutoff), 'cycle')} run without cutoff ({numbers}): the "
                "operator ended these by pedal, and they are left out of the statistics.",
            )
        )
    if data.gaps:
        found.append(Finding(True, f"The record has {_count(len(data.gaps), 'gap')}; see below."))
    for serial, snapshot, count in data.calibrations:
        if serial == 0:
            found.append(
                Finding(True, f"{_count(count, 'stroke')} made without a calibration: no force is known.")
            )
        elif snapshot is None:
            found.append(
                Finding(
                    True,
                    f"Calibration {serial} ({_count(count, 'stroke')}) was never pulled: it cannot "
                    "be shown here.",
                )
            )
        elif snapshot.content["due_unix"] and data.last_unix > snapshot.content["due_unix"]:
            found.append(
                Finding(
                    True,
                    f"Calibration {serial} was due on {when(snapshot.content['due_unix'])} and "
                    "strokes were made after that.",
                )
            )
    for gen, snapshot, count in data.settings:
        if snapshot is None:
            found.append(
                Finding(
                    False,
                    f"Settings of generation {gen} ({_count(count, 'stroke')}) were replaced before a pull "
                    "and cannot be shown.",
                )
            )
        elif snapshot.content.get("strategy") == definition().value("strategy", "lead"):
            found.append(
                Finding(False, "The cutoff used a lead set once from the dead-stop test; it did not learn.")
            )
        elif snapshot.content.get("strategy") == definition().value("strategy", "threshold"):
            found.append(Finding(False, "The cutoff was a plain threshold: overshoot is to be expected."))
    for run in data.runs:
        high = [record for record in run.charted if run.off(record) > 0.0 and not run.in_its_band(record)]
        if high:
            shown = Shown(run.landing.quantity, units)
            found.append(
                Finding(
                    True,
                    f"“{clean(run.name)}”: {_count(len(high), shown.what)} more than "
                    f"{shown.spread(run.band)} above the {shown.aim} ({_records([r.seq for r in high])}).",
                )
            )
        missed = [record.seq for record in run.records if record.stop == "window"]
        if missed:
            found.append(
                Finding(
                    True,
                    f"“{clean(run.name)}”: {_count(len(missed), 'stroke')} stopped outside the job's window "
                    f"({_records(missed)}).",
                )
            )
        if run.chart is not None and run.chart.outside:
            numbers = _records([run.charted[index].seq for index in run.chart.outside])
            found.append(Finding(False, f"“{clean(run.name)}”: outside the run chart's limits: {numbers}."))
        if any("small" in record.flags for record in run.records):
            found.append(
                Finding(
                    False,
                    f"“{clean(run.name)}”: the setpoint is below the smallest that this press can "
                    "hold; expect scatter.",
                )
            )
        if run.job is not None and run.job.fields["unproven"]:
            found.append(Finding(False, f"“{clean(run.name)}” is unproven: its setpoint is an estimate."))
    if not any(record["at_unix"] for run in data.runs for record in run.records):
        found.append(
            Finding(False, "The device's clock was not set: order is kept by record number and power-up.")
        )
    return sorted(found, key=lambda finding: not finding.grave)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")


def _records(seqs: Sequence[int], most: int = 12) -> str:
    shown = ", ".join(str(seq) for seq in seqs[:most])
    more = f" and {len(seqs) - most} more" if len(seqs) > most else ""
    return f"record{'' if len(seqs) == 1 else 's'} {shown}{more}"


def _view(run: Run, units: Preferences) -> RunView:
    shown = Shown(run.landing.quantity, units)
    deviation = "–"
    if run.mean is not None and run.target:
        off = run.mean - run.target
        # A share of a depth from the top says nothing of a part.
        deviation = f"{off / run.target:+.2%}" if shown.quantity == "force" else f"{off * 1e3:+.3f} mm"
    cells = {
        "target": shown.value(run.target or None),
        "limit": "" if shown.quantity == "force" else quick_force(units)(run.setpoint_N),
        "landed": f"{len(run.landed)} of {len(run.records)}",
        "mean": shown.value(run.mean),
        "deviation": deviation,
        "sd": shown.spread(run.sd),
        "lowest": shown.value(run.lowest),
        "highest": shown.value(run.highest),
        "overshoot": shown.spread(run.overshoot),
        "in_band": f"{run.in_band} of {len(run.charted)}" if run.charted and run.band is not None else "–",
        "band": shown.spread(run.band),
        "heading": f"{shown.plural.capitalize()} against {shown.aim}",
    }
    chart, note = _run_chart(run, units)
    travel = travel_figures(run.travel, run.job, units) if run.travel is not None else ()
    return RunView(run, cells, _traces(run, units), _peaks(run, units), chart, note, travel)


def _traces(run: Run, units: Preferences) -> Markup | None:
    if not run.traces:
        return None
    scale = to_unit(1.0, "newton", units.force_unit)
    end = max(len(trace.points) * trace.dt_s for trace in run.traces)
    top = max([run.setpoint_N, *(max(trace.force_N(), default=0.0) for trace in run.traces)])
    plot = Plot(
        f"Force against time of {len(run.traces)} strokes",
        "time, s",
        f"force, {units.force_unit}",
        0.0,
        end,
        0.0,
        top * 1.08 * scale,
        size=WIDE,
    )
    for trace in run.traces:
        xs = [(index + 1) * trace.dt_s for index in range(len(trace.points))]
        plot.line(xs, [force * scale for force in trace.force_N()], "trace")
    if run.setpoint_N:
        plot.level(run.setpoint_N * scale, "set", "setpoint")
    return plot.svg()


def _peaks(run: Run, units: Preferences) -> Markup:
    shown = Shown(run.landing.quantity, units)
    scale = shown.scale
    values = [value_of(record, shown.quantity) * scale for record in run.records]
    target, band = run.target * scale, (run.band or 0.0) * scale
    # Strokes that did not land may lie anywhere; those charted set the scale, the others sit at its edge.
    landed = [value_of(record, shown.quantity) * scale for record in run.charted] or values
    low, high = min([*landed, target - 2 * band]), max([*landed, target + 2 * band])
    room = (high - low) * 0.06 or 1.0
    plot = Plot(
        f"{shown.plural.capitalize()} against the {shown.aim}",
        "record number",
        f"{shown.what}, {shown.unit}",
        run.first_seq - 0.5,
        run.last_seq + 0.5,
        low - room,
        high + room,
        x_whole=True,
    )
    if run.target:
        plot.band(target - band, target + band)
        plot.level(target, "set", shown.aim)
    counted = {record.seq for record in run.charted}
    landed_too = {record.seq for record in run.landed} - counted
    many = len(values) > DOTS_MOST
    if many:
        usual = [(r.seq, value) for r, value in zip(run.records, values, strict=True) if r.seq in counted]
        plot.cloud([seq for seq, _ in usual], [value for _, value in usual])
    odd = 0
    for record, value in zip(run.records, values, strict=True):
        good = record.seq in counted
        odd += not good
        if many and (good or odd > DOTS_MOST):
            continue
        tip = f"record {record.seq}: {shown.value(value / scale)}, stop: {record.stop}"
        if marks(record):
            tip += f", {marks(record)}"
        style = "dot" if good else "dot apart" if record.seq in landed_too else "dot odd"
        plot.dot(record.seq, value, style, tip)
    return plot.svg()


def _run_chart(run: Run, units: Preferences) -> tuple[Markup | None, str]:
    if run.chart is None:
        return None, "A run chart needs two landed strokes or more."
    shown = Shown(run.landing.quantity, units)
    scale, chart = shown.scale, run.chart
    values = [value_of(record, shown.quantity) * scale for record in run.charted]
    low, high = min([*values, chart.lower * scale]), max([*values, chart.upper * scale])
    room = (high - low) * 0.08 or 1.0
    plot = Plot(
        f"Run chart of the {shown.plural}",
        "landed stroke",
        f"{shown.what}, {shown.unit}",
        0.5,
        len(values) + 0.5,
        low - room,
        high + room,
        x_whole=True,
    )
    plot.level(chart.centre * scale, "mid", "mean")
    plot.level(chart.upper * scale, "limit", "upper limit")
    plot.level(chart.lower * scale, "limit", "lower limit")
    far = set(chart.outside)
    many = len(values) > DOTS_MOST
    if many:
        plot.cloud([index + 1 for index in range(len(values))], values)
    else:
        plot.line([index + 1 for index in range(len(values))], values, "run")
    drawn = sorted(far)[:DOTS_MOST] if many else range(len(values))
    for index in drawn:
        value = values[index]
        outside = index in far
        tip = f"record {run.charted[index].seq}: {shown.value(value / scale)}"
        plot.dot(index + 1, value, "dot odd" if outside else "dot", tip + (", outside" if outside else ""))
    note = (
        f"Mean {shown.value(chart.centre)}, limits {shown.value(chart.lower)} to {shown.value(chart.upper)}: "
        "mean ± 2.66 times the mean moving range (individuals chart, NIST/SEMATECH e-Handbook 6.3.2.2)."
    )
    if len(values) < 20:
        note += f" With {len(values)} strokes the limits are still soft."
    return plot.svg(), note
