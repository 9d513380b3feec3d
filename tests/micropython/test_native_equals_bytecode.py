"""What firmware/build.py makes for a board gives the same results as the plain sources, in native code too.

Native code for the PC's own processor stands for the board's: the emitter's front end and the decorated functions
are the same, only the last translation differs. The board's own files are compiled, not run.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from tests.micropython import runtimes
from tests.micropython.make_tape import record

from steadyram.install.package import build

BUILD = runtimes.FIRMWARE / "build.py"


def built(out: Path, *options: str) -> str:
    done = subprocess.run(
        [sys.executable, str(BUILD), "--out", str(out), *options], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture
def unix_is_x64() -> None:
    command = [str(runtimes.micropython()), "-c", "import sys; print(sys.implementation._mpy >> 10 & 15)"]
    if runtimes.run(command) != ["2"]:
        pytest.skip("this MicroPython does not run x86-64 native code")


@pytest.mark.slow
@pytest.mark.usefixtures("unix_is_x64")
def test_native_code_gives_the_same_day(tmp_path: Path) -> None:
    # A press with a potentiometer on the ram: its machine code is tried, too.
    tape = record(runtimes.ROOT / "tests" / "presses" / "depth-30.toml", seed=9, short=True)
    path = tmp_path / "day.tape"
    tape.write(path)
    expected = [f"ok steps={tape.steps} digest={tape.digest} heap=locked"]
    built(tmp_path / "native", "--arch", "x64", "--names")
    # The third byte of a compiled file names the processor of its machine code, 0 where it has none
    # (MicroPython's documentation, ".mpy files").
    native = (tmp_path / "native/steadyram_fw/core/sense.mpy").read_bytes()
    assert native[2] >> 2 == 2
    assert (tmp_path / "native/steadyram_fw/tables.mpy").read_bytes()[2] >> 2 == 0
    assert runtimes.replay_on_unix([path], tmp_path / "native") == expected
    # As it is installed: names left out and shortened, but for those that the player reads.
    installed = build("x64", readers=[runtimes.REPLAY.read_text(encoding="utf-8")])
    for name, data in installed.files.items():
        target = tmp_path / "installed" / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)
    assert b"_stroke_ms" in (tmp_path / "native/steadyram_fw/core/controller.mpy").read_bytes()
    assert b"_stroke_ms" not in installed.files["steadyram_fw/core/controller.mpy"]
    assert runtimes.replay_on_unix([path], tmp_path / "installed") == expected


@pytest.mark.parametrize("arch", ["armv6m", "armv7emsp", "xtensawin"])
def test_every_file_compiles_for_every_board(arch: str, tmp_path: Path) -> None:
    said = built(tmp_path, "--arch", arch)
    sources = [f for f in (runtimes.FIRMWARE / "steadyram_fw").rglob("*.py") if "__pycache__" not in f.parts]
    compiled = list((tmp_path / "steadyram_fw").rglob("*.mpy"))
    assert len(compiled) == len(sources)
    assert said.startswith(f"{len(sources)} files")
    assert (tmp_path / "main.py").is_file()


def test_a_function_that_is_gone_is_named(tmp_path: Path) -> None:
    code = f"import sys; sys.path.insert(0, {str(runtimes.FIRMWARE)!r}); import build; "
    code += "from steadyram.install import machine_code; machine_code.NATIVE['core/fixed.py'] = ('gone',); "
    code += "build.build(__import__('pathlib').Path(sys.argv[1]), 'armv6m')"
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True)
    assert done.returncode == 1
    assert "core/fixed.py has no function gone" in done.stderr
