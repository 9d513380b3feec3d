"""A session that touches everything that can come out of a virtual press, and a digest of all that did."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

from steadyram.virtual import quick_setup, script
from steadyram.virtual.default_press import default_press
from steadyram.virtual.press import VirtualPress


def run_session(
    runtime: Any, batch: int | None, state: Path, seed: int = 7, file: Path | None = None
) -> tuple[str, VirtualPress]:
    """Set up, strokes with faults and a knob turn, a power cut, a link pull; the digest of what came out."""
    with VirtualPress(file or default_press(), seed, runtime, state, batch=batch) as press:
        device = quick_setup.set_up(press, 30_000.0, batch=5)
        press.cycle = 0
        for plan in ("contact-bounce@1:before", "sensor-spike@2", "sensor-noisy@3", "sensor-open@4:rise"):
            press.inject(plan)
        heard: list[object] = []
        for _ in range(4):
            script.play(press, script.one_part(press))
            if script.panel_state(press) == "fault" and press.plant.at_top:
                # A pedal that bounces is a fault of its own; what was planned for later parts is to come, too.
                press.clear_faults()
                script.play(press, script.acknowledge(press))
            heard.append((press.display, press.plant.peak_N, press.plant.position_m))
        press.clear_faults()
        script.play(press, script.acknowledge(press))
        press.operator.turn_knob(3)
        press.run(2.0)
        heard.append(device.now())
        press.operator.press_extend()
        press.run_until(lambda p: p.plant.force_N > 1000.0, 5.0)
        heard.append((press.time_s, press.plant.force_N))
        press.power_cut()
        press.run(0.5)
        press.operator.release_all()
        press.power_up()
        press.run(0.5)
        heard.append(device.hello())
        heard.extend(device.log())
        told = repr((heard, press.valve_log, press.events, press.plant.snapshot(), press.display))
    return hashlib.sha256(told.encode()).hexdigest(), press
