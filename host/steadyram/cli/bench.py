"""`steadyram bench`: the cutoff beside the plain threshold, on press files and on presses drawn at random."""

from __future__ import annotations

import json
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from steadyram.cli._inputs import FOLDER, PLACE
from steadyram.config import preferences
from steadyram.errors import BadInput


@click.group()
def bench() -> None:
    """Measure steadyram itself on many simulated presses."""


def _one(task: tuple[str, int, tuple[str, ...], int, int, Any]) -> list[Any]:
    from steadyram.virtual.bench import bench_press

    path, seed, kinds, setpoints, cycles, runtime = task
    return bench_press(path, seed=seed, kinds=kinds, setpoints=setpoints, cycles=cycles, runtime=runtime)


@bench.command()
@click.argument("press_files", nargs=-1, required=True, type=click.Path())
@click.option(
    "--kind",
    "kinds",
    multiple=True,
    type=click.Choice(["clinch", "dimple", "press-fit", "dead-stop"]),
    help="Kinds of work (default: all).",
)
@click.option(
    "--setpoints",
    default=5,
    show_default=True,
    type=click.IntRange(1, 16),
    help="Setpoints, smallest holdable to 85 %.",
)
@click.option(
    "--cycles", default=50, show_default=True, type=click.IntRange(6, 10000), help="Learned cycles a job."
)
@click.option("--seeds", default=1, show_default=True, type=click.IntRange(1, 100), help="Seeds 0 .. N-1.")
@click.option("--workers", default=2, show_default=True, type=click.IntRange(1, 64), help="Presses at once.")
@click.option(
    "--runtime", default="cpython", show_default=True, type=click.Choice(["micropython", "cpython"])
)
@click.option("--plot", "plot_file", type=PLACE, help="Draw the comparison (SVG or PNG).")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def cutoff(
    press_files: tuple[str, ...],
    kinds: tuple[str, ...],
    setpoints: int,
    cycles: int,
    seeds: int,
    workers: int,
    runtime: str,
    plot_file: str | None,
    as_json: bool,
) -> None:
    """Compare learned cutoff and plain threshold.

    On every press of PRESS_FILES, in one run."""
    from steadyram.virtual.bench import KINDS, Score

    for path in press_files:
        if not Path(path).is_file():
            raise BadInput(f"There is no press file {path}.")
    tasks = [
        (path, seed, kinds or KINDS, setpoints, cycles, runtime)
        for path in press_files
        for seed in range(seeds)
    ]
    scores: list[Score] = []
    errors = Console(stderr=True)
    with ProcessPoolExecutor(workers) as pool, Progress(console=errors, transient=True) as bar:
        line = bar.add_task("benching", total=len(tasks))
        for done in as_completed([pool.submit(_one, task) for task in tasks]):
            scores += done.result()
            bar.advance(line)
    scores.sort(key=lambda s: (s.press, s.seed, s.kind, s.setpoint_N))
    if plot_file:
        from steadyram.virtual.bench_plot import draw

        draw(scores, plot_file)
        errors.print(f"Drawn: {plot_file}", highlight=False)
    if as_json:
        click.echo(
            json.dumps({"cycles": cycles, "seeds": seeds, "scores": [s.to_json() for s in scores]}, indent=1)
        )
        return
    _print(scores)


def _one_drawn(task: tuple[int, int, int, Any]) -> Any:
    from steadyram.virtual.bench_presses import run_drawn

    seed, jobs, cycles, runtime = task
    return run_drawn(seed, jobs=jobs, cycles=cycles, runtime=runtime)


@bench.command()
@click.option("--draw", required=True, type=click.IntRange(1, 100_000), help="Presses to draw.")
@click.option(
    "--seed", default=1, show_default=True, type=click.IntRange(0, 1 << 31), help="The first press's seed."
)
@click.option("--jobs", default=2, show_default=True, type=click.IntRange(1, 16), help="Jobs a press.")
@click.option(
    "--cycles", default=30, show_default=True, type=click.IntRange(6, 10000), help="Learned cycles a job."
)
@click.option("--workers", default=2, show_default=True, type=click.IntRange(1, 64), help="Presses at once.")
@click.option(
    "--runtime", default="cpython", show_default=True, type=click.Choice(["micropython", "cpython"])
)
@click.option("--files", "folder", type=FOLDER, help="Write the drawn press files here, run nothing.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def presses(
    draw: int,
    seed: int,
    jobs: int,
    cycles: int,
    workers: int,
    runtime: str,
    folder: str | None,
    as_json: bool,
) -> None:
    """Count what fails, and why, on presses drawn at random.

    Each is commissioned and runs jobs."""
    from steadyram.virtual.bench_presses import summary

    seeds = range(seed, seed + draw)
    if folder is not None:
        written = _write_drawn(seeds, Path(folder))
        click.echo(json.dumps({"files": written}) if as_json else f"{len(written)} press files in {folder}")
        return
    results = []
    errors = Console(stderr=True)
    with ProcessPoolExecutor(min(workers, draw)) as pool, Progress(console=errors, transient=True) as bar:
        line = bar.add_task("presses", total=draw)
        for done in as_completed([pool.submit(_one_drawn, (s, jobs, cycles, runtime)) for s in seeds]):
            results.append(done.result())
            bar.advance(line)
    results.sort(key=lambda result: result.seed)
    counted = summary(results)
    if as_json:
        click.echo(
            json.dumps(
                {
                    "seed": seed,
                    "draw": draw,
                    "cycles": cycles,
                    "summary": counted,
                    "presses": [result.to_json() for result in results],
                },
                indent=1,
            )
        )
        return
    _print_drawn(results, counted)


def _write_drawn(seeds: range, folder: Path) -> list[str]:
    from steadyram.virtual.bench_presses import press_of_seed
    from steadyram.virtual.drawn_press import to_toml

    try:
        folder.mkdir(parents=True, exist_ok=True)
        paths = [folder / f"drawn-{seed}.toml" for seed in seeds]
        for seed, path in zip(seeds, paths, strict=True):
            path.write_text(to_toml(press_of_seed(seed)), encoding="utf-8")
    except OSError as error:
        raise BadInput(
            f"The press files cannot be written to {folder} ({error.strerror}); give a folder."
        ) from None
    return [str(path) for path in paths]


def _print_drawn(results: list[Any], counted: dict[str, Any]) -> None:
    out = Console()
    table = Table(title="presses drawn at random")
    for name in ("seed", "work", "setpoint", "of capacity", "95 % of errors", "band", "first part", "missed"):
        table.add_column(name, justify="left" if name in ("work", "missed") else "right")
    for result in results:
        if result.refused:
            table.add_row(str(result.seed), "", "", "", "", "", "", result.refused)
        for job in result.jobs:
            table.add_row(
                str(result.seed), job.kind, preferences().force(job.setpoint_N, 3), f"{job.capacity_share:.0%}",
                f"{job.p95_abs_error_N / job.setpoint_N:.2%}", f"{job.band_N / job.setpoint_N:.2%}",
                f"{job.first_over_N / job.setpoint_N:+.1%}",
                " ".join([*job.missed, *(f"{code}:{n}" for code, n in job.faults.items())]),
            )  # fmt: skip
    out.print(table)
    for key, value in counted.items():
        words = ", ".join(f"{k} {_plain(v)}" for k, v in value.items()) if isinstance(value, dict) else value
        out.print(f"{key.replace('_', ' ')}: {words}", highlight=False)


def _plain(value: Any) -> str:
    return " ".join(f"{k}:{v}" for k, v in value.items() if v) if isinstance(value, dict) else str(value)


def _print(scores: list[Any]) -> None:
    table = Table(title="learned cutoff beside plain threshold")
    for name in (
        "press",
        "work",
        "setpoint",
        "limit σ",
        "95 % of errors",
        "× limit σ",
        "bias",
        "first part",
        "threshold over",
        "ratio",
        "added",
        "missed",
    ):
        table.add_column(name, justify="left" if name in ("press", "work", "missed") else "right")
    for s in scores:
        table.add_row(
            s.press, s.kind, preferences().force(s.setpoint_N, 3), f"{s.limit_sigma_N / s.setpoint_N:.2%}",
            f"{s.p95_abs_error_N / s.setpoint_N:.2%}", f"{s.p95_abs_error_N / s.limit_sigma_N:.1f}",
            f"{s.mean_error_N / s.setpoint_N:+.2%}", f"{s.first_over_N / s.setpoint_N:+.1%}",
            f"{s.threshold_overshoot_N / s.setpoint_N:.1%}", "∞" if s.ratio > 1e6 else f"{s.ratio:.0f}",
            f"{s.added_s:+.2f} s", " ".join(s.missed),
        )  # fmt: skip
    out = Console()
    out.print(table)
    bad = sum(bool(s.missed) for s in scores)
    out.print(f"{len(scores) - bad} of {len(scores)} jobs reach every bar.", highlight=False)
