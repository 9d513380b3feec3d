"""Every `--json` document obeys its JSON Schema: what the commands really print, on a bench or a virtual press."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import click
import pytest
from jsonschema import Draft202012Validator
from tests.host.cycles.test_cycles_pull import ready_bench
from tests.host.install.test_iocheck import Hands as WalkingHands
from tests.host.metrology.calibration_samples import counts_of, header
from tests.host.metrology.test_calibration_cli import journal_of
from tests.host.served import Served

from steadyram import cli
from steadyram.cli import main
from steadyram.commission.first_part import wait_for_stroke
from steadyram.metrology.header_file import TEMPLATE
from steadyram.metrology.journal import read_journal
from steadyram.virtual.default_press import default_press
from steadyram.virtual.operator_line import OperatorLine
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import nameplate_settings, open_changes, open_device, set_up
from steadyram.virtual.server import PressServer

ROOT = Path(__file__).parents[2]
SCHEMAS = ROOT / "protocol" / "schemas"
PRESSES = ROOT / "tests" / "presses"
JOBS = '[[job]]\nname = "nut"\nforce = "8 kN"\nslot = 1\n[[job]]\nname = "stud"\nforce = "9 kN"\nunproven = true\n'


def validated(capsys: pytest.CaptureFixture[str], name: str, *arguments: object, code: int = 0) -> Any:
    """Run a command with `--json`; assert its exit code and its schema; returns the document."""
    found = 0
    try:
        main([*(str(each) for each in arguments), "--json"])
    except SystemExit as stop:
        found = int(stop.code or 0)
    printed = capsys.readouterr()
    assert found == code, printed.err
    document = json.loads(printed.out)
    Draft202012Validator(json.loads((SCHEMAS / f"{name}.schema.json").read_text())).validate(document)
    return document


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STEADYRAM_CONFIG_DIR", str(tmp_path / "config"))
    monkeypatch.delenv("STEADYRAM_PORT", raising=False)
    monkeypatch.delenv("STEADYRAM_STORE", raising=False)
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    with Served(ready_bench(tmp_path / "flash", 12)) as serving:
        yield serving


def test_generated_schemas_are_current() -> None:
    done = subprocess.run(
        [sys.executable, "protocol/generate_schemas.py", "--check"], cwd=ROOT, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr


def test_every_schema_is_one_and_every_document_has_one() -> None:
    names = {path.name.removesuffix(".schema.json") for path in SCHEMAS.glob("*.schema.json")}
    for name in names:
        Draft202012Validator.check_schema(json.loads((SCHEMAS / f"{name}.schema.json").read_text()))
    shared = {"jobs-push": "jobs-diff", **{f"force-{each}": "force" for each in (
        "bend", "broach", "clinch", "dimple", "press-fit", "punch", "straighten")}}  # fmt: skip
    context = click.Context(cli.cli)

    def commands(group: click.Group, words: tuple[str, ...]) -> Iterator[str]:
        for word in group.list_commands(context):
            command = group.get_command(context, word)
            assert command is not None
            if isinstance(command, click.Group):
                yield from commands(command, (*words, word))
            elif any("--json" in option.opts for option in command.params):
                yield "-".join((*words, word))

    printing = {shared.get(name, name) for name in commands(cli.cli, ())}
    assert printing == names


def test_device(capsys: pytest.CaptureFixture[str], served: Served) -> None:
    port = ("--port", served.url)
    validated(capsys, "device-show", "device", "show", *port)
    seen = validated(capsys, "device-watch", "device", "watch", "--seconds", 0.3, "--every", 0.1, *port)
    assert seen["readings"]
    validated(capsys, "device-clock", "device", "clock", *port)
    shown = validated(capsys, "device-settings-show", "device", "settings", "show", *port)
    Path("s.toml").write_text(f"changes_s = {shown['settings']['changes_s'] + 1}\n")
    pushed = validated(capsys, "device-settings-push", "device", "settings", "push", "s.toml", "--yes", *port)
    assert pushed["pushed"] is True
    assert [row["key"] for row in pushed["changes"]] == ["changes_s"]
    validated(capsys, "units", "units", "--force", "lbf")


def test_jobs(capsys: pytest.CaptureFixture[str], served: Served) -> None:
    port = ("--port", served.url)
    Path("jobs.toml").write_text(JOBS)
    validated(capsys, "jobs-check", "jobs", "check", "jobs.toml")
    assert validated(capsys, "jobs-diff", "jobs", "diff", "jobs.toml", *port)["pushed"] is False
    assert validated(capsys, "jobs-diff", "jobs", "push", "jobs.toml", "--yes", *port)["pushed"] is True
    assert len(validated(capsys, "jobs-list", "jobs", "list", *port)["jobs"]) == 2
    assert validated(capsys, "jobs-use", "jobs", "use", 1, *port)["setpoint_N"] == 8000.0
    assert validated(capsys, "jobs-use", "jobs", "use", 0, *port)["setpoint_N"] == 0.0


def test_records_reports_and_batches(capsys: pytest.CaptureFixture[str], served: Served) -> None:
    assert validated(capsys, "cycles-pull", "cycles", "pull", "--port", served.url)["records"] == 12
    assert len(validated(capsys, "cycles-list", "cycles", "list")["cycles"]) == 12
    validated(capsys, "cycles-report", "cycles", "report", "--out", "r.html")
    assert validated(capsys, "batch-list", "batch", "list")["batches"]
    test = ("batch", "test", "add", "--record", 3, "--kind", "push-out", "--value", "2 kN", "--low", "1 kN")
    assert validated(capsys, "batch-test-add", *test)["passed"] is True
    proof = validated(capsys, "batch-proof", "batch", "proof", "--out", "p")
    assert proof["tests"] == 1
    validated(capsys, "batch-compare", "batch", "compare", "--job-name", proof["job_name"])


def test_calibrations(capsys: pytest.CaptureFixture[str]) -> None:
    old = journal_of(Path("old.jsonl"))
    Path("fresh.csv").write_text(
        "reference,reading\n" + "".join(f"{f},{counts_of(f)}\n" for f in (40e3, 80e3))
    )
    validated(capsys, "calibration-verify", "calibration", "verify", old, "--points", "fresh.csv")
    gauge = ("--gauge", f"{(80e3 + 600) / 0.00810732 / 1e5} bar", "--gauge-range", "345 bar")
    at = ("--counts", counts_of(80e3), "--zero-now", 6600)
    assert validated(capsys, "calibration-check", "calibration", "check", old, *gauge, *at)["passed"] is True
    new = journal_of(Path("new.jsonl"), head=header(made="2027-01-02T00:00:00Z"), gain=1.03)
    validated(capsys, "calibration-compare", "calibration", "compare", old, new)
    rows = [(p, o, p + 0.01 * r) for p in range(4) for o in "AB" for r in range(2)]
    Path("study.csv").write_text("part,operator,reading\n" + "".join(f"{p},{o},{v}\n" for p, o, v in rows))
    validated(capsys, "calibration-repeatability", "calibration", "repeatability", "study.csv")
    validated(
        capsys, "calibration-repeatability", "calibration", "repeatability", "study.csv", "--tolerance", 4
    )


def test_press_side_figures(capsys: pytest.CaptureFixture[str]) -> None:
    validated(capsys, "force-materials", "force", "materials")
    bench = (
        "bench",
        "cutoff",
        PRESSES / "bench-4.toml",
        "--kind",
        "dead-stop",
        "--setpoints",
        1,
        "--cycles",
        6,
    )
    assert len(validated(capsys, "bench-cutoff", *bench, "--workers", 1)["scores"]) == 1


def test_wiring_and_installation(
    capsys: pytest.CaptureFixture[str], served: Served, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    validated(capsys, "doctor", "doctor", "--port", "/dev/no-such-port", code=5)
    monkeypatch.setenv("STEADYRAM_PORT", served.url)
    told = validated(capsys, "doctor", "doctor")
    assert len(told["findings"]) > 2
    validated(capsys, "install", "install", "--out", tmp_path / "fw", "--arch", "armv6m")
    with VirtualPress(PRESSES / "workshop-20.toml", 5, "cpython", tmp_path / "press") as press:
        press.run(1.0)
        device = open_device(press)
        open_changes(press)
        device.push_settings(nameplate_settings(press.plant.press))
        # The walk itself: the virtual press's hands in place of a person at a terminal.
        monkeypatch.setattr("steadyram.cli.iocheck.connected", lambda *_: nullcontext(device))
        monkeypatch.setattr("steadyram.cli.iocheck.AtTheKeyboard", lambda: WalkingHands(press))
        walked = validated(
            capsys, "iocheck", "iocheck", "--patience", 3, code=5
        )  # a virtual ram holds its top switch
    assert [step["name"] for step in walked["steps"] if not step["good"]] == ["top"]


@pytest.mark.slow
def test_guided_procedures(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    press = VirtualPress(default_press(), 5, "cpython", tmp_path / "flash")
    set_up(press, 9000.0)
    server = PressServer(
        press, listen=("127.0.0.1", 0), operator_listen=("127.0.0.1", 0), realtime=False, say=lambda _: None
    )
    thread = threading.Thread(target=server.serve, daemon=True)
    thread.start()
    try:
        both = ("--port", server.url, "--hands", server.hands_url)
        Path("head.toml").write_text(TEMPLATE)
        made = validated(capsys, "calibration-run", "calibration", "run", "--header", "head.toml", *both)
        assert made["uploaded"] is True
        (journal,) = Path().glob("calibration-*.jsonl")
        assert read_journal(journal).header.invented, "a simulated press measures nothing"
        assert validated(capsys, "characterise", "characterise", *both)["measured"]["strokes"] > 5
        assert server.hands_url is not None
        foot = threading.Thread(target=press_one, args=(server.hands_url,), daemon=True)

        def told(*words: Any) -> Any:
            # Not before: a stroke that was over when the command looked first would not be the one it waits for.
            foot.start()
            return wait_for_stroke(*words)

        monkeypatch.setattr("steadyram.cli.first_part.wait_for_stroke", told)
        part = validated(capsys, "first-part", "first-part", "--take", "none", "--port", server.url)
        foot.join(300)
        assert part["stored_N"] is None
        assert part["peak_N"] > 0
    finally:
        server.stop()
        thread.join(300)
        server.close()
        press.close()


def test_the_schemas_refuse_what_is_not_declared() -> None:
    schema = Draft202012Validator(json.loads((SCHEMAS / "jobs-use.schema.json").read_text()))
    assert schema.is_valid({"job": 1, "setpoint_N": 10.0})
    for wrong in ({"job": 1}, {"job": "1", "setpoint_N": 1.0}, {"job": 1, "setpoint_N": 1.0, "force": 2}):
        assert not schema.is_valid(wrong)


def press_one(hands_url: str) -> None:
    """Load a part and press it, as somebody would who was told to."""
    with OperatorLine(hands_url) as hands:
        for action in ("top", "part", "wait 1", "press extend", "wait 6", "release extend", "top"):
            hands.do(action)
