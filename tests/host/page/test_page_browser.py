"""The page in a real browser, on a live virtual press."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from tests.host.page.bench_shop import Cable, Shop, page_process, wait_for

from steadyram.cycles.store import CycleStore

READ_BACK = """() => {
  const svg = document.getElementById('chart'), d = svg.dataset, line = svg.querySelector('.log');
  const points = line ? line.getAttribute('points').trim().split(/\\s+/).map((p) => p.split(',').map(Number)) : [];
  const t = (x) => (x - Number(d.x0)) / (Number(d.xs) - Number(d.x0)) * Number(d.t);
  const f = (y) => (y - Number(d.y0)) / (Number(d.ys) - Number(d.y0)) * Number(d.f);
  return { seq: Number(d.seq), points: points.map(([x, y]) => [t(x), f(y)]),
    newtons_a_pixel: Number(d.f) / Math.abs(d.ys - d.y0) };
}"""


def open_page(browser: Any, url: str) -> Any:
    page = browser.new_page()
    page.wrong = []
    page.elsewhere = []
    page.on("console", lambda message: page.wrong.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: page.wrong.append(str(error)))
    page.on(
        "request", lambda asked: page.elsewhere.append(asked.url) if not asked.url.startswith(url) else None
    )
    page.goto(url)
    # The trace of the newest part is told last, so that nothing of the parts is drawn anew after it.
    shown = "now.view?.link === 'connected' && now.rows.length >= 10 && now.trace?.seq === now.rows[0].seq"
    assert wait_for(lambda: page.evaluate(shown)), page.evaluate(
        "JSON.stringify([now.view, now.rows.length])"
    )
    return page


def part(shop: Shop) -> None:
    for action in ("part", "press extend", "wait 2.5", "release extend", "top"):
        shop.hands.do(action)


def drawn(page: Any, seq: int) -> dict[str, Any]:
    assert wait_for(lambda: page.evaluate(READ_BACK)["seq"] == seq), page.inner_text("#trace-words")
    return dict(page.evaluate(READ_BACK))


def assert_drawn_as_logged(page: Any, folder: Path, seq: int) -> None:
    found = drawn(page, seq)
    with CycleStore(folder / "cycles.db", create=False) as store:
        trace = store.trace(store.devices()[0].uid, seq)
    assert trace is not None
    assert len(found["points"]) == len(trace.points)
    for i, (force, (t_s, shown_N)) in enumerate(zip(trace.force_N(), found["points"], strict=True)):
        assert shown_N == pytest.approx(force, abs=found["newtons_a_pixel"] * 0.02)
        assert t_s == pytest.approx((i + 1) * trace.dt_s, abs=0.001)


def test_a_part_is_seen_as_it_is_pressed_and_then_as_it_was_logged(
    shop: Shop, cable: Cable, browser: Any, tmp_path: Path
) -> None:
    with page_process(cable.url, tmp_path) as url:
        page = open_page(browser, url)
        assert page.inner_text("#headline") == "Ready to press"
        assert page.inner_text("#setpoint") == "4.800 kN"
        assert page.inner_text("#job") == "small clinch nut"
        shop.hands.do("part")
        with shop.slowly():
            shop.hands.do("press extend")
            # As it happens: a growing dotted line, the force above zero, the state in words.
            assert wait_for(lambda: page.inner_text("#headline").startswith("Pressing"))
            assert wait_for(lambda: page.locator("#chart .live").count() == 1)
            assert wait_for(lambda: float(page.inner_text("#force")) > 3.0)
        assert wait_for(lambda: page.inner_text("#headline").startswith("Set force reached"))
        shop.hands.do("release extend")
        shop.hands.do("top")
        assert_drawn_as_logged(page, tmp_path, 11)
        assert wait_for(lambda: page.inner_text("#count") == "11 of 12 parts")
        assert page.locator("#chart .band").count() == 1
        # An older one by its button, and back.
        page.click("[data-view=parts]")
        page.get_by_role("button", name="Show the trace of record 9", exact=True).click()
        assert_drawn_as_logged(page, tmp_path, 9)
        assert page.wrong == []
        assert page.elsewhere == []


def test_a_cut_link_loses_nothing_on_screen_or_in_the_store(
    shop: Shop, cable: Cable, browser: Any, tmp_path: Path
) -> None:
    with page_process(cable.url, tmp_path) as url:
        page = open_page(browser, url)
        other = open_page(browser, url)
        shop.hands.do("part")
        with shop.slowly():
            shop.hands.do("press extend")
            assert wait_for(lambda: page.inner_text("#headline").startswith("Pressing"))
            cable.cut()
        assert wait_for(lambda: page.inner_text("#headline").startswith("No connection to the press"))
        assert page.inner_text("#force") == "–"
        assert page.locator("#pips li").count() == 10
        shop.hands.do("wait 1.5")
        shop.hands.do("release extend")
        shop.hands.do("top")
        part(shop)
        cable.mend()
        for each in (page, other):
            assert wait_for(lambda each=each: each.inner_text("#headline") == "Ready to press")
            assert wait_for(lambda each=each: each.locator("#pips li").count() == 12)
        assert_drawn_as_logged(page, tmp_path, 12)
        page.click("[data-view=parts]")
        assert [int(row.get_attribute("data-seq")) for row in page.locator(".part").all()] == list(
            range(12, 0, -1)
        )
    with CycleStore(tmp_path / "cycles.db", create=False) as store:
        uid = store.devices()[0].uid
        seqs = [each.record.seq for each in store.cycles(uid)]
        assert seqs == list(range(1, 13))
        assert all(store.trace(uid, seq) is not None for seq in seqs)


def test_faults_and_refusals_are_said_in_plain_words(
    shop: Shop, cable: Cable, browser: Any, tmp_path: Path
) -> None:
    with page_process(cable.url, tmp_path) as url:
        page = open_page(browser, url)
        shop.hands.do("cutoff off")
        shop.hands.do("wait 0.3")
        shop.hands.do("press extend")
        assert wait_for(lambda: page.inner_text("#headline") == "Will not press")
        assert "requires the cutoff" in page.inner_text("#detail")
        assert "Turn the cutoff on" in page.inner_text("#remedy")
        assert "CUTOFF OFF" in page.inner_text("#modes")
        shop.hands.do("release extend")
        shop.hands.do("cutoff on")
        assert wait_for(lambda: page.inner_text("#headline") == "Ready to press")
        shop.hands.do("estop push")
        assert wait_for(lambda: page.inner_text("#headline") == "Stopped by a fault")
        assert page.get_attribute("#state-box", "role") == "alert"
        assert "emergency-stop contact open" in page.inner_text("#detail").lower()
        assert "acknowledge" in page.inner_text("#remedy")
        shop.hands.do("estop pull")
        shop.hands.do("ack")
        assert wait_for(lambda: page.inner_text("#headline") == "Ready to press")


def test_changes_need_the_panel_and_a_first_part_teaches(
    shop: Shop, cable: Cable, browser: Any, tmp_path: Path
) -> None:
    with page_process(cable.url, tmp_path) as url:
        page = open_page(browser, url)
        if page.evaluate("open()"):
            shop.hands.do("enable")  # the same button closes what the setting up left open
        page.click("[data-view=setup]")
        assert wait_for(lambda: page.inner_text("#changes").startswith("Changes are closed"))
        teach = page.locator("#first button", has_text="make it the set force")
        assert teach.get_attribute("aria-disabled") == "true"
        teach.dispatch_event("click")
        assert "Hold the enable button" in page.inner_text("#toast")
        # Whatever a page sends, the device itself refuses.
        page.evaluate("order({ do: 'teach', setpoint_N: 100, job: 1, jobs_gen: now.view.jobs_gen })")
        assert wait_for(lambda: "Nothing was changed" in page.inner_text("#toast"))
        shop.hands.do("enable")
        assert wait_for(lambda: page.inner_text("#changes").startswith("Changes are open"))
        page.locator("#first .nudge", has_text="+ 1 %").click()
        wanted = page.inner_text("#first b")
        page.locator("#first button", has_text="make it the set force").click()
        # Another tab is quicker: what this one saw is no longer in force when it answers.
        page.evaluate("order({ do: 'teach', setpoint_N: 4700, job: 1, jobs_gen: now.view.jobs_gen })")
        assert wait_for(lambda: "counts as proven" in page.inner_text("#toast")), page.inner_text("#toast")
        page.click("#ask-yes")
        assert wait_for(lambda: "somebody else" in page.inner_text("#toast")), page.inner_text("#toast")
        assert wait_for(lambda: page.evaluate("now.view.jobs[0].setpoint_N") == 4700.0)
        page.locator("#first .nudge", has_text="+ 1 %").click()
        wanted = page.inner_text("#first b")
        page.locator("#first button", has_text="make it the set force").click()
        page.click("#ask-yes")
        assert wait_for(lambda: "counts as proven" in page.inner_text("#toast")), page.inner_text("#toast")
        page.click("[data-view=press]")
        assert wait_for(lambda: page.inner_text("#setpoint") == wanted)


def test_a_word_on_a_part_is_kept_with_its_cycle(
    shop: Shop, cable: Cable, browser: Any, tmp_path: Path
) -> None:
    with page_process(cable.url, tmp_path) as url:
        page = open_page(browser, url)
        page.click("[data-view=parts]")

        def button(name: str) -> Any:
            return page.get_by_role("button", name=name, exact=True)

        button("Part 10 is good").click()
        assert wait_for(lambda: button("Part 10 is good").get_attribute("aria-pressed") == "true")
        button("Part 9 is bad").click()
        button("double part").click()
        button("It is bad").click()
        assert wait_for(lambda: button("Part 9 is bad").get_attribute("aria-pressed") == "true")
        # Pressed once more it is taken back, with a reason; nothing is deleted.
        button("Part 9 is bad").click()
        button("wrong part").click()
        button("Withdraw it").click()
        assert wait_for(lambda: button("Part 9 is bad").get_attribute("aria-pressed") == "false")
        assert "nobody's word is left on it" in page.inner_text("#toast")
    with CycleStore(tmp_path / "cycles.db", create=False) as store:
        words = store.verdicts(store.devices()[0].uid)
    assert [
        (each.seq, each.verdict, each.why, each.withdrawn.why if each.withdrawn else "") for each in words
    ] == [(9, "bad", "double part", "wrong part"), (10, "good", "", "")]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_targets_contrast_and_keyboard(
    shop: Shop, cable: Cable, browser: Any, tmp_path: Path, scheme: str
) -> None:
    with page_process(cable.url, tmp_path) as url:
        page = open_page(browser, url)
        page.emulate_media(color_scheme=scheme)
        for width, height in ((1280, 800), (800, 1280)):
            page.set_viewport_size({"width": width, "height": height})
            for view in ("press", "parts", "setup"):
                page.click(f"[data-view={view}]")
                assert page.evaluate(TOO_SMALL) == []
                assert page.evaluate(TOO_FAINT) == []
                assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        # By keyboard alone to the parts.
        page.click("[data-view=press]")
        page.focus("[data-view=press]")
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        assert page.is_visible("#parts")
        roles = page.evaluate(
            "[...document.querySelectorAll('header, nav, main, footer')].map((n) => n.tagName)"
        )
        assert roles == ["HEADER", "NAV", "MAIN", "FOOTER"]


# Every target at least 56 px either way, for gloves.
TOO_SMALL = """() => [...document.querySelectorAll('button, input, select')]
  .filter((n) => n.checkVisibility()).map((n) => [n.textContent || n.name, n.getBoundingClientRect()])
  .filter(([, box]) => box.width < 56 || box.height < 56).map(([name, box]) => `${name} ${box.width}x${box.height}`)"""

# WCAG 2.2, 1.4.3 (contrast, minimum): 4.5 to 1, and 3 to 1 for large text; the formula is WCAG's own.
TOO_FAINT = """() => {
  const rgb = (text) => text.match(/[\\d.]+/g).map(Number);
  const linear = (v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  const light = ([r, g, b]) => 0.2126 * linear(r / 255) + 0.7152 * linear(g / 255) + 0.0722 * linear(b / 255);
  const ground = (node) => {
    for (let n = node; n; n = n.parentElement) {
      const c = rgb(getComputedStyle(n).backgroundColor);
      if (c.length < 4 || c[3] > 0) return c;
    }
    return [255, 255, 255];
  };
  const faint = [];
  for (const node of document.body.querySelectorAll('*')) {
    if (!node.checkVisibility() || node.closest('svg')) continue;
    if (![...node.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim())) continue;
    const style = getComputedStyle(node);
    const [a, b] = [light(rgb(style.color)), light(ground(node))].sort((x, y) => y - x);
    const ratio = (a + 0.05) / (b + 0.05), size = parseFloat(style.fontSize);
    const large = size >= 24 || (Number(style.fontWeight) >= 700 && size >= 18.66);
    if (ratio < (large ? 3 : 4.5)) faint.push(`${node.textContent.slice(0, 30)} ${ratio.toFixed(2)}`);
  }
  return faint;
}"""
