"""Tables kept as texts read like the tuples that they stand for."""

import tomllib
from pathlib import Path

import pytest

from steadyram_fw import tables as T
from steadyram_fw.rows import Rows, Words

DEFINITION = tomllib.loads(
    (Path(__file__).resolve().parents[2] / "protocol" / "definition.toml").read_text(encoding="utf-8")
)


@pytest.mark.parametrize(
    ("rows", "table"), [(T.SETTINGS, "setting"), (T.JOB, "job"), (T.CALIBRATION, "calibration")]
)
def test_every_field_is_read_as_the_definition_has_it(rows, table):
    given = DEFINITION[table] + (DEFINITION["measured"] if table == "setting" else [])
    wanted = [
        (row["name"], row.get("min", 0), row.get("max", len(row.get("values", ())) - 1), row["default"])
        for row in given
    ]
    assert list(rows) == wanted
    assert len(rows) == len(wanted)
    for i, (name, *_) in enumerate(wanted):
        assert rows[i] == wanted[i]
        assert rows.place(name) == i
        for other in (name[:-1], name[1:], name + "x", "", name.upper(), f"{name} {wanted[i][1]}"):
            assert rows.place(other) == -1, other


@pytest.mark.parametrize(
    ("words", "table", "key"),
    [
        (T.STATE_NAMES, "state", "name"),
        (T.STOP_NAMES, "stop", "name"),
        (T.FAULT_NAMES, "fault", "name"),
        (T.FAULT_TEXTS, "fault", "text"),
        (T.REFUSAL_NAMES, "refusal", "name"),
        (T.REFUSAL_TEXTS, "refusal", "text"),
        (T.ERROR_TEXTS, "error", "text"),
    ],
)
def test_every_word_is_read_as_the_definition_has_it(words, table, key):
    known = {row["id"]: row[key] for row in DEFINITION[table]}
    assert list(words) == [known.get(i, "") for i in range(max(known) + 1)]
    assert len(words) == max(known) + 1


def test_an_entry_that_is_not_there_is_an_index_error():
    words = Words("one\n\nthree")
    assert [words[0], words[1], words[2]] == ["one", "", "three"]
    for i in (3, 4, -1):
        with pytest.raises(IndexError):
            words[i]
    assert Rows("a 1 2 -3\nb 4 5 6")[0] == ("a", 1, 2, -3)


def test_every_verb_is_read_as_the_definition_has_it():
    assert len(T.VERBS) == len(DEFINITION["verb"])
    for i, verb in enumerate(DEFINITION["verb"]):
        row = T.VERBS.of(verb["name"])
        assert row == T.VERBS[i]
        assert row[:4] == (verb["name"], *(verb.get(key, False) for key in ("change", "enable", "busy")))
        if verb.get("open_keys"):
            assert row[4] is None
            continue
        for argument, name in zip(row[4], verb.get("args", []), strict=True):
            default = verb.get("optional", {}).get(name)
            if name in verb.get("values", {}):
                assert argument == (name, 0, len(verb["values"][name]) - 1, default)
            elif name in verb.get("bounds", {}):
                assert argument == (name, *verb["bounds"][name], default)
            else:
                assert argument == (name, None, verb.get("choices", {}).get(name), default)


@pytest.mark.parametrize("name", ["", "h", "ello", "hell", "hello 0", "show 0", "0", "*", "HELLO"])
def test_a_verb_that_is_not_there_has_no_row(name):
    assert T.VERBS.of(name) is None
