"""`steadyram size`: what a press can hold, and what to buy or change."""

from __future__ import annotations

import json
import math
import shutil
import textwrap
from collections.abc import Callable, Sequence
from pathlib import Path

import click
from rich.console import Console
from rich.table import Table

from steadyram.cli._figures import in_words
from steadyram.cli._inputs import FOLDER, PLACE, Measured
from steadyram.config import preferences
from steadyram.errors import BadInput
from steadyram.press import sizing_advice, sizing_parts
from steadyram.press.force_beam import bed_deflection, bend_angle_error_rad, bow_over_part
from steadyram.press.limits import pressure_at_Pa
from steadyram.press.pressfile import PressFile, read_press
from steadyram.press.sizing import Sizing, size_press
from steadyram.press.sizing_plot import plot_holdable
from steadyram.units import FORCE_UNITS, parse, show, show_column

DEFINITION = (
    "smallest S with 1.96 limit_sigma(S) <= tolerance S: 95 % of a perfect controller's strokes land inside"
)
REMARKS = ("why", "reference", "suppression", "note")
# What the figures of parts are called where the key alone would not do.
WORDS = {
    "range_Pa": "usual range for this relief",
    "fitted_range_Pa": "fitted",
    "fits": "fitted one covers the relief:",
    "oversized": "fitted one is larger than needed:",
    "place": "placed",
    "wanted_N": "at least what the relief allows,",
    "fitted_N": "fitted, at full output",
    "output": "advised output",
    "fitted_output": "fitted output",
    "why": "",
    "reference": "",
    "note": "",
    "bits": "bits needed",
    "fitted_bits": "bits fitted",
    "step_N": "one step of it is",
    "tau_s": "time constant",
    "corner_Hz": "corner",
    "ramp_lag_N": "on the rise it lags by",
    "example": "for example",
    "sampling_Hz": "sampled at",
    "coil_current_A": "the coil takes",
    "relay_contact_A": "relay contact for",
    "fuse_A": "fuse for this coil alone",
    "wire_section_m2": "wire",
    "voltage_drop_V": "which drops",
    "suppression": "",
    "largest_setpoint_N": "for the largest setpoint",
    "suggested_Pa": "suggested setting",
    "set_Pa": "set now",
    "frame_deflection_at_capacity_m": "frame stretches at capacity by",
    "bed_deflection_at_capacity_m": "bed bows at capacity by",
    "bow_over_part_m": "of which under the part",
    "bend_angle_error_rad": "which opens its bend by",
}
CAUTION = "Process control only: relief valve, guards and emergency stop stay what protects people."


@click.command("size")
@click.option(
    "--press", "press_file", type=click.Path(path_type=Path), required=True, help="Press file (TOML)."
)
@click.option("--smallest", help="Smallest force you need, e.g. '0.6 tonf'.")
@click.option("--largest", help="Largest force you need (relief setting); default: capacity.")
@click.option("--tolerance", default="5 %", show_default=True, help="Of the setpoint, 95 % of strokes.")
@click.option(
    "--compare",
    type=click.Path(path_type=Path),
    multiple=True,
    help="Another press file beside it; repeatable.",
)
@click.option(
    "--plot",
    type=PLACE,
    help="Write holdable force against setpoint (.png, .svg, .pdf).",
)
@click.option("--supply", help="Of the solenoids; default: 24 V, and 12 V where the press shares a pump.")
@click.option("--solenoid-power", default="30 W", show_default=True)
@click.option(
    "--cable",
    type=Measured("meter", 0.0, 1e3),
    default="5 m",
    show_default=True,
    help="One way, to the solenoid.",
)
@click.option(
    "--sensor-cable",
    type=Measured("meter", 0.0, 1e3),
    default="2 m",
    show_default=True,
    help="From transducer to board.",
)
@click.option(
    "--parts",
    "parts_folder",
    type=FOLDER,
    help="Write shopping list and wire list for this press into this folder (Markdown and CSV).",
)
@click.option("--bed-span", help="Between the bed's supports; default: the frame's stiffness alone.")
@click.option("--bed-inertia", help="Second moment of area of the bed, e.g. '1500 cm^4'.")
@click.option("--bed-modulus", type=Measured("pascal", 1e8, 2e12), default="200 GPa", show_default=True)
@click.option("--part", type=Measured("meter", 1e-5, 100.0), help="Length of a part bent on the bed.")
@click.option("--opening", type=Measured("meter", 1e-5, 100.0), help="Die opening of that bend.")
@click.option(
    "--unit",
    type=click.Choice(FORCE_UNITS),
    default=lambda: preferences().force_unit,
    show_default="your own",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def size(
    press_file: Path,
    smallest: str | None,
    largest: str | None,
    tolerance: str,
    compare: tuple[Path, ...],
    plot: Path | None,
    supply: str | None,
    solenoid_power: str,
    cable: str,
    sensor_cable: str,
    parts_folder: Path | None,
    bed_span: str | None,
    bed_inertia: str | None,
    bed_modulus: str,
    part: str | None,
    opening: str | None,
    unit: str,
    as_json: bool,
) -> None:
    """Say what force a press can hold, and what to change.

    Capacity, speeds, overshoot, and the smallest force it can hold.
    """
    press = read_press(press_file)
    others = [read_press(p) for p in compare]
    tol = parse(tolerance, "dimensionless", what="tolerance")
    if not 0.0005 <= tol <= 0.5:
        raise BadInput(f"the tolerance is {tolerance}; give one between 0.05 % and 50 %, for example '5 %'.")

    def within(text: str, what: str) -> float:
        value = parse(text, "newton", what=what)
        if not 0.0 < value <= press.capacity_N:
            limit = show(press.capacity_N, "newton", unit)
            raise BadInput(
                f"the {what} {text} is not between zero and the capacity of this press, {limit}, which is set by "
                f"{press.bounded_by}.{_remedy(press, value)}"
            )
        return value

    at = within(smallest, "smallest force") if smallest is not None else None
    most = within(largest, "largest force") if largest is not None else press.capacity_N
    sized = size_press(press, at, tol)
    compared = sizing_advice.alternatives(press, at, tol, preferences().pressure_unit)
    compared += [
        (f"file {p.name}", size_press(other, min(sized.setpoint_N, other.capacity_N), tol))
        for p, other in zip(compare, others, strict=True)
    ]
    lines = sizing_advice.advice(press, sized, compared, unit, preferences().pressure_unit)
    usual = "12 V" if press.pump.driven_by == "shared" else "24 V"
    wiring = sizing_parts.Wiring(
        parse(usual if supply is None else supply, "volt", what="supply"),
        parse(solenoid_power, "watt", what="solenoid power"),
        parse(cable, "meter", what="cable"),
    )
    if min(wiring.supply_V, wiring.solenoid_W, wiring.cable_m) <= 0.0:
        raise BadInput("supply, solenoid power and cable length must be more than zero.")
    bed: dict[str, object] = {"frame_deflection_at_capacity_m": sized.frame_deflection_m}
    if bed_span is not None and bed_inertia is not None:
        span = parse(bed_span, "meter", what="bed span")
        bow = bed_deflection(
            press.capacity_N,
            span,
            parse(bed_modulus, "pascal", what="bed modulus"),
            parse(bed_inertia, "meter**4", what="bed inertia"),
        ).deflection_m
        bed["bed_deflection_at_capacity_m"] = bow
        if part is not None:
            over = bow_over_part(bow, span, parse(part, "meter", what="part"))
            bed["bow_over_part_m"] = over
            if opening is not None:
                error = bend_angle_error_rad(over, parse(opening, "meter", what="opening"))
                bed["bend_angle_error_rad"] = error
                lines.append(
                    f"At capacity the bed's bow opens the middle of that bend by about "
                    f"{error * 57.3:.2g} degrees; shim the middle."
                )
    elif bed_span is not None or bed_inertia is not None:
        raise BadInput("give --bed-span and --bed-inertia together.")
    warnings = []
    if at is not None and not sized.holds:
        warnings.append(f"{smallest} is below the smallest setpoint that this press can hold to {tolerance}.")
        click.echo(f"Warning: {warnings[0]}", err=True)
    if plot is not None:
        plot_holdable([press, *others], tol, plot, unit)
    if parts_folder is not None:
        from steadyram.press.parts_list import write_lists

        for path in write_lists(press, wiring, parts_folder):
            click.echo(f"Written: {path}", err=True)
    sensor: dict[str, object] = {}
    if press.force_sensor is not None:
        sensor = {
            "force_sensor": sizing_parts.force_sensor_choice(
                press, parse(sensor_cable, "meter", what="sensor cable")
            )
        }
    document = sized.document() | {
        "definition_of_smallest_setpoint": DEFINITION,
        "rise_rates": sizing_advice.rise_rates(press),
        "transducer": sizing_parts.transducer_choice(
            press, parse(sensor_cable, "meter", what="sensor cable")
        ),
        "converter": sizing_parts.converter_choice(press, sized.setpoint_N, tol),
        "filter": sizing_parts.filter_choice(press, sized.setpoint_N),
        "circuit": sizing_parts.circuit_choice(wiring),
        "relief": sizing_parts.relief_choice(press, most),
        "bed": bed,
        **sensor,
        "alternatives": [{"change": label} | s.document() for label, s in compared],
        "advice": lines,
        "warnings": warnings,
        "caution": CAUTION,
    }
    if as_json:
        from steadyram.press.attainable import attainable_p95_N

        # A search of a second or so, so for the document alone.
        document["attainable_p95_N"] = attainable_p95_N(press, sized.setpoint_N)
        click.echo(json.dumps(document, allow_nan=False))
        return

    def force(value: float | None) -> str:
        return "none" if value is None else show(value, "newton", unit, 3)

    say = _wrapped
    say(_answer(sized, tolerance, smallest, force))
    click.echo()
    console = Console()
    table = Table(title=f"At {force(sized.setpoint_N)}, tolerance {tolerance}; forces in {unit}")
    table.add_column("")
    for heading in ("limit ±", "of it", "smallest", "plain over", "rise a s"):
        table.add_column(heading, justify="right", no_wrap=True)
    columns = (
        [1.96 * s.limit_sigma_N for _, s in compared],
        [s.smallest_setpoint_N for _, s in compared],
        [s.threshold_overshoot_N for _, s in compared],
        [s.slow_rise_rate_N_per_s or s.rise_rate_N_per_s for _, s in compared],
    )
    limits, least, plain_over, rise = (_column(column, unit) for column in columns)
    for index, (label, s) in enumerate(compared):
        share = f"{196 * s.limit_sigma_N / s.setpoint_N:.1f} %"
        table.add_row(label, limits[index], share, least[index], plain_over[index], rise[index])
    console.print(table)
    say(
        "limit ±: 95 % of a perfect controller's strokes land within it. smallest: the smallest setpoint that is held "
        "to the tolerance. plain over: what a plain threshold goes over by on a dead stop. rise a s: how fast the "
        "force rises."
    )
    unrated = (
        ""
        if press.frame.rated
        else " (the press file does not say what the frame is rated for: [frame] rated)"
    )
    say(
        f"Capacity {force(sized.capacity_N)}, set by {sized.capacity_set_by}{unrated}, piston area "
        f"{sized.area_m2 * 1e4:.4g} cm², stiffness of oil, frame and work together "
        f"{sized.series_stiffness_N_per_m / 1e6:.3g} kN/mm, approach {sized.approach_speed_m_per_s * 1e3:.3g} mm/s, "
        f"pressing {sized.pressing_speed_m_per_s * 1e3:.3g} mm/s."
    )
    units = preferences().model_copy(update={"force_unit": unit})
    for key in (
        "force_sensor" if sensor else "transducer",
        "converter",
        "filter",
        "circuit",
        "relief",
        "bed",
    ):
        part_document = document[key]
        assert isinstance(part_document, dict)
        # The remarks are sentences of their own and come last.
        remarks = {k: v for k, v in part_document.items() if k in REMARKS}
        figures = {k: v for k, v in part_document.items() if k not in REMARKS}
        shown = ", ".join(in_words(k, v, units, WORDS) for k, v in figures.items())
        said = "".join(f"; {in_words(k, v, units, WORDS)}" for k, v in remarks.items())
        say(f"{key.replace('_', ' ')}: {shown}{said}")
    for line in lines:
        say(f"- {line}")
    say(CAUTION)


def _remedy(press: PressFile, wanted_N: float) -> str:
    """Return what would give the press so much force: a bore at this relief, or a relief at this bore."""
    if press.bounded_by != "the relief valve" or not math.isfinite(wanted_N) or wanted_N <= 0.0:
        return ""
    needed_Pa = pressure_at_Pa(press, wanted_N)
    bore_mm = 1e3 * press.cylinder.bore * math.sqrt(needed_Pa / press.pump.relief)
    relief = show(needed_Pa, "pascal", preferences().pressure_unit, 3)
    return f" It would take a bore of {bore_mm:.0f} mm at this relief, or a relief of {relief} at this bore."


def _answer(sized: Sizing, tolerance: str, asked: str | None, force: Callable[[float | None], str]) -> str:
    """Answer "can it hold the force asked for?" in the first sentence."""
    percent = 196 * sized.limit_sigma_N / sized.setpoint_N
    least, pulse = sized.smallest_setpoint_N, sized.controllable_setpoint_N
    if least is None:
        return f"No: this press holds no force to {tolerance}. At {force(sized.setpoint_N)} it is ±{percent:.2g} %."
    if asked is None:
        return f"This press can hold {force(least)} and more to {tolerance} of the set force."
    told = f"95 % of a perfect controller's strokes there land within ±{percent:.2g} %"
    if not sized.holds:
        return f"No: this press cannot hold {asked} to {tolerance}; {told}. The smallest force is {force(least)}."
    if pulse is not None and sized.setpoint_N < pulse:
        return (
            f"Only in part: valve timing allows {asked} to {tolerance}, but the shortest pulse of the valve asks for "
            f"{force(pulse)} or more."
        )
    return f"Yes: this press can hold {asked} to {tolerance}; {told}. The smallest force is {force(least)}."


def _column(values: Sequence[float | None], unit: str) -> list[str]:
    """Figures of a column without their unit, one precision; "none" where there is none."""
    shown = iter(show_column([value for value in values if value is not None], "newton", unit, 3))
    return ["none" if value is None else next(shown).removesuffix(f" {unit}") for value in values]


def _wrapped(text: str) -> None:
    """Print a paragraph no wider than the terminal."""
    width = min(100, shutil.get_terminal_size((80, 24)).columns)
    indent = "  " if text.startswith("- ") else ""
    click.echo(
        textwrap.fill(text, width, subsequent_indent=indent, break_on_hyphens=False, break_long_words=False)
    )
