"""The printable commissioning record, filled in with what the device and the walk through the wiring know.

What only a person can see (steps 1 to 4, 7, 8, 10, 14 to 16) stays empty, to be filled in by hand. Limits are
those of hardware_notes/commissioning.md.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from steadyram.device import Device
from steadyram.install.iocheck import Checked

CLOSE_LAG_S = 0.100
JITTER_S = 0.003
SENSOR_LAG_S = 0.010
LEAK_PER_S = 0.01


def template() -> str:
    """The empty record."""
    return (Path(__file__).resolve().parent / "commissioning_record.md").read_text(encoding="utf-8")


def fill(device: Device, walked: Sequence[Checked] = (), doctor_good: bool | None = None) -> str:
    """The record as Markdown; asks the device only, energises and changes nothing."""
    identity = device.identity()
    settings, jobs, calibration = device.settings(), device.jobs(), device.calibration()
    rows: dict[str, tuple[str, bool | None]] = {}
    if doctor_good is not None:
        rows["5 "] = ("as told" if doctor_good else "not all good", doctor_good)
    if walked:
        bad = [step.name for step in walked if not step.good]
        rows["6 "] = (f"{len(walked)} checked; bad: {', '.join(bad) or 'none'}", not bad)
    serial = calibration.values.get("serial") if calibration.gen else None
    if serial:
        rows["11 "] = (f"no. {serial}, see its certificate", None)
    measured = device.measured()
    if measured.values["char_valid"]:
        rows["12 "] = characteristics({**settings.values, **measured.values})
    text = _put_rows(template(), rows)
    fields = {
        "Board uid ": identity.uid,
        "Firmware ": identity.fw,
        "Date ": time.strftime("%Y-%m-%d"),
        "Settings digest ": settings.digest,
        "Jobs digest ": jobs.digest,
        "Calibration serial ": str(serial or "none"),
    }
    due = calibration.values.get("due_unix") if serial else None
    if due:
        fields["Next calibration due "] = time.strftime("%Y-%m-%d", time.gmtime(due))
    for label, value in fields.items():
        text = _put_field(text, label, value)
    return text


def characteristics(settings: Mapping[str, int]) -> tuple[str, bool]:
    """Closing delay, jitter, lag and leak as the dead-stop test measured them, and whether they meet the limits."""
    close_s, jitter_s = settings["close_lag_us"] / 1e6, settings["jitter_us"] / 1e6
    lag_s, leak = settings["sensor_lag_us"] / 1e6, settings["leak_ppm_s"] / 1e6
    good = close_s < CLOSE_LAG_S and jitter_s < JITTER_S and lag_s < SENSOR_LAG_S
    if settings["holds_load"]:
        good = good and leak < LEAK_PER_S
    words = f"{close_s * 1e3:.1f} / {jitter_s * 1e3:.1f} / {lag_s * 1e3:.1f} ms / {leak:.2%}/s"
    return words, good


def _put_rows(text: str, rows: Mapping[str, tuple[str, bool | None]]) -> str:
    lines = text.splitlines()
    for i, line in enumerate(lines):
        for key, (found, good) in rows.items():
            if line.startswith("| " + key):
                cells = line.split("|")
                cells[3] = f" {found} "
                if good is not None:
                    cells[4] = f" {'yes' if good else 'NO'} "
                lines[i] = "|".join(cells)
    return "\n".join(lines) + "\n"


def _put_field(text: str, label: str, value: str) -> str:
    at = text.find(label)
    if at < 0:
        return text
    start = at + len(label)
    end = start
    while end < len(text) and text[end] == ".":
        end += 1
    return text[:start] + value.ljust(end - start) + text[end:]
