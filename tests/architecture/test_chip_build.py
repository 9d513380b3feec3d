"""The firmware compiles for the chip: its machine code takes less of Python than the interpreters on a PC do."""

from steadyram.install.package import build


def test_every_module_compiles_for_a_pico():
    assert "steadyram_fw/core/faults.mpy" in build("armv6m").files
