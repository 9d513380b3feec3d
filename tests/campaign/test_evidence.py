"""Summaries of campaigns are short, belong to code and not to wording, and stale ones stop a release only."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from tests.campaign import evidence, summary
from tests.campaign.campaigns import CAMPAIGNS, PARTS, Campaign
from tests.campaign.provenance import CODE, ROOT, bare, code_digests, digest

ORIGIN: dict[str, Any] = {"date": "2026-01-01", "commit": "unknown", "uncommitted": False}


def campaign(**changed: Any) -> Campaign:
    made: dict[str, Any] = {
        "name": "tried",
        "part": "short",
        "module": "tried_module",
        "words": ("--runs", "2"),
        "judges": ("core", "plant"),
        "figures": lambda raw: raw["found"],
    }
    return Campaign(**{**made, **changed})


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(summary, "FOLDER", tmp_path)
    monkeypatch.setattr(evidence, "OUT", tmp_path / "out")
    return tmp_path


def test_every_campaign_has_a_summary_of_at_most_sixty_lines() -> None:
    files = {path.stem for path in summary.FOLDER.glob("*")}
    assert files == {each.name for each in CAMPAIGNS}
    for each in CAMPAIGNS:
        text = (summary.FOLDER / f"{each.name}.json").read_text(encoding="utf-8")
        assert text.count("\n") <= 60
        told = json.loads(text)
        assert told["figures"]
        assert set(told["code"]) >= {"core", "services", "plant", *each.judges}
        assert told["command"]
        assert told["seed"]


def test_every_campaign_is_of_a_part_and_its_module_is_there() -> None:
    for each in CAMPAIGNS:
        assert each.part in PARTS
        assert set(each.judges) <= set(CODE)
        assert (ROOT / "tests" / "campaign" / f"{each.module}.py").is_file()


def test_results_and_drawings_stay_out_of_the_repository() -> None:
    here = ROOT / "tests" / "campaign"
    assert "tests/campaign/out/" in (ROOT / ".gitignore").read_text(encoding="utf-8").split()
    assert [path.name for path in here.iterdir() if path.suffix in (".json", ".svg", ".md")] == []


def test_wording_is_not_code() -> None:
    one = '"""Says this."""\nX_TEXTS = Words("""a\nb""")\n\n\ndef f():\n    """Does it."""\n    return "kept"  # why\n'
    two = '"""Says that."""\nX_TEXTS = Words("""c""")\ndef f():\n    # another reason\n    return "kept"\n'
    assert bare(one) == bare(two) == 'def f():\n    return "kept"'
    assert bare(two.replace("kept", "other")) != bare(two)
    # what only looks like a comment stays
    assert bare('A = "é # not"  # is\n') == 'A = "é # not"'
    assert digest([("a.py", one.encode())]) == digest([("a.py", two.encode())])


def test_a_detector_that_is_switched_off_is_another_code() -> None:
    file = "firmware/steadyram_fw/core/faults.py"
    source = (ROOT / file).read_text(encoding="utf-8")
    assert "FAULT_SENSOR_LOW" in source
    off = source.replace("FAULT_SENSOR_LOW", "FAULT_SENSOR_HIGH", 1)
    assert bare(off) != bare(source)


def test_a_summary_is_fresh_until_what_it_judges_changes(folder: Path) -> None:
    now = {part: "0" * 16 for part in CODE}
    made = campaign()
    assert summary.standing(made, now).missing
    summary.write(made, {"found": {"cases": 3}}, {**ORIGIN, "code": now})
    assert summary.standing(made, now).fresh
    assert summary.standing(made, {**now, "bending": "1" * 16}).fresh
    stale = summary.standing(made, {**now, "plant": "1" * 16})
    assert not stale.fresh
    assert "plant" in stale.said()
    assert "core" not in stale.said()
    assert summary.standing(campaign(words=("--runs", "3")), now).command_differs
    summary.write(made, {"found": {"cases": 3}}, {**ORIGIN, "uncommitted": True, "code": now})
    assert summary.standing(made, now).unsure


def test_what_is_too_long_is_not_written(folder: Path) -> None:
    long = {f"figure {n}": n for n in range(60)}
    with pytest.raises(ValueError, match="keep fewer figures"):
        summary.write(campaign(), {"found": long}, {**ORIGIN, "code": code_digests()})
    assert list(folder.iterdir()) == []


def test_stale_evidence_fails_for_a_release_only(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    made = campaign()
    monkeypatch.setattr(evidence, "CAMPAIGNS", (made,))
    summary.write(made, {"found": {}}, {**ORIGIN, "code": code_digests() | {"core": "of before"}})
    assert evidence.check(release=False) == 0
    assert evidence.check(release=True) == 1
    assert "stale    tried: core" in capsys.readouterr().out
    summary.write(made, {"found": {}}, {**ORIGIN, "code": code_digests()})
    assert evidence.check(release=True) == 0


def test_a_run_goes_on_where_it_was_stopped(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was half-way is kept while the code is the same, and thrown away when it changed."""
    made = campaign()
    out = folder / "out"
    seen = []

    def runs(words: list[str], **_: Any) -> Any:
        part = out / "tried.part"
        seen.append(part.read_text() if part.exists() else "")
        part.write_text("half")
        if len(seen) > 2:
            (out / "tried.json").write_text('{"found": {"cases": 2}}')
        return type("Done", (), {"returncode": 0 if len(seen) > 2 else 130})

    monkeypatch.setattr(evidence, "CAMPAIGNS", (made,))
    monkeypatch.setattr(evidence.subprocess, "run", runs)
    monkeypatch.setattr(evidence, "provenance", lambda: {**ORIGIN, "code": code_digests()})
    monkeypatch.setattr(evidence, "ROOT", folder)
    assert evidence.run_one(made).startswith("failed")
    assert evidence.run_one(made).startswith("failed")
    began = json.loads((out / "tried.began").read_text())
    (out / "tried.began").write_text(json.dumps(began | {"code": began["code"] | {"core": "of before"}}))
    assert evidence.run_one(made).startswith("done")
    assert seen == ["", "half", ""]
    assert not (out / "tried.part").exists()
    assert evidence.run("short", []) == 0
    assert len(seen) == 3
