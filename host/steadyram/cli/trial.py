"""`steadyram trial`: a job on the virtual press, as figures."""

from __future__ import annotations

import json
import statistics
from typing import Any

import click
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from steadyram.units import parse, show


def register(group: click.Group) -> None:
    group.add_command(trial)


@click.command()
@click.option("--press", "press_file", required=True, metavar="FILE", help="Press file (TOML).")
@click.option("--setpoint", required=True, metavar="FORCE", help="Force on the work, e.g. '1.0 tonf'.")
@click.option("--cycles", default=20, show_default=True, type=int, help="Parts to press.")
@click.option("--seed", default=0, show_default=True, type=int, help="Seed of every random draw.")
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
@click.option("--dwell", default=None, metavar="TIME", help="Hold the force, e.g. '0.5 s'.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def trial(
    press_file: str,
    setpoint: str,
    cycles: int,
    seed: int,
    cutoff: str,
    runtime: Any,
    faults: tuple[str, ...],
    changes: tuple[str, ...],
    dwell: str | None,
    as_json: bool,
) -> None:
    """Calibrate, characterise and run a job on the virtual press.

    The true peak on the work is compared with the setpoint and with the physical limit of press and valve.
    """
    from steadyram.virtual.trial import run_trial

    setpoint_N = parse(setpoint, "newton", what="--setpoint")
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
            progress=lambda what, done, of: bar.update(task, description=what, completed=done, total=of),
            warn=lambda text: errors.print(
                f"[yellow]Warning:[/yellow] {text}", highlight=False, soft_wrap=True
            ),
        )
    if as_json:
        click.echo(json.dumps(document, indent=1))
        return
    _print(document, setpoint_N)


def _print(document: dict[str, Any], setpoint_N: float) -> None:
    out = Console()
    table = Table(
        title=f"{document['cutoff']} cutoff, firmware on {document['runtime']}, seed {document['seed']}"
    )
    for name in ("part", "true peak", "off by", "in band", "settled", "stop", "pulses", "time"):
        table.add_column(name, justify="right" if name != "stop" else "left")
    for row in document["cycles"]:
        off = (row["peak_N"] - setpoint_N) / setpoint_N
        table.add_row(
            str(row["n"]),
            show(row["peak_N"], "newton", "kN"),
            f"{off:+.1%}",
            "yes" if row["in_band"] else "[red]over[/red]" if off > 0 else "[red]under[/red]",
            show(row["settled_N"], "newton", "kN"),
            row["stop"],
            str(row["pulses"]),
            f"{row['duration_s']:.2f} s",
        )
    out.print(table)
    inside = sum(row["in_band"] for row in document["cycles"])
    out.print(
        f"{inside} of {len(document['cycles'])} parts within the band of "
        f"±{show(document['band_N'], 'newton', 'kN', 3)} ({document['band_N'] / setpoint_N:.1%}): one and a half times "
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
    for fault in document["faults"]:
        out.print(f"part {fault['cycle']}: fault {fault['code']}", highlight=False)
