"""The README's commands, read from it and run as typed.

Left out: lines that install (they need the network) and `.ci/run`, which runs this test. Commands that need a person at
a press are asked for their help, with every option that the README gives them.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from tests.host.cycles.test_cycles_pull import ready_bench
from tests.host.metrology.test_calibration_cli import journal_of
from tests.host.served import Served

from steadyram.cli import cli

ROOT = Path(__file__).resolve().parents[3]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
TABLED = [code for code in re.findall(r"`([^`\n]+)`", README) if code.startswith("steadyram ")]
TYPED = [part.strip() for block in BLOCKS for line in block.splitlines() for part in line.split("&&")]
# What a person at a press does in the middle of these cannot be typed.
BY_HAND = (
    "install",
    "doctor",
    "iocheck",
    "calibration run",
    "characterise",
    "first-part",
    "batch proof",
    "try",
)
WITHOUT_A_DEVICE = ("size", "trial", "device settings new", "calibration header", "jobs check", "units")


def words(command: str) -> str:
    """The command without its options: "device settings push"."""
    found, group = [], cli
    for word in command.split()[1:]:
        if not isinstance(group, click.Group) or group.get_command(None, word) is None:  # type: ignore[arg-type]
            break
        found.append(word)
        group = group.get_command(None, word)  # type: ignore[assignment, arg-type]
    return " ".join(found)


AT_A_DESK = [each for each in TABLED if words(each) in WITHOUT_A_DEVICE and "--help" not in each]


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, dict[str, str]]]:
    """A folder with what the README has one write, and an environment in which `steadyram` and a press are found."""
    folder = tmp_path_factory.mktemp("readme")
    shutil.copy(ROOT / "hardware_notes" / "presses" / "two-stage.toml", folder / "my-press.toml")
    (jobs,) = re.findall(r"```toml\n(.*?)```", README, re.DOTALL)
    (folder / "jobs.toml").write_text(jobs)
    journal_of(folder / "calibration-1.jsonl")
    programs = folder / "bin"
    programs.mkdir()
    (programs / "steadyram").write_text(f'#!/bin/sh\nexec "{sys.executable}" -m steadyram "$@"\n')
    (programs / "steadyram").chmod(0o755)
    with Served(ready_bench(folder / "flash", 3)) as served:
        yield (
            folder,
            os.environ
            | {
                "PATH": f"{programs}:{os.environ['PATH']}",
                "STEADYRAM_CONFIG_DIR": str(folder / "config"),
                "STEADYRAM_PORT": served.url,
                "COLUMNS": "80",
            },
        )


def typed(shop: tuple[Path, dict[str, str]], command: str) -> tuple[int, str, str]:
    """Exit code and outputs of a line of the README, typed into a shell; questions are answered with yes."""
    folder, environment = shop
    done = subprocess.run(
        ["sh", "-c", command], cwd=folder, env=environment, input="y\n", capture_output=True, text=True, timeout=900
    )  # fmt: skip
    return done.returncode, done.stdout, done.stderr


def test_it_is_short_and_its_blocks_are_the_ones_tried_here() -> None:
    assert len(README.splitlines()) < 90
    assert TYPED == [
        "python3 -m venv .venv",
        ".venv/bin/pip install -q '.[micropython]'",
        ".venv/bin/steadyram demo",
        ".venv/bin/steadyram try",
        "bash .ci/run",
    ]
    subprocess.run(["bash", "-n", ROOT / ".ci" / "run"], check=True)
    named = {words(command) for command in TABLED}
    assert {"size", "trial", "calibration run", "device clock", "calibration check", "cycles pull"} <= named
    assert "" not in named


@pytest.mark.parametrize("command", sorted({words(each) for each in TABLED} - {""}))
def test_each_command_is_there_with_the_options_given(command: str) -> None:
    found = cli
    for word in command.split():
        assert isinstance(found, click.Group)
        found = found.get_command(None, word)  # type: ignore[assignment, arg-type]
    given = {
        option
        for each in TABLED
        if words(each) == command
        for option in re.findall(r"(?<=\s)--[a-z-]+", each)
    }
    context = click.Context(found)
    known = {name for parameter in found.get_params(context) for name in parameter.opts}
    assert given <= known
    assert found.get_help(context)


@pytest.mark.parametrize(
    "command", [each for each in TABLED if words(each) in WITHOUT_A_DEVICE and "--help" not in each]
)
def test_command_without_a_device_runs(shop: tuple[Path, dict[str, str]], command: str) -> None:
    code, out, err = typed(shop, command)
    assert code == 0, err
    assert out or ">" in command


def test_commands_at_the_device_run_in_the_order_of_the_table(shop: tuple[Path, dict[str, str]]) -> None:
    assert typed(shop, "steadyram device settings new --press my-press.toml > settings.toml")[0] == 0
    ran = []
    for command in TABLED:
        name = words(command)
        if name in WITHOUT_A_DEVICE or name in BY_HAND or "--help" in command:
            continue
        code, out, err = typed(shop, command)
        # The gauge of the README and the bench's reading are of two presses: the check may say that it does not pass.
        assert code == 0 or (name == "calibration check" and code == 5 and "allowed ±" in out), (command, err)
        assert "Traceback" not in err
        ran.append(name)
    assert ran[:3] == ["device settings push", "jobs push", "jobs use"]
    assert {"cycles pull", "cycles report", "device clock", "calibration check"} <= set(ran)
    assert json.loads(typed(shop, "steadyram cycles pull --json")[1])["lost"] == 0


def test_the_press_to_try_starts_and_ends(shop: tuple[Path, dict[str, str]]) -> None:
    folder, environment = shop
    process = subprocess.Popen(
        ["steadyram", "try", "--listen", "127.0.0.1:0", "--no-browser"],
        cwd=folder, env=environment, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    try:
        word, _, url = process.stdout.readline().strip().partition(" ")
        assert word == "ready"
        with urllib.request.urlopen(url, timeout=60) as answer:
            assert b"A press to try" in answer.read()
    finally:
        process.send_signal(signal.SIGTERM)
        assert process.wait(60) == 0
        process.stdout.close()


@pytest.mark.slow
def test_the_demo_ends_with_its_report(shop: tuple[Path, dict[str, str]]) -> None:
    code, out, err = typed(shop, "steadyram demo")
    assert code == 0, err
    folder = shop[0]
    (report,) = re.findall(r"\S*report\.html", out.splitlines()[-1]) or [""]
    assert (folder / report).is_file(), out[-500:]
