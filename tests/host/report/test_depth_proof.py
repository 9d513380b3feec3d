"""The proof of a batch that stops on depth: figures by hand, and a batch of the virtual press with a sensor."""

from __future__ import annotations

import csv
import io
import json
import statistics
from collections import Counter
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from tests.host.cycles.samples import identity, record

from steadyram.cli import main
from steadyram.config import Preferences
from steadyram.cycles.batches import batch_facts, choose_batch
from steadyram.cycles.pull import pull
from steadyram.cycles.store import CycleStore
from steadyram.errors import BadInput
from steadyram.link.definition import definition
from steadyram.link.records import CalibrationState, CycleRecord, DeviceJob, JobsState, SettingsState
from steadyram.link.sets import job_crc
from steadyram.report.compare import compare
from steadyram.report.gather import gather
from steadyram.report.landing import depth_sigma_m, landed_by
from steadyram.report.page import render
from steadyram.report.proof import Proof, prove
from steadyram.report.proof_csv import proof_csv
from steadyram.report.proof_page import render_proof
from steadyram.report.proof_pdf import proof_pdf
from steadyram.report.proof_text import fact_rows, index_rows, proof_findings
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import set_up
from steadyram.virtual.script import play, to_top
from steadyram.virtual.trial import run_cycle
from steadyram.virtual.work import Part
from steadyram_fw import tables as T

ROOT = Path(__file__).resolve().parents[3]
PRESSES = ROOT / "tests" / "presses"
SEEN = T.FLAG_CUTOFF | T.FLAG_LEARNED | T.FLAG_TRAVEL
JOB = {f.name: f.default for f in definition().job} | {
    "setpoint_n": 90_000, "stop_on": 1, "depth_um": 5300, "window_low_n": 5000, "window_high_n": 30_000,
}  # fmt: skip
TARGET_UM = 5300
# Ten parts, micrometres off: sum 12, sum of squares 30, so mean 1.2 and s = sqrt((30 - 12 * 12 / 10) / 9) = 1.3166.
OFF_UM = [0, 3, 2, 1, 1, 2, -1, 0, 1, 3]
MEAN_UM, SD_UM = 1.2, 1.3165612


def fill(path: Path, *extra: CycleRecord, uid: str = "p1", job: dict[str, int] | None = None) -> None:
    """Ten parts on depth, off by OFF_UM, and what else is given."""
    ran = DeviceJob(1, "to depth", JOB | (job or {}))
    settings = {f.name: f.default for f in definition().settings} | {
        "position_kind": 2, "speed_um_s": 14_000, "speed_slow_um_s": 800, "slow_fitted": 1, "jitter_us": 1414,
    }  # fmt: skip
    calibration = {f.name: f.default for f in definition().calibration} | {
        "serial": 7,
        "position_step_nm": 5000,
    }
    parts = [deep(seq, off, job=ran) for seq, off in enumerate(OFF_UM, 1)]
    with CycleStore(path) as store:
        store.see_device(identity(uid), 1)
        store.add_cycles(
            identity(uid), [*parts, *(CycleRecord({**r.values, "job_crc": job_crc(ran)}) for r in extra)], 1
        )
        store.add_snapshot(uid, SettingsState("settings", 1, "AAAA1111", settings), 1)
        store.add_snapshot(uid, CalibrationState("calibration", 1, "BBBB2222", calibration), 1)
        store.add_snapshot(uid, JobsState("jobs", 1, "CCCC3333", (ran,)), 1)


def deep(seq: int, off_um: int, *, job: DeviceJob | None = None, **fields: int) -> CycleRecord:
    """A stroke that ended at its depth with 20 kN on the work."""
    made = {
        "setpoint_n": 90_000, "peak_n": 21_000, "settled_n": 20_000 + seq, "flags": SEEN, "stop": T.STOP_DEPTH,
        "depth_um": TARGET_UM + off_um, "target_um": TARGET_UM, "contact_um": 5000, "trace_len": 0,
        "job_crc": job_crc(job) if job is not None else 2,
    }  # fmt: skip
    return record(seq, **(made | fields))


def proof_of(path: Path, **how: Any) -> Proof:
    with CycleStore(path) as store:
        return prove(store, choose_batch(store, "p1", None, None), **how)


def test_figures_by_hand(tmp_path: Path) -> None:
    fill(tmp_path / "c.db")
    proof = proof_of(tmp_path / "c.db", tolerance_m=5e-6)
    assert (proof.quantity, len(proof.landed), len(proof.values)) == ("depth", 10, 10)
    assert proof.mean == pytest.approx((TARGET_UM + MEAN_UM) / 1e6, abs=1e-12)
    assert proof.sd == pytest.approx(SD_UM / 1e6, rel=1e-6)
    # Limits 5 um either way: Cp = 10 / 6 s; the upper one is 3.8 um from the mean: Cpk = 3.8 / 3 s.
    assert proof.capability is not None
    assert proof.capability.cp == pytest.approx(1.26593, abs=1e-5)
    assert proof.capability.cpk == pytest.approx(0.96210, abs=1e-5)
    assert proof.outside_limits == ()
    # A part at its limit is within it, one a micrometre further is not.
    assert [r.seq for r in proof_of(tmp_path / "c.db", tolerance_m=3e-6).outside_limits] == []
    assert [r.seq for r in proof_of(tmp_path / "c.db", tolerance_m=2e-6).outside_limits] == [2, 10]
    # Moving ranges: 3+1+1+0+1+3+1+1+2 = 13 over 9.
    assert proof.individuals is not None
    assert proof.individuals.moving_range == pytest.approx(13e-6 / 9, rel=1e-6)
    assert proof.trend is not None
    # Pairs that rise less pairs that fall.
    assert proof.trend.s == sum((b > a) - (b < a) for i, a in enumerate(OFF_UM) for b in OFF_UM[i + 1 :])
    # The device's own: slow feed 0.8 mm/s, jitter 1.414 ms and a step of 1 ms: 1.15 um; a step of 6 um over 3: 2 um.
    own = proof_of(tmp_path / "c.db").limits
    assert own.above == pytest.approx(4 * (2e-6 + 1.154e-6 / 4), rel=1e-3)
    assert proof.window is not None
    assert (proof.window.quantity, proof.window.low, proof.window.high) == ("force", 5000.0, 30_000.0)


def test_what_counts_as_landed() -> None:
    job = DeviceJob(1, "j", JOB)
    either = DeviceJob(1, "j", JOB | {"stop_on": 2})
    for fields, of, by in (
        ({}, job, "depth"),
        ({"stop": T.STOP_OVER, "depth_um": TARGET_UM + 40}, job, "depth"),
        # Past the limit on force before the depth: no part of this job.
        ({"stop": T.STOP_OVER, "depth_um": TARGET_UM - 400}, job, None),
        ({"stop": T.STOP_OVER, "depth_um": TARGET_UM - 400}, either, "force"),
        ({"stop": T.STOP_SETPOINT, "depth_um": TARGET_UM - 400}, either, "force"),
        ({"stop": T.STOP_WINDOW}, job, None),
        ({"stop": T.STOP_SHORT, "depth_um": TARGET_UM - 400}, job, None),
        ({"flags": T.FLAG_TRAVEL}, job, None),
        ({"stop": T.STOP_CEILING, "target_um": 0, "flags": SEEN | T.FLAG_HANDLING}, job, None),
    ):
        assert landed_by(deep(1, 0, **fields), of) == by, fields


def test_every_format_says_it_in_millimetres(tmp_path: Path) -> None:
    path = tmp_path / "c.db"
    fill(
        path,
        deep(11, 1, stop=T.STOP_WINDOW, settled_n=41_000, count=10),
        deep(12, -700, stop=T.STOP_WINDOW, settled_n=90_000, count=10),
        deep(13, -2000, stop=T.STOP_PEDAL, count=10),
        deep(14, 2, count=11),
    )
    proof = proof_of(path, tolerance_m=5e-6)
    assert dict(proof.stops) == {"depth": 11, "window": 2, "pedal": 1}
    assert (len(proof.landed), [r.seq for r in proof.missed]) == (11, [11, 12])
    units = Preferences()
    facts = dict(fact_rows(proof, units))
    assert facts["depth"] == "5.300 mm asked for, ram travel from the top; 11 of 14 stopped there"
    assert facts["limit on force"] == "90 kN"
    assert facts["strokes"] == "14, of which 11 landed"
    assert facts["limits"].startswith("0.005 mm below to 0.005 mm above the target; given: 0.005 mm")
    assert facts["window"] == "force from 5 kN to 30 kN; 2 strokes outside"
    figures = {name: value for name, value, _ in index_rows(proof, units)}
    assert figures["mean"] == "5.301 mm"
    assert figures["standard deviation"] == "0.00127 mm"
    assert figures["force at the depth"] == "20 kN to 20.01 kN, mean 20.01 kN"
    text = " ".join(finding.text for finding in proof_findings(proof, units))
    assert "2 strokes stopped outside the job's window (records 11, 12)" in text
    assert "3 strokes did not land" in text
    html = render_proof(proof, units, made_unix=1)
    assert "depth, mm" in html
    assert ">target<" in html
    assert "peak, kN" not in html
    assert "record 2: 5.303" in html
    # The run chart is of depths already.
    assert "<h3>Depth</h3>" not in html
    assert proof_pdf(proof, units, made_unix=1).startswith(b"%PDF")
    rows = list(csv.DictReader(io.StringIO(proof_csv(proof))))
    assert [row["landed_by"] for row in rows] == ["depth"] * 10 + ["", "", "", "depth"]
    assert rows[1]["depth_m"] == "0.005303"
    assert rows[1]["target_m"] == "0.0053"
    assert rows[1]["within_limits"] == "1"
    with CycleStore(path) as store:
        facts_ = batch_facts(store, choose_batch(store, "p1", None, None))
        (run,) = gather(store, "p1").runs
        page = render(gather(store, "p1"), units, made_unix=1)
    assert (facts_.target_low_m, facts_.target_high_m) == (5.3e-3, 5.3e-3)
    assert (len(run.landed), run.target, run.in_band) == (11, 5.3e-3, 11)
    assert "Depths against target" in page
    assert "5.301 mm" in page


def test_whichever_comes_first_is_charted_by_what_ended_more(tmp_path: Path) -> None:
    path = tmp_path / "c.db"
    by_force = [
        deep(seq, -300, stop=T.STOP_SETPOINT, peak_n=89_900, settled_n=89_800, count=seq) for seq in (11, 12)
    ]
    # One went far past its set force: it is held to the band of force.
    by_force.append(deep(13, -200, stop=T.STOP_OVER, peak_n=99_000, settled_n=98_000, count=13))
    fill(path, *by_force, job={"stop_on": 2})
    proof = proof_of(path, tolerance_m=5e-6)
    assert (proof.quantity, len(proof.landed), len(proof.charted)) == ("depth", 13, 10)
    assert proof.mean == pytest.approx((TARGET_UM + MEAN_UM) / 1e6)
    assert [r.seq for r in proof.outside_limits] == [13]
    text = " ".join(finding.text for finding in proof_findings(proof, Preferences()))
    assert "3 parts landed by force, which came first there: figures and charts are of the 10" in text
    assert dict(fact_rows(proof, Preferences()))["or force"] == "90 kN, whichever came first"


def test_a_depth_changed_on_the_way_is_charted_against_its_own(tmp_path: Path) -> None:
    path = tmp_path / "c.db"
    fill(path, deep(11, 101, target_um=5400, count=11))
    proof = proof_of(path, tolerance_m=5e-6)
    assert proof.relative
    assert proof.values[0] == pytest.approx(0.0, abs=1e-12)
    assert proof.values[-1] == pytest.approx(1e-6, abs=1e-12)
    text = " ".join(finding.text for finding in proof_findings(proof, Preferences()))
    assert "The depth asked for was changed during the batch: 5.300 mm for 10 strokes, 5.400 mm for 1" in text


def test_presses_are_compared_in_depth(tmp_path: Path) -> None:
    path = tmp_path / "c.db"
    fill(path)
    fill(path, deep(11, 30), uid="p2")
    with CycleStore(path) as store:
        one, two = compare(store, "to depth", tolerance_m=5e-6)
    assert two.difference == pytest.approx((sum(OFF_UM) + 30) / 11 / 1e6 - MEAN_UM / 1e6)
    assert one.interval is not None
    assert one.interval[0] < one.difference < one.interval[1]  # type: ignore[operator]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--tolerance", "3 %"], "stop on depth; give --tolerance as a length"),
        (["--tolerance", "0 mm"], "give a length above 0"),
        (["--tolerance", "2 m"], "up to 100 mm"),
        (["--tolerance", "5"], "give a percentage"),
    ],
)
def test_a_tolerance_of_another_kind_is_one_sentence(
    words: list[str], says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fill(tmp_path / "c.db")
    with pytest.raises(SystemExit) as ended:
        main(["batch", "proof", "--store", str(tmp_path / "c.db"), "--out", str(tmp_path / "p"), *words])
    told = capsys.readouterr().err.strip()
    assert ended.value.code == 2
    assert says in told
    assert len(told.splitlines()) == 1
    assert not list(tmp_path.glob("p.*"))


def test_sets_that_were_never_pulled_are_asked_for(tmp_path: Path) -> None:
    fill(tmp_path / "c.db")
    with CycleStore(tmp_path / "c.db") as store, store.engine.begin() as db:
        db.exec_driver_sql("DELETE FROM snapshot WHERE kind = 'calibration'")
    with pytest.raises(BadInput, match="give --tolerance as a length"):
        proof_of(tmp_path / "c.db")
    assert proof_of(tmp_path / "c.db", tolerance_m=1e-4).capability is not None


@pytest.mark.parametrize("press", ["presses/depth-20", "presses/depth-30", "campaign/presses/encoder-20"])
def test_the_devices_own_band_is_the_firmwares(press: str) -> None:
    with VirtualPress(ROOT / "tests" / f"{press}.toml", 3, "cpython") as virtual:
        device = set_up(virtual, 60e3, job={"stop_on": 1, "depth_um": 5300})
        virtual.run(0.5)
        virtual.operator.press_extend()
        virtual.run(0.2)
        inside: Any = virtual.firmware
        found = depth_sigma_m(device.press_values(), device.calibration().values)
        assert found == pytest.approx(inside.core.depth.sig_um / 1e6, rel=0.1, abs=1e-6)


def test_a_batch_of_the_virtual_press_is_proved(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STEADYRAM_CONFIG_DIR", str(tmp_path / "config"))
    path = tmp_path / "c.db"
    job = {"stop_on": 1, "depth_um": 5300, "window_low_n": 5000, "window_high_n": 30_000}
    with VirtualPress(PRESSES / "depth-20.toml", 21, "cpython") as press:
        device = set_up(press, 90e3, job=job, batch=12, name="dimple")
        press.run(0.5)
        seen, true_m = device.now().next_seq, []
        for n in range(1, 13):
            row, code = run_cycle(press, device, n, 90e3, seen)
            assert (row["stop"], code) == ("depth", None)
            seen = row["next_seq"]
            true_m.append(row["settled_depth_m"])
        # A part of harder sheet: at its depth the force is outside the window.
        press.load_part(Part(((1e-4, 42e3), (6e-4, 46e3)), 150e6, 5e-3))
        press.run(0.3)
        press.operator.press_extend()
        press.run_until(lambda p: p.firmware.core.record_ready, 60.0)
        press.run(0.5)
        play(press, to_top(press))
        with CycleStore(path) as store:
            pull(device, store)
    words = ("--store", str(path), "--out", str(tmp_path / "proof"), "--json")
    main(["batch", "proof", *words])
    told = json.loads(capsys.readouterr().out)
    schema = json.loads((ROOT / "protocol/schemas/batch-proof.schema.json").read_text())
    jsonschema.validate(told, schema)
    with CycleStore(path) as store:
        records = [each.record for each in store.cycles(told["uid"])]
    depths = [r["depth_um"] / 1e6 for r in records if r.stop == "depth"]
    assert Counter(r.stop for r in records) == told["stops"] == {"depth": 12, "window": 1}
    assert (told["charted"], told["landed"], told["parts"]) == ("depth", 12, 12)
    assert told["landed_by"] == {"force": 0, "depth": 12}
    assert told["outside_window"] == [records[-1].seq]
    assert (told["targets_m"], told["setpoints_N"]) == ([5.3e-3], [90e3])
    assert told["window_N"] == {"low": 5000.0, "high": 30_000.0}
    assert (told["mean_N"], told["sd_N"], told["limits_N"]) == (None, None, None)
    mean, sd = statistics.fmean(depths), statistics.stdev(depths)
    assert told["mean_m"] == pytest.approx(mean)
    assert told["sd_m"] == pytest.approx(sd)
    half = told["limits_m"]["above"]
    assert half == pytest.approx(4 * 2.29e-6, abs=1e-6)
    assert told["cp"] == pytest.approx(2 * half / (6 * sd))
    assert told["cpk"] == pytest.approx((half - abs(mean - 5.3e-3)) / (3 * sd))
    # What the device recorded is where the ram was, but for the sensor's own gain error.
    assert mean == pytest.approx(statistics.fmean(true_m), abs=3e-5)
    assert sorted(each.suffix for each in tmp_path.glob("proof.*")) == [".csv", ".html", ".pdf", ".xlsx"]
