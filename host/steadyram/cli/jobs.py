"""`steadyram jobs`: check a jobs file, show its difference to the device, push it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click
from rich.table import Table

from steadyram.cli._session import (
    connected,
    err,
    json_option,
    keep_option,
    out,
    plain,
    port_options,
    print_json,
    said_if_stopped,
    tell_if_closed,
)
from steadyram.config import preferences
from steadyram.cycles.snapshots import keep_sets
from steadyram.device import Device
from steadyram.jobs.difference import SlotChange, any_change, difference
from steadyram.jobs.file import Job, JobsFile, read_jobs
from steadyram.jobs.limits import PressLimits, check_limits
from steadyram.link.records import DeviceJob, JobsState
from steadyram.press.limits import HOLD_TO
from steadyram.press.pressfile import PressFile, read_press
from steadyram.press.sizing import smallest_setpoint_N
from steadyram.units import show as show_quantity

_CONFIRM_NOTE = (
    "The force of a job with an estimate in it is a guess: choose it ('steadyram jobs use SLOT'), press one part with "
    "'steadyram first-part', look at it, and store the force that was right."
)
_STATED_NOTE = (
    "No file tells whether a force was proven; give 'unproven = true' to a job whose force is a guess."
)

file_argument = click.argument("file", type=click.Path(path_type=Path))


@click.group()
def jobs() -> None:
    """Check a jobs file, compare it with the device, push it."""


def _warn_of_small(slotted: Sequence[tuple[int, Job]], press: PressFile, unit: str) -> None:
    """Say which forces lie below the smallest that the press can hold to 5 % (the definition of `steadyram size`)."""
    smallest = smallest_setpoint_N(press, HOLD_TO)
    for _, job in slotted:
        if smallest is None or job.force < smallest:
            figure = show_quantity(smallest, "newton", unit) if smallest is not None else "any force here"
            err().print(
                f"Warning: {plain(job.name)} at {show_quantity(job.force, 'newton', unit)} is below {figure}, the "
                f"smallest this press can hold to {HOLD_TO:.0%}; see 'steadyram size'.",
                soft_wrap=True,
            )


@jobs.command()
@file_argument
@click.option("--press", type=click.Path(path_type=Path), help="Press file to check the forces against.")
@json_option
def check(file: Path, press: Path | None, as_json: bool) -> None:
    """Check FILE without a device, against a press file if one is given."""
    wanted = read_jobs(file)
    unit = _unit(wanted)
    slotted = wanted.slotted()
    if press is not None:
        model = read_press(press)
        check_limits(wanted.to_device(), PressLimits.of_press(model), unit)
        _warn_of_small(slotted, model, unit)
    if as_json:
        print_json(
            {
                "jobs": [
                    {
                        "slot": slot,
                        "name": job.name,
                        "setpoint_N": job.force,
                        "dwell_s": job.dwell,
                        "return": job.return_,
                        "cutoff_required": job.cutoff_required,
                        "batch": job.batch,
                        "tooling_rated_force_N": job.tooling_rated_force,
                        "unproven": job.unproven,
                        "stop": job.stop,
                        "depth_m": job.depth,
                        "slow_from_m": job.slow_from,
                        "force_window_N": job.force_window,
                        "depth_window_m": job.depth_window,
                        "handling": job.handling,
                    }
                    for slot, job in slotted
                ]
            }
        )
        return
    # Most shops stop on force alone: no column for what is the same everywhere.
    travel = any(job.depth is not None or job.handling for _, job in slotted)
    stops = ["stops on"] if travel else []
    table = Table("slot", "name", *stops, "force", "the force is", "dwell", "return", "cutoff", "batch")
    for slot, job in slotted:
        table.add_row(
            str(slot),
            plain(job.name),
            *([_stops_on(job)] if travel else []),
            show_quantity(job.force, "newton", unit),
            "an estimate" if job.unproven else "as stated",
            f"{job.dwell:g} s",
            job.return_,
            "required" if job.cutoff_required else "may be off",
            str(job.batch or ""),
        )
    out().print(table)
    any_guess = any(job.unproven for _, job in slotted)
    err().print(_CONFIRM_NOTE if any_guess else _STATED_NOTE, soft_wrap=True)


@jobs.command()
@file_argument
@port_options
@json_option
def diff(file: Path, port: str | None, wire_log: Path | None, as_json: bool) -> None:
    """Show what pushing FILE would change on the device; change nothing."""
    wanted = read_jobs(file)
    with connected(port, wire_log) as dev:
        state, changes = _compare(dev, wanted)
    _show(state, changes, as_json, pushed=False)


@jobs.command()
@file_argument
@port_options
@json_option
@click.option("--dry-run", is_flag=True, help="Show the difference and change nothing.")
@click.option("--yes", is_flag=True, help="Do not ask before pushing.")
@keep_option
def push(
    file: Path,
    port: str | None,
    wire_log: Path | None,
    as_json: bool,
    dry_run: bool,
    yes: bool,
    store: Path | None,
) -> None:
    """Make FILE the device's jobs: all of them or none.

    The difference is shown first."""
    wanted = read_jobs(file)
    with connected(port, wire_log) as dev:
        state, changes = _compare(dev, wanted)
        pushed = any_change(changes) and not dry_run
        if not as_json:
            _print_difference(changes)
        if pushed:
            tell_if_closed(dev)
            if not yes:
                with said_if_stopped(lambda: "Nothing was pushed; the device keeps its jobs."):
                    click.confirm("Push these jobs?", abort=True, err=True)
            if store is not None:
                keep_sets(dev, store, [state])
            state = dev.push_jobs(wanted.to_device(), instead_of=state)
            if store is not None:
                keep_sets(dev, store, [state])
    if as_json:
        _show(state, changes, True, pushed)
    elif pushed:
        err().print(f"Jobs in force: {len(state.jobs)}, generation {state.gen}.")
        if any(job.unproven for job in wanted.job):
            err().print(_CONFIRM_NOTE, soft_wrap=True)


@jobs.command("list")
@port_options
@json_option
def list_(port: str | None, wire_log: Path | None, as_json: bool) -> None:
    """List the jobs that the device holds."""
    with connected(port, wire_log) as dev:
        state = dev.jobs()
        chosen = dev.now().job
    if as_json:
        rows = [{"slot": job.slot, "name": job.name, **_si(job)} for job in state.jobs]
        print_json({"jobs": rows, "chosen": chosen, "gen": state.gen, "digest": state.digest})
        return
    unit = preferences().force_unit
    table = Table("slot", "name", "force", "chosen")
    for job in state.jobs:
        force = show_quantity(float(job.fields["setpoint_n"]), "newton", unit)
        table.add_row(str(job.slot), plain(job.name), force, "yes" if job.slot == chosen else "")
    out().print(table)


@jobs.command()
@click.argument("slot", type=click.IntRange(0, 1000))
@port_options
@json_option
def use(slot: int, port: str | None, wire_log: Path | None, as_json: bool) -> None:
    """Choose the job in SLOT as the active one (0 = none)."""
    with connected(port, wire_log) as dev:
        setpoint_N = dev.use_job(slot)
        chosen = next((job for job in dev.jobs().jobs if job.slot == slot), None)
        hints = []
        if chosen is not None and not dev.calibration().values:
            hints.append(
                "The device has no calibration yet, so it will refuse to press with the cutoff on: run "
                "'steadyram calibration run' first."
            )
        if chosen is not None and chosen.fields["unproven"]:
            hints.append("Its force is an estimate: press its first part with 'steadyram first-part'.")
    for hint in hints:
        err().print(hint, soft_wrap=True)
    if as_json:
        print_json({"job": slot, "setpoint_N": setpoint_N})
    else:
        err().print(
            f"Job {slot} is active, {preferences().force(setpoint_N)}." if slot else "No job is active."
        )


def _stops_on(job: Job) -> str:
    """What ends a stroke of the job, for a table."""
    if job.handling:
        return "handling ceiling"
    if job.depth is None:
        return "force"
    first = ", or force first" if job.stop == "first" else ""
    return f"{1000 * job.depth:.3f} mm{first}"


def _si(job: DeviceJob) -> dict[str, Any]:
    fields = dict(job.fields)
    return {
        "setpoint_N": float(fields.pop("setpoint_n")),
        "tooling_rated_force_N": float(fields.pop("tool_limit_n")),
        "dwell_s": fields.pop("dwell_ms") / 1000.0,
        **fields,
    }


def _unit(wanted: JobsFile) -> str:
    return wanted.units or preferences().force_unit


def _compare(dev: Device, wanted: JobsFile) -> tuple[JobsState, list[SlotChange]]:
    jobs = wanted.to_device()
    unit = _unit(wanted)
    check_limits(jobs, PressLimits.of_settings(dev.settings().values), unit)
    state = dev.jobs()
    return state, difference(state.jobs, jobs, unit)


def _show(state: JobsState, changes: list[SlotChange], as_json: bool, pushed: bool) -> None:
    if not as_json:
        _print_difference(changes)
        return
    rows = [
        {
            "slot": change.slot,
            "name": change.name,
            "change": change.sort,
            "fields": [{"key": key, "before": old, "after": new} for key, old, new in change.fields],
        }
        for change in changes
    ]
    print_json({"changes": rows, "pushed": pushed, "gen": state.gen, "digest": state.digest})


def _print_difference(changes: list[SlotChange]) -> None:
    if not any_change(changes):
        out().print("The device has these jobs already.")
        return
    colours = {"new": "green", "gone": "red", "changed": "yellow", "same": "dim"}
    table = Table("slot", "job", "change", "field", "device", "file")
    for change in changes:
        rows = change.fields or (("", "", ""),)
        for number, (key, old, new) in enumerate(rows):
            lead = (str(change.slot), plain(change.name), change.sort) if number == 0 else ("", "", "")
            table.add_row(*lead, key, plain(old), plain(new), style=colours[change.sort])
    out().print(table)
