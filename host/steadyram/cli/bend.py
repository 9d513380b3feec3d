"""`steadyram bend ...`: bend sheet to an angle: plan, correct, check a list, shim the bed."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
from pydantic import ValidationError
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from steadyram.bending import geometry, springback
from steadyram.bending.allowance import flat_length_m
from steadyram.bending.bend_list import first_error, plan_list, read_bend_list
from steadyram.bending.correction import SheetCorrection
from steadyram.bending.crowning import Bed, crowning, true_depth_m
from steadyram.bending.plan import CAUTION, BendPlan, plan_bend
from steadyram.bending.sheet import Sheet, sheet_of
from steadyram.bending.strike_list import strike_page
from steadyram.bending.tooling import Tooling
from steadyram.cli._inputs import PLACE, Measured
from steadyram.cli.bend_run import run
from steadyram.config import preferences
from steadyram.errors import BadInput
from steadyram.plain_file import write_whole
from steadyram.press.pressfile import read_press
from steadyram.units import FORCE_UNITS, parse, show

_Command = Callable[..., None]


def _options(*options: Callable[[_Command], _Command]) -> Callable[[_Command], _Command]:
    def add(command: _Command) -> _Command:
        for option in reversed(options):
            command = option(command)
        return command

    return add


_SHEET = _options(
    click.option("--material", "name", help="Of the material table; its strengths are taken from there."),
    click.option("--thickness", required=True, help="Of the sheet, e.g. '2 mm'."),
    click.option("--yield", "yield_text", help="Yield strength, instead of the material's."),
    click.option("--tensile", help="Tensile strength, instead of the material's."),
    click.option("--modulus", help="Modulus, instead of the material's."),
)
_TOOLING = _options(
    click.option("--opening", required=True, help="Of the V, e.g. '16 mm'."),
    click.option("--punch-radius", required=True, help="Of the punch's tip, e.g. '1 mm'."),
    click.option("--shoulder-radius", default="0 mm", show_default=True, help="Of the die's shoulders."),
    click.option("--die-angle", default="85 deg", show_default=True, help="Included angle of the V."),
    click.option("--rating", help="Of the weaker of punch and die, e.g. '600 kN/m'."),
)
_BED = _options(
    click.option("--bed-span", help="Between the bed's supports: takes its bow out of the depth."),
    click.option("--bed-inertia", help="Second moment of area of the bed, e.g. '1500 cm^4'."),
    click.option("--bed-modulus", type=Measured("pascal", 1e8, 2e12), default="200 GPa", show_default=True),
)
_CAPACITY = _options(
    click.option(
        "--press", "press_file", type=click.Path(path_type=Path), help="Press file, for its capacity."
    ),
    click.option("--capacity", help="Largest force of the press, e.g. '20 tonf'."),
)
_PRINTING = _options(
    click.option(
        "--unit",
        type=click.Choice(FORCE_UNITS),
        default=lambda: preferences().force_unit,
        show_default="your own",
    ),
    click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output."),
)


@click.group("bend")
def bend() -> None:
    """Bend sheet to an angle in a V die: plan, correct, strike.

    It gives depth, springback, flat length and load, and what a measured bend corrects.

    Angles are included angles, as a protractor shows them ('90 deg'); depths count from a punch that touches flat
    sheet. For example

    \b
      steadyram bend plan --material mild-steel-cold-rolled --thickness '2 mm' --angle '90 deg' \\
        --length '300 mm' --opening '16 mm' --punch-radius '1 mm' --shoulder-radius '2 mm' --die-angle '60 deg'

    tells the depth for the first piece; bend it, measure, and give depth and angle to `bend correct`.
    """


def _model(kind: type[Any], **values: Any) -> Any:
    try:
        return kind.model_validate({key: value for key, value in values.items() if value is not None})
    except ValidationError as error:
        raise BadInput(f"{first_error(error)}.") from None


def _sheet(options: dict[str, Any]) -> Sheet:
    def strength(key: str, what: str) -> float | None:
        text = options.pop(key)
        return None if text is None else parse(text, "pascal", what=what)

    return sheet_of(
        parse(options.pop("thickness"), "meter", what="thickness"),
        options.pop("name"),
        yield_Pa=strength("yield_text", "yield strength"),
        tensile_Pa=strength("tensile", "tensile strength"),
        modulus_Pa=strength("modulus", "modulus"),
    )


def _tooling(options: dict[str, Any]) -> Tooling:
    keys = ("opening", "punch_radius", "shoulder_radius", "die_angle", "rating")
    found: Tooling = _model(Tooling, **{key: options.pop(key) for key in keys})
    return found


def _bed(options: dict[str, Any]) -> Bed | None:
    span, inertia, modulus = (options.pop(key) for key in ("bed_span", "bed_inertia", "bed_modulus"))
    if span is None and inertia is None:
        return None
    if span is None or inertia is None:
        raise BadInput("a bed needs both --bed-span and --bed-inertia.")
    found: Bed = _model(Bed, span=span, inertia=inertia, modulus=modulus)
    return found


def _capacity(options: dict[str, Any]) -> float | None:
    path, text = options.pop("press_file"), options.pop("capacity")
    if path is not None and text is not None:
        raise BadInput("give either --press or --capacity.")
    if path is not None:
        press = read_press(path)
        return press.cylinder.force_N(press.pump.relief)
    return None if text is None else parse(text, "newton", what="capacity")


def _angle(text: str, what: str) -> float:
    included = parse(text, "radian", what=what)
    if not 0.0 < included < math.pi:
        raise BadInput(f"{what} is {text}; an included angle lies between 0 and 180 deg.")
    return math.pi - included


def _mm(value_m: float) -> str:
    return f"{value_m * 1e3:.3f} mm"


def _deg(value_rad: float) -> str:
    return f"{math.degrees(value_rad):.2f} deg"


@bend.command("plan")
@click.option("--angle", required=True, help="Included angle wanted after release, e.g. '90 deg'.")
@click.option("--length", required=True, help="Length of the bend.")
@_SHEET
@_TOOLING
@click.option("--inside-radius", help="Under load, where it is known from a part; default: by rule.")
@click.option("--k-factor", help="Default: a handbook's for the material.")
@click.option(
    "--flange", "flanges", multiple=True, help="Outside length of a flange; both give the flat length."
)
@_BED
@_CAPACITY
@_PRINTING
def plan(
    angle: str,
    length: str,
    inside_radius: str | None,
    k_factor: str | None,
    flanges: tuple[str, ...],
    **options: Any,
) -> None:
    """Work out depth, springback and load for an angle.

    It gives the flat length and warnings, too."""
    unit, as_json = options.pop("unit"), options.pop("as_json")
    found = plan_bend(
        _tooling(options),
        _sheet(options),
        parse(length, "meter", what="length"),
        _angle(angle, "angle"),
        radius_m=None if inside_radius is None else parse(inside_radius, "meter", what="inside radius"),
        k_factor=None if k_factor is None else parse(k_factor, "dimensionless", what="K-factor"),
        bed=_bed(options),
        capacity_N=_capacity(options),
    )
    outside = [parse(each, "meter", what="flange") for each in flanges]
    flat_m = flat_length_m(outside, [found.allowance]) if outside else None
    if as_json:
        document = found.document() | ({} if flat_m is None else {"flat_length_m": flat_m})
        click.echo(json.dumps(document, allow_nan=False))
        return
    _tell_plan(found, unit)
    if flat_m is not None:
        click.echo(f"flat length: {_mm(flat_m)}")


def _tell_plan(found: BendPlan, unit: str) -> None:
    load, flat = found.load, found.allowance
    forces = [
        show(force, "newton", unit, 3)
        for force in (load.estimate.force_N, load.estimate.low_N, load.estimate.high_N)
    ]
    click.echo(
        f"depth past touch: {_mm(found.depth_m)}; {_deg(found.slope_rad_m * 1e-4)} for each further 0.1 mm"
    )
    if found.crowning is not None:
        click.echo(
            f"stop the ram at: {_mm(found.stop_m)} (the bed bows {_mm(found.crowning.deflection_m)}; shim the middle "
            f"{_mm(found.crowning.bow_over_part_m)}, see `steadyram bend shim`)"
        )
    click.echo(
        f"included angle: {_deg(math.pi - found.bend_rad)} released, {_deg(math.pi - found.springback.loaded_rad)} "
        f"under load (springback {_deg(found.springback.springback_rad)} by the textbook's pure bending; "
        f"expect {_deg(found.springback_band.low_rad)} to {_deg(found.springback_band.high_rad)})"
    )
    click.echo(f"inside radius: {_mm(found.springback.released_radius_m)}")
    click.echo(
        f"bend allowance {_mm(flat.allowance_m)}, outside setback {_mm(flat.setback_m)}, "
        f"bend deduction {_mm(flat.deduction_m)} (K {flat.k_factor:.3f}: {flat.k_source})"
    )
    click.echo(f"least flange: {_mm(found.least_flange_m)} of flat sheet from the bend line")
    click.echo(
        f"force: about {forces[0]} (expect {forces[1]} to {forces[2]}), "
        f"{preferences().line_load(load.line_load_N_m)}"
    )
    click.echo(f"sources: {springback.SOURCE}; {geometry.RADIUS_SOURCE}; {load.estimate.source}")
    for line in found.warnings:
        click.echo(f"warning: {line}.", err=True)
    click.echo(f"caution: {CAUTION}")


@bend.command("correct")
@click.option("--target", required=True, help="Included angle wanted, e.g. '90 deg'.")
@click.option(
    "--depth", "depths", required=True, multiple=True, help="Where the ram stopped; repeat, oldest first."
)
@click.option(
    "--measured", "angles", required=True, multiple=True, help="Included angle it left; one for each depth."
)
@click.option("--force", "forces", multiple=True, help="Force at each stop, to take the bed's bow out.")
@_SHEET
@_TOOLING
@_BED
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def correct(
    target: str,
    depths: tuple[str, ...],
    angles: tuple[str, ...],
    forces: tuple[str, ...],
    as_json: bool,
    **options: Any,
) -> None:
    """Work out the next depth from pieces bent and measured.

    \b
    For example, a first piece struck to 5.39 mm came out at 94.5 deg:
      steadyram bend correct --target '90 deg' --depth '5.39 mm' --measured '94.5 deg' \\
        --material mild-steel-cold-rolled --thickness '2 mm' --opening '16 mm' --punch-radius '1 mm' \\
        --shoulder-radius '2 mm' --die-angle '60 deg'
    """
    if len(depths) != len(angles) or (forces and len(forces) != len(depths)):
        raise BadInput("give as many --measured (and --force, if any) as --depth, in the same order.")
    bed, tooling = _bed(options), _tooling(options)
    if bed is not None and not forces:
        raise BadInput("give the --force at each stop, too: without it the bed's bow is not known.")
    wanted = _angle(target, "target")
    correction = SheetCorrection(tooling, _sheet(options))
    correction.next_depth_m(wanted)
    learned = []
    for index, (depth, angle) in enumerate(zip(depths, angles, strict=True)):
        force_N = parse(forces[index], "newton", what="force") if forces else 0.0
        punch_m = true_depth_m(parse(depth, "meter", what="depth"), force_N, bed)
        learned.append((punch_m, force_N, correction.learn(punch_m, _angle(angle, "measured angle"))))
    next_m = correction.next_depth_m(wanted)
    stop_m = next_m + (bed.deflection_m(learned[-1][1]) if bed is not None else 0.0)
    document = {
        "depth_m": next_m,
        "stop_depth_m": stop_m,
        "change_m": next_m - learned[-1][0],
        "expected_included_angle_rad": math.pi - correction.expected_rad(next_m),
        "sigma_rad": correction.sigma_rad(next_m),
        "inside_radius_m": correction.radius_m,
        "springback_beyond_textbook": correction.springback_share,
        "bends": [
            {"depth_m": depth_m, "used": each.used, "surprise_rad": each.surprise_rad, "note": each.words}
            for depth_m, _, each in learned
        ],
        "caution": CAUTION,
    }
    if as_json:
        click.echo(json.dumps(document, allow_nan=False))
        return
    click.echo(f"next depth past touch: {_mm(next_m)} ({(next_m - learned[-1][0]) * 1e3:+.3f} mm)")
    if bed is not None:
        click.echo(f"stop the ram at: {_mm(stop_m)}")
    click.echo(
        f"expect {_deg(math.pi - correction.expected_rad(next_m))}, give or take "
        f"{_deg(2.0 * correction.sigma_rad(next_m))} (two sigma, the press's stop not in it)"
    )
    for depth_m, _, each in learned:
        click.echo(f"bend at {_mm(depth_m)}: {_deg(each.surprise_rad)} from what was foretold, {each.words}")
    click.echo(f"caution: {CAUTION}")


@bend.command("check")
@click.argument("file", type=click.Path(path_type=Path))
@_CAPACITY
@_PRINTING
@click.option(
    "--strike-list",
    "strike_list",
    type=PLACE,
    help="Write the strikes as a page to print (HTML), one row a bend.",
)
def list_(file: Path, strike_list: Path | None, **options: Any) -> None:
    """Check a bend list and print what each bend takes.

    \b
    A bend list is a TOML file:
      name = "bracket"
      material = "mild-steel-cold-rolled"
      thickness = "2 mm"
      blank = "180 mm"
      [tooling]
      opening = "16 mm"
      punch_radius = "1 mm"
      shoulder_radius = "2 mm"
      die_angle = "60 deg"
      rating = "600 kN/m"
      [[bend]]
      angle = "90 deg"
      length = "300 mm"
      position = "40 mm"

    Positions count from edge A on the flat blank; the strike list says which edge goes against the back gauge.

    Optional: yield, tensile, modulus, k_factor, a [bed] with span and inertia, and bends_csv = "bends.csv" instead of
    the [[bend]] tables.
    """
    unit, as_json = options.pop("unit"), options.pop("as_json")
    bends = read_bend_list(file)
    planned = plan_list(bends, _capacity(options))
    if strike_list is not None:
        write_whole(strike_list, strike_page(bends, f"Strike list: {bends.name or file.stem}"))
        click.echo(f"The strike list is {strike_list}.", err=True)
    deduction = sum(each.plan.allowance.deduction_m for each in planned)
    if as_json:
        rows = [
            {"bend": each.number, "name": each.bend.name, "position_m": each.bend.position}
            | each.plan.document()
            | {"warnings": list(each.warnings)}
            for each in planned
        ]
        document = {
            "name": bends.name,
            "bends": rows,
            "total_deduction_m": deduction,
            "caution": CAUTION,
        }
        click.echo(json.dumps(document, allow_nan=False))
        return
    table = Table(title=escape(bends.name) or None)
    for heading in (
        "bend",
        "angle",
        "position",
        "length",
        "depth",
        "stop at",
        "allowance",
        "deduction",
        "force",
        "line load",
    ):
        table.add_column(heading, justify="right")
    for each in planned:
        found = each.plan
        table.add_row(
            escape(f"{each.number} {each.bend.name}".strip()),
            _deg(each.bend.angle),
            "" if each.bend.position is None else _mm(each.bend.position),
            _mm(each.bend.length),
            _mm(found.depth_m),
            _mm(found.stop_m),
            _mm(found.allowance.allowance_m),
            _mm(found.allowance.deduction_m),
            show(found.load.estimate.force_N, "newton", unit, 3),
            preferences().line_load(found.load.line_load_N_m),
        )
    Console(width=max(120, Console().width)).print(table)
    click.echo(f"outside lengths less {_mm(deduction)} make the blank")
    for each in planned:
        for line in each.warnings:
            click.echo(f"warning, bend {each.number}: {line}.", err=True)
    click.echo(f"caution: {CAUTION}")


@bend.command("shim")
@click.option("--force", "force_text", required=True, help="Of the bend.")
@click.option("--span", required=True, help="Between the bed's supports.")
@click.option("--inertia", required=True, help="Second moment of area of the bed, e.g. '1500 cm^4'.")
@click.option("--modulus", default="200 GPa", show_default=True)
@click.option(
    "--part",
    type=Measured("meter", 1e-5, 100.0),
    help="Length of the part, in the middle of the bed; default: the whole span.",
)
@click.option(
    "--opening",
    type=Measured("meter", 1e-5, 100.0),
    help="Of the die: tells what angle error the shims take away.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def shim(
    force_text: str,
    span: str,
    inertia: str,
    modulus: str,
    part: str | None,
    opening: str | None,
    as_json: bool,
) -> None:
    """Work out the bed's bow and the shims that make up for it.

    The shims go between bed and die.

    \b
    For example
      steadyram bend shim --force '9 tonf' --span '600 mm' --inertia '1500 cm^4' --part '300 mm' --opening '16 mm'
    """
    bed: Bed = _model(Bed, span=span, inertia=inertia, modulus=modulus)
    found = crowning(
        bed,
        parse(force_text, "newton", what="force"),
        parse(part if part is not None else span, "meter", what="part"),
        None if opening is None else parse(opening, "meter", what="opening"),
    )
    document: dict[str, object] = {
        "deflection_m": found.deflection_m,
        "bow_over_part_m": found.bow_over_part_m,
        "shims": [{"from_middle_m": each.from_middle_m, "height_m": each.height_m} for each in found.shims],
        "formula": "F L^3 / (48 E I), and the elastic curve y = d (3 (x/h) - (x/h)^3) / 2 between support and middle",
        "assumptions": [
            "two supports, force in the middle, shear left out: short deep beds bow more",
            "the punch's own beam is stiff",
        ],
        "source": found.source,
        "caution": CAUTION,
    }
    if found.angle_error_rad is not None:
        document["angle_error_rad"] = found.angle_error_rad
    if as_json:
        click.echo(json.dumps(document, allow_nan=False))
        return
    click.echo(f"the bed bows {_mm(found.deflection_m)}, {_mm(found.bow_over_part_m)} of it under the part")
    if found.angle_error_rad is not None:
        click.echo(
            f"unshimmed, the middle of a right angle stays {_deg(found.angle_error_rad)} more open than its ends"
        )
    for each in found.shims:
        click.echo(f"shim {_mm(each.height_m)} at {_mm(each.from_middle_m)} from the middle, both sides")
    click.echo(f"source: {found.source}; shear left out: short deep beds bow more, so measure the first part")
    click.echo("caution: shim with the ram up and the pump off, never under force.")


bend.add_command(run)
