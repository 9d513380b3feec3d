"""The page for people who use a keyboard, a screen reader, or a phone: order, focus, names, contrast in every state."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.host.page.bench_shop import Cable, Shop, page_process, wait_for
from tests.host.page.test_page_browser import TOO_FAINT, TOO_SMALL, open_page

# Where the focus is, and whether it can be seen: WCAG 2.2, 2.4.7 and 1.4.11 (3 to 1 against what is around it).
FOCUS = """() => {
  const node = document.activeElement, style = getComputedStyle(node);
  const rgb = (text) => text.match(/[\\d.]+/g).map(Number);
  const linear = (v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  const light = ([r, g, b]) => 0.2126 * linear(r / 255) + 0.7152 * linear(g / 255) + 0.0722 * linear(b / 255);
  let around = node.parentElement;
  while (around.parentElement && rgb(getComputedStyle(around).backgroundColor)[3] === 0) around = around.parentElement;
  const [a, b] = [style.outlineColor, getComputedStyle(around).backgroundColor]
    .map((c) => light(rgb(c))).sort((x, y) => y - x);
  const label = node.labels?.[0]?.firstChild.textContent || node.getAttribute('aria-label');
  return { name: (label || node.textContent).trim(),
    drawn: style.outlineStyle === 'solid' ? parseFloat(style.outlineWidth) : 0, ratio: (a + 0.05) / (b + 0.05),
    inside: node.checkVisibility() && node.getBoundingClientRect().width > 0 };
}"""

# The live force is no live region: twenty-five readings a second would drown everything else.
PRESS_NAMES = """\
- main:
  - region "Press":
    - heading "Press" [level=2]
    - heading "Force now" [level=3]
    - paragraph: /0\\.\\d+ kN/
    - img "Force against the set force"
    - term: Set force
    - definition: 4.800 kN
    - term: Highest, last stroke
    - definition: /4\\.\\d+ kN/
    - term: Job
    - definition: small clinch nut
    - list "Switches at the panel":
      - listitem: Cutoff on
      - listitem: Return while held
      - listitem: Ram at the top
    - heading "Trace of the last stroke" [level=3]
    - img /Trace of the last stroke Part 10 .* highest 4\\.\\d+ kN, held 4\\.\\d+ kN/
    - paragraph: /Part 10/
    - heading "Batch" [level=3]
    - status: 10 of 12 parts
    - progressbar "Parts of the batch"
    - list "Last parts, newest last"
    - paragraph: "Calibration 1: no date is set for the next one"
"""


def tab_through(page: Any, most: int = 60) -> list[str]:
    """Names in the order in which Tab reaches them, from the top of the page; each must be seen to have the focus."""
    page.focus(".skip")
    page.keyboard.press("Tab")
    page.keyboard.press("Shift+Tab")
    names: list[str] = []
    for _ in range(most):
        if page.evaluate("document.activeElement === document.body"):
            break
        found = page.evaluate(FOCUS)
        assert found["inside"], found
        assert found["drawn"] >= 3, found
        assert found["ratio"] >= 3.0, found
        names.append(found["name"])
        page.keyboard.press("Tab")
    return names


def test_by_keyboard_and_by_ear(shop: Shop, cable: Cable, browser: Any, tmp_path: Path) -> None:
    from playwright.sync_api import expect

    with page_process(cable.url, tmp_path) as url:
        page = open_page(browser, url)
        tabs = ["Skip to the force", "Press", "Parts", "Set up", "Big view"]
        assert tab_through(page) == tabs
        expect(page.locator("main")).to_match_aria_snapshot(PRESS_NAMES)
        expect(page.get_by_role("img", name="Trace of the last stroke")).to_be_visible()
        expect(page.get_by_role("progressbar", name="Parts of the batch")).to_be_visible()
        assert (
            len(page.get_by_role("list", name="Last parts, newest last").get_by_role("listitem").all()) == 10
        )
        expect(page.get_by_role("status").filter(has_text="Ready to press")).to_be_visible()

        page.click("[data-view=setup]")
        page.emulate_media(color_scheme="dark")
        reached = tab_through(page)
        assert reached[: len(tabs)] == tabs
        # In reading order: the job, the first part, the calibration's form and last its button.
        for earlier, later in (
            ("✓ small clinch nut: 4.800 kN", "Count the batch from zero"),
            ("Count the batch from zero", "+ 1 %"),
            ("+ 1 %", "This force is right: make it the set force"),
            ("This force is right: make it the set force", "Reference"),
            ("Reference", "Serial number, or “none”"),
            ("It reads in", "Begin calibration"),
        ):
            assert reached.index(earlier) < reached.index(later), reached
        assert reached[-1] == "Begin calibration"
        # No control without a name.
        for role in ("button", "textbox", "combobox"):
            for each in page.get_by_role(role).all():
                assert each.evaluate(
                    "n => (n.labels?.length || n.ariaLabel || n.textContent.trim()) !== ''"
                ), role

        # What a job stops on is said with it.
        for stop_on, words in (
            ("force", "4.800 kN"),
            ("depth", "15.00 mm deep, at most 4.800 kN"),
            ("first", "4.800 kN or 15.00 mm deep, whichever comes first"),
        ):
            job = f"{{stop_on: '{stop_on}', depth_m: 0.015, setpoint_N: 4800}}"
            assert page.evaluate(f"goal({job})") == words

        # A question is put over the page, takes the focus, and gives it back.
        if not page.evaluate("open()"):
            shop.hands.do("enable")
            assert wait_for(lambda: page.evaluate("open()"))
        page.focus("#recount")
        page.keyboard.press("Enter")
        expect(page.get_by_role("dialog", name="Count this batch from zero?")).to_be_visible()
        assert page.evaluate("document.activeElement.closest('dialog') !== null")
        page.keyboard.press("Escape")
        assert wait_for(lambda: page.evaluate("document.activeElement.id") == "recount")


def test_every_state_is_said_and_can_be_read_on_tablet_and_phone(
    shop: Shop, cable: Cable, browser: Any, tmp_path: Path
) -> None:
    with page_process(cable.url, tmp_path) as url:
        page = open_page(browser, url)

        def legible() -> None:
            for width, height in ((1280, 800), (390, 844)):
                page.set_viewport_size({"width": width, "height": height})
                for scheme in ("light", "dark"):
                    page.emulate_media(color_scheme=scheme)
                    assert page.evaluate(TOO_FAINT) == []
                assert page.evaluate(TOO_SMALL) == []
                assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), width

        def headline(text: str) -> None:
            assert wait_for(lambda: page.inner_text("#headline") == text), page.inner_text("#headline")
            legible()

        headline("Ready to press")
        # The state that scraps parts shows before the pedal is touched, not only when it is.
        shop.hands.do("cutoff off")
        headline("CUTOFF OFF: will not press")
        assert "Turn the cutoff on" in page.inner_text("#remedy")
        shop.hands.do("cutoff on")
        headline("Ready to press")
        for _ in range(2):
            for action in ("part", "press extend", "wait 2.5", "release extend", "top"):
                shop.hands.do(action)
        assert wait_for(lambda: page.inner_text("#count") == "Batch done: 12 of 12 parts")
        assert page.is_visible("#batch-next")
        shop.hands.do("estop push")
        headline("Stopped by a fault")
        # What is read out is the fault with its sentence and what to do, not the headline alone.
        heard = page.get_by_role("alert").filter(has_text="Stopped by a fault").inner_text()
        assert "Emergency-stop contact open" in heard
        assert "acknowledge" in heard
        cable.cut()
        assert wait_for(lambda: page.inner_text("#headline").startswith("No connection to the press"))
        legible()


def test_a_job_without_required_cutoff_says_that_only_the_pedal_stops_the_ram(
    browser: Any, tmp_path: Path
) -> None:
    shop = Shop(tmp_path / "flash", job={"cutoff_required": 0}, due_unix=1_700_000_000)
    try:
        with page_process(shop.url, tmp_path) as url:
            page = browser.new_page()
            page.goto(url)
            shop.hands.do("cutoff off")
            assert wait_for(
                lambda: page.inner_text("#headline").startswith("CUTOFF OFF: the ram stops only when")
            )
            assert page.get_attribute("#strip", "data-look") == "warn"
            assert "calibrate again" in page.inner_text("#calibration")
            assert page.get_attribute("#calibration", "data-look") == "alarm"
    finally:
        shop.close()
