"""Who carries out the steps of a guided command: a person, or the operator of a simulated press."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import click

from steadyram.commission.hands import Hands
from steadyram.commission.person import PersonHands
from steadyram.device import Device

HANDS_CLEAR = (
    "Keep hands clear of the ram. Guards, relief valve, emergency stop and two-hand control stay in "
    "place and in force; steadyram replaces none of them."
)

hands_option = click.option(
    "--hands",
    "hands_url",
    metavar="URL",
    help="Operator's port of a virtual press (`virtual --operator-listen`); default: you, step by step.",
)


@contextmanager
def hands_at(device: Device, url: str | None, unit: str, area_m2: float | None) -> Iterator[Hands]:
    """Give what carries out the guided steps: a person asked at the terminal, or a simulated press's operator.

    url: of its operator's port, None for a person; unit: of typed readings without one; area_m2: piston area where
    these are pressures.
    """
    if url is None:
        yield PersonHands(
            device,
            lambda text: str(click.prompt(text, default="", show_default=False, prompt_suffix=" ", err=True)),
            lambda text: click.echo(text, err=True),
            reference_unit=unit,
            area_m2=area_m2,
        )
        return
    # Only a virtual press has an operator's port, so only then is the simulator's code needed.
    from steadyram.virtual.operator_line import LineHands, open_operator

    with open_operator(url) as line:
        yield LineHands(line)
