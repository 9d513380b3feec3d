"""`steadyram device`: show it, watch it, read and push its settings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import click
from rich.live import Live
from rich.table import Table

from steadyram.cli._inputs import Number
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
from steadyram.config import Preferences, preferences
from steadyram.cycles.snapshots import keep_sets
from steadyram.link.definition import definition
from steadyram.link.records import Reading
from steadyram.link.sets import press_sets
from steadyram.settings_file import (
    as_shown,
    panel_unit,
    read_settings,
    settings_difference,
    settings_text,
    settings_with_units,
)


@click.group()
def device() -> None:
    """Show and watch the device, read and push its settings."""


@device.command()
@port_options
@json_option
def show(port: str | None, wire_log: Path | None, as_json: bool) -> None:
    """Show who the device is, how it reads, what is in force."""
    units = preferences()
    with connected(port, wire_log) as dev:
        identity, reading = dev.identity(), dev.now()
        settings, jobs, calibration = dev.settings(), dev.jobs(), dev.calibration()
        tested = dev.measured()
    if as_json:
        print_json(
            {
                "identity": identity.model_dump(),
                "reading": asdict(reading),
                "settings": {"gen": settings.gen, "digest": settings.digest},
                "measured": {
                    "gen": tested.gen,
                    "digest": tested.digest,
                    "day": measured_on(tested.values["measured_day"]),
                },
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
    table.add_row(
        "settings",
        f"generation {settings.gen}" if settings.gen else "factory defaults: push the press's settings",
    )
    on = measured_on(tested.values["measured_day"]) or "on an unknown day"
    table.add_row(
        "measured",
        f"generation {tested.gen}, {on}" if tested.gen else "nothing yet: run steadyram characterise",
    )
    serial = calibration.values.get("serial")
    table.add_row("calibration", f"serial {serial}" if serial else "none: calibrate before using the cutoff")
    out().print(table)


def _why_unknown(reading: Reading) -> str:
    """Say why there is no force, and what that means at the press."""
    if reading.pressure_Pa is not None:
        return " not calibrated: treat the press as loaded"
    return " pressure not known: treat the press as loaded"


def measured_on(day: int) -> str | None:
    """Return the date of a day since 1970-01-01 UTC, None where it is unknown (0)."""
    return (date(1970, 1, 1) + timedelta(days=day)).isoformat() if day else None


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
        # Refused now, or at the newest press: the device keeps the reason until a pedal is pressed again.
        now = reading.state == "refused" or reading.refusal == "zero-out"
        rows.insert(1, ("REFUSED" if now else "last press refused", f"{reading.refusal}: {text}"))
    return rows


@device.command()
@port_options
@json_option
@click.option(
    "--seconds", type=Number(0.1, 86_400, "second"), help="Stop after this long; default: until Ctrl-C."
)
@click.option(
    "--every",
    type=Number(0.05, 60, "second"),
    default=0.2,
    show_default=True,
    help="Seconds between readings.",
)
def watch(
    port: str | None, wire_log: Path | None, as_json: bool, seconds: float | None, every: float
) -> None:
    """Show live readings until Ctrl-C (or --seconds)."""
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
    """Set the device's clock to this computer's.

    Records carry the time of day then. The device forgets it when its power goes."""
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
@click.option("--defaults", is_flag=True, help="Print the factory defaults without a device.")
@click.option("--measured", is_flag=True, help="Print the measured values, too: a backup of this board.")
def settings_show(
    port: str | None, wire_log: Path | None, as_json: bool, defaults: bool, measured: bool
) -> None:
    """Print the settings in force as a settings file (TOML)."""
    if defaults:
        kinds = (*definition().settings, *(definition().measured if measured else ()))
        values = {field.name: field.default for field in kinds}
    else:
        with connected(port, wire_log) as dev:
            values = dev.press_values() if measured else dict(dev.settings().values)
    if as_json:
        print_json({"settings": values})
    else:
        click.echo(settings_text(values), nl=False)


@settings.command("new")
@click.option(
    "--press",
    "press_file",
    type=click.Path(path_type=Path),
    required=True,
    help="Press file (TOML), e.g. one of hardware_notes/presses with your figures in it.",
)
def settings_new(press_file: Path) -> None:
    """Print a settings file made from a press file.

    With units; no device is needed.

    \b
    Example:  steadyram device settings new --press my-press.toml > settings.toml
    Check each line against the press; what the press file does not say has the factory default. The panel shows the
    unit that you chose with 'steadyram units'.
    """
    from steadyram.nameplate import nameplate_settings
    from steadyram.press.pressfile import read_press

    units = preferences()
    values = nameplate_settings(read_press(press_file)) | {"panel_unit": panel_unit(units.force_unit)}
    click.echo(settings_with_units(values, units.force_unit, units.pressure_unit), nl=False)


@settings.command("push")
@click.argument("file", type=click.Path(path_type=Path))
@port_options
@json_option
@click.option("--dry-run", is_flag=True, help="Show the difference and change nothing.")
@click.option("--yes", is_flag=True, help="Do not ask before pushing.")
@click.option(
    "--measured", is_flag=True, help="Push the file's measured values, too: a board that was replaced."
)
@keep_option
def settings_push(
    file: Path,
    port: str | None,
    wire_log: Path | None,
    as_json: bool,
    dry_run: bool,
    yes: bool,
    measured: bool,
    store: Path | None,
) -> None:
    """Push the settings in FILE to the device.

    Keys that the file lacks keep the device's values.

    Measured values in FILE (lags, rates, speeds) are left alone unless --measured is given.
    """
    wanted, measured_wanted = press_sets(read_settings(file))
    with connected(port, wire_log) as dev:
        before, tested = dev.settings(), dev.measured()
        values = {**before.values, **wanted}
        changes = settings_difference(before.values, values)
        other = settings_difference(tested.values, {**tested.values, **measured_wanted})
        if measured:
            changes += other
        elif other:
            err().print(plain(_left_alone(other)))
        if not as_json:
            _print_settings_difference(changes)
        pushed = False
        known = {**tested.values, **(measured_wanted if measured else {})}
        warning = (
            threshold_warning(known, preferences())
            if values["strategy"] == definition().value("strategy", "threshold")
            else ""
        )
        if warning:
            err().print(plain(warning))
        if changes and not dry_run:
            tell_if_closed(dev)
            if not yes:
                with said_if_stopped(lambda: "Nothing was pushed; the device keeps its settings."):
                    click.confirm("Push these settings?", abort=True, err=True)
            if store is not None:
                keep_sets(dev, store, [before, tested])
            before = dev.push_settings(values, instead_of=before)
            if measured and other:
                tested = dev.push_measured({**tested.values, **measured_wanted}, instead_of=tested)
            if store is not None:
                keep_sets(dev, store, [before, tested])
            pushed = True
    if as_json:
        rows = [{"key": key, "before": old, "after": new} for key, old, new in changes]
        print_json({"changes": rows, "pushed": pushed, "gen": before.gen, "digest": before.digest})
    elif pushed:
        err().print(f"Settings are in force, generation {before.gen}.")


def _left_alone(changes: list[tuple[str, int, int]]) -> str:
    names = ", ".join(key for key, _, _ in changes)
    return (
        f"The file holds other measured values than the device ({names}); those of the device stay in force. To "
        "measure anew run 'steadyram characterise' or 'steadyram position speeds'; to restore a backup give --measured."
    )


def threshold_warning(measured: Mapping[str, int], units: Preferences) -> str:
    """Say what a plain threshold does to every part: the overshoot to expect on a dead stop, as measured.

    What flows in from the setpoint on, in newtons: rise rate (N/s) times close lag, sensor lag and the 2 ms by which
    the mean of four samples is late. A softer part goes over by less.
    """
    words = 'strategy = "threshold": the valve closes at the setpoint (plain threshold), and every part goes over it. '
    if not measured["char_valid"]:
        return (
            words
            + 'By how much is unknown: this press was not characterised. strategy = "learned" learns to stop at it.'
        )
    late_s = (measured["close_lag_us"] + measured["coast_us"] + measured["sensor_lag_us"] + 2000) / 1e6
    low, high = (measured[key] * late_s for key in ("rate_low_n_s", "rate_high_n_s"))
    over = units.force(low, 3)
    if measured["changeover_n"]:
        over += f" below the pump's changeover and {units.force(high, 3)} above it"
    return (
        words + f'Expect {over} too much on a dead stop. strategy = "learned" learns to stop at the setpoint.'
    )


def _print_settings_difference(changes: list[tuple[str, int, int]]) -> None:
    if not changes:
        out().print("The device has these settings already.")
        return
    fields = {field.name: field for field in (*definition().settings, *definition().measured)}
    table = Table("setting", "device", "file", "meaning")
    units = preferences()
    for key, old, new in changes:
        field = fields[key]
        shown = [as_shown(field, value, units.force_unit, units.pressure_unit) for value in (old, new)]
        table.add_row(key, *shown, plain(field.text))
    out().print(table)
