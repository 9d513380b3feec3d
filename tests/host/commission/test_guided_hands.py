"""The guided procedures, by a prompted person and over the operator's port."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from tests.host.obey import obey

from steadyram.commission.calibrate import calibrate
from steadyram.commission.capability import cautions, feeds
from steadyram.commission.characterise import Characteristics
from steadyram.commission.installed import installed
from steadyram.commission.journal_of import record_of, write_journal
from steadyram.commission.person import PersonHands
from steadyram.errors import BadInput, CheckFailed, PortError
from steadyram.metrology.analyse import analyse
from steadyram.metrology.device_poly import evaluate_device
from steadyram.metrology.header_file import TEMPLATE, read_header
from steadyram.metrology.journal import read_journal
from steadyram.press.limits import limit_sigma_N, rise_rate_N_s
from steadyram.press.pressfile import read_press
from steadyram.virtual.default_press import default_press
from steadyram.virtual.operator_line import LineHands, OperatorLine
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import nameplate_settings, open_changes, open_device
from steadyram.virtual.server import PressServer


class Obedient:
    """Does at a virtual press what the prompts say, and reads its load cell in kN. Unknown prompts raise."""

    def __init__(self, press: VirtualPress) -> None:
        self.press = press
        self.asked: list[str] = []
        self.told_again = self.reseated = 0

    def say(self, text: str) -> None:
        if obey(self.press, text):
            return
        if text.endswith("Again."):
            self.told_again += 1
        else:
            raise AssertionError(text)

    def ask(self, text: str) -> str:
        self.asked.append(text)
        if "Touch the retract pedal" in text:
            self.press.operator.tap_retract(0.01)
        elif "take the reference out, turn it by a third" in text:
            self.reseated += 1
            return "yes"
        elif "block" in text:
            self.press.swap_block()
        elif "reference read" in text:
            # Once the wrong kind of answer, which must be asked for again; then with and without a unit.
            turn = sum("reference read" in asked for asked in self.asked)
            if turn == 1:
                return "eleven"
            force = self.press.plant.force_N
            return f"{force:.1f} N" if turn % 2 else f"{force / 1000:.4f}"
        else:
            raise AssertionError(text)
        return ""


def test_a_prompted_person_calibrates_the_press(tmp_path: Path) -> None:
    header_file = tmp_path / "header.toml"
    header_file.write_text(TEMPLATE)
    header = read_header(header_file, 0.0)
    with VirtualPress(default_press(), 5, "cpython", tmp_path / "flash") as press:
        device = open_device(press)
        open_changes(press)
        device.push_settings(nameplate_settings(press.plant.press))
        setup = installed(device)
        assert setup.area_m2 == pytest.approx(press.plant.press.cylinder.area_m2, rel=1e-6)
        person = Obedient(press)
        hands = PersonHands(device, person.ask, person.say)
        hands.open_changes()
        found = calibrate(
            device,
            hands,
            capacity_N=setup.capacity_N,
            counts_per_N=setup.counts_per_N,
            holds_load=True,
            slow_fitted=True,
            runs=2,
        )
        record = record_of(found, header, 20.0)
        assert {(p.run, p.direction) for p in record.points} == {
            (run, way) for run in (1, 2) for way in ("rising", "falling")
        }
        assert person.reseated == 1
        assert [(s.run, s.reseated, s.preloads) for s in record.starts] == [(1, None, 3), (2, True, 1)]
        assert record.zero_returns_counts is not None
        assert len(record.zero_returns_counts) == 2
        assert record.header.fluctuation_counts is not None
        assert record.header.fluctuation_counts < 30.0
        assert record.header.zero_return_counts == found.zero_after_counts - found.zero_before_counts
        fields = analyse(record, "it", monte_carlo=False).device.fields
        # Against the truth: the same readings and the force that was on the block.
        for point in found.points:
            if point.rising:
                off = evaluate_device(fields, round(point.counts)) - point.force_N
                assert abs(off) < 0.004 * point.force_N + 30.0
        assert any(not point.rising for point in found.points)
        assert person.told_again == 1
        assert press.plant.at_top
        assert not press.valves_on
    journal = tmp_path / "c.jsonl"
    write_journal(record, journal)
    again = read_journal(journal)
    assert again.points == record.points
    assert again.header == record.header
    with pytest.raises(BadInput, match="never overwritten"):
        write_journal(record, journal)
    assert [path.name for path in tmp_path.glob(".c*")] == []


def test_a_person_who_does_nothing_is_not_waited_for_for_ever(tmp_path: Path) -> None:
    with VirtualPress(default_press(), 5, "cpython", tmp_path / "flash") as press:
        device = open_device(press)
        press.run(0.5)
        hands = PersonHands(device, lambda text: "", lambda text: None)
        with pytest.raises(CheckFailed, match="in vain for the extend pedal"):
            hands.press_extend()


@contextmanager
def served(tmp_path: Path) -> Iterator[tuple[VirtualPress, str]]:
    with VirtualPress(default_press(), 5, "cpython", tmp_path / "flash") as press:
        server = PressServer(press, listen=("127.0.0.1", 0), operator_listen=("127.0.0.1", 0))
        thread = threading.Thread(target=server.serve)
        thread.start()
        try:
            assert server.hands_url is not None
            yield press, server.hands_url
        finally:
            server.stop()
            thread.join(300)
            server.close()


def test_the_operators_port_does_one_thing_after_another(tmp_path: Path) -> None:
    with served(tmp_path) as (press, url):
        with OperatorLine(url) as line:
            hands = LineHands(line)
            hands.open_changes()
            hands.open_changes()  # the same button would close them: it must look first
            assert any("CHANGES OPEN" in text for text in line.do("show"))
            began = press.time_s
            line.do("wait 2.5")
            assert press.time_s > began + 2.499
            hands.use_block()
            assert hands.reference_N() == 0.0
            with pytest.raises(CheckFailed, match="not an action"):
                line.do("dance")
            with pytest.raises(CheckFailed, match="give a number"):
                line.do("tap retract x")
            with OperatorLine(url) as second, pytest.raises(CheckFailed, match="already"):
                second.do("show")
            line.do("press extend")
            assert press.operator.extend_held
        # Whoever walks away takes the feet off the pedals.
        for _ in range(10_000):
            if not press.operator.extend_held:
                break
            threading.Event().wait(0.02)
        assert not press.operator.extend_held
        with OperatorLine(url) as line:
            assert line.do("wait 0.1") == []
    with pytest.raises(PortError):
        OperatorLine(url)
    with pytest.raises(BadInput):
        OperatorLine("127.0.0.1:99")


@pytest.mark.parametrize("force_N", [5_000.0, 20_000.0, 120_000.0])
def test_what_the_press_holds_is_the_physical_limit_of_measured_figures(force_N: float) -> None:
    # The limit's definition and the table from measured figures must be one formula: feed in what a perfect
    # measurement of this press would find (two jitters are one actuation's).
    press = read_press(default_press())
    full = press.cylinder.area_m2 * press.transducer.range
    measured = Characteristics(
        close_lag_s=0.033,
        slow_close_lag_s=0.033,
        sensor_lag_s=0.002,
        jitter_s=2**0.5 * press.valve.jitter,
        rate_low_N_per_s=rise_rate_N_s(press, 1_000.0),
        rate_high_N_per_s=rise_rate_N_s(press, 120_000.0),
        rate_slow_N_per_s=rise_rate_N_s(press, force_N, slow=True),
        changeover_N=38_000.0,
        noise_N=full * press.transducer.noise,
    )
    ways = feeds(measured, press.capacity_N, full / (0.8 * 2**press.adc.bits))
    assert ways[-1].name == "slow feed"
    assert ways[-1].sigma_N == pytest.approx(limit_sigma_N(press, force_N), rel=1e-9)
    assert ways[0].rate_N_per_s > ways[1].rate_N_per_s > ways[2].rate_N_per_s
    smallest = ways[-1].smallest_N
    assert smallest is not None
    assert 1.96 * ways[-1].sigma_N == pytest.approx(0.05 * smallest)
    assert any("not a safety-rated control" in text for text in cautions(measured, ways))


def test_a_press_that_holds_nothing_is_told_so() -> None:
    wild = Characteristics(jitter_s=0.02, rate_low_N_per_s=1e6, rate_high_N_per_s=1e6, noise_N=100.0)
    ways = feeds(wild, 100_000.0, 50.0)
    assert [way.smallest_N for way in ways] == [None]
    assert any("No setpoint within capacity" in text for text in cautions(wild, ways))
