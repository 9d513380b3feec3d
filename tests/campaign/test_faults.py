"""A small seeded part of the fault campaign and of the healthy one."""

from __future__ import annotations

import re
import tempfile
import tomllib
from collections.abc import Sequence
from pathlib import Path

import pytest
from tests.campaign import healthy
from tests.campaign.fault_expectations import EXPECTED
from tests.campaign.faults import (
    FILES,
    PHASES,
    ROOT,
    applies,
    prepare,
    press_file,
    run_case,
)

from steadyram.virtual.faults import FAULTS
from steadyram.virtual.runtime import find_micropython

RAW = tomllib.loads((ROOT / "protocol" / "definition.toml").read_text(encoding="utf-8"))


class Installed:
    """Installed presses, as their flash; each is made when it is first asked for."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def of(self, name: str, runtime: str = "cpython", press: Sequence[str] = ()) -> tuple[str, Path]:
        """The press named, or the first that has what the fault needs: workshop-20 where any will do."""
        file = next(f for f in (*press, "workshop-20", *FILES) if applies(name, f))
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


@pytest.mark.parametrize(
    ("press", "share", "cutoff"),
    [
        ("workshop-20", 0.25, "learned"),
        ("frame-50-slow", 0.6, "learned"),
        ("slowvalve-20", 0.25, "threshold"),
    ],
)
def test_healthy_parts_bring_no_fault(press, share, cutoff):
    found = healthy.run((press, share, cutoff, 4, 2011))
    assert found["faults"] == []
    assert set(found["stops"]) <= {"setpoint", "short", "over"}
    assert sum(found["stops"].values()) == 4


# A fault of the catalogue, an injection and a phase in which nothing but its detector can end the stroke in time.
DETECTED = {
    "sensor-low": ("sensor-open", "rise"),
    "sensor-high": ("sensor-short", "embed"),
    "sensor-frozen": ("sensor-frozen", "contact"),
    "slope-impossible": ("sensor-spike", "rise"),
    "over-force": ("relief-high", "rise"),
    "rise-after-close": ("relay-welded", "rise"),
    "no-rise": ("valve-stuck-closed", "idle", "hand-12"),
    "leak-fast": ("leak-fast", "rise"),
    "no-fall": ("retract-stuck", "return"),
    "pedal-at-start": ("power-cut", "rise"),
    "estop-open": ("estop-open", "approach"),
    "cycle-too-long": ("relief-low", "rise", "workshop-20-slow"),
    # (Where half of the friction is twice the noise: on workshop-20 it is not quite.)
    "reading-still": ("pump-off", "approach", "workshop-20-fine"),
    "return-too-long": ("top-switch-open", "return"),
    "settings-bad": ("settings-corrupt", "idle"),
    "calibration-bad": ("calibration-corrupt", "idle"),
    "store-failed": ("flash-fails", "rise"),
    "position-jump": ("position-jump", "rise"),
    "position-oil": ("position-reversed", "idle"),
    "position-reference": ("position-lost-counts", "return"),
}


@pytest.mark.parametrize("code", DETECTED)
def test_a_detector_brings_its_own_fault(code, installed):
    """With the detector switched off the campaign's wider expectations may still hold; this does not."""
    name, phase, *press = DETECTED[code]
    file, place = installed.of(name, press=press)
    row = run_case(file, 11, "cpython", place, name, phase, installed.folder)
    assert (row["end"], row["problems"]) == (f"fault:{code}", [])
