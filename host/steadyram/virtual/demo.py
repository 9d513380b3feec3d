"""The main job from nothing, on a press that is not there: what `steadyram demo` does.

A simulated press stands behind a port of this process as a board stands behind a serial port; its pedals, parts and
load cell are worked by an operator's script. Everything else is done by the commands that a person with a board would
type, so the demo shows nothing that the tool cannot do.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from steadyram.config import preferences
from steadyram.cycles.store import CycleStore
from steadyram.device import Device
from steadyram.errors import BadInput, CheckFailed
from steadyram.link.client import Client
from steadyram.link.definition import definition
from steadyram.link.discover import PORT_VARIABLE
from steadyram.link.transport import open_transport, port_in_process
from steadyram.press.limits import limit_sigma_N
from steadyram.press.pressfile import apply_change, build_press, read_press_tables
from steadyram.report.gather import gather
from steadyram.report.page import render
from steadyram.virtual.demo_shop import ORDER, Order, write_shop
from steadyram.virtual.operator_line import ActionLine, LineHands, open_operator, operator_in_process
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.runtime import RuntimeName

Command = Callable[[list[str]], None]
Say = Callable[[str], None]

MARKER = ".steadyram-demo"
STORE_VARIABLE = "STEADYRAM_STORE"
# At which job and stroke something goes wrong.
_LEANED_ON = (1, 5)
_BROKEN_WIRE = (3, 3)
PRESS_URL = "press://demo"
_STRATEGIES = {
    "threshold": "a plain threshold",
    "learned": "learned; its first lead is from the dead-stop test, then every part of a job refines it",
    "lead": "a lead set once from the dead-stop test",
}


@dataclass
class JobResult:
    """What came of one job; forces in newtons. The load cell's figures are the truth within 0.1 %."""

    slot: int
    name: str
    setpoint_N: float
    limit_sigma_N: float
    parts: int = 0
    device_peaks_N: list[float] = field(default_factory=list)
    cell_peaks_N: list[float] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    @property
    def mean_N(self) -> float:
        return sum(self.cell_peaks_N) / len(self.cell_peaks_N)

    @property
    def worst_over_N(self) -> float:
        return max(peak - self.setpoint_N for peak in self.cell_peaks_N)

    @property
    def worst_under_N(self) -> float:
        return max(self.setpoint_N - peak for peak in self.cell_peaks_N)


@dataclass
class DemoResult:
    """Where the report is and what it rests on."""

    report: Path
    runtime: str
    strategy: str
    jobs: list[JobResult]
    wall_s: float

    def to_json(self) -> dict[str, Any]:
        """The document of `demo --json`."""
        rows = []
        for job in self.jobs:
            mean = {"mean_peak_N": job.mean_N, "worst_over_N": job.worst_over_N}
            rows.append(asdict(job) | mean | {"worst_under_N": job.worst_under_N})
        return {
            "report": str(self.report),
            "runtime": self.runtime,
            "cutoff": self.strategy,
            "jobs": rows,
            "wall_s": round(self.wall_s, 3),
        }


def prepare(folder: Path) -> None:
    """An empty folder for the demo; what an earlier demo left there is removed, nothing else ever.

    Raises BadInput when the folder holds other files or cannot be made.
    """
    try:
        if folder.exists() and not folder.is_dir():
            raise BadInput(f"{folder} is a file; give a folder for the demo's files.")
        if folder.is_dir() and any(folder.iterdir()):
            if not (folder / MARKER).is_file():
                raise BadInput(
                    f"{folder} holds files that the demo did not make; give an empty folder with --out."
                )
            for entry in folder.iterdir():
                if entry.is_dir() and not entry.is_symlink():
                    shutil.rmtree(entry)
                else:
                    entry.unlink()
        folder.mkdir(parents=True, exist_ok=True)
        (folder / MARKER).write_text(
            "Made by `steadyram demo`; the next demo empties this folder.\n", encoding="utf-8"
        )
    except OSError as error:
        raise BadInput(f"{folder} cannot be used ({error.strerror}); choose another folder.") from None


@contextmanager
def simulated_press(folder: Path, seed: int, runtime: RuntimeName) -> Iterator[VirtualPress]:
    """A simulated press in virtual time, reached at `PRESS_URL` as a board is at its port, and its operator too.

    In this process, because time then passes only while somebody waits for the press: the same seed gives the same
    figures, however busy the machine is.
    """
    with (
        VirtualPress(folder / "press.toml", seed, runtime, wall_unix=int(time.time())) as press,
        port_in_process(PRESS_URL, press.transport),
        operator_in_process(PRESS_URL, press),
    ):
        yield press


@contextmanager
def _environment(**values: str) -> Iterator[None]:
    before = {name: os.environ.get(name) for name in values}
    os.environ.update(values)
    try:
        yield
    finally:
        for name, old in before.items():
            if old is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = old


def run_demo(
    folder: Path, command: Command, say: Say, *, seed: int = 4, runtime: RuntimeName = "micropython"
) -> DemoResult:
    """Run the demo in `folder`. command: runs one command line of this tool; say: tells the story.

    Raises BadInput, and whatever the commands raise.
    """
    began = time.monotonic()
    prepare(folder)
    write_shop(folder)
    store = folder / "cycles.db"

    def file(name: str) -> str:
        return str(folder / name)

    say("An invented shop: one press, three jobs to run. Nothing here is real, least of all the forces.")
    url = hands_url = PRESS_URL
    with contextlib.ExitStack() as stack:
        press = stack.enter_context(simulated_press(folder, seed, runtime))
        ran_on = str(press.runtime)
        say(f"The simulated press is reached at {url}, its firmware runs on {ran_on}.")
        stack.enter_context(_environment(**{PORT_VARIABLE: url, STORE_VARIABLE: str(store)}))
        line = stack.enter_context(open_operator(hands_url))
        hands = LineHands(line)
        hands.open_changes()
        say("Someone held the panel's enable button: changes are open.")
        command(["device", "clock"])
        command(["device", "settings", "push", file("settings.toml"), "--yes"])
        line.close()
        say("Calibrate against a load cell under the ram, five points up and down again:")
        record = file("calibration-1.jsonl")
        command(
            ["calibration", "run", "--header", file("reference.toml"), "--out", record, "--hands", hands_url]
        )
        say("Find out what this press does with a command, on a solid block:")
        command(["characterise", "--out", file("characterisation.json"), "--hands", hands_url])
        line = stack.enter_context(open_operator(hands_url))
        LineHands(line).open_changes()
        say("The order's jobs, the difference to the device first:")
        command(["jobs", "push", file("jobs.toml"), "--yes"])
        results = []
        for order in ORDER:
            results.append(_batch(folder, url, line, order, command, say))
        line.close()
        say("Bring the records home and look at them:")
        command(["cycles", "pull"])
        device = Device(Client(open_transport(url)))
        try:
            strategy = _STRATEGIES[definition().word("strategy", device.settings().values["strategy"])]
            uid = device.identity().uid
        finally:
            device.close()
    report = folder / "report.html"
    _write_report(report, store, uid, ran_on, strategy, results)
    return DemoResult(report, ran_on, strategy, results, time.monotonic() - began)


def _batch(folder: Path, url: str, line: ActionLine, order: Order, command: Command, say: Say) -> JobResult:
    """One batch: the operator swaps the work, chooses the job and works until the count is full."""
    tables = read_press_tables(folder / "press.toml")
    for key, value in order.work.items():
        line.do(f"change work.{key}={value}")
        tables = apply_change(tables, "work", key, value, "the demo's work")
    setpoint = 1000.0 * order.set_kN
    result = JobResult(
        order.slot, order.name, setpoint, limit_sigma_N(build_press(tables, "the demo's press"), setpoint)
    )
    say(f"Job {order.slot}, {order.name}: {order.batch} parts to {preferences().force(setpoint)}.")
    LineHands(line).open_changes()
    command(["jobs", "use", str(order.slot)])
    device = Device(Client(open_transport(url)))
    try:
        attempt = 0
        while result.parts < order.batch:
            attempt += 1
            if attempt > 2 * order.batch + 4:
                raise CheckFailed(f"Job {order.slot} does not get on: {result.parts} parts of {order.batch}.")
            if (order.slot, attempt) == _LEANED_ON:
                _emergency_stop(device, line, result, say)
                continue
            if (order.slot, attempt) == _BROKEN_WIRE:
                line.do("cycle 0")
                line.do("fault sensor-open@1:rise")
            _one_part(device, line, order, result, say)
    finally:
        device.close()
    return result


def _one_part(device: Device, line: ActionLine, order: Order, result: JobResult, say: Say) -> None:
    units = preferences()
    line.do("peak")
    before = device.now().next_seq
    line.do("work")
    line.do("wait 0.2")
    now = device.now()
    if now.state == "fault":
        name = now.fault or "unknown"
        text = next((entry.text for entry in definition().faults.values() if entry.name == name), "")
        result.faults.append(name)
        say(f"  FAULT {name}: {text}. Every output is off; the part is looked at by hand.")
        line.do("repair")
        line.do("ack")
        line.do("top")
        say("  The wire is mended and the fault acknowledged; nothing moves until a pedal is pressed anew.")
        return
    if now.next_seq == before:
        raise CheckFailed(f"The stroke left no record (device state: {now.state}).")
    result.parts += 1
    cell = line.force_N("peak")
    result.device_peaks_N.append(now.peak_N)
    result.cell_peaks_N.append(cell)
    off = cell / result.setpoint_N - 1
    first = "  (first part: comes up from below)" if result.parts == 1 else ""
    say(f"  part {result.parts:2} of {order.batch}: load cell {units.force(cell)}, {off:+.1%}{first}")


def _emergency_stop(device: Device, line: ActionLine, result: JobResult, say: Say) -> None:
    """Somebody leans on the emergency stop while the ram is on its way."""
    line.do("part")
    line.do("press extend")
    line.do("wait 0.4")
    line.do("estop push")
    line.do("wait 0.3")
    now = device.now()
    if now.fault is None:
        raise CheckFailed(f"The press did not stop although the emergency stop was pushed ({now.state}).")
    result.faults.append(now.fault)
    say(
        f"  EMERGENCY STOP: somebody leaned on it. Fault {now.fault}; every output is off, the part is whole."
    )
    line.do("release extend")
    line.do("estop pull")
    line.do("ack")
    line.do("top")


def _write_report(
    target: Path, store: Path, uid: str, ran_on: str, strategy: str, results: list[JobResult]
) -> None:
    notes = [
        "This is a demonstration on a virtual press: shop, parts, forces and the load cell are invented.",
        f"The firmware ran on {ran_on}. Cutoff: {strategy}.",
    ]
    units = preferences()
    cells = "; ".join(f"{job.name} {job.mean_N / job.setpoint_N - 1:+.1%}" for job in results)
    notes.append(
        "By a load cell under the ram, which a shop seldom has, the mean peak was off the setpoint by: "
        f"{cells}. The device's own peaks below read higher, most of all at small forces: a highest reading "
        "keeps the sensor's noise."
    )
    facts = {"runtime": f"{ran_on}, virtual press", "cutoff": strategy}
    with CycleStore(store, create=False) as opened:
        page = render(
            gather(opened, uid),
            units,
            title="Demonstration on a virtual press",
            made_unix=int(time.time()),
            notes=notes,
            facts=facts,
        )
    target.write_text(page, encoding="utf-8")
