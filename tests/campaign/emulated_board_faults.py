"""What may go wrong in a feed on the emulated board, a power cut in a write, and the cost of its steps and heap."""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.board.at_the_press import answering, prepared, stroke
from tests.board.emulated import CACHE_HEAVY, NEWEST, BoardPress, flash_image, installed
from tests.campaign.provenance import ROOT

from steadyram.link.definition import definition
from steadyram.link.records import DeviceJob
from steadyram.virtual.press import VirtualPress
from steadyram_fw import tables as T

PRESS = ROOT / "tests" / "presses" / "workshop-20.toml"
SETPOINT_N = 40_000.0
TIMER = 3  # the interrupt of the alarm that MicroPython's timers share
VALVES = T.OUT_EXTEND | T.OUT_RETRACT | T.OUT_SLOW
CUTS = (1, 4)  # flash programs into the storing of a record
NEAR = 0.7  # of the setpoint
FLASH_CYCLES = 200 * 20_000  # a step that the chip's flash kept waiting, at rest

Figures = dict[str, Any]


def image_of(folder: Path, name: str) -> Path:
    """Return a flash with the firmware and a device that nameplates set up."""
    files = prepared(folder / ("prepared-" + name), PRESS, SETPOINT_N)
    return flash_image(folder / (name + ".img"), NEWEST, {**installed(), **files})


def feeding(press: BoardPress) -> float:
    """Begin a part and come 4 ms into its first move; returns the board's time, microseconds, its changes forgotten."""
    press.operator.load_part()
    press.operator.press_extend()
    assert press.run_until(lambda p: bool(p.outputs & T.OUT_EXTEND), 1.0)
    press.run(0.004)
    press.board.tell("edges")
    assert press.board.tell("state")["outputs"] & T.OUT_EXTEND, "the move has ended"
    return float(press.board.us)


def off_after_ms(press: BoardPress, began_us: float) -> float | None:
    """Return how long after `began_us` the valves' pins went off and stayed off, None where they did not."""
    edges = press.board.tell("edges")["edges"]
    if not edges or edges[-1][1] & VALVES:
        return None
    last = max(
        i for i, edge in enumerate(edges) if not edge[1] & VALVES and (i == 0 or edges[i - 1][1] & VALVES)
    )
    return round((edges[last][0] - began_us) / 1000, 2)


def stops(seed: int, folder: Path) -> Figures:
    """Emergency stop, a sensor's fault, and a timer that stops, each in a feed; what comes after."""
    told: Figures = {}
    with BoardPress(PRESS, image_of(folder, "stops"), seed=seed) as press:
        device = answering(press)
        began = feeding(press)
        press.operator.push_estop()
        press.run(0.3)
        told["estop_off_after_ms"] = off_after_ms(press, began)
        told["estop_fault"] = device.now().fault
        press.operator.pull_estop()
        clear(press)
        told["estop_cleared"] = not device.now().fault
        began = feeding(press)
        press.inject("sensor-open")
        press.run(0.3)
        told["sensor_off_after_ms"] = off_after_ms(press, began)
        told["sensor_fault"] = device.now().fault
        told["records"] = [[r.values["stop"], r.values["fault"]] for r in device.log(0)]
    return told


def clear(press: VirtualPress) -> None:
    """Let the pedals go, send the ram up and acknowledge."""
    press.operator.release_all()
    press.run(0.3)
    press.operator.tap_ack()
    press.run(0.3)
    press.operator.press_retract()
    press.run_until(lambda p: p.plant.at_top, 4.0)
    press.run(0.1)
    press.operator.release_retract()
    press.run(0.5)


def dead_timer(seed: int, folder: Path) -> Figures:
    """The timer's interrupt is taken away in a feed: the valve at once, the watchdog's reset, the start after it."""
    with BoardPress(PRESS, image_of(folder, "timer"), seed=seed) as press:
        answering(press)
        feeding(press)
        board = press.board
        board.tell("mask", irq=TIMER)
        began_us = board.us
        press.run(0.05)
        off_ms = off_after_ms(press, began_us)
        while board.resets == 0 and board.us < began_us + 6_000_000:
            board.free(50)
        reset_s = (board.us - began_us) / 1e6
        press.operator.release_all()
        device = answering(press)
        edges = board.tell("edges")["edges"]
        return {
            "valve_off_after_ms": off_ms,
            "watchdog_reset_after_s": round(reset_s, 2),
            "valve_on_again": any(edge[1] & VALVES for edge in edges),
            "answers_after_s": round((board.us - began_us) / 1e6 - reset_s, 1),
            "fault_after": device.now().fault,
            "resets": board.resets,
        }


def power_cut(seed: int, folder: Path) -> Figures:
    """The power goes in the middle of a flash program while a part's record is stored; then it comes back."""
    told: Figures = {"cuts": list(CUTS), "records": [], "whole": []}
    for after in CUTS:
        with BoardPress(PRESS, image_of(folder, "cut"), seed=seed) as press:
            device = answering(press)
            settings, chosen = device.settings().values, device.now().job
            press.board.tell("cut", after=after)
            press.operator.load_part()
            press.operator.press_extend()
            gone = press.run_until(lambda p: not p.powered, 8.0)
            press.operator.release_all()
            press.power_up()
            device = answering(press)
            records = list(device.log(0))
            told["records"].append([gone, len(records)])
            same = device.settings().values == settings and device.now().job == chosen
            told["whole"].append(same and all(r.values["setpoint_n"] == SETPOINT_N for r in records))
    return told


def busy_heap(seed: int, folder: Path) -> Figures:
    """Heap free at rest, after a part, and after all jobs, three parts and everything asked for over the link."""
    with BoardPress(PRESS, image_of(folder, "heap"), seed=seed) as press:
        device = answering(press)
        rest = heap(device)
        fields = {field.name: field.default for field in definition().job} | {"setpoint_n": round(SETPOINT_N)}
        press.operator.hold_enable()
        jobs = [DeviceJob(n, f"a job of a long name {n}", fields) for n in range(1, T.JOB_SLOTS + 1)]
        device.push_jobs(jobs)
        filled = heap(device)
        stroke(press)
        after = heap(device)
        list(device.log(0))
        for ask in (device.settings, device.jobs, lambda: device.trace(1)):
            ask()
        return {
            "at_rest": rest,
            "with_16_jobs": filled,
            "after_a_part": after,
            "log_and_sets_asked": heap(device),
        }


def heap(device: Any) -> int:
    """Return the bytes free after a collection, as the board tells them at rest."""
    told = device.board()
    assert told is not None
    return int(told["heap_free"])


def callback(cache: tuple[int, int] | None) -> Callable[[int, Path], Figures]:
    """Return a piece: mean and worst of the timer's whole callback by phase, microseconds at 200 MHz."""

    def piece(seed: int, folder: Path) -> Figures:
        image = image_of(folder, f"callback-{cache and cache[0]}")
        with BoardPress(PRESS, image, seed=seed, cache=cache) as press:
            device = answering(press)
            near_c = press_counts(press, NEAR * SETPOINT_N)
            press.board.tell("steps", on=True)
            stroke(press)
            steps = press.board.tell("steps", on=False)["steps"]
            told = device.board() or {}
        image.with_suffix(".json").write_text(json.dumps(steps))
        figures: Figures = {}
        for name, chosen in by_phase(steps, near_c).items():
            us = [row[1] / 200 for row in chosen]
            figures[name] = [len(us), round(sum(us) / len(us)), round(max(us))] if us else None
        figures["late_us"] = told.get("late_us")
        return figures

    return piece


def press_counts(press: VirtualPress, force_N: float) -> float:
    """Return the reading at a force on the work, by the nameplate's line."""
    model = press.plant.press
    full_N = model.cylinder.area_m2 * model.transducer.range
    return float(6554 + (force_N + model.cylinder.seal_friction) / full_N * 52428)


def by_phase(steps: list[list[float]], near_c: float) -> dict[str, list[list[float]]]:
    """Sort steps, rows of `serve.mjs`, by what the valves did before and after each.

    The valves' keeper takes a word up to 24 us after it was given, so what a step changed shows when the next begins.
    """
    names = ("rest", "plan", "switch_on", "feed", "feed_near", "switch_off", "settle", "return", "flash")
    found: dict[str, list[list[float]]] = {name: [] for name in names}
    fed, last = False, "rest"
    for row, following in itertools.pairwise(steps):
        before, after, counts = int(row[4]) & VALVES, int(following[4]) & VALVES, row[6]
        if before != after:
            name = "switch_on" if after else "switch_off"
            fed = bool(after & (T.OUT_EXTEND | T.OUT_SLOW)) or (fed and not after)
            if after & (T.OUT_EXTEND | T.OUT_SLOW):
                # The step before decided it.
                found["plan"].append(found[last].pop())
        elif before & T.OUT_RETRACT:
            name, fed = "return", False
        elif before:
            name = "feed_near" if counts >= near_c else "feed"
        elif row[1] > FLASH_CYCLES:
            name = "flash"
        else:
            name = "settle" if fed else "rest"
        found[name].append(row)
        last = name
    return found


PIECES: dict[str, Callable[[int, Path], Figures]] = {
    "stops_in_a_feed": stops,
    "timer_stopped_in_a_feed": dead_timer,
    "power_cut_in_a_write": power_cut,
    "heap": busy_heap,
    "callback_us": callback(None),
    "callback_us_cache_model": callback(CACHE_HEAVY),
}
