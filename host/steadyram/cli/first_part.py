"""`steadyram first-part`: press one part by hand until it looks right, and take its force into the job."""

from __future__ import annotations

import io
import time
from pathlib import Path

import click
from rich.console import Console
from rich.table import Table

from steadyram.cli._hands import hands_at, hands_option
from steadyram.cli._inputs import PLACE, Measured
from steadyram.cli._session import connected, err, json_option, out, port_options, print_json, said_if_stopped
from steadyram.commission.first_part import (
    FirstPart,
    read_first_part,
    stroke_by_hands,
    terminal_curve,
    wait_for_stroke,
)
from steadyram.config import preferences
from steadyram.errors import BadInput
from steadyram.link.records import Trace
from steadyram.plain_file import write_whole
from steadyram.units import parse, to_unit

_HOW = (
    "Put the part in and stand clear. Press and hold the pedal: the ram comes up in steps sized not to pass the job's "
    "force. Let go when the part looks right; press again if it needs more. Guards, relief valve, emergency stop and "
    "two-hand control stay in force; steadyram replaces none of them."
)


@click.command("first-part")
@click.option(
    "--margin",
    type=Measured("dimensionless", 0.0, 0.5),
    default="5 %",
    show_default=True,
    help="Added to the knee for its proposal.",
)
@click.option(
    "--patience",
    type=Measured("second", 1.0, 86_400.0),
    default="120 s",
    show_default=True,
    help="How long to wait for the stroke.",
)
@click.option(
    "--take",
    type=click.Choice(["ask", "knee", "settled", "none"]),
    default="ask",
    show_default=True,
    help="Which proposal to store.",
)
@click.option(
    "--force",
    "forced",
    type=Measured("newton", 1.0, 1e8),
    default=None,
    metavar="FORCE",
    help="Store this force instead of a proposal.",
)
@click.option("--plot", type=PLACE, help="Draw the curve (SVG or PNG).")
@hands_option
@port_options
@json_option
def first_part(
    margin: str,
    patience: str,
    take: str,
    forced: str | None,
    plot: Path | None,
    hands_url: str | None,
    port: str | None,
    wire_log: Path | None,
    as_json: bool,
) -> None:
    """Press the first part of a job, store the force it needed.

    To store the force it asks you to open changes at the panel. Nothing is stored without confirmation, --take or
    --force.
    """
    share = parse(margin, "dimensionless", what="--margin")
    patience_s = parse(patience, "second", what="--patience")
    force_N = parse(forced, "newton", what="--force") if forced else None
    prefer = preferences()
    talk = err() if as_json else out()
    kept = (
        "Nothing was stored; the job keeps its set force. A part that was pressed stays in the device's log."
    )
    with (
        said_if_stopped(lambda: kept),
        connected(port, wire_log) as device,
        hands_at(device, hands_url, prefer.force_unit, None) as hands,
    ):
        reading, jobs = device.now(), device.jobs()
        if reading.job == 0:
            raise BadInput("No job is active; choose one with 'steadyram jobs use N' first.")
        if not device.calibration().values:
            raise BadInput(
                "The device has no calibration, so the cutoff cannot work; run 'steadyram calibration run' first."
            )
        talk.print(_HOW)
        talk.print(
            f"Job {reading.job}, ceiling {prefer.force(reading.setpoint_N)}. Waiting for the pedal ..."
        )
        if hands_url is None:
            record = wait_for_stroke(device, reading.next_seq, time.sleep, patience_s)
        else:
            record = stroke_by_hands(device, hands, reading.next_seq, patience_s)
        found = read_first_part(record, device.trace(record.seq), share)
        _show(talk, found, prefer.force)
        if plot and found.trace is not None:
            _draw(found, found.trace, plot)
            talk.print(f"Drawn: {plot}")
        chosen = force_N if force_N is not None else _choose(found, take, as_json)
        stored = None
        if chosen is not None:
            hands.open_changes()
            stored = device.teach(chosen, job=reading.job, replaces=jobs.gen)
    if as_json:
        print_json(found.to_json() | {"job": reading.job, "stored_N": stored})
    elif stored is None:
        talk.print("Nothing was stored.")
    else:
        talk.print(f"Job {reading.job} now stops at {prefer.force(stored)}, proven by this part.")


def _choose(found: FirstPart, take: str, as_json: bool) -> float | None:
    if take == "none" or (take == "ask" and as_json):
        return None
    if take in ("knee", "settled"):
        value = found.by_knee_N if take == "knee" else found.by_settled_N
        if value is None:
            raise BadInput(f"This stroke shows no proposal by {take}; press another part or give --force.")
        return value
    answer = click.prompt(
        "Store which: k (knee with margin), s (settled), a force such as '1.1 tonf', or n (nothing)",
        default="n",
    ).strip()
    if answer == "n":
        return None
    if answer == "k":
        return _choose(found, "knee", as_json)
    if answer == "s":
        return _choose(found, "settled", as_json)
    return parse(answer, "newton", what="the force")


def _show(talk: Console, found: FirstPart, force: object) -> None:
    say = force if callable(force) else str
    if found.trace is not None:
        for line in terminal_curve(found.trace):
            talk.print(f"  {line}", markup=False)
        talk.print(f"  0 to {len(found.trace.points) * found.trace.dt_s:.2f} s, top {say(found.peak_N)}")
    table = Table(show_header=False)
    rows = {
        "ended by": found.record.stop,
        "contact after": f"{found.contact_s:.2f} s" if found.contact_s else "not seen",
        "knee": say(found.knee_N) if found.knee_N else "none seen",
        "peak": say(found.peak_N),
        "settled": say(found.settled_N),
        "proposal k: knee and margin": say(found.by_knee_N) if found.by_knee_N else "-",
        "proposal s: settled force": say(found.by_settled_N) if found.by_settled_N else "-",
    }
    for name, value in rows.items():
        table.add_row(name, str(value))
    talk.print(table)


def _draw(found: FirstPart, trace: Trace, path: Path) -> None:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8, 4), layout="constrained")
    axes = figure.subplots()
    units = preferences()
    per_N = to_unit(1.0, "newton", units.force_unit)
    forces = [force * per_N for force in trace.force_N()]
    axes.plot([(i + 1) * trace.dt_s for i in range(len(forces))], forces)
    for name, value in (("knee", found.knee_N), ("settled", found.settled_N)):
        if value:
            axes.axhline(value * per_N, ls="--", lw=0.8, color="0.5")
            axes.annotate(name, (0, value * per_N), va="bottom")
    axes.set(xlabel="time, s", ylabel=f"force, {units.force_unit}")
    axes.grid(alpha=0.3)
    kind = path.suffix.removeprefix(".") or "png"
    buffer = io.BytesIO()
    figure.savefig(buffer, format=kind)
    write_whole(path, buffer.getvalue())
