"""What a procedure needs of the person at the press, whoever or whatever that is."""

from __future__ import annotations

from typing import Protocol


class Hands(Protocol):
    """A person (prompted) or the virtual press's operator. Each act returns once it is done."""

    def note(self, text: str) -> None:
        """Tell what is going on."""

    def wait(self, seconds: float) -> None:
        """Let time pass."""

    def open_changes(self) -> None:
        """Hold the panel's enable button until changes are open."""

    def open_calibration(self) -> None:
        """Hold that button longer, until the calibration's seal is open, too."""

    def use_block(self) -> None:
        """Solid block under the ram, ram at the top."""

    def use_part(self) -> None:
        """A fresh part under the ram."""

    def use_stack(self, height_m: float) -> None:
        """Gauge blocks of that height, metres, on the bed or block under the ram, ram at the top; 0 = none."""

    def press_extend(self) -> None:
        """Foot on the extend pedal and stay."""

    def release_extend(self) -> None:
        """Foot off the extend pedal."""

    def tap_retract(self, seconds: float) -> None:
        """Touch the retract pedal for a moment: the force falls, or the ram backs off a little."""

    def reseat(self, run: int) -> bool:
        """Take the reference out, turn it by a third and put it back before a run; True when it was done."""

    def ambient_C(self, when: str) -> float | None:
        """Ambient temperature (degrees Celsius) "at the start" or "at the end"; None where it was not read."""

    def to_top(self) -> None:
        """Send the ram to the top."""

    def reference_N(self) -> float:
        """Reading of the reference now, newtons on the block."""
