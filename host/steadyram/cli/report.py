"""`steadyram cycles report`: the store's records as one self-contained HTML page."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from steadyram.cli._inputs import PLACE
from steadyram.cli._session import err, json_option, print_json
from steadyram.cli.cycles import from_option, job_option, store_option, to_option, uid_option
from steadyram.config import preferences
from steadyram.plain_file import write_whole

if TYPE_CHECKING:
    from steadyram.report.gather import Run


@click.command()
@store_option
@uid_option
@job_option
@from_option
@to_option
@click.option(
    "--out",
    "target",
    type=PLACE,
    default="steadyram-report.html",
    show_default=True,
    help="The page to write.",
)
@click.option(
    "--calibration", "journal", type=click.Path(dir_okay=False, path_type=Path),
    help="Journal of the calibration in force: adds the uncertainty of the calibration and of one stroke.",
)  # fmt: skip
@click.option("--title", default="Press report", show_default=True, help="Heading of the page.")
@json_option
def report(
    store: str | Path,
    uid: str | None,
    job: int | None,
    first: int,
    last: int,
    target: Path,
    journal: Path | None,
    title: str,
    as_json: bool,
) -> None:
    """Write a report of strokes: traces, peaks, faults, settings.

    It names the calibration that they rest on. The judgement of a batch is `batch proof`.
    """
    # Here, not above: the database layer is slow to load, and every command line would wait for it.
    from steadyram.cycles.select import choose_device
    from steadyram.cycles.store import CycleStore
    from steadyram.report.gather import gather
    from steadyram.report.page import findings, render
    from steadyram.report.uncertainty import measured_of, uncertainty_facts

    units = preferences()
    with CycleStore(store, create=False) as opened:
        data = gather(opened, choose_device(opened, uid), first=first, last=last, job=job)
        measured = measured_of(opened, data.uid)
    facts = uncertainty_facts(journal, data.calibrations, measured, [run.setpoint_N for run in data.runs])
    write_whole(target, render(data, units, title=title, made_unix=int(time.time()), facts=facts))
    if as_json:
        print_json(
            {
                "report": str(target),
                "strokes": data.total,
                "jobs": [_job(run) for run in data.runs],
                "findings": [finding.text for finding in findings(data, units)],
            }
        )
        return
    err().print(f"The report of {data.total} strokes is in {target}.")


def _job(run: Run) -> dict[str, object]:
    """One job for --json: figures of force or of depth, the others null."""
    by_force = run.landing.quantity == "force"
    return {
        "slot": run.slot,
        "name": run.name,
        "setpoint_N": run.setpoint_N,
        "target_m": None if by_force else run.target,
        "strokes": len(run.records),
        "landed": len(run.landed),
        "charted": run.landing.quantity,
        "mean_peak_N": run.mean if by_force else None,
        "sd_N": run.sd if by_force else None,
        "overshoot_N": run.overshoot if by_force else None,
        "mean_depth_m": None if by_force else run.mean,
        "sd_m": None if by_force else run.sd,
        "overshoot_m": None if by_force else run.overshoot,
    }
