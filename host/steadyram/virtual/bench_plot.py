"""The bench as a picture: error against setpoint, learned beside threshold, with the physical limit."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

from matplotlib.figure import Figure

from steadyram.plain_file import write_whole
from steadyram.virtual.bench import Score


def draw(scores: Sequence[Score], path: str | Path) -> None:
    """Write the comparison to `path` (the ending chooses the format)."""
    figure = Figure(figsize=(9, 5.2), layout="constrained")
    axes = figure.subplots()
    floor = 0.01
    x = [s.limit_sigma_N / s.setpoint_N * 100 for s in scores]
    plain = [max(floor, s.threshold_overshoot_N / s.setpoint_N * 100) for s in scores]
    learned = [max(floor, s.p95_abs_error_N / s.setpoint_N * 100) for s in scores]
    axes.scatter(x, plain, marker="^", s=26, alpha=0.7, label="plain threshold: mean overshoot")
    axes.scatter(x, learned, marker="o", s=22, alpha=0.8, label="learned: 95 % of parts within")
    # Many points: the bar bends where the share of the setpoint hands over to the limit.
    low, high = min(x) * 0.8, max(x) * 1.25
    grid = [low * (high / low) ** (i / 100) for i in range(101)]
    axes.plot(grid, [1.96 * g for g in grid], "k--", lw=1, label="physical limit (1.96 σ)")
    axes.plot(grid, [max(1.2, 1.5 * 1.96 * g) for g in grid], "k:", lw=1, label="bar (1.5 × 1.96 σ or 1.2 %)")
    axes.set(
        xscale="log", yscale="log", xlabel="physical limit σ, % of setpoint", ylabel="error, % of setpoint"
    )
    axes.grid(True, which="both", alpha=0.2)
    axes.legend(frameon=False)
    axes.set_title(f"{len(scores)} jobs on {len({s.press for s in scores})} virtual presses")
    buffer = io.BytesIO()
    figure.savefig(buffer, format=Path(path).suffix.removeprefix(".") or "png")
    write_whole(Path(path), buffer.getvalue())
