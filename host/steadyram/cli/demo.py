"""`steadyram demo`: the main job from nothing, on a virtual press."""

from __future__ import annotations

import contextlib
import shlex
import statistics
import sys
from pathlib import Path
from typing import Literal

import click
from rich.table import Table

from steadyram.cli._inputs import FOLDER
from steadyram.cli._session import json_option, out, print_json
from steadyram.config import preferences


@click.command()
@click.option(
    "--out", "folder", type=FOLDER, default="steadyram-demo", show_default=True,
    help="Folder for the demo's files; an earlier demo's are replaced.",
)  # fmt: skip
@click.option(
    "--seed", type=click.IntRange(0, 2**31 - 1), default=4, show_default=True, help="Of every random draw."
)
@click.option(
    "--runtime", type=click.Choice(["micropython", "cpython"]), default="micropython", show_default=True,
    help="Interpreter that runs the firmware.",
)  # fmt: skip
@json_option
def demo(folder: Path, seed: int, runtime: Literal["micropython", "cpython"], as_json: bool) -> None:
    """Run the main job on a simulated press, command by command.

    It calibrates, characterises, pushes jobs, runs three batches, pulls the records and writes the report.

    Each command that a person with a board would type is shown before it runs.
    """
    from steadyram.cli import cli
    from steadyram.virtual.demo import run_demo

    def command(arguments: list[str]) -> None:
        # At a real press a person is asked; here the simulated one is named for that.
        at = arguments.index("--hands") if "--hands" in arguments else len(arguments)
        click.secho(f"\n$ steadyram {shlex.join(arguments[:at] + arguments[at + 2 :])}", bold=True)
        sys.stdout.flush()
        cli.main(args=arguments, prog_name="steadyram", standalone_mode=False)

    def say(text: str) -> None:
        click.echo(text if text.startswith(" ") else f"\n{text}")

    with contextlib.redirect_stdout(sys.stderr) if as_json else contextlib.nullcontext():
        result = run_demo(folder, command, say, seed=seed, runtime=runtime)
        units = preferences()
        table = Table(title="Every stroke at the same force")
        for heading in ("job", "setpoint", "parts", "first", "later", "worst", "limit"):
            table.add_column(heading, justify="left" if heading == "job" else "right", no_wrap=True)
        for job in result.jobs:
            off = [peak / job.setpoint_N - 1 for peak in job.cell_peaks_N]
            table.add_row(
                job.name,
                units.force(job.setpoint_N),
                str(job.parts),
                f"{off[0]:+.1%}",
                f"{statistics.fmean(off[1:]):+.1%}",
                f"{max(off[1:], key=abs):+.1%}",
                f"±{1.96 * job.limit_sigma_N / job.setpoint_N:.1%}",
            )
        click.echo()
        out().print(table)
        click.echo(
            "Peaks off the setpoint by the load cell under the ram: first part, then mean and worst of"
        )
        click.echo(
            "the later ones. The limit is what valve timing and sensor noise leave possible: 95 of 100"
        )
        click.echo("strokes of a perfect cutoff would lie inside it.")
        for job in result.jobs:
            for name in job.faults:
                click.echo(f"One stroke of {job.name} was stopped by the fault {name}.")
        click.echo(f"Firmware on {result.runtime}. Cutoff: {result.strategy}.")
        click.echo(f"Done in {result.wall_s:.0f} s. The report is {result.report}")
    if as_json:
        print_json(result.to_json())
