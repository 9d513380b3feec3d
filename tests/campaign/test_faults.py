"""A small seeded part of the fault campaign, and the committed figures of the whole."""

from __future__ import annotations

import json
import re
import tempfile
import tomllib
from pathlib import Path

import pytest
from tests.campaign.fault_expectations import EXPECTED
from tests.campaign.faults import (
    FILES,
    PHASES,
    PRESSES,
    ROOT,
    TUNED_ON,
    all_cases,
    applies,
    prepare,
    press_file,
    run_case,
)
from tests.campaign.provenance import catalogue_digest

from steadyram.link.definition import definition
from steadyram.virtual.faults import FAULTS
from steadyram.virtual.runtime import find_micropython

HERE = Path(__file__).parent
RESULTS = ("faults.json", "faults_upy.json")
RAW = tomllib.loads((ROOT / "protocol" / "definition.toml").read_text(encoding="utf-8"))


class Installed:
    """Installed presses, as their flash; each is made when it is first asked for."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def of(self, name: str, runtime: str = "cpython") -> tuple[str, Path]:
        """The first press that has what the fault needs, workshop-20 where any will do."""
        file = next(f for f in ("workshop-20", *FILES) if applies(name, f))
        place = self.folder / f"{file}-{runtime}"
        if not place.exists():
            prepare(press_file(file), 11, runtime, place)
        return file, place


@pytest.fixture(scope="module")
def installed():
    with tempfile.TemporaryDirectory() as folder:
        yield Installed(Path(folder))


@pytest.mark.parametrize("name", EXPECTED)
def test_a_fault_ends_as_the_catalogue_says(name, installed):
    # One phase for each fault, a different one from fault to fault.
    phase = list(PHASES)[list(EXPECTED).index(name) % len(PHASES)]
    file, place = installed.of(name)
    row = run_case(file, 11, "cpython", place, name, phase, installed.folder)
    assert row["problems"] == [], row


@pytest.mark.skipif(find_micropython() is None, reason="no MicroPython on this machine")
@pytest.mark.parametrize(
    "name", ["sensor-open", "relay-welded", "estop-open", "settings-corrupt", "power-cut", "both-pedals"]
)
def test_a_case_is_the_same_on_micropython(name, installed):
    """One fault of each sort: sensor, valve, contact, storage, power, pedals; to the millisecond."""
    rows = []
    for runtime in ("cpython", "micropython"):
        file, place = installed.of(name, runtime)
        rows.append(run_case(file, 11, runtime, place, name, "rise", installed.folder))
    assert rows[0]["problems"] == []
    assert rows[1] == rows[0]


def test_every_injectable_fault_has_an_expectation():
    """A new fault of the virtual press is one line in fault_expectations.py."""
    assert set(FAULTS) - set(EXPECTED) == set(), (
        "a fault without an expectation: one line in fault_expectations"
    )
    assert set(EXPECTED) - set(FAULTS) == set(), "an expectation of a fault that cannot be injected"


def test_expectations_name_faults_of_the_catalogue():
    known = {row["name"] for row in RAW["fault"]}
    for name, expected in EXPECTED.items():
        assert expected.codes <= known, name
        assert any(applies(name, file) for file in FILES), f"no press of tests/presses has what {name} needs"


def test_every_fault_that_the_campaign_should_bring_about_can_come():
    """A fault whose row names injections must be a right answer to at least one of them."""
    for row in RAW["fault"]:
        names = [n for n in re.split("[;:, ]+", row["test"]) if n in EXPECTED]
        ends = {e for n in names for e in (*EXPECTED[n].codes, *EXPECTED[n].ends)}
        assert not names or {row["name"], f"refused:{row['name']}"} & ends, row["name"]


def test_every_fault_of_the_catalogue_names_a_test_that_exists():
    for row in [*RAW["fault"], *RAW["mishap"]]:
        for part in row["test"].split("; "):
            place, _, rest = part.partition(":")
            file = place.split(" ")[0]
            if file.endswith(".py"):
                assert (ROOT / file).is_file(), (row["name"], file)
            for name in rest.replace(",", " ").split() if file == "tests/campaign/faults.py" else ():
                assert name in EXPECTED or row["name"] == "host-silent", (row["name"], name)


@pytest.mark.parametrize("file", RESULTS)
def test_committed_results_belong_to_the_present_catalogue(file):
    told = committed(file)
    assert told["failed_cases"] == len(told["failed"]) == 0
    for name, figures in told["by_fault"].items():
        assert figures["cases"] >= len(PHASES), name
        for code, worst in figures["worst_latency_ms"].items():
            assert worst <= max(1, figures["bound_ms"][code]), (name, code)
            # What is measured is the output off, and the fault named by then.
            assert figures["worst_off_ms"][code] <= max(1, figures["bound_ms"][code]), (name, code)


def committed(file):
    """A result; missing, or of another fault table or protocol, it fails."""
    path = HERE / file
    assert path.is_file(), f"tests/campaign/{file} is missing: run the campaign that writes it"
    told = json.loads(path.read_text())
    assert told["catalogue"] == catalogue_digest(), (
        f"the fault table changed: run the campaign of {file} again"
    )
    assert told["protocol"] == definition().version
    assert told["date"]
    assert len(told["commit"]) == 40
    return told


@pytest.mark.parametrize("file", RESULTS)
def test_the_committed_campaign_is_whole(file):
    told = committed(file)
    assert set(told["by_fault"]) == set(EXPECTED)
    expected = sum(len(list(all_cases(EXPECTED, press))) for press in told["presses"])
    assert told["cases"] == expected * len(told["seeds"])


def test_the_committed_campaign_is_large_and_was_not_tuned_on():
    told = committed("faults.json")
    assert told["cases"] >= 3500
    assert set(told["presses"]) - set(TUNED_ON["bounds"]["presses"]), "presses that no bound was set on"
    assert not set(told["seeds"]) & {*TUNED_ON["bounds"]["seeds"], *TUNED_ON["expectations"]["seeds"]}
    assert committed("faults_upy.json")["runtime"] == "micropython"


def test_committed_healthy_cycles():
    told = committed("healthy.json")
    assert told["cycles"] >= 2000
    assert told["cycles"] == sum(run["cycles"] for run in told["runs"])
    assert told["presses"] == len(list(PRESSES.glob("*.toml")))
    assert told["faults"] == sum(len(run["faults"]) for run in told["runs"]) == 0
