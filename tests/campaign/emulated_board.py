"""The firmware as built for a Pico on an emulated one, through a whole installation and what may go wrong in it.

    python -m tests.campaign.emulated_board --seed 91 --part PART.json --out OUT.json

Each piece is a function of its own here or in emulated_board_faults.py and emulated_board_update.py; `--part` keeps
finished ones, so that the same command goes on where it was stopped; `--only` runs some. A second of the board takes
about five seconds of a quiet processor: the whole is half an hour of one.
"""

from __future__ import annotations

import argparse
import json
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.board.at_the_press import Prepared, answering, prepared, quiet_press, stroke
from tests.board.emulated import NEWEST, BoardPress, files_of, flash_image, installed
from tests.campaign import emulated_board_faults as faults
from tests.campaign import emulated_board_update as update
from tests.campaign.provenance import ROOT, git, provenance

from steadyram.commission.calibrate import calibrate
from steadyram.commission.characterise import Characteristics, characterise
from steadyram.device import Device
from steadyram.link.definition import definition
from steadyram.link.records import DeviceJob
from steadyram.nameplate import nameplate_settings
from steadyram.virtual.hands import VirtualHands
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.trial import STRATEGY

PRESS = ROOT / "tests" / "presses" / "workshop-20.toml"
SETPOINT_N = 40_000
PARTS = 2
# Fields of a record that do not depend on when the device was started.
SAME = ("seq", "job", "job_crc", "setpoint_n", "stop", "fault", "count", "cal_serial")

Figures = dict[str, Any]


def step_N(press: VirtualPress) -> float:
    """Return the force of one step of the converter in newtons."""
    model = press.plant.press
    return float(16 * model.cylinder.area_m2 * model.transducer.range / 52428)


class Hands(VirtualHands):
    """A person at a board whose display is not read: the enable button is held for as long as it takes."""

    def open_changes(self) -> None:
        """Hold the enable button."""
        self._press.run(0.3)
        self._press.operator.open_seal()
        self._press.run(0.3)

    open_calibration = open_changes


def commissioned(press: VirtualPress, device: Device) -> Characteristics:
    """Settings from the nameplate, calibration under the virtual load cell, the dead-stop test; all in force."""
    model = press.plant.press
    hands = Hands(press, press.seed)
    hands.open_changes()
    values = nameplate_settings(model) | {"strategy": STRATEGY["learned"]}
    device.push_settings(values)
    full_N = model.cylinder.area_m2 * model.transducer.range
    slow = model.valve.slow_feed is not None
    found = calibrate(
        device,
        hands,
        capacity_N=model.capacity_N,
        counts_per_N=52428 / full_N,
        holds_load=model.valve.load_holding,
        slow_fitted=slow,
    )
    hands.open_changes()
    device.push_calibration(
        found.polynomial.fields | {"serial": 1, "made_unix": 1_764_288_000, "due_unix": 0}
    )
    measured = characterise(
        device,
        hands,
        capacity_N=model.capacity_N,
        slow_fitted=slow,
        burst=model.pump.burst,
        holds_load=model.valve.load_holding,
    )
    hands.open_changes()
    device.push_press(values | measured.settings())
    return measured


def commission(seed: int, folder: Path) -> Figures:
    """Settings, calibration and dead-stop test by the host's own procedures, over the emulated USB line; one job."""
    image = flash_image(folder / "commission.img", NEWEST, installed())
    with BoardPress(PRESS, image, seed=seed) as press:
        device = answering(press)
        began_s = press.time_s
        found = commissioned(press, device)
        fields = {field.name: field.default for field in definition().job} | {"setpoint_n": SETPOINT_N}
        device.push_jobs([DeviceJob(1, "campaign part", fields)])
        device.use_job(1)
        press.run(0.3)
        board = device.board() or {}
        values = found.settings()
        valve = press.plant.press.valve
        press.board.tell("save")
        shutil.copy(image, folder / "commissioned.img")
        told = {
            "board_seconds": round(press.time_s - began_s, 1),
            "open_lag_us": values["open_lag_us"],
            "open_lag_true_us": round(1e6 * (valve.relay_delay + valve.open_delay)),
            "close_lag_us": values["close_lag_us"],
            "close_lag_true_us": round(1e6 * (valve.relay_delay + valve.close_delay)),
            "pulse_dead_us": values.get("pulse_dead_us"),
            "pulse_dead_true_us": round(1e6 * (valve.open_delay - valve.close_delay)),
            "heap_free": board.get("heap_free"),
        }
    return told


def landing(seed: int, folder: Path) -> Figures:
    """The same parts on a board and on a virtual press that has the board's files; commissioned where that was done.

    Without noise and jitter, which would differ with the moment at which each began.
    """
    quiet = quiet_press(PRESS, folder)
    from_commission = (folder / "commissioned.img").is_file()
    image = folder / "landing.img"
    if from_commission:
        shutil.copy(folder / "commissioned.img", image)
    else:
        files = prepared(folder / "prepared-landing", quiet, SETPOINT_N)
        flash_image(image, NEWEST, {**installed(), **files})
    shutil.rmtree(folder / "same", ignore_errors=True)
    put(files_of(image), folder / "same")
    rows: dict[str, Any] = {}
    records = {}
    made: dict[str, Callable[[], VirtualPress]] = {
        "virtual": lambda: Prepared(quiet, seed, "cpython", folder / "same"),
        "board": lambda: BoardPress(quiet, image, seed=seed),
    }
    for name, make in made.items():
        with make() as press:
            device = answering(press)
            rows[name] = [round(stroke(press), 1) for _ in range(PARTS)]
            records[name] = [record.values for record in device.log(0)][-PARTS:]
            one = step_N(press)
            pulse_N = device.press_values()["rate_high_n_s"] / 1000
    apart = [abs(a - b) for a, b in zip(rows["virtual"], rows["board"], strict=True)]
    both = list(zip(records["virtual"], records["board"], strict=True))
    return {
        "set_up_by": "commission" if from_commission else "nameplates",
        "setpoint_n": SETPOINT_N,
        "converter_step_n": round(one, 1),
        "peak_virtual_n": rows["virtual"],
        "peak_board_n": rows["board"],
        "millisecond_of_feed_n": round(pulse_N, 1),
        "apart_most_n": round(max(apart), 1),
        "pulses_board": [b["pulses"] for _, b in both],
        "records_differ": sorted({name for a, b in both for name in SAME if a[name] != b[name]}),
        "stops": sorted({b["stop"] for _, b in both}),
    }


def put(files: dict[str, bytes], folder: Path) -> None:
    """Write a board's files where a virtual press keeps its own."""
    for path, data in files.items():
        file = folder / "files" / path.lstrip("/")
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(data)


PIECES: dict[str, Callable[[int, Path], Figures]] = {
    "commission": commission,
    "landing": landing,
    **faults.PIECES,
    **update.PIECES,
}


def run(seed: int, folder: Path, kept: Path, only: list[str]) -> Figures:
    """Run the pieces that `kept` has not yet; returns all of them."""
    done: Figures = json.loads(kept.read_text()) if kept.is_file() else {}
    for name, piece in PIECES.items():
        if name in done or (only and name not in only):
            continue
        began, commit = time.time(), git("rev-parse", "--short", "HEAD")
        figures = piece(seed, folder)
        # A piece that was kept belongs to the code that it ran on.
        figures |= {"took_s": round(time.time() - began), "commit": commit}
        done = json.loads(kept.read_text()) if kept.is_file() else {}
        done[name] = figures
        kept.write_text(json.dumps(done, indent=1))
        print(name, figures, flush=True)
    return done


def main() -> None:
    """Run the campaign from the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--seed", type=int, default=91)
    parser.add_argument("--only", nargs="+", default=[], choices=sorted(PIECES))
    parser.add_argument("--part", type=Path, help="keeps finished pieces; images lie beside it")
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    origin = provenance()
    with tempfile.TemporaryDirectory() as scratch:
        kept = asked.part or Path(scratch) / "part.json"
        kept.parent.mkdir(parents=True, exist_ok=True)
        done = run(asked.seed, kept.parent, kept, asked.only)
    if asked.out:
        asked.out.parent.mkdir(parents=True, exist_ok=True)
        asked.out.write_text(json.dumps({**origin, "seed": asked.seed, "pieces": done}, indent=1) + "\n")


if __name__ == "__main__":
    main()
