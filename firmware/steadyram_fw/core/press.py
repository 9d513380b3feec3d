"""What the settings say of the press, turned into the quantities the cutoff works with."""

from .. import tables as t

FORCE_MAX = 5000000


class Press:
    """Lags in sixteenths of a millisecond, rates in newtons a millisecond times sixteen."""

    def __init__(self):
        self.characterised = False
        self.strategy = t.STRATEGY_THRESHOLD
        self.slow_fitted = False
        self.holds_load = True
        self.by_hand = False
        self.warn_ppt = 0
        self.overforce_n = 1
        self.capacity_n = 1
        self.configure([row[3] for row in t.SETTINGS])

    def configure(self, s):
        self.characterised = s[t.S_CHAR_VALID] == 1
        # Nobody's arm is characterised: an indicator follows the force, whatever is set for a valve.
        self.by_hand = s[t.S_DRIVE_KIND] == t.DRIVE_KIND_NONE
        self.warn_ppt = s[t.S_WARN_PPT]
        self.strategy = t.STRATEGY_THRESHOLD if self.by_hand else s[t.S_STRATEGY]
        self.slow_fitted = s[t.S_SLOW_FITTED] == 1
        self.holds_load = s[t.S_HOLDS_LOAD] == 1
        self.capacity_n = s[t.S_CAPACITY_N]
        self.overforce_n = s[t.S_OVERFORCE_N]
        self.open16 = _t16(s[t.S_OPEN_LAG_US])
        self.close16 = _t16(s[t.S_CLOSE_LAG_US]) + _t16(s[t.S_COAST_US])
        self.slow_open16 = _t16(s[t.S_SLOW_OPEN_LAG_US])
        self.slow_close16 = _t16(s[t.S_SLOW_CLOSE_LAG_US])
        self.sensor16 = _t16(s[t.S_SENSOR_LAG_US])
        self.jitter16 = _t16(s[t.S_JITTER_US])
        self.low16 = _r16(s[t.S_RATE_LOW_N_S])
        self.high16 = _r16(s[t.S_RATE_HIGH_N_S])
        self.slow16 = _r16(s[t.S_RATE_SLOW_N_S])
        self.turn_n = s[t.S_CHANGEOVER_N]
        # Counted a little late: taking the strong stage for the weak one overshoots, the other way round does not.
        self.changeover_n = s[t.S_CHANGEOVER_N] + (s[t.S_CHANGEOVER_N] >> 5)
        self.burst = s[t.S_BURST_FEED] == 1 or self.by_hand
        if self.changeover_n == 0:
            self.changeover_n = FORCE_MAX
        self.noise_n = s[t.S_NOISE_N]
        # Flow of the high stage and of the slow feed against the low stage's, in 256ths of it.
        self.high_share = min(256, max(4, (self.high16 << 8) // self.low16)) if self.low16 else 256
        self.slow_share = min(256, max(1, (self.slow16 << 8) // self.low16)) if self.low16 else 1
        full_dead16 = self.open16 - self.close16
        slow_dead16 = self.slow_open16 - self.slow_close16
        self.dead_time16 = _known16(s[t.S_PULSE_DEAD_US], -1000000, full_dead16)
        self.slow_dead_time16 = _known16(s[t.S_SLOW_PULSE_DEAD_US], -1000000, slow_dead16)
        # What pulses let in was seen in the dead-stop test, not only taken from the lags.
        self.pulse_seen = s[t.S_PULSE_DEAD_US] != -1000000
        self.slow_pulse_seen = s[t.S_SLOW_PULSE_DEAD_US] != -1000000
        self.least_ms = max(1, (_known16(s[t.S_PULSE_LEAST_US], -1, 16) + 15) >> 4)
        self.slow_least_ms = max(1, (_known16(s[t.S_SLOW_PULSE_LEAST_US], -1, 16) + 15) >> 4)
        # How much later the valves close than when they were measured: the controller says so as a stroke begins.
        self.late16 = 0
        self.late_max16 = (self.close16 * 3) >> 2
        # Oil that a ram at rest takes up before it breaks away: a shorter pulse lifts the reading, not the force.
        self.breakaway_n = s[t.S_BREAKAWAY_N]
        self.breakaway16 = (max(0, s[t.S_BREAKAWAY_N]) << 8) // max(1, self.low16)
        # How far lags may be off, one of them and the sensor's together; their jitter where that was not measured.
        self.lag_u16 = _known16(s[t.S_LAG_U_US], -1, self.jitter16)
        # What the line between transducer and cylinder drops at the low stage's flow: no force, and gone at rest.
        self.line_drop_n = min(max(0, s[t.S_LINE_DROP_N]), 4000000)
        # The mean of four samples lags 1.5 ms, the step that acts on it another half on average.
        self.see16 = self.sensor16 + 32

    def dead16(self, force_n):
        """Full-feed rise rate on a dead stop at a force: the stiffest that any part can be."""
        return self.low16 if force_n < self.changeover_n else self.high16

    def share(self, force_n):
        """Full-feed flow at a force, in 256ths of the low stage's."""
        return 256 if force_n < self.changeover_n else self.high_share

    def least16(self, slow):
        """Flow of the shortest pulse as measured, t16: above zero where the valve closes later than it opens."""
        return 16 + (self.slow_close16 - self.slow_open16 if slow else self.close16 - self.open16)


def seal_friction_n(settings, cal):
    """Seal friction that the calibration took off, newtons: by its branches, at least what its rising line shows.

    Branches too close tell less than there is, or nothing (0). Without pressure a ram gives less than nothing by its
    friction; a fit's own error there is bounded.
    """
    if cal is None:
        return 0
    told_n = cal[t.C_FRICTION_N]
    if settings[t.S_SENSOR_MEASURES]:
        return told_n
    return max(told_n, min(-cal[t.C_C0_N], settings[t.S_CAPACITY_N] >> 4), 0)


def breakaway_n(settings, cal):
    """Force beyond running friction that starts the ram, newtons: as much again where that was not measured."""
    told_n = settings[t.S_BREAKAWAY_N]
    return told_n if told_n >= 0 else seal_friction_n(settings, cal)


def nominal_full_n(settings):
    """Force at full reading by the nameplates, newtons: of a force sensor, or pressure times area (not in a step)."""
    if settings[t.S_SENSOR_MEASURES]:
        full_n = settings[t.S_CELL_N] * settings[t.S_AMPLIFIER_UV_V] // settings[t.S_CELL_UV_V]
    else:
        # pi/4 = 0.785398; um^2 * kPa = 1e-9 N
        area_um2 = settings[t.S_BORE_UM] * settings[t.S_BORE_UM] * 785398 // 1000000
        full_n = area_um2 * settings[t.S_RANGE_KPA] // 1000000000
    return min(full_n, 10 * FORCE_MAX)


def nominal_c1(settings):
    """Newtons per 65536 counts by the nameplates alone, for a press without a calibration (not in a step)."""
    span = settings[t.S_COUNTS_FULL] - settings[t.S_COUNTS_ZERO]
    if span < 1:
        return 0
    return min((nominal_full_n(settings) << 16) // span, 4194303)


def _t16(us):
    return (us * 2 + 62) // 125


def _r16(n_s):
    return (n_s // 125) * 2 if n_s > 60000000 else (n_s * 16) // 1000


def _known16(us, unknown, otherwise16):
    """A measured time, or what stands for it where it was not measured."""
    return otherwise16 if us == unknown else _t16(us)
