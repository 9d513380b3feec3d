"""Bends on a press with the whole firmware: the device's strokes, the command, its record, and going on with one."""

from __future__ import annotations

import json
import math
import threading
from pathlib import Path

import jsonschema
import pytest
from tests.host.obey import obey

from steadyram.bending.bend_list import build_bend_list
from steadyram.bending.device_stroke import DeviceStroke, job_name
from steadyram.bending.person import PersonBending, PersonPedals
from steadyram.bending.procedure import BendRun
from steadyram.bending.run_record import read_run
from steadyram.cli import main
from steadyram.errors import BadInput, CheckFailed, Stopped
from steadyram.link.definition import definition
from steadyram.link.records import DeviceJob
from steadyram.virtual.hands import VirtualBending
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import set_up
from steadyram.virtual.server import PressServer

PRESS = Path(__file__).parent / "bend-20.toml"
ROOT = Path(__file__).parents[3]
LIST = """\
name = "tray"
material = "mild-steel-cold-rolled"
thickness = "3 mm"
[tooling]
opening = "24 mm"
punch_radius = "1 mm"
shoulder_radius = "3 mm"
die_angle = "60 deg"
rating = "1000 kN/m"
[[bend]]
angle = "90 deg"
length = "250 mm"
[bed]
span = "600 mm"
inertia = "450 cm^4"
"""
FIELDS = {field.name: field.default for field in definition().job}


def listed(angle="90 deg"):
    return build_bend_list(
        {
            "material": "mild-steel-cold-rolled",
            "thickness": "3 mm",
            "tooling": {
                "opening": "24 mm", "punch_radius": "1 mm", "shoulder_radius": "3 mm", "die_angle": "60 deg",
                "rating": "1000 kN/m",
            },
            "bend": [{"angle": angle, "length": "250 mm"}],
            "bed": {"span": "600 mm", "inertia": "450 cm^4"},
        },
        "a list",
    )  # fmt: skip


def ready(press):
    """Set up from data sheets, with two jobs of the user's own."""
    device = set_up(press, 9_000.0, name="nut")
    others = [
        DeviceJob(1, "nut", FIELDS | {"setpoint_n": 9000}),
        DeviceJob(3, "stud", FIELDS | {"setpoint_n": 7000}),
    ]
    device.push_jobs(others)
    device.use_job(3)
    return device


@pytest.fixture
def press(tmp_path):
    with VirtualPress(PRESS, 3, "cpython", tmp_path / "flash") as made:
        yield made


def stroke_of(press, device, **more):
    hands = VirtualBending(press)
    return DeviceStroke(device, hands, name="tray", **more), hands


def test_third_part_is_right_and_the_other_jobs_stay(press):
    device = ready(press)
    before = list(device.jobs().jobs)
    stroke, hands = stroke_of(press, device)
    found = stroke.find_touch()
    assert found == pytest.approx(20e-3, abs=80e-6)
    run = BendRun(listed(), stroke, hands, capacity_N=stroke.capacity_N, strokes_most=1)
    angles = []
    for part in (1, 2, 3):
        for done in run.part(part):
            assert done.stopped_by == "depth"
            # What the device says the punch reached is what it reached, the bed's bow taken out.
            assert done.depth_m == pytest.approx(press.plant.deepest_travel_m(), abs=15e-6)
            assert done.depth_m == pytest.approx(
                stroke.felt.travel_m - 20e-3 - done.force_N / 200e6, abs=25e-6
            )
        angles.append(180 - math.degrees(press.plant.released_angle_rad()))
    assert abs(angles[2] - 90) < 0.5
    assert abs(angles[0] - 90) > 2
    assert [job for job in device.jobs().jobs if job.slot != 16] == before
    assert stroke.pushes <= 3


def test_a_depth_that_is_the_same_to_the_sensor_is_not_pushed_again(press):
    device = ready(press)
    stroke, _ = stroke_of(press, device, slot=5, touch_m=20.2e-3)
    stroke.to_depth(2e-3, 100e3)
    assert stroke.pushes == 1
    # Now the sheet was felt.
    for depth in (2e-3, 2.001e-3, 1.999e-3):
        reached = stroke.to_depth(depth, 100e3)
        assert reached.depth_m == pytest.approx(2e-3, abs=15e-6)
        assert stroke.pushes == 2
    stroke.to_depth(2.02e-3, 100e3)
    assert stroke.pushes == 3
    job = next(job for job in device.jobs().jobs if job.slot == 5)
    assert (job.name, job.fields["stop_on"], job.fields["cutoff_required"]) == ("bend tray", 1, 1)
    assert job.fields["tool_limit_n"] == job.fields["setpoint_n"] == 100_000


def test_the_ceiling_ends_a_stroke_before_the_depth(press):
    device = ready(press)
    stroke, _ = stroke_of(press, device, touch_m=20e-3)
    reached = stroke.to_depth(8e-3, 30e3)
    assert reached.stopped_by == "force"
    assert reached.depth_m < 6e-3
    assert press.plant.peak_N < 31e3


def test_struck_again_it_goes_on_from_where_the_sheet_was_met(press):
    device = ready(press)
    stroke, _ = stroke_of(press, device, touch_m=20.2e-3)
    first = stroke.to_depth(4e-3, 100e3)
    # The touch given was 0.2 mm off; the sheet itself was felt.
    assert first.depth_m == pytest.approx(4.2e-3, abs=20e-6)
    again = stroke.to_depth(5e-3, 100e3, fresh=False)
    assert again.depth_m == pytest.approx(5e-3, abs=20e-6)
    assert stroke.felt.touch_m == pytest.approx(20e-3, abs=20e-6)


class Hasty(VirtualBending):
    """Lets the pedal go too soon the first time."""

    hasty = True

    def press_extend(self):
        super().press_extend()
        if self.hasty:
            self.hasty = False
            self._press.run(2.0)
            self._press.operator.release_extend()


def test_a_pedal_let_go_too_soon_is_pressed_again(press):
    device = ready(press)
    hands = Hasty(press)
    stroke = DeviceStroke(device, hands, touch_m=20e-3)
    assert stroke.to_depth(3e-3, 100e3).depth_m == pytest.approx(3e-3, abs=20e-6)
    assert any("let go before" in event.name for event in press.events)


def test_what_cannot_be_done_is_said(press):
    device = ready(press)
    with pytest.raises(BadInput, match="slots 1 to 16"):
        stroke_of(press, device, slot=17)
    with pytest.raises(BadInput, match="holds the job 'stud'"):
        stroke_of(press, device, slot=3)
    stroke_of(press, device, slot=3, replace_job=True)
    with pytest.raises(CheckFailed, match="not known yet"):
        stroke_of(press, device)[0].to_depth(1e-3, 1e4)
    stroke, _ = stroke_of(press, device, touch_m=20e-3)
    press.operator.cutoff(False)
    with pytest.raises(CheckFailed, match="refuses to extend: cutoff"):
        stroke.to_depth(1e-3, 1e4)


def test_a_press_without_a_sensor_is_told_what_it_needs(tmp_path):
    with VirtualPress("tests/presses/workshop-20.toml", 3, "cpython", tmp_path / "flash") as press:
        device = set_up(press, 9_000.0)
        with pytest.raises(CheckFailed, match="position calibrate"):
            DeviceStroke(device, VirtualBending(press))


def test_names_that_the_panel_can_show():
    assert job_name("tray") == "bend tray"
    assert job_name('Blech "für" Küche') == "bend Blech fr Kche"
    assert job_name("") == job_name("bend") == "bend"
    assert len(job_name("x" * 90)) == definition().job_name_max_chars


# ---------------------------------------------------------------------- the command
@pytest.fixture
def served(press, tmp_path, monkeypatch):
    monkeypatch.setenv("STEADYRAM_CONFIG_DIR", str(tmp_path / "config"))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "tray.toml").write_text(LIST)
    ready(press)
    server = PressServer(press, listen=("127.0.0.1", 0), operator_listen=("127.0.0.1", 0))
    thread = threading.Thread(target=server.serve)
    thread.start()
    try:
        yield ["--port", server.url, "--hands", server.hands_url]
    finally:
        server.stop()
        thread.join(300)
        server.close()


def ran(capsys, *words, code=0):
    found = 0
    try:
        main(["bend", "run", *map(str, words)])
    except SystemExit as stop:
        found = int(stop.code or 0)
    printed = capsys.readouterr()
    assert found == code, printed.err
    return printed


def test_a_list_is_run_and_gone_on_with(served, tmp_path, capsys, press):
    printed = ran(capsys, "tray.toml", "--parts", 2, *served, "--json")
    document = json.loads(printed.out)
    jsonschema.validate(document, json.loads((ROOT / "protocol/schemas/bend-run.schema.json").read_text()))
    assert document["record"] == "tray-run.json"
    assert "not a safety-rated control" in printed.err
    assert "lay scrap" in printed.err
    assert "jobs use 3" in printed.err
    strokes = document["strokes"]
    assert [row["part"] for row in strokes][-1] == 2
    # An underbent part is struck again until it is good.
    assert all([row["within_tolerance"] for row in strokes if row["part"] == part][-1] for part in (1, 2))
    assert document["touch_m"] == pytest.approx(20e-3, abs=20e-6)
    assert json.loads((tmp_path / "tray-run.json").read_text())["strokes"] == strokes
    assert [path.name for path in tmp_path.glob(".tray*")] == []
    # Once more without --resume is refused; another list, too.
    assert "--resume" in ran(capsys, "tray.toml", "--parts", 3, *served, code=2).err
    (tmp_path / "other.toml").write_text(LIST.replace("90 deg", "120 deg"))
    told = ran(capsys, "other.toml", "--record", "tray-run.json", "--resume", "--parts", 3, *served, code=2)
    assert "another bend list" in told.err
    # The first stroke of the third part was made, and then the host died: the record knows no angle yet.
    record = read_run(tmp_path / "tray-run.json")
    assert record.unmeasured is None
    printed = ran(capsys, "tray.toml", "--parts", 3, "--resume", *served, "--json")
    more = json.loads(printed.out)["strokes"]
    assert more[: len(strokes)] == strokes
    assert "lay scrap" not in printed.err
    assert [row["strike"] for row in more[len(strokes) :]] == [1]
    assert more[-1]["within_tolerance"]


def test_killed_between_stroke_and_angle(served, tmp_path, capsys, press, monkeypatch):
    def dies(self, text):
        raise KeyboardInterrupt

    from steadyram.virtual.operator_line import LineBending

    with monkeypatch.context() as patch:
        patch.setattr(LineBending, "included_angle_rad", dies)
        printed = ran(capsys, "tray.toml", "--parts", 1, "--touch", "20 mm", *served, code=Stopped.exit_code)
    assert "--resume goes on" in printed.err
    left = read_run(tmp_path / "tray-run.json")
    assert left.strokes == []
    assert left.unmeasured is not None
    assert left.unmeasured.strike == 1
    printed = ran(capsys, "tray.toml", "--parts", 1, "--resume", *served, "--json")
    strokes = json.loads(printed.out)["strokes"]
    assert "not measured before the run was stopped" in printed.err
    assert [row["strike"] for row in strokes] == list(range(1, len(strokes) + 1))
    assert len(strokes) > 1
    assert strokes[-1]["within_tolerance"]
    assert abs(180 - math.degrees(press.plant.released_angle_rad()) - 90) < 0.55


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--type-angles"], "goes with --hands"),
        (["--resume"], "no record"),
        (["--touch", "20"], "--touch"),
    ],
)
def test_bad_input_is_one_sentence(words, told, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "tray.toml").write_text(LIST)
    printed = ran(capsys, "tray.toml", *words, code=2)
    assert told in printed.err
    assert printed.err.count("\n") == 1
    assert not (tmp_path / "tray-run.json").exists()


class AtPress(PersonPedals, PersonBending):
    """A person who does at a virtual press what the prompts say."""

    def __init__(self, press, device):
        self.press, self.told = press, []
        PersonPedals.__init__(self, device, self.answered, self.obeyed)

    def obeyed(self, text):
        self.told.append(text)
        obey(self.press, text)

    def answered(self, text):
        self.told.append(text)
        if "Strike?" in text:
            if "the same part again" not in text:
                self.press.load_part()
            return "yes"
        if "Measure again" in text:
            return "measure"
        assert "Included angle" in text
        # The first angle is a slip, and asked for again.
        if not any("is not used" in each for each in self.told):
            return "9"
        return f"{180 - math.degrees(self.press.plant.released_angle_rad()):.1f}"


def test_a_prompted_person_bends_a_part(press):
    device = ready(press)
    person = AtPress(press, device)
    stroke = DeviceStroke(device, person, touch_m=20e-3)
    strokes = list(BendRun(listed(), stroke, person, capacity_N=stroke.capacity_N).part(1))
    assert strokes[-1].within
    assert len(strokes) > 1
    told = "\n".join(person.told)
    assert "Hands away from punch" in told
    assert told.count("Hold the extend pedal") == told.count("Let go.") == len(strokes)
    # Changes were open already, and a stroke by itself asks for nothing at the panel.
    assert told.count("enable button") == 0
