"""Files from outside, at their worst, to every command that reads one: one sentence, exit 2, nothing changed."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from steadyram.cli import main
from steadyram.metrology.header_file import TEMPLATE
from steadyram.toml_text import LINE_MOST, parse_toml

PRESS = Path(__file__).parents[2] / "presses" / "workshop-20.toml"


def press_with(bore: str) -> bytes:
    """A press file with another bore."""
    text = PRESS.read_text()
    assert 'bore = "4 in"' in text
    return text.replace('bore = "4 in"', f'bore = "{bore}"').encode()


def job_with(line: str) -> bytes:
    return f'[[job]]\nname = "a"\nforce = "8 kN"\n{line}\n'.encode()


HOSTILE = {
    "noise": random.Random(1).randbytes(5000),
    "zeros": bytes(1000),
    "line of 10 MB": b"a" * 10_000_000,
    "text of 10 MB": b'name = "' + b"a" * 10_000_000 + b'"\n',
    "rows of 10 MB": b"reference,reading\n" + b"1,2\n" * 2_500_000,
    "200,000 columns": b"reference,reading" + b",x" * 200_000 + b"\n1,2\n",
    "nested arrays": b"a = " + b"[" * 90_000,
    "nested tables": b"a = " + b"{a=" * 20_000 + b"1" + b"}" * 20_000,
    "dotted key": b"a." * 50_000 + b"a = 1\n",
    "nested JSON": b'{"header":' + b"[" * 100_000 + b"\n",
    "number of 10,000 digits": b"a = " + b"9" * 10_000 + b"\n",
    "number of 1,500 digits": b"a = " + b"9" * 1_500 + b"\n",
    "numbers that are none": b"reference,reading\n1,1e999\n2," + b"9" * 5000 + b"\n3,nan\n4,0x10\n",
    "UTF-16": "a = 1\n".encode("utf-16"),
    "terminal codes": b'name = "\x1b[2J"\n\x1b]0;title\x07',
    "tower of powers": press_with("9**9**9 in"),
    "code": press_with("__import__('os').system('true') in"),
    "infinite bore": press_with("1e400 in"),
    "vast bore": press_with("1e300 in"),
    "no bore": press_with("1e-300 in"),
    "not-a-number bore": press_with("nan in"),
    "50,000 jobs": job_with("") * 50_000,
    "job name of 1,900": b'[[job]]\nname = "' + b"x" * 1_900 + b'"\nforce = "8 kN"\n',
    "job of 1e300 kN": b'[[job]]\nname = "a"\nforce = "1e300 kN"\n',
    "batch of 1,500 digits": job_with("batch = " + "9" * 1500),
    "job name with terminal codes": b'[[job]]\nname = "\\u001b[31m"\nforce = "8 kN"\n',
    "job name that turns the text": '[[job]]\nname = "\u202enut"\nforce = "8 kN"\n'.encode(),
}
GIVEN = ("--header", "header.toml", "--zero", "6554")
COMMANDS = (
    ("size", "--press", "X"),
    ("trial", "--press", "X", "--setpoint", "1 tonf", "--cycles", "1", "--json"),
    ("virtual", "--press", "X", "--listen", "127.0.0.1:0"),
    ("bench", "cutoff", "X"),
    ("jobs", "check", "X"),
    ("jobs", "check", "jobs.toml", "--press", "X"),
    ("device", "settings", "push", "X", "--port", "socket://127.0.0.1:1"),
    ("collect", "--config", "X"),
    ("bend", "check", "X"),
    ("bend", "check", "X.csv"),
    ("fit", "X", "--model", "cubic", "--json"),
    ("calibration", "analyse", "X"),
    ("calibration", "analyse", "X", *GIVEN),
    ("calibration", "analyse", "points.csv", "--header", "X", "--zero", "6554"),
    ("calibration", "certificate", "X"),
    ("calibration", "check", "X"),
    ("calibration", "repeatability", "X"),
    ("calibration", "compare", "X", "X"),
    ("calibration", "verify", "X", "--points", "X"),
    ("calibration", "by-hand", "new.jsonl", "--header", "X"),
    ("cycles", "report", "--store", "X"),
    ("cycles", "export", "--store", "X", "--format", "csv"),
    ("batch", "proof", "--store", "X"),
)


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STEADYRAM_CONFIG_DIR", str(tmp_path / "config"))
    for name in ("STEADYRAM_PORT", "STEADYRAM_STORE"):
        monkeypatch.delenv(name, raising=False)
    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.chdir(work)
    Path("header.toml").write_text(TEMPLATE)
    Path("jobs.toml").write_text('[[job]]\nname = "nut"\nforce = "8 kN"\n')
    Path("points.csv").write_text("reference,reading\n20,10600\n60,18300\n100,25900\n")


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_file(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    file = Path("X")
    file.write_bytes(HOSTILE[name])
    Path("X.csv").write_bytes(HOSTILE[name])
    before = {path.name: path.stat().st_size for path in Path().iterdir()}
    for command in COMMANDS:
        with pytest.raises(SystemExit) as stop:
            main(list(command))
        captured = capsys.readouterr()
        said = captured.err.strip()
        assert stop.value.code == 2, (command, said)
        assert captured.out == "", command
        assert 10 < len(said) < 600, (command, said[:2000])
        assert said.isprintable(), (command, said)
        assert {path.name: path.stat().st_size for path in Path().iterdir()} == before, command
    assert file.read_bytes() == HOSTILE[name]


def test_a_folder_a_device_and_nothing_at_all(capsys: pytest.CaptureFixture[str]) -> None:
    Path("folder").mkdir()
    for given in ("folder", "/dev/null", "not there"):
        for command in COMMANDS:
            if command[0] in ("cycles", "batch") and given == "/dev/null":
                continue  # an empty file is an empty store
            with pytest.raises(SystemExit) as stop:
                main([given if word == "X" else word for word in command])
            captured = capsys.readouterr()
            assert stop.value.code == 2, (command, given, captured.err)
            assert len(captured.err.strip().splitlines()) == 1, (command, given, captured.err)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("a = " + "[" * 1900, "nested too deep"),
        ("a = " + "9" * 1900, None),
        ("a." * LINE_MOST + "a = 1", f"line 1 has more than {LINE_MOST}"),
        ("a = 1\na = 2", "overwrite"),
    ],
)
def test_what_the_parser_lacks(text: str, reason: str | None) -> None:
    if reason is None:
        assert parse_toml(text)["a"] > 10**1800
    else:
        with pytest.raises(ValueError, match=reason):
            parse_toml(text)


def test_preferences_that_are_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "config"
    folder.mkdir()
    for text in (b"\xff\xfe", b"a = " + b"9" * 9000, b"a = " + b"[" * 9000, b'force_unit = "stone"\n'):
        (folder / "preferences.toml").write_bytes(text)
        with pytest.raises(SystemExit) as stop:
            main(["size", "--press", str(PRESS)])
        assert stop.value.code == 2
        assert len(capsys.readouterr().err.strip().splitlines()) == 1
