"""The commands over a real socket, through pyserial, against the real App."""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.host.cycles.test_cycles_pull import ready_bench
from tests.host.loopback import Bench
from tests.host.served import Served

from steadyram.cli import main
from steadyram.cycles.store import CycleStore
from steadyram.errors import PortError, PortLost
from steadyram.link import discover
from steadyram.link.discover import find_port
from steadyram.link.transport import SerialTransport, open_transport


@pytest.fixture(autouse=True)
def own_configuration(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STEADYRAM_CONFIG_DIR", str(tmp_path / "config"))
    monkeypatch.delenv("STEADYRAM_PORT", raising=False)
    monkeypatch.setenv("COLUMNS", "160")


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    with Served(ready_bench(tmp_path / "flash", 6)) as serving:
        yield serving


def run(*args: str) -> int:
    """Exit code of the command line."""
    try:
        main(list(args))
    except SystemExit as stop:
        return int(stop.code or 0)
    return 0


JOBS = """
[[job]]
name = "small nut"
force = "8 kN"
batch = 20
[[job]]
slot = 5
name = "dimple"
force = "2.0 tonf"
tooling_rated_force = "4 tonf"
dwell = "0.5 s"
return = "latched"
unproven = true
"""


def test_show_as_text_and_json(served: Served, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("device", "show", "--port", served.url) == 0
    text = capsys.readouterr().out
    assert "b3nch001" in text
    assert "1 'small nut'" in text
    assert run("device", "show", "--port", served.url, "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert document["reading"]["force_N"] == 120.0
    assert document["calibration"]["serial"] == 7


def test_watching_ends_by_itself(served: Served, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("device", "watch", "--port", served.url, "--seconds", "0.3", "--every", "0.1", "--json") == 0
    readings = json.loads(capsys.readouterr().out)["readings"]
    assert 1 <= len(readings) <= 4
    assert readings[0]["state"] == "ready"


def test_jobs_are_compared_then_pushed(
    served: Served, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "jobs.toml"
    file.write_text(JOBS)
    monkeypatch.setenv("STEADYRAM_PORT", served.url)
    assert run("jobs", "diff", str(file), "--json") == 0
    shown = json.loads(capsys.readouterr().out)
    assert [(c["slot"], c["change"]) for c in shown["changes"]] == [(1, "changed"), (2, "gone"), (5, "new")]
    assert run("jobs", "push", str(file), "--dry-run") == 0
    assert "dimple" in capsys.readouterr().out
    assert served.bench.app.keeper.gen("jobs") == 1
    store = tmp_path / "kept.db"
    assert run("jobs", "push", str(file), "--yes", "--store", str(store)) == 0
    with CycleStore(store) as kept:
        assert [(s.gen, len(s.content)) for s in kept.snapshots("b3nch001", "jobs")] == [(1, 2), (2, 2)]
    assert "press one part with 'steadyram first-part'" in capsys.readouterr().err.replace("\n", " ")
    assert served.bench.app.keeper.gen("jobs") == 2
    assert run("jobs", "push", str(file), "--yes", "--json") == 0
    assert json.loads(capsys.readouterr().out)["pushed"] is False
    assert run("jobs", "use", "5") == 0
    assert run("jobs", "list", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert document["chosen"] == 5
    assert document["jobs"][1]["setpoint_N"] == pytest.approx(17793, abs=1)


def test_a_job_over_the_capacity_changes_nothing(
    served: Served, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "jobs.toml"
    file.write_text('[[job]]\nname = "too much"\nforce = "30 tonf"\n')
    assert run("jobs", "push", str(file), "--yes", "--port", served.url) == 2
    error = capsys.readouterr().err
    assert "'too much'" in error
    assert error.count("\n") == 1
    assert served.bench.app.keeper.gen("jobs") == 1


def test_without_the_panels_button_a_push_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "jobs.toml"
    file.write_text(JOBS)
    with Served(Bench(tmp_path / "closed")) as serving:
        assert run("jobs", "push", str(file), "--yes", "--port", serving.url) == 4
    assert "hold the enable button" in capsys.readouterr().err


def test_a_plain_threshold_is_pushed_with_the_overshoot_to_expect(
    served: Served, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    file = tmp_path / "press.toml"
    file.write_text("strategy = 0\n")
    push = ("device", "settings", "push", str(file), "--dry-run", "--measured", "--port", served.url)
    assert run(*push) == 0
    told = " ".join(capsys.readouterr().err.split())
    assert "plain threshold" in told
    assert "unknown: this press was not characterised" in told
    # 400 kN/s for 30 ms to close, 3 ms of sensor and 2 ms of mean: 14 kN; a quarter of it above the changeover.
    file.write_text(
        "strategy = 0\nchar_valid = 1\nclose_lag_us = 30000\nsensor_lag_us = 3000\nrate_low_n_s = 400000\n"
        "rate_high_n_s = 100000\nchangeover_n = 50000\n"
    )
    assert run(*push) == 0
    told = " ".join(capsys.readouterr().err.split())
    assert "14 kN below" in told.replace("14.0", "14")
    assert "3.5 kN above" in told.replace("3.50", "3.5")
    file.write_text("strategy = 1\n")
    assert run(*push) == 0
    assert "plain threshold" not in capsys.readouterr().err


def test_a_push_shows_the_names_of_an_enumeration(
    served: Served, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "settings.toml"
    file.write_text('panel_unit = "tonf"\nreturn_kind = 1\n')
    assert run("device", "settings", "push", str(file), "--dry-run", "--port", served.url) == 0
    rows = {
        cells[1].strip(): [cell.strip() for cell in cells[2:4]]
        for line in capsys.readouterr().out.splitlines()
        if len(cells := line.split("│")) > 4
    }
    assert rows["panel_unit"] == ["kN", "tonf"]
    assert rows["return_kind"] == ["powered", "spring"]


def test_settings_are_read_changed_and_pushed(
    served: Served, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "settings.toml"
    assert run("device", "settings", "show", "--port", served.url) == 0
    file.write_text(capsys.readouterr().out.replace("cycle_max_ms = 60000", "cycle_max_ms = 45000"))
    assert run("device", "settings", "push", str(file), "--yes", "--json", "--port", served.url) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["changes"] == [{"key": "cycle_max_ms", "before": 60000, "after": 45000}]
    file.write_text("cycle_max_ms = 45000\ncolour = 3\n")
    assert run("device", "settings", "push", str(file), "--yes", "--port", served.url) == 2
    assert "'colour'" in capsys.readouterr().err


def test_pull_list_and_export(served: Served, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = str(tmp_path / "c.db")
    assert run("cycles", "pull", "--port", served.url, "--store", store, "--json") == 0
    assert json.loads(capsys.readouterr().out)["records"] == 6
    assert run("cycles", "list", "--store", store) == 0
    assert "small nut" in capsys.readouterr().out
    target = tmp_path / "out.csv"
    assert run("cycles", "export", "--store", store, "--from", "3", "--out", str(target)) == 0
    assert len(target.read_text().splitlines()) == 5
    assert run("cycles", "export", "--store", store, "--format", "json") == 0
    assert len(json.loads(capsys.readouterr().out)["cycles"]) == 6


def test_a_wrong_port_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for port in (
        str(tmp_path / "nothing"),
        "socket://127.0.0.1:1",
        "nonsense://x",
        "socket://",
        str(tmp_path),
    ):
        assert run("device", "show", "--port", port) == 2
        error = capsys.readouterr().err
        assert error.startswith(f"The port {port} cannot be opened")
        assert error.count("\n") == 1


def test_the_wire_log_has_every_exchange(served: Served, tmp_path: Path) -> None:
    log = tmp_path / "wire.txt"
    assert run("device", "show", "--port", served.url, "--wire-log", str(log)) == 0
    text = log.read_text()
    assert "> '" in text
    assert " hello #" in text
    assert "proto=1" in text


def test_discovery_needs_exactly_one(served: Served, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Every port here answers or is not there at all: what is tried is the choice, not the patience.
    monkeypatch.setattr(discover, "_ANSWER_S", 60.0)
    silent = str(tmp_path / "no-port")
    assert find_port([silent, served.url]) == served.url
    with pytest.raises(PortError, match="No steadyram device"):
        find_port([silent])
    with Served(Bench(tmp_path / "second")) as second, pytest.raises(PortError, match="More than one"):
        find_port([served.url, second.url])


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")
def test_a_pseudo_terminal_opens_like_a_port_and_its_end_is_a_lost_port() -> None:
    master, slave = os.openpty()
    name = os.ttyname(slave)
    transport = SerialTransport(name)
    os.close(slave)

    def echo() -> None:
        os.write(master, os.read(master, 100).upper())

    thread = threading.Thread(target=echo)
    thread.start()
    transport.write(b"abc\n")
    received = b""
    while b"\n" not in received:
        received += transport.read(2.0)
    thread.join()
    assert received.startswith(b"ABC")
    with pytest.raises(PortError, match="cannot be opened"):
        open_transport(name)
    os.close(master)
    with pytest.raises(PortLost, match="went away"):
        transport.read(2.0)
    transport.close()
    transport.close()


def test_units_are_chosen_once(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    assert run("units", "--json") == 0
    assert json.loads(capsys.readouterr().out)["force_unit"] == "kN"
    assert run("units", "--force", "tonf", "--pressure", "psi") == 0
    capsys.readouterr()
    assert run("units", "--pressure", "bar") == 0
    assert "Forces in tonf, pressures in bar" in capsys.readouterr().out
    monkeypatch.setenv("STEADYRAM_FORCE_UNIT", "lbf")
    assert run("units", "--json") == 0
    assert json.loads(capsys.readouterr().out)["force_unit"] == "lbf"
    assert run("units", "--force", "ton") == 2
    assert "'ton' is not one of" in capsys.readouterr().err
