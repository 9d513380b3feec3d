"""Bad values for every parameter of every command: one sentence, exit 2, nothing written."""

from __future__ import annotations

import os
import random
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.host.bending.test_bend_files import LIST
from tests.host.cli import bad_inputs
from tests.host.cycles.test_parquet import identity, record

from steadyram.cli import main
from steadyram.cycles.store import CycleStore
from steadyram.metrology.header_file import TEMPLATE

PRESS = Path(__file__).parents[2] / "presses" / "workshop-20.toml"
ALL = list(bad_inputs.cases())
# The whole takes a minute; CI takes a seeded sample.
# STEADYRAM_ALL_BAD_INPUTS=1 takes all.
SEED, SHARE = 20, 0.25
DRAWN = random.Random(SEED).choices((True, False), (SHARE, 1 - SHARE), k=len(ALL))
if os.environ.get("STEADYRAM_ALL_BAD_INPUTS"):
    DRAWN = [True] * len(ALL)
CASES = [case for case, drawn in zip(ALL, DRAWN, strict=True) if drawn]
# Values that a command may take although they look bad; each with its reason. Empty, and meant to stay so.
EXCEPTIONS: dict[tuple[str, str, str], str] = {}


class TookIt(BaseException):
    """The command went to work with a bad value."""


@pytest.fixture(scope="module", autouse=True)
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    place = tmp_path_factory.mktemp("bad")
    bad_inputs.make_files(place, PRESS.read_text(), TEMPLATE, LIST)
    with CycleStore(place / "store.db") as store:
        for uid in ("a", "b"):
            store.see_device(identity(uid), 1)
            store.add_cycles(identity(uid), [record(seq) for seq in range(1, 4)], 1)
    before = Path.cwd()
    os.chdir(place)
    yield place
    os.chdir(before)


def contents() -> dict[str, object]:
    """What is in the folder: names, and contents of plain files."""
    return {
        path.name: path.read_bytes()
        if path.is_file() and path.name != "endless" and not path.is_symlink()
        else None
        for path in sorted(Path().rglob("*"))
    }


def test_there_are_many_cases_and_each_command_has_some() -> None:
    assert len(CASES) >= 300
    # Two print what is fixed, and doctor looks at a port that may be bad.
    fixed = {"calibration header", "force materials", "doctor"}
    assert {case.command for case in ALL} >= set(bad_inputs.GOOD) - fixed
    assert EXCEPTIONS == {}


def test_every_good_command_line_is_of_a_command() -> None:
    import steadyram.cli

    assert set(bad_inputs.GOOD) <= {path for path, _ in bad_inputs.leaves(steadyram.cli.cli)}


@pytest.mark.parametrize("command", bad_inputs.GOOD)
def test_bad_values_are_refused(
    command: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("STEADYRAM_CONFIG_DIR", str(tmp_path / "config"))
    monkeypatch.delenv("STEADYRAM_PORT", raising=False)
    monkeypatch.delenv("STEADYRAM_STORE", raising=False)

    def late(number: int, frame: object) -> None:
        raise TookIt

    signal.signal(signal.SIGALRM, late)
    before = contents()
    wrong = []
    for case in CASES:
        if case.command != command or (case.command, case.parameter, case.value) in EXCEPTIONS:
            continue
        said = ""
        signal.alarm(20)
        try:
            main(list(case.words))
            said = "accepted"
        except SystemExit as stop:
            told = capsys.readouterr()
            lines = told.err.strip().splitlines()
            if stop.code != 2:
                said = f"exit {stop.code}: {told.err.strip()[-200:]}"
            elif len(lines) != 1 or told.out:
                said = f"{len(lines)} lines: {told.err.strip()[:300]!r} {told.out[:60]!r}"
            elif case.parameter not in ("port", "ports", "hands_url") and "127.0.0.1:1 " in lines[0]:
                said = f"the port was tried first: {lines[0]}"
        except TookIt:
            said = "went to work"
        except BaseException as error:
            said = f"{type(error).__name__}: {str(error)[:200]}"
        finally:
            signal.alarm(0)
            capsys.readouterr()
        after = contents()
        if after != before:
            said += f" wrote {set(map(str, after)) ^ set(map(str, before)) or 'a file'}"
            before = after
        if said:
            wrong.append(f"{case.name}: {said}")
    assert wrong == []
