"""The virtual press's operator as the hands of a commissioning procedure, with a load cell under the ram."""

from __future__ import annotations

import math

from steadyram.bending.device_stroke import BendingPedals
from steadyram.bending.procedure import BendingHands
from steadyram.commission.hands import Hands
from steadyram.errors import CheckFailed
from steadyram.virtual.load_cell import WORKSHOP_C, load_cell_gain
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import open_changes


def protractor_deg(press: VirtualPress) -> float:
    """Included angle of the sheet on the die, to tenths of a degree. Raises CheckFailed where there is none."""
    bent = press.plant.released_angle_rad()
    if bent is None:
        raise CheckFailed(
            "There is no sheet on a die under this ram; give a press file whose work is a bend."
        )
    return round(180.0 - math.degrees(bent), 1)


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

    def use_part(self) -> None:
        self._press.load_part()
        self._press.run(0.3)

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

    def reseat(self, run: int) -> bool:
        return True

    def ambient_C(self, when: str) -> float | None:
        return WORKSHOP_C

    def to_top(self) -> None:
        press = self._press
        press.run(0.3)
        if press.plant.at_top:
            return
        press.operator.raise_ram(60.0)

    def reference_N(self) -> float:
        return self._press.plant.force_N * self._gain


class VirtualBending(VirtualHands, BendingPedals, BendingHands):
    """The same at a die, saying yes to every stroke, with a protractor that shows tenths of a degree."""

    def __init__(self, press: VirtualPress, cell_seed: int = 0) -> None:
        super().__init__(press, cell_seed)

    def fresh_sheet(self) -> None:
        self.use_part()

    def confirm(self, text: str) -> bool:
        self.note(text)
        return True

    def included_angle_rad(self, text: str) -> float:
        return math.radians(protractor_deg(self._press))
