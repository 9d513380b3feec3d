"""A commissioning procedure that ends in any way leaves nothing armed, and chooses its job again only at its end."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NoReturn

import pytest

from steadyram.commission.strokes import probe_stroke, testing
from steadyram.device import Device
from steadyram.errors import CheckFailed
from steadyram.virtual import quick_setup
from steadyram.virtual.default_press import default_press
from steadyram.virtual.hands import VirtualHands
from steadyram.virtual.press import VirtualPress


class LazyHands(VirtualHands):
    """Does something else when the pedal is asked for."""

    def __init__(self, press: VirtualPress, instead: Callable[[], None]) -> None:
        super().__init__(press, 1)
        self._instead = instead

    def press_extend(self) -> None:
        self._instead()


@pytest.fixture
def press(tmp_path: Path) -> Iterator[VirtualPress]:
    with VirtualPress(default_press(), 5, "cpython", tmp_path) as made:
        quick_setup.set_up(made, 20_000.0)
        yield made


def raising(error: type[BaseException]) -> Callable[[], NoReturn]:
    def act() -> NoReturn:
        raise error("stopped")

    return act


@pytest.mark.parametrize("error", [KeyboardInterrupt, CheckFailed, SystemExit, ZeroDivisionError])
def test_whatever_stops_it_nothing_stays_armed(press: VirtualPress, error: type[BaseException]) -> None:
    device = quick_setup.open_device(press)
    with pytest.raises(error), testing(device):
        probe_stroke(device, LazyHands(press, raising(error)), cut_counts=9000)
    reading = device.now()
    assert reading.armed_s == 0
    # Nobody has looked yet what stands under the ram: no job, so the cutoff refuses.
    assert reading.job == 0
    press.operator.press_extend()
    press.run(0.5)
    assert press.outputs & 7 == 0


def test_what_is_armed_by_itself_is_disarmed_too(press: VirtualPress) -> None:
    device = quick_setup.open_device(press)

    def armed_and_stopped() -> None:
        with testing(device):
            device.probe(cut_counts=9000)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        armed_and_stopped()
    assert device.now().armed_s == 0


def test_a_pedal_that_nobody_presses_leaves_nothing_armed(press: VirtualPress) -> None:
    device = quick_setup.open_device(press)
    with pytest.raises(CheckFailed), testing(device):
        probe_stroke(device, LazyHands(press, lambda: None), cut_counts=9000, patience_s=1.0)
    assert device.now().armed_s == 0


def test_the_job_is_out_of_force_for_the_test_and_back_at_its_end(press: VirtualPress) -> None:
    device = quick_setup.open_device(press)
    assert device.now().job == 1
    with testing(device):
        assert device.now().job == 0
        probe_stroke(device, VirtualHands(press, 1), cut_counts=9000)
    assert device.now().job == 1


def test_a_link_that_is_closed_disarms(press: VirtualPress) -> None:
    device = quick_setup.open_device(press)
    device.use_job(0)
    device.probe(cut_counts=9000)
    device.close()
    assert Device(quick_setup.open_device(press).client).now().armed_s == 0
