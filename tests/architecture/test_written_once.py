"""What the definition says stands there once: numbers of enumerations, errors and flags, and words for people."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from steadyram.link.definition import definition
from steadyram_fw.core import modes

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = ROOT / "firmware" / "steadyram_fw"
HOST = ROOT / "host" / "steadyram"
KNOWN = definition()
ENUMERATIONS = [
    field.name
    for fields in (KNOWN.settings, KNOWN.measured, KNOWN.job, KNOWN.calibration)
    for field in fields
    if field.values
]
# What is compared with a number although the name of an enumeration stands in it: none at the moment.
EXCEPTIONS: set[str] = set()


def sources(*roots: Path, but: tuple[str, ...] = ()) -> list[Path]:
    return [
        path
        for root in roots
        for path in sorted(root.rglob("*.py"))
        if "__pycache__" not in path.parts and path.name not in but
    ]


def typed_again(text: str) -> list[str]:
    """Lines in which an enumeration of the definition is compared with, looked up by, or set to a bare number."""
    found = []
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Compare):
            sides = [node.left, *node.comparators]
            pairs = [(a, b) for a in sides for b in sides if a is not b]
        elif isinstance(node, ast.Dict):
            pairs = [
                (key, value) for key, value in zip(node.keys, node.values, strict=True) if key is not None
            ]
        elif isinstance(node, ast.Assign):
            pairs = [(target, node.value) for target in node.targets]
        else:
            continue
        for named, number in pairs:
            bare = isinstance(number, ast.Constant) and type(number.value) is int
            told = ast.unparse(named)
            if bare and any(
                re.search(rf"\b(?:[SJ]_)?{name}\b", told, re.IGNORECASE) for name in ENUMERATIONS
            ):
                found.append(ast.unparse(node))
    return found


def test_it_finds_what_is_typed_again() -> None:
    assert typed_again('if settings["strategy"] == 0: pass')
    assert typed_again("if job[t.J_STOP_ON] == 1: pass")
    assert typed_again('values = {"position_kind": 2}')
    assert typed_again('values["return_kind"] = 1')
    assert not typed_again('if settings["strategy"] == definition().value("strategy", "lead"): pass')


@pytest.mark.parametrize(
    "path", sources(FIRMWARE, HOST, but=("tables.py",)), ids=lambda path: path.relative_to(ROOT).as_posix()
)
def test_no_number_of_an_enumeration_is_typed_again(path: Path) -> None:
    assert set(typed_again(path.read_text(encoding="utf-8"))) <= EXCEPTIONS


def test_no_sentence_of_the_definition_is_typed_again() -> None:
    sentences = {
        text
        for table in (KNOWN.states, KNOWN.stops, KNOWN.faults, KNOWN.refusals, KNOWN.errors)
        for each in table.values()
        for text in (each.text, each.remedy, each.headline)
        if len(text) > 24
    }
    again = [
        f"{path.relative_to(ROOT)}: {node.value}"
        for path in sources(FIRMWARE, HOST, but=("tables.py",))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value in sentences
    ]
    assert again == []


def test_the_feeds_of_a_valve_test_are_the_cores() -> None:
    told = {word: KNOWN.argument("probe", "feed", word) for word in KNOWN.verbs["probe"].values["feed"]}
    assert told == {"full": modes.FEED_FULL, "slow": modes.FEED_SLOW}


def test_every_fault_and_refusal_says_what_to_do() -> None:
    assert [each.name for each in KNOWN.faults.values() if not each.remedy] == []
    assert [each.name for each in KNOWN.refusals.values() if not each.remedy] == ["none"]
    looks = {"calm", "moving", "good", "warn", "alarm"}
    assert {each.look for table in (KNOWN.states, KNOWN.stops) for each in table.values()} <= looks
    assert all(each.headline for table in (KNOWN.states, KNOWN.stops) for each in table.values())
