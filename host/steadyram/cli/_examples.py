"""One example for each command, printed at the end of its help."""

from __future__ import annotations

from typing import Final

import click

_PLAN: Final = (
    "--material mild-steel-cold-rolled --thickness '2 mm' --opening '16 mm' --punch-radius '1 mm' "
    "--shoulder-radius '2 mm' --die-angle '60 deg'"
)
_GAUGE: Final = "--gauge '1500 psi' --gauge-range '5000 psi'"

# Command: what to type after `steadyram` and the command's name.
EXAMPLES: Final[dict[str, str]] = {
    "units": "--force tonf --pressure psi",
    "size": "--press my-press.toml --smallest '0.8 tonf'",
    "install": "",
    "doctor": "",
    "iocheck": "",
    "device show": "",
    "device watch": "--seconds 60",
    "device clock": "",
    "device settings show": "",
    "device settings new": "--press my-press.toml > settings.toml",
    "device settings push": "settings.toml",
    "characterise": "",
    "position calibrate": "--heights '0 mm, 30 mm, 60 mm, 90 mm' --kind encoder --nominal '5 um'",
    "position speeds": "",
    "device report": "commissioning.md --walk",
    "force bend": "--tensile '450 MPa' --thickness '3.2 mm' --length '44.5 mm' --opening '25 mm' --die v",
    "force punch": "--shear '310 MPa' --thickness '2 mm' --diameter '10 mm'",
    "force press-fit": "--diameter '40 mm' --hub '80 mm' --interference '40 um' --length '50 mm'",
    "force clinch": "--thread M8 --thickness '2 mm'",
    "force bed-deflection": "--force '20 tonf' --span '0.9 m' --inertia '1500 cm^4'",
    "force broach": "--width '6 mm' --rise '0.05 mm' --length '30 mm' --pitch '9 mm'",
    "force dimple": "--hole '30 mm' --outer '50 mm' --thickness '1.5 mm'",
    "force straighten": "--section round --diameter '40 mm' --span '600 mm'",
    "force materials": "",
    "jobs check": "jobs.toml --press my-press.toml",
    "jobs diff": "jobs.toml",
    "jobs push": "jobs.toml",
    "jobs list": "",
    "jobs use": "1",
    "first-part": "--plot first-part.svg",
    "page": "--listen 0.0.0.0:8600 --token-file page-token",
    "bend plan": f"--angle '90 deg' --length '300 mm' {_PLAN}",
    "bend correct": f"--target '90 deg' --depth '5.39 mm' --measured '94.5 deg' {_PLAN}",
    "bend check": "bracket.toml --capacity '20 tonf'",
    "bend run": "bracket.toml",
    "bend shim": "--force '9 tonf' --span '600 mm' --inertia '1500 cm^4'",
    "calibration header": "--press my-press.toml > header.toml",
    "calibration run": "--header header.toml",
    "calibration by-hand": "calibration-1.jsonl --header header.toml",
    "calibration analyse": "calibration-1.jsonl",
    "calibration certificate": "calibration-1.jsonl",
    "calibration correct": "calibration-1.jsonl --key customer --to 'Example Brackets' --reason 'misspelt'",
    "calibration upload": "calibration-1.jsonl",
    "calibration confirm": "calibration-1.jsonl",
    "calibration verify": "calibration-1.jsonl --points fresh-points.csv",
    "calibration check": f"calibration-1.jsonl {_GAUGE}",
    "calibration compare": "calibration-1.jsonl calibration-2.jsonl",
    "calibration repeatability": "repeats.csv",
    "cycles pull": "",
    "cycles list": "",
    "cycles backup": "--out copy.db",
    "cycles export": "--out cycles.csv",
    "cycles report": "--out report.html",
    "batch list": "",
    "batch proof": "",
    "batch compare": "--job-name 'pipe saddle'",
    "batch test add": "--record 12 --kind push-out --value '812 N'",
    "batch test list": "",
    "batch test withdraw": "--number 3 --why 'wrong part tested'",
    "batch verdict add": "--record 12 --bad --why 'crack at the rim'",
    "batch verdict list": "",
    "batch verdict withdraw": "--number 2 --why 'looked again: good'",
    "batch note": "--lot 'coil 7' --note 'new coil of strip'",
    "collect": "--port /dev/ttyACM0 --port /dev/ttyACM1 --store shop.db",
    "try": "",
    "demo": "--out steadyram-demo",
    "trial": "--press my-press.toml --setpoint '1 tonf'",
    "virtual": "--press my-press.toml --listen 127.0.0.1:0",
    "bench cutoff": "workshop.toml hand-pump.toml --cycles 10",
    "bench presses": "--draw 20 --seed 1",
    "fit": "points.csv --model line",
}


def add_examples(command: click.Command, name: str) -> None:
    """Append the example to the help of a command, and to that of each command of a group."""
    if isinstance(command, click.Group):
        for word, inner in command.commands.items():
            add_examples(inner, f"{name} {word}")
    elif command.epilog is None and name in EXAMPLES:
        command.epilog = f"Example:  steadyram {name} {EXAMPLES[name]}".rstrip()
