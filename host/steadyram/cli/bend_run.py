"""`steadyram bend run`: a bend list struck on a press that stops at a depth, stroke by stroke."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.table import Table

from steadyram.bending.bend_list import BendList, read_bend_list
from steadyram.bending.person import PersonBending, PersonPedals
from steadyram.bending.plan import CAUTION
from steadyram.bending.procedure import STROKES_MOST, BendDone
from steadyram.bending.run_record import RunRecord
from steadyram.bending.session import BendSession, new_record, record_to_go_on
from steadyram.cli._hands import HANDS_CLEAR, hands_option
from steadyram.cli._inputs import PLACE, Measured
from steadyram.cli._session import connected, json_option, out, port_options, print_json, said_if_stopped
from steadyram.config import preferences
from steadyram.device import Device
from steadyram.errors import BadInput
from steadyram.units import parse

if TYPE_CHECKING:
    from steadyram.virtual.operator_line import LineBending


class _AtPress(PersonPedals, PersonBending):
    """One person: feet and protractor."""

    def __init__(self, device: Device) -> None:
        PersonPedals.__init__(self, device, _ask, _say)


def _ask(text: str) -> str:
    return str(click.prompt(text, default="", show_default=False, prompt_suffix=" ", err=True))


def _say(text: str) -> None:
    click.echo(text, err=True)


@contextmanager
def _bending(device: Device, url: str | None, type_angles: bool) -> Iterator[_AtPress | LineBending]:
    if url is None:
        yield _AtPress(device)
        return
    # Only a virtual press has an operator's port, so only then is the simulator's code needed.
    from steadyram.virtual.operator_line import LineBending, open_operator

    with open_operator(url) as line:
        yield LineBending(line, _say, PersonBending(_ask, _say) if type_angles else None)


@click.command("run")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--parts", type=click.IntRange(1, 100_000), help="How many; default: until you say no.")
@click.option(
    "--slot", type=click.IntRange(1, 1000), help="Job slot that the strokes use; default: the last."
)
@click.option("--replace", is_flag=True, help="Take the slot although another job is in it.")
@click.option(
    "--touch",
    type=Measured("meter", 0.0, 10.0),
    help="Ram travel at which the punch meets the sheet, within 1 mm; default: a stroke on scrap.",
)
@click.option(
    "--shim",
    type=Measured("meter", 0.0, 0.1),
    help="Put under the die's middle after the touch was taken, see `bend shim`.",
)
@click.option(
    "--tolerance", type=Measured("radian", 1e-4, 0.5), help="Of the included angle; default: 0.5 deg."
)
@click.option(
    "--strokes", "strokes_most", type=click.IntRange(1, 10), default=STROKES_MOST, show_default=True,
    help="Of one bend of one part at most: an underbent part is struck again.",
)  # fmt: skip
@click.option(
    "--record", "target", type=PLACE,
    help="The record to write after every stroke (JSON); default: FILE's name with -run.json.",
)  # fmt: skip
@click.option("--resume", is_flag=True, help="Go on where the record ends.")
@hands_option
@click.option(
    "--type-angles", is_flag=True, help="With --hands: you confirm and type the angles all the same."
)
@port_options
@json_option
def run(
    file: Path,
    parts: int | None,
    slot: int | None,
    replace: bool,
    touch: str | None,
    shim: str | None,
    tolerance: str | None,
    strokes_most: int,
    target: Path | None,
    resume: bool,
    hands_url: str | None,
    type_angles: bool,
    port: str | None,
    wire_log: Path | None,
    as_json: bool,
) -> None:
    """Strike a bend list part by part, corrected as it goes.

    It asks for each stroke, you measure each angle, and the next depth is corrected by it.

    \b
    The press needs a position sensor (`steadyram position calibrate`), the list is that of `bend check --help`:
      steadyram bend run bracket.toml --parts 20

    Every stroke waits for your yes and then for the pedal. One job slot is used; hold the panel's enable button when
    told to, since another depth is another job and has to be pushed. The other jobs stay as they are.
    """
    bends = read_bend_list(file)
    target = target if target is not None else Path(f"{file.stem}-run.json")
    if hands_url is None and type_angles:
        raise BadInput("--type-angles goes with --hands; at a real press you type them in any case.")
    if hands_url is not None and not type_angles and parts is None:
        raise BadInput("With --hands nobody says no; give --parts.")
    touch_m = None if touch is None else parse(touch, "meter", what="--touch")
    record = _begun(target, bends, file, resume, shim, tolerance)

    def left() -> str:
        if target.exists():
            return f"{target} has every stroke made so far; --resume goes on with it."
        return "No stroke of the list was made."

    with said_if_stopped(left), connected(port, wire_log) as device:
        before = device.now().job
        with _bending(device, hands_url, type_angles) as hands:
            session = BendSession(
                device,
                hands,
                bends,
                record,
                target,
                slot=slot,
                replace_job=replace,
                touch_m=touch_m,
                strokes_most=strokes_most,
                tell=_tell,
            )
            for line in session.warnings:
                click.echo(f"warning, {line}.", err=True)
            click.echo(f"{HANDS_CLEAR} {CAUTION}", err=True)
            session.run(parts)
    job = f"job slot {record.slot}"
    if before not in (0, record.slot):
        job += f" (it stood at {before}: 'steadyram jobs use {before}' goes back to that)"
    if as_json:
        print_json(
            {
                "record": str(target),
                "pushes": session.stroke.pushes,
                **record.model_dump(),
                "caution": CAUTION,
            }
        )
    else:
        _print(record)
    click.echo(f"The record is {target}; the press now stands at {job}.", err=True)


def _begun(
    target: Path, bends: BendList, file: Path, resume: bool, shim: str | None, tolerance: str | None
) -> RunRecord:
    """A new record, or the one to go on with."""
    if not resume:
        if target.exists():
            raise BadInput(f"{target} exists already; --resume goes on with it, or choose another --record.")
        return new_record(
            bends,
            file.stem,
            tolerance_rad=None if tolerance is None else parse(tolerance, "radian", what="--tolerance"),
            shim_m=0.0 if shim is None else parse(shim, "meter", what="--shim"),
        )
    if shim is not None or tolerance is not None:
        raise BadInput("--shim and --tolerance are those of the record that is gone on with; leave them out.")
    if not target.exists():
        raise BadInput(f"There is no record {target} to go on with; leave --resume out, or give --record.")
    return record_to_go_on(target, bends, str(file))


def _tell(done: BendDone) -> None:
    angle = "not measured"
    if done.measured_rad is not None:
        off = math.degrees(done.measured_rad - done.target_rad)
        angle = f"{math.degrees(done.measured_rad):.2f} deg, {off:+.2f} deg" + (
            " (good)" if done.within else ""
        )
    click.echo(
        f"part {done.part}, bend {done.number}, stroke {done.strike}: {done.depth_m * 1e3:.3f} mm deep, "
        f"{preferences().force(done.force_N, 3)}, stopped by {done.stopped_by}: {angle}; {done.words}",
        err=True,
    )


def _print(record: RunRecord) -> None:
    table = Table(title=f"Bends of {record.list_name}")
    for name in ("part", "bend", "stroke", "depth", "force", "angle", "off by", "good"):
        table.add_column(name, justify="right")
    for row in record.strokes:
        angle = row.measured_included_angle_rad
        table.add_row(
            str(row.part),
            str(row.bend),
            str(row.strike),
            f"{row.depth_m * 1e3:.3f} mm",
            preferences().force(row.force_N, 3),
            "not measured" if angle is None else f"{math.degrees(angle):.2f} deg",
            "" if angle is None else f"{math.degrees(angle - row.target_included_angle_rad):+.2f} deg",
            {True: "yes", False: "no", None: ""}[row.within_tolerance],
        )
    out().print(table)
