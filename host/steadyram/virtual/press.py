"""The virtual press: plant, firmware, operator and faults on one clock that nothing sleeps for.

Each millisecond the plant moves on, the converter's count and the contacts' levels go to the firmware, and
what the firmware energises goes to the relays. To keep the pipe to MicroPython quiet the plant runs ahead
with the outputs as they are; the firmware stops at the first tick in which something came out, and the plant
then takes its steps again up to that tick. Results do not depend on how far it ran ahead.
"""

from __future__ import annotations

import heapq
import itertools
import shutil
import tempfile
from array import array
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self, TextIO

from steadyram.errors import BadInput, SteadyramError
from steadyram.link.transport import Transport
from steadyram.press.pressfile import PressFile, apply_change, build_press, read_press_tables
from steadyram.virtual.checks import ValveChecks
from steadyram.virtual.cutout import PressureCutout
from steadyram.virtual.faults import ActiveFault, parse_fault
from steadyram.virtual.operator import Operator
from steadyram.virtual.plant import STEP_S, Plant
from steadyram.virtual.press_face import Noted, Output
from steadyram.virtual.runtime import (
    AtPrompt,
    BoardReset,
    CoreState,
    FlashCut,
    Heard,
    Runtime,
    RuntimeInfo,
    RuntimeName,
    start_runtime,
)
from steadyram_fw import tables

if TYPE_CHECKING:
    from steadyram.virtual.work import Part

_LINK_MOST = 32768
_SNAPSHOT_EVERY = 8
_VALVES = tables.OUT_EXTEND | tables.OUT_RETRACT | tables.OUT_SLOW
_FEED = tables.OUT_EXTEND | tables.OUT_SLOW
_HAND_RELEASE_1_S = 5.0  # half gone in 0.14 s, all but a thousandth in 1.4 s (judgement, no source)
_IN_TOP = int(tables.IN_TOP)


class VirtualTransport(Transport):
    """The serial link of a virtual press in virtual time: waiting for bytes runs the press."""

    def __init__(self, press: VirtualPress, wire_log: TextIO | None = None) -> None:
        super().__init__(wire_log)
        self._press = press

    def _write(self, data: bytes) -> None:
        self._press.send(data)

    def _read(self, timeout_s: float) -> bytes:
        press = self._press
        if not press.received and timeout_s > 0.0:
            # At least one tick: whoever waits for a time less than that ahead must see it come.
            press.run_until(lambda p: bool(p.received), max(timeout_s, STEP_S))
        return press.take_received()

    def _now_s(self) -> float:
        return self._press.time_s


class VirtualPress(ValveChecks):
    """A press that is not there.

    press: press file (path, raw tables or model); seed: of every random draw; runtime: where the firmware
    runs; state_dir: keeps the firmware's flash across power cuts and processes (None = a temporary folder,
    gone at `close`); wall_unix: wall clock at time 0; heap and lock_heap: see MicropythonRuntime; batch:
    ticks run ahead at most (None = adaptive; any value gives the same results); display: the board has a display,
    update_fails: a firmware version that was installed and has not proved itself does not start (MicroPython only);
    drawn by the firmware: `display` then holds "picture " and its memory as hexadecimal digits (MicroPython only; under
    CPython it stays four lines of text).
    Raises BadInput for a bad press file, FirmwareStopped when the firmware does not start.
    """

    def __init__(
        self,
        press: str | Path | PressFile | dict[str, Any],
        seed: int = 0,
        runtime: RuntimeName = "micropython",
        state_dir: str | Path | None = None,
        wall_unix: int = 0,
        *,
        heap: int | None = None,
        lock_heap: bool = False,
        batch: int | None = None,
        display: bool = False,
        update_fails: bool = False,
    ) -> None:
        if not isinstance(seed, int) or not 0 <= seed < 1 << 63:
            raise BadInput(f"The seed {seed!r} is not a whole number from 0 up; give one.")
        self._tables: dict[str, Any] | None = None
        if isinstance(press, PressFile):
            model = press
        else:
            self._tables = press if isinstance(press, dict) else read_press_tables(press)
            self._origin = "press" if isinstance(press, dict) else str(press)
            model = build_press(self._tables, self._origin)
        self.seed = seed
        self.closed = False
        self.clients = 0  # opened on this press by quick_setup.open_device
        self.wall_unix = wall_unix
        self.plant = Plant(model, seed)
        self.cutout = None if model.cutout is None else PressureCutout(model.cutout, seed)
        self.operator = Operator(self)
        self.outputs = 0
        self.coils = 0
        self.valve_log: list[Output] = []
        self.coil_log: list[Output] = []
        self.events: list[Noted] = []
        self.display = ""
        self.received = bytearray()
        self.cycle = 0
        self.active_faults: list[ActiveFault] = []
        # Output bits whose relay welds when it next closes, and those that have.
        self.weld_next = 0
        self.welded = 0
        self._to_device = bytearray()
        self._watched: list[tuple[Callable[[Any], bool], Callable[[], None]]] = []
        self._schedule: list[tuple[int, int, Callable[[], None]]] = []
        self._order = itertools.count()
        self._input_filters: list[Callable[[int, int], int]] = []
        self._last_counts = 0
        self._batch_fixed = batch
        self._runtime: Runtime | None = None
        self._runtime_name: RuntimeName = runtime
        self._heap, self._lock_heap, self._display = heap, lock_heap, display
        self._update_fails = update_fails
        self.at_prompt = False  # the board has power, and its interpreter waits for an installation
        self._own_state = state_dir is None
        self.state_dir = Path(tempfile.mkdtemp(prefix="steadyram-press-") if state_dir is None else state_dir)
        try:
            self.power_up()
        except BaseException:
            self.close()
            raise

    # ------------------------------------------------------------------ life
    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the firmware and remove what is temporary; closing twice is harmless."""
        self.closed = True
        if self._runtime is not None:
            self._runtime.close()
            self._runtime = None
        if self._own_state:
            shutil.rmtree(self.state_dir, ignore_errors=True)

    @property
    def powered(self) -> bool:
        """True while the board has power."""
        return self._runtime is not None

    @property
    def runtime(self) -> RuntimeInfo:
        """Interpreter that runs (or last ran) the firmware."""
        return self._info

    def core_state(self) -> CoreState | None:
        """Return the control core's state, fault, refusal and stop (numbers of the definition); None without power.

        Ask between two spans of time, from the thread that lets time pass.
        """
        return None if self._runtime is None else self._runtime.look()

    @property
    def firmware(self) -> Any:
        """The App object, under CPython only (for tests of the simulator itself)."""
        return getattr(self._runtime, "app", None)

    def power_up(self) -> None:
        """Give the board power. The firmware boots with what its flash holds."""
        if self._runtime is not None:
            return
        self.at_prompt = False
        try:
            self._runtime = start_runtime(
                self._runtime_name,
                self.state_dir,
                f"v{self.seed:08x}",
                heap=self._heap,
                lock_heap=self._lock_heap,
                display=self._display,
                batches=self._batch_fixed is not None,
                update_fails=self._update_fails,
            )
        except AtPrompt:
            self.at_prompt = True
            return
        self._info = self._runtime.info
        self._ahead = self._batch_fixed or self._runtime.batch_least
        self.note("power-up")

    def power_cut(self) -> None:
        """Take the power away now: relays drop, the firmware ends where it stands, flash stays as it is."""
        if self._runtime is None:
            return
        self._runtime.close()
        self._power_lost()

    def power_cut_in_write(self, after: int = 0) -> None:
        """Cut the power by itself in the middle of the flash program after `after` more whole ones.

        MicroPython only; raises BadInput on CPython. `powered` is False once it happened.
        """
        if self._runtime is not None:
            self._runtime.cut_in_write(after)

    def _power_lost(self) -> None:
        self._runtime = None
        self._to_device.clear()
        self.display = ""
        self.note("power-cut")
        self._take_outputs(0)

    # ------------------------------------------------------------------ time
    @property
    def time_s(self) -> float:
        """Seconds of virtual time since the plant began."""
        return self.plant.step_index * STEP_S

    @property
    def unix(self) -> int:
        """Wall clock now, seconds since 1970, on the virtual clock."""
        return self.wall_unix + int(self.time_s)

    def run(self, seconds: float) -> None:
        """Let `seconds` of virtual time pass. Raises FirmwareStopped."""
        self._advance(round(seconds / STEP_S), None)

    def run_until(self, predicate: Callable[[Self], bool], timeout_s: float) -> bool:
        """Run until `predicate(press)` is true after a tick; False when `timeout_s` passed first.

        The predicate must only look (at plant, outputs, received, display, time); it is also asked for ticks
        that are taken again.
        """
        if predicate(self):
            return True
        return self._advance(round(timeout_s / STEP_S), predicate)

    def _advance(self, ticks: int, stop: Callable[[Any], bool] | None) -> bool:
        plant = self.plant
        end = plant.step_index + ticks
        watched = self._watched
        while plant.step_index < end:
            now = plant.step_index
            until = end
            schedule = self._schedule
            if schedule:
                while schedule and schedule[0][0] <= now:
                    heapq.heappop(schedule)[2]()
                if schedule:
                    until = min(end, schedule[0][0])
            runtime = self._runtime
            if runtime is None:
                self._last_counts = plant.step()
            elif runtime.in_step is not None:
                self._in_step(runtime, runtime.in_step, until - now, stop)
            else:
                self._batch(runtime, min(self._ahead, until - now), stop)
            if watched:
                for entry in [e for e in watched if e[0](self)]:
                    watched.remove(entry)
                    entry[1]()
            if stop is not None and stop(self):
                return True
        return False

    def _in_step(
        self,
        runtime: Runtime,
        tick: Callable[[int, int, int], bool],
        most: int,
        stop: Callable[[Any], bool] | None,
    ) -> None:
        """Run plant and firmware tick by tick, up to the first in which something came out or was waited for."""
        plant = self.plant
        step, place = plant.step, plant.place
        fitted = plant.press.position is not None
        base = self._levels()
        filters, watched = self._input_filters, self._watched
        knob, self.operator.knob_steps = self.operator.knob_steps, 0
        link = bytes(self._to_device[:_LINK_MOST])
        del self._to_device[: len(link)]
        runtime.feed(link, knob)
        counts = self._last_counts
        cutout = self.cutout
        opens = False
        try:
            for _ in range(most):
                counts = step()
                levels = base | _IN_TOP if plant.u <= 0.0 else base
                for change in filters:
                    levels = change(plant.step_index, levels)
                came = tick(counts, levels, place() if fitted else 0)
                if cutout is not None and cutout.due(plant.pressure_Pa, plant.step_index):
                    opens = True
                    break
                if came:
                    break
                if stop is not None and stop(self):
                    break
                if watched and any(w[0](self) for w in watched):
                    break
        except SteadyramError:
            self._runtime = None
            self._take_outputs(0)
            raise
        self._last_counts = counts
        if opens:
            self._open_cutout()
        self._take_heard(runtime.hear())

    def _open_cutout(self) -> None:
        """Take the supply off the feed coils."""
        if self.cutout is not None:
            self.cutout.open = True
            self.note("cutout-opens")
            self.rewire()

    def _batch(self, runtime: Runtime, most: int, stop: Callable[[Any], bool] | None) -> None:
        plant = self.plant
        step = plant.step
        base = self._levels()
        filters = self._input_filters
        watched = self._watched
        snapshots = []
        samples = array("H")
        add = samples.append
        place = plant.place
        looking = stop is not None or bool(watched)
        cutout = self.cutout
        opens = False
        for i in range(most):
            if not i % _SNAPSHOT_EVERY:
                snapshots.append(plant.snapshot())
            add(step())
            levels = base | _IN_TOP if plant.u <= 0.0 else base
            for change in filters:
                levels = change(plant.step_index, levels)
            add(levels)
            add(place())
            if cutout is not None and cutout.due(plant.pressure_Pa, plant.step_index):
                # The coils open now: nothing is run ahead beyond it.
                opens = True
                break
            if looking and ((stop is not None and stop(self)) or any(w[0](self) for w in watched)):
                break
        sent = len(samples) // 3
        link = b""
        if self._to_device:
            link = bytes(self._to_device[:_LINK_MOST])
            del self._to_device[:_LINK_MOST]
        knob = self.operator.knob_steps
        self.operator.knob_steps = 0
        try:
            heard = runtime.exchange(samples, link, knob)
        except (AtPrompt, BoardReset) as left:
            runtime.close()
            self._last_counts = samples[-3]
            self._power_lost()
            self.at_prompt = isinstance(left, AtPrompt)
            if not self.at_prompt:
                self.power_up()
            return
        except FlashCut:
            # Which tick of the batch wrote is not known; the batch is taken as lived through.
            runtime.close()
            self._last_counts = samples[-3]
            self._power_lost()
            return
        except SteadyramError:
            runtime.close()
            self._runtime = None
            self._take_outputs(0)
            raise
        ran = heard.ticks
        self._last_counts = samples[3 * ran - 3]
        if ran < sent:
            plant.restore(snapshots[ran // _SNAPSHOT_EVERY])
            for _ in range(ran % _SNAPSHOT_EVERY):
                step()
        if self._batch_fixed is None:
            if ran < sent:
                self._ahead = max(runtime.batch_least, self._ahead // 2)
            elif sent == self._ahead < runtime.batch_most:
                self._ahead *= 2
        if opens and ran == sent:
            self._open_cutout()
        self._take_heard(heard)

    def _take_heard(self, heard: Heard) -> None:
        if heard.link:
            self.received += heard.link
        if heard.text is not None:
            self.display = heard.text
        if heard.outputs != self.outputs:
            self._take_outputs(heard.outputs)

    # ------------------------------------------------------------------ wiring
    def _levels(self) -> int:
        """The input word but for the top switch."""
        op = self.operator
        word = 0
        if op.extend_held:
            word |= tables.IN_EXTEND
        if op.retract_held:
            word |= tables.IN_RETRACT
        if op.cutoff_on:
            word |= tables.IN_CUTOFF
        if op.latch_on:
            word |= tables.IN_LATCH
        if not op.estop_pushed:
            word |= tables.IN_ESTOP_OK
        if self.cutout is not None and not self.cutout.open:
            word |= tables.IN_CUTOUT_OK
        if op.enable_held:
            word |= tables.IN_ENABLE
        if op.ack_held:
            word |= tables.IN_ACK
        if op.push_held:
            word |= tables.IN_PUSH
        return word

    def _take_outputs(self, word: int) -> None:
        if word != self.outputs:
            self.outputs = word
            self.valve_log.append(Output(self.time_s, word))
        self.rewire()

    def rewire(self) -> None:
        """Pass the output word on to the relays; a pushed emergency stop takes their supply away.

        Where no valve is fitted the person is what follows: pumps while the lamp is lit and a foot is on the pedal.
        """
        operator = self.operator
        if self.plant.press.valve.indicator:
            pumps = operator.extend_held and bool(self.outputs & tables.OUT_LAMP)
            self.plant.command(pumps, operator.release_open, False)
            return
        self.welded |= self.weld_next & self.outputs
        word = 0 if self.operator.estop_pushed else self.outputs | self.welded
        opened = self.cutout is not None and self.cutout.open
        model = self.plant.press
        if opened or (model.circuit.pedal_in_supply and not operator.extend_held):
            word &= ~_FEED
        own_motor = model.pump.driven_by in ("motor", "shared")
        stopped = operator.estop_pushed or opened
        self.plant.drop_motor(own_motor and stopped and model.circuit.stop_drops_motor)
        powered = model.cylinder.return_ == "powered"
        # A valve by hand lets a powered ram's pressure off and raises nothing; a spring empties the ram through it.
        self.plant.bleed = _HAND_RELEASE_1_S if powered and operator.release_open else 0.0
        self._note_coils(word & _VALVES)
        self.plant.command(
            bool(word & tables.OUT_EXTEND),
            bool(word & tables.OUT_RETRACT) or (operator.release_open and not powered),
            bool(word & tables.OUT_SLOW),
        )

    def _note_coils(self, word: int) -> None:
        if word != self.coils:
            self.coils = word
            self.coil_log.append(Output(self.time_s, word))

    def reset_cutout(self) -> bool:
        """Press the independent cutout's reset button; False while the pressure holds it open, or without one."""
        done = self.cutout is not None and self.cutout.reset(self.plant.pressure_Pa)
        if done:
            self.note("cutout-reset")
            self.rewire()
        return done

    @property
    def valves_on(self) -> bool:
        """True while the firmware's output word energises a valve; of a welded relay only `coils` tells."""
        return bool(self.outputs & _VALVES)

    @property
    def valves_open(self) -> int:
        """Valves that let oil through now, by the plant's spools: 1 extend, 2 retract, 4 slow feed, added up.

        A spool follows its coil some tens of milliseconds later, and one that sticks does not. A pump worked by hand
        counts as extend, its release valve as retract.
        """
        plant = self.plant
        spools = (
            (plant.extend, tables.OUT_EXTEND),
            (plant.retract, tables.OUT_RETRACT),
            (plant.slow, tables.OUT_SLOW),
        )
        return sum(bit for spool, bit in spools if spool.share > 0.0)

    @property
    def faults(self) -> list[str]:
        """Names of the faults that are on."""
        return [each.fault.name for each in self.active_faults]

    @property
    def counts(self) -> int:
        """The newest reading that the firmware got, on the 16-bit scale."""
        return self._last_counts

    # ------------------------------------------------------------------ link
    def transport(self, wire_log: TextIO | None = None) -> Transport:
        """The serial link in virtual time; `wire_log` gets one line an exchange."""
        return VirtualTransport(self, wire_log)

    def send(self, data: bytes) -> None:
        """Put bytes on the line to the device; it gets them in the next millisecond. Lost without power."""
        if self._runtime is not None:
            self._to_device += data

    def take_received(self) -> bytes:
        """All bytes that the device wrote since last taken."""
        data = bytes(self.received)
        self.received.clear()
        return data

    # ------------------------------------------------------------------ happenings
    def note(self, name: str) -> None:
        """Write a happening into `events`."""
        self.events.append(Noted(self.time_s, name))

    def after(self, seconds: float, action: Callable[[], None]) -> None:
        """Do `action` when `seconds` more have passed."""
        tick = self.plant.step_index + max(0, round(seconds / STEP_S))
        heapq.heappush(self._schedule, (tick, next(self._order), action))

    def when(self, predicate: Callable[[Self], bool], action: Callable[[], None]) -> None:
        """Do `action` once, after the first tick for which `predicate(press)` is true (see `run_until`)."""
        self._watched.append((predicate, action))

    def inject(self, fault: str, *, at: str | None = None) -> None:
        """Bring a fault on: "NAME" now, "NAME@CYCLE", "NAME@CYCLE:PHASE" or "NAME@2.5s".

        at: the part after the @, if it is not in `fault` itself. A time that has passed means now.
        Names and phases are those of `faults.FAULTS` and `faults.PHASES`. Raises BadInput, also for a fault that this
        press cannot have.
        """
        parse_fault(fault if at is None else f"{fault}@{at}").arm(self)

    def clear_faults(self) -> None:
        """Repair everything that was injected."""
        while self.active_faults:
            self.active_faults.pop().clear(self)
        self.note("faults-cleared")

    def change(self, key: str, value: str) -> None:
        """Change one key of the press file from now on, absolutely ("1.2 GPa") or relatively ("+30%").

        key: "table.key". Raises BadInput. Active faults stay on top of the new figures.
        """
        if self._tables is None:
            raise BadInput(
                "Changes need the press file's own text; give the press as a file, not as a model."
            )
        if not isinstance(value, str):
            raise BadInput(f"The change of {key} is {value!r}; give a text such as '3 mm' or '+30%'.")
        table, _, name = key.partition(".")
        self._tables = apply_change(self._tables, table, name, value, self._origin)
        self.plant.set_press(build_press(self._tables, self._origin))
        for fault in self.active_faults:
            fault.reapply(self)
        self.note(f"change {key}={value}")

    def change_table(self, table: str, keys: dict[str, Any]) -> None:
        """Put other keys in the place of one table of the press file, from now on. Raises BadInput."""
        if self._tables is None:
            raise BadInput(
                "Changes need the press file's own text; give the press as a file, not as a model."
            )
        tables = self._tables | {table: dict(keys)}
        self.plant.set_press(build_press(tables, self._origin))
        self._tables = tables
        for fault in self.active_faults:
            fault.reapply(self)
        self.note(f"change {table}")

    def swap_block(self) -> None:
        """See Operator.swap_block."""
        self.operator.swap_block()

    def load_part(self, part: Part | None = None) -> None:
        """See Operator.load_part."""
        self.operator.load_part(part)

    def fail_writes(self, on: bool) -> None:
        """Let the firmware's flash writes fail, or let them work again. Nothing happens without power."""
        if self._runtime is not None:
            self._runtime.fail_writes(on)

    def add_input_filter(self, change: Callable[[int, int], int]) -> Callable[[], None]:
        """Let `change(step, levels) -> levels` alter the input word; returns what takes it out again."""
        self._input_filters.append(change)
        return lambda: self._input_filters.remove(change)
