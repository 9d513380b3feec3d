"""The firmware on MicroPython's own port for the Pico, in an emulated RP2040: the short part, for every change.

Time here is the chip's: a slow computer makes these tests long, not wrong. The flash's waits are left out (the campaign
has them), so bounds on time are those of hardware_notes/memory_and_time.md without its cache model.
"""

import pytest
from tests.board.at_the_press import Prepared, answering, prepared, quiet_press, stroke
from tests.board.emulated import (
    NEWEST,
    OLDEST,
    REPO,
    TOO_OLD,
    Board,
    BoardPress,
    NoBoard,
    flash_image,
    installed,
    interpreter,
)
from tests.board.versions import newer

from steadyram.install.pico_bounds import FREE_AT_REST_BYTES
from steadyram_fw import tables as T

pytestmark = pytest.mark.slow
PRESS = REPO / "tests" / "presses" / "workshop-20.toml"
SETPOINT_N = 40_000.0
SEED = 81
TIMER = 3  # the interrupt of the alarm that MicroPython's timers share
START_MS = 6000
MEAN_US, LONGEST_US = 400, 2500
VALVES = T.OUT_EXTEND | T.OUT_RETRACT | T.OUT_SLOW


def test_start_part_and_dead_timer(firmware, tmp_path):
    """One start for all of it: a start is the dear part of an emulated board."""
    quiet = quiet_press(PRESS, tmp_path)
    files = prepared(tmp_path / "prepared", quiet, SETPOINT_N)
    image = flash_image(tmp_path / "flash.img", NEWEST, {**installed(firmware), **files})
    with BoardPress(quiet, image, seed=SEED) as press:
        device = answering(press)
        assert device.identity().board == "pico"
        assert press.board.us < 1000 * START_MS
        state = press.board.tell("state")
        assert (state["hz"], state["vsel"]) == (200_000_000, 12), "the voltage is raised with the clock"
        press.board.tell("steps", on=True)
        peaks_N = [stroke(press)]
        steps = press.board.tell("steps", on=False)["steps"]
        peaks_N.append(stroke(press))
        records = [row.values for row in device.log(0)]
        told = device.board()
        edges, dead_us = feed_without_steps(press)
    callback_and_heap_keep_their_bounds(steps, told)
    parts_are_the_virtual_press_s(quiet, files, tmp_path / "same", peaks_N, records)
    assert edges, "the valve stayed on"
    assert edges[0][1] & VALVES == 0
    assert edges[0][0] - dead_us <= 20_000


def feed_without_steps(press):
    """The timer's interrupt is taken away in a feed: (changes of the outputs after that, when it was), microseconds."""
    press.operator.load_part()
    press.operator.press_extend()
    assert press.run_until(lambda p: bool(p.outputs & T.OUT_EXTEND), 1.0)
    press.run(0.05)
    press.board.tell("edges")
    press.board.tell("mask", irq=TIMER)
    dead_us = press.board.us
    press.board.free(30)
    return press.board.tell("edges")["edges"], dead_us


def callback_and_heap_keep_their_bounds(steps, told):
    feed = [row[2] for row in steps if row[4] & T.OUT_EXTEND]
    assert len(feed) > 300
    assert sum(feed) / len(feed) < MEAN_US
    assert max(row[2] for row in steps if row[4] & VALVES) < LONGEST_US
    assert told["heap_free"] > FREE_AT_REST_BYTES
    assert 0 < told["step_us"] < MEAN_US
    assert told["read_back"] == told["outputs"]
    assert (told["clock_hz"], told["core_mv"], told["left"]) == (200_000_000, 1150, "")


def parts_are_the_virtual_press_s(quiet, files, folder, peaks_N, records):
    """A first and a learned part as on the same press without a board: the same records, and as near as a pulse's step.

    The board's converter has a scale of its own (12 bits as c << 4 | c >> 8 over the supply, as c << 4 there), and its
    planning takes some of the steps in which nothing is energised. A reading that differs by one code may make a pulse
    a millisecond longer or shorter: pulses are whole milliseconds.
    """
    for path, data in files.items():
        file = folder / "files" / path.lstrip("/")
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(data)
    with Prepared(quiet, SEED, "cpython", folder) as press:
        device = answering(press)
        virtual_N = [stroke(press), stroke(press)]
        same = [row.values for row in device.log(0)]
        model = press.plant.press
        pulse_N = device.press_values()["rate_high_n_s"] / 1000
    code_N = 16 * model.cylinder.area_m2 * model.transducer.range / 52428
    assert len(records) == len(same) == 2
    for peak_N, there_N, record, other in zip(peaks_N, virtual_N, records, same, strict=True):
        assert abs(peak_N - there_N) <= code_N + pulse_N
        for name in ("seq", "job", "job_crc", "setpoint_n", "stop", "fault", "count", "cal_serial"):
            assert record[name] == other[name], name
        for name in ("peak_n", "settled_n"):
            assert abs(record[name] - other[name]) <= 2 * code_N + pulse_N, name
        assert abs(record["contact_ms"] - other["contact_ms"]) <= 5


def updated(firmware, package, image):
    """A flash right after an update from `firmware` to `package`."""
    files = {**installed(package, "new", firmware.folder)}
    files |= {f"/{firmware.folder}/{name}": data for name, data in firmware.files.items()}
    return Board(flash_image(image, NEWEST, files))


def test_update_starts_whatever_a_host_sends_every_50_ms_from_reset_on(firmware, tmp_path):
    package = newer()
    board = updated(firmware, package, tmp_path / "flash.img")
    try:
        heard = b""
        while b" core_mv=" not in heard:
            assert board.us < 1000 * START_MS, heard[-300:]
            heard += board.free(50, b"\r\x03\x03\nd1 hello\nd2 board\n" if board.us > 100_000 else b"")
        assert f'build={package.folder} left=""'.encode() in heard
        assert board.resets == 0
    finally:
        board.close()


def test_update_that_does_not_start_is_left_and_the_version_before_says_so(firmware, tmp_path):
    package = newer('raise ValueError("does not start")\n')
    board = updated(firmware, package, tmp_path / "flash.img")
    try:
        heard = b""
        while b" core_mv=" not in heard:
            assert board.us < 2000 * START_MS, heard[-300:]
            heard += board.free(200, b"\nd2 board\n")
        assert f"build={firmware.folder} left={package.folder}".encode() in heard
        assert board.resets == 1
    finally:
        board.close()


def test_oldest_micropython_runs_it(firmware, tmp_path):
    try:
        interpreter(OLDEST)
    except NoBoard as missing:
        pytest.skip(str(missing))
    board = Board(flash_image(tmp_path / "flash.img", OLDEST, installed(firmware)))
    try:
        board.free(800)
        assert b"board=pico" in board.until(b"line_max", START_MS, b"a1 hello\n")
    finally:
        board.close()


def test_older_micropython_gets_a_sentence_and_nothing_is_noted_as_tried(firmware, tmp_path):
    try:
        interpreter(TOO_OLD)
    except NoBoard as missing:
        pytest.skip(str(missing))
    board = Board(flash_image(tmp_path / "flash.img", TOO_OLD, installed(firmware, "new")))
    try:
        said = board.until(b">>> ", START_MS)
        assert b"steadyram needs MicroPython 1.26 or newer, and this board has 1.25.0" in said
        assert b"Traceback" not in said
        board.prompt()
        assert " new -" in board.run("print(open('/steadyram.now').read())")
    finally:
        board.close()
