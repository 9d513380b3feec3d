"""A reading that stands on a wide code of the converter on the chip is no frozen sensor.

The codes are those of the RP2040's erratum RP2040-E11 (its data sheet): 511, 1535, 2559 and 3583 of 12 bits.
"""

from array import array

import pytest
from core_bench import REST, Bench

from steadyram_fw import tables as t
from steadyram_fw.boards.converter import ratio

FULL = 4095
WIDE = (511, 1535, 2559, 3583)


def on_16_bits(code):
    """Return what the chip's port gives for a code of 12 bits."""
    return code << 4 | code >> 8


def fault_of(reading, step=16, supply=None):
    bench = Bench(char_valid=1, rate_low_n_s=100000, rate_high_n_s=100000, noise_n=400, counts_step=step)
    bench.core.calibrate(array("i", [reading, -600, 350000, 0, 0, 58982, 600, 1]))
    if supply is not None:
        bench.core.note_supply(supply)
    bench.reading = reading
    bench.run(400)
    for _ in range(2000):
        bench.core.step(reading, REST)
    return bench.core.fault


@pytest.mark.parametrize(
    ("code", "supply"),
    # those that lie in the transducer's range at this supply
    [(code, supply) for supply in (FULL, 3724, 3100, 2700) for code in WIDE if code < 0.9 * supply],
)
def test_standing_on_a_wide_code_is_not_frozen_whatever_the_supply(code, supply):
    reading = ratio(on_16_bits(code), on_16_bits(supply))
    assert fault_of(reading, supply=on_16_bits(supply)) == 0


@pytest.mark.parametrize("supply", [FULL, 3724, 3100])
@pytest.mark.parametrize("code", [508, 514, 1300, 1532, 1538, 2047, 2556, 2562])
def test_standing_on_any_other_code_is_frozen(code, supply):
    reading = ratio(on_16_bits(code), on_16_bits(supply))
    assert fault_of(reading, supply=on_16_bits(supply)) == t.FAULT_SENSOR_FROZEN


@pytest.mark.parametrize("code", WIDE)
def test_a_virtual_press_has_the_full_scale_as_its_supply(code):
    assert fault_of(code << 4) == 0


def test_a_16_bit_converter_has_none():
    assert fault_of(511 << 4, step=1) == t.FAULT_SENSOR_FROZEN
