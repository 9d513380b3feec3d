"""The person at the virtual press: pedals, selectors, emergency stop, panel buttons, parts.

Each act is what a hand or foot does; what the firmware gets is the level of a contact. The acts that take
time (`tap_ack`, `hold_enable`, `tap_*`) run the press while they last; the others return at once.
"""

from __future__ import annotations

from steadyram.errors import BadInput
from steadyram.virtual.press_face import OperatedPress
from steadyram.virtual.work import Part, block, no_part

# How long a person holds a button down: long enough for the panel's "hold to enable".
HOLD_S = 2.0
# ... and for the seal of the calibration, which takes longer and counts when the button is let go.
SEAL_S = 5.5
TAP_S = 0.15
# ... and to acknowledge: 0.2 to 3 s count.
ACK_S = 0.5


class Operator:
    """Levels of everything a person can touch. True = pressed, held, on, or (estop) pushed in."""

    def __init__(self, press: OperatedPress) -> None:
        self._press = press
        self.extend_held = False
        self.retract_held = False
        self._cutoff_on = True
        self._latch_on = False
        self.estop_pushed = False
        self.release_open = False
        self.enable_held = False
        self.ack_held = False
        self.push_held = False
        self.knob_steps = 0
        # When each pedal last moved, in steps of the plant (for contacts that bounce).
        self.extend_step = -1_000_000
        self.retract_step = -1_000_000

    def _act(self, name: str) -> None:
        self._press.note(name)

    # ------------------------------------------------------------------ pedals
    def press_extend(self) -> None:
        """Foot on the extend pedal. Counts one cycle."""
        if not self.extend_held:
            self.extend_held = True
            self.extend_step = self._press.plant.step_index
            self._press.cycle += 1
            self._act("press-extend")
            self._foot_moved()

    def release_extend(self) -> None:
        """Foot off the extend pedal."""
        if self.extend_held:
            self.extend_held = False
            self.extend_step = self._press.plant.step_index
            self._act("release-extend")
            self._foot_moved()

    def _foot_moved(self) -> None:
        """Switch the pedal's second contact block, where it lies in the supply of the feed coils."""
        if self._press.plant.press.circuit.pedal_in_supply:
            self._press.rewire()

    def press_retract(self) -> None:
        """Foot on the retract pedal."""
        if not self.retract_held:
            self.retract_held = True
            self.retract_step = self._press.plant.step_index
            self._act("press-retract")

    def release_retract(self) -> None:
        """Foot off the retract pedal."""
        if self.retract_held:
            self.retract_held = False
            self.retract_step = self._press.plant.step_index
            self._act("release-retract")

    def release_all(self) -> None:
        """Both feet off the pedals."""
        self.release_extend()
        self.release_retract()

    def tap_retract(self, seconds: float = TAP_S) -> None:
        """One touch of the retract pedal (latched return)."""
        self.press_retract()
        self._press.run(seconds)
        self.release_retract()

    def open_release(self) -> None:
        """Open the hand-worked release valve: a spring-returned ram empties, and no contact tells the firmware."""
        self.release_open = True
        self._act("release-open")
        self._press.rewire()

    def shut_release(self) -> None:
        """Shut the hand-worked release valve again."""
        self.release_open = False
        self._act("release-shut")
        self._press.rewire()

    def raise_ram(self, timeout_s: float) -> bool:
        """Bring the ram up by the retract pedal or, with no valve fitted, the release valve; True when it is up."""
        press = self._press
        by_hand = press.plant.press.valve.indicator
        if by_hand:
            self.open_release()
        else:
            self.press_retract()
        press.run_until(lambda p: p.plant.at_top, timeout_s)
        press.run(0.05)
        if by_hand:
            self.shut_release()
        else:
            self.release_retract()
        press.run(0.1)
        return press.plant.at_top

    # ------------------------------------------------------------------ selectors, emergency stop
    def cutoff(self, on: bool) -> None:
        """Turn the cutoff selector; let 0.1 s pass before a pedal: a selector that moves while it goes down refuses."""
        self._cutoff_on = on
        self._act("cutoff-on" if on else "cutoff-off")

    @property
    def cutoff_on(self) -> bool:
        """The cutoff selector; setting it is `cutoff`."""
        return self._cutoff_on

    @cutoff_on.setter
    def cutoff_on(self, on: bool) -> None:
        self.cutoff(on)

    def latch(self, on: bool) -> None:
        """Turn the return selector: True = latched return; let 0.1 s pass before a pedal, as with `cutoff`."""
        self._latch_on = on
        self._act("latch-on" if on else "latch-off")

    @property
    def latch_on(self) -> bool:
        """The return selector; setting it is `latch`."""
        return self._latch_on

    @latch_on.setter
    def latch_on(self, on: bool) -> None:
        self.latch(on)

    def push_estop(self) -> None:
        """Push the emergency stop in: opens its monitor contact and takes the supply off the relays."""
        self.estop_pushed = True
        self._act("estop-pushed")
        self._press.rewire()

    def pull_estop(self) -> None:
        """Pull the emergency stop out again."""
        self.estop_pushed = False
        self._act("estop-pulled")
        self._press.rewire()

    # ------------------------------------------------------------------ panel
    def press_enable(self) -> None:
        """Press the panel's enable button and keep it pressed."""
        self.enable_held = True
        self._act("press-enable")

    def release_enable(self) -> None:
        """Let go of the panel's enable button."""
        self.enable_held = False
        self._act("release-enable")

    def hold_enable(self, seconds: float = HOLD_S) -> None:
        """Hold the panel's enable button as a person does before changes."""
        self.press_enable()
        self._press.run(seconds)
        self.release_enable()
        self._press.run(TAP_S)

    def open_seal(self, seconds: float = SEAL_S) -> None:
        """Hold the enable button long enough for calibration, too: opens changes and the calibration's seal."""
        self.hold_enable(seconds)

    def tap_ack(self, seconds: float = ACK_S) -> None:
        """Push the panel's acknowledge button and release it; 0.2 to 3 s acknowledge a fault."""
        self.ack_held = True
        self._act("press-ack")
        self._press.run(seconds)
        self.ack_held = False
        self._act("release-ack")
        self._press.run(TAP_S)

    def tap_push(self, seconds: float = TAP_S) -> None:
        """A short push of the knob: menu, confirm."""
        self.push_held = True
        self._act("press-push")
        self._press.run(seconds)
        self.push_held = False
        self._act("release-push")
        self._press.run(TAP_S)

    def turn_knob(self, steps: int) -> None:
        """Turn the setpoint knob, clockwise positive."""
        self.knob_steps += steps

    # ------------------------------------------------------------------ parts
    def load_part(self, part: Part | None = None) -> None:
        """A fresh part of the press file's work (scatter drawn from the seed), or the part given."""
        if part is None:
            self._press.plant.next_part()
        else:
            self._press.plant.load_part(part)
        self._act("load-part")

    def next_coil(self) -> None:
        """Bent work: sheets of another coil from now on, the first of them on the die."""
        self._press.plant.next_coil()
        self.load_part()

    def swap_block(self) -> None:
        """A solid block in the part's place, as far from the ram: the dead stop of commissioning."""
        self._press.plant.load_part(block(self._press.plant.press.work.gap))
        self._act("swap-block")

    def use_stack(self, height_m: float) -> None:
        """Gauge blocks of that height, metres, on a bed that the ram meets at nine tenths of its stroke."""
        gap = 0.9 * self._press.plant.press.cylinder.stroke - height_m
        if not gap > 0:
            raise BadInput(
                f"A stack of {1000 * height_m:.1f} mm does not fit under this ram; choose a lower one."
            )
        self._press.plant.load_part(block(gap))
        self._act("gauge-stack")

    def remove_part(self) -> None:
        """Nothing under the ram."""
        self._press.plant.load_part(no_part(self._press.plant.press.cylinder.stroke))
        self._act("remove-part")
