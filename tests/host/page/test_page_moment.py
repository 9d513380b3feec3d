"""What the page shows is of this moment, or it says that it is old: silent lines, stopped servers, changing states."""

from __future__ import annotations

import base64
import io
import re
import signal
from pathlib import Path
from typing import Any

from PIL import Image
from tests.host.page.bench_shop import Cable, Shop, page_and_process, page_process, wait_for

# Two seconds in which the page's script does nothing else.
HANG = "setTimeout(() => { const from = performance.now(); while (performance.now() - from < 2000); }, 0)"
OLD = "document.body.classList.contains('old')"
# The age of the newest reading when the page first said that it is old, in milliseconds.
WATCH = """() => {
  window.firstOld = null;
  new MutationObserver(() => {
    if (window.firstOld === null && document.body.classList.contains('old'))
      window.firstOld = performance.now() - now.liveAt;
  }).observe(document.body, { attributes: true });
}"""


def opened(browser: Any, url: str) -> Any:
    page = browser.new_page()
    page.goto(url)
    assert wait_for(lambda: page.evaluate(f"now.liveAt > 0 && !{OLD} && now.view?.link === 'connected'"))
    page.evaluate(WATCH)
    return page


def test_silent_line_in_a_stroke_is_said_before_the_link_is_given_up(
    shop: Shop, cable: Cable, browser: Any, tmp_path: Path
) -> None:
    with page_process(cable.url, tmp_path) as url:
        page = opened(browser, url)
        shop.hands.do("part")
        shop.hands.do("press extend")
        assert wait_for(lambda: page.evaluate("now.live.state") == "advance")
        cable.swallow(True)
        assert wait_for(lambda: page.evaluate(OLD))
        # Long before the server's own time limit for the press, which is seconds.
        assert page.evaluate("now.view.link") == "connected"
        assert page.evaluate("window.firstOld") < 4000
        assert page.inner_text("#force") == "–"
        assert page.inner_text("#headline").startswith("No reading from the press for")
        assert "Treat the press as loaded" in page.inner_text("#remedy")
        cable.swallow(False)
        shop.hands.do("release extend")
        assert wait_for(lambda: page.evaluate(f"!{OLD}"))


def test_press_that_hangs_in_a_stroke_is_said_while_its_line_stands(
    shop: Shop, browser: Any, tmp_path: Path
) -> None:
    with page_process(shop.url, tmp_path) as url:
        page = opened(browser, url)
        shop.hands.do("part")
        shop.hands.do("press extend")
        assert wait_for(lambda: page.evaluate("now.live.state") == "advance")
        with shop.hung():
            assert wait_for(lambda: page.evaluate(OLD))
            assert page.evaluate("now.view.link") == "connected"
            assert page.evaluate("window.firstOld") < 4000
            assert page.inner_text("#force") == "–"
            assert "Treat the press as loaded" in page.inner_text("#remedy")
        shop.hands.do("release extend")
        assert wait_for(lambda: page.evaluate(f"!{OLD}"))


def test_script_that_hangs_is_said_on_the_screen(shop: Shop, browser: Any, tmp_path: Path) -> None:
    """The browser's own pictures of its screen are looked at: the page's script cannot be asked meanwhile."""
    with page_process(shop.url, tmp_path) as url:
        page = opened(browser, url)
        strip = page.locator("#strip").bounding_box()
        pictures = watch_screen(browser, page)
        assert wait_for(lambda: page.evaluate("true") and bool(pictures))
        page.evaluate(HANG)
        page.evaluate("true")  # answered once the script goes on
        look = page.evaluate("getComputedStyle(document.getElementById('frozen')).backgroundColor")
        notice = tuple(int(each) for each in re.findall(r"\d+", look)[:3])
        at = (int(strip["x"]) + 30, int(strip["y"]) + 12)
        shown = [Image.open(io.BytesIO(each)).convert("RGB").getpixel(at) for each in pictures]
        assert notice in shown
        assert shown[0] != notice
        # The script that goes on takes the notice away.
        assert page.evaluate("Number(getComputedStyle(document.getElementById('frozen')).opacity)") == 0


def watch_screen(browser: Any, page: Any) -> list[bytes]:
    """Gather what the browser shows from now on, as PNG files."""
    seen: list[bytes] = []
    line = browser.new_cdp_session(page)

    def take(frame: dict[str, Any]) -> None:
        seen.append(base64.b64decode(frame["data"]))
        line.send("Page.screencastFrameAck", {"sessionId": frame["sessionId"]})

    line.on("Page.screencastFrame", take)
    line.send("Page.startScreencast", {"format": "png"})
    return seen


def test_server_that_stands_still_is_noticed_and_opened_anew(
    shop: Shop, cable: Cable, browser: Any, tmp_path: Path
) -> None:
    with page_and_process(cable.url, tmp_path) as (url, process):
        page = opened(browser, url)
        process.send_signal(signal.SIGSTOP)
        try:
            assert wait_for(lambda: page.evaluate(OLD))
            assert wait_for(lambda: page.evaluate("now.socket === null || now.socket.readyState !== 1"))
            assert "lost the computer" in page.inner_text("#link-note")
            assert page.evaluate("document.getElementById('strip').dataset.look") == "warn"
        finally:
            process.send_signal(signal.SIGCONT)
        assert wait_for(lambda: page.evaluate(f"!{OLD}"))


def test_headline_follows_the_live_state(shop: Shop, cable: Cable, browser: Any, tmp_path: Path) -> None:
    with page_process(cable.url, tmp_path) as url:
        page = opened(browser, url)
        page.evaluate("""() => { window.seen = []; window.late = 0; let since = 0;
          setInterval(() => { const a = now.live.state, b = now.view.press.state;
            since = a === b ? 0 : since + 1; window.late = Math.max(window.late, since); }, 50); }""")
        for action in ("part", "press extend", "wait 2.5", "release extend", "top"):
            shop.hands.do(action)
        assert wait_for(lambda: page.evaluate("now.live.state") == "ready")
        # The half-second view alone would leave them apart for up to ten looks.
        assert page.evaluate("window.late") < 8


def test_another_tablets_old_trace_does_not_replace_the_live_one(
    shop: Shop, cable: Cable, browser: Any, tmp_path: Path
) -> None:
    with page_process(cable.url, tmp_path) as url:
        mine, other = opened(browser, url), opened(browser, url)
        assert wait_for(lambda: other.evaluate("now.rows.length > 3 && now.trace !== null"))
        assert wait_for(lambda: mine.evaluate("now.trace !== null"))
        newest = mine.evaluate("now.trace.seq")
        asked = other.evaluate("now.rows[3].seq")
        other.evaluate(f"order({{ do: 'trace', seq: {asked} }})")
        assert wait_for(lambda: other.evaluate("now.trace.seq") == asked)
        assert mine.evaluate("now.trace.seq") == newest


def test_retract_held_at_the_top_is_no_refusal(
    shop: Shop, cable: Cable, browser: Any, tmp_path: Path
) -> None:
    with page_process(cable.url, tmp_path) as url:
        page = opened(browser, url)
        shop.hands.do("press retract")
        try:
            assert wait_for(lambda: page.inner_text("#headline") == "Ram at the top. Release the pedals")
        finally:
            shop.hands.do("release retract")
