"""Plays the conformance vectors to the firmware, on CPython and on MicroPython."""

from array import array

from bench import Bench

from steadyram_fw import tables as T


class Player:
    """A fresh device on `root`, which must be an empty folder."""

    def __init__(self, root):
        self._bench = Bench(root)

    def do(self, what):
        """One of the acts that vectors.toml lists."""
        bench = self._bench
        core = bench.core
        bench.board.out = []
        if what in ("enable", "close"):
            bench.enable()
        elif what == "unseal":
            bench.unseal()
        elif what == "live":
            core.live = True
            core.state = T.STATE_ADVANCE
        elif what == "rest":
            core.live = False
            core.state = T.STATE_READY
        elif what == "fault":
            core.raise_fault(T.FAULT_OVER_FORCE)
        elif what in ("stroke", "stroke-travel"):
            core.trace_travel = array("H", range(0, 200, 2)) if what == "stroke-travel" else None
            core.live = True
            core.pulses = 2
            for i, value in enumerate((20, 160000, 163200, 15, 163200, 164800)):
                core.pulse_log[i] = value
            for _ in range(5):
                bench.app.tick(core.counts, bench.inputs)
            core.finish()
            bench.app.tick(core.counts, bench.inputs)
            core.live = False
            while bench.app.poll():
                pass
        else:
            raise ValueError(what)
        self._left = bench.board.out
        bench.board.out = []

    _left = ()

    def send(self, data):
        """Bytes in; the lines that were said since the last step, the answer to them included."""
        bench = self._bench
        bench.board.rx = data
        while bench.app.poll():
            pass
        out = list(self._left) + bench.board.out
        self._left = ()
        bench.board.out = []
        return out

    def play(self, session):
        """Play a session; raises AssertionError at the first answer that differs."""
        for step in session["step"]:
            if "do" in step:
                self.do(step["do"])
                continue
            data = (
                bytes.fromhex(step["send_hex"]) if "send_hex" in step else bytes(step["send"] + "\n", "ascii")
            )
            got = self.send(data)
            assert got == step["answer"], (session["name"], step, got)
