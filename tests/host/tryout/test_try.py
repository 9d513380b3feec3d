"""`steadyram try`: acts of a visitor move the simulated press, and what is shown is what the press did."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from tests.host.page.bench_shop import wait_for

from steadyram.errors import BadInput
from steadyram.virtual.tryout.bench import Bench
from steadyram.virtual.tryout.shop import PARTS, kind_of, verdict


@pytest.fixture
def bench() -> Iterator[Bench]:
    made = Bench(seed=3)
    made.start()
    # A pedal that is down while the board starts counts once it has been let go: the tests press it later.
    assert wait_for(lambda: made.moment().get("state") == "ready")
    yield made
    made.close()


def picture(bench: Bench) -> dict[str, Any]:
    assert wait_for(lambda: bool(bench.moment()))
    return bench.moment()


def pass_time(bench: Bench, seconds: float) -> None:
    """Wait until the press has lived through `seconds`."""
    until_s = picture(bench)["time_s"] + seconds
    assert wait_for(lambda: picture(bench)["time_s"] > until_s)


def push_knob(bench: Bench, seconds: float) -> None:
    """Push the knob, hold it for `seconds` of the press's time and let go; return once the board has seen that."""
    bench.act("knob", True)
    pass_time(bench, seconds)
    bench.act("knob", False)
    pass_time(bench, 0.3)


def test_display_is_drawn_by_the_firmware(bench: Bench) -> None:
    assert wait_for(lambda: picture(bench)["display"].startswith("picture "))
    drawn = bytes.fromhex(picture(bench)["display"].removeprefix("picture "))
    assert len(drawn) == 128 * 64 // 8
    assert any(drawn)


def test_emergency_stop_drops_the_valves_and_its_fault_is_acknowledged(bench: Bench) -> None:
    bench.act("extend", True)
    assert wait_for(lambda: picture(bench)["ram_m"] > 0.002)
    bench.act("estop", True)
    assert wait_for(lambda: not picture(bench)["outputs"]["extend"] and not picture(bench)["outputs"]["slow"])
    assert wait_for(lambda: picture(bench)["fault"] == "estop-open")

    # A push that begins while the pedal is still down acknowledges nothing, however long it lasts.
    push_knob(bench, 0.6)
    assert picture(bench)["fault"] == "estop-open"
    bench.act("extend", False)
    bench.act("estop", False)
    pass_time(bench, 0.2)
    push_knob(bench, 0.6)
    assert wait_for(lambda: picture(bench)["fault"] is None and picture(bench)["state"] == "ready")
    bench.act("retract", True)
    assert wait_for(lambda: picture(bench)["clear"])


def test_part_cannot_be_changed_while_the_ram_is_down(bench: Bench) -> None:
    bench.act("load", 2)
    assert wait_for(lambda: (picture(bench)["part"] or {}).get("job") == 2)
    bench.act("extend", True)
    assert wait_for(lambda: picture(bench)["ram_m"] > 0.003)
    bench.act("load", 3)
    bench.act("release", None)
    assert wait_for(lambda: not picture(bench)["pedals"]["extend"])
    assert picture(bench)["part"]["job"] == 2
    bench.act("retract", True)
    assert wait_for(lambda: picture(bench)["clear"])
    bench.act("release", None)


@pytest.mark.parametrize(
    ("what", "value"),
    [
        ("extend", "yes"),
        ("turn", 51),
        ("turn", True),
        ("load", 9),
        ("fault", "gravity"),
        ("mend", 1),
        ("power", None),
    ],
)
def test_unknown_acts_are_refused(bench: Bench, what: str, value: object) -> None:
    with pytest.raises(BadInput):
        bench.act(what, value)


def test_verdict_follows_the_true_peak() -> None:
    kind = kind_of(PARTS[1].slot)
    assert kind is PARTS[1]
    assert verdict(kind, 1000 * kind.low_kN - 1) == "not seated"
    assert verdict(kind, 1000 * kind.low_kN) == verdict(kind, 1000 * kind.high_kN) == "good"
    assert verdict(kind, 1000 * kind.high_kN + 1) == "ruined"


def test_part_is_pressed_and_another_ruined_by_keys(browser: Any, tried: str) -> None:
    page = browser.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda message: wrong.append(message.text) if message.type == "error" else None)
    page.goto(tried)
    assert wait_for(lambda: page.evaluate("now?.part?.verdict") == "new")

    def press() -> str:
        page.keyboard.down(" ")
        assert wait_for(lambda: page.evaluate("now.state === 'done' || now.peak_N > 100000"))
        page.keyboard.up(" ")
        return str(page.evaluate("now.part.verdict"))

    def renew() -> None:
        page.keyboard.down("r")
        assert wait_for(lambda: page.evaluate("now.clear"))
        page.keyboard.up("r")
        page.keyboard.press("n")
        assert wait_for(lambda: page.evaluate("now.part.verdict") == "new")

    assert press() == "good"
    assert wait_for(lambda: page.inner_text("#said").startswith("Good"))
    renew()
    page.keyboard.press("c")
    assert wait_for(lambda: page.inner_text("#cutoff b") == "off")
    assert press() == "ruined"
    assert wait_for(lambda: page.inner_text("#said").startswith("Ruined"))
    inner = page.frame_locator("#page")
    assert wait_for(lambda: "CUTOFF OFF" in inner.locator("#modes").inner_text())
    renew()
    page.keyboard.press("c")
    page.click("[data-fault=sensor-open]")
    assert wait_for(lambda: "fault" in inner.locator("#headline").inner_text())
    assert not wrong
