"""Guided calibration and first part, clicked through in a real browser on a live virtual press."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest
from tests.host.page.bench_shop import Shop, page_process, wait_for
from tests.host.page.test_page_browser import TOO_SMALL

from steadyram.cycles.store import CycleStore
from steadyram.metrology.journal import read_journal

PATIENCE_S = 900.0
ESTIMATE_N = 4800


def follow(shop: Shop, words: str) -> str | None:
    """Do at the press what a person reading this would; what to type, "" for the button alone, None for neither."""
    hands = shop.hands
    if "about six seconds" in words:
        hands.do("unseal")
    elif words.startswith(("Changes close soon", "Hold the panel's enable")):
        hands.do("enable")
    elif words.startswith("Put a solid steel block"):
        hands.do("block")
        return ""
    elif words.startswith("Send the ram to the top"):
        hands.do("top")
    elif "Hold the extend pedal" in words:
        hands.do("press extend")
    elif words.startswith("Let go"):
        hands.do("release extend")
    elif words.startswith("Touch the retract pedal"):
        hands.do("tap retract 0.012")
        return ""
    elif words.startswith("What does the reference read"):
        return f"{hands.force_N('cell') / 1000:.4f}"
    return None


# What stands largest on the guide: the open question, else the last thing said.
LARGEST = """() => {
  if (document.getElementById('guide').hidden) return null;
  const answer = document.getElementById('answer'), said = document.querySelector('#said li:last-child');
  if (!answer.hidden) return ['?' + answer.dataset.number, document.getElementById('question').textContent];
  return said ? [document.getElementById('said').dataset.text.length, said.textContent] : null;
}"""


# The calibration's own strokes may still come in while the first part is pressed.
NEWEST_PART = "now.rows.find((row) => row.settled_N > 0 && row.stop !== 'commissioning')?.seq ?? 0"


def go_through(page: Any, shop: Shop) -> list[str]:
    """Follow the guide on the screen until it ends; returns what it said and asked."""
    followed: list[str] = []
    seen: Any = None
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until and page.is_visible("#guide"):
        shown = page.evaluate(LARGEST)
        if shown is None or shown == seen:
            time.sleep(0.02)
            continue
        seen = shown
        assert "press return" not in shown[1]  # the page has buttons
        followed.append(shown[1])
        typed = follow(shop, shown[1])
        if typed is None:
            continue
        if typed:
            assert page.evaluate("document.activeElement.id") == "reply"
            if len(followed) % 2:
                page.keyboard.type(typed)
            else:
                for key in typed:
                    page.click(f"#keys button >> text='{key}'")
        page.click("text=Done, go on")
    return followed


@pytest.mark.slow
def test_calibration_and_first_part_are_clicked_through_at_the_page(browser: Any, tmp_path: Path) -> None:
    shop = Shop(tmp_path / "flash", job={"unproven": 1})
    try:
        with page_process(shop.url, tmp_path) as url:
            page = browser.new_page()
            page.goto(url)
            page.click("[data-view=setup]")
            assert wait_for(lambda: page.inner_text("#calibration-words").startswith("Calibration 1:"))
            page.fill("[name=serial]", "LC-1")
            page.fill("[name=expanded_percent]", "0,2")
            page.click("text=Begin calibration")
            assert wait_for(lambda: page.is_visible("#guide"))
            assert page.evaluate(TOO_SMALL) == []
            # Somebody looks at the parts meanwhile, and comes back to where the calibration is.
            page.click("[data-view=parts]")
            time.sleep(0.7)
            assert page.is_hidden("#guide")
            page.click("[data-view=setup]")
            assert page.is_visible("#guide")
            followed = go_through(page, shop)
            assert any(each.startswith("What does the reference read") for each in followed)
            assert wait_for(lambda: "Calibration 2 is in force" in page.inner_text("#toast")), followed[-3:]
            assert wait_for(lambda: page.inner_text("#calibration-words").startswith("Calibration 2 is due"))

            # The first part: pressed, looked at, taken a little higher.
            shop.hands.do("top")
            before = page.evaluate(NEWEST_PART)
            for action in ("part", "press extend", "wait 6", "release extend", "top"):
                shop.hands.do(action)
            assert wait_for(lambda: page.evaluate(NEWEST_PART) > before)
            newest = page.evaluate(NEWEST_PART)
            assert wait_for(lambda: f"(record {newest})" in page.inner_text("#first"))
            assert "estimate" in page.inner_text("#first")
            held = page.inner_text("#first b")
            page.click("#first .nudge >> text='+ 1 %'")
            wanted = page.inner_text("#first b")
            assert float(wanted.split()[0]) - float(held.split()[0]) == pytest.approx(
                ESTIMATE_N / 1e5, abs=0.0011
            )
            # The press's next word draws the card anew; what was chosen at it stays chosen.
            page.evaluate("$('setup').dataset.text = ''; showSetup()")
            assert page.inner_text("#first b") == wanted
            page.locator("#first button", has_text="make it the set force").click()
            page.click("#ask-yes")
            assert wait_for(lambda: "counts as proven" in page.inner_text("#toast"))
            assert wait_for(lambda: "This job is proven" in page.inner_text("#first"))
            page.click("[data-view=press]")
            assert wait_for(lambda: page.inner_text("#setpoint") == wanted), page.inner_text("#setpoint")
            assert wait_for(lambda: "not proven" not in page.inner_text("#modes"))
        record = read_journal(tmp_path / "calibration-2.jsonl")
        assert record.header.reference.serial == "LC-1"
        assert record.header.reference.expanded_percent == 0.2
        assert len(record.points) >= 5
        with CycleStore(tmp_path / "cycles.db", create=False) as store:
            kept = store.snapshots(store.devices()[0].uid, "calibration")
        assert [each.content["serial"] for each in kept][-2:] == [1, 2]
    finally:
        shop.close()
