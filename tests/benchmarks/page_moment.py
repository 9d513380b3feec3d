"""Measure how soon the bench page says that what it shows is old, and how soon a force is on the screen.

    python tests/benchmarks/page_moment.py [--rises 100] [--times 3] [--write]

A virtual press in real time, `steadyram page` in a process of its own, and Chromium. Milliseconds, from the moment at
which the cause is set to the frame in which the page shows it: for a script that hangs, the browser's own picture of
its screen; otherwise the animation frame after the page's change. A rise is the true force passing half of
the set force; its figure is on the screen when the page shows at least that.
"""

from __future__ import annotations

import argparse
import base64
import contextlib
import io
import os
import re
import signal
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from PIL import Image  # noqa: E402
from tests.host.page.bench_shop import Cable, Shop, chromium, page_and_process, wait_for  # noqa: E402
from tests.host.page.conftest import FLAGS  # noqa: E402

RESULT = Path(__file__).parent / "results" / "page_moment.txt"
SET_N = 4800.0
# Sets window.at to the wall clock of the frame in which WHAT is first true.
WATCH = """() => { window.at = null;
  const look = () => (WHAT) ? requestAnimationFrame(() => { window.at = performance.timeOrigin + performance.now(); })
    : requestAnimationFrame(look);
  look();
}"""
FIGURE = "Number(document.getElementById('force').textContent)"
OLD = "document.body.classList.contains('old')"


def begun(page: Any) -> None:
    """Wait until the page shows a press of this moment, at rest."""
    rest = f"!{OLD} && now.view?.link === 'connected' && now.live?.state === 'ready'"
    assert wait_for(lambda: page.evaluate(rest)), page.evaluate("[now.view?.link, now.view?.press, now.live]")


def in_stroke(shop: Shop, page: Any) -> None:
    """Hold the pedal down until the page shows the stroke."""
    # Seen by the page itself: asked from here, a busy machine may miss the moment.
    page.evaluate(
        "() => { window.stroke = false; const look = () => { window.stroke ||= !['ready', 'done'].includes("
        "now.live?.state); requestAnimationFrame(look); }; look(); }"
    )
    shop.hands.do("part")
    shop.hands.do("press extend")
    assert wait_for(lambda: page.evaluate("window.stroke")), page.evaluate("now.live")


def rested(shop: Shop) -> None:
    """Let go and send the ram up."""
    shop.hands.do("release extend")
    shop.hands.do("top")


def until_old(page: Any, cause: Any) -> float:
    """Set the cause and return the milliseconds until the page says that its figures are old."""
    page.evaluate(WATCH.replace("WHAT", OLD))
    from_ms = 1000.0 * time.time()
    cause()
    assert wait_for(lambda: page.evaluate("window.at") is not None)
    return float(page.evaluate("window.at")) - from_ms


def ages(times: int) -> dict[str, list[float]]:
    """Return the milliseconds until the page says so, for each cause set in a stroke."""
    from playwright.sync_api import sync_playwright

    found: dict[str, list[float]] = {}
    with tempfile.TemporaryDirectory() as made, sync_playwright() as running:
        folder = Path(made)
        shop = Shop(folder / "flash", parts=10, realtime=True)
        cable = Cable(shop.url)
        browser = running.chromium.launch(executable_path=chromium(), args=FLAGS)
        for _ in range(times):
            for name in (
                "server stopped",
                "server killed",
                "line swallowed",
                "press hung",
                "page's script hung",
            ):
                # A server that was killed does not end with 0.
                ended = (
                    contextlib.suppress(AssertionError)
                    if name == "server killed"
                    else contextlib.nullcontext()
                )
                with ended, page_and_process(cable.url, folder) as (url, process):
                    page = browser.new_page(viewport={"width": 1280, "height": 800})
                    page.goto(url)
                    begun(page)
                    in_stroke(shop, page)
                    found.setdefault(name, []).append(_age(name, page, shop, cable, process))
                    rested(shop)
                    page.close()
        browser.close()
        cable.close()
        shop.close()
    return found


def _age(name: str, page: Any, shop: Shop, cable: Cable, process: Any) -> float:
    if name == "server stopped":
        try:
            return until_old(page, lambda: process.send_signal(signal.SIGSTOP))
        finally:
            process.send_signal(signal.SIGCONT)
    if name == "server killed":
        return until_old(page, process.kill)
    if name == "line swallowed":
        try:
            return until_old(page, lambda: cable.swallow(True))
        finally:
            cable.swallow(False)
    if name == "press hung":
        with shop.hung():
            return until_old(page, lambda: None)
    return script_hung(page)


def script_hung(page: Any) -> float:
    """Return the milliseconds from a script that hangs to the picture of the screen with the notice."""
    frames: list[tuple[float, bytes]] = []
    line = page.context.new_cdp_session(page)

    def take(frame: dict[str, Any]) -> None:
        frames.append((1000.0 * frame["metadata"]["timestamp"], base64.b64decode(frame["data"])))
        line.send("Page.screencastFrameAck", {"sessionId": frame["sessionId"]})

    line.on("Page.screencastFrame", take)
    line.send("Page.startScreencast", {"format": "png"})
    from_ms = float(
        page.evaluate(
            "() => new Promise((done) => { const at = performance.timeOrigin + performance.now(); done(at); "
            "setTimeout(() => { const from = performance.now(); while (performance.now() - from < 2000); }, 0); })"
        )
    )
    page.evaluate("true")
    look = page.evaluate("getComputedStyle(document.getElementById('frozen')).backgroundColor")
    notice = tuple(int(each) for each in re.findall(r"\d+", look)[:3])
    for at_ms, data in frames:
        if at_ms > from_ms and Image.open(io.BytesIO(data)).convert("RGB").getpixel((30, 12)) == notice:
            return at_ms - from_ms
    return float("nan")


def rises(count: int) -> list[float]:
    """Return the milliseconds from the true force's passing half of the set force to the figure on the screen."""
    from playwright.sync_api import sync_playwright

    out: list[float] = []
    with tempfile.TemporaryDirectory() as made, sync_playwright() as running:
        folder = Path(made)
        shop = Shop(folder / "flash", parts=10, batch=0, realtime=True)
        passed: list[float] = []

        def watch(press: Any) -> None:
            if not passed and press.plant.force_N >= SET_N / 2:
                passed.append(1000.0 * time.time())

        shop.each_turn(watch)
        browser = running.chromium.launch(executable_path=chromium(), args=FLAGS)
        with page_and_process(shop.url, folder) as (url, _):
            page = browser.new_page(viewport={"width": 1280, "height": 800})
            page.goto(url)
            begun(page)
            for _ in range(count):
                passed.clear()
                page.evaluate(WATCH.replace("WHAT", f"{FIGURE} >= {SET_N / 2000}"))
                shop.hands.do("part")
                shop.hands.do("press extend")
                assert wait_for(lambda: page.evaluate("window.at") is not None)
                out.append(float(page.evaluate("window.at")) - passed[0])
                rested(shop)
                assert wait_for(lambda: page.evaluate(FIGURE) < 1)
        browser.close()
        shop.close()
    return out


def main() -> None:
    """Measure and print; with --write keep the result."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--rises", type=int, default=100)
    asked.add_argument("--times", type=int, default=3)
    asked.add_argument("--write", action="store_true")
    given = asked.parse_args()
    lines = [
        "Bench page in Chromium beside a virtual press in real time; milliseconds.",
        f"python tests/benchmarks/page_moment.py --rises {given.rises} --times {given.times}",
        f"load of the machine's {os.cpu_count()} processors while it ran: {{load}}",
        "",
        "In a stroke, until the screen says that its figures are old (median, worst):",
    ]
    for name, each in ages(given.times).items():
        lines.append(f"  {name:20} {statistics.median(each):6.0f} {max(each):6.0f}")
    told = rises(given.rises)
    lines += [
        "",
        f"From force to screen, {len(told)} rises: median {statistics.median(told):.0f}, "
        f"95 % within {sorted(told)[int(0.95 * len(told)) - 1]:.0f}, worst {max(told):.0f}",
    ]
    text = "\n".join(lines).format(load=", ".join(f"{each:.1f}" for each in os.getloadavg())) + "\n"
    print(text)
    if given.write:
        RESULT.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
