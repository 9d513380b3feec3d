"""Each fault of the ram's position: what clears it, as the catalogue says, and that parts land again afterwards."""

from __future__ import annotations

from pathlib import Path

import pytest

from steadyram.link.definition import definition
from steadyram.virtual.tester_press import TesterPress

PRESSES = Path(__file__).resolve().parents[2] / "presses"
TARGET_M = 5.3e-3


def part(press: TesterPress) -> str:
    press.back_to_top()
    press.run(0.6)
    if press.device.now().state == "fault":
        return "fault"
    return press.part()


@pytest.mark.parametrize(
    ("injected", "fault", "up_first"),
    [
        ("position-open", "position-signal", False),
        ("position-jump", "position-jump", True),
        ("position-frozen", "position-still", False),
        ("position-lost-counts", "position-reference", False),
    ],
)
def test_what_the_catalogue_says_clears_a_position_fault(injected: str, fault: str, up_first: bool) -> None:
    name = "depth-30" if injected == "position-open" else "depth-20"
    target_m = 10.3e-3 if name == "depth-30" else TARGET_M
    with TesterPress(PRESSES / f"{name}.toml", 5, "cpython") as press:
        press.make_ready("60 kN", depth=f"{1e3 * target_m:.2f} mm")
        press.run(0.5)
        assert press.part() == "depth"
        press.inject(f"{injected}@{press.cycle + 1}")
        # Lost counts show at the next rest.
        assert "fault" in (part(press), part(press))
        assert press.device.now().fault == fault
        assert any(each.name == fault for each in definition().faults.values())
        press.clear_faults()
        press.operator.release_all()
        if up_first:
            # Acknowledged away from the top, the reference waits for the return, and a depth for the reference.
            press.acknowledge()
            press.run(0.5)
            assert press.device.now().fault is None
            assert not press.device.now().referenced
            assert press.stroke() == "refused"
            assert press.device.now().refusal == "no-reference"
            press.operator.release_all()
            press.run(0.3)
        else:
            press.acknowledge()
            press.run(0.5)
        press.back_to_top()
        press.run(0.8)
        assert press.device.now().referenced
        assert press.part() == "depth"
        assert press.device.now().fault is None


def test_a_reference_that_was_lost_at_the_top_is_taken_anew_there() -> None:
    with TesterPress(PRESSES / "depth-20.toml", 5, "cpython") as press:
        press.make_ready("60 kN", depth="5.30 mm")
        press.run(0.5)
        # Counts lost while the ram rests: the panel cannot ask for a return that has been made.
        here = press.plant.place()
        press.plant.place_override = lambda step, place: (here - 3000) & 0xFFFF
        press.run(0.6)
        assert press.device.now().fault in ("position-jump", "position-reference")
        press.plant.place_override = lambda step, place: (place - 3000) & 0xFFFF
        press.run(0.2)
        press.acknowledge()
        press.run(0.8)
        now = press.device.now()
        assert (now.state, now.referenced) == ("ready", True)
        assert press.part() == "depth"
