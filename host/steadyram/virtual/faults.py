"""What can go wrong with a press, on demand. A new fault is one row of `FAULTS`.

A fault says how to bring it on and gives back how to repair it. It acts only on what lies outside the
firmware: the sensor's signal, contacts, relays, valves, oil and pump.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from steadyram.errors import BadInput
from steadyram.press.pressfile import PressFile
from steadyram.virtual.noise import NoiseTape
from steadyram.virtual.plant import STEP_S
from steadyram.virtual.press_face import SpoiltPress
from steadyram.virtual.spoil import spoil
from steadyram_fw import tables

Repair = Callable[[], None]
Bring = Callable[[SpoiltPress], Repair]

# Figures of the faults: invented, chosen to be plainly a fault and not a matter of tuning.
NOISE_SHARE: Final = 0.01
SPIKE_SHARE: Final = 0.3
SUPPLY_FACTOR: Final = 0.9
ZERO_SHIFT_SHARE: Final = 0.05
LEAK_PER_S: Final = 1.5
SLOW_FACTOR: Final = 2.0
RELIEF_SHARE: Final = 0.05
RELIEF_HIGH: Final = 1.5
DARK_S: Final = 0.5
FLOOD_BYTES: Final = 64
BOUNCE_S: Final = 0.012
SNUBBER_S: Final = 0.03
GAIN_LOW: Final = 0.9
_SPAN: Final = 0.8 * 65535
_NOISE_STREAM, _BOUNCE_STREAM, _FLOOD_STREAM, _BLOCKED_STREAM = 11, 12, 13, 14


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that can go wrong; `phase` is when in a cycle it comes on if nothing else is said.

    derived: it alters a figure that follows from the press file, and comes on again when that is changed.
    """

    name: str
    text: str
    phase: str
    bring: Bring
    derived: bool = False

    def lacks(self, press: PressFile) -> str | None:
        """Return what the press lacks for this fault, as half a sentence; None where it can have it."""
        if self.name.startswith("position-") and press.position is None:
            return "it has no position sensor (the press file has no [position])"
        if self.name in _OF_THE_PORT and press.force_sensor is not None:
            return "it measures force by a [force_sensor], so there is no pressure port"
        if self.name in _OF_THE_VALVES and press.valve.indicator:
            return "its valve is worked by hand ([valve] indicator)"
        return None


_OF_THE_PORT: Final = frozenset({"port-blocked", "snubber-slow"})
_OF_THE_VALVES: Final = frozenset(
    {
        "relay-welded",
        "valve-stuck-open",
        "valve-stuck-closed",
        "retract-stuck",
        "retract-stuck-open",
        "slow-valve",
    }
)


@dataclass(slots=True)
class ActiveFault:
    """A fault that is on."""

    fault: Fault
    repair: Repair

    def reapply(self, press: SpoiltPress) -> None:
        if self.fault.derived:
            self.repair = self.fault.bring(press)

    def clear(self, press: SpoiltPress) -> None:
        self.repair()
        if self.fault.derived:
            press.plant.set_press(press.plant.press)
            for other in press.active_faults:
                other.reapply(press)


# ---------------------------------------------------------------------- sensor
def _signal(make: Callable[[SpoiltPress], Callable[[int, int], int]]) -> Bring:
    """A fault that alters the count of each step: `make(press)` gives `change(step, counts)`."""

    def bring(press: SpoiltPress) -> Repair:
        plant = press.plant
        before = plant.sensor_override
        change = make(press)

        def altered(step: int, counts: int) -> int:
            return change(step, counts if before is None else before(step, counts))

        plant.sensor_override = altered

        def repair() -> None:
            plant.sensor_override = before

        return repair

    return bring


def _coded(press: SpoiltPress, counts: float) -> int:
    """The nearest count the converter can give."""
    shift = 16 - press.plant.press.adc.bits
    most = ((1 << press.plant.press.adc.bits) - 1) << shift
    return min(most, max(0, (round(counts) >> shift) << shift))


def _frozen(press: SpoiltPress) -> Callable[[int, int], int]:
    held = press.counts
    return lambda step, counts: held


def _blocked(press: SpoiltPress) -> Callable[[int, int], int]:
    """Hold the pressure that is shut in behind the port; transducer and converter go on, so their noise does, too."""
    tape = NoiseTape(press.seed, _BLOCKED_STREAM)
    first = press.plant.step_index
    held = press.counts
    sd = press.plant.press.transducer.noise * _SPAN
    return lambda step, counts: _coded(press, held + sd * tape.at(step - first))


def _slow_snubber(press: SpoiltPress) -> Callable[[int, int], int]:
    """Let the pressure follow with a time constant; transducer and converter have their noise all the same.

    Steps may be asked for again, so each is kept once it is known.
    """
    seen: dict[int, float] = {}
    tape = NoiseTape(press.seed, _BLOCKED_STREAM)
    sd = press.plant.press.transducer.noise * _SPAN
    start = float(press.counts)
    share = 1.0 - math.exp(-STEP_S / SNUBBER_S)

    def follow(step: int, counts: int) -> int:
        before = seen.get(step - 1, start)
        seen[step] = before + share * (counts - before)
        seen.pop(step - 5000, None)
        return _coded(press, seen[step] + sd * tape.at(step))

    return follow


def _noisy(press: SpoiltPress) -> Callable[[int, int], int]:
    tape = NoiseTape(press.seed, _NOISE_STREAM)
    first = press.plant.step_index
    return lambda step, counts: _coded(press, counts + NOISE_SHARE * _SPAN * tape.at(step - first))


def _spike(press: SpoiltPress) -> Callable[[int, int], int]:
    only = press.plant.step_index + 1
    return lambda step, counts: _coded(press, counts + SPIKE_SHARE * _SPAN) if step == only else counts


def _supply(press: SpoiltPress) -> Repair:
    press.plant.supply_factor = SUPPLY_FACTOR

    def repair() -> None:
        press.plant.supply_factor = 1.0

    return repair


# ---------------------------------------------------------------------- ram position
LOST_SHARE: Final = 0.15
PLACE_JUMP: Final = 3000


def _place(make: Callable[[SpoiltPress], Callable[[int, int], int]]) -> Bring:
    """A fault that alters the position sensor's reading of each step."""

    def bring(press: SpoiltPress) -> Repair:
        press.plant.place_override = make(press)

        def repair() -> None:
            press.plant.place_override = None

        return repair

    return bring


def _place_held(press: SpoiltPress) -> Callable[[int, int], int]:
    held = press.plant.place()
    return lambda step, place: held


def _place_reversed(press: SpoiltPress) -> Callable[[int, int], int]:
    here = press.plant.place()
    return lambda step, place: (
        min(65535, max(0, 2 * here - place)) if here > 1000 else (2 * here - place) & 0xFFFF
    )


def _place_jumps(press: SpoiltPress) -> Callable[[int, int], int]:
    first = press.plant.step_index
    # From the next step on the reading is off: an encoder that missed a burst of edges, a wiper that slipped.
    return lambda step, place: (place + PLACE_JUMP) & 0xFFFF if step > first else place


def _place_loses(press: SpoiltPress) -> Repair:
    press.plant.lost_share = LOST_SHARE

    def repair() -> None:
        press.plant.lost_share = 0.0

    return repair


# ---------------------------------------------------------------------- contacts
def _contact(change: Callable[[int], int]) -> Bring:
    """A fault that alters the input word."""

    def bring(press: SpoiltPress) -> Repair:
        return press.add_input_filter(lambda step, levels: change(levels))

    return bring


def _bounce(press: SpoiltPress) -> Repair:
    tape = NoiseTape(press.seed, _BOUNCE_STREAM)
    first = press.plant.step_index
    last = round(BOUNCE_S / STEP_S)

    def change(step: int, levels: int) -> int:
        op = press.operator
        toss = tape.at(step - first) < 0.0
        if toss and step - op.extend_step <= last:
            levels ^= tables.IN_EXTEND
        if toss and step - op.retract_step <= last:
            levels ^= tables.IN_RETRACT
        return levels

    return press.add_input_filter(change)


# ---------------------------------------------------------------------- relays and valves
def _weld(press: SpoiltPress) -> Repair:
    press.weld_next |= tables.OUT_EXTEND
    press.rewire()

    def repair() -> None:
        press.weld_next &= ~tables.OUT_EXTEND
        press.welded &= ~tables.OUT_EXTEND
        press.rewire()

    return repair


def _valves(flag: str, *names: str) -> Bring:
    def bring(press: SpoiltPress) -> Repair:
        solenoids = [getattr(press.plant, name) for name in names]
        for solenoid in solenoids:
            setattr(solenoid, flag, True)

        def repair() -> None:
            for solenoid in solenoids:
                setattr(solenoid, flag, False)
                if not solenoid.pending:
                    solenoid.spool = solenoid.commanded
            press.plant.valves_touched()

        return repair

    return bring


def _nothing() -> None:
    return None


def _slow_valve(press: SpoiltPress) -> Repair:
    valve = press.plant.press.valve
    for solenoid in (press.plant.extend, press.plant.retract, press.plant.slow):
        solenoid.open_s = SLOW_FACTOR * valve.open_delay
        solenoid.close_s = SLOW_FACTOR * valve.close_delay
    return _nothing


# ---------------------------------------------------------------------- oil and pump
def _leak(press: SpoiltPress) -> Repair:
    press.plant.leak_extra = LEAK_PER_S

    def repair() -> None:
        press.plant.leak_extra = 0.0

    return repair


def _relief(share: float) -> Bring:
    def bring(press: SpoiltPress) -> Repair:
        press.plant.set_relief(share * press.plant.press.pump.relief)
        return _nothing

    return bring


def _pump_off(press: SpoiltPress) -> Repair:
    plant = press.plant
    plant.flow_low = plant.flow_high = plant.flow_slow = plant.return_flow = 0.0
    return _nothing


# ---------------------------------------------------------------------- power, flash and link
def _power(damage: str | None = None) -> Bring:
    """Power gone for DARK_S; `damage`: every copy of that set in flash is spoilt meanwhile."""

    def bring(press: SpoiltPress) -> Repair:
        press.power_cut()
        if damage is not None:
            spoil(press.state_dir, damage)
        press.after(DARK_S, press.power_up)
        return press.power_up

    return bring


def _flash_fails(press: SpoiltPress) -> Repair:
    def turn(on: bool) -> None:
        press.fail_writes(on)

    turn(True)
    return lambda: turn(False)


def _flood(press: SpoiltPress) -> Repair:
    tape = NoiseTape(press.seed, _FLOOD_STREAM)
    on = [True]

    def more() -> None:
        if on[0]:
            first = press.plant.step_index * FLOOD_BYTES
            # Printable bytes and line ends, in no order.
            press.send(bytes(10 + int(abs(tape.at(i)) * 40) % 117 for i in range(first, first + FLOOD_BYTES)))
            press.after(STEP_S, more)

    more()

    def repair() -> None:
        on[0] = False
        # End the unfinished line, so that the next request is not taken for its rest.
        press.send(b"\n")

    return repair


_IN = tables
FAULTS: Final[dict[str, Fault]] = {
    fault.name: fault
    for fault in (
        Fault(
            "sensor-open",
            "transducer wire open: the reading falls to 0",
            "rise",
            _signal(lambda p: lambda s, c: 0),
        ),
        Fault(
            "sensor-short",
            "signal shorted to its supply: the reading goes to full scale",
            "rise",
            _signal(lambda p: lambda s, c: _coded(p, 65535)),
        ),
        Fault("sensor-frozen", "the reading stays at its last value", "contact", _signal(_frozen)),
        Fault(
            "port-blocked",
            "pressure port blocked: the reading stays at its level, with its noise",
            "idle",
            _signal(_blocked),
        ),
        Fault(
            "snubber-slow",
            f"snubber clogging: the reading follows with {1000 * SNUBBER_S:g} ms more",
            "idle",
            _signal(_slow_snubber),
        ),
        Fault("sensor-noisy", f"interference: noise of {NOISE_SHARE:.0%} of range", "start", _signal(_noisy)),
        Fault("sensor-spike", f"one reading too high by {SPIKE_SHARE:.0%} of range", "rise", _signal(_spike)),
        Fault(
            "zero-shift",
            f"transducer overstrained: every reading too high by {ZERO_SHIFT_SHARE:.0%} of range",
            "start",
            _signal(lambda p: lambda s, c: _coded(p, c + ZERO_SHIFT_SHARE * _SPAN)),
        ),
        Fault(
            "position-open",
            "position sensor's wire open: the reading falls to 0",
            "approach",
            _place(lambda p: lambda s, c: 0),
        ),
        Fault(
            "position-frozen", "the position reading stays at its last value", "start", _place(_place_held)
        ),
        Fault(
            "position-reversed",
            "the position sensor counts the other way: its channels or its supply's ends were swapped",
            "start",
            _place(_place_reversed),
        ),
        Fault("position-jump", "the position reading jumps and stays off", "approach", _place(_place_jumps)),
        Fault(
            "position-lost-counts",
            f"{LOST_SHARE:.0%} of the travel downwards is not counted",
            "start",
            _place_loses,
        ),
        Fault("supply-shift", f"transducer supply at {SUPPLY_FACTOR:.0%}, reference not", "start", _supply),
        Fault(
            "valve-stuck-open",
            "the extend and slow-feed spools stay open once open",
            "start",
            _valves("stuck", "extend", "slow"),
        ),
        Fault(
            "valve-stuck-closed",
            "the extend and slow-feed spools do not open",
            "start",
            _valves("dead", "extend", "slow"),
        ),
        Fault(
            "relay-welded",
            "the extend relay stays closed once closed; only the emergency stop cuts it",
            "start",
            _weld,
        ),
        Fault("retract-stuck", "the retract spool does not open", "start", _valves("dead", "retract")),
        Fault(
            "retract-stuck-open",
            "the retract spool stays open once open",
            "start",
            _valves("stuck", "retract"),
        ),
        Fault(
            "slow-valve",
            f"cold oil: every spool takes {SLOW_FACTOR:g} times its time",
            "start",
            _slow_valve,
            True,
        ),
        Fault("leak-fast", f"held pressure leaks away at {LEAK_PER_S:g} a second", "hold", _leak),
        Fault(
            "relief-low",
            f"relief valve opens at {RELIEF_SHARE:.0%} of its setting",
            "start",
            _relief(RELIEF_SHARE),
            True,
        ),
        Fault(
            "relief-high",
            f"relief valve opens at {RELIEF_HIGH:g} times its setting",
            "start",
            _relief(RELIEF_HIGH),
            True,
        ),
        Fault("pump-off", "no flow", "start", _pump_off, True),
        Fault(
            "pedal-stuck",
            "the extend pedal's contact stays closed",
            "start",
            _contact(lambda w: w | _IN.IN_EXTEND),
        ),
        Fault(
            "pedal-dead",
            "the extend pedal's contact never closes",
            "start",
            _contact(lambda w: w & ~_IN.IN_EXTEND),
        ),
        Fault(
            "both-pedals",
            "both pedals' contacts closed",
            "rise",
            _contact(lambda w: w | _IN.IN_EXTEND | _IN.IN_RETRACT),
        ),
        Fault(
            "contact-bounce",
            f"pedal contacts chatter for {1000 * BOUNCE_S:g} ms at each change",
            "before",
            _bounce,
        ),
        Fault(
            "estop-open",
            "the emergency stop's monitor contact opens (wire off)",
            "rise",
            _contact(lambda w: w & ~_IN.IN_ESTOP_OK),
        ),
        Fault("power-cut", f"the power goes for {DARK_S:g} s", "rise", _power()),
        Fault(
            "settings-corrupt",
            "the power goes, and both copies of the settings are spoilt",
            "idle",
            _power("settings"),
        ),
        Fault(
            "calibration-corrupt",
            "the power goes, and both copies of the calibration are spoilt",
            "idle",
            _power("calibration"),
        ),
        Fault("flash-fails", "no write to the flash succeeds: worn or full", "rise", _flash_fails),
        Fault("host-flood", f"garbage on the link, {FLOOD_BYTES} bytes a millisecond", "start", _flood),
        Fault("top-switch-open", "the top switch never closes", "start", _contact(lambda w: w & ~_IN.IN_TOP)),
        Fault("top-switch-closed", "the top switch never opens", "start", _contact(lambda w: w | _IN.IN_TOP)),
    )
}

# ---------------------------------------------------------------------- when
# Share of capacity above which a cycle counts as rising.
_RISE_SHARE: Final = 0.02
_HOLD_S: Final = 0.1
_APPROACH_S: Final = 0.03

PHASES: Final[dict[str, str]] = {
    "before": "just before the cycle's pedal is pressed (at the end of the cycle before)",
    "idle": "at the top with nothing energised, before the cycle's pedal is pressed",
    "start": "when the extend pedal is pressed",
    "approach": f"{_APPROACH_S:g} s after a feed was energised",
    "contact": "when the ram touches the part",
    "rise": f"when the force passes {_RISE_SHARE:.0%} of capacity",
    "embed": "when the force passes half of the part's first corner (a part without: as rise)",
    "flush": "when the force passes the part's last corner (a part without: as rise)",
    "stop": "when the extend outputs go off after contact",
    "hold": f"{_HOLD_S:g} s after that",
    "return": "when retract is energised",
}


def _phase(name: str, cycle: int) -> Callable[[SpoiltPress], bool]:
    feed = tables.OUT_EXTEND | tables.OUT_SLOW

    def happens(press: SpoiltPress) -> bool:
        if name == "before":
            return press.cycle == cycle - 1 and not press.operator.extend_held
        if name == "idle":
            resting = press.plant.at_top and not press.valves_on
            return press.cycle == cycle - 1 and resting and not press.operator.extend_held
        if press.cycle != cycle:
            return False
        if name == "start":
            return True
        force = press.plant.force_N
        if name == "contact":
            return force > 0.0
        if name == "approach":
            return bool(press.outputs & feed)
        corners = press.plant.part.corners
        if name == "embed" and corners:
            return force > 0.5 * corners[0][1]
        if name == "flush" and corners:
            return force > corners[-1][1]
        if name in ("rise", "embed", "flush"):
            return force > _RISE_SHARE * press.plant.press.capacity_N
        if name in ("stop", "hold"):
            return force > 0.0 and not press.outputs & feed
        return bool(press.outputs & tables.OUT_RETRACT)

    return happens


@dataclass(frozen=True, slots=True)
class FaultPlan:
    """A fault and when it comes on: at once, at a time, or at a phase of a cycle."""

    fault: Fault
    cycle: int | None = None
    phase: str | None = None
    time_s: float | None = None

    def arm(self, press: SpoiltPress) -> None:
        """Bring the fault on when its time comes. Raises BadInput where this press cannot have it."""
        lacks = self.fault.lacks(press.plant.press)
        if lacks is not None:
            raise BadInput(
                f"The fault '{self.fault.name}' cannot be on '{press.plant.press.name}': {lacks}; "
                "choose another press or fault."
            )

        def bring() -> None:
            press.active_faults.append(ActiveFault(self.fault, self.fault.bring(press)))
            press.note(f"fault {self.fault.name}")

        if self.time_s is not None:
            press.after(max(0.0, self.time_s - press.time_s), bring)
        elif self.cycle is None:
            bring()
        else:
            phase = self.phase or self.fault.phase
            wait_s = {"hold": _HOLD_S, "approach": _APPROACH_S}.get(phase)
            delayed = bring if wait_s is None else lambda: press.after(wait_s, bring)
            press.when(_phase(phase, self.cycle), delayed)


_PLAN = re.compile(r"([a-z-]+)(?:@(?:(\d+(?:\.\d+)?)s|(\d+)(?::([a-z]+))?))?")


def parse_fault(text: str) -> FaultPlan:
    """Read "NAME", "NAME@CYCLE", "NAME@CYCLE:PHASE" or "NAME@2.5s". Raises BadInput."""
    match = _PLAN.fullmatch(text)
    if match is None:
        raise BadInput(
            f"The fault '{text}' is not of the form NAME@CYCLE, NAME@CYCLE:PHASE or NAME@2.5s; correct it."
        )
    name, seconds, cycle, phase = match.groups()
    if name not in FAULTS:
        near = difflib.get_close_matches(name, FAULTS, 1, 0.5)
        hint = f"did you mean {near[0]}" if near else f"known are {', '.join(FAULTS)}"
        raise BadInput(f"There is no fault '{name}'; {hint}.")
    if phase is not None and phase not in PHASES:
        raise BadInput(f"There is no phase '{phase}'; known are {', '.join(PHASES)}.")
    if cycle is not None and int(cycle) < 1:
        raise BadInput(f"The fault '{text}' names cycle {cycle}; cycles count from 1.")
    return FaultPlan(FAULTS[name], int(cycle) if cycle else None, phase, float(seconds) if seconds else None)
