"""The virtual press's operator as the hands of a commissioning procedure, with a load cell under the ram."""

from __future__ import annotations

from steadyram.commission.hands import Hands
from steadyram.virtual.load_cell import load_cell_gain
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import open_changes


class VirtualHands(Hands):
    """Acts on the press in virtual time. cell_seed: draw of the load cell's error."""

    def __init__(self, press: VirtualPress, cell_seed: int) -> None:
        self._press = press
        self._gain = load_cell_gain(cell_seed)

    def note(self, text: str) -> None:
        self._press.note(text)

    def wait(self, seconds: float) -> None:
        self._press.run(seconds)

    def open_changes(self) -> None:
        open_changes(self._press)

    def open_calibration(self) -> None:
        open_changes(self._press)

    def use_block(self) -> None:
        self._press.swap_block()

    def use_stack(self, height_m: float) -> None:
        self.to_top()
        self._press.operator.use_stack(height_m)

    def press_extend(self) -> None:
        self._press.operator.press_extend()

    def release_extend(self) -> None:
        self._press.operator.release_extend()
        self._press.run(0.02)

    def tap_retract(self, seconds: float) -> None:
        self._press.operator.tap_retract(seconds)

    def to_top(self) -> None:
        press = self._press
        press.run(0.3)
        if press.plant.at_top:
            return
        press.operator.press_retract()
        press.run_until(lambda p: p.plant.at_top, 60.0)
        press.run(0.05)
        press.operator.release_retract()
        press.run(0.1)

    def reference_N(self) -> float:
        return self._press.plant.force_N * self._gain
