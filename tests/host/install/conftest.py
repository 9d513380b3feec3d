import os
import sys
from pathlib import Path

import pytest

if str(Path(__file__).parent) not in sys.path:
    sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture
def board(tmp_path):
    """A fresh board; its plug is pulled at the end."""
    from pty_board import PtyBoard

    from steadyram.virtual.runtime import find_micropython

    if find_micropython() is None or os.name == "nt":
        if os.environ.get("STEADYRAM_REQUIRE_RUNTIMES"):
            pytest.fail("no MicroPython")
        pytest.skip("no MicroPython for this computer")
    board = PtyBoard(tmp_path)
    yield board
    board.kill()
