"""Find commands by name and import a command's module when it is called, not before.

Importing all of them takes ten times as long as what `--version` or a refused option needs. Their one-line help is
read from the source, so that it is written once.
"""

from __future__ import annotations

import ast
import importlib
import textwrap
from pathlib import Path
from typing import Final

import click

# Command: module of this package and the function in it.
COMMANDS: Final[dict[str, tuple[str, str]]] = {
    "batch": ("batch", "batch"),
    "bench": ("bench", "bench"),
    "bend": ("bend", "bend"),
    "calibrate": ("commission", "calibrate"),
    "calibration": ("calibration", "calibration"),
    "characterise": ("commission", "characterise"),
    "collect": ("collect", "collect"),
    "commission": ("record", "commission"),
    "cycles": ("cycles", "cycles"),
    "demo": ("demo", "demo"),
    "device": ("device", "device"),
    "doctor": ("doctor", "doctor"),
    "first-part": ("first_part", "first_part"),
    "fit": ("fit", "fit"),
    "force": ("force", "force"),
    "install": ("install", "install_command"),
    "iocheck": ("iocheck", "iocheck"),
    "jobs": ("jobs", "jobs"),
    "page": ("page", "page"),
    "position": ("position", "position"),
    "report": ("report", "report"),
    "size": ("size", "size"),
    "trial": ("trial", "trial"),
    "try": ("try_press", "try_press"),
    "units": ("config", "units"),
    "virtual": ("virtual", "virtual"),
}


class Commands(click.Group):
    """The group of all commands, each imported when it is asked for."""

    def list_commands(self, ctx: click.Context | None) -> list[str]:
        """Return the names of all commands, sorted."""
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context | None, name: str) -> click.Command | None:
        """Return a command, None where there is none of that name."""
        if name not in COMMANDS:
            return None
        module, function = COMMANDS[name]
        loaded = getattr(importlib.import_module(f"steadyram.cli.{module}"), function)
        assert isinstance(loaded, click.Command)
        return loaded

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands with one line of help each, without importing them."""
        width = formatter.width - 6 - max(map(len, COMMANDS))
        rows = [
            (name, textwrap.shorten(first_sentence(docstring(name)), width, placeholder="..."))
            for name in self.list_commands(ctx)
        ]
        with formatter.section("Commands"):
            formatter.write_dl(rows)


def docstring(name: str) -> str:
    """Return the docstring of a command's function, read from its source."""
    module, function = COMMANDS[name]
    source = Path(__file__).with_name(f"{module}.py").read_text(encoding="utf-8")
    for node in ast.parse(source).body:
        if isinstance(node, ast.FunctionDef) and node.name == function:
            return ast.get_docstring(node) or ""
    return ""


def first_sentence(text: str) -> str:
    """Return the first sentence of a docstring on one line, without its full stop."""
    return " ".join(text.split("\n\n")[0].split()).split(". ")[0].removesuffix(".")
