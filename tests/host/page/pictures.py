"""Pictures of the bench page in its main states, on a live virtual press, for hardware_notes/page.md.

    python tests/host/page/pictures.py [FOLDER]

Needs Chromium and playwright, as the page's tests do. Clock and noise make no two runs equal to the pixel, so
nothing is held equal; look at them after a change of the page.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[3]
sys.path.insert(0, str(ROOT))

from PIL import Image  # noqa: E402
from tests.host.page.bench_shop import Cable, Shop, chromium, page_process, wait_for  # noqa: E402
from tests.host.page.conftest import FLAGS  # noqa: E402

TABLET, PHONE = {"width": 1280, "height": 800}, {"width": 390, "height": 844}


def take(out: Path) -> None:
    """Press parts, stop, cut the cable; a picture of each state."""
    from playwright.sync_api import sync_playwright

    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        shop = Shop(folder / "flash", parts=10, realtime=True)
        cable = Cable(shop.url)
        try:
            with sync_playwright() as running, page_process(cable.url, folder) as url:
                browser = running.chromium.launch(executable_path=chromium(), args=FLAGS)
                page = browser.new_page(viewport=TABLET)
                page.goto(url)
                assert wait_for(lambda: page.locator("#pips li").count() >= 10)
                _states(page, shop, cable, out)
                browser.close()
            for path in out.glob("*.png"):
                # Flat colours: a fraction of the bytes, and nothing lost that an eye sees.
                Image.open(path).convert("RGB").quantize(96).save(path, optimize=True)
        finally:
            cable.close()
            shop.close()


def _states(page: Any, shop: Shop, cable: Cable, out: Path) -> None:
    def picture(name: str, *, dark: bool = False, phone: bool = False) -> None:
        page.set_viewport_size(PHONE if phone else TABLET)
        page.emulate_media(color_scheme="dark" if dark else "light")
        page.wait_for_timeout(250)
        page.screenshot(path=out / f"{name}.png")
        page.set_viewport_size(TABLET)

    def says(headline: str) -> None:
        assert wait_for(lambda: page.inner_text("#headline").startswith(headline)), page.inner_text(
            "#headline"
        )

    picture("ready")
    shop.hands.do("part")
    shop.hands.do("press extend")
    assert wait_for(lambda: float(page.inner_text("#force").replace("–", "0")) > 2.0)
    page.screenshot(path=out / "pressing.png")
    says("Set force reached")
    picture("reached", dark=True)
    page.click("#far-open")
    picture("big-view")
    picture("big-view-phone", dark=True, phone=True)
    page.click("#far-close")
    shop.hands.do("release extend")
    shop.hands.do("top")
    says("Ready")
    shop.hands.do("cutoff off")
    says("CUTOFF OFF")
    picture("cutoff-off")
    shop.hands.do("cutoff on")
    shop.hands.do("estop push")
    says("Stopped by a fault")
    picture("fault", phone=True)
    shop.hands.do("estop pull")
    shop.hands.do("ack")
    says("Ready")
    page.click("[data-view=parts]")
    picture("parts", dark=True)
    page.click("[data-view=setup]")
    picture("set-up")
    page.click("[data-view=press]")
    cable.cut()
    says("No connection")
    picture("no-connection")


if __name__ == "__main__":
    take(Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "hardware_notes" / "page")
