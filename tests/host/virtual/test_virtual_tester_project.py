"""A tester's project outside the repository: installs the wheel, runs the README's example in parallel."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import sysconfig
import venv
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

import steadyram.virtual
from steadyram.virtual.faults import FAULTS, PHASES
from steadyram.virtual.runtime import find_micropython

REPO = Path(__file__).resolve().parents[3]
README = Path(steadyram.virtual.__file__).parent / "README.md"


def run(*command: str | Path, cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run to the end with nothing of this repository on the path; both outputs as one text."""
    env = {
        key: value for key, value in os.environ.items() if not key.startswith(("PYTHON", "PYTEST", "COV_"))
    }
    return subprocess.run(
        [str(word) for word in command], cwd=cwd, env=env | environment, text=True, timeout=1800,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip


@pytest.mark.slow
def test_a_project_outside_uses_the_wheel_in_parallel(tmp_path: Path) -> None:
    built = run(
        sys.executable,
        "-m",
        "build",
        "--wheel",
        "--no-isolation",
        "--outdir",
        tmp_path / "dist",
        REPO,
        cwd=tmp_path,
    )
    assert built.returncode == 0, built.stdout[-3000:]
    (wheel,) = (tmp_path / "dist").glob("*.whl")
    home = tmp_path / "venv"
    venv.create(home, with_pip=False, symlinks=True)
    python = home / "bin" / "python"
    installed = run(
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
    assert installed.returncode == 0, installed.stdout[-3000:]
    (packages,) = home.glob("lib/python*/site-packages")
    # The dependencies are borrowed from this environment; its own steadyram comes later on the path.
    (packages / "borrowed.pth").write_text(sysconfig.get_path("purelib") + "\n")
    where = run(python, "-c", "import steadyram, steadyram_fw; print(steadyram.__file__)", cwd=tmp_path)
    assert str(packages) in where.stdout

    project = tmp_path / "project"
    project.mkdir()
    (example,) = re.findall(r"```python\n(.*?)```", README.read_text(), re.DOTALL)
    (project / "test_press.py").write_text(example)
    micropython = find_micropython()
    path = (
        os.environ.get("PATH", "")
        if micropython is None
        else f"{micropython.parent}:{os.environ.get('PATH', '')}"
    )
    tested = run(
        python,
        "-m",
        "pytest",
        "-n",
        "2",
        "--junitxml=report.xml",
        "--strict-markers",
        "-q",
        cwd=project,
        PATH=path,
    )
    assert tested.returncode == 0, tested.stdout[-4000:]
    cases = list(ET.parse(project / "report.xml").iter("testcase"))
    assert len(cases) == example.count("def test_")
    runtimes = {
        p.get("value", "")
        for case in cases
        for p in case.iter("property")
        if p.get("name") == "steadyram_runtime"
    }
    assert len(runtimes) == 1
    assert runtimes.pop().startswith("CPython" if micropython is None else "MicroPython")


def test_readme_lists_every_fault_and_phase() -> None:
    text = README.read_text()
    for fault in FAULTS.values():
        assert f"| `{fault.name}` | {fault.text} | {fault.phase} |" in text
    for name, when in PHASES.items():
        assert f"| `{name}` | {when} |" in text
