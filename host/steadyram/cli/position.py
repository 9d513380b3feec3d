"""`steadyram position`: calibrate the ram's position sensor against gauge blocks, measure the ram's speeds."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
from rich.table import Table

from steadyram.cli._hands import HANDS_CLEAR, hands_at, hands_option
from steadyram.cli._inputs import PLACE
from steadyram.cli._session import (
    connected,
    json_option,
    keep_option,
    out,
    port_options,
    print_json,
    progress_bar,
    said_if_stopped,
)
from steadyram.cli.commission import put_in_force
from steadyram.commission.installed import installed
from steadyram.commission.position import (
    Kind,
    PositionFound,
    calibrate_position,
    measure_speeds,
    touch_counts_for,
)
from steadyram.cycles.snapshots import keep_sets
from steadyram.device import Device
from steadyram.errors import BadInput, CheckFailed
from steadyram.link.definition import definition
from steadyram.plain_file import write_whole
from steadyram.units import parse

# A ruler's reading off by so much is more than any sensor's data sheet allows for.
_OFF_NOMINAL = 0.02
# A potentiometer's linearity is a tenth of a percent to one (common practice, no source); past that something slips.
_RESIDUAL_SHARE = 0.01

_no_upload = click.option("--no-upload", is_flag=True, help="Write the record, change nothing on the device.")
_out = click.option(
    "--out", "target", type=PLACE,
    help="The record to write (JSON); default: named after the command and the day.",
)  # fmt: skip


@click.group()
def position() -> None:
    """Calibrate the ram's position sensor, measure its speeds.

    First `calibrate`, then `speeds`.

    Needs the force's calibration first, since the ram's touch is felt by the force.
    """


@position.command("calibrate")
@click.option(
    "--heights", required=True, help="Of the gauge stacks, four or more, e.g. '0 mm, 30 mm, 60 mm, 90 mm'."
)
@click.option("--kind", type=click.Choice(["potentiometer", "encoder"]), required=True)
@click.option(
    "--nominal", required=True,
    help="By the data sheet: an encoder's step ('5 um') or a potentiometer's travel over all its supply ('150 mm').",
)  # fmt: skip
@_out
@_no_upload
@hands_option
@port_options
@keep_option
@json_option
def calibrate(
    heights: str,
    kind: Kind,
    nominal: str,
    target: Path | None,
    no_upload: bool,
    hands_url: str | None,
    port: str | None,
    wire_log: Path | None,
    store: Path | None,
    as_json: bool,
) -> None:
    """Calibrate the position sensor on gauge blocks.

    It fits the line, writes the record and uploads it.

    The stacks go under the ram one after another, highest first; the device ends each stroke at the touch. What is
    uploaded is the sensor's part of the calibration set: the force's part stays as it is. The panel's enable button
    has to be held about six seconds for that, as for a calibration of the force.
    """
    stacks = _heights(heights)
    nominal_m = parse(nominal, "meter", what="--nominal")
    if not nominal_m > 0:
        raise BadInput("--nominal is not above zero; give the figure of the data sheet.")
    made = datetime.now(UTC)
    target = _new(target, f"position-{made:%Y-%m-%d}.json")
    left = ["Nothing was changed on the device and no record was written."]
    with said_if_stopped(lambda: left[0]), connected(port, wire_log) as device:
        before, zero, touch = _ready(device)
        click.echo(HANDS_CLEAR, err=True)
        with hands_at(device, hands_url, "kN", None) as hands, progress_bar(hands_url is None) as bar:
            hands.open_changes()
            found = calibrate_position(
                device,
                hands,
                stacks,
                kind=kind,
                nominal_m=nominal_m,
                zero_counts=zero,
                touch_counts=touch,
                progress=lambda done, of: bar("stacks", done, of),
            )
            document = _document(found, nominal_m, max(stacks) - min(stacks))
            document |= _origin(device, made) | {"calibration_serial": before["serial"]}
            write_whole(target, json.dumps(document, indent=1, allow_nan=False) + "\n")
            left[0] = f"The record is {target}; nothing was changed on the device."
            if not no_upload:
                hands.open_calibration()
                if store is not None:
                    keep_sets(device, store, [device.calibration(), device.settings(), device.measured()])
                # Read anew: whatever else is in the set stays.
                there = device.calibration()
                device.push_calibration({**there.values, **found.fields}, instead_of=there)
                left[0] = f"The record is {target}; its calibration is in force, its settings are not yet."
                settings = device.press_values()
                if settings != settings | found.settings():
                    device.push_press(settings | found.settings())
                if store is not None:
                    keep_sets(device, store, [device.calibration(), device.settings(), device.measured()])
    if as_json:
        print_json({"record": str(target), "uploaded": not no_upload, **document})
    else:
        _print(found, document)
    done = (
        "not uploaded"
        if no_upload
        else "in force; what jobs had learned is learned anew. Next: 'position speeds'"
    )
    click.echo(f"The record is {target}; it is {done}.", err=True)


@position.command("speeds")
@_out
@_no_upload
@hands_option
@port_options
@keep_option
@json_option
def speeds(
    target: Path | None,
    no_upload: bool,
    hands_url: str | None,
    port: str | None,
    wire_log: Path | None,
    store: Path | None,
    as_json: bool,
) -> None:
    """Measure how fast the ram comes down, at each feed.

    A stop on depth needs these speeds to close the valve in time."""
    made = datetime.now(UTC)
    target = _new(target, f"speeds-{made:%Y-%m-%d}.json")
    left = ["No setting was changed on the device and no record was written."]
    with said_if_stopped(lambda: left[0]), connected(port, wire_log) as device:
        values, zero, touch = _ready(device)
        kind = device.settings().values["position_kind"]
        if (
            not kind
            or not values[
                "position_step_nm"
                if definition().word("position_kind", kind) == "encoder"
                else "position_um_64k"
            ]
        ):
            raise CheckFailed(
                "The device does not know where its ram is; run 'position calibrate' first and upload it."
            )
        press = installed(device)
        click.echo(HANDS_CLEAR, err=True)
        with hands_at(device, hands_url, "kN", None) as hands:
            hands.open_changes()
            found = measure_speeds(
                device,
                hands,
                zero_counts=zero,
                touch_counts=touch,
                slow_fitted=press.slow_fitted,
                burst=press.burst,
            )
            document = _origin(device, made) | {
                "full_m_per_s": found.full_m_s,
                "slow_m_per_s": found.slow_m_s,
                "settings": found.settings(),
            }
            write_whole(target, json.dumps(document, indent=1, allow_nan=False) + "\n")
            left[0] = f"The record is {target}; no setting was changed on the device."
            if not no_upload:
                put_in_force(device, hands, store, found.settings(), target, left)
    if as_json:
        print_json({"record": str(target), "uploaded": not no_upload, **document})
    else:
        out().print(f"full feed {1000 * found.full_m_s:.3f} mm/s")
        slow = f"slow feed {1000 * found.slow_m_s:.3f} mm/s" if found.slow_m_s else "no slow feed fitted"
        out().print(slow)
    click.echo(
        f"The record is {target}; its settings are {'not uploaded' if no_upload else 'in force'}.", err=True
    )


def _origin(device: Device, made: datetime) -> dict[str, Any]:
    """Where a record comes from."""
    identity = device.identity()
    return {"made": made.isoformat(timespec="seconds"), "device": identity.uid, "firmware": identity.fw}


def _heights(text: str) -> list[float]:
    found = [parse(each.strip(), "meter", what="--heights") for each in text.split(",")]
    if min(found) < 0 or max(found) > 2:
        raise BadInput("--heights has a stack below 0 or above 2 m; give each with its unit, e.g. '30 mm'.")
    if len(set(found)) < 4:
        raise BadInput("--heights has fewer than four different heights; a line needs four or more.")
    return found


def _new(target: Path | None, usual: str) -> Path:
    path = target if target is not None else Path(usual)
    if path.exists():
        raise BadInput(f"{path} exists already; a record is never overwritten, choose another --out.")
    return path


def _ready(device: Device) -> tuple[dict[str, int], float, float]:
    """Calibration in force, the force reading at rest, and how far above it a touch ends (counts)."""
    values = dict(device.calibration().values)
    if not values:
        raise CheckFailed(
            "The device has no calibration of the force, and the touch is felt by it; run 'calibration run' first."
        )
    span = installed(device).capacity_N * 65536 / values["c1_n"]
    return (
        values,
        float(values["zero_counts"]),
        touch_counts_for(span, float(device.now().spread_counts)),
    )


def _document(found: PositionFound, nominal_m: float, span_m: float) -> dict[str, Any]:
    """Record and `--json` of a calibration."""
    residuals = found.residuals_m()
    per = 1.0 if found.kind == "encoder" else 65536.0
    measured_m = per / abs(found.counts_per_m)
    worst = max(map(abs, residuals))
    notes = []
    if abs(measured_m / nominal_m - 1) > _OFF_NOMINAL:
        notes.append(
            f"The sensor's figure is {measured_m / nominal_m - 1:+.1%} off its data sheet; check heights and coupling."
        )
    if worst > _RESIDUAL_SHARE * span_m:
        notes.append(
            f"A stack is {1000 * worst:.2f} mm off the line; look for a sensor that slips, bends or sits askew."
        )
    return {
        "kind": found.kind,
        "nominal_m": nominal_m,
        "measured_m": measured_m,
        "counts_per_m": found.counts_per_m,
        "relative_error": found.relative_error,
        "residual_m": found.residual_m,
        "worst_residual_m": worst,
        "noise_m": found.noise_m,
        "points": [
            {"height_m": point.height_m, "counts": point.counts, "residual_m": off}
            for point, off in zip(found.points, residuals, strict=True)
        ],
        "fields": found.fields,
        "settings": found.settings(),
        "notes": notes,
    }


def _print(found: PositionFound, document: dict[str, Any]) -> None:
    table = Table("stack", "reading (counts)", "off the line", title="Position against gauge blocks")
    for point, off in zip(found.points, found.residuals_m(), strict=True):
        table.add_row(f"{1000 * point.height_m:.3f} mm", f"{point.counts:.1f}", f"{1e6 * off:+.1f} um")
    out().print(table)
    what = "one step is" if found.kind == "encoder" else "the whole supply is"
    unit = (1e6, "um") if found.kind == "encoder" else (1e3, "mm")
    click.echo(
        f"{what} {document['measured_m'] * unit[0]:.5g} {unit[1]} of travel (data sheet "
        f"{document['nominal_m'] * unit[0]:.5g} {unit[1]}), known to {100 * found.relative_error:.2g} %"
    )
    click.echo(f"points about the line: {1e6 * found.residual_m:.1f} um (one standard deviation)")
    if found.noise_m:
        click.echo(f"noise of one sample at rest: {1e6 * found.noise_m:.1f} um")
    for note in document["notes"]:
        click.echo(f"- {note}")
