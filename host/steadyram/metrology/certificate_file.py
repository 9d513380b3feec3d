"""The calibration document as a page and as PDF/A: both drawn from the same contents, so they cannot differ."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from steadyram.errors import BadInput
from steadyram.metrology.analyse import Analysis
from steadyram.metrology.certificate import Contents, Section, Table
from steadyram.plain_file import write_whole
from steadyram.units import to_unit

# The drawing and writing libraries are imported where they are used: they would slow every command's start.
if TYPE_CHECKING:
    from fpdf import FPDF
    from matplotlib.figure import Figure

# PDF/A-2u (ISO 19005-2): every font inside, every character with its meaning, colours of a named profile.
PROFILE = "PDF/A-2U"
_FONT = "DejaVu"
# Columns of words, which begin at the left as sentences do.
_TEXT_COLUMNS = ("input", "distribution")
# A table of so many rows is kept in one piece.
_SHORT_ROWS = 12
Plain = Callable[[str], str]


class Line(Protocol):
    """Writes one paragraph; sizes in points, gap (mm) below."""

    def __call__(self, text: str, size: float = ..., style: str = ..., gap: float = ...) -> None:
        """Write it."""


def _figure(analysis: Analysis, unit: str) -> Figure:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.2, 2.7), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    device = analysis.device

    def shown(force_N: float) -> float:
        return to_unit(float(force_N), "newton", unit)

    axes.axhline(0.0, color="0.5", linewidth=0.8)
    axes.plot(
        [shown(f) for f in device.force_N],
        [shown(r) for r in device.residual_N],
        "o", color="C0", label="rising, device less reference",
    )  # fmt: skip
    x = [shown(v.force_N) for v in analysis.levels]
    band = [shown(v.expanded_N) for v in analysis.levels]
    axes.plot(x, band, "--", color="C3", label="expanded uncertainty U as stated")
    axes.plot(x, [-b for b in band], "--", color="C3")
    kind = "load cell" if analysis.record.header.reference.kind == "load-cell" else "gauge and piston area"
    axes.set(xlabel=f"force by {kind} ({unit})", ylabel=f"error ({unit})")
    axes.grid(alpha=0.3)
    axes.legend(fontsize="small")
    return figure


def _svg(analysis: Analysis, unit: str) -> str:
    from matplotlib import rc_context

    out = io.StringIO()
    # A fixed salt and no date: the same calibration makes the same file.
    with rc_context({"svg.hashsalt": "steadyram", "svg.fonttype": "path"}):
        _figure(analysis, unit).savefig(out, format="svg", metadata={"Date": None})
    text = out.getvalue()
    return text[text.index("<svg") :]


def _png(analysis: Analysis, unit: str) -> io.BytesIO:
    from PIL import Image

    out, flat = io.BytesIO(), io.BytesIO()
    _figure(analysis, unit).savefig(out, format="png", dpi=200)
    # Without an alpha channel: an archive format likes nothing that depends on what lies below.
    Image.open(out).convert("RGB").save(flat, format="PNG")
    flat.seek(0)
    return flat


def html(said: Contents, analysis: Analysis, unit: str = "kN") -> str:
    """Return the document as one self-contained HTML page."""
    from jinja2 import Environment as Jinja
    from jinja2 import StrictUndefined

    template = (Path(__file__).parent / "certificate.html").read_text(encoding="utf-8")
    page = Jinja(autoescape=True, undefined=StrictUndefined).from_string(template)
    return page.render(c=said, plot=_svg(analysis, unit))


def _document(said: Contents) -> FPDF:
    """An empty A4 document with the fonts inside and a foot on every page."""
    import matplotlib
    from fpdf import FPDF

    class Sheet(FPDF):
        def footer(self) -> None:
            self.set_y(-14)
            self.set_font(_FONT, "", 7)
            self.cell(0, 5, f"{said.foot} Page {self.page_no()} of {{nb}}.", align="C")

    document = Sheet(format="A4", enforce_compliance=PROFILE)
    fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    document.add_font(_FONT, "", fonts / "DejaVuSans.ttf")
    document.add_font(_FONT, "B", fonts / "DejaVuSans-Bold.ttf")
    document.set_lang("en")
    document.set_creation_date(said.issued)
    document.set_title(f"{said.title} {said.name}")
    document.set_auto_page_break(True, 20)
    document.add_page()
    return document


def pdf(said: Contents, analysis: Analysis, unit: str = "kN") -> bytes:
    """Return the document as PDF/A, A4."""
    document = _document(said)
    known: set[int] = set()
    for font in document.fonts.values():
        known |= set(getattr(font, "cmap", ()))

    def plain(text: str) -> str:
        """A character that the font lacks is shown as a question mark: an archive allows no empty box."""
        return "".join(c if ord(c) in known else "?" for c in text)

    def line(text: str, size: float = 8.5, style: str = "", gap: float = 0.0) -> None:
        document.set_font(_FONT, style, size)
        document.multi_cell(0, size * 0.5, plain(text), align="L", new_x="LMARGIN", new_y="NEXT")
        document.ln(gap)

    invented = " (invented data)" if said.invented and not said.simulated else ""
    line(f"{said.title}{invented}", 15, "B", 1)
    line(said.name, 11, "", 2)
    for section in said.sections:
        _section(document, section, line, plain)
        if section.plot:
            document.image(_png(analysis, unit), w=165)
            document.ln(1)
    if document.will_page_break(62):
        document.add_page()
    document.ln(2)
    line(said.caution, 8, "", 2)
    line(said.signed_for, 8, "", 14)
    for who in ("calibrated by: name, signature, date", "authorised by: name, function, signature, date"):
        line("_" * 70, 8)
        line(who, 7.5, "", 7)
    line("End of document.", 7.5)
    return bytes(document.output())


def _section(document: FPDF, section: Section, line: Line, plain: Plain) -> None:
    # A heading stays with what is below it: with a whole short table, the picture, or the first rows.
    rows = len(section.tables[0].rows) if section.tables else 0
    room = 75.0 if section.plot else 26.0 + 5.0 * rows if rows <= _SHORT_ROWS else 40.0
    if document.will_page_break(room):
        document.add_page()
    document.ln(1.5)
    line(section.heading, 10.5, "B", 0.5)
    for text in section.lines:
        line(f"– {text}", 8.5, "", 0.4)
    for table in section.tables:
        _table(document, table, plain)
        if table.note:
            line(table.note, 7, "", 1)


def _table(document: FPDF, table: Table, plain: Plain) -> None:
    facts = table.headings is None
    document.set_font(_FONT, "", 7.5 if facts else 7)
    align = tuple(
        "LEFT" if facts or not k or (table.headings or ())[k] in _TEXT_COLUMNS else "RIGHT"
        for k in range(len(table.widths))
    )
    with document.table(
        col_widths=table.widths, line_height=4, first_row_as_headings=not facts, text_align=align,
        borders_layout="HORIZONTAL_LINES",
    ) as grid:  # fmt: skip
        for row in ([table.headings] if table.headings is not None else []) + list(table.rows):
            cells = grid.row()
            for value in row:
                cells.cell(plain(value))
    document.ln(1)


def paths_of(stem: Path, issue: int = 1) -> tuple[Path, Path]:
    """Return the files of an issue: `stem` alone for the first, with its number for an amended one."""
    name = stem.name if issue == 1 else f"{stem.name}-issue{issue}"
    return stem.with_name(name + ".html"), stem.with_name(name + ".pdf")


def refuse_others(said: Contents, paths: tuple[Path, Path]) -> None:
    """Raise BadInput where a file of another document would be overwritten: a document that was issued is kept."""
    page, other = paths
    if not page.exists() and not other.exists():
        return
    mark = f'<meta name="document" content="{said.number}">'.encode()
    try:
        same = page.exists() and mark in page.read_bytes()
    except OSError:
        same = False
    if not same:
        raise BadInput(
            f"{page if page.exists() else other} exists and is another document than {said.number}; give another "
            f"--out, "
            "or move it away."
        )


def write_certificate(
    said: Contents, analysis: Analysis, stem: Path, unit: str = "kN", issue: int = 1
) -> tuple[Path, Path]:
    """Write the page and the PDF of an issue, each whole or not at all; returns both paths.

    Raises BadInput where files of another document stand there.
    """
    paths = paths_of(stem, issue)
    refuse_others(said, paths)
    write_whole(paths[0], html(said, analysis, unit).encode("utf-8"))
    write_whole(paths[1], pdf(said, analysis, unit))
    return paths
