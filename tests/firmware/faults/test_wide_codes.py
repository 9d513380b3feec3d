"""A reading that stands on a wide code of the converter on the chip is no frozen sensor."""

from array import array

import pytest
from core_bench import REST, Bench

from steadyram_fw import tables as t


@pytest.mark.parametrize(
    ("code", "step", "fault"),
    [
        (511, 16, 0),
        (512, 16, t.FAULT_SENSOR_FROZEN),
        (510, 16, t.FAULT_SENSOR_FROZEN),
        # A 16-bit converter has none.
        (511, 1, t.FAULT_SENSOR_FROZEN),
    ],
)
def test_standing_on_a_wide_code_is_not_frozen(code, step, fault):
    bench = Bench(char_valid=1, rate_low_n_s=100000, rate_high_n_s=100000, noise_n=400, counts_step=step)
    bench.core.calibrate(array("i", [code << 4, -600, 350000, 0, 0, 58982, 600, 1]))
    bench.reading = code << 4
    bench.run(400)
    for _ in range(2000):
        bench.core.step(code << 4, REST)
    assert bench.core.fault == fault
