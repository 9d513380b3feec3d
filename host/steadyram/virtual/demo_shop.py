"""The demo's invented shop: a press, an order of three jobs, and the work that each puts under the ram.

Everything here is made up; no figure is a recommendation for real hardware.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from steadyram.nameplate import nameplate_settings
from steadyram.press.pressfile import build_press, read_press_tables
from steadyram.settings_file import settings_text
from steadyram.virtual.default_press import default_press


@dataclass(frozen=True)
class Order:
    """One job of the order: forces in kilonewtons, dwell in seconds.

    low_kN, high_kN: the band of peak force in which this part comes out right, whatever was set; work: keys of the
    press file's [work] to set.
    """

    slot: int
    name: str
    words: str
    set_kN: float
    low_kN: float
    high_kN: float
    tooling_kN: float
    dwell_s: float
    batch: int
    hardware: str
    material: str
    work: dict[str, str]


ORDER = (
    Order(
        1,
        "pipe saddle",
        "a pipe saddle formed from strip in a die",
        48.0,
        44.0,
        52.0,
        80.0,
        0.0,
        12,
        "invented forming die for 34 mm pipe",
        "invented soft steel strip, 2 mm",
        {
            "kind": "dimple",
            "plateau": "30 kN",
            "travel": "5 mm",
            "stiffness": "110 kN/mm",
            "scatter": "3 %",
            "gap": "24 mm",
        },
    ),
    Order(
        2,
        "rivet nut",
        "a rivet nut drawn into a thin cover: it collapses, then sits",
        16.0,
        14.5,
        17.5,
        30.0,
        0.0,
        10,
        "invented rivet nut, steel, thin wall",
        "invented aluminium cover, 1.5 mm",
        {
            "kind": "clinch",
            "plateau": "10 kN",
            "travel": "1.2 mm",
            "stiffness": "90 kN/mm",
            "scatter": "4 %",
            "gap": "14 mm",
        },
    ),
    Order(
        3,
        "hinge bushing",
        "a bronze bushing pressed into a hinge leaf until its collar sits on the leaf",
        26.0,
        23.0,
        29.0,
        40.0,
        0.3,
        8,
        "invented sintered bronze bushing with collar",
        "invented cast hinge leaf",
        {
            "kind": "press-fit",
            "plateau": "17 kN",
            "travel": "3 mm",
            "stiffness": "90 kN/mm",
            "scatter": "5 %",
            "gap": "18 mm",
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
    parts = [_JOBS_HEAD + 'units = "kN"\n']
    for job in order:
        parts.append(
            "[[job]]\n"
            f'name = "{job.name}"\nslot = {job.slot}\nmaterial = "{job.material}"\n'
            f'hardware = "{job.hardware}"\nforce = "{job.set_kN:g} kN"\n'
            f'tooling_rated_force = "{job.tooling_kN:g} kN"\ndwell = "{job.dwell_s:g} s"\nreturn = "momentary"\n'
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
