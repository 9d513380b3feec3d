"""The demo's invented shop: a press, an order of three jobs, and the work that each puts under the ram.

Everything here is made up; no figure is a recommendation for real hardware.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from steadyram.press.pressfile import build_press, read_press_tables
from steadyram.settings_file import settings_text
from steadyram.virtual.default_press import default_press
from steadyram.virtual.quick_setup import nameplate_settings


@dataclass(frozen=True)
class Order:
    """One job of the order. setpoint: as in the jobs file; work: keys of the press file's [work] to set."""

    slot: int
    name: str
    setpoint: str
    tooling: str
    dwell: str
    batch: int
    hardware: str
    material: str
    work: dict[str, str]


ORDER = (
    Order(
        1,
        "small clinch nut",
        "1.0 tonf",
        "2 tonf",
        "0 s",
        12,
        "invented clinch nut, small, thin shank",
        "invented soft aluminium sheet, 1 mm",
        {
            "kind": "clinch",
            "plateau": "0.7 tonf",
            "travel": "0.5 mm",
            "stiffness": "110 kN/mm",
            "scatter": "4 %",
        },
    ),
    Order(
        2,
        "large clinch nut",
        "4.0 tonf",
        "6 tonf",
        "0 s",
        10,
        "invented clinch nut, large",
        "invented steel sheet, 2 mm",
        {
            "kind": "clinch",
            "plateau": "3.1 tonf",
            "travel": "0.9 mm",
            "stiffness": "200 kN/mm",
            "scatter": "4 %",
        },
    ),
    Order(
        3,
        "dimple die",
        "2.5 tonf",
        "5 tonf",
        "0.5 s",
        8,
        "invented dimple die pair",
        "invented aluminium sheet, 1.5 mm",
        {
            "kind": "dimple",
            "plateau": "1.7 tonf",
            "travel": "1.6 mm",
            "stiffness": "220 kN/mm",
            "scatter": "3 %",
        },
    ),
)

_JOBS_HEAD = "# Invented, for `steadyram demo`. Keep a file like this in version control.\n"

_REFERENCE = """\
# Invented, for `steadyram demo`: the header of the calibration.
number = 1
interval_days = 365
invented = true
note = "virtual press; nothing here is real"
[press]
what = "invented 20 tonf H-frame"
serial = "virtual"
bore = "4 in"
[transducer]
what = "invented transducer"
serial = "virtual"
range = "5000 psi"
counts_step = 16
[reference]
kind = "load-cell"
what = "virtual load cell under the ram"
serial = "virtual"
expanded_percent = 0.2
coverage_factor = 2
"""


def jobs_text(order: tuple[Order, ...] = ORDER) -> str:
    """The jobs file of the order."""
    parts = [_JOBS_HEAD + 'units = "tonf"\n']
    for job in order:
        parts.append(
            "[[job]]\n"
            f'name = "{job.name}"\nslot = {job.slot}\nmaterial = "{job.material}"\n'
            f'hardware = "{job.hardware}"\nforce = "{job.setpoint}"\n'
            f'tooling_rated_force = "{job.tooling}"\ndwell = "{job.dwell}"\nreturn = "momentary"\n'
            f"cutoff_required = true\nbatch = {job.batch}\n"
        )
    return "\n".join(parts)


def write_shop(folder: Path) -> None:
    """Write the shop's files: press.toml (only the virtual press reads it), settings, reference, jobs."""
    press_text = default_press().read_text(encoding="utf-8")
    press = build_press(read_press_tables(default_press()), "the built-in press")
    (folder / "press.toml").write_text(press_text, encoding="utf-8")
    settings = settings_text(nameplate_settings(press))
    (folder / "settings.toml").write_text(settings, encoding="utf-8")
    (folder / "reference.toml").write_text(_REFERENCE, encoding="utf-8")
    (folder / "jobs.toml").write_text(jobs_text(), encoding="utf-8")
