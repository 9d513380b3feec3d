"""Write tester_reference.md: every public member of the fixture and of `Device`, from their signatures and docstrings.

python hardware_notes/tester_reference_page.py            writes the page
python hardware_notes/tester_reference_page.py --check    exits 1 if the committed one differs
"""

from __future__ import annotations

import inspect
import re
import sys
from pathlib import Path
from typing import Any

from steadyram.device import Device
from steadyram.virtual.checks import ValveChecks
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
        "Each raises AssertionError with times.",
        (ValveChecks,),
    ),
    ("`virtual_press.operator`", "Pedals, selectors, emergency stop, panel buttons and parts.", (Operator,)),
    ("`virtual_press.plant`", "True values of the simulated press.", (Plant,)),
    ("`device`", "The device over the link, in virtual time.", (Device,)),
)


def members(classes: tuple[type, ...]) -> list[tuple[str, str]]:
    """Return name with signature, and first sentence, of each public method and property with a docstring."""
    found: dict[str, tuple[str, str]] = {}
    for each in classes:
        for name, value in vars(each).items():
            function: Any = value.fget if isinstance(value, property) else getattr(value, "func", value)
            told = inspect.getdoc(function) if callable(function) else None
            if name.startswith("_") or told is None or name in found:
                continue
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
        out += [f"## {title}\n", f"{about}\n\n| member | what it does |\n|---|---|\n"]
        out += [f"| `{shown}` | {told.replace('|', '/')} |\n" for shown, told in members(classes)]
        out.append("\n")
    return "".join(out).rstrip() + "\n"


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
