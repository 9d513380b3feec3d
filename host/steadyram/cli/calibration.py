"""`steadyram calibration ...`: take, analyse, certify, verify, check and compare calibrations."""

from __future__ import annotations

import json
import math
import statistics
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
from pydantic import ValidationError
from rich.console import Console
from rich.table import Table

from steadyram.cli._inputs import NAMED, PLACE, Measured, Number
from steadyram.cli._remark import remark_at_end
from steadyram.cli._session import connected, said_if_stopped
from steadyram.commission.kept_fields import position_fields
from steadyram.config import preferences
from steadyram.device import Device
from steadyram.errors import BadInput, CheckFailed
from steadyram.link.records import Identity
from steadyram.metrology.analyse import Analysis, analyse
from steadyram.metrology.before import out_of_date, worth_of_reference
from steadyram.metrology.certificate import Forces, contents, friction_told
from steadyram.metrology.certificate_file import paths_of, refuse_others, write_certificate
from steadyram.metrology.csv_record import (
    csv_unit_told,
    dated,
    default_unit,
    record_from_csv,
    reference_factor,
)
from steadyram.metrology.daily import ZERO_PART, daily_check
from steadyram.metrology.decision import Rule
from steadyram.metrology.drift import compare
from steadyram.metrology.fresh import fresh_points
from steadyram.metrology.gauge_rr import study
from steadyram.metrology.guided import (
    LEVELS_MOST,
    RUNS_MOST,
    Person,
    ReadCounts,
    Taken,
    ask_preloads,
    ask_reference_zero,
    guide,
    plan,
)
from steadyram.metrology.header import Header, Reference, RunStart
from steadyram.metrology.header_file import TEMPLATE, read_header
from steadyram.metrology.issues import enter, next_issue, refuse_incomplete
from steadyram.metrology.journal import Journal, read_journal
from steadyram.metrology.nameplate import (
    LARGEST_PART,
    discrepancy_told,
    largest_allowed_N,
    refuse_discrepancy,
)
from steadyram.metrology.points_file import read_points, refuse_wrong_magnitude, refuse_wrong_way
from steadyram.metrology.record import CORRECTABLE, Acceptance, CalibrationRecord, ReadBack
from steadyram.metrology.standards import standards
from steadyram.metrology.stroke import StrokeScatter, stroke_stated
from steadyram.metrology.study_file import read_study
from steadyram.metrology.summary import analysis_document
from steadyram.metrology.verify import Verification, undecided_told
from steadyram.metrology.verify import verify as verify_points
from steadyram.units import FORCE_UNITS, PRESSURE_UNITS, parse, show, to_unit

READINGS = 8
_path = click.Path(path_type=Path)
_json = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
_unit = click.option(
    "--unit",
    type=click.Choice(FORCE_UNITS),
    default=lambda: preferences().force_unit,
    show_default="your own",
)


def _scatter_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """What strokes scatter by, for the uncertainty of one stroke."""
    for option in (
        click.option(
            "--zero-wander", help="Standard deviation of the zero from stroke to stroke, as a force."
        ),
        click.option("--friction-scatter", help="Standard deviation of seal friction from stroke to stroke."),
    ):
        command = option(command)
    return command


def _scatter(zero_wander: str | None, friction_scatter: str | None) -> StrokeScatter:
    """Raises BadInput when only one is given, or one is below zero."""
    if (zero_wander is None) != (friction_scatter is None):
        raise BadInput("give both --zero-wander and --friction-scatter, or neither.")
    if zero_wander is None or friction_scatter is None:
        return StrokeScatter()
    values = (
        parse(zero_wander, "newton", what="zero wander"),
        parse(friction_scatter, "newton", what="friction scatter"),
    )
    if min(values) < 0.0:
        raise BadInput("zero wander and friction scatter are standard deviations; give them above zero.")
    return StrokeScatter(*values)


_degree = click.option("--degree", type=click.IntRange(1, 3), help="1 to 3; default: chosen by F tests.")


_points_date = click.option(
    "--points-date",
    type=click.DateTime(["%Y-%m-%d"]),
    help="Day on which the fresh points of a CSV were taken.",
)


def _csv_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options that a CSV of points needs; a journal has it all inside."""
    for option in (
        click.option("--header", "header_file", type=_path, help="Header file, when FILE is a CSV."),
        click.option("--zero", type=Number(0, 65535), help="Reading at rest in counts, for a CSV."),
        click.option(
            "--reference-unit",
            type=click.Choice([*FORCE_UNITS, *PRESSURE_UNITS]),
            help="Of the reference column of a CSV; default: N, or bar for a gauge.",
        ),
    ):
        command = option(command)
    return command


def _load(
    file: Path,
    header_file: Path | None,
    zero: float | None,
    reference_unit: str | None,
    day: datetime | None = None,
) -> CalibrationRecord:
    if day is not None and file.suffix.lower() != ".csv":
        raise BadInput(f"{file} is a journal and has its date inside; leave --calibrated-on out.")
    if file.suffix.lower() != ".csv":
        return read_journal(file)
    if header_file is None or zero is None:
        # Name what is wrong with the points first: it is the more useful message.
        points = read_points(file)
        refuse_wrong_way(points, str(file))
        if len(set(points.reference)) < 2:
            raise BadInput(
                f"{file}, row {points.lines[0]} to {points.lines[-1]}: the reference never moves; "
                f"check that it reads."
            )
        refuse_wrong_magnitude(points.lines, points.reference, points.reading, str(file))
        raise BadInput("a CSV of points needs --header FILE and --zero COUNTS; see 'calibration header'.")
    head = read_header(header_file, zero)
    record = record_from_csv(file, head, reference_unit)
    if reference_unit is None:
        remark_at_end(csv_unit_told(file, head))
    return dated(record, None if day is None else day.date())


@contextmanager
def _reader(port: str | None, manual: bool) -> Iterator[tuple[ReadCounts, Identity | None, float | None]]:
    """Readings from the device with who it is and its press's rated force (N), or typed in.

    Typed in, the identity and the rated force are None.
    """
    if manual:

        def typed() -> Taken:
            value = click.prompt("reading in counts (16-bit scale)", type=Number(0, 65535), err=True)
            return Taken(value, 0.0, None)

        yield typed, None, None
        return
    with connected(port) as device:
        transport = device.client.transport

        def live() -> Taken:
            values = []
            for _ in range(READINGS):
                # A mean of 64 samples at 1 kHz: wait for a fresh one each time.
                start = transport.now_s()
                while transport.now_s() - start < 0.07:
                    device.next_event(0.02)
                values.append(device.now().mean_counts)
            return Taken(
                statistics.fmean(values),
                statistics.stdev(values) / math.sqrt(READINGS),
                max(values) - min(values),
            )

        yield live, device.identity(), float(device.settings().values["capacity_n"])


@click.group("calibration")
def calibration() -> None:
    """Calibrate the force; certify, check, compare calibrations.

    They are of the whole chain: transducer, converter and curve.
    """


@calibration.command("header")
@click.option(
    "--press", "press_file", type=_path, help="Press file (TOML) that gives bore, range and converter."
)
def header(press_file: Path | None) -> None:
    """Print a header file to fill in.

    It names press, transducer, reference and environment."""
    if press_file is None:
        click.echo(TEMPLATE, nl=False)
        return
    from steadyram.commission.header_of_press import header_of_press

    click.echo(header_of_press(press_file, preferences()), nl=False)


@calibration.command("by-hand")
@click.argument("journal_file", metavar="JOURNAL", type=PLACE)
@click.option("--header", "header_file", type=_path, help="Header file (not needed to resume).")
@click.option(
    "--largest",
    type=Measured("newton", 1.0, 1e8),
    help="Largest force, e.g. '18 tonf'; default: 90 % of the press's rated force or of the sensor's range, the less.",
)
@click.option(
    "--levels", type=click.IntRange(3, LEVELS_MOST), default=6, show_default=True,
    help="Forces in a run: so many equal steps up to --largest, and down again.",
)  # fmt: skip
@click.option(
    "--runs", type=click.IntRange(1, RUNS_MOST), default=3, show_default=True,
    help="How often the whole run is taken; three or more for a class (ISO 7500-1).",
)  # fmt: skip
@click.option(
    "--reference-unit", type=click.Choice([*FORCE_UNITS, *PRESSURE_UNITS]),
    help="Unit of typed readings without one; default: the one of 'steadyram units'.",
)  # fmt: skip
@click.option("--smallest", help="Smallest setpoint wanted, to say what the reference is worth there.")
@click.option("--port", help="Device to read counts from (default: the one found).")
@click.option("--manual", is_flag=True, help="Type the counts in instead of reading a device.")
def new(
    journal_file: Path,
    header_file: Path | None,
    largest: str | None,
    levels: int,
    runs: int,
    reference_unit: str | None,
    smallest: str | None,
    port: str | None,
    manual: bool,
) -> None:
    """Take a calibration at forces that you set, point by point.

    Stop at any time; the same command goes on where you stopped."""

    def ask(text: str) -> str:
        return str(click.prompt(text, default="", show_default=False, err=True))

    def say(text: str) -> None:
        click.echo(text, err=True)

    if not journal_file.exists() and header_file is None:
        raise BadInput(
            "a new calibration needs --header FILE; print one to fill in with 'calibration header'."
        )
    first: Sequence[str] = ()
    if not journal_file.exists() and header_file is not None:
        # Every mistake in it shows before anyone moves the ram, and so does a reference that is too poor.
        start = read_header(header_file, 0.0)
        reference_factor(start, reference_unit or default_unit(start))
        wanted = None if smallest is None else parse(smallest, "newton", what="smallest setpoint")
        first = [
            *out_of_date(start),
            *worth_of_reference(start, wanted, preferences().force_unit),
        ]
    person = Person(ask, say)
    with (
        said_if_stopped(lambda: _new_left(journal_file)),
        _reader(port, manual) as (read_counts, identity, rated_N),
    ):
        for sentence in first:
            say(sentence)
        say(
            "Keep hands clear of the ram; guards, relief valve and emergency stop stay in place while you "
            "calibrate."
        )
        if journal_file.exists():
            journal = Journal.resume(journal_file)
        else:
            assert header_file is not None
            start = read_header(header_file, 0.0)
            force = _largest_force(start, largest, rated_N)
            # A plan that cannot be carried out shows before anyone moves the ram.
            plan(CalibrationRecord(header=start, points=()), levels, runs, force, rated_N)
            journal = _begin_by_hand(
                journal_file, header_file, person, read_counts, identity, force, reference_unit
            )
        head = journal.record.header
        unit = reference_unit or default_unit(head)
        reference_factor(head, unit)
        steps = plan(journal.record, levels, runs, _largest_force(head, largest, rated_N), rated_N)
        guide(journal, steps, person, read_counts, unit)
    say(f"Next: steadyram calibration certificate {journal_file}")


def _largest_force(head: Header, largest: str | None, rated_N: float | None) -> float:
    """Largest force (N) to go to. Raises BadInput where neither header nor device tell the press's rated force."""
    if largest:
        return float(parse(largest, "newton", what="largest force"))
    if head.rated_N is None and rated_N is None:
        raise BadInput(
            "the header does not say the press's rated force ([press] rated_force), and no device was read: add it, or "
            "give --largest."
        )
    return LARGEST_PART * largest_allowed_N(head, rated_N)


def _begin_by_hand(
    journal_file: Path,
    header_file: Path,
    person: Person,
    read_counts: ReadCounts,
    identity: Identity | None,
    largest_N: float,
    unit: str | None,
) -> Journal:
    """Preload, read the zero and the temperature, and begin the journal with what was answered."""
    preloads = ask_preloads(person, 1, show(largest_N, "newton", preferences().force_unit, 3))
    person.wait("Ram at the top, pedals released, half a minute at rest; then press return")
    rest = read_counts()
    start = read_header(header_file, rest.counts)
    changes: dict[str, object] = {}
    if rest.spread is not None:
        changes["fluctuation_counts"] = rest.spread
    if start.environment.ambient_C is None:
        ambient = person.temperature("Ambient temperature now, at the start")
        changes["environment"] = start.environment.model_copy(update={"ambient_C": ambient})
    if identity is not None:
        changes["firmware"] = identity.fw
        changes |= {"simulated": True, "invented": True} if identity.simulated else {}
    shown = ask_reference_zero(person, start, unit or default_unit(start))
    journal = Journal.begin(journal_file, start.model_copy(update=changes))
    journal.begin_run(
        RunStart(run=1, preloads=preloads, zero_counts=rest.counts, reference_zero=shown, at=person.now())
    )
    return journal


def _new_left(journal_file: Path) -> str:
    device = "The device was not changed"
    if not journal_file.exists():
        return f"{device}, and nothing was written."
    return f"{device}; what was taken so far is in {journal_file}: run the same command again to go on."


@calibration.command("analyse")
@click.argument("file", type=_path)
@_csv_options
@_scatter_options
@_degree
@_unit
@_json
def analyse_command(
    file: Path,
    header_file: Path | None,
    zero: float | None,
    reference_unit: str | None,
    zero_wander: str | None,
    friction_scatter: str | None,
    degree: int | None,
    unit: str,
    as_json: bool,
) -> None:
    """Analyse a record: curve, classes, friction, uncertainty.

    FILE is a journal (.jsonl) or a CSV of points."""
    scatter = _scatter(zero_wander, friction_scatter)
    result = analyse(_load(file, header_file, zero, reference_unit), str(file), degree)
    if as_json:
        click.echo(json.dumps(analysis_document(result, scatter), allow_nan=False))
        return
    print_analysis(result, unit, scatter)


def due_told(head: Header) -> str:
    """Return when the next calibration is due, in words."""
    return "no date of the next one" if head.due is None else f"due {head.due:%Y-%m-%d}"


def upload_values(fields: Mapping[str, int], head: Header) -> dict[str, int]:
    """The device's calibration set: the integer polynomial with the record's number and dates."""
    return {
        **fields,
        "serial": head.number,
        "made_unix": int(head.made.timestamp()),
        # The device knows 0 as "no date".
        "due_unix": 0 if head.due is None else int(head.due.timestamp()),
    }


def print_analysis(result: Analysis, unit: str, scatter: StrokeScatter | None = None) -> None:
    """Print an analysis; scatter: what strokes scatter by, if it is known."""
    table = Table(
        title=f"{result.curve.method}, degree {result.degree}, {result.runs} {'run' if result.runs == 1 else 'runs'}"
    )
    for heading in (
        f"force ({unit})",
        "q %",
        "b %",
        "v %",
        "a %",
        "class",
        f"U ({unit})",
        f"U stroke ({unit})",
    ):
        table.add_column(heading, justify="right")
    forces, least = Forces(unit), min(v.expanded_N for v in result.levels)
    for v in result.levels:
        table.add_row(
            forces.column(v.force_N, least),
            f"{v.q_percent:.3f}",
            "-" if v.b_percent is None else f"{v.b_percent:.2f}",
            "-" if v.v_percent is None else f"{v.v_percent:.2f}",
            "not known" if v.a_percent is None else f"{v.a_percent:.3f}",
            "none" if v.iso_class is None else f"{v.iso_class:g}",
            forces.column(v.expanded_N, least),
            "unknown"
            if (stroke := stroke_stated(result, v.force_N, scatter or StrokeScatter())) is None
            else forces.column(stroke.expanded_N, least),
        )
    Console().print(table)
    click.echo(
        "q: error, b: scatter of runs, v: gap between up and down, a: resolution, each in % of the force; "
        "U: uncertainty at 95 %, of the reading and of one stroke"
    )
    if off := discrepancy_told(result.record):
        click.echo(f"U does not cover {off}.")
    held = ", ".join(f"{name} {value}" for name, value in result.device.fields.items())
    click.echo(f"polynomial of the device: {held}")
    worst = float(max(abs(result.device.residual_N)))
    click.echo(f"largest residual of the device's integers: {show(worst, 'newton', unit, 3)}")
    if result.friction is not None:
        click.echo(friction_told(result.friction, result.record.header.sensor, unit))
    if not result.device.fields["friction_n"]:
        click.echo("seal friction: these points do not tell it, so 0 is stored")
    for sentence in standards(result, unit):
        click.echo(sentence)
    for note in result.notes:
        click.echo(f"note: {note}")


@calibration.command("certificate")
@click.argument("file", type=_path)
@click.option("--out", type=PLACE, help="Path without ending; default: beside FILE.")
@click.option("--previous", type=_path, help="Journal of the calibration before: adds as-found and as-left.")
@click.option(
    "--points", "points_file", type=_path,
    help="CSV reference,reading or journal taken afresh: adds the verification and a statement of conformity.",
)  # fmt: skip
@click.option(
    "--limit",
    type=Measured("dimensionless", 1e-6, 1.0),
    default="1 %",
    show_default=True,
    help="Largest permitted error of the reading.",
)
@click.option("--rule", type=click.Choice(["simple", "guard-band"]), default="guard-band", show_default=True)
@_points_date
@click.option(
    "--calibrated-on",
    type=click.DateTime(["%Y-%m-%d"]),
    help="Day of the calibration, for a CSV without a column 'time'; left out it is not recorded.",
)
@click.option(
    "--replaces",
    type=NAMED,
    default=None,
    help="Number and issue of the document that this one amends.",
)
@click.option("--reason", type=NAMED, default=None, help="Why it is amended; goes with --replaces.")
@_csv_options
@_scatter_options
@_degree
@_unit
def certificate(
    file: Path,
    out: Path | None,
    previous: Path | None,
    points_file: Path | None,
    points_date: datetime | None,
    calibrated_on: datetime | None,
    replaces: str | None,
    reason: str | None,
    limit: str,
    rule: Rule,
    header_file: Path | None,
    zero: float | None,
    reference_unit: str | None,
    zero_wander: str | None,
    friction_scatter: str | None,
    degree: int | None,
    unit: str,
) -> None:
    """Write the certificate, or a working calibration's record.

    As HTML and PDF/A; which of the two depends on what was measured and claimed.

    Its issue is entered in the journal; an amended one is a file of its own.
    The same again gives the same issue; a changed one is an amended document and
    needs --replaces and --reason.
    """
    replaces, reason = replaces or "", reason or ""
    refuse_incomplete(replaces, reason)
    result = analyse(_load(file, header_file, zero, reference_unit, calibrated_on), str(file), degree)
    stem = out if out is not None else file.with_suffix("")
    before = None if previous is None else analyse(read_journal(previous), str(previous), monte_carlo=False)
    judged = (
        None
        if points_file is None
        else _judged(result, points_file, reference_unit, limit, rule, points_date)
    )
    if judged is not None and not judged.taken:
        raise BadInput(
            "fresh points from a CSV without times need --points-date YYYY-MM-DD, the day on which they were taken."
        )
    scatter, now = _scatter(zero_wander, friction_scatter), datetime.now(UTC).replace(microsecond=0)
    said = contents(result, unit, before, judged, now, scatter)
    number = 1
    if file.suffix.lower() != ".csv":
        issue = next_issue(result.record, said, replaces, reason, now, judged)
        said, number = contents(result, unit, before, judged, issue.at, scatter, issue), issue.issue
        refuse_others(said, paths_of(stem, number))
        enter(Journal.resume(file), issue)
    elif replaces:
        raise BadInput("issues are counted in a journal, and these points are in none; leave --replaces out.")
    for path in write_certificate(said, result, stem, unit, number):
        click.echo(str(path))
    if not said.is_certificate:
        gaps = said.sections[0].lines
        count = "1 thing keeps" if len(gaps) == 1 else f"{len(gaps)} things keep"
        click.echo(f"{said.title}: {count} it from being a certificate, listed in it.", err=True)


def _judged(
    result: Analysis,
    points_file: Path,
    reference_unit: str | None,
    limit: str,
    rule: Rule,
    day: datetime | None,
) -> Verification:
    """Fresh points judged against a calibration."""
    fresh = fresh_points(points_file, result, reference_unit, None if day is None else day.date())
    if reference_unit is None and points_file.suffix.lower() == ".csv":
        remark_at_end(csv_unit_told(points_file, result.record.header))
    return verify_points(result, fresh.points, parse(limit, "dimensionless", what="limit"), rule, fresh)


@calibration.command("correct")
@click.argument("file", metavar="JOURNAL", type=_path)
@click.option("--key", type=click.Choice(CORRECTABLE), required=True, help="Which text of the header.")
@click.option("--to", "text", type=NAMED, required=True, help="What it should say.")
@click.option("--reason", type=NAMED, required=True, help="Why it is corrected.")
def correct(file: Path, key: str, text: str, reason: str) -> None:
    """Correct a text of a journal's header, a misspelt customer for one; the first text stays in it.

    A document that was made before needs an amended issue then: 'calibration certificate' with --replaces and --reason.
    """
    journal = Journal.resume(file)
    done = journal.correct(key, text, reason, datetime.now(UTC).replace(microsecond=0))
    click.echo(f"{done.key}: '{done.was}' is now '{done.now}'; the journal keeps both.")
    if journal.record.issues:
        last = journal.record.issues[-1].name
        click.echo(f"Next: steadyram calibration certificate {file} --replaces {last} --reason TEXT")


@calibration.command("upload")
@click.argument("file", type=_path)
@click.option("--port", help="Device (default: the one found).")
@click.option(
    "--despite-nameplate",
    "accepted",
    type=NAMED,
    help="Why a calibration that is more than 5 % off bore and range, unexplained, is right.",
)
@_csv_options
@_degree
def upload(
    file: Path,
    port: str | None,
    accepted: str | None,
    header_file: Path | None,
    zero: float | None,
    reference_unit: str | None,
    degree: int | None,
) -> None:
    """Push the calibration to the device.

    The device takes whole-number coefficients. Enable changes at its panel first."""
    result = analyse(_load(file, header_file, zero, reference_unit), str(file), degree)
    head, off = result.record.header, discrepancy_told(result.record)
    refuse_discrepancy(result.record, accepted)
    values = upload_values(result.device.fields, head)
    with connected(port) as device:
        there = device.calibration()
        if off and accepted and file.suffix.lower() != ".csv":
            # Before it is in force: a reason that cannot be kept uploads nothing.
            at = datetime.now(UTC).replace(microsecond=0)
            Journal.resume(file).accept(Acceptance(told=off, why=accepted, at=at))
        device.push_calibration(position_fields(there.values) | values, instead_of=there)
    click.echo(f"Calibration {head.number} is in force; {due_told(head)}.")
    if off:
        click.echo(f"Its U does not cover {off}.", err=True)


def enter_read_back(device: Device, journal_file: Path, due: Mapping[str, int]) -> None:
    """Read the calibration back after an upload; a row in the journal says that it is the record's, if it is."""
    held = device.calibration().values
    if all(held.get(name) == value for name, value in due.items()):
        _write_read_back(journal_file, device.identity(), dict(due))


def _write_read_back(journal_file: Path, identity: Identity, fields: dict[str, int]) -> None:
    at = datetime.now(UTC).replace(microsecond=0)
    Journal.resume(journal_file).read_back(
        ReadBack(device=identity.uid, firmware=identity.fw, at=at, fields=fields)
    )


@calibration.command("confirm")
@click.argument("file", type=_path)
@click.option("--port", help="Device (default: the one found).")
@_csv_options
@_degree
@_json
def device_copy(
    file: Path,
    port: str | None,
    header_file: Path | None,
    zero: float | None,
    reference_unit: str | None,
    degree: int | None,
    as_json: bool,
) -> None:
    """Compare the device's calibration with the record.

    Exit 5 where they differ.

    Where they agree the journal gets a row that says so, for the certificate.
    """
    result = analyse(_load(file, header_file, zero, reference_unit), str(file), degree, monte_carlo=False)
    due = upload_values(result.device.fields, result.record.header)
    with connected(port) as device:
        held, identity = device.calibration().values, device.identity()
    differences = [
        {"field": name, "record": value, "device": held.get(name)}
        for name, value in due.items()
        if held.get(name) != value
    ]
    if as_json:
        click.echo(json.dumps({"same": not differences, "differences": differences}, allow_nan=False))
    for each in differences:
        click.echo(f"{each['field']}: record {each['record']}, device {each['device']}", err=True)
    if differences:
        raise CheckFailed(
            f"The device does not hold this calibration: {len(differences)} of {len(due)} figures differ."
        )
    if file.suffix.lower() != ".csv":
        # From here on the document may say that a device runs it.
        _write_read_back(file, identity, {name: held[name] for name in due})
    if not as_json:
        click.echo(f"The device holds calibration {result.record.header.number} as recorded.")


@calibration.command("verify")
@click.argument("file", type=_path)
@click.option(
    "--points",
    "points_file",
    type=_path,
    required=True,
    help="CSV reference,reading or journal taken afresh.",
)
@click.option(
    "--limit",
    type=Measured("dimensionless", 1e-6, 1.0),
    default="1 %",
    show_default=True,
    help="Largest permitted error of the reading.",
)
@click.option("--rule", type=click.Choice(["simple", "guard-band"]), default="guard-band", show_default=True)
@_points_date
@_csv_options
@_degree
@_unit
@_json
def verify(
    file: Path,
    points_file: Path,
    limit: str,
    rule: Rule,
    points_date: datetime | None,
    header_file: Path | None,
    zero: float | None,
    reference_unit: str | None,
    degree: int | None,
    unit: str,
    as_json: bool,
) -> None:
    """Judge fresh points by a stated decision rule.

    Exit 5 unless they pass."""
    result = analyse(_load(file, header_file, zero, reference_unit), str(file), degree, monte_carlo=False)
    done = _judged(result, points_file, reference_unit, limit, rule, points_date)
    if as_json:
        click.echo(json.dumps(asdict(done), allow_nan=False))
    else:
        forces, least = Forces(unit), min(p.expanded_N for p in done.points)
        for p in done.points:
            click.echo(
                f"{forces.column(p.reference_N, least)} {unit}: error {forces.column(p.error_N, least, True)} {unit}, "
                f"limit ±{forces.column(p.limit_N, least)} {unit}, U {forces.column(p.expanded_N, least)} {unit} "
                f"(k = {p.budget.coverage_factor:.2f}): {p.verdict}"
            )
        click.echo(f"rule: {done.rule}, limit {limit}: {done.verdict}")
        if why := undecided_told(done):
            click.echo(why)
        if not done.taken:
            click.echo("The day of these points was not stated (--points-date, or a column 'time').")
    if done.verdict != "pass":
        raise CheckFailed(
            f"The verification does not pass: {done.verdict} by the {done.rule} rule at {limit}."
        )


@calibration.command("check")
@click.argument("file", type=_path)
@click.option(
    "--gauge", required=True, help="What the mechanical gauge reads while the press holds, e.g. '1500 psi'."
)
@click.option("--gauge-range", required=True, help="Full scale of that gauge.")
@click.option("--gauge-class", type=Number(0.1, 4), default=1.6, show_default=True, help="Per cent of range.")
@click.option(
    "--gauge-resolution", default="0 bar", show_default=True, help="Smallest step that you can read on it."
)
@click.option("--counts", type=Number(0, 65535), help="Device reading then; default: read it.")
@click.option("--smallest", help="Smallest setpoint in use; default: of the device's jobs, if it is read.")
@click.option("--zero-now", type=Number(0, 65535), help="Reading at rest; default: the device's zero.")
@click.option("--port", help="Device (default: the one found).")
@click.option("--log", "log_file", type=PLACE, help="Append the result to this file (JSON Lines).")
@_json
def check(
    file: Path,
    gauge: str,
    gauge_range: str,
    gauge_class: float,
    gauge_resolution: str,
    counts: float | None,
    smallest: str | None,
    zero_now: float | None,
    port: str | None,
    log_file: Path | None,
    as_json: bool,
) -> None:
    """Check against the press's own gauge, in a minute.

    Exit 5 unless it passes.

    Run it while the press holds a force on a block: gauge and device are compared at the same moment. The page on
    calibration has the steps ("Each morning"). Without --gauge it asks for the reading, and reads the device then.
    """
    # With Monte Carlo: the U told is the one that the certificate states.
    result = analyse(read_journal(file), str(file))
    head = result.record.header
    press_gauge = _daily_gauge(gauge_range, gauge_class, gauge_resolution)
    gauge_Pa = parse(gauge, "pascal", what="gauge")
    smallest_N = None if smallest is None else parse(smallest, "newton", what="smallest setpoint")
    if smallest_N is not None and not smallest_N > 0.0:
        raise BadInput("the smallest setpoint is above zero; give a force such as '0.9 tonf'.")
    if counts is None or zero_now is None:
        with connected(port) as device:
            reading = device.now()
            if smallest_N is None:
                smallest_N = smallest_setpoint_N(device)
        counts = reading.mean_counts if counts is None else counts
        zero_now = float(reading.zero_counts) if zero_now is None else zero_now
    done = daily_check(result, press_gauge, gauge_Pa, counts, zero_now, smallest_N)
    document = {"time": datetime.now(UTC).isoformat(), **asdict(done), "passed": done.passed}
    shown = _pressures(done.allowed_Pa, pressure_unit_of(gauge))
    if log_file is not None:
        try:
            with log_file.open("a", encoding="utf-8") as out:
                out.write(json.dumps(document, allow_nan=False) + "\n")
        except OSError as error:
            raise BadInput(
                f"{log_file} cannot be written ({error.strerror}); choose another place."
            ) from None
    force = preferences().force
    if as_json:
        click.echo(json.dumps(document, allow_nan=False))
    else:
        click.echo(
            f"{'Pass' if done.passed else 'Fail'}: gauge {shown(done.gauge_Pa)}, device {shown(done.device_Pa)}, "
            f"difference {shown(done.difference_Pa)}, allowed ±{shown(done.allowed_Pa)}; zero moved by "
            f"{done.zero_shift_counts:+.0f} counts or {force(done.zero_shift_N, 2)}, allowed "
            f"±{done.zero_allowed_counts:.0f} counts or {force(done.zero_allowed_N, 2)} (calibration "
            f"{done.calibration}, whose U at {force(done.zero_judged_at_N, 3)} is "
            f"{force(done.calibration_expanded_N, 2)}; with temperature and two readings of the zero "
            f"{force(done.zero_budget.expanded_N, 2)}; at most {ZERO_PART:.0%} of {force(done.smallest_N, 3)})."
        )
    if not done.passed:
        at_rest = (
            "The device reads no pressure. If the press was not holding a force on a block, nothing was checked: do "
            "that, and run this again meanwhile. Otherwise: "
            if done.device_Pa < done.allowed_Pa
            else ""
        )
        raise CheckFailed(
            f"{at_rest}The daily check does not pass: do not run with the cutoff until the chain is looked at."
        )
    if head.due is not None and head.due < datetime.now(UTC):
        click.echo(f"The calibration was due on {head.due:%Y-%m-%d}.", err=True)


def _pressures(finest_Pa: float, unit: str) -> Callable[[float], str]:
    """Return what shows pressures in a unit, all to the tenth part of `finest_Pa`."""
    finest = to_unit(finest_Pa, "pascal", unit)
    digits = max(0, 1 - math.floor(math.log10(finest))) if finest > 0 else 0
    return lambda value_Pa: f"{to_unit(value_Pa, 'pascal', unit):,.{digits}f} {unit}"


def smallest_setpoint_N(device: Device) -> float | None:
    """Return the smallest setpoint among the device's jobs (N), None where it has none."""
    setpoints = [job.fields["setpoint_n"] for job in device.jobs().jobs]
    return float(min(setpoints)) if setpoints else None


def pressure_unit_of(text: str) -> str:
    """Return the unit that a pressure was typed in, the user's own where it is none of the usual ones."""
    unit = text.strip().lstrip("+-0123456789.,eE ").strip()
    return unit if unit in PRESSURE_UNITS else preferences().pressure_unit


def _daily_gauge(range_text: str, class_percent: float, resolution: str) -> Reference:
    """The press's own gauge as a reference. Raises BadInput."""
    try:
        return Reference(
            kind="gauge",
            what="the press's gauge",
            serial="none",
            class_percent=class_percent,
            range=parse(range_text, "pascal", what="gauge range"),
            resolution=parse(resolution, "pascal", what="gauge resolution"),
        )
    except ValidationError as error:
        raise BadInput(f"the gauge cannot be used ({error.errors()[0]['msg'][:120]}); correct it.") from None


@calibration.command("compare")
@click.argument("old", type=_path)
@click.argument("new_file", metavar="NEW", type=_path)
@click.option(
    "--limit",
    type=Measured("dimensionless", 1e-6, 1.0),
    default="1 %",
    show_default=True,
    help="Largest permitted error of the reading.",
)
@_unit
@_json
def compare_command(old: Path, new_file: Path, limit: str, unit: str, as_json: bool) -> None:
    """Compare two calibrations: drift, rate, next due date."""
    before = analyse(read_journal(old), str(old), monte_carlo=False)
    after = analyse(read_journal(new_file), str(new_file), monte_carlo=False)
    done = compare(before, after, parse(limit, "dimensionless", what="limit"))
    if as_json:
        document = asdict(done) | {"due": None if done.due is None else done.due.isoformat()}
        click.echo(json.dumps(document, allow_nan=False))
        return
    forces, least = Forces(unit), min(level.expanded_N for level in after.levels)
    for v in done.levels:
        click.echo(
            f"{forces.column(v.force_N, least)} {unit}: as found {forces.column(v.as_found_N, least, True)} {unit}, "
            f"as left {forces.column(v.as_left_N, least, True)} {unit}, change {v.change_percent:+.3f} %, "
            f"E_n {v.normalised_error:+.2f}"
        )
    click.echo(
        f"{done.trend}; as found {'within' if done.as_found_within else 'OUTSIDE'} {limit} (errors alone, U not "
        f"considered); next due {'not agreed' if done.due is None else f'{done.due:%Y-%m-%d}'}"
    )
    if not done.as_found_within:
        click.echo("Parts made since the earlier calibration may be affected: look at their records.")


@calibration.command("repeatability")
@click.argument("file", type=_path)
@click.option(
    "--tolerance", type=Number(1e-9, 1e9), help="Full width of the tolerance, in the readings' unit."
)
@_json
def rr(file: Path, tolerance: float | None, as_json: bool) -> None:
    """Judge repeatability and reproducibility of a gauge.

    FILE is a CSV: part,operator,reading."""
    done = study(read_study(file), tolerance)
    if as_json:
        click.echo(json.dumps(asdict(done), allow_nan=False))
        return
    click.echo(
        f"repeatability {done.repeatability:.4g}, reproducibility {done.reproducibility:.4g}, interaction "
        f"{done.interaction:.4g}{' (pooled)' if done.pooled else ''}, gauge {done.grr:.4g}, parts "
        f"{done.part:.4g}"
    )
    click.echo(
        f"gauge is {done.percent_study:.1f} % of the study's variation; {done.categories} distinct categories"
    )
    if done.percent_tolerance is not None:
        click.echo(f"gauge takes {done.percent_tolerance:.1f} % of the tolerance")
