"""The hands of a person at a real press: asked in words, and the device watched until it is done."""

from __future__ import annotations

from collections.abc import Callable

from steadyram.commission.hands import Hands
from steadyram.device import Device
from steadyram.errors import BadInput, CheckFailed
from steadyram.link.records import Reading
from steadyram.metrology.guided import Person
from steadyram.units import parse

_LOOK_S = 0.1
_PATIENCE_S = 180.0
_ENOUGH_LEFT_S = 60.0


class PersonHands(Hands):
    """Prompts a person.

    ask: puts a question and returns the answer (empty where only a key is awaited); say: tells;
    reference_unit: what the reference reads when an answer carries no unit of its own; area_m2: piston area
    when the reference is a gauge on the line (its reading times the area is the force of the oil), else None.
    """

    def __init__(
        self,
        device: Device,
        ask: Callable[[str], str],
        say: Callable[[str], None],
        *,
        reference_unit: str = "kN",
        area_m2: float | None = None,
    ) -> None:
        self._device = device
        self._ask = ask
        self._say = say
        self._unit = reference_unit
        self._area = area_m2
        self._last = ""
        self._person = Person(ask, say)

    def note(self, text: str) -> None:
        self._say(text)

    def wait(self, seconds: float) -> None:
        clock = self._device.client.transport
        start = clock.now_s()
        # A clock that advances in milliseconds never takes the last fraction of one.
        while (left := seconds - (clock.now_s() - start)) > 0.001:
            self._device.next_event(min(left, _LOOK_S))

    def open_changes(self) -> None:
        left = self._device.now().changes_left_s
        if left > _ENOUGH_LEFT_S:
            return
        if left > 0:
            # The same button closes changes, and only then opens them for a fresh while.
            self._say(
                "Changes close soon. Hold the panel's enable button until the panel says that they are closed."
            )
            self._until(lambda now: now.changes_left_s == 0, "changes to be closed at the panel")
        self._say("Hold the panel's enable button until the panel says that changes are open.")
        self._until(lambda now: now.changes_left_s > _ENOUGH_LEFT_S, "changes to be opened at the panel")

    def open_calibration(self) -> None:
        if self._device.calibration_unsealed():
            return
        self._say(
            "Hold the panel's enable button for about six seconds, until the panel says to let go; then let go."
        )
        waited = 0.0
        while not self._device.calibration_unsealed():
            if waited > _PATIENCE_S:
                raise CheckFailed("Waited in vain for the calibration's seal to be opened at the panel.")
            self.wait(_LOOK_S)
            waited += _LOOK_S

    def use_block(self) -> None:
        self.to_top()
        self._person.wait(
            "Put a solid steel block (with the reference, if it goes under the ram) in place; press return"
        )

    def use_part(self) -> None:
        self.to_top()
        self._person.wait("Put a part in, hands out; press return")

    def use_stack(self, height_m: float) -> None:
        self.to_top()
        what = (
            f"Put a stack of {1000 * height_m:.3f} mm of gauge blocks"
            if height_m
            else "Take every gauge block out"
        )
        self._person.wait(f"{what} under the ram, flat on the bed; hands out; press return")

    def press_extend(self) -> None:
        self._say("Hands clear. Hold the extend pedal down until told to let go.")
        self._until(lambda now: now.state != "ready", "the extend pedal")

    def release_extend(self) -> None:
        self._say("Let go.")
        self._until(lambda now: now.state in ("ready", "fault"), "the pedals to be released")
        # Changes close by themselves after a while; a commissioning stroke needs them open.
        self.open_changes()

    def tap_retract(self, seconds: float) -> None:
        how = "as short as you can" if seconds < 0.05 else f"for about {seconds:.1g} s"
        self._person.wait(f"Touch the retract pedal {how}; press return")

    def reseat(self, run: int) -> bool:
        done = self._person.yes(
            f"Before run {run}: take the reference out, turn it by a third and put it back. Was that done?"
        )
        if not done:
            self._say("Recorded: not re-seated. Such a record earns no machine class and no certificate.")
        return done

    def ambient_C(self, when: str) -> float | None:
        return self._person.temperature(f"Ambient temperature now, {when}")

    def to_top(self) -> None:
        if self._device.now().top:
            return
        self._say("Send the ram to the top.")
        self._until(lambda now: now.top and now.state == "ready", "the ram at the top and pedals released")

    def reference_N(self) -> float:
        si = "newton" if self._area is None else "pascal"
        while True:
            hint = f" [{self._last}]" if self._last else ""
            answer = self._ask(f"What does the reference read, in {self._unit}?{hint}").strip() or self._last
            has_unit = any(char.isalpha() and char not in "eE" for char in answer)
            try:
                value = parse(answer if has_unit else f"{answer} {self._unit}", si, what="the reading")
            except BadInput as error:
                self._say(f"{error} Again.")
                continue
            self._last = answer
            return value if self._area is None else value * self._area

    def _until(self, reached: Callable[[Reading], bool], what: str) -> None:
        waited = 0.0
        while not reached(self._device.now()):
            if waited > _PATIENCE_S:
                raise CheckFailed(f"Waited {_PATIENCE_S:.0f} s in vain for {what}; start again when ready.")
            self.wait(_LOOK_S)
            waited += _LOOK_S
