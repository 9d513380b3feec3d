"""Write press_file.md: every key of a press file with unit, range, default, meaning and source.

python hardware_notes/press_file_page.py            writes the page
python hardware_notes/press_file_page.py --check    exits 1 if the committed one differs

Units, ranges and defaults come from the model that reads press files; a key without a meaning, or a meaning without a
key, ends it with a sentence.
"""

from __future__ import annotations

import sys
import tomllib
import typing
from pathlib import Path
from typing import Any

import annotated_types
from pydantic.fields import FieldInfo

from steadyram.press.pressfile import PressFile, QuantityRange

HERE = Path(__file__).resolve().parent
PAGE = HERE / "press_file.md"
KEYS = HERE / "press_file_keys.toml"

SHOWN = {
    "meter": ("length, e.g. `5 mm`", "mm", 1000.0),
    "newton": ("force, e.g. `1.6 tonf`", "kN", 1e-3),
    "pascal": ("pressure, e.g. `3300 psi`", "MPa", 1e-6),
    "meter/second": ("speed, e.g. `0.1 m/s`", "mm/s", 1000.0),
    "meter**3/second": ("flow, e.g. `2 L/min`", "L/min", 6e4),
    "meter**3": ("volume, e.g. `0.8 L`", "L", 1e3),
    "newton/meter": ("stiffness, e.g. `200 kN/mm`", "kN/mm", 1e-6),
    "second": ("time, e.g. `8 ms`", "ms", 1e3),
    "1/second": ("rate, e.g. `0.5 %/s`, `12 /min`, `40 Hz`", "1/s", 1.0),
    "radian": ("angle, e.g. `85 deg`", "deg", 57.29577951308232),
    "dimensionless": ("share or number, e.g. `2 %`, `0.7`", "", 1.0),
}

HEAD = """# The press file: every key

Made by `python hardware_notes/press_file_page.py` from the model that reads press files; do not edit. The example in
the README and the files in [presses/](presses) show whole ones. A value is a number with its unit; a key that has a
default may be left out. Ranges are what is accepted; beside them what is met in practice. Keys marked **unkind** are
what a shop's press does and a kind simulation leaves out: off unless they are given, on in the drawn presses of
`steadyram bench presses`.

Sources: *CP* common practice, no single source; *TB* fluid-power textbooks, from memory; *OWN* this project's own
definition; *nameplate* and *data sheets* of your own parts.
"""

TAIL = """
## What the simulation does not show
A press has these and the virtual press does not. A cutoff that was tried on it alone has not met them.

- Mass of the ram and of the oil: force follows the oil at once. The oil of the transducer's line has its own dynamics.
- Friction between rest and motion: full breakaway after any stop, running friction at once after the slip; a side
  load does not change it.
- Mass of a hanging load: it comes down at `fall_speed` from the first millisecond. The oil's compression follows the
  force on the work alone: under 1.5 kN on the built-in press that is 0.12 mL, 0.015 mm of ram. A load that nothing
  carries does not run ahead of the pump while the valve feeds.
- Flow that falls with pressure, and leakage of the pump. The relief valve opens at one pressure and does not overshoot.
- A relay's contact bounce (1 to 3 ms, common practice) and the slow start of a coil on a weak supply. The supply does
  not sag when a coil pulls in.
- A relay that is energised again while it is letting go: its contact is taken as if it had let go.
- Zero and gain that drift with temperature within a stroke; noise other than white.
- Noise of the converter itself beyond `transducer.noise`; codes other than four are equally wide.
- The pressure within a millisecond is a straight line to line and transducer. Error against the equations integrated:
  below 0.2 % of the largest pressure (`tests/host/virtual/test_plant_sensing.py`).
- Stiffness that differs by place of the work under the ram, a frame that rocks, trapped oil that grows with travel.
- A stuck or sluggish valve, a weld, a leak, a blocked line: these are faults to inject, not keys.
- A pilot-operated check valve, its pilot, an unloading and a decompression valve, and their times. A shut rod side
  leaks as the cap side does.
- Slow and full feed open together pass the pump's flow at most; each lets in its share of opening until then.
"""

UNKIND = {
    "valve": {"pull_in", "slew", "overlap", "warm_up", "warm_up_time"},
    "adc": {"wide_codes"},
    "transducer": {"switching_spike", "line_frequency", "line_damping", "line_drop", "zero_wander"},
    "pump": {"ripple", "ripple_frequency", "flow_scatter"},
    "cylinder": {"breakaway", "friction_scatter"},
    "work": {"gap_scatter"},
}


def limits_of(annotation: Any, metadata: list[Any]) -> QuantityRange | None:
    """Return the range of a field, from its validator."""
    for each in metadata:
        limits = getattr(getattr(each, "func", None), "limits", None)
        if isinstance(limits, QuantityRange):
            return limits
    for inner in typing.get_args(annotation):
        found = limits_of(inner, list(getattr(inner, "__metadata__", ())))
        if found is not None:
            return found
    return None


def number(value: float) -> str:
    """Write a limit."""
    text = f"{value:.4g}"
    return text if "e" not in text else f"{value:.0f}" if abs(value) >= 1 else text


def unit_and_range(field: FieldInfo) -> tuple[str, str, QuantityRange | None]:
    """Return the kind of value and the range that is accepted."""
    limits = limits_of(field.annotation, list(field.metadata))
    if limits is not None:
        words, unit, factor = SHOWN[limits.si_unit]
        return (
            words,
            f"{number(limits.low * factor)} to {number(limits.high * factor)} {unit}".strip(),
            limits,
        )
    choices = [f"`{each}`" for each in typing.get_args(field.annotation) if isinstance(each, str)]
    if choices:
        return "word", " ".join(choices), None
    low = next((m.ge for m in field.metadata if isinstance(m, annotated_types.Ge)), None)
    high = next((m.le for m in field.metadata if isinstance(m, annotated_types.Le)), None)
    if low is not None and high is not None:
        return "whole number", f"{low} to {high}", None
    return ("true or false", "", None) if field.annotation is bool else ("text", "", None)


def default_of(field: FieldInfo, limits: QuantityRange | None) -> str:
    """Return the default in words."""
    if field.is_required():
        return "required"
    value = field.default
    if value is None:
        return "absent"
    if limits is None:
        return f"`{str(value).lower() if isinstance(value, bool) else value}`"
    _, unit, factor = SHOWN[limits.si_unit]
    return f"{number(value * factor)} {unit}".strip()


def rows(table: str, model: Any, meanings: dict[str, list[str]]) -> list[str]:
    """Return the rows of one table of the press file. Ends the program where meaning and model differ."""
    named = {field.alias or name: field for name, field in model.model_fields.items()}
    own = {key for key, field in named.items() if table or not hasattr(field.annotation, "model_fields")}
    if not table:
        own = {"name"}
    missing, extra = own - set(meanings), set(meanings) - own
    if missing or extra:
        raise SystemExit(
            f"press_file_keys.toml: [{table}] lacks {sorted(missing)} and has {sorted(extra)} too many; mend it."
        )
    made = []
    for key, field in named.items():
        if key not in own:
            continue
        meaning, typical, source = meanings[key]
        words, bounds, limits = unit_and_range(field)
        mark = " **unkind**" if key in UNKIND.get(table, ()) else ""
        made.append(
            f"| `{key}`{mark} | {words} | {bounds} | {default_of(field, limits)} | {meaning} | {typical} | {source} |"
        )
    return made


def page() -> str:
    """Return the whole page."""
    meanings = tomllib.loads(KEYS.read_text(encoding="utf-8"))
    out = [HEAD]
    for table in ["", *(name for name in PressFile.model_fields if name != "name")]:
        annotation = PressFile if not table else PressFile.model_fields[table].annotation
        model: Any = next(
            (each for each in typing.get_args(annotation) if hasattr(each, "model_fields")), annotation
        )
        title = f"[{table}]" if table else "Before any table"
        optional = " (optional table)" if table and not PressFile.model_fields[table].is_required() else ""
        out.append(f"## {title}{optional}")
        out.append(
            "| key | value | accepted | default | meaning | typical | source |\n|---|---|---|---|---|---|---|"
        )
        out += [*rows(table, model, meanings[table]), ""]
    return "\n".join(out).rstrip() + "\n" + TAIL


def main(argv: list[str]) -> int:
    """Write or check; return the exit code."""
    text = page()
    if PAGE.exists() and PAGE.read_text(encoding="utf-8") == text:
        return 0
    if "--check" in argv:
        print("press_file.md is not current; run python hardware_notes/press_file_page.py")
        return 1
    PAGE.write_text(text, encoding="utf-8", newline="\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
