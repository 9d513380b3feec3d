"""What starting the command line loads: modules of the command that was called, and of the libraries only quick ones.

Processor time depends on the machine; `tests/benchmarks/start_up.py` has it as a ratio.
"""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from pathlib import Path

import click
import pytest

import steadyram.cli
from steadyram.cli._commands import COMMANDS, INNER, docstring, first_sentence

# Slower to load than all that a command needs before it begins.
SLOW = (
    "alembic",
    "fpdf",
    "jinja2",
    "matplotlib",
    "paho",
    "psycopg",
    "pyarrow",
    "scipy.integrate",
    "scipy.optimize",
    "scipy.special",
    "scipy.stats",
    "sqlalchemy",
    "starlette",
    "uvicorn",
)
LOADED = "import json, sys; print(json.dumps(sorted(sys.modules)))"


def loaded_by(code: str) -> set[str]:
    done = subprocess.run([sys.executable, "-c", f"{code}\n{LOADED}"], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return set(json.loads(done.stdout.splitlines()[-1]))


@pytest.mark.parametrize("words", [["--version"], ["--help"], ["no-such-command"], []])
def test_what_needs_no_command_loads_none(words: list[str]) -> None:
    loaded = loaded_by(
        f"from steadyram.cli import main\ntry:\n    main({words!r})\nexcept SystemExit:\n    pass"
    )
    ours = {name for name in loaded if name.startswith("steadyram.")}
    # A word that is no command is looked up among the names of all of them.
    ours.discard("steadyram.cli._examples")
    assert ours == {"steadyram.cli", "steadyram.cli._commands", "steadyram.errors"}
    assert not loaded & {"numpy", "pint", "pydantic", "rich", "scipy", "serial"}


def inner() -> list[tuple[str, str]]:
    """Modules and functions of the commands that a group has from other modules."""
    return [place for words in INNER.values() for place in words.values()]


def test_no_command_loads_what_is_slow_before_it_begins() -> None:
    modules = sorted({module for module, _ in (*COMMANDS.values(), *inner())})
    loaded = loaded_by("\n".join(f"import steadyram.cli.{module}" for module in modules))
    assert sorted(name for name in SLOW if name in loaded) == []


def test_one_command_loads_no_other() -> None:
    loaded = loaded_by("from steadyram.cli import cli\ncli.get_command(None, 'fit')")
    assert {name for name in loaded if name.startswith("steadyram.cli.")} == {
        "steadyram.cli._commands",
        "steadyram.cli._examples",
        "steadyram.cli.fit",
    }


@pytest.mark.parametrize("name", COMMANDS)
def test_every_row_is_a_command_with_its_help(name: str) -> None:
    context = click.Context(steadyram.cli.cli)
    command = steadyram.cli.cli.get_command(context, name)
    assert command is not None
    assert command.name == name
    assert command.help is not None
    assert first_sentence(docstring(name)) == first_sentence(command.help) != ""


def test_every_command_at_the_top_is_in_the_table() -> None:
    """A function of `cli/` that is a command of click, and of no group there, has a row."""
    found = set()
    for path in Path(steadyram.cli.__file__).parent.glob("[a-z]*.py"):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef) and any(
                ast.unparse(mark).startswith(("click.command", "click.group")) for mark in node.decorator_list
            ):
                found.add((path.stem, node.name))
    assert found - {("bend_run", "run"), ("batch_verdict", "verdict_group")} == {*COMMANDS.values(), *inner()}


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("calibrate", "'calibration header', 'calibration run'"),
        ("report", "'device report', 'cycles report'"),
        ("proof", "'batch proof'"),
        ("settings", "'device settings show'"),
    ],
)
def test_a_word_of_a_command_names_the_command(
    typed: str, meant: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as stop:
        steadyram.cli.main([typed])
    assert stop.value.code == 2
    assert f"No such command '{typed}'. Did you mean {meant}" in capsys.readouterr().err


def test_a_word_of_no_command_is_only_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        steadyram.cli.main(["zzz"])
    assert "No such command 'zzz'. (see steadyram --help)" in capsys.readouterr().err
