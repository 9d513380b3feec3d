"""Plot of the force that can be held against the setpoint."""

from __future__ import annotations

import io
from pathlib import Path

from steadyram.errors import BadInput
from steadyram.plain_file import write_whole
from steadyram.press.pressfile import PressFile
from steadyram.press.sizing_advice import hold_curve
from steadyram.units import to_unit

FORMATS = {".png": "png", ".svg": "svg", ".pdf": "pdf"}


def plot_holdable(presses: list[PressFile], tolerance: float, path: Path, unit: str = "tonf") -> None:
    """Draw holdable ± % (95 % of strokes) and plain-threshold overshoot of each press to a file.

    The file's ending chooses PNG, SVG or PDF. Raises BadInput for another ending or a place that
    cannot be written.
    """
    kind = FORMATS.get(path.suffix.lower())
    if kind is None:
        raise BadInput(f"{path} must end in .png, .svg or .pdf.")
    # Imported here: it would slow every command's start.
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.5, 5.0), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    for number, press in enumerate(presses):
        curve = hold_curve(press, tolerance)
        x = [to_unit(c[0], "newton", unit) for c in curve]
        colour = f"C{number}"
        axes.plot(x, [100 * c[1] for c in curve], colour, label=f"{press.name}: best possible, 95 %")
        axes.plot(
            x,
            [100 * c[2] for c in curve],
            colour,
            linestyle=":",
            label=f"{press.name}: plain threshold, over by",
        )
    axes.axhline(
        100 * tolerance, color="0.4", linewidth=1, linestyle="--", label=f"tolerance ±{100 * tolerance:g} %"
    )
    axes.set(xscale="log", yscale="log", xlabel=f"setpoint ({unit})", ylabel="part of the setpoint (%)")
    axes.grid(True, which="both", alpha=0.3)
    axes.legend(fontsize="small")
    buffer = io.BytesIO()
    figure.savefig(buffer, format=kind, dpi=130, metadata={"Date": None} if kind == "svg" else None)
    write_whole(path, buffer.getvalue())
