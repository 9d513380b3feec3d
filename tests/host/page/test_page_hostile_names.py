"""Names and words that are markup or script are shown as they were typed, on the page, in report and proof."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

from tests.host.page.bench_shop import Cable, Shop, page_process, wait_for
from tests.host.page.test_page_browser import open_page

from steadyram.cli import main
from steadyram.cycles.store import CycleStore, Verdict

# A job's name has at most 24 printable signs without a double quote.
NAMES = (
    "<img src=x onerror=go()>",
    "<script>go()</script>",
    "<svg/onload=go()>",
    "'-go()-'&quot;&#39;<b>",
    "javascript:go()//{{7*7}}",
    "</script><i onclick=go()",
)
WORDS = '"><script>go()</script><img src=x onerror=go()>'
# True where a name became an element, an attribute or a script of the page.
BROKEN_OUT = """() => window.hurt === true
  || document.querySelector('img[src="x"], svg[onload], [onerror], [onload], [onclick]') !== null
  || [...document.scripts].some((each) => each.textContent.trim() === 'go()')"""


def test_hostile_names_and_words_stay_text(browser: Any, tmp_path: Path) -> None:
    browser.add_init_script("window.go = () => { window.hurt = true; };")
    shop = Shop(tmp_path / "flash", parts=10, realtime=True, names=NAMES)
    cable = Cable(shop.url)
    store_file = tmp_path / "cycles.db"
    with CycleStore(store_file) as store:
        uid = store.devices()[0].uid
        store.add_verdict(uid, Verdict(9, "bad", WORDS, NAMES[0], int(time.time())))
    try:
        with page_process(cable.url, tmp_path) as url:
            page = open_page(browser, url)
            asked: list[str] = []
            page.on("dialog", lambda dialog: asked.append(dialog.message))
            assert page.inner_text("#job") == NAMES[0]
            for view in ("press", "parts", "setup"):
                page.click(f"[data-view={view}]")
                page.wait_for_timeout(300)
                assert not page.evaluate(BROKEN_OUT), view
            told = page.evaluate("now.view.jobs.map((job) => job.name)")
            assert tuple(told) == NAMES
            shown = page.inner_text("body")
            assert all(name in shown for name in NAMES)
            # Said on the page itself, by whoever speaks its protocol.
            page.evaluate(
                "(why) => order({ do: 'word', seq: 8, verdict: 'bad', why, by: '<svg/onload=go()>' })", WORDS
            )
            page.click("[data-view=parts]")
            assert wait_for(
                lambda: (
                    page.get_by_role("button", name="Part 8 is bad", exact=True).get_attribute("aria-pressed")
                    == "true"
                )
            )
            assert not page.evaluate(BROKEN_OUT)
            assert (page.wrong, page.elsewhere, asked) == ([], [], [])
            # What breaks out would be seen.
            page.evaluate("(name) => document.body.insertAdjacentHTML('beforeend', name)", NAMES[0])
            assert page.evaluate(BROKEN_OUT)
    finally:
        cable.close()
        shop.close()
    with CycleStore(store_file, create=False) as store:
        assert {each.why for each in store.verdicts(uid)} == {WORDS}
    report, proof = tmp_path / "report.html", tmp_path / "proof"
    main(["cycles", "report", "--store", str(store_file), "--out", str(report), "--title", WORDS])
    main(["batch", "proof", "--store", str(store_file), "--out", str(proof), "--title", WORDS])
    for file in (report, proof.with_suffix(".html")):
        page = browser.new_page()
        page.goto(file.as_uri())
        assert not page.evaluate(BROKEN_OUT), file.name
        assert NAMES[0] in page.inner_text("body")
        assert WORDS in page.inner_text("body")
