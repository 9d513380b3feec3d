"""The calibration certificate: what it says (`contents`), as HTML and as PDF.

Both are made from the same contents, so they cannot differ. It is a record for a person to sign,
not an accredited certificate, and says so.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from steadyram.metrology.analyse import Analysis, Level
from steadyram.metrology.drift import compare
from steadyram.metrology.standards import standards
from steadyram.plain_file import write_whole
from steadyram.units import show, to_unit

# The drawing and writing libraries are imported where they are used: they would slow every command's start.
if TYPE_CHECKING:
    from matplotlib.figure import Figure

CAUTION = (
    "This record is made and signed by the person named below; it is not an accredited certificate, "
    "and it is only as "
    "traceable as the reference's own. The cutoff is a process function: it never replaces guards, "
    "relief valve, "
    "emergency stop or two-hand control, and local codes and licensed practice come first."
)
FORMULA = (
    "force_N = c0 + m(c1 + m(c2 + m(c3, x), x), x), x = counts - zero, m(a, x) = a x / 65536 rounded "
    "to nearest; "
    "rising force"
)
SOURCES = (
    "Classes: limits of ISO 7500-1 by a secondary table (2018); lower-limit multipliers by a 1999 "
    "national adoption.",
    "Lower limit factor: ASTM E74, 2.4 s (formula from memory); class A from 400, class AA from 2000 "
    "times it.",
    "Uncertainty: JCGM 100:2008 (budget, Welch-Satterthwaite), cross-checked by JCGM 101:2008 (Monte Carlo).",
)


@dataclass(frozen=True)
class Contents:
    """Everything that the certificate says, as text; `plot_svg` and `plot_png` are the same plot."""

    number: int
    transducer: str
    invented: bool
    facts: list[tuple[str, str]]
    results: list[str]
    formula: str
    polynomial: list[tuple[str, str]]
    level_headings: list[str]
    level_rows: list[list[str]]
    budget_force: str
    budget_rows: list[list[str]]
    budget_line: str
    point_headings: list[str]
    point_rows: list[list[str]]
    notes: list[str]
    caution: str
    plot_svg: str
    plot_png: bytes


def _figure(analysis: Analysis, unit: str) -> Figure:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    record = analysis.record
    figure = Figure(figsize=(7.2, 3.4), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    device = analysis.device
    x = [to_unit(float(f), "newton", unit) for f in device.force_N]
    axes.axhline(0.0, color="0.5", linewidth=0.8)
    axes.plot(x, device.residual_N, "o", color="C0", label="rising, device less reference")
    band = [(to_unit(v.force_N, "newton", unit), v.budget.expanded) for v in analysis.levels]
    axes.plot([b[0] for b in band], [b[1] for b in band], "--", color="C3", label="expanded uncertainty")
    axes.plot([b[0] for b in band], [-b[1] for b in band], "--", color="C3")
    kind = "load cell" if record.header.reference.kind == "load-cell" else "gauge and piston area"
    axes.set(xlabel=f"force by {kind} ({unit})", ylabel="error (N)")
    axes.grid(alpha=0.3)
    axes.legend(fontsize="small")
    return figure


def _plots(analysis: Analysis, unit: str) -> tuple[str, bytes]:
    from matplotlib import rc_context

    svg, png = io.StringIO(), io.BytesIO()
    # A fixed salt and no date: the same calibration makes the same file.
    with rc_context({"svg.hashsalt": "steadyram", "svg.fonttype": "path"}):
        _figure(analysis, unit).savefig(svg, format="svg", metadata={"Date": None})
    _figure(analysis, unit).savefig(png, format="png", dpi=150)
    text = svg.getvalue()
    return text[text.index("<svg") :], png.getvalue()


def _class(value: float | None) -> str:
    return "none" if value is None else f"{value:g}"


def _optional(value: float | None, digits: int = 2) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def contents(analysis: Analysis, unit: str = "kN", previous: Analysis | None = None) -> Contents:
    """Collect what the certificate says.

    unit: a force unit of `units.FORCE_UNITS`; previous: the calibration before, for as-found and
    as-left. Raises BadInput when that is of another transducer or press, or not earlier.
    """
    record, header = analysis.record, analysis.record.header
    reference = header.reference
    gauge = reference.kind == "gauge"

    def force(value: float, digits: int = 5) -> str:
        return show(value, "newton", unit, digits)

    ambient = header.environment.ambient_C
    environment = "ambient not read" if ambient is None else f"ambient {ambient:g} °C"
    if header.environment.oil_C is not None:
        environment += f", oil {header.environment.oil_C:g} °C"
    if header.environment.humidity_percent is not None:
        environment += f", humidity {header.environment.humidity_percent:g} %"
    facts = [
        ("press", f"{header.press.what}, serial {header.press.serial}"),
        ("transducer", f"{header.transducer.what}, serial {header.transducer.serial}"),
        ("transducer range", f"{show(header.range_Pa, 'pascal', 'bar', 4)} (gauge pressure)"),
        ("piston area", f"{header.area_m2 * 1e4:.4f} cm²"),
        (
            "reference",
            f"{reference.what} ({'gauge on the line' if gauge else 'load cell under the ram'}), serial "
            f"{reference.serial}, certificate {reference.certificate or 'none given'}, expanded uncertainty "
            f"{reference.expanded_percent:g} % of reading, k = {reference.coverage_factor:g}",
        ),
        ("environment", environment),
        ("made", header.made.strftime("%Y-%m-%d %H:%M %Z")),
        ("due", header.due.strftime("%Y-%m-%d")),
        ("method", f"{analysis.curve.method}, degree {analysis.degree}, {analysis.runs} rising run(s)"),
    ]
    worst_residual = float(max(abs(analysis.device.residual_N)))
    worst: Level = max(analysis.levels, key=lambda v: v.budget.expanded / v.force_N)
    results = [
        f"Range {force(analysis.levels[0].force_N)} to {force(analysis.levels[-1].force_N)}, rising force.",
        f"Expanded uncertainty (95 %) at most {100 * worst.budget.expanded / worst.force_N:.2g} % of "
        f"the force, at "
        f"{force(worst.force_N)}.",
        f"Largest residual of the device's integer polynomial {worst_residual:.3g} N; standard "
        f"deviation of the fit "
        f"{analysis.curve.residual_sd:.3g} "
        f"{'N' if analysis.curve.method == 'least squares' else 'stated uncertainties'}.",
        *standards(analysis, unit),
    ]
    if analysis.zero_error_percent is not None:
        results.append(
            f"Zero error after unloading {analysis.zero_error_percent:.3g} % of the largest force."
        )
    if analysis.friction is not None:
        f = analysis.friction
        results.append(
            f"Seal friction {f.friction_N:.4g} N (standard uncertainty {f.u_friction_N:.2g} N), told "
            f"apart from the "
            f"transducer's hysteresis, {f.hysteresis_N:.3g} N at mid-range."
        )
    checks = [v.monte_carlo for v in analysis.levels if v.monte_carlo is not None]
    if checks:
        agree = sum(c.agrees for c in checks)
        results.append(f"Monte Carlo agrees with the budget at {agree} of {len(checks)} levels.")
    if previous is not None:
        results += _history(previous, analysis, force)
    middle = analysis.levels[len(analysis.levels) // 2]
    indicated = analysis.device.residual_N + analysis.device.force_N
    rows = []
    rising = 0
    for i, point in enumerate(record.points):
        error = ""
        if point.direction == "rising":
            error = f"{analysis.device.residual_N[rising]:.1f}"
            shown = f"{indicated[rising]:.0f}"
            rising += 1
        else:
            shown = "-"
        rows.append(
            [
                record.row(i),
                str(point.run),
                point.direction,
                f"{record.force_N(point):.1f}",
                f"{point.counts:.2f}",
                shown,
                error,
            ]
        )
    svg, png = _plots(analysis, unit)
    return Contents(
        number=header.number,
        transducer=header.transducer.serial,
        invented=header.invented,
        facts=facts,
        results=results,
        formula=FORMULA,
        polynomial=[(k, str(v)) for k, v in analysis.device.fields.items()],
        level_headings=[
            "force",
            "error q (%)",
            "repeatability b (%)",
            "reversibility v (%)",
            "resolution a (%)",
            "class",
            "U (N)",
            "U (%)",
            "U by Monte Carlo (N)",
        ],
        level_rows=[
            [
                force(v.force_N),
                f"{v.q_percent:.3f}",
                _optional(v.b_percent),
                _optional(v.v_percent),
                f"{v.a_percent:.3f}",
                _class(v.iso_class),
                f"{v.budget.expanded:.4g}",
                f"{100 * v.budget.expanded / v.force_N:.2g}",
                "-" if v.monte_carlo is None else f"{v.monte_carlo.expanded_N:.4g}",
            ]
            for v in analysis.levels
        ],
        budget_force=force(middle.force_N),
        budget_rows=[
            [
                c.name,
                f"{c.u:.6g}",
                c.kind,
                "many" if math.isinf(c.dof) else f"{c.dof:g}",
                f"{100 * middle.budget.share(c):.0f} %",
            ]
            for c in middle.budget.components
        ],
        budget_line=f"Combined {middle.budget.combined:.3g} N, effective degrees of freedom "
        f"{middle.budget.effective_dof:.0f}, coverage factor {middle.budget.coverage_factor:.3f} (95 "
        f"%), expanded "
        f"{middle.budget.expanded:.3g} N.",
        point_headings=["row", "run", "direction", "force (N)", "counts", "device (N)", "error (N)"],
        point_rows=rows,
        notes=[*([header.note] if header.note else []), *analysis.notes, *SOURCES],
        caution=CAUTION,
        plot_svg=svg,
        plot_png=png,
    )


def _history(previous: Analysis, analysis: Analysis, force: Callable[[float], str]) -> list[str]:
    """As-found and as-left in sentences."""
    drift = compare(previous, analysis)
    old = previous.record.header
    found = max(drift.levels, key=lambda v: abs(v.as_found_N) / v.force_N)
    left = max(drift.levels, key=lambda v: abs(v.as_left_N) / v.force_N)
    return [
        f"As found, with calibration {old.number} of {old.made:%Y-%m-%d}: worst error "
        f"{found.as_found_N:+.3g} N at "
        f"{force(found.force_N)}, {'within' if drift.as_found_within else 'OUTSIDE'} 1 % of the force "
        f"throughout.",
        f"As left: worst mean error {left.as_left_N:+.3g} N at {force(left.force_N)}.",
        f"Since then: {drift.trend}; next due {drift.due:%Y-%m-%d}.",
    ]


def html(said: Contents) -> str:
    """The certificate as one self-contained HTML page."""
    from jinja2 import Environment as Jinja
    from jinja2 import StrictUndefined

    template = (Path(__file__).parent / "certificate.html").read_text(encoding="utf-8")
    page = Jinja(autoescape=True, undefined=StrictUndefined).from_string(template)
    return page.render(c=said)


def _latin(text: str) -> str:
    """Core PDF fonts know Latin-1; anything else is shown as a question mark rather than lost silently."""
    return text.encode("latin-1", "replace").decode("latin-1")


def pdf(said: Contents, analysis: Analysis) -> bytes:
    """The certificate as PDF, A4."""
    from fpdf import FPDF

    document = FPDF(format="A4")
    document.set_creation_date(analysis.record.header.made)
    document.set_title(f"Calibration record {said.number}")
    document.set_auto_page_break(True, 15)
    document.add_page()

    def line(text: str, size: int = 9, style: str = "", gap: float = 0.0) -> None:
        document.set_font("Helvetica", style, size)
        document.multi_cell(0, size * 0.5, _latin(text), new_x="LMARGIN", new_y="NEXT")
        document.ln(gap)

    def grid(headings: list[str] | None, rows: list[list[str]], widths: tuple[int, ...]) -> None:
        document.set_font("Helvetica", "", 7)
        with document.table(
            col_widths=widths, line_height=4, first_row_as_headings=headings is not None
        ) as table:
            for row in ([headings] if headings is not None else []) + rows:
                cells = table.row()
                for value in row:
                    cells.cell(_latin(value))
        document.ln(2)

    invented = " (invented data)" if said.invented else ""
    line(f"Calibration record {said.number}{invented}", 15, "B", 2)
    grid(None, [list(f) for f in said.facts], (1, 4))
    line("Result", 11, "B", 1)
    for text in said.results:
        line(f"- {text}")
    document.image(io.BytesIO(said.plot_png), w=170)
    line("Polynomial that the device runs", 11, "B", 1)
    line(said.formula)
    grid(None, [list(p) for p in said.polynomial], (1, 1))
    line("Errors and uncertainty by level", 11, "B", 1)
    grid(said.level_headings, said.level_rows, (3, 2, 2, 2, 2, 1, 2, 2, 2))
    line(f"Uncertainty budget at {said.budget_force}", 11, "B", 1)
    headings = ["contribution", "standard uncertainty (N)", "type", "degrees of freedom", "share of variance"]
    grid(headings, said.budget_rows, (3, 2, 1, 2, 2))
    line(said.budget_line, gap=2)
    line("Points", 11, "B", 1)
    grid(said.point_headings, said.point_rows, (1, 1, 1, 2, 2, 2, 2))
    line("Notes and sources", 11, "B", 1)
    for text in said.notes:
        line(f"- {text}")
    line(said.caution, gap=12)
    line("calibrated by, date ______________________      checked by, date ______________________")
    return bytes(document.output())


def write_certificate(
    analysis: Analysis, stem: Path, unit: str = "kN", previous: Analysis | None = None
) -> tuple[Path, Path]:
    """Write `stem`.html and `stem`.pdf, each whole or not at all; returns both paths."""
    said = contents(analysis, unit, previous)
    paths = stem.with_name(stem.name + ".html"), stem.with_name(stem.name + ".pdf")
    write_whole(paths[0], html(said).encode("utf-8"))
    write_whole(paths[1], pdf(said, analysis))
    return paths
