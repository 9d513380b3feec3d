"""Hazards of protocol/hazards.toml brought onto a rig: each is named "thing:guide word"."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

from tests.campaign.hazards_rig import Rig

from steadyram.virtual.noise import NoiseTape
from steadyram_fw import tables as t

SPAN = 0.8 * 65535
Bring = Callable[[Rig, random.Random], None]

CONTACTS = {
    "extend pedal": t.IN_EXTEND,
    "retract pedal": t.IN_RETRACT,
    "cutoff selector": t.IN_CUTOFF,
    "return selector": t.IN_LATCH,
    "acknowledge": t.IN_ACK,
    "enable": t.IN_ENABLE,
    "emergency-stop monitor": t.IN_ESTOP_OK,
    "top switch": t.IN_TOP,
}
INTERMITTENT_MS = (1, 5, 50)


def _contact(mask: int, on: bool) -> Bring:
    def bring(rig: Rig, draw: random.Random) -> None:
        rig.levels.append(lambda ms, word: word | mask if on else word & ~mask)

    return bring


def _intermittent(mask: int) -> Bring:
    """The other level for 1, 5 or 50 ms, every fifth of a second."""

    def bring(rig: Rig, draw: random.Random) -> None:
        ms_off, start = draw.choice(INTERMITTENT_MS), rig.ms + draw.randrange(200)
        rig.levels.append(lambda ms, word: word ^ mask if (ms - start) % 200 < ms_off else word)

    return bring


def _swapped(one: int, other: int) -> Bring:
    def bring(rig: Rig, draw: random.Random) -> None:
        def change(ms: int, word: int) -> int:
            both = word & ~(one | other)
            return both | (other if word & one else 0) | (one if word & other else 0)

        rig.levels.append(change)

    return bring


def _signal(change: Callable[[Rig, random.Random], Callable[[int, int], float]]) -> Bring:
    def bring(rig: Rig, draw: random.Random) -> None:
        made = change(rig, draw)
        shift = 16 - rig.press.adc.bits
        most = ((1 << rig.press.adc.bits) - 1) << shift

        def coded(step: int, counts: int) -> int:
            return min(most, max(0, round(made(step, counts)) >> shift << shift))

        rig.plant.sensor_override = coded

    return bring


def _noise(rig: Rig, draw: random.Random) -> Callable[[int], float]:
    tape = NoiseTape(draw.randrange(1 << 30), 21)
    first, sd = rig.plant.step_index, rig.press.transducer.noise * SPAN
    return lambda step: sd * tape.at(max(0, step - first))


def _held(at: Callable[[Rig], float]) -> Bring:
    def change(rig: Rig, draw: random.Random) -> Callable[[int, int], float]:
        level, noise = at(rig), _noise(rig, draw)
        return lambda step, counts: level + noise(step)

    return _signal(change)


def _now(rig: Rig) -> float:
    return rig.core.mean_c16 / 16


def _slow(rig: Rig, draw: random.Random) -> Callable[[int, int], float]:
    noise, seen = _noise(rig, draw), [_now(rig)]
    share = 1.0 - math.exp(-1.0 / 30.0)

    def follow(step: int, counts: int) -> float:
        seen[0] += share * (counts - seen[0])
        return seen[0] + noise(step)

    return follow


def _gain(factor: float) -> Bring:
    return _signal(lambda rig, draw: lambda step, counts: 6554 + factor * (counts - 6554))


def _spiky(rig: Rig, draw: random.Random) -> Callable[[int, int], float]:
    """A spike of 2 % of range at each edge of an output, gone with 1.5 ms."""
    state = [0, 0.0]

    def change(step: int, counts: int) -> float:
        if rig.out & 7 != state[0]:
            state[0], state[1] = rig.out & 7, 0.02 * SPAN * draw.choice((-1.0, 1.0))
        state[1] *= math.exp(-1.0 / 1.5)
        return counts + state[1]

    return change


def _noisy(rig: Rig, draw: random.Random) -> Callable[[int, int], float]:
    tape, first = NoiseTape(draw.randrange(1 << 30), 22), rig.plant.step_index
    return lambda step, counts: counts + 0.01 * SPAN * tape.at(max(0, step - first))


def _weld(mask: int) -> Bring:
    def bring(rig: Rig, draw: random.Random) -> None:
        welded = [0]

        def change(ms: int, out: int) -> int:
            welded[0] |= out & mask
            return out | welded[0]

        rig.outputs.append(change)

    return bring


def _dead(mask: int) -> Bring:
    def bring(rig: Rig, draw: random.Random) -> None:
        rig.outputs.append(lambda ms, out: out & ~mask)

    return bring


def _valve(flag: str, name: str) -> Bring:
    def bring(rig: Rig, draw: random.Random) -> None:
        setattr(getattr(rig.plant, name), flag, True)

    return bring


def _late(factor: float) -> Bring:
    def bring(rig: Rig, draw: random.Random) -> None:
        valve = rig.press.valve
        for each in (rig.plant.extend, rig.plant.retract, rig.plant.slow):
            each.open_s, each.close_s = factor * valve.open_delay, factor * valve.close_delay

    return bring


def _armed(rig: Rig, draw: random.Random) -> None:
    """A valve test armed and its host gone: the firmware's services would disarm it, the core alone is left."""
    rig.core.arm_probe(0, 65534, 0, 0, 0, rig.setpoint)


INJECT: dict[str, Bring] = {}
for _name, _mask in CONTACTS.items():
    INJECT[f"{_name}:stuck on"] = INJECT[f"{_name}:short"] = _contact(_mask, True)
    INJECT[f"{_name}:stuck off"] = INJECT[f"{_name}:open"] = _contact(_mask, False)
    INJECT[f"{_name}:intermittent"] = _intermittent(_mask)
INJECT |= {
    "extend pedal:swapped": _swapped(t.IN_EXTEND, t.IN_RETRACT),
    "cutoff selector:swapped": _swapped(t.IN_CUTOFF, t.IN_LATCH),
    "top switch:swapped": _swapped(t.IN_TOP, t.IN_ENABLE),
    "transducer:stuck on": _held(lambda rig: 65500.0),
    "transducer:short": _signal(lambda rig, draw: lambda step, counts: 65535.0),
    "transducer:stuck off": _held(lambda rig: 6554.0),
    "transducer:open": _signal(lambda rig, draw: lambda step, counts: 0.0),
    "transducer:stuck mid-value": _held(_now),
    "transducer:noisy": _signal(_noisy),
    "transducer:spiky": _signal(_spiky),
    "transducer:slow": _signal(_slow),
    "transducer:gain": _gain(0.9),
    "transducer:jump": _signal(lambda rig, draw: lambda step, counts: counts + 0.05 * SPAN),
    "transducer:drifting": _signal(lambda rig, draw: lambda step, counts: counts - 0.015 * SPAN),
    "extend output:stuck on": _weld(t.OUT_EXTEND),
    "extend output:stuck off": _dead(t.OUT_EXTEND),
    "extend output:open": _dead(t.OUT_EXTEND),
    "extend output:late": _late(1.5),
    "extend output:slow": _late(1.5),
    "retract output:stuck on": _weld(t.OUT_RETRACT),
    "retract output:stuck off": _dead(t.OUT_RETRACT),
    "retract output:open": _dead(t.OUT_RETRACT),
    "extend valve:stuck on": _valve("stuck", "extend"),
    "extend valve:stuck off": _valve("dead", "extend"),
    "retract valve:stuck off": _valve("dead", "retract"),
    "person:forgotten": _armed,
}
