"""A small seeded part of the fault campaign, and the committed figures of the whole."""

from __future__ import annotations

import json
import tempfile
import tomllib
from pathlib import Path

import pytest
from tests.campaign.fault_expectations import EXPECTED
from tests.campaign.faults import PHASES, PRESSES, ROOT, catalogue_hash, prepare, run_case

from steadyram.link.definition import definition
from steadyram.virtual.faults import FAULTS

HERE = Path(__file__).parent
RESULTS = ("faults.json", "faults_upy.json")
RAW = tomllib.loads((ROOT / "protocol" / "definition.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def installed():
    """One installed press, as its flash."""
    with tempfile.TemporaryDirectory() as folder:
        prepare(PRESSES / "workshop-20.toml", 11, "cpython", Path(folder) / "prepared")
        yield Path(folder)


@pytest.mark.parametrize("name", EXPECTED)
def test_a_fault_ends_as_the_catalogue_says(name, installed):
    # One phase for each fault, a different one from fault to fault.
    phase = list(PHASES)[list(EXPECTED).index(name) % len(PHASES)]
    row = run_case("workshop-20", 11, "cpython", installed / "prepared", name, phase, installed)
    assert row["problems"] == [], row


def test_every_injectable_fault_has_an_expectation():
    assert set(EXPECTED) == set(FAULTS)


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
    told = json.loads((HERE / file).read_text())
    assert told["catalogue"] == catalogue_hash(), (
        "the fault table changed: run tests/campaign/faults.py again"
    )
    assert told["protocol"] == definition().version
    assert told["failed_cases"] == len(told["failed"]) == 0
    for name, figures in told["by_fault"].items():
        assert figures["cases"] >= len(PHASES), name
        for code, worst in figures["worst_latency_ms"].items():
            assert worst <= max(1, figures["bound_ms"][code]), (name, code)


def test_the_committed_campaign_is_whole():
    told = json.loads((HERE / "faults.json").read_text())
    assert set(told["by_fault"]) == set(EXPECTED)
    assert len(told["presses"]) >= 4
    assert told["cases"] == len(EXPECTED) * len(PHASES) * len(told["presses"]) * len(told["seeds"])
