"""Write tester_reference.md: every public member of the fixture and of `Device`, from their signatures and docstrings.

python hardware_notes/tester_reference_page.py            writes the page
python hardware_notes/tester_reference_page.py --check    exits 1 if the committed one differs
"""

from __future__ import annotations

import ast
import inspect
import re
import sys
from dataclasses import fields
from pathlib import Path
from typing import Any

from steadyram.device import Device
from steadyram.link.definition import definition
from steadyram.link.records import CycleRecord, Reading, Trace
from steadyram.virtual import operator as operator_module
from steadyram.virtual import press as press_module
from steadyram.virtual.checks import ValveChecks
from steadyram.virtual.faults import FAULTS, PHASES
from steadyram.virtual.operator import Operator
from steadyram.virtual.plant import Plant
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.tester_press import TesterPress

PAGE = Path(__file__).resolve().parent / "tester_reference.md"
HEAD = """# The tester's reference

Made from the code by `python hardware_notes/tester_reference_page.py`; examples are in
[the virtual press, for testers](../host/steadyram/virtual/README.md), press files in [press_file.md](press_file.md).
A virtual press proves the firmware's decisions, not a machine: steadyram is not a safety-rated control.

"""
PARTS: tuple[tuple[str, str, tuple[type, ...]], ...] = (
    ("`virtual_press`", "The fixture: a powered press for one test.", (TesterPress, VirtualPress)),
    (
        "Checks of the valves (`virtual_press.assert_...`)",
        "Each `assert_...` raises AssertionError with times. A mask adds up 1 = extend, 2 = retract, 4 = slow feed; "
        "5 = either feed, since a first part may use the slow one alone.",
        (ValveChecks,),
    ),
    ("`virtual_press.operator`", "Pedals, selectors, emergency stop, panel buttons and parts.", (Operator,)),
    ("`virtual_press.plant`", "True values of the simulated press.", (Plant,)),
    ("`device`", "The device over the link, in virtual time.", (Device,)),
    (
        "What `device.now()` returns",
        "Live readings in SI units; `None` where the device cannot know.",
        (Reading,),
    ),
    (
        "A record of `device.log()`",
        "`record[NAME]` is a field of the cycle record by its name in the "
        "[protocol's reference](../protocol/REFERENCE.md), such as `peak_n`.",
        (CycleRecord,),
    ),
    ("What `device.trace(seq)` returns", "`seq`, `dt_s`, `unit_N` and `points` besides.", (Trace,)),
)
# What a part has besides methods and properties; the tests hold every name against a live press.
VALUES: dict[str, dict[str, str]] = {
    "`virtual_press`": {
        "operator": "pedals, selectors, buttons and parts (below)",
        "plant": "true values of the simulated press (below)",
        "cycle": "how often the extend pedal was pressed; a fault's `@CYCLE` counts by it; set it to 0 to count anew",
        "outputs": "output word now: 1 = extend, 2 = retract, 4 = slow feed, 8 = lamp, 16 = buzzer",
        "valve_log": "every change of the output word: `time_s`, `word`, `extend`, `retract`, `slow`",
        "events": "what happened: `time_s` and `name` (below)",
        "faults": "faults that are on",
        "display": "what the panel shows, lines parted by line feeds",
        "received": "bytes that the device wrote and nobody took",
        "seed": "seed of every random draw",
        "state_dir": "folder of the device's flash",
    },
    "`virtual_press.operator`": {
        "cutoff_on": "the cutoff selector; set it, or call `cutoff`",
        "latch_on": "the return selector; set it, or call `latch`",
        "extend_held": "True while the extend pedal is held",
        "retract_held": "True while the retract pedal is held",
        "estop_pushed": "True while the emergency stop is in",
    },
    "`virtual_press.plant`": {
        "pressure_Pa": "pressure in the cylinder, pascals",
        "press": "the press file's values in SI units, such as `press.work.gap` in metres",
        "part": "the part under the ram",
        "step_index": "milliseconds since the plant began",
    },
    "What `device.now()` returns": {
        **{each.name: "" for each in fields(Reading)},
    },
}


def members(classes: tuple[type, ...]) -> list[tuple[str, str]]:
    """Return name with signature, and first sentence, of each public method and property with a docstring."""
    found: dict[str, tuple[str, str]] = {}
    for each in classes:
        for name, value in vars(each).items():
            function: Any = value.fget if isinstance(value, property) else getattr(value, "func", value)
            if name.startswith("_") or not callable(function) or name in found:
                continue
            told = inspect.getdoc(function)
            if told is None:
                raise SystemExit(f"{each.__name__}.{name} has no docstring: the page would leave it out")
            shown = name if not inspect.isfunction(value) else f"{name}{signature(value)}"
            sentences = re.split(r"(?<=[.:]) ", " ".join(told.split("\n\n")[0].split()))
            found[name] = (shown, " ".join(sentences[:2]))
    return sorted(found.values())


def signature(function: Any) -> str:
    """Return the parameters as a person writes them, without `self` and types."""
    shown = []
    for parameter in list(inspect.signature(function).parameters.values())[1:]:
        star = {parameter.VAR_POSITIONAL: "*", parameter.VAR_KEYWORD: "**"}.get(parameter.kind, "")
        default = "" if parameter.default is parameter.empty else f"={parameter.default!r}"
        shown.append(f"{star}{parameter.name}{default}")
    return f"({', '.join(shown)})"


def page() -> str:
    """Return the page."""
    out = [HEAD]
    for title, about, classes in PARTS:
        out.append(f"## {title}\n{about}\n\n")
        if rows := members(classes):
            out.append("| member | what it does |\n|---|---|\n")
            out += [f"| `{shown}` | {told.replace('|', '/')} |\n" for shown, told in rows]
            out.append("\n")
        if title in VALUES:
            told = VALUES[title]
            if any(told.values()):
                out.append("| value | what it is |\n|---|---|\n")
                out += [f"| `{name}` | {text} |\n" for name, text in told.items()]
            else:
                out.append("Values: " + ", ".join(f"`{name}`" for name in told) + ".\n")
            out.append("\n")
    return "".join(out) + tables().rstrip() + "\n"


def happenings() -> list[str]:
    """Return the names of what operator, power and faults write into `events`, from their code."""
    found = set()
    for module in (operator_module, press_module):
        for node in ast.walk(ast.parse(inspect.getsource(module))):
            if isinstance(node, ast.Call) and ast.unparse(node.func).endswith((".note", "._act")):
                found |= {
                    each.value
                    for each in ast.walk(node.args[0])
                    if isinstance(each, ast.Constant) and isinstance(each.value, str) and "-" in each.value
                }
    return sorted(found)


def tables() -> str:
    """Return the words that a test writes or reads: happenings, endings of a stroke, states, faults and phases."""
    known = definition()

    def named(rows: Any) -> str:
        return "".join(f"| `{each.name}` | {each.text} |\n" for each in rows)

    return (
        "## Names of happenings\n"
        "For `after=`, `since=` and `time_of`: the newest of that name counts. Besides these `fault NAME` when a fault "
        "comes on.\n\n"
        + ", ".join(f"`{name}`" for name in happenings())
        + ".\n\n## How a stroke ended\nWhat `stroke()` and `part()` return; besides these `refused`, "
        "and `device.now().refusal` says why.\n\n| word | "
        "meaning |\n|---|---|\n"
        + named(each for each in known.stops.values() if each.name != "none")
        + "\n## States\nWhat `panel_state` and `device.now().state` say.\n\n| word | meaning |\n|---|---|\n"
        + named(known.states.values())
        + "\n## Faults that can be brought on\n`fault=`, `--fault` and `inject`: `NAME`, `NAME@CYCLE`, "
        "`NAME@CYCLE:PHASE` or `NAME@2.5s`. Which fault the "
        "firmware then latches depends on the phase, too; its own are in the "
        "[fault catalogue](../protocol/FAULTS.md), and `device.now().fault` names one.\n\n"
        "| name | what goes wrong | phase, if none is said |\n|---|---|---|\n"
        + "".join(f"| `{each.name}` | {each.text} | {each.phase} |\n" for each in FAULTS.values())
        + "\n| phase | when |\n|---|---|\n"
        + "".join(f"| `{name}` | {text} |\n" for name, text in PHASES.items())
    )


def main() -> int:
    """Write the page, or compare it."""
    if "--check" in sys.argv[1:]:
        if not PAGE.exists() or PAGE.read_text(encoding="utf-8") != page():
            print(f"{PAGE.name} is not what the code says; run python hardware_notes/{Path(__file__).name}")
            return 1
        return 0
    PAGE.write_text(page(), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
