"""The big view: figures as large as the screen allows, sounds for done and fault, and the way back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.host.page.bench_shop import Cable, Shop, page_process, wait_for
from tests.host.page.test_page_browser import open_page

INSIDE = """() => {
  const box = document.getElementById("far-force").getBoundingClientRect();
  return { left: box.left, right: box.right, width: box.width, top: box.top, bottom: box.bottom,
    words: document.getElementById("far-words").getBoundingClientRect().top,
    back: document.getElementById("far-close").getBoundingClientRect().bottom,
    screen: [innerWidth, innerHeight],
    scroll: [document.documentElement.scrollWidth, document.documentElement.scrollHeight] };
}"""


def test_figures_fill_the_screen_and_nothing_is_cut(
    shop: Shop, cable: Cable, browser: Any, tmp_path: Path
) -> None:
    with page_process(cable.url, tmp_path) as url:
        page = open_page(browser, url)
        page.click("#far-open")
        for width, height in ((1280, 800), (800, 1280), (400, 850), (850, 400)):
            page.set_viewport_size({"width": width, "height": height})
            page.wait_for_function(f"innerWidth === {width}")
            page.wait_for_function(
                "document.getElementById('far-words').getBoundingClientRect().top + 1 >= "
                "document.getElementById('far-force').getBoundingClientRect().bottom"
            )
            seen = page.evaluate(INSIDE)
            assert seen["left"] >= 0
            assert seen["right"] <= width
            assert seen["back"] <= height
            assert seen["scroll"][0] <= width
            assert seen["scroll"][1] <= height
            # The figures take the width, or the height that strip, words and buttons leave.
            assert seen["width"] > 0.85 * width or seen["bottom"] - seen["top"] > 0.25 * height, seen
        # An old force is no more shown here than on the page.
        cable.cut()
        assert wait_for(lambda: page.inner_text("#far-digits") == "–")
        page.keyboard.press("Escape")
        assert wait_for(lambda: page.is_visible("nav"))


def test_sounds_are_played_when_asked_for(shop: Shop, browser: Any, tmp_path: Path) -> None:
    with page_process(shop.url, tmp_path) as url:
        page = open_page(browser, url)
        page.click("#far-open")
        page.click("#far-sound")
        assert page.evaluate("[Sound.audio.state, ...Sound.played]") == ["running", "done"]
        shop.hands.do("part")
        shop.hands.do("press extend")
        assert wait_for(lambda: page.evaluate("Sound.played.length") == 2)
        assert page.evaluate("now.live.state") == "done"
        shop.hands.do("estop push")
        assert wait_for(lambda: page.evaluate("Sound.played") == ["done", "done", "fault"])
        shop.hands.do("release extend")
        page.click("#far-sound")
        assert page.evaluate("Sound.audio.state") == "suspended"
        assert page.inner_text("#far-sound") == "Sound: off"
        assert not page.wrong


def test_page_is_silent_until_asked(shop: Shop, browser: Any, tmp_path: Path) -> None:
    with page_process(shop.url, tmp_path) as url:
        page = open_page(browser, url)
        shop.hands.do("estop push")
        assert wait_for(lambda: page.evaluate("Sound.state") == "fault")
        assert page.evaluate("[Sound.audio, Sound.played.length]") == [None, 0]
