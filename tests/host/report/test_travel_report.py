"""Report and proof of a press with a position sensor: force against travel with its band, depths, windows."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from tests.host.cycles.samples import identity, record
from tests.host.cycles.test_travel_signature import DT, good_parts, stroke

from steadyram.config import Preferences
from steadyram.cycles.batches import choose_batch
from steadyram.cycles.store import CycleStore
from steadyram.link.definition import definition
from steadyram.link.records import (
    CalibrationState,
    CycleRecord,
    DeviceJob,
    JobsState,
    SettingsState,
    Trace,
    TravelTrace,
)
from steadyram.link.sets import job_crc
from steadyram.report.gather import gather
from steadyram.report.page import render
from steadyram.report.proof import prove
from steadyram.report.proof_page import render_proof
from steadyram_fw import tables as T

SEEN = T.FLAG_CUTOFF | T.FLAG_LEARNED | T.FLAG_TRAVEL
DEFAULTS = {field.name: field.default for field in definition().job}
ON_FORCE = DeviceJob(
    1, "nut", DEFAULTS | {"setpoint_n": 13_000, "window_low_um": 5_600, "window_high_um": 5_900}
)
ON_DEPTH = DeviceJob(
    2,
    "to depth",
    DEFAULTS
    | {"setpoint_n": 50_000, "stop_on": 1, "depth_um": 5_650, "window_low_n": 9_000, "window_high_n": 15_000},
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    where = tmp_path / "c.db"
    with CycleStore(where) as store:
        store.see_device(identity("p"), 1)
        settings = {"position_kind": 2, "band_ppt": 12, "speed_um_s": 14_000, "jitter_us": 1414}
        store.add_snapshot("p", SettingsState("settings", 1, "D", settings), 1)
        calibration = {field.name: field.default for field in definition().calibration}
        calibration |= {"serial": 7, "position_step_nm": 5000}
        store.add_snapshot("p", CalibrationState("calibration", 1, "C", calibration), 1)
        store.add_snapshot("p", JobsState("jobs", 1, "J", (ON_FORCE, ON_DEPTH)), 1)
        records: list[CycleRecord] = []
        for part in [*good_parts(12), stroke(8e-3, 100.0, 0.0)]:
            seq = len(records) + 1
            points = np.clip(part.stroke.force_N, 0, 65535).astype(int)
            depth = round(part.travel_m[-1] * 1e6)
            records.append(
                record(
                    seq, job_crc=job_crc(ON_FORCE), flags=SEEN, setpoint_n=13_000, peak_n=int(points.max()),
                    depth_um=depth, contact_um=5000, trace_len=len(points),
                    stop=T.STOP_SETPOINT if depth < 5_900 else T.STOP_WINDOW,
                )
            )  # fmt: skip
            store.add_traces("p", [(seq, Trace(seq, DT, 1.0, tuple(points.tolist())))])
            travel = (part.travel_m * 1e6 / 4).round().astype(int)
            store.add_travels("p", [(seq, TravelTrace(seq, DT, 4e-6, tuple(travel.tolist())))])
        records += [
            record(
                seq, job=2, job_crc=job_crc(ON_DEPTH), flags=SEEN, setpoint_n=50_000, peak_n=11_000,
                depth_um=5_650 + seq % 3, target_um=5_650, stop=T.STOP_DEPTH, count=seq - 13, trace_len=0,
            )
            for seq in range(14, 30)
        ]  # fmt: skip
        # A press without the sensor knows nothing of all this.
        records += [record(seq, job=3) for seq in range(30, 33)]
        store.add_cycles(identity("p"), records, 1)
    return where


def test_report_shows_travel_where_there_is_any(path: Path) -> None:
    with CycleStore(path) as store:
        data = gather(store, "p")
    on_force, on_depth, plain = data.runs
    assert plain.travel is None
    assert on_force.travel is not None
    assert on_force.travel.odd == [
        (13, "hardware missing: the ram went on past where contact belongs, and nothing gave way")
    ]
    # The part that missed its window sets no limits.
    chart = on_force.travel.chart
    assert chart is not None
    assert chart.centre < 5.9e-3
    assert len(on_force.travel.settled) == 13
    assert on_depth.travel is not None
    assert (on_depth.travel.target_m, len(on_depth.travel.settled)) == (5.65e-3, 16)
    html = render(data, Preferences(), made_unix=1_900_000_000)
    assert html.count("<h3>Force against travel</h3>") == 1
    assert html.count("<h3>Depth</h3>") == 2
    assert "record 13: hardware missing" in html
    assert html.count('class="trace strange"') == 1
    assert html.count("<polygon") == 1
    assert "Window 5.600 mm to 5.900 mm." in html
    assert "Target 5.650 mm." in html
    assert not re.search(r"\bnan\b", html)


def test_depths_are_drawn_against_target_and_window(path: Path) -> None:
    with CycleStore(path) as store:
        data = gather(store, "p")
    html = render(data, Preferences(), made_unix=1_900_000_000)
    force, depth = re.findall(r'<svg[^>]*aria-label="Individuals chart of depth">.*?</svg>', html)
    assert force.count('class="limit"') == 2
    assert force.count(">window<") == 2
    assert (force.count("<circle"), force.count('<path class="dot odd"')) == (12, 1)
    assert depth.count('class="set"') == 1
    assert depth.count("<circle") == 16


def test_proof_says_what_a_stop_on_depth_is_held_against(path: Path) -> None:
    with CycleStore(path) as store:
        proof = prove(store, choose_batch(store, "p", 2, None))
        html = render_proof(proof, Preferences(), made_unix=1_900_000_000)
        other = render_proof(
            prove(store, choose_batch(store, "p", 1, None)), Preferences(), made_unix=1_900_000_000
        )
    assert "5.650 mm asked for, ram travel from the top; 16 of 16 stopped there" in html
    assert "Run chart of the landed parts" in html
    assert "depth, mm" in html
    assert "<h3>Force against travel</h3>" in other
    assert "asked for" not in other
