"""The rules of axe-core (WCAG 2.2 A and AA, and its best practices) on every page, tab and state, light and dark."""

from __future__ import annotations

import os
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from tests.host.page.bench_shop import Cable, Shop, page_process, wait_for
from tests.host.page.test_page_browser import open_page
from tests.host.tryout.conftest import tried

__all__ = ["tried"]

AXE = Path(__file__).parents[3] / ".ci/node_modules/axe-core/axe.min.js"
RUN = """async () => (await axe.run(document)).violations
  .map((each) => `${each.impact}: ${each.id}: ${each.nodes.map((node) => node.target.join(" ")).join(", ")}`)"""


@pytest.fixture
def rules() -> str:
    if not AXE.is_file():
        if os.environ.get("CI"):
            pytest.fail("axe-core is missing: npm install --prefix .ci --no-package-lock")
        pytest.skip("axe-core is not installed (npm install --prefix .ci --no-package-lock)")
    return AXE.read_text(encoding="utf-8")


def found(frame: Any, rules: str) -> list[str]:
    """Return what axe-core finds in a page, or in a frame of one."""
    frame.evaluate(rules)
    return [str(each) for each in frame.evaluate(RUN)]


def looks(page: Any, every: bool) -> Iterator[str]:
    """Show the page on a light tablet and on a dark phone; every: the other two ways round, too."""
    for size, scheme in product(((1280, 800), (400, 850)), ("light", "dark")):
        if every or (size[0] > 1000) == (scheme == "light"):
            page.set_viewport_size({"width": size[0], "height": size[1]})
            page.emulate_media(color_scheme=scheme)
            yield f"{size[0]} px, {scheme}"


def assert_clean(page: Any, rules: str, state: str, *, every: bool = False) -> None:
    for look in looks(page, every):
        assert not (wrong := found(page, rules)), (state, look, wrong)


def test_every_tab_and_state_of_the_bench_page(
    shop: Shop, cable: Cable, browser: Any, tmp_path: Path, rules: str
) -> None:
    with page_process(cable.url, tmp_path) as url:
        page = open_page(browser, url)
        assert_clean(page, rules, "at rest", every=True)
        for tab in ("parts", "setup"):
            page.click(f"[data-view={tab}]")
            assert_clean(page, rules, tab)
        page.click("[data-view=parts]")
        page.locator(".part .bad").first.click()
        assert_clean(page, rules, "asking why a part is bad")
        page.click("#ask-no")
        page.click("[data-view=press]")
        page.click("#far-open")
        assert_clean(page, rules, "big view")
        page.click("#far-close")
        shop.hands.do("cutoff off")
        assert wait_for(lambda: "CUTOFF OFF" in page.inner_text("#modes"))
        assert_clean(page, rules, "cutoff off")
        shop.hands.do("cutoff on")
        shop.hands.do("estop push")
        assert wait_for(lambda: page.get_attribute("#strip", "data-look") == "alarm")
        assert_clean(page, rules, "fault")
        cable.cut()
        assert wait_for(lambda: "old" in (page.get_attribute("body", "class") or ""))
        assert_clean(page, rules, "no connection")


def test_guide_of_a_calibration(shop: Shop, browser: Any, tmp_path: Path, rules: str) -> None:
    with page_process(shop.url, tmp_path) as url:
        page = open_page(browser, url)
        shop.hands.do("unseal")
        page.click("[data-view=setup]")
        assert wait_for(lambda: page.evaluate("open()"))
        page.fill("[name=serial]", "none")
        page.click("#calibrate button[type=submit]")
        assert wait_for(lambda: page.is_visible("#guide"))
        assert_clean(page, rules, "guide")
        page.click("#stop-guide")
        page.click("#ask-yes")
        assert wait_for(lambda: not page.is_visible("#guide"))


def test_form_that_asks_for_the_token(shop: Shop, browser: Any, tmp_path: Path, rules: str) -> None:
    with page_process(shop.url, tmp_path) as url:
        page = browser.new_page()
        page.goto(f"{url}page.css")
        # The form itself needs a page that other computers may open.
        page.set_content(
            (Path(__file__).parents[3] / "host/steadyram/page/static/enter.html").read_text("utf-8")
        )
        assert_clean(page, rules, "token")


def test_press_to_try(browser: Any, tried: str, rules: str) -> None:
    page = browser.new_page()
    page.goto(tried)
    assert wait_for(lambda: page.evaluate("now?.part?.verdict") == "new")
    assert_clean(page, rules, "try")
    page.click("[data-fault=sensor-open]")
    inner = page.frame_locator("#page")
    assert wait_for(lambda: "fault" in inner.locator("#headline").inner_text())
    assert_clean(page, rules, "try, fault", every=True)
