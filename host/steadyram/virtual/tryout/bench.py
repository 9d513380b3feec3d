"""The press to try, on its own thread and in real time: acts of the visitor go in, pictures of the moment come out.

Acts are queued by any thread and done between two spans of at most 10 ms; a moment is written at most every 30 ms.
"""

from __future__ import annotations

import contextlib
import queue
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from steadyram.config import preferences
from steadyram.errors import BadInput, SteadyramError
from steadyram.link.definition import definition
from steadyram.link.records import DeviceJob
from steadyram.settings_file import panel_unit
from steadyram.virtual.demo_shop import Order
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import set_up
from steadyram.virtual.runtime import RuntimeName
from steadyram.virtual.server import PressServer
from steadyram.virtual.tryout.shop import PARTS, kind_of, press_for, verdict
from steadyram.virtual.work import Part, make_part, no_part
from steadyram_fw import tables

MOMENT_S: Final = 0.03
# A ram within this distance of its top is out of the way: the part can be changed.
_CLEAR_M: Final = 0.001
# What is held while the mouse, finger or key is down.
_HELD: Final = frozenset({"extend", "retract", "knob"})
_SWITCHED: Final = frozenset({"cutoff", "latch", "estop"})
# Faults that a visitor may bring on: those that one sees on the screens.
FAULTS: Final = {
    "sensor-open": "transducer wire broken",
    "sensor-frozen": "transducer reading stuck",
    "valve-stuck-open": "valve stuck open",
    "pump-off": "no oil from the pump",
    "estop-open": "wire of the emergency stop's monitor off",
}


class Bench:
    """A press with jobs on it, its firmware's display and controls, and the part on its bed.

    press_file: None = the built-in press; seed: of every random draw. Raises BadInput for a bad press file.
    """

    def __init__(
        self, *, press_file: Path | None = None, seed: int = 0, runtime: RuntimeName = "micropython"
    ) -> None:
        self._state = tempfile.TemporaryDirectory(prefix="steadyram-try-")
        self._press_file = press_file
        self._acts: queue.SimpleQueue[tuple[str, Any]] = queue.SimpleQueue()
        self._moment: dict[str, Any] = {}
        self._lock = threading.Lock()
        self._due_s = 0.0
        self._drawn = 0
        self._held_part = False
        self.trouble = ""
        self.kind: Order = PARTS[0]
        folder = Path(self._state.name)
        try:
            self._set_up(folder, seed, runtime)
            self.press = VirtualPress(
                press_for(self.kind, press_file),
                seed,
                runtime,
                folder,
                wall_unix=int(time.time()),
                display=True,
            )
        except BaseException:
            self._state.cleanup()
            raise
        self._part: Part = no_part(self.press.plant.press.cylinder.stroke)
        self._load(self.kind)
        self._server = PressServer(
            self.press, listen=("127.0.0.1", 0), realtime=True, on_turn=self._turn, say=lambda text: None
        )
        self._thread = threading.Thread(target=self._serve, name="press to try", daemon=True)

    def _set_up(self, folder: Path, seed: int, runtime: RuntimeName) -> None:
        """Give the board what an installed press has: settings, calibration, jobs."""
        with VirtualPress(
            press_for(self.kind, self._press_file), seed, runtime, folder, wall_unix=int(time.time())
        ) as press:
            device = set_up(
                press,
                1000.0 * self.kind.set_kN,
                batch=self.kind.batch,
                name=self.kind.name,
                settings={"panel_unit": panel_unit(preferences().force_unit)},
            )
            fields = {field.name: field.default for field in definition().job}
            jobs = [
                DeviceJob(
                    each.slot,
                    each.name,
                    fields
                    | {"setpoint_n": round(1000.0 * each.set_kN), "batch": each.batch, "cutoff_required": 0},
                )
                for each in PARTS
            ]
            device.push_jobs(jobs)
            device.use_job(self.kind.slot)
            press.run(1.0)

    # ------------------------------------------------------------ from other threads
    @property
    def url(self) -> str:
        """What `--port` takes: the board's serial line."""
        return self._server.url

    def start(self) -> None:
        """Let time pass from now on."""
        self._thread.start()

    def close(self) -> None:
        """Stop the press and remove its files."""
        self._server.stop()
        if self._thread.is_alive():
            self._thread.join(10.0)
        self._server.close()
        self.press.close()
        self._state.cleanup()

    def act(self, what: str, value: Any) -> None:
        """Queue an act of the visitor. Raises BadInput for one that there is not."""
        good = (
            (what in _HELD | _SWITCHED and isinstance(value, bool))
            or (
                what == "turn" and isinstance(value, int) and not isinstance(value, bool) and abs(value) <= 50
            )
            or (what == "load" and value in [0, *(each.slot for each in PARTS)])
            or (what == "fault" and value in FAULTS)
            or (what in ("mend", "release") and value is None)
        )
        if not good:
            raise BadInput("There is no such act at this press.")
        self._acts.put((what, value))

    def moment(self) -> dict[str, Any]:
        """Return the newest picture of the press; lengths in metres, forces in newtons, true ones of the plant."""
        with self._lock:
            return self._moment

    # ------------------------------------------------------------ the press's thread
    def _serve(self) -> None:
        try:
            self._server.serve()
        except SteadyramError as error:
            self.trouble = str(error)

    def _turn(self, press: VirtualPress) -> None:
        while True:
            try:
                what, value = self._acts.get_nowait()
            except queue.Empty:
                break
            with contextlib.suppress(BadInput):
                self._do(what, value)
        now_s = time.monotonic()
        if now_s >= self._due_s:
            self._due_s = now_s + MOMENT_S
            moment = self._look(press)
            with self._lock:
                self._moment = moment

    def _do(self, what: str, value: Any) -> None:
        press, operator = self.press, self.press.operator
        acts: dict[str, Callable[[], None]] = {
            "extend": operator.press_extend if value else operator.release_extend,
            "retract": operator.press_retract if value else operator.release_retract,
            "cutoff": lambda: operator.cutoff(value),
            "latch": lambda: operator.latch(value),
            "estop": operator.push_estop if value else operator.pull_estop,
            "knob": lambda: self._push_knob(value),
            "turn": lambda: operator.turn_knob(value),
            "load": lambda: self._load(None if value == 0 else kind_of(value)),
            "fault": lambda: press.inject(value),
            "mend": press.clear_faults,
            "release": self._release,
        }
        acts[what]()

    def _push_knob(self, down: bool) -> None:
        """One contact of the board's knob is push, enable and acknowledge."""
        operator = self.press.operator
        operator.push_held = operator.ack_held = down
        (operator.press_enable if down else operator.release_enable)()

    def _release(self) -> None:
        """Hands and feet off: the visitor's window was left or closed."""
        self.press.operator.release_all()
        self._push_knob(False)

    def _load(self, kind: Order | None) -> None:
        """Put a fresh part (None: nothing) on the bed, once the ram is out of the way."""
        plant = self.press.plant
        if plant.position_m > _CLEAR_M:
            return
        stroke = plant.press.cylinder.stroke
        if kind is None:
            self._part = no_part(stroke)
        else:
            self.kind = kind
            work = press_for(kind, self._press_file).work
            # Part-to-part scatter: a fixed sequence, so that a seed gives the same parts again.
            self._drawn += 1
            turn = self._drawn * 0.618034
            self._part = make_part(work, 2.0 * (turn % 1.0) - 1.0, 2.0 * ((turn * 1.7) % 1.0) - 1.0)
        self._held_part = kind is not None
        self.press.operator.load_part(self._part)
        plant.peak_N = 0.0

    def _look(self, press: VirtualPress) -> dict[str, Any]:
        plant, operator = press.plant, press.operator
        held = self._held_part
        core = press.core_state()
        peak = plant.peak_N
        past = max(0.0, plant.position_m - self._part.gap_m)
        return {
            "time_s": round(press.time_s, 3),
            "ram_m": round(plant.position_m, 6),
            "stroke_m": plant.press.cylinder.stroke,
            "force_N": round(plant.force_N, 1),
            "peak_N": round(peak, 1),
            "part": None
            if not held
            else {
                "job": self.kind.slot,
                "name": self.kind.name,
                "gap_m": self._part.gap_m,
                "pressed_m": round(past, 6),
                "verdict": verdict(self.kind, peak) if peak > 200.0 * self.kind.low_kN else "new",
            },
            "state": None if core is None else definition().states[core.state].name,
            "fault": None if core is None or not core.fault else definition().faults[core.fault].name,
            "clear": plant.position_m <= _CLEAR_M,
            "outputs": {
                "extend": bool(press.outputs & tables.OUT_EXTEND),
                "retract": bool(press.outputs & tables.OUT_RETRACT),
                "slow": bool(press.outputs & tables.OUT_SLOW),
                "lamp": bool(press.outputs & tables.OUT_LAMP),
                "buzzer": bool(press.outputs & tables.OUT_BUZZER),
            },
            "pedals": {"extend": operator.extend_held, "retract": operator.retract_held},
            "cutoff": operator.cutoff_on,
            "latch": operator.latch_on,
            "estop": operator.estop_pushed,
            "display": press.display,
            "faults": press.faults,
            "trouble": self.trouble,
        }
