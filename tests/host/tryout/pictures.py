"""Take the README's picture: `steadyram try` in Chromium, a part pressed by keys.

    python tests/host/tryout/pictures.py [FOLDER]

Needs Chromium and playwright, as the page's tests do. It runs in real time, so no two runs are equal to the pixel and
nothing is held equal; look at the picture after a change of the page.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
sys.path.insert(0, str(ROOT))

from PIL import Image  # noqa: E402
from tests.host.page.bench_shop import chromium, wait_for  # noqa: E402
from tests.host.page.conftest import FLAGS  # noqa: E402

SIZE = {"width": 1280, "height": 800}


def take(out: Path) -> None:
    """Press two parts, the second one held at its set force, and write `try.png` into the folder."""
    from playwright.sync_api import sync_playwright

    out.mkdir(parents=True, exist_ok=True)
    command = [sys.executable, "-m", "steadyram", "try", "--listen", "127.0.0.1:0", "--no-browser"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        word, _, url = process.stdout.readline().strip().partition(" ")
        assert word == "ready"
        with sync_playwright() as running:
            browser = running.chromium.launch(executable_path=chromium(), args=FLAGS)
            page = browser.new_page(viewport=SIZE)
            page.goto(url)
            assert wait_for(lambda: page.evaluate("now?.part?.verdict") == "new")
            for part in range(2):
                page.keyboard.down(" ")
                assert wait_for(lambda: page.evaluate("now.state") == "done")
                if part:
                    break
                page.keyboard.up(" ")
                assert wait_for(lambda: page.evaluate("!now.pedals.extend"))
                page.keyboard.down("r")
                assert wait_for(lambda: page.evaluate("now.clear"))
                page.keyboard.up("r")
                page.keyboard.press("n")
                assert wait_for(lambda: page.evaluate("now.part.verdict") == "new")
            page.wait_for_timeout(1500)
            page.screenshot(path=out / "try.png")
            browser.close()
    finally:
        process.terminate()
        process.wait(30)
        process.stdout.close()
    # Flat colours: a fraction of the bytes, and nothing lost that an eye sees.
    picture = Image.open(out / "try.png").convert("RGB").quantize(96)
    picture.save(out / "try.png", optimize=True)


if __name__ == "__main__":
    take(Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "hardware_notes" / "page")
