"""A stand-in for the control core: it decides nothing, a test sets what it reports."""

from array import array

from steadyram_fw import tables as T

LEARNED_LEN = 56


class FakeTravel:
    """What services read of the ram's position."""

    def __init__(self):
        self.raw = 0
        self.known = False


class FakeCore:
    """The members of the controller that services use, all of them plain values."""

    def __init__(self):
        self.live = False
        self.record = array("i", [0] * T.R_LEN)
        self.record[T.R_UNKNOWN :] = array("i", [-1] * (T.R_LEN - T.R_UNKNOWN))
        self.record_ready = False
        self.learned_dirty = False
        self.state = T.STATE_READY
        self.stop = 0
        self.fault = 0
        self.refusal = 0
        self.force_n = 12
        self.shown_n = 12
        self.reading_valid = True
        self.inputs = 0
        self.latch_on = False
        self.returns_latched = False
        self.armed_ms = 0
        self.armed_n = 0
        self.checked_ms = 0
        self.handling_least_n = 0
        self.acknowledged = False
        self.peak_n = 0
        self.mean_c16 = 6554 * 16
        self.spread_c = 3
        self.counts = 6554
        self.zero = 6554
        self.trace = array("H", range(100))
        self.trace_len = 100
        self.trace_ms = 8
        self.trace_unit_n = 4
        self.fine = array("H", range(512))
        self.fine_head = 0
        self.pulse_log = array("i", [0] * 96)
        self.pulses = 0
        self.proposed_n = 0
        self.settings = None
        self.cal = None
        self.job_no = 0
        self.job = None
        self.learned = None
        self.armed = None
        self.travel = FakeTravel()
        self.travel_um = 0
        self.trace_travel = None

    def step(self, counts, inputs, place=0):
        self.counts = counts
        self.inputs = inputs
        return T.OUT_EXTEND if self.live else 0

    def configure(self, settings):
        assert not self.live
        self.settings = settings

    def calibrate(self, cal):
        assert not self.live
        self.cal = cal

    def choose(self, job_no, job, learned):
        assert not self.live
        self.job_no = job_no
        self.job = job
        self.learned = learned

    def new_batch(self):
        self.batches += 1

    batches = 0

    def record_stored(self):
        self.record_ready = False

    def note_supply(self, reading):
        pass

    def raise_fault(self, number):
        self.fault = number
        self.state = T.STATE_FAULT

    def clear_fault(self):
        self.fault = 0
        self.state = T.STATE_STARTING

    def take_zero(self):
        self.zero = self.counts

    def arm_probe(self, feed, cut_counts, pulse_ms, pulses, pause_ms, ceiling_n):
        self.armed = (feed, cut_counts, pulse_ms, pulses, pause_ms)
        self.armed_ms = 60000
        self.armed_n = ceiling_n

    def disarm(self):
        self.armed_ms = 0

    def finish(self, stop=T.STOP_SETPOINT, flags=T.FLAG_CUTOFF):
        """A stroke has just ended."""
        self.record[T.R_STOP] = stop
        self.record[T.R_FLAGS] = flags
        self.record[T.R_PEAK_N] = 9990
        self.record_ready = True
        self.learned_dirty = True
        self.learned[0] += 1
