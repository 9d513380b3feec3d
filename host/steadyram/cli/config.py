"""`steadyram units`: choose the units that figures are shown in, once."""

from __future__ import annotations

import click

from steadyram.cli._session import err, json_option, out, print_json
from steadyram.config import config_path, preferences, save_preferences
from steadyram.units import FORCE_UNITS, PRESSURE_UNITS, TONS


@click.command()
@click.option("--force", "force_unit", metavar="UNIT", help=f"One of {', '.join(FORCE_UNITS)}.")
@click.option("--pressure", "pressure_unit", metavar="UNIT", help=f"One of {', '.join(PRESSURE_UNITS)}.")
@json_option
def units(force_unit: str | None, pressure_unit: str | None, as_json: bool) -> None:
    """Choose the units that forces and pressures are shown in.

    Without options, show the choice.

    What you type always carries its own unit. tonf is the short ton-force (2000 lbf), tonne_force the metric one
    (1000 kgf), long_tonf 2240 lbf; a bare "ton" is refused.
    """
    if force_unit is None and pressure_unit is None:
        chosen = preferences()
    else:
        chosen = save_preferences(force_unit, pressure_unit)
    if as_json:
        print_json({**chosen.model_dump(), "file": str(config_path())})
    else:
        out().print(f"Forces in {chosen.force_unit}, pressures in {chosen.pressure_unit} ({config_path()}).")
        err().print(f"Which ton is which: {TONS}.", soft_wrap=True)
