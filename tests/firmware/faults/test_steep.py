"""A rise that the dead-stop test leaves no room for stops the press and names commissioning."""

import pytest
from core_bench import DOWN, REST, Bench

from steadyram_fw import tables as t


def after_the_dead_stop_test():
    """A press whose dead-stop test found 100 kN/s."""
    return Bench(
        char_valid=1,
        rate_low_n_s=100000,
        rate_high_n_s=100000,
        noise_n=20,
        strategy=0,
        job={"setpoint_n": 150000},
    ).ready()


@pytest.mark.parametrize(("times", "fault"), [(1.6, 0), (2.8, t.FAULT_COMMISSIONING_DOUBTFUL)])
def test_a_rise_of_twice_the_dead_stops_is_a_fault_that_names_commissioning(times, fault):
    bench = after_the_dead_stop_test()
    bench.run(40, REST | t.IN_EXTEND)
    per_ms = round(times * 100 * 65536 / 350000)
    assert bench.run(80, DOWN | t.IN_EXTEND, slope=per_ms) == fault


def test_a_jump_alone_is_none():
    bench = after_the_dead_stop_test()
    bench.run(40, REST | t.IN_EXTEND)
    bench.reading += 60
    assert bench.run(80, DOWN | t.IN_EXTEND) == 0
