"""A bend list at the page: its lists and what is sent to it, and a list clicked through on a virtual press."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from tests.host.bending.test_bend_run import LIST, PRESS, ready
from tests.host.page.bench_shop import ServedPress, Shop, page_process, wait_for
from tests.host.page.test_page_accessible import found, rules
from tests.host.page.test_page_browser import TOO_FAINT, TOO_SMALL
from tests.host.page.test_page_guided import LARGEST, follow
from tests.host.page.test_page_server import NOWHERE, ask, live

from steadyram.bending.run_record import read_run
from steadyram.errors import BadInput
from steadyram.page.bends import chosen_list, free_record, known_lists, lists_json, newest_record, take_upload
from steadyram.page.questions import Guide
from steadyram.virtual.press import VirtualPress

__all__ = ["rules"]

TRAY = LIST.replace(
    '[[bend]]\nangle = "90 deg"\nlength = "250 mm"\n',
    '[[bend]]\nname = "lip"\nangle = "90 deg"\nlength = "250 mm"\nposition = "60 mm"\n'
    '[[bend]]\nname = "back"\nangle = "120 deg"\nlength = "250 mm"\nposition = "150 mm"\n',
)
WAIT_MS = 240_000
CHANGED = f"(seen) => {{ const shown = ({LARGEST})(); return JSON.stringify(shown) !== seen; }}"


class BendPress(ServedPress):
    """A press with a V die and a position sensor."""

    def __init__(self, folder: Path) -> None:
        press = VirtualPress(PRESS, 3, "cpython", folder)
        ready(press)
        super().__init__(press)


@pytest.fixture
def bender(tmp_path: Path) -> Iterator[BendPress]:
    made = BendPress(tmp_path / "flash")
    yield made
    made.close()


@pytest.fixture
def lists(tmp_path: Path) -> Path:
    folder = tmp_path / "lists"
    folder.mkdir()
    return folder


# ---------------------------------------------------------------------- the lists
def test_lists_of_a_folder(lists: Path, tmp_path: Path) -> None:
    (lists / "tray.toml").write_text(TRAY)
    (lists / "wrong.toml").write_text(TRAY.replace('"120 deg"', '"120"'))
    (lists / "jobs.toml").write_text('[[job]]\nname = "nut"\nforce = "1 kN"\n')
    (lists / "torn.toml").write_text("[[[")
    known = {each.file: each for each in known_lists(lists)}
    assert sorted(known) == ["tray.toml", "wrong.toml"]
    assert known["wrong.toml"].bends is None
    assert "bend 2 angle" in known["wrong.toml"].trouble
    tray, wrong = lists_json(lists, tmp_path)
    assert [each["name"] for each in tray["bends"]] == ["lip", "back"]
    assert tray["bends"][0]["angle_rad"] == pytest.approx(1.5708, abs=1e-4)
    assert tray["record"] is None
    assert (wrong["bends"], wrong["trouble"]) == ([], known["wrong.toml"].trouble)
    for name in ("jobs.toml", "none.toml", "../lists/tray.toml", str(lists / "tray.toml"), ""):
        with pytest.raises(BadInput, match="no bend list"):
            chosen_list(lists, name)
    assert free_record(tmp_path, "tray.toml").name == "tray-run.json"
    (tmp_path / "tray-run.json").write_text("{}")
    assert free_record(tmp_path, "tray.toml").name == "tray-run-2.json"
    # A file that is no record of this list is none to go on with.
    assert newest_record(tmp_path, "tray.toml", chosen_list(lists, "tray.toml")) is None


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("../tray.toml", TRAY, "rename it"),
        (".tray.toml", TRAY, "rename it"),
        ("tray.json", TRAY, "rename it"),
        ("tray.toml", "angle =", "not TOML"),
        ("tray.toml", 'bends_csv = "more.csv"\n', "second file"),
        ("tray.toml", TRAY.replace("24 mm", "24"), "opening"),
        ("tray.toml", TRAY.replace('angle = "90 deg"', 'angle = "20 deg"'), "bend 1"),
        ("kept.toml", TRAY, "already, with other contents"),
    ],
)
def test_what_a_browser_sends_is_checked_like_a_file(name: str, text: str, says: str, lists: Path) -> None:
    (lists / "kept.toml").write_text(LIST)
    with pytest.raises(BadInput, match=says) as wrong:
        take_upload(lists, name, text)
    assert "\n" not in str(wrong.value)
    assert [path.name for path in lists.iterdir()] == ["kept.toml"]
    assert (lists / "kept.toml").read_text() == LIST


def test_sent_over_the_page_it_is_there_at_once(lists: Path, tmp_path: Path) -> None:
    with page_process(NOWHERE, tmp_path, "--bends", str(lists)) as url, live(url) as socket:
        for content, says in (
            ({"do": "bend-upload", "name": "tray.toml", "text": "[["}, "not TOML"),
            ({"do": "bend-upload", "name": "tray.toml", "text": "x" * 60_001}, "nothing was changed"),
            ({"do": "bend", "file": "tray.toml"}, "no connection to the press"),
            ({"do": "bend", "file": "tray.toml", "tolerance_deg": 0}, "nothing was changed"),
            ({"do": "bend", "file": "tray.toml", "parts": 0}, "nothing was changed"),
        ):
            answer = ask(socket, **content)
            assert answer["ok"] is False
            assert says in answer["text"]
        # A list with a great many bends, near what a file may be.
        long = TRAY + '[[bend]]\nangle = "90 deg"\nlength = "20 mm"\n' * 98
        assert (
            ask(socket, do="bend-upload", name="long.toml", text=long)["text"]
            == "long.toml is right: 100 bends."
        )
        assert (lists / "long.toml").read_text() == long
        assert ask(socket, do="bend-lists") == {"kind": "answer", "id": 77, "ok": True, "text": ""}
    with page_process(NOWHERE, tmp_path, "--bends", str(lists)) as url, live(url) as socket:
        while (told := json.loads(socket.recv(timeout=60)))["kind"] != "bends":
            pass
        assert [each["file"] for each in told["lists"]] == ["long.toml"]


def test_a_choice_takes_only_what_stands_on_its_buttons() -> None:
    given = iter(["maybe", "yes"])
    guide = Guide("Bending", lambda: None, lambda seconds: guide.answer(guide.number, next(given)))
    assert guide.ask("Strike?", choices=(("yes", "Ready"), ("no", "Stop"))) == "yes"
    guide = Guide("Bending", lambda: None, lambda seconds: guide.answer(guide.number, "89.5"))
    assert guide.ask("Angle?", typed="degrees", choices=(("", "Not measured"),)) == "89.5"
    assert guide.to_json()["choices"] == [{"answer": "", "words": "Not measured"}]


def test_a_press_without_a_sensor_offers_none(tmp_path: Path, browser: Any, lists: Path) -> None:
    (lists / "tray.toml").write_text(TRAY)
    shop = Shop(tmp_path / "flash")
    try:
        with page_process(shop.url, tmp_path, "--bends", str(lists)) as url, live(url) as socket:
            page = browser.new_page()
            page.goto(url)
            page.click("[data-view=setup]")
            assert wait_for(lambda: "needs a position sensor" in page.inner_text("#bend-words"))
            assert page.is_hidden("#bend")
            assert page.is_hidden("#bend-send")
            # Whoever asks all the same is told by the procedure.
            answer = ask(socket, do="bend", file="tray.toml")
            assert "does not know where its ram is" in answer["text"]
            assert not list(tmp_path.glob("tray-run*"))
    finally:
        shop.close()


# ---------------------------------------------------------------------- clicked through
def go_through(page: Any, bender: BendPress, until: str = "") -> list[str]:
    """Follow the guide on the screen until it ends or asks `until`; returns what it said and asked."""
    followed: list[str] = []
    seen = "null"
    while True:
        page.wait_for_function(CHANGED, arg=seen, timeout=WAIT_MS)
        seen = page.evaluate(f"JSON.stringify(({LARGEST})())")
        shown = json.loads(seen)
        if shown is None:
            return followed
        text = shown[1]
        followed.append(text)
        if until and until in text:
            return followed
        if text.startswith(("Part ", "One stroke")):
            followed.append(page.inner_text("#bend-step"))
            if "the same part again" not in text:
                bender.hands.do("part")
            page.click("#choices >> text='Ready: strike'")
        elif text.startswith("Included angle"):
            typed = f"{bender.hands.angle_deg():.1f}"
            assert page.evaluate("document.activeElement.id") == "reply"
            page.keyboard.type(typed)
            page.click("text=Done, go on")
        else:
            follow(bender, text)  # type: ignore[arg-type]


@pytest.mark.slow
def test_a_bend_list_is_clicked_through_stopped_and_gone_on_with(
    bender: BendPress, browser: Any, tmp_path: Path, lists: Path, rules: str
) -> None:
    sent = tmp_path / "tray.toml"
    sent.write_text(TRAY)
    with page_process(bender.url, tmp_path, "--bends", str(lists)) as url:
        page = browser.new_page()
        wrong: list[str] = []
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("console", lambda said: wrong.append(said.text) if said.type == "error" else None)
        page.goto(url)
        page.click("[data-view=setup]")
        assert wait_for(lambda: "no bend list" in page.inner_text("#bend-words"))
        page.set_input_files("#bend-file", str(sent))
        assert wait_for(lambda: "tray.toml is right: 2 bends" in page.inner_text("#toast"))
        assert wait_for(lambda: page.locator("#bend-plan tbody tr").count() == 2)
        assert "1 lip" in page.inner_text("#bend-plan")
        assert "150 mm" in page.inner_text("#bend-plan")
        assert page.is_hidden("#bend-on")
        # Changes are closed: nothing begins.
        assert wait_for(lambda: page.evaluate("open()"))
        bender.hands.do("enable")
        assert wait_for(lambda: not page.evaluate("open()"))
        page.fill("#bend [name=parts]", "1")
        # Playwright takes a button that is said to be disabled for one that cannot be touched.
        page.click("text=Begin bending", force=True)
        assert wait_for(lambda: "Changes are closed" in page.inner_text("#toast"))
        assert page.is_hidden("#guide")
        bender.hands.do("enable")
        assert wait_for(lambda: page.evaluate("open()"))
        page.fill("#bend [name=parts]", "x")
        page.click("text=Begin bending")
        assert wait_for(lambda: "is not a number of parts" in page.inner_text("#toast"))
        page.fill("#bend [name=parts]", "1")
        page.fill("#bend [name=tolerance_deg]", "0,5")
        page.click("text=Begin bending")
        assert wait_for(lambda: page.is_visible("#guide"))
        assert page.inner_text("#guide-title") == "Bending"
        assert wait_for(lambda: page.inner_text("#headline").startswith("Bending: do what is asked"))

        # To the first angle, and what stands beside the question.
        first = go_through(page, bender, "Included angle")
        assert first[0].startswith("One stroke feels")
        assert page.is_visible("#keys")
        step = page.inner_text("#bend-step")
        assert "part 1 of 1, bend 1 of 2" in step
        assert "90.0°" in step
        assert "the line of bend 1 (lip) over the V; back gauge 60 mm, edge A against it" in step
        assert "nothing was measured yet" in step
        for width, height in ((1280, 800), (390, 844)):
            page.set_viewport_size({"width": width, "height": height})
            assert page.evaluate(TOO_SMALL) == []
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
            for scheme in ("light", "dark"):
                page.emulate_media(color_scheme=scheme)
                assert page.evaluate(TOO_FAINT) == []
                assert found(page, rules) == []
        page.set_viewport_size({"width": 1280, "height": 800})
        # Nothing typed is no angle; a slip is asked for again.
        page.click("text=Done, go on")
        assert wait_for(lambda: "Type the figure" in page.inner_text("#toast"))
        page.keyboard.type("9")
        page.click("text=Done, go on")
        assert wait_for(lambda: "is not used" in page.inner_text("#question"))

        # Stopped there: the record knows the stroke, and the run is gone on with from it.
        page.click("#stop-guide")
        page.click("#ask-yes")
        assert wait_for(lambda: "the record has every stroke made" in page.inner_text("#toast"))
        assert wait_for(lambda: page.is_visible("#bend-on"))
        left = read_run(tmp_path / "tray-run.json")
        assert (left.strokes, left.unmeasured is None) == ([], False)
        page.click("#bend-on")
        assert wait_for(lambda: page.is_visible("#guide"))
        followed = go_through(page, bender)
        assert wait_for(lambda: "are in tray-run.json" in page.inner_text("#toast")), followed[-4:]
        told = "\n".join(followed)
        assert "One stroke feels" not in told
        assert "the same part again" in told
        assert "Turn the part to bend 2 (back): its line over the V; " in told
        assert "The same part again: lay bend 1 (lip) back over the V as it was." in told
        assert "Corrected by 1 measured bend:" in told
        # The user's own jobs stay as they were.
        assert wait_for(
            lambda: page.evaluate("now.view.jobs.map((job) => job.name)") == ["nut", "stud", "bend tray"]
        )
        assert wrong == []
    record = read_run(tmp_path / "tray-run.json")
    assert record.unmeasured is None
    for bend in (1, 2):
        assert [row.within_tolerance for row in record.strokes if row.bend == bend][-1]
    assert record.strokes[0].strike == 1
