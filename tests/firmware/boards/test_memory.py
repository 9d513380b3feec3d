"""The firmware's heap: at rest on a 32-bit build, and busy in every way on a limited heap."""

import shutil
import subprocess
from pathlib import Path

from tests.micropython import runtimes

from steadyram.install.package import build
from steadyram.install.pico_bounds import DAY_64_BIT_BYTES, FREE_AT_REST_BYTES, HEAP_BYTES

HERE = Path(__file__).parent
# The WebAssembly build has no machine code, so what it adds is taken from the files' sizes, without those of modules
# that an RP2040 loads with a ram position sensor only, or not at all (calls.py is for other chips).
NOT_AT_REST = ("travel.mpy", "depth.mpy", "place.mpy", "quadrature.mpy", "calls.mpy")
# Machine code grows unseen; a step beyond this is to be looked at.
NATIVE_EXTRA = 19_000
AT_REST = HERE / "application_at_rest.py"
# The interpreter keeps names in tables of 20, 40 ... 640. The next is begun after 1260 names and takes 9 KB at once.
NAMES_MOST = 1260
# Those of the modules that a ram position sensor needs.
NAMES_OF_POSITION = 50


def compiled(folder, arch=None, names=False, readers=()):
    package = build(arch, names=names, readers=[script.read_text() for script in readers])
    for name, data in package.files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    at_rest = [len(data) for name, data in package.files.items() if not name.endswith(NOT_AT_REST)]
    return folder, sum(at_rest)


def figures(text):
    return {row.split()[0]: int(row.split()[1]) for row in text.splitlines() if len(row.split()) == 2}


def test_heap_at_rest_on_a_32_bit_build_leaves_room_on_the_smallest_board(tmp_path):
    node = shutil.which("node")
    if node is None or not runtimes.WASM.is_file():
        runtimes.missing("Node or the WebAssembly build of MicroPython is not installed.")
    folder, plain = compiled(tmp_path / "fw", readers=[AT_REST])
    done = subprocess.run(
        [node, str(HERE / "heap_on_wasm.mjs"), str(runtimes.WASM), str(folder)],
        capture_output=True,
        text=True,
        timeout=900,
    )
    found = figures(done.stdout)
    assert "application" in found, (done.stdout + done.stderr)[-600:]
    _, native = compiled(tmp_path / "native", "armv6m", readers=[AT_REST])
    extra = native - plain
    print(found, "machine code:", extra)
    assert extra < NATIVE_EXTRA
    assert found["application"] - found["interpreter"] + extra < HEAP_BYTES - FREE_AT_REST_BYTES, found
    names = int(done.stdout.rpartition("n_qstr=")[2].partition(",")[0])
    assert names < NAMES_MOST - NAMES_OF_POSITION, done.stdout


def test_busy_in_every_way_on_a_limited_heap(tmp_path):
    """64-bit objects are up to twice as large, and paths lie on this heap; tests/board has a board's own."""
    program = runtimes.micropython()
    compiled(tmp_path / "fw", names=True)
    files = tmp_path / "files"
    files.mkdir()
    (tmp_path / "busy.py").symlink_to(HERE / "busy_on_micropython.py")
    (tmp_path / "t").symlink_to(HERE.parent)
    done = subprocess.run(
        [str(program), "-X", "heapsize=384k", "busy.py", "fw", "t", "-", "files"],
        capture_output=True,
        text=True,
        timeout=900,
        cwd=tmp_path,
    )
    found = figures(done.stdout)
    assert found.get("fault") == 0, (done.stdout + done.stderr)[-600:]
    assert found["records"] == 14, "six by the tests' core, eight by the firmware's own"
    assert found["pictures"] > 20


def test_a_day_passes_on_a_heap_that_leaves_a_board_room(tmp_path):
    """The day of tests/benchmarks/heap_day.py, whose least heap and margin heap_margin.py measures."""
    day = Path(__file__).parents[2] / "benchmarks" / "heap_day.py"
    scripts = [day, HERE.parent / "bench.py", HERE.parent / "fake_core.py"]
    folder = tmp_path / "fw"
    for name, data in build(None, readers=[script.read_text() for script in scripts]).files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    files = tmp_path / "files"
    files.mkdir()
    # Short names: paths lie on the heap that is measured.
    (tmp_path / "day.py").symlink_to(day)
    (tmp_path / "t").symlink_to(HERE.parent)
    done = subprocess.run(
        [
            str(runtimes.micropython()),
            "-X",
            f"heapsize={DAY_64_BIT_BYTES}",
            "day.py",
            "fw",
            "t",
            "files",
            "0",
        ],
        capture_output=True,
        text=True,
        timeout=900,
        cwd=tmp_path,
    )
    found = figures(done.stdout)
    assert found.get("fault") == 0, (done.stdout + done.stderr)[-600:]
    assert found["records"] == 9, "three by the tests' core, six by the firmware's own"
