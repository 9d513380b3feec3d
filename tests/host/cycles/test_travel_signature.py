"""Force against travel on curves whose figures are known: triangles and plateaus worked out by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from tests.host.cycles.samples import identity, record

from steadyram.cycles.signature import Stroke
from steadyram.cycles.store import CycleStore
from steadyram.cycles.travel_envelope import TravelEnvelope, learn_travel_band, learn_travel_envelope
from steadyram.cycles.travel_signature import TravelStroke, curve, seen_later_s, travel_signature
from steadyram.cycles.travel_store import judge_travel, travel_strokes
from steadyram.errors import BadInput
from steadyram.link.records import SettingsState, Trace, TravelTrace
from steadyram_fw import tables as T

SPEED = 0.005
DT = 0.002
SETPOINT = 13_000.0
# A frame of 50 kN/mm and a part that gives way by 500 um at 10 kN and not at all before or after.
FLAT_M, PLATEAU_N, FRAME_N_PER_M = 500e-6, 10_000.0, 5e7


def force_at(x: np.ndarray, contact: float, plateau: float = PLATEAU_N, flat: float = FLAT_M) -> np.ndarray:
    """The part's force at the ram's travel."""
    rise = plateau / FRAME_N_PER_M
    given = np.clip(x - contact, 0.0, None)
    return np.minimum(given, rise) * FRAME_N_PER_M + np.maximum(given - rise - flat, 0.0) * FRAME_N_PER_M


def stroke(
    contact: float = 5e-3, plateau: float = PLATEAU_N, flat: float = FLAT_M, seed: int = 0, **more: object
) -> TravelStroke:
    """Down at 10 mm/s until the setpoint, a rest in the middle of the plateau, then standing."""
    rng = np.random.default_rng(seed)
    x = np.arange(1, 2000) * SPEED * DT
    pause = int(np.searchsorted(x, contact + 300e-6))
    x = np.concatenate((x[:pause], np.full(60, x[pause]), x[pause:]))
    f = force_at(x, contact, plateau, flat)
    end = int(np.searchsorted(f, SETPOINT)) + 1
    x = np.concatenate((x[:end], np.full(80, x[end - 1])))
    f = np.concatenate((f[:end], np.full(80, f[end - 1])))
    seen = np.maximum(f + rng.normal(0.0, 8.0, len(f)), 0.0)
    given = Stroke(
        DT, seen, SETPOINT, float(seen.max()), float(f[-1]), float(f[-1]), 1, len(f) * DT, True, "setpoint"
    )
    return TravelStroke(replace(given, **more), x)  # type: ignore[arg-type]


def good_parts(count: int = 30) -> list[TravelStroke]:
    rng = np.random.default_rng(5)
    return [
        stroke(5e-3 + 20e-6 * rng.standard_normal(), PLATEAU_N * (1 + 0.03 * rng.standard_normal()), seed=i)
        for i in range(count)
    ]


@pytest.fixture(scope="module")
def envelope() -> TravelEnvelope:
    return learn_travel_envelope(good_parts())


def test_figures_by_hand() -> None:
    found = travel_signature(stroke())
    assert found.contact_m == pytest.approx(5.0e-3, abs=10e-6)
    # The frame's 10 kN over 50 kN/mm, and the part's 500 um.
    assert found.knee_m == pytest.approx(5.7e-3, abs=11e-6)
    assert found.knee_N == pytest.approx(10_000, rel=0.02)
    # A triangle of 200 um and a rectangle of 500 um: 1 J + 5 J.
    assert found.embed_J == pytest.approx(6.0, rel=0.03)
    assert found.slope_N_per_m == pytest.approx(FRAME_N_PER_M, rel=0.2)
    assert found.end_m == pytest.approx(5.76e-3, abs=11e-6)


def test_what_is_learned_is_what_the_parts_are_made_of(envelope: TravelEnvelope) -> None:
    figures = {name: spread.centre for name, spread in envelope.figures.items()}
    assert envelope.stiffness_N_per_m == pytest.approx(FRAME_N_PER_M, rel=0.15)
    assert figures["contact_m"] == pytest.approx(5.0e-3, abs=15e-6)
    assert figures["embed_m"] == pytest.approx(FLAT_M, abs=30e-6)
    assert figures["plateau_N"] == pytest.approx(PLATEAU_N, rel=0.03)


def test_the_pause_and_the_speed_do_not_matter(envelope: TravelEnvelope) -> None:
    first = stroke()
    slow = np.repeat(np.arange(len(first.travel_m)), 3)
    same = TravelStroke(replace(first.stroke, force_N=first.stroke.force_N[slow]), first.travel_m[slow])
    one, two = envelope.read(first), envelope.read(same)
    assert one is not None
    assert two is not None
    assert two.flush_m == pytest.approx(one.flush_m, abs=2e-6)
    assert two.contact_m == pytest.approx(one.contact_m, abs=10e-6)


@pytest.mark.parametrize(
    ("part", "said"),
    [
        ({}, "good"),
        ({"contact": 8e-3, "plateau": 100.0, "flat": 0.0}, "missing"),
        ({"contact": 2e-3, "flat": 2 * FLAT_M}, "double"),
        ({"plateau": 300.0, "flat": 0.0}, "upside down"),
        ({"contact": 5.3e-3, "plateau": 8_000.0}, "thin"),
        ({"contact": 4.7e-3, "plateau": 12_000.0}, "thick"),
        ({"plateau": 7_000.0}, "soft"),
        ({"plateau": 12_400.0}, "hard"),
        # It never reached the level: only a place says something.
        ({"contact": 2e-3, "flat": 10 * FLAT_M, "plateau": 13_050.0, "stop": "short"}, "double"),
    ],
)
def test_parts_told_apart(envelope: TravelEnvelope, part: dict[str, float], said: str) -> None:
    verdict = envelope.judge(stroke(**part))  # type: ignore[arg-type]
    assert verdict.part == said
    assert verdict.alarm == (said != "good")
    assert verdict.words()


def test_a_stroke_that_met_nothing_is_not_judged(envelope: TravelEnvelope) -> None:
    first = stroke()
    nothing = replace(first.stroke, force_N=np.full(len(first.travel_m), 4.0), peak_N=6.0)
    empty = TravelStroke(nothing, first.travel_m - 1e-3)
    assert curve(empty) is None
    assert all(math.isnan(value) for value in vars(travel_signature(empty)).values())
    assert envelope.judge(empty).part == "not judged"
    # Unless it went where there should have been something.
    assert envelope.judge(TravelStroke(nothing, first.travel_m + 1e-3)).part == "missing"


def test_lags_are_taken_out_by_what_the_settings_say() -> None:
    # Means of sixteen samples against means of four, and 2 ms of transducer: 7.5 - 1.5 - 2.
    assert seen_later_s({"position_kind": 1, "sensor_lag_us": 2000}) == pytest.approx(0.004)
    assert seen_later_s({"position_kind": 2, "sensor_lag_us": 2000}) == pytest.approx(-0.0035)
    late = 4
    plain = stroke()
    shifted = np.concatenate((np.full(late, plain.travel_m[0]), plain.travel_m[:-late]))
    found = travel_signature(TravelStroke(plain.stroke, shifted, lag_s=late * DT))
    assert found.contact_m == pytest.approx(travel_signature(plain).contact_m, abs=2e-6)
    # Four points of 10 um earlier.
    raw = travel_signature(TravelStroke(plain.stroke, shifted)).contact_m
    assert raw == pytest.approx(found.contact_m - 40e-6, abs=2e-6)


def test_the_record_s_contact_stands_in_where_the_trace_is_coarse() -> None:
    fine = stroke()
    coarse = slice(None, None, 16)
    thin = replace(fine.stroke, dt_s=16 * DT, force_N=fine.stroke.force_N[coarse])
    told = travel_signature(TravelStroke(thin, fine.travel_m[coarse], contact_m=5.002e-3))
    assert told.contact_m == pytest.approx(5.002e-3, abs=1e-6)
    # Nonsense from elsewhere is held between the points around the contact.
    other = travel_signature(TravelStroke(thin, fine.travel_m[coarse], contact_m=1e-3))
    assert 4.7e-3 < other.contact_m < 5.0e-3


def test_too_few_parts_and_parts_without_a_knee_teach_nothing() -> None:
    with pytest.raises(BadInput, match="too few"):
        learn_travel_envelope(good_parts(5))
    assert learn_travel_band(good_parts(5)) is None
    with pytest.raises(BadInput, match=r"too few|hardly gave way"):
        learn_travel_envelope([stroke(plateau=300.0, flat=0.0, seed=i) for i in range(12)])


def test_the_band_holds_every_part_that_taught_it() -> None:
    parts = good_parts()
    band = learn_travel_band(parts)
    assert band is not None
    for each in parts:
        found = curve(each)
        assert found is not None
        inside = (band.travel_m >= found.travel_m[0]) & (band.travel_m <= found.travel_m[-1])
        f = np.interp(band.travel_m[inside], found.travel_m, found.force_N)
        assert (f >= band.low_N[inside] - 1e-6).all()
        assert (f <= band.high_N[inside] + 1e-6).all()


def test_from_the_store(tmp_path: Path) -> None:
    flags = T.FLAG_CUTOFF | T.FLAG_LEARNED | T.FLAG_TRAVEL
    parts = [*good_parts(12), stroke(8e-3, 100.0, 0.0)]
    with CycleStore(tmp_path / "c.db") as store:
        store.add_snapshot(
            "p", SettingsState("settings", 1, "D", {"position_kind": 2, "sensor_lag_us": 0}), 1
        )
        records = []
        for seq, part in enumerate(parts, start=1):
            points = np.clip(part.stroke.force_N, 0, 65535).astype(int)
            records.append(
                record(seq, flags=flags, setpoint_n=13_000, peak_n=int(points.max()), trace_len=len(points))
            )
            store.add_traces("p", [(seq, Trace(seq, DT, 1.0, tuple(points.tolist())))])
            travel = (part.travel_m * 1e6 / 4).round().astype(int)
            store.add_travels("p", [(seq, TravelTrace(seq, DT, 4e-6, tuple(travel.tolist())))])
        records.append(record(99))
        store.add_cycles(identity("p"), records, 1)
        strokes = travel_strokes(store, "p", records)
    assert list(strokes) == list(range(1, 14))
    assert strokes[1].lag_s == pytest.approx(-0.0015)
    judged = judge_travel(records, strokes, {13: "bad"})
    assert judged.teaching == tuple(range(1, 13))
    assert judged.verdicts[13].part == "missing"
    assert {judged.verdicts[seq].part for seq in range(1, 13)} == {"good"}
    assert judge_travel(records[:4], strokes, {}).envelope is None
