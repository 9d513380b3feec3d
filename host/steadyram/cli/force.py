"""`steadyram force ...`: how much force a piece of work takes, with its band and its source."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from steadyram.cli._figures import in_words
from steadyram.cli._inputs import PLACE, Measured
from steadyram.config import preferences
from steadyram.errors import BadInput
from steadyram.press import force_beam, force_bend, force_broach, force_clinch, force_fit, force_punch
from steadyram.press.estimate import Estimate
from steadyram.press.job_estimate import append_job
from steadyram.press.materials import MATERIALS, SOURCE, material
from steadyram.units import FORCE_UNITS, parse, show

_Command = Callable[..., None]


def _common(command: _Command) -> _Command:
    """Options that every estimate has."""
    for option in (
        click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output."),
        click.option(
            "--unit",
            type=click.Choice(FORCE_UNITS),
            default=lambda: preferences().force_unit,
            show_default="your own",
        ),
        click.option("--write-job", type=PLACE, help="Append a job, marked unproven, to FILE."),
        click.option("--job-name", help="Name of that job (default: what was estimated)."),
    ):
        command = option(command)
    return command


def _length(text: str | None, what: str) -> float:
    if text is None:
        raise BadInput(f"give --{what.replace(' ', '-')} with its unit, for example '5 mm' or '0.25 in'.")
    return parse(text, "meter", what=what)


def _stress(text: str | None, name: str | None, attribute: str, what: str) -> float:
    """A strength given by number, or looked up from a material."""
    row = None if name is None else material(name)
    if text is not None:
        return parse(text, "pascal", what=what)
    if row is not None:
        return float(getattr(row, attribute))
    raise BadInput(f"give --{what.split()[0]} with its unit (for example '450 MPa') or a --material.")


def _fraction(text: str, what: str) -> float:
    return parse(text, "dimensionless", what=what)


def _report(
    estimate: Estimate,
    as_json: bool,
    unit: str,
    write_job: Path | None,
    job_name: str | None,
    name: str | None = None,
) -> None:
    document = estimate.document()
    if name is not None:
        document["material"] = name
        document["material_source"] = SOURCE
    if write_job is not None:
        document["job_written"] = append_job(write_job, estimate, unit, job_name)
        click.echo(
            f"Job {document['job_written']!r} added to {write_job}, marked unproven until a first part "
            f"is taught.",
            err=True,
        )
    if as_json:
        click.echo(json.dumps(document, allow_nan=False))
        return
    low, high = show(estimate.low_N, "newton", unit, 3), show(estimate.high_N, "newton", unit, 3)
    click.echo(f"{estimate.what}: about {show(estimate.force_N, 'newton', unit, 3)} (expect {low} to {high})")
    for band in estimate.bands:
        span = f"{show(band.low_N, 'newton', unit, 3)} to {show(band.high_N, 'newton', unit, 3)}"
        click.echo(f"{band.name}, {span}: {band.hardware}. Source: {band.source}. Status: {band.status}.")
    if estimate.bands:
        click.echo(
            f"size the press for {high}; start a first part at {show(estimate.first_N, 'newton', unit, 3)}"
        )
    click.echo(f"formula: {estimate.formula}")
    for line in estimate.assumptions:
        click.echo(f"assumed: {line}")
    units = preferences().model_copy(update={"force_unit": unit})
    for key, value in estimate.figures.items():
        click.echo(in_words(key, value, units))
    if name is not None:
        click.echo(f"material {name}: {SOURCE}")
    click.echo(f"source: {estimate.source}")
    click.echo(f"caution: {estimate.caution}")


@click.group("force")
def force() -> None:
    """Estimate the force for a piece of work, with its source.

    It gives formula, assumptions, band and source.
    """


@force.command("bend")
@click.option("--tensile", help="Tensile strength, e.g. '450 MPa'.")
@click.option("--material", "name", help="Take the strength from the material table.")
@click.option("--thickness", required=True, help="Of the sheet, e.g. '2 mm' or '0.08 in'.")
@click.option("--length", required=True, help="Length of the bend.")
@click.option("--opening", required=True, help="Die opening.")
@click.option(
    "--die", type=click.Choice(["v", "wiping", "bottoming", "coining"]), default="v", show_default=True
)
@_common
def bend(
    tensile: str | None, name: str | None, thickness: str, length: str, opening: str, die: str, **common: Any
) -> None:
    """Bend sheet in a V or wiping die, or bottom or coin it."""
    result = force_bend.bend_force(
        _stress(tensile, name, "tensile_Pa", "tensile strength"),
        _length(thickness, "thickness"),
        _length(length, "length"),
        _length(opening, "opening"),
        die,
    )
    _report(result, name=name if tensile is None else None, **common)


@force.command("punch")
@click.option("--shear", help="Shear strength, e.g. '310 MPa'.")
@click.option("--material", "name", help="Take the strength from the material table.")
@click.option("--thickness", required=True, help="Of the sheet, e.g. '2 mm' or '0.08 in'.")
@click.option("--perimeter", help="Length of the cut.")
@click.option("--diameter", help="Of a round hole, instead of the perimeter.")
@click.option(
    "--punch-shear", default="0 mm", show_default=True, help="Height of the shear ground on the punch."
)
@click.option(
    "--penetration", default="40 %", show_default=True, help="Part of the thickness cut before it breaks."
)
@_common
def punch(
    shear: str | None,
    name: str | None,
    thickness: str,
    perimeter: str | None,
    diameter: str | None,
    punch_shear: str,
    penetration: str,
    **common: Any,
) -> None:
    """Punch or blank sheet, with the stripping force."""
    if (perimeter is None) == (diameter is None):
        raise BadInput("give either --perimeter or --diameter.")
    contour = (
        _length(perimeter, "perimeter") if perimeter is not None else math.pi * _length(diameter, "diameter")
    )
    result = force_punch.punch_force(
        _stress(shear, name, "shear_Pa", "shear strength"),
        _length(thickness, "thickness"),
        contour,
        _length(punch_shear, "punch shear"),
        _fraction(penetration, "penetration"),
    )
    _report(result, name=name if shear is None else None, **common)


@force.command("press-fit")
@click.option("--diameter", "--shaft-diameter", "diameter", required=True, help="Of the joint.")
@click.option("--hub-diameter", "--hub", "hub_diameter", required=True, help="Outside of the hub.")
@click.option("--interference", required=True, help="On the diameter, e.g. '0.04 mm'.")
@click.option("--length", required=True, help="Length of the joint.")
@click.option("--shaft-bore", default="0 mm", show_default=True, help="Bore of a hollow shaft.")
@click.option("--friction", type=Measured("dimensionless", 0.001, 2.0), default="0.12", show_default=True)
@click.option("--modulus", default="205 GPa", show_default=True, help="Of both partners unless given apart.")
@click.option(
    "--poisson",
    type=Measured("dimensionless", 0.0, 0.5),
    default="0.29",
    show_default=True,
    help="Of both partners unless given apart.",
)
@click.option("--hub-material")
@click.option("--shaft-material")
@click.option("--hub-modulus")
@click.option("--shaft-modulus")
@click.option("--hub-poisson", type=Measured("dimensionless", 0.0, 0.5))
@click.option("--shaft-poisson", type=Measured("dimensionless", 0.0, 0.5))
@click.option(
    "--hub-warmer", default="0 K", show_default=True, help="Hub's temperature above the other's reference."
)
@click.option("--shaft-warmer", default="0 K", show_default=True, help="Negative when the shaft is cooled.")
@_common
def press_fit(diameter: str, hub_diameter: str, interference: str, length: str, **options: Any) -> None:
    """Press an interference fit together.

    The shaft may be solid or hollow, the parts warm or cold (Lamé)."""

    def ring(side: str) -> force_fit.Ring:
        chosen = options.pop(f"{side}_material")
        row = material(chosen) if chosen is not None else None
        modulus = options.pop(f"{side}_modulus")
        nu = options.pop(f"{side}_poisson")
        return force_fit.Ring(
            modulus_Pa=parse(modulus, "pascal", what=f"{side} modulus")
            if modulus is not None
            else (row.modulus_Pa if row else parse(options["modulus"], "pascal", what="modulus")),
            poisson=_fraction(nu if nu is not None else options["poisson"], "Poisson's ratio")
            if row is None or nu is not None
            else row.poisson,
            expansion_per_K=row.expansion_per_K if row else 12e-6,
            warmer_K=parse(options.pop(f"{side}_warmer"), "kelvin", what=f"{side} warmer"),
        )

    hub, shaft = ring("hub"), ring("shaft")
    result = force_fit.press_fit_force(
        _length(diameter, "diameter"),
        _length(hub_diameter, "hub diameter"),
        _length(interference, "interference"),
        _length(length, "length"),
        hub,
        shaft,
        _length(options["shaft_bore"], "shaft bore"),
        _fraction(options["friction"], "friction"),
    )
    common = {key: options[key] for key in ("as_json", "unit", "write_job", "job_name")}
    _report(result, **common)


@force.command("bed-deflection")
@click.option("--force", "force_text", required=True)
@click.option("--span", required=True, help="Between the supports.")
@click.option("--modulus", default="200 GPa", show_default=True)
@click.option("--inertia", required=True, help="Second moment of area, e.g. '1500 cm^4'.")
@click.option(
    "--part",
    type=Measured("meter", 1e-5, 100.0),
    help="Length of a part bent on it: adds what the bow does to its angle.",
)
@click.option("--opening", type=Measured("meter", 1e-5, 100.0), help="Die opening of that bend.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def bed_deflection(
    force_text: str,
    span: str,
    modulus: str,
    inertia: str,
    part: str | None,
    opening: str | None,
    as_json: bool,
) -> None:
    """Say how far a bed bows, and what that does to a part.

    The force is taken in the middle of the span."""
    span_m = _length(span, "span")
    result = force_beam.bed_deflection(
        parse(force_text, "newton", what="force"),
        span_m,
        parse(modulus, "pascal", what="modulus"),
        parse(inertia, "meter**4", what="inertia"),
    )
    document: dict[str, object] = {
        "deflection_m": result.deflection_m,
        "stiffness_N_per_m": result.stiffness_N_per_m,
        "end_slope_rad": result.end_slope_rad,
    }
    if part is not None:
        bow = force_beam.bow_over_part(result.deflection_m, span_m, _length(part, "part"))
        document["bow_over_part_m"] = bow
        if opening is not None:
            document["bend_angle_error_rad"] = force_beam.bend_angle_error_rad(
                bow, _length(opening, "opening")
            )
    document |= {
        "formula": "F L^3 / (48 E I)",
        "assumptions": ["two supports, force in the middle, shear left out: short deep beds bow more"],
        "source": force_beam.BEAM_SOURCE,
    }
    if as_json:
        click.echo(json.dumps(document, allow_nan=False))
        return
    words = {"bow_over_part_m": "of which under the part", "bend_angle_error_rad": "which opens its bend by"}
    for key, value in document.items():
        if isinstance(value, float):
            click.echo(in_words(key, value, preferences(), words))
    click.echo(f"source: {force_beam.BEAM_SOURCE}; shear left out: short deep beds bow more")


@force.command("clinch")
@click.option("--thread", required=True, help="'1/2-13', '#10-32', 'M8' or a diameter.")
@click.option(
    "--thickness",
    required=True,
    help="Of the sheet that the hardware goes into, e.g. '2 mm' or '0.08 in'; the force does not depend on it, but a "
    "warning of thin sheet does.",
)
@click.option("--material", "name", default="mild-steel-hot-rolled", show_default=True, help="Of the sheet.")
@click.option("--hole", help="Mounting hole in the sheet, e.g. '8.7 mm'; default: guessed from the thread.")
@click.option("--ring", help="Width of the displacing ring, measured on the hardware, e.g. '0.4 mm'.")
@_common
def clinch(thread: str, thickness: str, name: str, hole: str | None, ring: str | None, **common: Any) -> None:
    """Embed a clinch nut, stud or standoff.

    It gives a band for each of the two kinds of hardware."""
    row = material(name)
    result = force_clinch.clinch_force(
        force_clinch.thread_diameter_m(thread),
        row.yield_Pa,
        row.tensile_Pa,
        _length(thickness, "thickness"),
        _length(hole, "hole") if hole is not None else None,
        family="aluminium" if row.name.startswith("aluminium") else "steel",
        ring_m=_length(ring, "ring") if ring is not None else None,
    )
    _report(result, name=row.name, **common)


@force.command("dimple")
@click.option("--hole", required=True, help="Pilot hole.")
@click.option("--outer", required=True, help="Diameter where the rim meets the flat sheet.")
@click.option("--thickness", required=True, help="Of the sheet, e.g. '2 mm' or '0.08 in'.")
@click.option("--material", "name", default="mild-steel-hot-rolled", show_default=True)
@_common
def dimple(hole: str, outer: str, thickness: str, name: str, **common: Any) -> None:
    """Form a dimple or flanged hole.

    Up to the force that closes the dies flat. The model's band is wide."""
    row = material(name)
    result = force_clinch.dimple_force(
        _length(hole, "hole"),
        _length(outer, "outer"),
        _length(thickness, "thickness"),
        row.yield_Pa,
        row.tensile_Pa,
    )
    _report(result, name=row.name, **common)


@force.command("broach")
@click.option("--width", required=True, help="Cut width: keyway width, or circumference of a round broach.")
@click.option("--rise", required=True, help="Rise per tooth.")
@click.option("--length", required=True, help="Length of the cut.")
@click.option("--pitch", required=True, help="Pitch of the teeth.")
@click.option("--material", "name", default="medium-carbon-steel", show_default=True)
@_common
def broach(width: str, rise: str, length: str, pitch: str, name: str, **common: Any) -> None:
    """Push a broach through."""
    row = material(name)
    result = force_broach.broach_force(
        row.cutting_Pa,
        _length(width, "width"),
        _length(rise, "rise"),
        _length(length, "length"),
        _length(pitch, "pitch"),
    )
    _report(result, name=row.name, **common)


@force.command("straighten")
@click.option("--section", type=click.Choice(["round", "tube", "rect"]), required=True)
@click.option("--width", "--diameter", "width", required=True, help="Diameter, or width of a rectangle.")
@click.option("--height", type=Measured("meter", 1e-5, 100.0), help="Of a rectangle, along the ram.")
@click.option("--wall", type=Measured("meter", 1e-5, 100.0), help="Of a tube.")
@click.option("--span", required=True, help="Between the supports.")
@click.option("--yield", "yield_text", help="Yield strength.")
@click.option("--material", "name", default="medium-carbon-steel", show_default=True)
@_common
def straighten(
    section: str,
    width: str,
    height: str | None,
    wall: str | None,
    span: str,
    yield_text: str | None,
    name: str,
    **common: Any,
) -> None:
    """Straighten a bar between two supports.

    The band goes from first yield to a plastic hinge."""
    row = material(name)
    result = force_beam.straighten_force(
        _stress(yield_text, name, "yield_Pa", "yield strength"),
        row.modulus_Pa,
        _length(span, "span"),
        section,
        _length(width, "width"),
        _length(height, "height") if height is not None else None,
        _length(wall, "wall") if wall is not None else None,
    )
    _report(result, name=row.name if yield_text is None else None, **common)


@force.command("materials")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def materials(as_json: bool) -> None:
    """The material table, with its source."""
    rows = [
        {
            "name": m.name,
            "tensile_Pa": m.tensile_Pa,
            "yield_Pa": m.yield_Pa,
            "shear_Pa": m.shear_Pa,
            "modulus_Pa": m.modulus_Pa,
            "poisson": m.poisson,
            "expansion_per_K": m.expansion_per_K,
            "note": m.note,
        }
        for m in MATERIALS.values()
    ]
    if as_json:
        click.echo(json.dumps({"materials": rows, "source": SOURCE}, allow_nan=False))
        return
    for m in MATERIALS.values():
        click.echo(
            f"{m.name:24s} tensile {m.tensile_Pa / 1e6:5.0f} MPa  yield {m.yield_Pa / 1e6:5.0f} MPa  "
            f"shear {m.shear_Pa / 1e6:5.0f} MPa  modulus {m.modulus_Pa / 1e9:4.0f} GPa  {m.note}"
        )
    click.echo(f"source: {SOURCE}")
