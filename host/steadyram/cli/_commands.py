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

# Task: its commands in the order of the job. Command: module of this package and the function in it.
TASKS: Final[dict[str, dict[str, tuple[str, str]]]] = {
    "Set up a press": {
        "units": ("config", "units"),
        "size": ("size", "size"),
        "install": ("install", "install_command"),
        "doctor": ("doctor", "doctor"),
        "iocheck": ("iocheck", "iocheck"),
        "device": ("device", "device"),
        "calibration": ("calibration", "calibration"),
        "characterise": ("commission", "characterise"),
        "position": ("position", "position"),
    },
    "Work": {
        "force": ("force", "force"),
        "jobs": ("jobs", "jobs"),
        "first-part": ("first_part", "first_part"),
        "page": ("page", "page"),
        "bend": ("bend", "bend"),
    },
    "Prove": {
        "cycles": ("cycles", "cycles"),
        "batch": ("batch", "batch"),
        "collect": ("collect", "collect"),
    },
    "Try without a press": {
        "try": ("try_press", "try_press"),
        "demo": ("demo", "demo"),
        "trial": ("trial", "trial"),
    },
    "Develop and test": {
        "virtual": ("virtual", "virtual"),
        "fit": ("fit", "fit"),
        "bench": ("bench", "bench"),
    },
}
# Commands of a group that modules of their own hold.
INNER: Final[dict[str, dict[str, tuple[str, str]]]] = {
    "calibration": {"run": ("commission", "calibrate")},
    "cycles": {"report": ("report", "report")},
    "device": {"report": ("record", "commission")},
}
COMMANDS: Final = {name: place for task in TASKS.values() for name, place in task.items()}


def _load(place: tuple[str, str]) -> click.Command:
    module, function = place
    loaded = getattr(importlib.import_module(f"steadyram.cli.{module}"), function)
    assert isinstance(loaded, click.Command)
    return loaded


class Commands(click.Group):
    """The group of all commands, each imported when it is asked for."""

    def list_commands(self, ctx: click.Context | None) -> list[str]:
        """Return the names of all commands, in the order of the job."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context | None, name: str) -> click.Command | None:
        """Return a command, None where there is none of that name."""
        if name not in COMMANDS:
            return None
        loaded = _load(COMMANDS[name])
        for word, place in INNER.get(name, {}).items():
            assert isinstance(loaded, click.Group)
            loaded.add_command(_load(place), word)
        from steadyram.cli._examples import add_examples

        add_examples(loaded, name)
        return loaded

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command typed; where there is none, name those that have the word in their name.

        Raises click.UsageError.
        """
        typed = args[0] if args else ""
        if typed.startswith("-") or self.get_command(ctx, typed) is not None:
            return super().resolve_command(ctx, args)
        raise click.UsageError(f"No such command '{typed[:40]}'.{_meant(typed)}", ctx)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the commands by task, with one line of help each, without importing them."""
        width = formatter.width - 6 - max(map(len, COMMANDS))
        for task, commands in TASKS.items():
            rows = [
                (name, textwrap.shorten(first_sentence(docstring(name)), width, placeholder="..."))
                for name in commands
            ]
            with formatter.section(task):
                formatter.write_dl(rows, col_max=30, col_spacing=2 + _WIDEST - max(map(len, commands)))


def _meant(typed: str) -> str:
    """Return a sentence with the commands that a word may stand for, by its first letters; "" where there are none."""
    from steadyram.cli._examples import EXAMPLES

    root = typed[:6].lower()
    names = [name for name in EXAMPLES if any(word.startswith(root) for word in name.split(" "))]
    names.sort(key=lambda name: not name.startswith(root))
    if len(root) < 3 or not names:
        return ""
    return f" Did you mean {', '.join(repr(name) for name in names[:4])}?"


_WIDEST: Final = max(map(len, COMMANDS))


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
