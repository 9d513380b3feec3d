"""What the help says: commands by task, whole lines, an example for each that its own parser takes."""

from __future__ import annotations

import shlex
from collections.abc import Iterator

import click
import pytest

from steadyram.cli import cli, main
from steadyram.cli._commands import TASKS, docstring, first_sentence
from steadyram.cli._examples import EXAMPLES


def leaves(command: click.Command, name: str = "") -> Iterator[tuple[str, click.Command]]:
    if isinstance(command, click.Group):
        for word in command.list_commands(click.Context(command)):
            inner = command.get_command(click.Context(command), word)
            assert inner is not None
            yield from leaves(inner, f"{name} {word}".strip())
    else:
        yield name, command


ALL = dict(leaves(cli))


def lacking(command: click.Command, words: list[str]) -> list[str]:
    """Required parameters that the words do not give; raises click.UsageError for an unknown option."""
    context = click.Context(command)
    given, left, _ = command.make_parser(context).parse_args(words)
    assert left == []
    return [
        str(each.name)
        for each in command.get_params(context)
        if each.required and not isinstance(given.get(str(each.name)), str | list | tuple | bool)
    ]


def test_every_command_has_an_example_and_no_example_lacks_its_command() -> None:
    assert sorted(EXAMPLES) == sorted(ALL)


@pytest.mark.parametrize("name", sorted(ALL))
def test_example_is_whole(name: str) -> None:
    assert lacking(ALL[name], shlex.split(EXAMPLES[name].partition(">")[0])) == []
    context = click.Context(ALL[name])
    assert f"steadyram {name}" in ALL[name].get_help(context)


def test_first_screen_is_by_task_and_shortens_nothing_at_eighty_columns(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    main(["--help"])
    lines = capsys.readouterr().out.splitlines()
    assert [line[:-1] for line in lines if line.endswith(":") and line[:-1] in TASKS] == list(TASKS)
    for commands in TASKS.values():
        for name in commands:
            (line,) = (line for line in lines if line.split()[:1] == [name])
            assert line.endswith(first_sentence(docstring(name)))
            assert len(line) <= 80


def test_everything_that_is_missing_is_named_at_once(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["calibration", "check", "--gauge", "1500 psi"])
    assert stop.value.code == 2
    said = capsys.readouterr().err
    assert said.startswith("Missing: FILE, --gauge-range (Full scale of that gauge).")
    assert "--gauge (" not in said
    with pytest.raises(SystemExit) as stop:
        main(["jobs", "use"])
    assert stop.value.code == 2
    assert capsys.readouterr().err.startswith("Missing argument 'SLOT'.")


def test_at_a_terminal_what_is_missing_is_asked_for(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []

    def answer(text: str, **_: object) -> str:
        asked.append(text)
        return {"--force": "20 tonf", "--span": "0.9 m", "--inertia": "1500 cm^4"}[text.split()[0]]

    monkeypatch.setattr("click.prompt", answer)
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    main(["force", "bed-deflection", "--force", "20 tonf"])
    assert [text.split()[0] for text in asked] == ["--span", "--inertia"]
    assert "deflection" in capsys.readouterr().out
