"""Fixtures of the press to try: the command in a process of its own, and a headless browser."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator

import pytest
from tests.host.page.conftest import browser

__all__ = ["browser"]


@pytest.fixture
def tried() -> Iterator[str]:
    """The address that `steadyram try` prints."""
    process = subprocess.Popen(
        [sys.executable, "-m", "steadyram", "try", "--listen", "127.0.0.1:0", "--no-browser"],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    try:
        word, _, url = process.stdout.readline().strip().partition(" ")
        assert word == "ready"
        yield url
    finally:
        process.terminate()
        assert process.wait(30) == 0
        process.stdout.close()
