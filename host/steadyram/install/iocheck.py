"""Walk through every contact and every output with the hydraulics isolated.

No output is energised from the computer: the operator's pedal does it, as in work, while this watches the words
that the firmware reads and writes. So there is no way here to move a ram that the panel and the pedals do not
have.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from steadyram.device import Device
from steadyram.errors import BadInput, CheckFailed
from steadyram.link.definition import definition

_LOOK_S = 0.03
_STEADY = 3  # equal looks
# A potentiometer within a hundredth of its supply's ends has lost a wire, as the firmware judges it.
RAIL = 655
# Mean distance of a reading at rest from its mean, as a part of the range (hardware_notes/commissioning.md, step 6): a
# transducer of 0.05 % RMS noise shows 0.04 %, the mean of the absolute value of a normal distribution, and scatters.
SPREAD_SHARE = 0.0006
# What must be seen of a sensor that a hand moves by some centimetres, readings of 65536 or an encoder's edges.
_MOVED = {"potentiometer": 300, "encoder": 100}
_RESTS = {"potentiometer": 64, "encoder": 4}
_STILL_LOOKS = 10


class Person(Protocol):
    """Who stands at the press. `do` tells what to do and returns at once; `ask` waits for yes or no."""

    def do(self, step: str, words: str) -> None: ...

    def ask(self, step: str, words: str) -> bool: ...


@dataclass(frozen=True, slots=True)
class Checked:
    """One step: what was seen."""

    name: str
    good: bool
    seen: str


@dataclass(frozen=True, slots=True)
class _Input:
    bits: tuple[str, ...]
    act: str
    back: str


INPUTS: Sequence[_Input] = (
    _Input(("cutoff",), "Turn the CUTOFF selector to its other position.", "Turn it back."),
    _Input(("latch",), "Turn the RETURN selector to its other position.", "Turn it back."),
    _Input(("top",), "Work the top switch by hand (or move it off its stop).", "Put it back."),
    _Input(
        ("push", "enable", "ack"),
        "Push the knob and hold it, for less than a second and a half.",
        "Let it go.",
    ),
    _Input(("retract",), "Press the RETRACT pedal and hold it.", "Release it."),
    _Input(("extend",), "Press the EXTEND pedal and hold it.", "Release it."),
    # The knob that acknowledges is pushed in the same step.
    _Input(
        ("estop_ok", "push", "enable", "ack"),
        "Push the emergency stop.",
        "Pull it out, then push the knob to acknowledge.",
    ),
)
OUTPUTS = (
    ("extend", "Press the EXTEND pedal and hold it.", "Release it."),
    # at the top the firmware ends a return at once
    ("retract", "Hold the top switch off its stop, press the RETRACT pedal and hold both.", "Release both."),
)


def spread_most(settings: Mapping[str, int]) -> int:
    """Return the largest sound spread of a reading at rest, in counts of 65536."""
    return round(SPREAD_SHARE * (settings["counts_full"] - settings["counts_zero"]))


class Walk:
    """The walk. patience_s: how long a step waits for the person; told: takes each step as it is judged.

    done: the steps so far, of a walk that was stopped, too.
    """

    def __init__(
        self,
        device: Device,
        person: Person,
        patience_s: float = 60.0,
        told: Callable[[Checked], None] = lambda step: None,
    ) -> None:
        self._device = device
        self._person = person
        self._patience_s = patience_s
        self._told = told
        bits = definition().inputs
        self._in = {name: 1 << bit for name, bit in bits.items()}
        self._out = {name: 1 << bit for name, bit in definition().outputs.items()}
        self.done: list[Checked] = []

    def run(self) -> list[Checked]:
        """All steps. Raises BadInput unless the person says that the hydraulics are isolated."""
        device = self._device
        if not self._person.ask(
            "isolated",
            "Are the hydraulics isolated: pump supply locked out, gauge at zero, ram blocked? Nothing may move now.",
        ):
            raise BadInput(
                "Isolate the hydraulics first: lock out the pump, release the pressure, block the ram."
            )
        now = device.now()
        if now.fault is not None:
            raise CheckFailed(
                f"A fault is latched ({now.fault}): put it right and acknowledge it, then start again."
            )
        if now.job:
            raise CheckFailed("A job is chosen: choose 'no job' at the panel (menu, job), then start again.")
        if not device.settings().gen:
            raise CheckFailed(
                "The press has factory defaults and refuses every feed: push its settings first "
                "('steadyram device settings push FILE')."
            )
        self._reading()
        kind = definition().word("position_kind", device.settings().values["position_kind"])
        if kind != "none":
            self._position(kind)
        for step in INPUTS:
            self._input(step)
        self._signals()
        self._person.do("cutoff-off", "Turn the CUTOFF selector to OFF.")
        self._wait(lambda inputs, _: inputs & self._in["cutoff"] == 0)
        for name, act, back in OUTPUTS:
            if self._without_fault("output " + name):
                self._output(name, act, back)
        if device.settings().values["slow_fitted"] and self._without_fault("output slow"):
            self._slow()
        return self.done

    # ------------------------------------------------------------ steps
    def _note(self, name: str, good: bool, seen: str) -> None:
        self.done.append(Checked(name, good, seen))
        self._told(self.done[-1])

    def _words(self) -> tuple[int, int]:
        reply = self._device.client.request("io")
        return reply.integer("inputs"), reply.integer("outputs")

    def _wait(self, right: Callable[[int, int], bool], base: int | None = None) -> tuple[bool, int, int]:
        """Look until `right` holds for a few looks; returns (held, inputs that left `base`, outputs seen)."""
        clock = self._device.client.transport
        start = clock.now_s()
        inputs, outputs = self._words()
        first = inputs if base is None else base
        changed = inputs ^ first
        seen_out = outputs
        steady = 0
        while clock.now_s() - start < self._patience_s:
            inputs, outputs = self._words()
            changed |= inputs ^ first
            seen_out |= outputs
            steady = steady + 1 if right(inputs, outputs) else 0
            if steady >= _STEADY:
                return True, changed, seen_out
            self._device.next_event(_LOOK_S)
        return False, changed, seen_out

    def _names(self, word: int, table: dict[str, int]) -> str:
        return ", ".join(name for name, mask in table.items() if word & mask) or "nothing"

    def _reading(self) -> None:
        now = self._device.now()
        settings = self._device.settings().values
        most = spread_most(settings)
        share = abs(now.mean_counts - settings["counts_zero"]) / (
            settings["counts_full"] - settings["counts_zero"]
        )
        good = now.spread_counts <= most and share <= 0.01
        self._note(
            "reading",
            good,
            f"spread {now.spread_counts} counts (limit {most}), zero off by {share:.2%} of range",
        )

    def _position(self, kind: str) -> None:
        """The ram's position, moved by hand: the ram is blocked, so the sensor comes off it for a moment."""
        self._person.do(
            "position",
            "Unhook the position sensor from the ram, move it by hand by some centimetres without haste, then hold it"
            " still.",
        )
        clock = self._device.client.transport
        start = clock.now_s()
        last = self._device.place()
        at = low = high = 0
        still = 0
        outside: int | None = None
        while clock.now_s() - start < self._patience_s:
            now = self._device.place()
            moved = now - last
            if kind == "encoder":
                moved = (moved + 32768 & 0xFFFF) - 32768
            still = still + 1 if abs(moved) <= _RESTS[kind] else 0
            last, at = now, at + moved
            low, high = min(low, at), max(high, at)
            if kind == "potentiometer" and not RAIL <= now <= 65535 - RAIL:
                outside = now
            if high - low >= _MOVED[kind] and still >= _STILL_LOOKS:
                break
            self._device.next_event(_LOOK_S)
        self._person.do(
            "position-back",
            "Hook it on again as it was. If the panel shows a fault (it may: the sensor moved and the ram did not),"
            " push the knob.",
        )
        # Put right or not, what follows needs a device without a fault.
        rested, _, _ = self._wait(lambda _inputs, _outputs: self._device.now().fault is None)
        span = high - low
        if outside is not None:
            seen = f"left its range ({outside} of 65536): open wire, no supply, or at the end of its track"
        elif span < _MOVED[kind]:
            seen = (
                f"moved by {span} only, {_MOVED[kind]} expected: wires, supply, or the setting position_kind"
            )
        elif still < _STILL_LOOKS:
            seen = "did not come to rest: interference, or a loose wiper"
        elif not rested:
            seen = "a fault stayed latched after it was put back"
        else:
            seen = f"followed the hand over {span} {'edges' if kind == 'encoder' else 'of 65536'} and rested"
        good = outside is None and span >= _MOVED[kind] and still >= _STILL_LOOKS and rested
        self._note("position", good, seen)

    def _input(self, step: _Input) -> None:
        name = step.bits[0]
        base, _ = self._words()
        mask = self._in[name]
        allowed = sum(self._in[bit] for bit in step.bits)
        self._person.do(name, step.act)
        held, changed, _ = self._wait(lambda inputs, _: (inputs ^ base) & mask != 0, base)
        self._person.do(name + "-back", step.back)
        back, later, _ = self._wait(
            lambda inputs, _: inputs == base and (name != "estop_ok" or self._device.now().fault is None),
            base,
        )
        others = (changed | later) & ~allowed
        if not held:
            self._note(name, False, f"did not change; changed: {self._names(changed, self._in)}")
        elif not back:
            self._note(name, False, "changed and did not come back")
        elif others:
            self._note(
                name,
                False,
                f"changed together with {self._names(others, self._in)}: wires crossed or touching",
            )
        else:
            self._note(name, True, "alone, both ways")

    def _without_fault(self, name: str) -> bool:
        """Have a latched fault acknowledged before the step `name`; note the step as bad where it stays."""
        if self._device.now().fault is None:
            return True
        self._person.do("acknowledge", "A fault is latched. Release the pedals and push the knob.")
        self._wait(lambda _inputs, _outputs: self._device.now().fault is None)
        fault = self._device.now().fault
        if fault is not None:
            self._note(name, False, f"not tried: the fault {fault} stays latched")
        return fault is None

    def _signals(self) -> None:
        """Lamp and buzzer by a fault on purpose, which energises no valve."""
        self._person.do("signals", "Push the emergency stop again and watch lamp and buzzer.")
        both = self._out["lamp"] | self._out["buzzer"]
        seen = 0

        def collect(_inputs: int, outputs: int) -> bool:
            nonlocal seen
            seen |= outputs
            return seen & both == both

        told, _, _ = self._wait(collect)
        lamp = self._person.ask("lamp", "Does the lamp blink?")
        buzzer = self._person.ask("buzzer", "Does the buzzer sound in short bursts?")
        self._person.do("signals-back", "Pull it out, then push the knob to acknowledge.")
        base = self._in["estop_ok"]
        self._wait(lambda inputs, _: inputs & base != 0 and self._device.now().fault is None)
        self._note("lamp", told and lamp, "blinks" if lamp else "dark")
        self._note("buzzer", told and buzzer, "sounds" if buzzer else "silent")

    def _output(self, name: str, act: str, back: str) -> None:
        mask = self._out[name]
        # a pedal pressed before the last stroke is done and stored would be refused
        self._wait(lambda _inputs, _outputs: self._device.now().state == "ready")
        valves = self._out["extend"] | self._out["retract"] | self._out["slow"]
        self._person.do("out-" + name, act + " The hydraulics stay isolated.")
        on, _, seen = self._wait(lambda _, outputs: outputs & mask != 0)
        heard = on and self._person.ask(
            "relay-" + name,
            f"Is the relay of {name} on, and no other (look at its lamp, or measure at the solenoid)?",
        )
        self._person.do("out-" + name + "-back", back)
        off, _, later = self._wait(lambda _, outputs: outputs & valves == 0)
        others = (seen | later) & valves & ~mask
        good = on and off and heard and not others
        if not on:
            words = "the firmware did not energise it: cutoff off and no job? no fault?"
        elif others:
            words = f"also energised: {self._names(others, self._out)}"
        elif not off:
            words = "stayed energised after the pedal was released"
        else:
            words = (
                "its relay alone, while the pedal is held" if heard else "the relay is another one, or none"
            )
        self._note("output " + name, good, words)

    def _slow(self) -> None:
        """The slow feed works only inside a stroke: a commissioning stroke on it, by the pedal."""
        if self._device.now().changes_left_s <= 0:
            self._person.do(
                "enable", "Hold the knob for a second and a half: changes must be enabled for this step."
            )
            clock = self._device.client.transport
            start = clock.now_s()
            while self._device.now().changes_left_s <= 0:
                if clock.now_s() - start > self._patience_s:
                    self._note("output slow", False, "changes were not enabled")
                    return
                self._device.next_event(_LOOK_S)
        # The hydraulics are isolated: a reading that rises to a tenth of the range ends the stroke.
        settings = self._device.settings().values
        span = settings["counts_full"] - settings["counts_zero"]
        try:
            self._device.probe(feed="slow", cut_counts=settings["counts_zero"] + span // 10)
            self._output("slow", "Press the EXTEND pedal and hold it.", "Release it.")
        finally:
            self._device.disarm()
