"""Pictures of a bend list at the bench page, on a live virtual press, for hardware_notes/page.md.

    python tests/host/page/bend_pictures.py [FOLDER]

As `pictures.py`: needs Chromium and playwright, and nothing is held equal; look at them after a change of the page.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[3]
sys.path.insert(0, str(ROOT))

from PIL import Image  # noqa: E402
from tests.host.page.bench_shop import chromium, page_process, wait_for  # noqa: E402
from tests.host.page.conftest import FLAGS  # noqa: E402
from tests.host.page.test_page_bend import TRAY, BendPress, go_through  # noqa: E402

TABLET = {"width": 1280, "height": 800}


def take(out: Path) -> None:
    """A stroke asked for, and an angle asked for."""
    from playwright.sync_api import sync_playwright

    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        (folder / "lists").mkdir()
        (folder / "lists" / "tray.toml").write_text(TRAY)
        bender = BendPress(folder / "flash")
        try:
            with (
                sync_playwright() as running,
                page_process(bender.url, folder, "--bends", str(folder / "lists")) as url,
            ):
                browser = running.chromium.launch(executable_path=chromium(), args=FLAGS)
                page = browser.new_page(viewport=TABLET)
                page.goto(url)
                _states(page, bender, out)
                browser.close()
        finally:
            bender.close()
    for path in out.glob("bend-*.png"):
        # Flat colours: a fraction of the bytes, and nothing lost that an eye sees.
        Image.open(path).convert("RGB").quantize(96).save(path, optimize=True)


def _states(page: Any, bender: BendPress, out: Path) -> None:
    def picture(name: str, *, dark: bool = False) -> None:
        page.emulate_media(color_scheme="dark" if dark else "light")
        page.screenshot(path=out / f"bend-{name}.png")

    page.click("[data-view=setup]")
    assert wait_for(lambda: page.locator("#bend-plan tbody tr").count() == 2)
    page.fill("#bend [name=parts]", "2")
    page.click("text=Begin bending")
    assert wait_for(lambda: page.is_visible("#guide"))
    go_through(page, bender, "Part 1, bend 2")
    picture("step")
    go_through(page, bender, "Included angle of bend 2")
    picture("angle", dark=True)


if __name__ == "__main__":
    take(Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "hardware_notes" / "page")
