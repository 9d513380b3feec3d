"""A valve is switched on in the step after the one that planned it, and not at all when the pedal goes up between."""

import pytest
from core_bench import DOWN, VALVES, Bench

from steadyram_fw import tables as t

MEASURED = dict(
    char_valid=1, strategy=1, holds_load=1, capacity_n=200_000, overforce_n=210_000, open_lag_us=30_000,
    close_lag_us=30_000, sensor_lag_us=2000, jitter_us=1000, rate_low_n_s=100_000, rate_high_n_s=100_000, noise_n=400,
)  # fmt: skip


def bench():
    made = Bench(**MEASURED).ready()
    made.planned = []
    cut = made.core.cut
    for name in ("begin", "decide"):
        plan = getattr(cut, name)

        def seen(*words, plan=plan):
            made.planned.append(made.core.ms)
            return plan(*words)

        setattr(cut, name, seen)
    return made


def switched(made, ms, inputs):
    """Steps in which a valve went on."""
    found = []
    for _ in range(ms):
        before = made.out & VALVES
        made.run(1, inputs)
        if made.out & VALVES and not before:
            found.append(made.core.ms)
    return found


def test_every_feed_and_pulse_begins_in_the_step_after_its_plan():
    made = bench()
    on = switched(made, 3000, DOWN | t.IN_EXTEND)
    assert len(on) > 3
    assert on == [planned + 1 for planned in made.planned[: len(on)]]


@pytest.mark.parametrize("which", [0, 2])
def test_a_pedal_let_go_between_plan_and_switch_energises_nothing(which):
    made = bench()
    while len(made.planned) <= which:
        made.run(1, DOWN | t.IN_EXTEND)
        assert made.core.ms < 5000
    # An open contact counts after some milliseconds: the core is told at once here.
    made.core._extend = False
    made.core._steady = True
    made.core._raw = DOWN | t.IN_EXTEND
    assert switched(made, 1, DOWN | t.IN_EXTEND) == []
    assert made.core._next == 0
    assert switched(made, 400, DOWN) == []
