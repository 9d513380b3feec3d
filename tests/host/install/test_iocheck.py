"""The walk through the wiring and the doctor, on a virtual press whose wires may be wrong."""

import random
from pathlib import Path

import pytest

from steadyram.device import Device
from steadyram.errors import BadInput, CheckFailed
from steadyram.install import doctor
from steadyram.install.iocheck import Walk
from steadyram.link.client import Client
from steadyram.link.definition import definition
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import nameplate_settings, open_changes, set_up

PRESSES = Path(__file__).parents[2] / "presses"
PRESS = PRESSES / "workshop-20.toml"


@pytest.fixture
def press():
    press = VirtualPress(PRESS, seed=5, runtime="cpython")
    press.run(1.0)
    yield press
    press.close()


@pytest.fixture
def device(press):
    device = Device(Client(press.transport(), source=random.Random(2)))
    open_changes(press)
    device.push_settings(nameplate_settings(press.plant.press))
    return device


class Hands:
    """Does what it is told on the virtual press. `swapped`: contacts that are wired to each other's place."""

    def __init__(self, press, lazy=(), heard=True, isolated=True):
        self.press, self.lazy, self.heard, self.isolated = press, lazy, heard, isolated
        self.told = []

    def ask(self, step, words):
        return self.isolated if step == "isolated" else self.heard

    def do(self, step, words):
        self.told.append(step)
        if step in self.lazy:
            return
        op = self.press.operator
        acts = {
            "cutoff": lambda: op.cutoff(not op.cutoff_on),
            "cutoff-back": lambda: op.cutoff(not op.cutoff_on),
            "cutoff-off": lambda: op.cutoff(False),
            "latch": lambda: op.latch(not op.latch_on),
            "latch-back": lambda: op.latch(not op.latch_on),
            "top": lambda: setattr(self.press, "top_moved", True),
            "top-back": lambda: setattr(self.press, "top_moved", False),
            "push": lambda: setattr(op, "push_held", True),
            "push-back": lambda: setattr(op, "push_held", False),
            "retract": op.press_retract,
            "retract-back": op.release_retract,
            "out-retract": op.press_retract,
            "out-retract-back": op.release_retract,
            "extend": op.press_extend,
            "extend-back": op.release_extend,
            "out-extend": self._extend_a_while,
            "out-extend-back": op.release_extend,
            "out-slow": op.press_extend,
            "out-slow-back": op.release_extend,
            "estop_ok": op.push_estop,
            "estop_ok-back": self._acknowledge,
            "signals": op.push_estop,
            "signals-back": self._acknowledge,
            "enable": op.hold_enable,
            "acknowledge": op.tap_ack,
        }
        acts[step]()

    def _extend_a_while(self):
        """The virtual ram moves, as an isolated one would not: far enough that it is not back at once."""
        self.press.operator.press_extend()
        self.press.run(0.3)

    def _acknowledge(self):
        self.press.operator.pull_estop()
        self.press.run(0.3)
        self.press.operator.tap_ack()
        self.press.run(0.5)


def by_name(done):
    return {step.name: step for step in done}


def test_every_contact_and_output_but_the_top_switch_which_a_virtual_ram_holds(press, device):
    done = by_name(Walk(device, Hands(press), patience_s=3.0).run())
    assert {name for name, step in done.items() if not step.good} == {"top"}
    assert "did not change" in done["top"].seen
    assert set(done) >= {
        "reading",
        "cutoff",
        "latch",
        "push",
        "retract",
        "extend",
        "estop_ok",
        "lamp",
        "buzzer",
    }
    assert {"output retract", "output extend"} <= set(done)


@pytest.mark.parametrize("at_last", [True, False])
def test_fault_that_nobody_acknowledged_loses_no_step_of_the_walk(press, device, at_last):
    hands = Hands(press, lazy=() if at_last else ("acknowledge",))
    hands._acknowledge = press.operator.pull_estop
    told = []
    walk = Walk(device, hands, patience_s=1.5, told=told.append)
    done = by_name(walk.run())
    assert told == walk.done
    assert done["cutoff"].good
    assert done["output extend"].good == at_last
    if not at_last:
        assert done["output extend"].seen == "not tried: the fault estop-open stays latched"


def test_knob_that_acknowledges_the_stop_is_no_crossed_wire(press, device):
    hands, operator = Hands(press), press.operator

    def acknowledge_while_it_watches():
        operator.pull_estop()
        press.after(0.4, lambda: setattr(operator, "ack_held", True))
        press.after(0.9, lambda: setattr(operator, "ack_held", False))

    hands._acknowledge = acknowledge_while_it_watches
    done = by_name(Walk(device, hands, patience_s=3.0).run())
    assert done["estop_ok"].seen == "alone, both ways"
    assert done["estop_ok"].good


def test_nothing_begins_before_the_hydraulics_are_isolated(press, device):
    hands = Hands(press, isolated=False)
    with pytest.raises(BadInput, match="Isolate the hydraulics"):
        Walk(device, hands).run()
    assert hands.told == []
    assert not [o for o in press.valve_log if o.word & 7]


def test_contact_that_does_not_come_is_told(press, device):
    done = by_name(Walk(device, Hands(press, lazy=("latch", "latch-back")), patience_s=2.0).run())
    assert not done["latch"].good
    assert done["latch"].seen == "did not change; changed: nothing"
    assert done["cutoff"].good


def test_crossed_wires_are_told(press, device):
    hands = Hands(press)
    real = press.operator.latch

    def both(on):
        real(on)
        press.operator.cutoff(not press.operator.cutoff_on)

    press.operator.latch = both
    done = by_name(Walk(device, hands, patience_s=2.0).run())
    assert not done["latch"].good
    assert "cutoff" in done["latch"].seen


def test_relay_that_the_person_does_not_find_on_is_told(press, device):
    done = by_name(Walk(device, Hands(press, heard=False), patience_s=2.0).run())
    assert not done["output extend"].good
    assert not done["lamp"].good


def test_fault_and_job_must_be_out_of_the_way(press, device):
    press.operator.push_estop()
    press.run(0.2)
    with pytest.raises(CheckFailed, match="fault is latched"):
        Walk(device, Hands(press)).run()


def test_doctor_says_what_a_fresh_press_lacks(press, device):
    found = doctor.wiring(device.now(), device)
    assert [f.level for f in found if f.level == "bad"] == []
    assert any("no calibration" in f.what for f in found)
    press.operator.push_estop()
    press.operator.cutoff(False)
    press.run(0.2)
    words = [f.what for f in doctor.wiring(device.now(), device)]
    assert any("emergency stop is pushed" in w for w in words)
    assert any("cutoff selector is OFF" in w for w in words)
    assert any("A fault is latched" in w for w in words)


def test_doctor_tells_an_open_transducer_wire(press, device):
    press.inject("sensor-open")
    press.run(0.3)
    found = doctor.wiring(device.now(), device)
    assert any(f.level == "bad" and "no signal" in f.what for f in found)


def test_doctor_on_a_missing_port():
    found, port = doctor.look_at_ports("/dev/there-is-no-such-port")
    assert port is None
    assert found[0].level == "bad"
    found, port = doctor.look_at_ports("socket://127.0.0.1:1")
    assert port == "socket://127.0.0.1:1"
    assert doctor.examine(port)[0].level == "bad"


def test_doctor_at_the_prompt_of_a_board(board):
    port = board.plug_in()
    words = " ".join(f.what for f in doctor.examine(port))
    assert "MicroPython" in words
    assert "not on this board yet" in words


# ---------------------------------------------------------------------- the ram's position
KINDS = {"potentiometer": "depth-30.toml", "encoder": "depth-20.toml"}


@pytest.fixture(params=sorted(KINDS))
def kind(request):
    return request.param


@pytest.fixture
def sensed(kind):
    """(press, device) with a sensor, settings and calibration, no job chosen."""
    press = VirtualPress(PRESSES / KINDS[kind], seed=5, runtime="cpython")
    press.run(1.0)
    device = set_up(press, 8000.0)
    device.use_job(0)
    press.run(0.5)
    yield press, device
    press.close()


class Mover(Hands):
    """Moves the sensor by hand: 2000 readings in a second and a half, there and half the way back. `how` spoils it."""

    def __init__(self, press, how="well"):
        super().__init__(press)
        self.how = how
        self.start = None

    def do(self, step, words):
        if step == "position":
            self.told.append(step)
            self.start = self.press.plant.step_index
            self.press.plant.place_override = self._place
        elif step == "position-back":
            self.told.append(step)
            if self.how != "broken":
                self.press.plant.place_override = None
            self.press.run(0.3)
            self.press.operator.tap_ack()
            self.press.run(0.5)
        else:
            super().do(step, words)

    def _place(self, index, place):
        ms = index - self.start
        if self.how == "nothing":
            return place
        if self.how == "broken" and ms > 300:
            return 0
        return place + (ms if ms < 1000 else max(1000, 2000 - ms)) & 0xFFFF


def only_position(device, hands):
    walk = Walk(device, hands, patience_s=4.0)
    walk._position(definition().word("position_kind", device.settings().values["position_kind"]))
    return walk.done[0]


def test_position_that_follows_the_hand_is_good(sensed):
    press, device = sensed
    step = only_position(device, Mover(press))
    assert step.good, step
    assert step.name == "position"
    assert "rested" in step.seen
    assert device.now().fault is None


def test_position_that_does_not_move_is_told(sensed):
    press, device = sensed
    step = only_position(device, Mover(press, "nothing"))
    assert not step.good
    assert "expected" in step.seen


def test_wiper_that_loses_its_wire_is_told_by_walk_and_doctor(sensed, kind):
    press, device = sensed
    if kind == "potentiometer":
        step = only_position(device, Mover(press, "broken"))
        assert not step.good
        assert "left its range" in step.seen
        found = doctor.wiring(device.now(), device)
        assert any(f.level == "bad" and "potentiometer" in f.what for f in found)
    else:
        found = doctor.wiring(device.now(), device)
        assert not any("position" in f.what for f in found), "an encoder at rest tells nothing"


def test_walk_includes_the_position_only_where_the_settings_ask_for_it(sensed):
    press, device = sensed
    hands = Mover(press)
    walk = Walk(device, hands, patience_s=1.0)
    walk.run()
    assert [step.name for step in walk.done][:2] == ["reading", "position"]


def test_doctor_says_what_the_position_lacks(sensed, kind):
    press, device = sensed
    values = dict(device.calibration().values)
    assert not any("position" in f.what for f in doctor.wiring(device.now(), device))
    scale = "position_um_64k" if kind == "potentiometer" else "position_step_nm"
    press.operator.open_seal()
    press.run(0.5)
    device.push_calibration(values | {scale: 0, "serial": values["serial"] + 1})
    found = doctor.wiring(device.now(), device)
    assert any(f.level == "look" and "not calibrated" in f.what for f in found)
