"""`steadyram device`: show it, watch it, read and push its settings."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click
from rich.live import Live
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
)
from steadyram.config import Preferences, preferences
from steadyram.cycles.snapshots import keep_sets
from steadyram.link.definition import definition
from steadyram.link.records import Reading
from steadyram.settings_file import read_settings, settings_difference, settings_text


@click.group()
def device() -> None:
    """Show the device, watch it live, read and push its press settings."""


@device.command()
@port_options
@json_option
def show(port: str | None, wire_log: Path | None, as_json: bool) -> None:
    """Who the device is, how it reads, what is in force."""
    units = preferences()
    with connected(port, wire_log) as dev:
        identity, reading = dev.identity(), dev.now()
        settings, jobs, calibration = dev.settings(), dev.jobs(), dev.calibration()
    if as_json:
        print_json(
            {
                "identity": identity.model_dump(),
                "reading": asdict(reading),
                "settings": {"gen": settings.gen, "digest": settings.digest},
                "jobs": {"gen": jobs.gen, "digest": jobs.digest, "count": len(jobs.jobs)},
                "calibration": {
                    "gen": calibration.gen,
                    "digest": calibration.digest,
                    "serial": calibration.values.get("serial"),
                },
            }
        )
        return
    table = Table(show_header=False, box=None)
    table.add_row(
        "device", plain(f"{identity.board} {identity.uid}, firmware {identity.fw}, protocol {identity.proto}")
    )
    for name, text in _reading_rows(reading, units):
        table.add_row(name, plain(text))
    chosen = jobs.by_slot(reading.job)
    table.add_row("job", plain(f"{reading.job} '{chosen.name}'") if chosen is not None else "none chosen")
    table.add_row("jobs", f"{len(jobs.jobs)}, generation {jobs.gen}")
    table.add_row("settings", f"generation {settings.gen}")
    serial = calibration.values.get("serial")
    table.add_row("calibration", f"serial {serial}" if serial else "none: calibrate before using the cutoff")
    out().print(table)


def _why_unknown(reading: Reading) -> str:
    """Say why there is no force, and what that means at the press."""
    if reading.pressure_Pa is not None:
        return " not calibrated: treat the press as loaded"
    return " pressure not known: treat the press as loaded"


def _reading_rows(reading: Reading, units: Preferences) -> list[tuple[str, str]]:
    known = definition()
    state = next((entry.text for entry in known.states.values() if entry.name == reading.state), "")
    rows = [
        ("state", f"{reading.state}: {state}" if state else reading.state),
        (
            "force",
            units.force(reading.force_N) + ("" if reading.force_N is not None else _why_unknown(reading)),
        ),
        ("pressure", units.pressure(reading.pressure_Pa)),
        ("last peak", f"{units.force(reading.peak_N)} (stop: {reading.stop})"),
        ("setpoint", units.force(reading.setpoint_N) if reading.setpoint_N else "none"),
        ("parts", f"{reading.count} of {reading.batch}" if reading.batch else str(reading.count)),
        ("cutoff", "on" if reading.cutoff else "OFF"),
        ("changes", f"open for {reading.changes_left_s:.0f} s" if reading.changes_left_s else "closed"),
    ]
    if reading.fault is not None:
        text = next((entry.text for entry in known.faults.values() if entry.name == reading.fault), "")
        rows.insert(1, ("FAULT", f"{reading.fault}: {text}"))
    if reading.armed_s:
        rows.insert(
            1,
            (
                "VALVE TEST ARMED",
                f"the next extend pedal runs it to {units.force(reading.armed_N)}, not a part; "
                f"{reading.armed_s:.0f} s left, the retract pedal disarms it",
            ),
        )
    if reading.refusal is not None:
        text = next((entry.text for entry in known.refusals.values() if entry.name == reading.refusal), "")
        rows.insert(1, ("REFUSED", f"{reading.refusal}: {text}"))
    return rows


@device.command()
@port_options
@json_option
@click.option(
    "--seconds", type=click.FloatRange(0.1, 86_400), help="Stop after this long; default: until Ctrl-C."
)
@click.option(
    "--every",
    type=click.FloatRange(0.05, 60),
    default=0.2,
    show_default=True,
    help="Seconds between readings.",
)
def watch(
    port: str | None, wire_log: Path | None, as_json: bool, seconds: float | None, every: float
) -> None:
    """Live readings until Ctrl-C (or --seconds)."""
    units = preferences()
    readings: list[dict[str, Any]] = []
    with (
        connected(port, wire_log) as dev,
        Live(console=err() if as_json else out(), refresh_per_second=8) as live,
    ):
        clock = dev.client.transport
        start = clock.now_s()
        while seconds is None or clock.now_s() - start < seconds:
            began = clock.now_s()
            reading = dev.now()
            table = Table(show_header=False, box=None)
            for name, text in _reading_rows(reading, units):
                table.add_row(name, plain(text))
            live.update(table)
            if as_json:
                readings.append({"time_s": began - start, **asdict(reading)})
            dev.next_event(max(0.0, every - (clock.now_s() - began)))
    if as_json:
        print_json({"readings": readings})


@device.command()
@port_options
@json_option
def clock(port: str | None, wire_log: Path | None, as_json: bool) -> None:
    """Set the device's wall clock to this computer's, so that records carry the time of day."""
    with connected(port, wire_log) as dev:
        unix = dev.set_clock()
    if as_json:
        print_json({"unix": unix})
    else:
        err().print("The device's clock is set.")


@device.group()
def settings() -> None:
    """Read or push the settings of the press."""


@settings.command("show")
@port_options
@json_option
@click.option("--defaults", is_flag=True, help="Print the safe defaults without a device.")
def settings_show(port: str | None, wire_log: Path | None, as_json: bool, defaults: bool) -> None:
    """Print the settings in force as a settings file (TOML)."""
    if defaults:
        values = {field.name: field.default for field in definition().settings}
    else:
        with connected(port, wire_log) as dev:
            values = dict(dev.settings().values)
    if as_json:
        print_json({"settings": values})
    else:
        click.echo(settings_text(values), nl=False)


@settings.command("push")
@click.argument("file", type=click.Path(path_type=Path))
@port_options
@json_option
@click.option("--dry-run", is_flag=True, help="Show the difference and change nothing.")
@click.option("--yes", is_flag=True, help="Do not ask before pushing.")
@keep_option
def settings_push(
    file: Path,
    port: str | None,
    wire_log: Path | None,
    as_json: bool,
    dry_run: bool,
    yes: bool,
    store: Path | None,
) -> None:
    """Push the settings in FILE; keys that it lacks keep the device's values."""
    wanted = read_settings(file)
    with connected(port, wire_log) as dev:
        before = dev.settings()
        values = {**before.values, **wanted}
        changes = settings_difference(before.values, values)
        if not as_json:
            _print_settings_difference(changes)
        pushed = False
        if changes and not dry_run:
            if not yes:
                with said_if_stopped(lambda: "Nothing was pushed; the device keeps its settings."):
                    click.confirm("Push these settings?", abort=True, err=True)
            if store is not None:
                keep_sets(dev, store, [before])
            before = dev.push_settings(values)
            if store is not None:
                keep_sets(dev, store, [before])
            pushed = True
    if as_json:
        rows = [{"key": key, "before": old, "after": new} for key, old, new in changes]
        print_json({"changes": rows, "pushed": pushed, "gen": before.gen, "digest": before.digest})
    elif pushed:
        err().print(f"Settings are in force, generation {before.gen}.")


def _print_settings_difference(changes: list[tuple[str, int, int]]) -> None:
    if not changes:
        out().print("The device has these settings already.")
        return
    texts = {field.name: field.text for field in definition().settings}
    table = Table("setting", "device", "file", "meaning")
    for key, old, new in changes:
        table.add_row(key, str(old), str(new), plain(texts[key]))
    out().print(table)
