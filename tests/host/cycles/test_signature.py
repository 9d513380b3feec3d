"""Signatures of made-up strokes whose figures are known, and what an envelope makes of them."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from tests.host.cycles.samples import record

from steadyram.cycles.envelope import Envelope, learn_band, learn_envelope
from steadyram.cycles.envelope_watch import ONE_SIDE, Watch, one_part_limit
from steadyram.cycles.signature import Stroke, signature
from steadyram.cycles.signature_store import learn_more, stroke_of
from steadyram.errors import BadInput

DT = 0.002
SET = 10_000.0


def stroke(
    *,
    contact_s: float = 0.4,
    plateau_N: float = 7000.0,
    approach_N: float = 0.0,
    loss_per_s: float = 0.005,
    rise_N_per_s: float = 400_000.0,
    noise_N: float = 4.0,
    seed: int = 0,
) -> Stroke:
    """Free travel, a rise, a stand on the plateau, a rise to the set force, a hold that leaks."""
    rng = np.random.default_rng(seed)
    time = (np.arange(480) + 1) * DT
    rise = np.clip((time - contact_s) * rise_N_per_s, 0.0, plateau_N)
    second = np.clip((time - contact_s - 0.12) * rise_N_per_s, 0.0, SET - plateau_N)
    held_from = contact_s + 0.12 + (SET - plateau_N) / rise_N_per_s
    leak = np.where(time > held_from, np.exp(-loss_per_s * (time - held_from)), 1.0)
    force = np.where(
        time < contact_s, np.where(time > 0.04, approach_N, 0.0), approach_N + (rise + second) * leak
    )
    force = np.maximum(0.0, force + rng.normal(0.0, noise_N, len(time)))
    return Stroke(
        DT,
        force,
        SET,
        float(force.max()),
        float(force[-60:].mean()),
        float(force[-8:].mean()),
        1,
        0.7,
        True,
        "setpoint",
    )


def good(n: int = 20) -> list[Stroke]:
    rng = np.random.default_rng(8)
    return [
        stroke(
            contact_s=0.4 + 0.002 * float(rng.standard_normal()),
            plateau_N=7000.0 * (1 + 0.03 * float(rng.standard_normal())),
            seed=i,
        )
        for i in range(n)
    ]


def test_the_figures_are_those_the_stroke_was_made_with() -> None:
    found = signature(stroke(approach_N=300.0, loss_per_s=0.05))
    assert found.contact_s == pytest.approx(0.4, abs=0.0025)
    assert found.approach_N == pytest.approx(300.0, abs=2.0)
    assert found.landing_N == pytest.approx(7300.0, rel=0.003)
    assert found.rise_s == pytest.approx(0.6 * 7000.0 / 400_000.0, abs=0.0008)
    assert found.half_s == pytest.approx((0.5 * SET - 300.0) / 400_000.0, abs=0.0015)
    assert found.loss_per_s == pytest.approx(0.05, abs=0.01)
    assert found.steep_N_per_s == pytest.approx(400_000.0, rel=0.02)
    assert found.stands_N[0] == found.landing_N
    # The work of the ramp alone: half of the plateau over the time of the rise, less what is under the touch.
    assert found.embed_Ns == pytest.approx(0.5 * 7000.0 * 0.0175, rel=0.25)
    assert found.work_J(0.01) == pytest.approx(0.01 * found.embed_Ns)


def test_no_contact_gives_no_figures_but_those_of_the_record() -> None:
    free = dataclasses.replace(stroke(), force_N=np.abs(np.random.default_rng(1).normal(0.0, 4.0, 480)))
    found = signature(free)
    assert math.isnan(found.contact_s)
    assert found.peak_N == free.peak_N
    assert math.isnan(signature(dataclasses.replace(free, force_N=np.zeros(0))).landing_N)


@pytest.mark.parametrize(
    ("what", "expected"),
    [
        ({}, "good"),
        ({"contact_s": 0.70}, "missing"),
        ({"contact_s": 0.25}, "double"),
        ({"contact_s": 0.42, "plateau_N": 5600.0}, "thin"),
        ({"contact_s": 0.38, "plateau_N": 8300.0}, "thick"),
        ({"plateau_N": 9000.0}, "hard"),
    ],
)
def test_a_bad_part_is_named(what: dict[str, float], expected: str) -> None:
    watch = Watch(learn_envelope(good()))
    for each in good(6):
        assert watch.judge(each).part == "good"
    assert watch.judge(stroke(seed=99, **what)).part == expected


@pytest.mark.parametrize(
    ("what", "expected"),
    [
        ({"approach_N": 400.0}, "seal"),
        ({"loss_per_s": 0.06}, "leak"),
        ({"contact_s": 0.414}, "valve"),
        ({"contact_s": 0.414, "rise_N_per_s": 310_000.0}, "warm"),
    ],
)
def test_wear_is_named_after_some_parts_and_forgotten_when_it_is_mended(
    what: dict[str, float], expected: str
) -> None:
    watch = Watch(learn_envelope(good()))
    said = [watch.judge(stroke(seed=i, **what)).press for i in range(14)]
    assert said[0] in ("sound", "seal")
    assert said[-1] == expected
    mended = [watch.judge(each) for each in good(14)]
    assert mended[-1].press == "sound"
    assert [each.part for each in mended[-5:]] == ["good"] * 5


def test_the_envelope_needs_parts_of_one_setpoint_and_comes_back_from_text() -> None:
    with pytest.raises(BadInput, match="too few"):
        learn_envelope(good(5))
    with pytest.raises(BadInput, match="different setpoints"):
        learn_envelope([*good(10), dataclasses.replace(stroke(), setpoint_N=9000.0)])
    first = [dataclasses.replace(each, learned=False) for each in good(10)]
    with pytest.raises(BadInput, match="too few"):
        learn_envelope(first)
    envelope = learn_envelope(good())
    assert Envelope.from_text(envelope.to_text()) == envelope
    with pytest.raises(BadInput, match="learn it anew"):
        Envelope.from_text("{}")


def test_two_bad_parts_among_the_teachers_do_little_harm() -> None:
    clean = learn_envelope(good()).figures["contact_s"]
    spoiled = learn_envelope([*good(), stroke(contact_s=0.7), stroke(contact_s=0.25)]).figures["contact_s"]
    assert spoiled.centre == pytest.approx(clean.centre, abs=clean.sd_above)
    assert max(spoiled.sd_below, spoiled.sd_above) < 2.0 * max(clean.sd_below, clean.sd_above)


def test_the_band_holds_the_parts_it_was_learned_from() -> None:
    parts = good(12)
    band = learn_band(parts)
    assert band is not None
    for each in parts:
        own = (np.arange(len(each.force_N)) + 1) * DT
        low, high = np.interp(own, band.time_s, band.low_N), np.interp(own, band.time_s, band.high_N)
        assert np.mean((each.force_N >= low) & (each.force_N <= high)) > 0.995
    assert learn_band(parts[:3]) is None


def test_a_ramp_of_the_seals_in_free_travel_is_no_contact() -> None:
    made = stroke()
    force = made.force_N.copy()
    # The seals break away with a fifth of the set force, which then falls off, before the ram meets anything.
    force[20:60] += np.linspace(2000.0, 0.0, 40)
    found = signature(dataclasses.replace(made, force_N=force))
    assert found.contact_s == pytest.approx(signature(made).contact_s, abs=2 * DT)
    assert found.landing_N == pytest.approx(7000.0, rel=0.01)


def test_contact_is_judged_by_its_own_scatter() -> None:
    rng = np.random.default_rng(5)
    wide = [stroke(contact_s=0.4 + 0.03 * float(rng.standard_normal()), seed=i) for i in range(20)]
    assert Watch(learn_envelope(wide)).judge(stroke(contact_s=0.34, plateau_N=8300.0)).part != "thick"
    assert Watch(learn_envelope(good())).judge(stroke(contact_s=0.38, plateau_N=8300.0)).part == "thick"


def test_a_stroke_that_the_device_ended_as_overdue_is_a_part_missing_or_doubled() -> None:
    watch = Watch(learn_envelope(good()))
    assert watch.judge(dataclasses.replace(stroke(contact_s=0.6), stop="overdue")).part == "missing"
    assert watch.judge(dataclasses.replace(stroke(contact_s=0.2), stop="overdue")).part == "double"


def test_a_stroke_ended_before_contact_was_due_says_nothing_of_its_part() -> None:
    watch = Watch(learn_envelope(good()))
    # The device took the seals' breakaway for contact and missed the rise: 0.1 s after the pedal, contact is at 0.4 s.
    ended = dataclasses.replace(stroke(), stop="overdue", duration_s=0.1, force_N=np.full(25, 20.0))
    assert watch.judge(ended).part == "not judged"
    assert watch.judge(dataclasses.replace(ended, oil_contact_s=0.02)).part == "not judged"
    by_oil = [oiled(each, 0.4 + 0.001 * i) for i, each in enumerate(good(12))]
    watch = Watch(learn_envelope(by_oil))
    assert watch.judge(oiled(ended, 0.02)).part == "not judged"
    assert watch.judge(dataclasses.replace(ended, duration_s=0.9)).part == "missing"


def test_a_part_odd_by_all_its_figures_is_named_with_each_of_them() -> None:
    rng = np.random.default_rng(9)
    teachers = [oiled(each, 0.4 + 0.002 * float(rng.standard_normal())) for each in good(20)]
    envelope = learn_envelope(teachers)
    contact, landing = (envelope.figures[name] for name in ("contact_s", "landing_N"))
    beyond = one_part_limit(20) - 0.2
    low = stroke(seed=77, plateau_N=math.exp(landing.centre - beyond * landing.sd_below))
    odd = oiled(low, contact.centre + beyond * contact.sd_above, half_s=0.0108)
    said = Watch(envelope).judge(odd)
    # No figure alone is beyond its limit: all of them together are.
    assert said.part == "thin"
    told = ("contact_s", "half_s", "rest_s")
    assert all(abs(said.deviations[name]) < one_part_limit(20) for name in told)
    assert "contact +3.3" in said.reason()
    assert "all together, of what is allowed" in said.reason()


@pytest.mark.parametrize(
    ("contact_s", "half_s", "end_s", "expected"),
    [
        (0.4, 0.01, 0.03, "good"),
        (0.4, 0.013, 0.03, "soft"),
        (0.4, 0.0075, 0.03, "hard"),
        (0.45, 0.008, 0.018, "missing"),
        (0.37, 0.018, 0.055, "double"),
        (0.415, 0.01, 0.03, "thin"),
        (0.385, 0.01, 0.03, "thick"),
    ],
)
def test_the_oil_of_a_part_tells_what_is_odd(
    contact_s: float, half_s: float, end_s: float, expected: str
) -> None:
    rng = np.random.default_rng(19)
    teachers = [oiled(each, 0.4 + 0.002 * float(rng.standard_normal())) for each in good(12)]
    odd = dataclasses.replace(oiled(stroke(seed=5), contact_s, half_s), oil_end_s=end_s)
    assert Watch(learn_envelope(teachers)).judge(odd).part == expected


def test_parts_called_good_teach_the_scatter_too_and_bad_ones_do_not() -> None:
    rng = np.random.default_rng(23)
    parts = {n: oiled(each, 0.4 + 0.002 * float(rng.standard_normal())) for n, each in enumerate(good(20))}
    parts |= {20: oiled(stroke(seed=6), 0.5), 21: oiled(stroke(seed=7), 0.4)}
    first = learn_envelope([parts[n] for n in range(10)])
    envelope, numbers = learn_more(first, parts, range(10), barred={21})
    assert set(range(10)) < set(numbers)
    assert not {20, 21} & set(numbers)
    assert envelope.parts == len(numbers) > 15


def test_a_stroke_ended_as_overdue_at_the_part_is_no_missing_one() -> None:
    watch = Watch(learn_envelope([oiled(each, 0.4 + 0.001 * n) for n, each in enumerate(good(12))]))
    ended = dataclasses.replace(oiled(stroke(seed=8), 0.405), stop="overdue", duration_s=0.9)
    assert watch.judge(ended).part == "not judged"
    assert watch.judge(dataclasses.replace(ended, oil_end_s=0.06)).part == "double"


def test_two_parts_in_a_first_part_are_told_by_a_contact_too_soon_for_any_ram() -> None:
    watch = Watch(learn_envelope([oiled(each, 0.4 + 0.001 * n) for n, each in enumerate(good(12))]))
    slowly = dataclasses.replace(stroke(contact_s=0.5, seed=9), stop="overdue", learned=False)
    assert watch.judge(slowly).part == "not judged"
    soon = dataclasses.replace(stroke(contact_s=0.3, seed=9), stop="overdue", learned=False)
    assert watch.judge(soon).part == "double"
    assert watch.judge(dataclasses.replace(soon, stop="setpoint")).part == "double"
    assert watch.judge(dataclasses.replace(slowly, stop="setpoint")).part == "not judged"
    assert watch.judge(dataclasses.replace(soon, stop="fault")).part == "not judged"


def test_a_limit_holds_for_as_many_good_parts_as_it_says() -> None:
    rng = np.random.default_rng(3200)
    for parts in (8, 30):
        drawn = rng.normal(size=(40_000, parts + 1))
        teachers, following = drawn[:, :-1], drawn[:, -1]
        off = (following - teachers.mean(axis=1)) / teachers.std(axis=1, ddof=1)
        beyond = float(np.mean(off > one_part_limit(parts)))
        assert beyond == pytest.approx(ONE_SIDE, abs=0.0008)


def oiled(made: Stroke, contact_s: float, half_s: float = 0.01) -> Stroke:
    """The stroke as a device tells it that counts its oil."""
    return dataclasses.replace(made, oil_contact_s=contact_s, oil_half_s=half_s, oil_end_s=0.03)


def paused(n: int, contact_s: float = 0.3) -> list[Stroke]:
    """Strokes whose ram pauses before contact, each for as long as it likes, with the same oil."""
    rng = np.random.default_rng(n)
    oil = contact_s + 0.002 * rng.standard_normal(n)
    return [
        oiled(stroke(contact_s=0.4 + 0.1 * float(rng.uniform()), seed=i), float(oil[i])) for i in range(n)
    ]


def test_contact_is_told_by_oil_however_long_the_ram_paused():
    envelope = learn_envelope(paused(20))
    assert envelope.by_oil
    watch = Watch(envelope)
    late = oiled(stroke(contact_s=0.6, seed=90), 0.3)
    assert watch.judge(late).part == "good"
    early = oiled(stroke(contact_s=0.45, seed=91), 0.15)
    assert watch.judge(early).part == "double"


def test_a_record_tells_its_oil():
    told = stroke_of(record(3, oil_contact_us=300_000, oil_half_us=-1, oil_end_us=41_000), None)
    assert (told.oil_contact_s, told.oil_end_s) == (0.3, 0.041)
    assert math.isnan(told.oil_half_s)
    assert told.by_oil
    assert not stroke_of(record(4), None).by_oil


def test_a_stroke_without_oil_is_not_judged_by_oil():
    watch = Watch(learn_envelope(paused(20)))
    assert watch.judge(stroke(contact_s=0.45)).part == "not judged"


def test_an_envelope_of_older_records_goes_by_time():
    assert not learn_envelope([stroke(seed=i) for i in range(10)]).by_oil
    mixed = [*paused(10), *(stroke(contact_s=0.9, seed=i) for i in range(9))]
    # Those that tell their oil teach; the others are left out, not mixed with them.
    envelope = learn_envelope(mixed)
    assert (envelope.by_oil, envelope.parts) == (True, 10)
