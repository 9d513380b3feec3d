"""`steadyram calibration run` and `steadyram characterise`: the guided procedures, by a person or a virtual one."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

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
from steadyram.cli.calibration import (
    due_told,
    enter_read_back,
    print_analysis,
    smallest_setpoint_N,
    upload_values,
)
from steadyram.commission.hands import Hands
from steadyram.commission.installed import Installed, installed
from steadyram.commission.kept_fields import position_fields
from steadyram.config import preferences
from steadyram.cycles.snapshots import keep_sets
from steadyram.device import Device
from steadyram.errors import BadInput, CheckFailed
from steadyram.metrology.analyse import Analysis, analyse
from steadyram.metrology.before import out_of_date, worth_of_reference
from steadyram.metrology.certificate import Forces
from steadyram.metrology.csv_record import default_unit, reference_factor
from steadyram.metrology.device_poly import device_force
from steadyram.metrology.guided import refuse_contradiction
from steadyram.metrology.header import Header
from steadyram.metrology.header_file import read_header
from steadyram.metrology.journal import read_journal
from steadyram.metrology.nameplate import discrepancy_told
from steadyram.metrology.stroke import scatter_of
from steadyram.metrology.summary import analysis_document
from steadyram.plain_file import write_whole
from steadyram.units import FORCE_UNITS, PRESSURE_UNITS, parse

if TYPE_CHECKING:
    from steadyram.commission.capability import Feed
    from steadyram.commission.measured import Characteristics

F = TypeVar("F", bound=Callable[..., Any])
# Rising runs of each procedure.
RUNS = {"short": 1, "full": 3}


@click.command()
@click.option(
    "--header", "header_file", required=True, type=click.Path(path_type=Path),
    help="Header file: press, transducer, reference; 'calibration header' prints one to fill in.",
)  # fmt: skip
@click.option(
    "--out", "journal_file", type=PLACE,
    help="The record to write; default: calibration-NUMBER.jsonl.",
)  # fmt: skip
@click.option(
    "--reference-unit", type=click.Choice([*FORCE_UNITS, *PRESSURE_UNITS]),
    help="Unit of typed readings without one; default: the one of 'steadyram units'.",
)  # fmt: skip
@click.option(
    "--procedure", type=click.Choice(list(RUNS)), default="short", show_default=True,
    help="short: one run up and down, a working calibration. full: three runs, the reference taken out and put "
    "back between them, as a machine class asks for.",
)  # fmt: skip
@click.option(
    "--no-upload", is_flag=True, help="Write the record only; upload it later with 'calibration upload'."
)
@hands_option
@port_options
@keep_option
@json_option
def calibrate(
    header_file: Path,
    journal_file: Path | None,
    reference_unit: str | None,
    procedure: str,
    no_upload: bool,
    hands_url: str | None,
    port: str | None,
    wire_log: Path | None,
    store: Path | None,
    as_json: bool,
) -> None:
    """Calibrate on a block: the device brings up the force.

    Points up and down, then the record, the curve and the upload.

    The device brings the force up in small pulses while you hold the pedal; you read the reference. Where
    you can set the force yourself (hand pump, testing machine), 'calibration by-hand' takes the points you set.
    """
    from steadyram.commission.calibrate import calibrate as run_calibration
    from steadyram.commission.journal_of import Partial, record_of, set_aside_unfinished, write_journal

    header = read_header(header_file, 0.0)
    gauge = header.reference.kind == "gauge"
    if RUNS[procedure] > 1 and not gauge:
        refuse_contradiction(header, True)
    early = out_of_date(header)
    target = journal_file if journal_file is not None else Path(f"calibration-{header.number}.jsonl")
    if target.exists():
        raise BadInput(
            f"{target} exists already; a calibration record is never overwritten, choose another --out."
        )
    unit = reference_unit or default_unit(header)
    reference_factor(header, unit)
    if gauge and hands_url is not None:
        raise BadInput(
            "The virtual press's reference is a load cell under the ram; give a header that says so."
        )
    with said_if_stopped(lambda: _calibration_left(target)), connected(port, wire_log) as device:
        press = installed(device)
        _same_press(header, press)
        if header.counts_step != press.counts_step:
            click.echo(
                f"The header says {header.counts_step} counts a converter step, the device's settings "
                f"{press.counts_step}: the device's are taken.",
                err=True,
            )
        identity = device.identity()
        simulated = identity.simulated or hands_url is not None
        header = header.model_copy(
            update={
                "firmware": identity.fw,
                "counts_step": press.counts_step,
                # Hands at an address are a simulated press's, too.
                "simulated": simulated,
                "invented": header.invented or simulated,
            }
        )
        scatter = scatter_of(device.press_values())
        if told := set_aside_unfinished(target):
            click.echo(told, err=True)
        for sentence in early:
            click.echo(sentence, err=True)
        for sentence in worth_of_reference(header, smallest_setpoint_N(device), preferences().force_unit):
            click.echo(sentence, err=True)
        click.echo(HANDS_CLEAR, err=True)
        with (
            hands_at(device, hands_url, unit, header.area_m2 if gauge else None) as hands,
            progress_bar(hands_url is None) as bar,
        ):
            header = _with_temperature(header, hands, "at the start", procedure)
            hands.open_changes()
            noise_N = max(4.0, float(device.now().spread_counts)) / press.counts_per_N / 16
            partial = Partial(target, header, noise_N)
            found = run_calibration(
                device,
                hands,
                capacity_N=press.capacity_N,
                counts_per_N=press.counts_per_N,
                holds_load=press.holds_load,
                slow_fitted=press.slow_fitted,
                progress=lambda done, of: bar("calibrating", done, of),
                keep=partial.keep,
                runs=RUNS[procedure],
                reseat=not gauge,
                answered=lambda reseated: refuse_contradiction(header, reseated),
                now=lambda: datetime.now(UTC).replace(microsecond=0),
            )
            header = _with_temperature(header, hands, "at the end", procedure)
            record = record_of(found, header, noise_N)
            result: Analysis | None = None
            if press.holds_load:
                analyse(
                    record, "the calibration", monte_carlo=False
                )  # nonsense is refused before it is written
            write_journal(record, target)
            partial.done()
            if press.holds_load:
                result = analyse(read_journal(target), str(target))
            fields = found.polynomial.fields if result is None else result.device.fields
            if not no_upload:
                if off := discrepancy_told(record):
                    click.echo(
                        f"U does not cover {off}. Stop here (Ctrl-C) until reference, unit, bore and range are "
                        f"checked; the record is kept.",
                        err=True,
                    )
                hands.open_calibration()
                if store is not None:
                    keep_sets(device, store, [device.calibration()])
                there = device.calibration()
                kept = position_fields(there.values)
                state = device.push_calibration(kept | upload_values(fields, header), instead_of=there)
                if store is not None:
                    keep_sets(device, store, [state])
                enter_read_back(device, target, upload_values(fields, header))
    if as_json:
        points = [
            {"reference_N": p.force_N, "reading_counts": p.counts, "rising": p.rising} for p in found.points
        ]
        document = {} if result is None else analysis_document(result, scatter)
        print_json(
            {"record": str(target), "uploaded": not no_upload, "points": points, "fields": fields, **document}
        )
        return
    _print_points(found.points, found.polynomial.fields if result is None else result.device.fields)
    if result is not None:
        print_analysis(result, preferences().force_unit, scatter)
    else:
        click.echo(
            "This press does not hold its load: two points only, and seal friction cannot be told apart."
        )
    done = "not uploaded yet" if no_upload else f"in force on the device, {due_told(header)}"
    kind = "" if procedure == "full" else " (a working calibration)"
    click.echo(f"The record is {target}; calibration {header.number}{kind} is {done}.", err=True)


def _with_temperature(header: Header, hands: Hands, when: str, procedure: str) -> Header:
    """Ask for the ambient temperature of a full calibration, unless the header has that of the start already."""
    told = header.environment
    field = "ambient_C" if when == "at the start" else "ambient_end_C"
    if procedure != "full" or (field == "ambient_C" and told.ambient_C is not None):
        return header
    read = hands.ambient_C(when)
    return header.model_copy(update={"environment": told.model_copy(update={field: read})})


def _calibration_left(target: Path) -> str:
    """What a calibration that was stopped leaves. The upload is the last step and is done as a whole or not at all."""
    stays = "The calibration in force on the device was not touched"
    from steadyram.commission.journal_of import partial_path

    unfinished = partial_path(target)
    if target.exists():
        return f"The record is {target}; it was not uploaded ('steadyram calibration upload {target}' does that)."
    if unfinished.exists():
        return f"{stays}; the points taken so far are in {unfinished}, and a new run takes all of them again."
    return f"{stays}, and no record was written."


def _print_points(points: Any, fields: dict[str, int]) -> None:
    units = preferences()
    forces = Forces(units.force_unit)
    residuals = [
        float(device_force(fields, [point.counts])[0]) - point.force_N if point.rising else None
        for point in points
    ]
    finest = max(1.0, max(abs(residual) for residual in residuals if residual is not None) / 10.0)
    least = max(1.0, min(abs(point.force_N) for point in points) / 100.0)
    table = Table("direction", "reference", "reading (counts)", "residual of the curve", title="Points")
    for point, residual in zip(points, residuals, strict=True):
        table.add_row(
            "up" if point.rising else "down",
            f"{forces.column(point.force_N, least)} {units.force_unit}",
            f"{point.counts:.1f}",
            "" if residual is None else f"{forces.column(residual, finest, True)} {units.force_unit}",
        )
    out().print(table)


def _same_press(header: Header, press: Installed) -> None:
    if (header.measures == "force") != press.measures_force:
        raise BadInput(
            f"The header is of a sensor that measures {header.measures}, the device's setting sensor_measures says "
            f"{'force' if press.measures_force else 'pressure'}; correct the header or push the press's settings first."
        )
    pairs = (
        [("force at full output", header.full_N, press.full_N)]
        if press.measures_force
        else [
            ("piston area", header.area_m2, press.area_m2),
            ("transducer range", header.range_Pa, press.range_Pa),
        ]
    )
    for what, ours, theirs in pairs:
        if abs(ours / theirs - 1) > 0.002:
            raise BadInput(
                f"The header's {what} differs from the device's settings by {ours / theirs - 1:+.1%}; correct "
                "the header or push the press's settings first."
            )


@click.command()
@click.option(
    "--out", "target", type=PLACE,
    help="The record to write (JSON); default: characterisation-DATE.json, the second of a day DATE-2.",
)  # fmt: skip
@click.option("--no-upload", is_flag=True, help="Measure and write the record, change no setting.")
@click.option(
    "--setpoint", "setpoints", multiple=True, metavar="FORCE",
    help="Say whether this setpoint can be held, e.g. '0.9 tonf'; may be given several times.",
)  # fmt: skip
@hands_option
@port_options
@keep_option
@json_option
def characterise(
    target: Path | None,
    no_upload: bool,
    setpoints: tuple[str, ...],
    hands_url: str | None,
    port: str | None,
    wire_log: Path | None,
    store: Path | None,
    as_json: bool,
) -> None:
    """Measure valve delays, rise rates and leak on a dead stop.

    It says what the press can hold. It needs a calibration.
    """
    from steadyram.commission.capability import TOLERANCE, can_hold, cautions, feeds, wide_code_forces_N
    from steadyram.commission.characterise import characterise as run_characterisation

    now = datetime.now(UTC)
    asked = [parse(text, "newton", what="--setpoint") for text in setpoints]
    if any(not force > 0 for force in asked):
        raise BadInput("A --setpoint is not above zero; give a force such as '0.9 tonf'.")
    target = target if target is not None else _free(f"characterisation-{now:%Y-%m-%d}")
    left = ["No setting was changed on the device and no record was written."]
    with said_if_stopped(lambda: left[0]), connected(port, wire_log) as device:
        press = installed(device)
        calibration = device.calibration().values
        if not calibration:
            raise CheckFailed(
                "The device has no calibration, so counts are no forces yet; run 'calibration run' first."
            )
        click.echo(HANDS_CLEAR, err=True)
        N_per_count = calibration["c1_n"] / 65536
        with hands_at(device, hands_url, "kN", None) as hands, progress_bar(hands_url is None) as bar:
            hands.open_changes()
            measured = run_characterisation(
                device,
                hands,
                capacity_N=press.capacity_N,
                slow_fitted=press.slow_fitted,
                burst=press.burst,
                holds_load=press.holds_load,
                progress=lambda done, of: bar("characterising", done, of),
            )
            ways = feeds(measured, press.capacity_N, N_per_count * press.counts_step)
            notes = cautions(measured, ways)
            step_N = N_per_count * press.counts_step
            wide = wide_code_forces_N(
                lambda counts: float(device_force(calibration, [counts])[0]), press.counts_step
            )
            held = can_hold(measured, asked, press.capacity_N, step_N, wide)
            identity = device.identity()
            document = {
                "made": now.isoformat(timespec="seconds"),
                "device": identity.uid,
                "firmware": identity.fw,
                "calibration_serial": calibration["serial"],
                "tolerance": TOLERANCE,
                "measured": measured.to_json(),
                "settings": measured.settings(),
                "feeds": [asdict(way) for way in ways],
                "setpoints": [asdict(each) for each in held],
                "cautions": notes,
            }
            write_whole(target, json.dumps(document, indent=1, allow_nan=False) + "\n")
            left[0] = f"The record is {target}; no setting was changed on the device."
            if not no_upload:
                put_in_force(device, hands, store, measured.settings(), target, left)
    if as_json:
        print_json({"record": str(target), "uploaded": not no_upload, **document})
        return
    _print_characteristics(measured, ways)
    for note in notes:
        click.echo(f"- {note}")
    for each in held:
        click.echo(each.sentence)
    uploaded = "not uploaded" if no_upload else "in force on the device"
    click.echo(f"The record is {target}; its settings are {uploaded}.", err=True)


def put_in_force(
    device: Device, hands: Hands, store: Path | None, measured: dict[str, int], target: Path, left: list[str]
) -> None:
    """Push what was measured, dated today; the set before and the new one are kept in the store, if there is one.

    target: the record, for the one sentence of `left` that says how things stand, should somebody stop it here.
    """
    hands.open_changes()
    before = device.measured()
    if store is not None:
        keep_sets(device, store, [before])
    today = int(time.time()) // 86400
    state = device.push_measured({**before.values, **measured, "measured_day": today}, instead_of=before)
    left[0] = f"The record is {target}; its values are in force on the device."
    if store is not None:
        keep_sets(device, store, [state])


def _timed(value_s: float | None, u_s: float | None) -> str:
    """Show a time in ms with its uncertainty (95 %)."""
    if value_s is None:
        return "unknown"
    if value_s <= 0.0 and u_s is not None:
        return f"below {max(0.1, 1000 * (value_s + u_s)):.1f} ms"
    return f"{1000 * value_s:.1f} ms" + ("" if u_s is None else f" ± {1000 * u_s:.1f}")


def _free(stem: str) -> Path:
    """Return the first name of a record that is not taken: another press's of that day stays."""
    names = (Path(f"{stem}{suffix}.json") for suffix in ("", *(f"-{number}" for number in range(2, 1000))))
    return next((name for name in names if not name.exists()), Path(f"{stem}.json"))


def _force_of(value_N: float | None, unknown: str = "unknown") -> str:
    """Show a force in the user's unit, or that it was not found."""
    return unknown if value_N is None else preferences().force(value_N, 3)


def _print_characteristics(measured: Characteristics, ways: list[Feed]) -> None:
    from steadyram.commission.capability import TOLERANCE

    units = preferences()
    table = Table("measured on the block", "", title=f"Dead-stop test, {measured.strokes} strokes")
    rows = [
        ("command on to full flow, as if at once", _timed(measured.open_lag_s, measured.open_lag_u_s)),
        ("command off to end of flow", _timed(measured.close_lag_s, measured.close_lag_u_s)),
        ("scatter of one actuation", _timed(measured.jitter_s, measured.jitter_u_s)),
        ("lag of the pressure reading", _timed(measured.sensor_lag_s, measured.sensor_lag_u_s)),
        ("a pulse loses of its width", _timed(measured.pulse_dead_s, measured.pulse_dead_u_s)),
        ("shortest pulse that moves anything", _timed(measured.pulse_least_s, measured.pulse_least_u_s)),
        ("noise of one sample", units.force(measured.noise_N, 3)),
        ("leak-down", f"{100 * measured.leak_per_s:.2f} % a second"),
        ("seal friction", _force_of(measured.friction_N)),
        ("zero wanders from stroke to stroke", _force_of(measured.zero_wander_N)),
        ("pump changes over at", _force_of(measured.changeover_N, "not found")),
    ]
    if measured.rate_slow_N_per_s > 0:
        dead, least = measured.slow_pulse_dead_s, measured.slow_pulse_least_s
        rows.append(("slow feed: a pulse loses", _timed(dead, measured.slow_pulse_dead_u_s)))
        rows.append(("slow feed: shortest pulse", _timed(least, measured.slow_pulse_least_u_s)))
    for row in rows:
        table.add_row(*row)
    out().print(table)
    holds = Table(
        "feed",
        "rise",
        "scatter (1 s.d.)",
        "plain threshold overshoots by",
        f"smallest setpoint to ±{100 * TOLERANCE:.0f} %",
        title="What this press can hold",
    )
    forces = Forces(units.force_unit)

    def column(values: list[float]) -> list[str]:
        finest = min((abs(value) for value in values if value), default=1.0) / 10.0
        return [f"{forces.column(value, finest)} {units.force_unit}" for value in values]

    rates = column([way.rate_N_per_s for way in ways])
    scatter = column([way.sigma_N for way in ways])
    over = column([way.overshoot_N for way in ways])
    held = iter(column([way.smallest_N for way in ways if way.smallest_N is not None]))
    for number, way in enumerate(ways):
        smallest = "none within capacity" if way.smallest_N is None else next(held)
        holds.add_row(way.name, f"{rates[number]}/s", scatter[number], over[number], smallest)
    out().print(holds)
