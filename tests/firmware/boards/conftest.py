"""Fake chip, fake time and a display buffer, so that the boards' own files run on CPython."""

import sys
import types
from pathlib import Path

import pytest

if str(Path(__file__).parent) not in sys.path:
    sys.path.insert(0, str(Path(__file__).parent))


class FakeTime:
    """MicroPython's ticks, turned by hand; they wrap at 2**30 as on the boards."""

    PERIOD = 1 << 30

    def __init__(self, start=(1 << 30) - 50_000):
        self.us = start

    def ticks_us(self):
        return self.us % self.PERIOD

    def ticks_add(self, ticks, delta):
        return (ticks + delta) % self.PERIOD

    def ticks_diff(self, a, b):
        half = self.PERIOD // 2
        return (a - b + half) % self.PERIOD - half


@pytest.fixture
def fake_time(monkeypatch):
    from steadyram_fw.boards import wired

    clock = FakeTime()
    monkeypatch.setattr(wired, "time", clock)
    return clock


@pytest.fixture(autouse=True)
def framebuf(monkeypatch):
    """CPython has no framebuf; these tests look at what is sent, not at the picture."""
    module = types.ModuleType("framebuf")
    module.MONO_VLSB = 0

    class FrameBuffer:
        def __init__(self, buffer, width, height, form):
            assert len(buffer) == width * height // 8

    module.FrameBuffer = FrameBuffer
    monkeypatch.setitem(sys.modules, "framebuf", module)
