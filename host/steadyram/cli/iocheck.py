"""`steadyram iocheck`: every contact and every output, hydraulics isolated."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from steadyram.cli._inputs import Number
from steadyram.cli._session import (
    connected,
    json_option,
    out,
    plain,
    port_options,
    print_json,
    said_if_stopped,
)
from steadyram.errors import CheckFailed, DeviceRefusal, LinkError
from steadyram.install.iocheck import Checked, Walk


class AtTheKeyboard:
    """The person at this terminal."""

    def do(self, step: str, words: str) -> None:
        click.echo("  " + words, err=True)

    def ask(self, step: str, words: str) -> bool:
        return click.confirm(words, err=True)


def _line(step: Checked) -> str:
    return f"{'good' if step.good else 'BAD '} {step.name}: {step.seen}"


@click.command()
@port_options
@json_option
@click.option(
    "--patience", type=Number(1, 600, "second"), default=60, show_default=True, help="Seconds a step waits."
)
def iocheck(port: str | None, wire_log: Path | None, as_json: bool, patience: float) -> None:
    """Walk through inputs and outputs one by one. THE HYDRAULICS MUST BE ISOLATED: lock out the pump first.

    Nothing is energised from here: your pedals do it, and this watches. steadyram is not a safety-rated control.
    """
    with connected(port, wire_log) as device:
        uid = device.identity().uid
        walk = Walk(device, AtTheKeyboard(), patience, told=lambda step: click.echo(_line(step), err=True))
        with said_if_stopped(lambda: "The walk changes nothing on the device; it was not finished."):
            try:
                walk.run()
            except (CheckFailed, DeviceRefusal, LinkError) as error:
                if not walk.done:
                    raise
                raise CheckFailed(
                    f"The walk stopped after the step '{walk.done[-1].name}'; the steps above were judged, the rest "
                    f"was not tried. {error}"
                ) from None
        done = walk.done
    if as_json:
        print_json({"uid": uid, "steps": [asdict(step) for step in done], "good": all(s.good for s in done)})
    else:
        click.echo("", err=True)
        for step in done:
            out().print(plain(_line(step)))
    bad = [step.name for step in done if not step.good]
    if bad:
        raise CheckFailed(f"Not as it should be: {', '.join(bad)}. See hardware_notes/wiring.md.")
