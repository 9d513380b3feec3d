"""Both converters: ratiometric, within 31 bits, honest about a lost supply or bus."""

import pytest
from stub_machine import make_machine

from steadyram_fw.boards.converter import External, Internal, ratio


class Reading:
    def __init__(self, value):
        self.value = value

    def read_u16(self):
        return self.value


@pytest.mark.parametrize("signal", [0, 1, 3277, 6554, 32768, 58982, 65535])
@pytest.mark.parametrize("supply", [16384, 40000, 58000, 65535])
def test_ratio_is_right_to_a_few_counts_and_small(signal, supply):
    assert signal << 14 < 1 << 30
    exact = min(65535, 65536 * signal / supply)
    # the supply's two lowest bits are dropped: one part in supply / 3, and one count of rounding
    assert abs(ratio(signal, supply) - exact) <= 1 + exact * 3 / supply


def test_supply_that_sags_does_not_move_the_reading():
    for supply in (48000, 52000, 56000):
        chip = Internal(Reading(supply // 2), Reading(supply), 4)
        assert chip.counts() == pytest.approx(32768, abs=4)


def test_lost_supply_reads_as_zero():
    assert Internal(Reading(30000), Reading(900), 4).counts() == 0


def external():
    machine = make_machine(converter=True)
    pin = machine.Pin
    ready = pin(13, pin.IN, pin.PULL_UP)
    ready.level = 0
    machine.inputs = {0x4000: 12000, 0x5000: 24000}
    chip = External(machine.I2C(1, scl=pin(15), sda=pin(14), freq=400000), ready)
    return chip, machine, ready


def test_external_takes_its_supply_first_then_the_signal():
    chip, machine, _ = external()
    got = [chip.counts() for _ in range(40)]
    assert got[-1] == 32768
    assert set(got) == {0, 32768}
    assert machine.registers[3] == b"\x80\x00", "the alert pin is a data-ready pin"
    assert machine.registers[2] == b"\x00\x00"


def test_without_new_data_the_last_reading_stands_and_a_dead_pin_is_a_fault():
    chip, machine, ready = external()
    for _ in range(40):
        chip.counts()
    ready.level = 1
    machine.inputs[0x4000] = 20000
    assert [chip.counts() for _ in range(20)] == [32768] * 20
    assert chip.counts() == 0
    ready.level = 0
    chip.counts()
    assert chip.counts() == ratio(40000, 48000)


def test_bus_error_reads_as_zero_and_ends_with_the_error():
    chip, machine, _ = external()
    for _ in range(40):
        chip.counts()
    machine.bus_fails = True
    assert chip.counts() == 0
    machine.bus_fails = False
    assert chip.counts() == 32768


def test_supply_is_followed_at_rest_and_left_alone_in_a_stroke():
    chip, machine, _ = external()
    for _ in range(40):
        chip.counts()
    machine.inputs[0x5000] = 20000
    for _ in range(600):
        chip.counts()
        chip.resting(False)
    assert chip.counts() == 32768
    for _ in range(600):
        chip.counts()
        chip.resting(True)
    assert chip.counts() == ratio(24000, 40000)


def test_below_ground_is_zero_not_full_scale():
    chip, machine, _ = external()
    for _ in range(40):
        chip.counts()
    machine.inputs[0x4000] = 65530  # minus six
    assert chip.counts() == 0
