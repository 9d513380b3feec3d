"""Write tester_reference.md: every public member of the fixture and of `Device`, from their signatures and docstrings.

python hardware_notes/tester_reference_page.py            writes the page
python hardware_notes/tester_reference_page.py --check    exits 1 if the committed one differs
"""

from __future__ import annotations

import ast
import inspect
import sys
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

from steadyram import errors as errors_module
from steadyram.device import Device
from steadyram.errors import SteadyramError
from steadyram.link.definition import definition
from steadyram.link.records import (
    CalibrationState,
    Change,
    CycleRecord,
    DeviceJob,
    Identity,
    JobsState,
    Pulse,
    Reading,
    SettingsState,
    Trace,
    TravelTrace,
)
from steadyram.virtual import operator as operator_module
from steadyram.virtual import press as press_module
from steadyram.virtual.checks import ValveChecks
from steadyram.virtual.faults import FAULTS, PHASES
from steadyram.virtual.operator import Operator
from steadyram.virtual.plant import Plant
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.press_face import Noted, Output
from steadyram.virtual.runtime import FirmwareStopped, RuntimeInfo
from steadyram.virtual.tester_press import TesterPress

PAGE = Path(__file__).resolve().parent / "tester_reference.md"
HEAD = """# The tester's reference

Made from the code by `python hardware_notes/tester_reference_page.py`; examples are in
[the virtual press, for testers](../host/steadyram/virtual/README.md), press files in [press_file.md](press_file.md).
A virtual press proves the firmware's decisions, not a machine: steadyram is not a safety-rated control.

"""
# How a test types what it is given; each line is held by the tests.
IMPORTS = """```python
from steadyram.device import Device
from steadyram.errors import BadInput, CheckFailed, DeviceRefusal
from steadyram.virtual.tester_press import TesterPress


def test_a_part(virtual_press: TesterPress, device: Device) -> None:
    virtual_press.make_ready("20 kN")
    assert virtual_press.part() in ("setpoint", "short", "over")
    assert [record.stop for record in device.log()][-1:] != ["fault"]
```"""
NOTES = """The fixture hands the press out at 0 s, just switched on, with nothing pushed to it. `stroke()`, `part()` and
`make_ready()` wait until the device has started; a pedal that you press yourself before that is its fault
`pedal-at-start`. A relative press file of a marker lies beside the test's file. The board's `uid` follows from the
seed (`v0000000b` for 11), so a flash that is kept fits the same seed only. Between releasing one pedal and
pressing the other let time pass (`run(0.1)`). Under MicroPython `state_dir` holds one image, `flash.img`; under
CPython the files themselves, records in `files/cycles/c0000000001` and so on, where a test may spoil a byte
between `power_cut()` and `power_up()`. Give `device.set_clock(unix)` a number: without one it takes this
computer's time, and the same seed gives other bytes. A second host on the same line is
`virtual_press.second_host()`, one more `Device`. `device.board()` has an empty `interp` and -1 for the heap on a
virtual press: no board is there to be measured. A marker on a test that does not take the fixture gives a warning
and nothing else.

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
    ("What `device.trace(seq)` returns", "`unit_N` is 0 where the trace is in counts.", (Trace,)),
    ("What `device.travel(seq)` returns", "", (TravelTrace,)),
    (
        "What `settings()`, `measured()` and `push_settings()` return",
        "`values` maps each field of the protocol to its whole number, complete; change a copy, `{**state.values, "
        '"band_ppt": 12}`, and push that with `instead_of=state`.',
        (SettingsState,),
    ),
    ("What `calibration()` returns", "`values` is empty when there is none.", (CalibrationState,)),
    (
        "What `jobs()` and `push_jobs()` return",
        "`jobs` holds a `DeviceJob` for each slot in use.",
        (JobsState,),
    ),
    (
        "A `DeviceJob`",
        "`DeviceJob(slot, name, fields)`; `fields` complete, in the protocol's units.",
        (DeviceJob,),
    ),
    ("What `hello()` and `identity()` return", "", (Identity,)),
    ("An entry of `changes()`", "", (Change,)),
    ("An entry of `last_pulses()`", "", (Pulse,)),
    ("An entry of `valve_log` and `coil_log`", "", (Output,)),
    ("An entry of `events`", "", (Noted,)),
    ("What `virtual_press.runtime` is", "`str()` of it is such as `MicroPython 1.26.0`.", (RuntimeInfo,)),
)
# What a part has besides methods and properties; the tests hold every name against a live press.
VALUES: dict[str, dict[str, str]] = {
    "`virtual_press`": {
        "operator": "pedals, selectors, buttons and parts (below)",
        "plant": "true values of the simulated press (below)",
        "cycle": "how often the extend pedal was pressed; a fault's `@CYCLE` counts by it; set it to 0 to count anew",
        "outputs": "what the firmware commands now: 1 = extend, 2 = retract, 4 = slow feed, 8 = lamp, 16 = buzzer",
        "coils": "coils that have voltage now, by the same numbers: the output word with a welded relay, without what "
        "emergency stop, cutout or pedal contact take away",
        "valve_log": "every change of `outputs`",
        "coil_log": "every change of `coils`",
        "events": "what happened: `time_s` and `name` (below)",
        "display": "what the panel shows, lines parted by line feeds",
        "received": "bytes that the device wrote and nobody took",
        "seed": "seed of every random draw",
        "state_dir": "folder of the device's flash",
    },
    "`virtual_press.operator`": {
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
            found[name] = (shown, " ".join(told.split()))
    return sorted(found.values())


def _cell(text: str) -> str:
    """Return a text as it stands in a cell of a table."""
    return text.replace("|", "\\|")


def signature(function: Any) -> str:
    """Return parameters, types and what comes back, as a person writes them, without `self`."""
    told = inspect.signature(function)
    shown = []
    starred = False
    for parameter in list(told.parameters.values())[1:]:
        if parameter.kind is parameter.KEYWORD_ONLY and not starred:
            shown.append("*")
            starred = True
        kind = parameter.annotation
        default = "" if parameter.default is parameter.empty else f" = {parameter.default!r}"
        shown.append(f"{parameter.name}: {kind}{default}")
    back = told.return_annotation
    return f"({', '.join(shown)})" + ("" if back in ("None", told.empty) else f" -> {back}")


def values_of(each: type) -> list[tuple[str, str]]:
    """Return the names and types of what a record class holds."""
    if is_dataclass(each):
        return [(field.name, str(field.type)) for field in fields(each)]
    annotations = inspect.get_annotations(each)
    return [(name, str(kind)) for name, kind in annotations.items() if not name.startswith(("_", "model_"))]


RECORDS = (SettingsState, CalibrationState, JobsState, DeviceJob, Identity, Change, Pulse, Output, Noted, RuntimeInfo,
           Reading, Trace, TravelTrace)  # fmt: skip


def page() -> str:
    """Return the page."""
    out = [HEAD, "## Imports and types\n", IMPORTS, "\n\n", where(), NOTES, exceptions()]
    for title, about, classes in PARTS:
        out.append(f"## {title}\n{about}\n\n")
        if classes[0] in RECORDS:
            names = values_of(classes[0])
            out.append("Values: " + ", ".join(f"`{name}: {kind}`" for name, kind in names) + ".\n\n")
        if rows := members(classes):
            out.append("| member | what it does |\n|---|---|\n")
            out += [f"| `{_cell(shown)}` | {_cell(told)} |\n" for shown, told in rows]
            out.append("\n")
        if title in VALUES:
            out.append("| value | what it is |\n|---|---|\n")
            out += [f"| `{name}` | {text} |\n" for name, text in VALUES[title].items()]
            out.append("\n")
    return "".join(out) + tables().rstrip() + "\n"


def where() -> str:
    """Return the table of names and the modules that they are imported from."""
    named = (TesterPress, Device, Operator, Plant, CycleRecord, *RECORDS)
    rows = "".join(f"| `{each.__name__}` | `{each.__module__}` |\n" for each in named)
    return f"| name | import it from |\n|---|---|\n{rows}\n"


def exceptions() -> str:
    """Return the table of exceptions: each with its base, its module and its first sentence."""
    found = [
        each
        for each in vars(errors_module).values()
        if inspect.isclass(each) and issubclass(each, SteadyramError)
    ]
    rows = "".join(
        f"| `{each.__name__}` | `{each.__mro__[1].__name__}` | `{each.__module__}` "
        f"| {' '.join((inspect.getdoc(each) or '').split())} |\n"
        for each in (*found, FirmwareStopped)
    )
    return (
        "## Exceptions\nEach says in one sentence what is wrong and what to do. The checks raise Python's own "
        "`AssertionError`. A write that somebody else's came before (`instead_of=`) is `CheckFailed`; a "
        "request that the "
        "power or the line took the answer of is `LinkTimeout`; what the device refuses is `DeviceRefusal` with its "
        "`number`, by the protocol's table of errors.\n\n| name | is a | import it from | when |\n|---|---|---|---|\n"
        f"{rows}\n"
    )


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
        "comes on, `change KEY=VALUE` when a figure is changed, and what `note` wrote.\n\n"
        + ", ".join(f"`{name}`" for name in happenings())
        + ".\n\n## How a stroke ended\nWhat `stroke()` and `part()` return; besides these `refused`, "
        "and `virtual_press.refusal` says why (below); after `stroke()` so does `device.now().refusal`, "
        "until a pedal is "
        "pressed again. `device.now().stop` follows once the record is made, up to 0.6 s after an emergency stop."
        "\n\n| word | meaning |\n|---|---|\n"
        + named(each for each in known.stops.values() if each.name != "none")
        + "\n## Why extend is refused\n\n| word | meaning |\n|---|---|\n"
        + named(each for each in known.refusals.values() if each.name != "none")
        + "\n## States\nWhat `device.now().state` says, and `panel_state` up to 0.1 s later; that is "
        "empty while the panel "
        "is dark (no power, the first 0.1 s) or shows a menu or a valve test.\n\n| word | meaning |\n|---|---|\n"
        + named(known.states.values())
        + "\n## Faults that can be brought on\n`fault=`, `--fault` and `inject`: `NAME`, `NAME@CYCLE`, "
        "`NAME@CYCLE:PHASE` or `NAME@2.5s`. Which fault the "
        "firmware then latches depends on the phase, too; its own are in the "
        "[fault catalogue](../protocol/FAULTS.md), and `device.now().fault` names one. A fault that the "
        "press cannot have "
        "is `BadInput`: `position-...` without a position sensor, `port-blocked` and `snubber-slow` with "
        "a force sensor, "
        "valves and relay where the valve is worked by hand. `@` with a time that has passed means now.\n\n"
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
