"""A control core fed by hand: one reading and one input word a step."""

from array import array

from steadyram_fw import tables as t
from steadyram_fw.core.controller import Controller
from steadyram_fw.core.job_model import LEARNED_LEN

REST = t.IN_ESTOP_OK | t.IN_TOP | t.IN_CUTOFF
DOWN = t.IN_ESTOP_OK | t.IN_CUTOFF
ZERO = 6554
VALVES = t.OUT_EXTEND | t.OUT_SLOW | t.OUT_RETRACT


class Bench:
    """A core with a linear 20-ton calibration and a job; `reading` gets a deterministic flicker of two steps."""

    def __init__(self, job=None, **settings):
        self.core = Controller()
        values = array("i", [row[3] for row in t.SETTINGS])
        places = {row[0]: i for i, row in enumerate(t.SETTINGS)}
        if not settings.get("char_valid"):
            # Not characterised: only a plain threshold, asked for by name, extends with the cutoff on.
            settings = {"strategy": 0} | settings
        for name, value in settings.items():
            values[places[name]] = value
        self.core.configure(values)
        # 280 kN over 52428 counts.
        self.core.calibrate(array("i", [ZERO, -600, 350000, 0, 0, 58982, 600, 1]))
        self.use(1, **(job or {}))
        self.reading = ZERO
        self.n = 0
        self.out = 0

    def use(self, number, **fields):
        """Choose a job with these fields; 0 = none."""
        job = array("i", [row[3] for row in t.JOB])
        job[t.J_SETPOINT_N] = 40000
        for name, value in fields.items():
            job[[row[0] for row in t.JOB].index(name)] = value
        self.core.choose(number, job if number else None, array("i", [0] * LEARNED_LEN))
        return self

    def run(self, ms, inputs=REST, slope=0):
        for _ in range(ms):
            self.n += 1
            self.reading += slope
            self.out = self.core.step(self.reading + (0, 32, 16, -16, 48)[self.n % 5], inputs)
        return self.core.fault

    def acknowledge(self, inputs=REST, ms=300):
        self.run(ms, inputs | t.IN_ACK)
        return self.run(30, inputs)

    def ready(self):
        self.run(400)
        assert self.core.state == t.STATE_READY
        return self
