"""Firmware and its test doubles are imported as MicroPython would: by their folders."""

import sys
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
for folder in (HERE, HERE.parents[1] / "firmware"):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))

pytest.register_assert_rewrite("cases_store", "cases_device", "bench", "vector_player")
