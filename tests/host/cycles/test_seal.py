"""The chain of digests: a store edited by hand is found out, whatever was edited."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.host.cycles.samples import identity, record

from steadyram.cycles.seal import check_seals
from steadyram.cycles.store import CycleStore, PartTest, Verdict, Withdrawal
from steadyram.errors import BadInput
from steadyram.link.records import Change, SettingsState

UID = "p1"


def filled(path: Path) -> CycleStore:
    store = CycleStore(path)
    store.see_device(identity(UID), 1)
    store.add_cycles(identity(UID), [record(seq) for seq in range(1, 8)], 1)
    store.add_cycles(identity(UID), [record(seq) for seq in range(8, 16)], 2)
    store.add_snapshot(UID, SettingsState("settings", 1, "AAAA1111", {"band_ppt": 12}), 1)
    store.add_changes(UID, [Change(1, {"what": "setpoint.1"})])
    store.add_part_test(PartTest(UID, 1, 3, 9000.0, "push-out", 812, "N", 700, None, 1, "ab", ""))
    store.add_verdict(UID, Verdict(4, "bad", "cracked", "ab", 1))
    store.withdraw(UID, "verdict", 1, Withdrawal("typed the wrong record", "cd", 2))
    return store


def test_a_store_that_nobody_edited_is_whole(tmp_path: Path) -> None:
    with filled(tmp_path / "c.db") as store:
        found = check_seals(store, UID, 1, 15)
        assert (found.breaches, found.unsealed) == ((), 0)
        assert len(found.end) == 64


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        ("UPDATE cycle SET peak_n = 9000 WHERE seq = 5", "record 5 was edited"),
        ("DELETE FROM cycle WHERE seq = 6", "record 6 was deleted or renumbered"),
        ("UPDATE cycle SET seq = 99 WHERE seq = 15", "record 15 was deleted or renumbered"),
        ("UPDATE cycle SET seq = 99 WHERE seq = 15", "record 99 was put in or renumbered"),
        ("UPDATE cycle SET fw = '9' WHERE seq = 2", "record 2 was edited"),
        ("UPDATE part_test SET value = 900", "destructive test 1 edited"),
        ("DELETE FROM verdict", "verdict 1 deleted"),
        ("UPDATE verdict SET verdict = 'good'", "verdict 1 edited"),
        ("DELETE FROM withdrawal", "withdrawal 1 deleted"),
        ("UPDATE snapshot SET content = '{}'", "set in force settings AAAA1111 1 edited"),
        ("DELETE FROM change", "entry of the record of changes 1 deleted"),
        ("DELETE FROM seal WHERE id = 1", "the chain of digests is broken"),
        ("UPDATE seal SET digests = '[]' WHERE id = 2", "the chain of digests is broken at entry 2"),
    ],
)
def test_an_edit_by_hand_is_found(tmp_path: Path, edit: str, said: str) -> None:
    with filled(tmp_path / "c.db") as store:
        with store.engine.begin() as db:
            db.exec_driver_sql(edit)
        assert any(said in each for each in check_seals(store, UID, 1, 1000).breaches)


def test_records_from_before_the_chain_are_unknown_not_edited(tmp_path: Path) -> None:
    with filled(tmp_path / "c.db") as store:
        with store.engine.begin() as db:
            db.exec_driver_sql("DELETE FROM seal")
        store.add_cycles(identity(UID), [record(16)], 3)
        found = check_seals(store, UID, 1, 16)
        assert (found.breaches, found.unsealed) == ((), 15)


def test_a_withdrawal_keeps_what_it_takes_back(tmp_path: Path) -> None:
    with filled(tmp_path / "c.db") as store:
        (word,) = store.verdicts(UID)
        assert word.verdict == "bad"
        assert word.withdrawn == Withdrawal("typed the wrong record", "cd", 2)
        with pytest.raises(BadInput, match="withdrawn before"):
            store.withdraw(UID, "verdict", 1, Withdrawal("again", "", 3))
        with pytest.raises(BadInput, match="no test 9"):
            store.withdraw(UID, "part_test", 9, Withdrawal("none", "", 3))
