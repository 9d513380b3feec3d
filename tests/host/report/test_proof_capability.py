"""Good, defined once: capability is judged against a tolerance that was given, and patterns have words of their own."""

from __future__ import annotations

import csv
import io
import random
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from scipy import stats
from tests.host.cycles.samples import identity, record
from tests.host.report.test_proof import JOB, fill

from steadyram.config import Preferences
from steadyram.cycles.batches import choose_batch
from steadyram.cycles.patterns import pattern_of
from steadyram.cycles.store import CycleStore
from steadyram.link.records import Change, SettingsState
from steadyram.link.sets import job_crc
from steadyram.report.compare import compare
from steadyram.report.good import held_N, press_sigma_N
from steadyram.report.proof import Proof, prove
from steadyram.report.proof_csv import proof_csv
from steadyram.report.proof_text import headline, proof_findings, sampling_plan
from steadyram.report.proof_xlsx import proof_xlsx
from steadyram_fw import tables as T


def proof_of(path: Path, peaks: Sequence[float], **given: float) -> Proof:
    odd = {f"r{seq}": {"peak_n": round(peak)} for seq, peak in enumerate(peaks, start=1)}
    fill(path, n=len(peaks), **odd)
    with CycleStore(path) as store:
        return prove(store, choose_batch(store, "p1", None, None), **given)


def said(proof: Proof) -> str:
    return "\n".join(finding.text for finding in proof_findings(proof, Preferences()))


def normal(n: int, sd: float, seed: int = 3, mean: float = 9000.0) -> list[float]:
    rng = random.Random(seed)
    return [rng.gauss(mean, sd) for _ in range(n)]


def test_capability_is_not_judged_without_a_tolerance(tmp_path: Path) -> None:
    proof = proof_of(tmp_path / "c.db", normal(60, 80.0))
    assert proof.capability is not None
    assert proof.capability.cpk < 1.0
    assert "Capability is low" not in said(proof)
    assert "Capability is not judged: no tolerance was given" in said(proof)
    assert proof.limits.origin.startswith("no tolerance was given")


def test_low_capability_says_what_to_do(tmp_path: Path) -> None:
    wide = said(proof_of(tmp_path / "a.db", normal(60, 80.0), tolerance_ppt=12.0))
    assert "Capability is low" in wide
    assert "The scatter is too wide" in wide
    off = said(proof_of(tmp_path / "b.db", normal(60, 10.0, mean=9090.0), tolerance_ppt=12.0))
    assert "bring the mean to the setpoint" in off
    good = said(proof_of(tmp_path / "c.db", normal(60, 10.0), tolerance_ppt=12.0))
    assert "Capability" not in good


def test_five_parts_are_too_few(tmp_path: Path) -> None:
    assert "Too few: 5 parts" in said(proof_of(tmp_path / "c.db", normal(5, 20.0), tolerance_ppt=12.0))


def test_two_lots_and_turns_and_like_neighbours(tmp_path: Path) -> None:
    lots = normal(20, 15.0) + normal(20, 15.0, 4, 9080.0)
    assert "Two levels: from record 21 on" in said(proof_of(tmp_path / "a.db", lots))
    turns = [peak + 40.0 * (-1) ** i for i, peak in enumerate(normal(40, 10.0))]
    assert "take turns" in said(proof_of(tmp_path / "b.db", turns))
    walk = list(9000.0 + np.cumsum(np.random.default_rng(2).normal(0.0, 10.0, 60)))
    assert "Neighbours are alike" in said(proof_of(tmp_path / "c.db", walk))
    clean = said(proof_of(tmp_path / "d.db", normal(60, 20.0)))
    assert "Two levels" not in clean
    assert "take turns" not in clean


def test_patterns_alarm_about_as_often_as_they_say() -> None:
    # Independent values: Pettitt's approximation is conservative, the correlation's limit is that of 99 %.
    rng = np.random.default_rng(3101)
    found = [pattern_of(list(rng.normal(size=40))) for _ in range(1000)]
    changed = sum(each is not None and each.change is not None for each in found)
    apart = sum(each is not None and (each.alternating or each.alike) for each in found)
    assert changed <= 20
    assert apart <= 25


def test_correlation_is_that_of_pandas() -> None:
    values = normal(50, 20.0)
    found = pattern_of(values)
    assert found is not None
    # pandas takes the mean of each shifted half; for 50 values the two differ by little.
    assert found.lag1 == pytest.approx(float(pd.Series(values).autocorr(1)), abs=0.03)


def test_first_parts_are_a_class_of_their_own(tmp_path: Path) -> None:
    path = tmp_path / "c.db"
    fill(path, n=30, r1={"flags": T.FLAG_CUTOFF | T.FLAG_FIRST, "peak_n": 8600})
    with CycleStore(path) as store:
        proof = prove(store, choose_batch(store, "p1", None, None))
    assert proof.first_parts == [1]
    assert 1 not in [each.seq for each in proof.charted]
    assert "1 first part (record 1)" in said(proof)
    assert "came first there" not in said(proof), "it landed by force, as all did"
    assert [row["first_part"] for row in csv.DictReader(io.StringIO(proof_csv(proof)))][:2] == ["1", "0"]


def test_what_the_press_can_hold_is_its_measured_scatter() -> None:
    measured = {"char_valid": 1, "jitter_us": 2000, "rate_high_n_s": 60000, "noise_n": 20}
    sigma = press_sigma_N(measured, 9000.0)
    # 60 kN/s for 2 ms and a step of 1 ms: 121.2 N; noise of four samples: 10 N.
    assert sigma == pytest.approx(np.hypot(60000 * np.hypot(0.002, 0.001 / 12**0.5), 10.0))
    half, origin = held_N(12, measured, 9000.0)
    assert half == pytest.approx(1.5 * 1.96 * sigma)
    assert "what this press can hold" in origin
    assert held_N(12, {}, 9000.0)[0] == 108.0


def test_a_change_of_firmware_or_panel_in_the_batch_is_found(tmp_path: Path) -> None:
    path = tmp_path / "c.db"
    fill(path, n=30)
    with CycleStore(path) as store:
        newer = identity("p1").model_copy(update={"fw": "9.9"})
        store.add_cycles(newer, [record(31, count=31, job_crc=job_crc(JOB), peak_n=9000)], 1)
        change = {"boot": "1", "at_ms": str(record(15)["at_ms"]), "by": "panel", "what": "settings.band_ppt"}
        store.add_changes("p1", [Change(1, change)])
        store.add_snapshot("p1", SettingsState("settings", 1, "AAAA1111", {}), 1)
        proof = prove(store, choose_batch(store, "p1", None, None))
    assert "The firmware was changed during the batch" in said(proof)
    assert "1 change made at the panel during the batch (settings.band_ppt)" in said(proof)
    rows = list(csv.DictReader(io.StringIO(proof_csv(proof))))
    assert rows[-1]["fw"] == "9.9"
    assert rows[0]["settings_digest"] == "AAAA1111"
    assert rows[0]["calibration_digest"] == "BBBB2222"
    assert float(rows[0]["limit_high"]) == 9108.0


def test_many_presses_widen_the_intervals(tmp_path: Path) -> None:
    path = tmp_path / "c.db"
    for number in (1, 2, 3):
        fill(path, f"p{number}", shift=number)
    with CycleStore(path) as store:
        found = compare(store, JOB.name)
    shares = [[r["peak_n"] / 9000 for r in each.proof.charted] for each in found]
    welch = stats.ttest_ind(shares[0], shares[1] + shares[2], equal_var=False)
    low, high = welch.confidence_interval(1 - 0.05 / 3)
    assert found[0].interval == pytest.approx((float(low) * 9000, float(high) * 9000))


def test_the_sampling_plan_is_the_hypergeometric_one(tmp_path: Path) -> None:
    from math import comb

    proof = proof_of(tmp_path / "c.db", normal(60, 20.0))
    # 3 of 60 bad: the chance to draw none of them falls to 5 % at n parts.
    n = next(n for n in range(1, 61) if comb(57, n) / comb(60, n) <= 0.05)
    assert f"test {n} drawn at random" in sampling_plan(proof)


def test_a_workbook_has_dates_and_no_formula(tmp_path: Path) -> None:
    proof = proof_of(tmp_path / "c.db", normal(30, 20.0))
    book = openpyxl.load_workbook(io.BytesIO(proof_xlsx(proof, Preferences())))
    assert book["proof"]["A1"].value == headline(proof)
    rows = list(book["strokes"].values)
    at = rows[0].index("at_utc")
    assert len(rows) == 31
    assert rows[1][at] is None or isinstance(rows[1][at], datetime)
    assert all(cell.data_type != "f" for sheet in book for row in sheet for cell in row)
