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

    def sleep_ms(self, ms):
        self.us += 1000 * ms

    def ticks_us(self):
        return self.us % self.PERIOD

    def ticks_add(self, ticks, delta):
        return (ticks + delta) % self.PERIOD

    def ticks_diff(self, a, b):
        half = self.PERIOD // 2
        return (a - b + half) % self.PERIOD - half


@pytest.fixture(autouse=True)
def fake_time(monkeypatch):
    from steadyram_fw.boards import calls, registers, wired

    clock = FakeTime()
    for module in (calls, registers, wired):
        monkeypatch.setattr(module, "time", clock)
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


@pytest.fixture(autouse=True)
def no_pio(monkeypatch):
    """A chip without PIO, until a test asks for one: the published stubs can be imported and do nothing."""
    monkeypatch.setitem(sys.modules, "rp2", None)
    monkeypatch.delitem(sys.modules, "steadyram_fw.boards.valve_keeper", raising=False)


@pytest.fixture
def rp2(monkeypatch, no_pio):
    """The stand-in for `rp2`, and the modules with PIO programs assembled anew."""
    import pio

    names = ["steadyram_fw.boards." + name for name in ("quadrature", "valve_keeper")]
    module = pio.module()
    monkeypatch.setitem(sys.modules, "rp2", module)
    for name in names:
        monkeypatch.delitem(sys.modules, name, raising=False)
    yield module
    for name in names:
        sys.modules.pop(name, None)
