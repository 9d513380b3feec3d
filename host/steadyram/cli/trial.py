"""`steadyram trial`: a job on the virtual press, as figures."""

from __future__ import annotations

import json
import statistics
from typing import Any

import click
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from steadyram.cli._inputs import Measured
from steadyram.config import preferences
from steadyram.errors import BadInput
from steadyram.units import parse, show, show_column


@click.command()
@click.option("--press", "press_file", required=True, metavar="FILE", help="Press file (TOML).")
@click.option(
    "--setpoint",
    default=None,
    metavar="FORCE",
    help="Force on the work, e.g. '1.0 tonf'; with --stop depth the limit on force.",
)
@click.option(
    "--stop",
    "stop_on",
    default="force",
    show_default=True,
    type=click.Choice(["force", "depth", "first"]),
    help="What ends a stroke; depth and first need a position sensor in the press file.",
)
@click.option("--target", default=None, metavar="DEPTH", help="Ram travel from the top, e.g. '5.30 mm'.")
@click.option(
    "--cycles", default=20, show_default=True, type=click.IntRange(1, 100_000), help="Parts to press."
)
@click.option(
    "--seed",
    default=0,
    show_default=True,
    type=click.IntRange(0, 2**31 - 1),
    help="Seed of every random draw.",
)
@click.option(
    "--cutoff", default="learned", show_default=True, type=click.Choice(["learned", "threshold", "lead"])
)
@click.option(
    "--runtime", default="micropython", show_default=True, type=click.Choice(["micropython", "cpython"])
)
@click.option("--fault", "faults", multiple=True, metavar="NAME@CYCLE", help="A fault on demand; repeatable.")
@click.option(
    "--change",
    "changes",
    multiple=True,
    metavar="KEY=VALUE@CYCLE",
    help="Change a press-file key from a cycle on.",
)
@click.option(
    "--dwell",
    type=Measured("second", 0.0, 600.0),
    default=None,
    metavar="TIME",
    help="Hold the force, e.g. '0.5 s'.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def trial(
    press_file: str,
    setpoint: str | None,
    stop_on: str,
    target: str | None,
    cycles: int,
    seed: int,
    cutoff: str,
    runtime: Any,
    faults: tuple[str, ...],
    changes: tuple[str, ...],
    dwell: str | None,
    as_json: bool,
) -> None:
    """Run a job on the simulated press and judge each part.

    It calibrates and characterises first.

    The true peak on the work is compared with the setpoint and with the physical limit of press and valve.
    """
    from steadyram.virtual.trial import run_trial

    if setpoint is None and stop_on != "depth":
        raise BadInput("--setpoint is missing: give the force at which a stroke ends, e.g. '1.0 tonf'.")
    setpoint_N = parse(setpoint, "newton", what="--setpoint") if setpoint is not None else 0.0
    if setpoint is not None and not setpoint_N > 0:
        raise BadInput("The setpoint is not above zero; give a force such as '1.0 tonf'.")
    target_m = parse(target, "meter", what="--target") if target is not None else None
    job = {"dwell_ms": round(1000 * parse(dwell, "second", what="--dwell"))} if dwell else None
    errors = Console(stderr=True)
    with Progress(console=errors, transient=True) as bar:
        task = bar.add_task("starting", total=None)
        document = run_trial(
            press_file,
            setpoint_N,
            cycles,
            seed=seed,
            cutoff=cutoff,
            runtime=runtime,
            faults=faults,
            changes=changes,
            job=job,
            stop_on=stop_on,
            target_m=target_m,
            with_attainable=as_json,
            progress=lambda what, done, of: bar.update(task, description=what, completed=done, total=of),
            warn=lambda text: errors.print(
                f"[yellow]Warning:[/yellow] {text}", highlight=False, soft_wrap=True
            ),
        )
    if as_json:
        click.echo(json.dumps(document, indent=1))
        return
    if stop_on == "force":
        _print(document, setpoint_N)
    else:
        _print_depths(document)
    for fault in document["faults"]:
        Console().print(f"part {fault['cycle']}: fault {fault['code']}", highlight=False)


def _print_depths(document: dict[str, Any]) -> None:
    out = Console()
    table = Table(
        title=f"Stop on {document['stop_on']}, firmware on {document['runtime']}, seed {document['seed']}"
    )
    bent = any("angle_deg" in row for row in document["cycles"])
    for name in ("part", "true depth", "off by", "true peak", "stop", "pulses", "time"):
        table.add_column(name, justify="right" if name != "stop" else "left")
    if bent:
        table.add_column("angle", justify="right")
    target, limit = document["target_m"], document["limit_sigma_m"]
    rows = document["cycles"]
    peaks = show_column((row["peak_N"] for row in rows), "newton", preferences().force_unit)
    for row, peak in zip(rows, peaks, strict=True):
        table.add_row(
            str(row["n"]),
            f"{1000 * row['depth_m']:.3f} mm",
            f"{1e6 * (row['depth_m'] - target):+.1f} µm",
            peak,
            row["stop"],
            str(row["pulses"]),
            f"{row['duration_s']:.2f} s",
            *([f"{row['angle_deg']:.2f} deg"] if bent else []),
        )
    out.print(table)
    errors = [row["depth_m"] - target for row in document["cycles"][4:] if row["stop"] in ("depth", "over")]
    if errors:
        inside = sum(abs(error) <= 2 * limit for error in errors)
        out.print(
            f"After four parts: {inside} of {len(errors)} within twice the physical limit of {1e6 * limit:.1f} µm "
            f"(one standard deviation).",
            highlight=False,
        )


def _print(document: dict[str, Any], setpoint_N: float) -> None:
    out, unit = Console(), preferences().force_unit
    rows = document["cycles"]
    # One precision for both columns, and the unit in the title.
    figures = [row[key] for key in ("peak_N", "settled_N") for row in rows]
    shown = [text.removesuffix(f" {unit}") for text in show_column(figures, "newton", unit)]
    peaks, settled = shown[: len(rows)], shown[len(rows) :]
    table = Table(
        title=f"{document['cutoff']} cutoff, forces in {unit}, firmware on {document['runtime']}, "
        f"seed {document['seed']}"
    )
    for name in ("part", "true peak", "off by", "in band", "settled", "stop", "pulses", "time"):
        table.add_column(name, justify="right" if name != "stop" else "left")
    for row, peak, rest in zip(rows, peaks, settled, strict=True):
        off = (row["peak_N"] - setpoint_N) / setpoint_N
        table.add_row(
            str(row["n"]),
            peak,
            f"{off:+.1%}",
            "yes" if row["in_band"] else "[red]over[/red]" if off > 0 else "[red]under[/red]",
            rest,
            row["stop"],
            str(row["pulses"]),
            f"{row['duration_s']:.2f} s",
        )
    out.print(table)
    inside = sum(row["in_band"] for row in document["cycles"])
    out.print(
        f"{inside} of {len(document['cycles'])} parts within the band of "
        f"±{show(document['band_N'], 'newton', unit, 3)} ({document['band_N'] / setpoint_N:.1%}): one and a half times "
        "what a perfect controller's strokes stay within, at least 1.2 %. `stop` is what the device saw.",
        highlight=False,
    )
    landed = [row["peak_N"] - setpoint_N for row in document["cycles"][4:] if row["stop"] == "setpoint"]
    sigma = document["limit_sigma_N"]
    if len(landed) > 1:
        share = sigma / setpoint_N
        out.print(
            f"After four parts: mean error {statistics.mean(landed) / setpoint_N:+.2%}, spread "
            f"{statistics.stdev(landed) / sigma:.2f} times the physical limit ({share:.2%} of the setpoint).",
            highlight=False,
        )
