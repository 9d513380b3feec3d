"""Draw the README's picture from what `steadyram demo` left: force traces of the first job's batch.

steadyram demo
python hardware_notes/draw_force_trace.py steadyram-demo/cycles.db hardware_notes/force-trace.svg
"""

from __future__ import annotations

import sys
from pathlib import Path

import matplotlib

matplotlib.use("svg")
import matplotlib.pyplot as plt
import numpy as np

from steadyram.cycles.store import CycleStore
from steadyram.report.gather import gather

BEFORE_S, AFTER_S = 0.12, 1.3
INK, SOFT, BLUE, RUST = "#1f2a30", "#6a7478", "#2b6c8f", "#b4531f"


def draw(store: Path, target: Path) -> None:
    """Lay the first job's strokes over one another, each begun at its contact."""
    with CycleStore(store, create=False) as opened:
        run = gather(opened, opened.devices()[0].uid).runs[0]
    plt.rcParams.update(
        {"svg.hashsalt": "steadyram", "svg.fonttype": "none", "font.family": "sans-serif", "font.size": 10}
    )
    figure, axes = plt.subplots(figsize=(8.2, 3.7), facecolor="white")
    first_seq = run.first_seq
    for trace in run.traces:
        force = np.asarray(trace.points) * trace.unit_N / 1000
        time = np.arange(len(force)) * trace.dt_s
        touched = np.flatnonzero(force > 0.15 * run.setpoint_N / 1000)
        if not len(touched):
            continue
        time = time - time[touched[0]]
        shown = (time > -BEFORE_S) & (time < AFTER_S)
        is_first = trace.seq == first_seq
        axes.plot(
            time[shown],
            force[shown],
            color=RUST if is_first else BLUE,
            lw=1.8 if is_first else 1.1,
            alpha=1.0 if is_first else 0.55,
            zorder=3 if is_first else 2,
            label=("first part: slowly, up from below" if is_first else None),
        )
    axes.plot([], [], color=BLUE, lw=1.4, label=f"the {len(run.traces) - 1} parts after it")
    setpoint = run.setpoint_N / 1000
    axes.axhline(setpoint, color=INK, lw=1, ls=(0, (4, 3)))
    axes.text(-BEFORE_S + 0.015, setpoint * 1.02, f"set force {setpoint:.2f} kN", color=INK, va="bottom")
    axes.set(xlabel="seconds from contact", ylabel="force on the work, kN", ylim=(0, setpoint * 1.18))
    axes.set_xlim(-BEFORE_S, AFTER_S)
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(colors=SOFT)
    axes.legend(loc="lower right", frameon=False)
    axes.set_title(f"{run.name}: {len(run.records)} strokes on the virtual press", loc="left", color=INK)
    figure.tight_layout()
    figure.savefig(target, format="svg", metadata={"Date": None, "Creator": None})
    plt.close(figure)


if __name__ == "__main__":
    draw(Path(sys.argv[1]), Path(sys.argv[2]))
