"""The proof of a batch as PDF, A4 or letter: the same words as the page, charts drawn by matplotlib."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Literal

from steadyram import __version__
from steadyram.config import Preferences
from steadyram.report import proof_text as words
from steadyram.report.page import when
from steadyram.report.proof import Proof
from steadyram.report.shown import Shown

# Inches of the drawing with the chart of means and without.
_WIDE, _TALL, _SHORT = 7.4, 6.2, 3.2


def _latin(text: str) -> str:
    """Core PDF fonts know Latin-1; anything else is shown as a question mark rather than lost silently."""
    plain = text.replace("–", "-").replace("’", "'").replace("“", '"').replace("”", '"')
    return plain.encode("latin-1", "replace").decode("latin-1")


Paper = Literal["A4", "letter"]


def proof_pdf(
    proof: Proof, units: Preferences, *, title: str = "Proof of a batch", made_unix: int, paper: Paper = "A4"
) -> bytes:
    """The whole document. made_unix: time of making."""
    from fpdf import FPDF

    class Sheet(FPDF):
        def footer(self) -> None:
            self.set_y(-12)
            self.set_font("Helvetica", "", 7)
            self.cell(
                0, 5, _latin(f"steadyram {__version__}, {when(made_unix)}, page {self.page_no()} of {{nb}}")
            )

    document = Sheet(format=paper)
    document.set_creation_date(datetime.fromtimestamp(made_unix, UTC))
    document.set_title(_latin(title))
    document.set_auto_page_break(True, 16)
    document.add_page()

    def line(text: str, size: int = 9, style: str = "", gap: float = 0.0) -> None:
        document.set_font("Helvetica", style, size)
        document.multi_cell(0, size * 0.5, _latin(text), new_x="LMARGIN", new_y="NEXT")
        document.ln(gap)

    def heading(text: str, room_mm: float = 24.0) -> None:
        document.ln(2)
        if document.will_page_break(room_mm):
            document.add_page()
        line(text, 11, "B", 1)

    def grid(headings: Sequence[str] | None, rows: Sequence[Sequence[str]], widths: tuple[int, ...]) -> None:
        document.set_font("Helvetica", "", 7.5)
        with document.table(
            col_widths=widths, line_height=4.2, first_row_as_headings=headings is not None,
            borders_layout="HORIZONTAL_LINES", text_align="LEFT",
        ) as table:  # fmt: skip
            for row in ([headings] if headings is not None else []) + list(rows):
                cells = table.row()
                for value in row:
                    cells.cell(_latin(value))
        document.ln(1)

    line(title, 15, "B", 1)
    line(words.headline(proof), 10, "B", 2)
    grid(None, words.fact_rows(proof, units), (1, 5))
    heading("Before you trust the batch")
    findings = words.proof_findings(proof, units)
    for finding in findings:
        line(
            ("LOOK AT THIS: " if finding.grave else "- ") + finding.text, 9, "B" if finding.grave else "", 0.5
        )
    if not findings:
        line("Nothing stands against it.")
    heading("Figures")
    grid(("figure", "value", "how"), words.index_rows(proof, units), (3, 3, 8))
    line(words.ASSUMES, 8)
    if proof.individuals is not None:
        tall = document.epw * (_TALL if proof.means else _SHORT) / _WIDE
        heading("Charts", tall + 12)
        document.image(io.BytesIO(_charts(proof, units)), w=document.epw)
    heading("What to do when a chart or a part says so")
    for each in words.REACTION_PLAN:
        line(f"- {each}", 8, gap=0.5)
    heading("How the strokes ended")
    grid(("stop", "strokes"), [(stop, str(count)) for stop, count in proof.stops], (1, 1))
    heading("Destructive tests")
    tests = words.test_rows(proof, units)
    if tests:
        grid(words.test_headings(proof), tests, (2, 3, 3, 3, 3, 5, 3, 4, 2, 4))
    else:
        line("None entered.")
    line(words.sampling_plan(proof), 8)
    heading("Settings and calibration in force")
    grid(None, words.set_rows(proof), (2, 1, 5))
    heading(f"Changes recorded from {proof.changes.since} to the batch's end")
    changes = words.change_rows(proof)
    if changes:
        grid(words.CHANGE_HEADINGS, changes, (1, 3, 1, 2, 3, 3))
    else:
        line("None.")
    heading("Gaps in the record")
    if proof.gaps:
        grid(("where", "what"), [(gap.where, gap.text) for gap in proof.gaps], (1, 3))
    else:
        line("None.")
    heading("Parts judged by their curve of force")
    odd = words.odd_rows(proof)
    if odd:
        grid(words.ODD_HEADINGS, odd, (1, 1, 1, 6, 2, 3))
    else:
        line("None stood out.")
    said = words.word_rows(proof)
    if said:
        heading("What people said")
        grid(words.WORD_HEADINGS, said, (1, 3, 3, 1, 3))
    line(f"End of the store's chain of digests: {proof.sealed.end or 'none'}.", 7)
    heading("Cautions")
    for caution in words.CAUTIONS:
        line(f"- {caution}", 8, gap=0.5)
    document.ln(8)
    line("proved by, date ______________________      accepted by, date ______________________")
    return bytes(document.output())


def _charts(proof: Proof, units: Preferences) -> bytes:
    from matplotlib.figure import Figure

    assert proof.individuals is not None
    shown = Shown(proof.quantity, units)
    scale, chart, means, centre = shown.scale, proof.individuals, proof.means, proof.centre
    figure = Figure(figsize=(_WIDE, _TALL if means else _SHORT), dpi=200, layout="constrained")
    rows = figure.subplots(3 if means else 1, 1, squeeze=False)[:, 0]
    values = [value * scale for value in proof.values]
    dot = {"marker": ".", "markersize": 3.0 if len(values) < 500 else 1.0}
    line = {"linewidth": 0.5 if len(values) < 500 else 0.0}
    rows[0].plot(range(1, len(values) + 1), values, color="#2f6f8f", **dot, **line)
    odd = sorted({hit.index for hit in proof.hits})
    rows[0].plot([i + 1 for i in odd], [values[i] for i in odd], "D", color="#c2571a", markersize=3)
    for level in (chart.upper, chart.lower):
        rows[0].axhline(level * scale, color="#2f6f8f", linewidth=0.8)
    for level in (centre - proof.limits.below, centre + proof.limits.above):
        rows[0].axhline(level * scale, color="#c2571a", linewidth=1.0, linestyle="--")
    rows[0].axhline(centre * scale, color="#c2571a", linewidth=1.0)
    rows[0].set_title(
        f"Run chart: thin lines mean ± 3 sigma, dashed the limits, solid the {shown.aim}", fontsize=8
    )
    rows[0].set_ylabel(f"{shown.named(proof.relative)}, {shown.unit}", fontsize=7)
    if means is not None:
        for axes, points, levels, name in (
            (rows[1], means.means, (means.centre, means.upper, means.lower), f"Means of {means.n} (X-bar)"),
            (rows[2], means.ranges, (means.mean_range, means.range_upper, means.range_lower),
             f"Ranges of {means.n} (R)"),
        ):  # fmt: skip
            axes.plot(range(1, len(points) + 1), [p * scale for p in points], color="#2f6f8f", **dot, **line)
            for level in levels:
                axes.axhline(level * scale, color="#646b70", linewidth=0.7)
            axes.set_title(name, fontsize=8)
            axes.set_ylabel(shown.unit, fontsize=7)
    for axes in rows:
        axes.tick_params(labelsize=7)
        # Depths lie so close together that matplotlib would write them as an offset.
        axes.ticklabel_format(axis="y", useOffset=False)
    out = io.BytesIO()
    figure.savefig(out, format="png")
    return out.getvalue()
