"""Action lines that a person can type at `steadyram virtual --operator stdin`."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from steadyram.errors import BadInput
from steadyram.virtual import script
from steadyram.virtual.hands import protractor_deg
from steadyram.virtual.load_cell import load_cell_gain
from steadyram.virtual.operator import SEAL_S
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.script import Script

HELP: Final = """\
press extend|retract|both    foot on a pedal (stays there)
release [extend|retract]     foot off (both, if none is named)
tap retract SECONDS          touch a pedal for this long (or: tap extend SECONDS)
top                          hold retract until the top switch closes
cutoff on|off                cutoff selector
latch on|off                 return selector (on = latched return)
estop push|pull              emergency stop
enable                       hold the panel's enable button
unseal                       hold it longer: opens the calibration's seal, too
ack                          feet off, push the acknowledge button for half a second
knob N                       turn the setpoint knob by N steps
stack METRES                 gauge blocks of that height on the bed, for the position sensor
part | block | empty         put a part, a solid block, or nothing under the ram
coil                         bent work: a sheet of another coil, and the next ones too
angle                        bent work: included angle of the sheet once released, degrees (protractor, tenths)
work [N]                     one part, or N: load, press until done, send the ram up
cycle N                      from here on count cycles from N (faults name them)
cell                         reading of a load cell under the ram, newtons (0.1 % of reading)
peak                         highest reading of that load cell since this was last asked
wait SECONDS                 let time pass before the next line
fault NAME[@WHEN]            bring a fault on (NAME@3, NAME@3:stop, NAME@2.5s)
repair                       repair every fault
change table.key=VALUE       change the press file's figure, "1.2 GPa" or +30%
power-cut | power-up         the board's power
show                         what the panel shows, where the ram is, what force is on the work
help                         this list"""


def _on_off(word: str, line: str, on: str = "on", off: str = "off") -> bool:
    if word not in (on, off):
        raise BadInput(f"'{line}': say {on} or {off}.")
    return word == on


def _show(press: VirtualPress) -> str:
    plant = press.plant
    return (
        f"time {press.time_s:.3f} s, ram {1000 * plant.position_m:.2f} mm down, force {plant.force_N:.0f} N, "
        f"outputs {press.outputs:#04x}, {'powered' if press.powered else 'no power'}\n{press.display}"
    )


def _pedal(press: VirtualPress, words: list[str], line: str, down: bool) -> None:
    which = words[1] if len(words) > 1 else ("both" if not down else "")
    if which not in ("extend", "retract", "both"):
        raise BadInput(f"'{line}': say extend, retract or both.")
    op = press.operator
    if which in ("extend", "both"):
        (op.press_extend if down else op.release_extend)()
    if which in ("retract", "both"):
        (op.press_retract if down else op.release_retract)()


def perform(press: VirtualPress, line: str, say: Callable[[str], None]) -> Script:
    """The script of one typed line; `say` takes what is to be shown. Raises BadInput for an unknown one."""
    words = line.split()
    op = press.operator
    verb, rest = words[0], words[1] if len(words) > 1 else ""
    if verb in ("press", "release"):
        _pedal(press, words, line, verb == "press")
    elif verb == "tap":
        yield from _tap(press, words, line)
    elif verb == "top":
        yield from script.to_top(press)
    elif verb == "cutoff":
        op.cutoff(_on_off(rest, line))
    elif verb == "latch":
        op.latch(_on_off(rest, line))
    elif verb == "estop":
        (op.push_estop if _on_off(rest, line, "push", "pull") else op.pull_estop)()
    elif verb == "enable":
        yield from script.hold_enable(press)
    elif verb == "unseal":
        yield from script.hold_enable(press, SEAL_S)
    elif verb == "ack":
        yield from script.acknowledge(press)
    elif verb == "knob":
        op.turn_knob(int(_number(rest, line, -1000, 1000)))
    elif verb in ("part", "block", "empty"):
        {"part": op.load_part, "block": op.swap_block, "empty": op.remove_part}[verb]()
    elif verb == "stack":
        op.use_stack(_number(rest, line, 0.0, 5.0))
    elif verb == "coil":
        op.next_coil()
    elif verb == "angle":
        say(f"angle_deg {protractor_deg(press):.1f}")
    elif verb == "work":
        for _ in range(int(_number(rest or "1", line, 1, 10_000))):
            yield from script.one_part(press)
    elif verb == "cycle":
        press.cycle = int(_number(rest, line, 0, 1_000_000))
    elif verb == "cell":
        say(f"force_N {press.plant.force_N * load_cell_gain(press.seed):.3f}")
    elif verb == "peak":
        say(f"force_N {press.plant.peak_N * load_cell_gain(press.seed):.3f}")
        press.plant.peak_N = press.plant.force_N
    elif verb == "wait":
        yield _number(rest, line, 0.0, 86400.0)
    elif verb == "fault":
        press.inject(rest)
    elif verb == "repair":
        press.clear_faults()
    elif verb == "change":
        key, _, value = line.partition(" ")[2].partition("=")
        press.change(key.strip(), value.strip().strip('"'))
    elif verb == "power-cut":
        press.power_cut()
    elif verb == "power-up":
        press.power_up()
    elif verb == "show":
        say(_show(press))
    elif verb == "help":
        say(HELP)
    else:
        raise BadInput(f"'{line}' is not an action; type help for the list.")


def _tap(press: VirtualPress, words: list[str], line: str) -> Script:
    seconds = _number(words[2] if len(words) > 2 else "", line, 0.001, 60.0)
    _pedal(press, words, line, True)
    yield seconds
    _pedal(press, words, line, False)


def _number(text: str, line: str, least: float, most: float) -> float:
    try:
        value = float(text)
    except ValueError:
        value = least - 1.0
    if not least <= value <= most:
        raise BadInput(f"'{line}': give a number from {least:g} to {most:g}.")
    return value
