"""What must stop the press: each rule of the fault catalogue that shows in the readings and in the outputs.

`look` is asked once a millisecond, before the outputs are decided, with the outputs as they stand. It remembers
what it needs and gives the number of a fault or 0; what follows from it is the controller's business. Thresholds
are made when settings or calibration change. Integers only, nothing allocates.

Readings are judged in counts, not in newtons: following the zero moves every force at once, but no reading.
"""

from .. import tables as t

SENSOR_BAD_MS = 5
OVER_MS = 4
# Without a dead-stop test the valve's lags are unknown: longer than any that the settings admit is no use.
UNKNOWN_CLOSE_MS = 400
UNKNOWN_OPEN_MS = 200
LEAK_MS = 256  # the fall is judged over so long
CALM_MS = 300  # a rise counts as over after so long without one
FALL_MS = 1000  # retract must have lowered the pressure after so long (and the valve's opening)
# Pulses on the part without a rise: one that surely opens the valve counts more than a shorter one.
FLAT_LONG = 5
FLAT_SHORT = 2
FLAT_MOST = 200
LOST_PULSES = 6
STAY_PULSE = 25  # milliseconds that a pulse counts for while the top switch stays closed
# Top-ups of a dwell: a bucket that takes TOP_UP a pulse and loses 1 a millisecond.
TOP_UP = 250
TOP_UPS_MOST = 1500
REST_MS = 1024
BOOT_MS = 80  # until the history is full of real samples

_FEED = t.OUT_EXTEND | t.OUT_SLOW
_NONE = 0
_FEEDING = 1
_RETRACTING = 2


class Guard:
    """Thresholds in counts (suffix c), counts times sixteen (c16) and milliseconds."""

    def __init__(self, press, sense):
        self._p = press
        self._s = sense
        self.probing = False
        self.low = 0
        self.high = 65535
        self.doubt_low = 0
        self.doubt_high = 65535
        self.jump_c = 65535
        self.rise_n = 1 << 29
        self.frozen_ms = 0
        self.noisy16 = 1 << 29
        self.quiet_ms = 1000
        self.open_ms = 0
        self.margin16 = 1 << 24
        self.held16 = 1 << 24
        self.small16 = 1
        self.stay_ms = 1 << 24
        self._span = 52428
        self._step_c = 16
        self._leak_ppt = 1000
        self._top_switch = False
        self._last = 0
        self._slope = 0
        self._rough16 = 0
        self._bad_ms = 0
        self._over_ms = 0
        self._over_known = False
        self._kind = _NONE
        self._on_ms = 0
        self._width_ms = 0
        self._off_ms = 0
        self._ref16 = 0
        self._calm_ms = 0
        self._end16 = 0
        self._peak16 = 0
        self._lost = 0
        self._leak16 = 0
        self._leak_at = 0
        self._stay = 0
        self._best16 = 0
        self._flat = 0
        self._dwelt = False
        self._top_ups = 0
        self._return16 = 0
        self._begun16 = 0
        self._rest_ms = 0
        self._rest16 = 0
        self._boot_ms = 0
        self._close16 = 0

    # ------------------------------------------------------------------ thresholds (not in a step)
    def configure(self, settings):
        s = settings
        zero = s[t.S_COUNTS_ZERO]
        full = s[t.S_COUNTS_FULL]
        span = full - zero
        if span < 64:
            span = 64
        if s[t.S_SENSOR_KIND]:
            # NAMUR NE 43: a measurement is 3.8 to 20.5 mA; 3.6 mA and less, or 21 mA and more, is a failure.
            self.low = zero - span // 40
            self.high = full + span // 16
            self.doubt_low = zero - span // 80
            self.doubt_high = full + span // 32
        else:
            # Half the ratiometric output's distance from its rails (common practice, no source).
            self.low = zero >> 1
            self.high = full + ((65536 - full) >> 1)
            self.doubt_low = self.low
            self.doubt_high = self.high
        # A converter at its own rail is no reading either.
        self.low = max(self.low, 0)
        self.high = min(self.high, 65536 - 2 * s[t.S_COUNTS_STEP])
        self._span = span
        self._step_c = s[t.S_COUNTS_STEP]
        self._leak_ppt = s[t.S_LEAK_LIMIT_PPT_S]
        self._top_switch = s[t.S_TOP_SWITCH] == 1
        self._close16 = max(self._p.close16, self._p.slow_close16)

    def calibrate(self, c1):
        """c1: newtons per 65536 counts. Also to be called after configure()."""
        p = self._p
        c1 = max(c1, 1)
        step = self._step_c
        span = self._span
        noise_c16 = _counts16(p.noise_n, c1)
        if p.characterised:
            # A coarse converter's own steps are noise, too.
            sd16 = max(noise_c16, step << 2)
            rate_c = _counts16(max(p.low16, p.high16) >> 4, c1) >> 4
            self.jump_c = (span >> 8) + ((8 * sd16) >> 4) + 3 * rate_c
            self.rise_n = 3 * max(p.low16, p.high16) + 8 * p.noise_n + (p.overforce_n >> 6)
            self.noisy16 = max(span >> 8, 6 * step, sd16) << 4
            # Twice the valve's time (the cutoff follows a valve that late), its jitter, the sensor, sixteen samples.
            self.quiet_ms = ((2 * self._close16 + 8 * p.jitter16 + 4 * p.sensor16) >> 4) + 20
            self.open_ms = ((p.slow_open16 if p.slow_open16 > p.open16 else p.open16) >> 4) + 1
            self.frozen_ms = _frozen_ms(noise_c16 >> 1, step)
        else:
            sd16 = step << 4
            self.jump_c = span >> 5
            self.rise_n = 1 << 29
            self.noisy16 = (span >> 6) << 4
            self.quiet_ms = UNKNOWN_CLOSE_MS
            self.open_ms = UNKNOWN_OPEN_MS
            self.frozen_ms = 0
        # Means of sixteen: their noise is a quarter of a sample's.
        self.small16 = max(2 * sd16, step << 4)
        self.margin16 = max(_counts16(p.capacity_n >> 7, c1), 2 * self.small16)
        self.held16 = max(_counts16(p.capacity_n >> 6, c1), 4 * self.small16)
        self.stay_ms = 5000 if p.burst else (4000 if p.slow_fitted else 1500)
        self._rest16 = 0
        self._rest_ms = 0

    def doubtful(self, counts):
        """True for a reading that is neither a measurement nor a failure signal: nothing may be started by it."""
        return counts < self.doubt_low or counts > self.doubt_high

    # ------------------------------------------------------------------ one millisecond
    def look(self, counts, force, inputs, outputs, state):
        """Number of the fault that shows now, or 0."""
        sense = self._s
        if self._boot_ms < BOOT_MS:
            self._boot_ms += 1
            self._last = counts
            self._slope = 0
            self._rough16 = 0
            self._off_ms = 0
        mean16 = sense.mean16()
        slope = counts - self._last
        self._last = counts
        bend = slope - self._slope
        self._slope = slope
        if bend < 0:
            bend = -bend
        # One odd corner is not noise: it counts four times the limit at most.
        most = self.noisy16 >> 2
        self._rough16 += (((bend if bend < most else most) << 4) - self._rough16) >> 5
        found = self._valves_and_pressure(mean16, inputs, outputs, state)
        if inputs & t.IN_ESTOP_OK == 0:
            return t.FAULT_ESTOP_OPEN
        if counts <= self.low or counts >= self.high:
            self._bad_ms += 1
            if self._bad_ms >= SENSOR_BAD_MS:
                return t.FAULT_SENSOR_LOW if counts <= self.low else t.FAULT_SENSOR_HIGH
        else:
            self._bad_ms = 0
        if force > self._p.overforce_n:
            self._over_ms += 1
            if self._over_ms >= OVER_MS and not (self._over_known and self._kind != _FEEDING):
                return t.FAULT_OVER_FORCE
        else:
            self._over_ms = 0
            self._over_known = False
        if self._boot_ms < BOOT_MS:
            return 0
        if self._bad_ms:
            # Whether this is a reading at all is not known yet.
            found = 0
        else:
            if slope > self.jump_c or sense.rise16 > self.rise_n:
                return t.FAULT_SLOPE_IMPOSSIBLE
            if slope < -self.jump_c and state == t.STATE_ADVANCE and self._on_ms > self.quiet_ms:
                return t.FAULT_SLOPE_IMPOSSIBLE
            if self._rough16 > self.noisy16:
                return t.FAULT_SENSOR_NOISY
            if self.frozen_ms and sense.same >= self.frozen_ms:
                return t.FAULT_SENSOR_FROZEN
        return found

    def _valves_and_pressure(self, mean16, inputs, outputs, state):
        """Does the pressure do what the valves were told?"""
        kind = _FEEDING if outputs & _FEED else (_RETRACTING if outputs & t.OUT_RETRACT else _NONE)
        above16 = mean16 - self._s.zero16
        found = 0
        if state == t.STATE_READY and kind == _NONE:
            self._stay = 0
            self._flat = 0
            self._dwelt = False
            self._top_ups = 0
            self._best16 = 0
            self._lost = 0
            if self.frozen_ms == 0 and not self._p.characterised:
                self._rest()
        elif state == t.STATE_DWELL:
            self._dwelt = True
        if above16 > self._peak16:
            self._peak16 = above16
        if kind != self._kind and kind != _NONE:
            self._width_ms = self._on_ms
            self._on_ms = 0
            if kind == _FEEDING:
                found = self._feed_begins(above16)
            else:
                self._return16 = above16
        self._kind = kind
        if kind == _FEEDING:
            self._on_ms += 1
            self._off_ms = 0
            self._end16 = above16
            if not (self._top_switch and inputs & t.IN_TOP):
                self._stay = 0
            elif self._on_ms > self.open_ms:
                self._stay += 1
                if self._stay > self.stay_ms:
                    found = t.FAULT_NO_RISE
        elif kind == _RETRACTING:
            self._on_ms += 1
            self._off_ms = 0
            self._end16 = 0
            if self._on_ms == FALL_MS + 2 * self.open_ms and self._return16 > self.held16:
                if above16 > self._return16 - (self._return16 >> 2):
                    found = t.FAULT_NO_FALL
        else:
            if self._off_ms < 1 << 20:
                self._off_ms += 1
            if self._off_ms >= self.quiet_ms:
                found = self._closed(mean16, above16)
        if self._top_ups > 0:
            self._top_ups -= 1
        return found

    def _rest(self):
        """No dead-stop test has measured the noise: take the quietest second at rest."""
        self._rest_ms += 1
        if self._rest_ms & (REST_MS - 1) or self._s.same > 32:
            return
        spread16 = self._s.spread16
        if self._rest16 == 0 or spread16 < self._rest16:
            self._rest16 = spread16
        if self._rest_ms >= 4 * REST_MS:
            self.frozen_ms = _frozen_ms(self._rest16 >> 1, self._step_c)

    def _feed_begins(self, above16):
        """A feed or a pulse: count those that bring nothing, and those whose gain is lost again."""
        ended16 = self._end16
        raised = self._peak16 > self._begun16 + self.small16
        self._begun16 = above16
        self._peak16 = above16
        if self._top_switch:
            self._stay += STAY_PULSE
        if ended16 > self.held16 >> 1 and self._p.holds_load:
            self._lost = self._lost + 1 if above16 < ended16 >> 1 else 0
            if self._lost >= LOST_PULSES:
                return t.FAULT_LEAK_FAST
        if self._dwelt:
            # Pulses too short for the valve of today are no leak.
            if raised:
                self._top_ups += TOP_UP
            return t.FAULT_LEAK_FAST if self._top_ups > TOP_UPS_MOST else 0
        if above16 > self._best16 + self.small16:
            self._best16 = above16
            self._flat = 0
        elif above16 > self.held16 and not self.probing:
            self._flat += FLAT_LONG if self._width_ms > self.open_ms else FLAT_SHORT
            if self._flat >= FLAT_MOST:
                return t.FAULT_NO_RISE
        return 0

    def _closed(self, mean16, above16):
        """Every valve has been told to close for long enough: the pressure may stay or sink slowly."""
        if self._off_ms == self.quiet_ms:
            self._ref16 = mean16
            self._calm_ms = 0
            self._leak_at = 0
            self._leak16 = above16
            if self._p.holds_load and self._end16 > 2 * self.held16 and above16 < self._end16 >> 1:
                return t.FAULT_LEAK_FAST
            return 0
        if mean16 > self._ref16 + self.margin16:
            self._ref16 = mean16
            self._calm_ms = 0
            return t.FAULT_RISE_AFTER_CLOSE
        if mean16 < self._ref16:
            self._ref16 = mean16
        elif self._off_ms & 255 == 0:
            # Warming of trapped oil is not a valve.
            self._ref16 += 1
        if self._calm_ms < CALM_MS:
            self._calm_ms += 1
        self._leak_at += 1
        if self._leak_at < LEAK_MS:
            return 0
        self._leak_at = 0
        was16 = self._leak16
        self._leak16 = above16
        if self._p.holds_load and was16 > self.held16:
            # 256 ms of the limit: was * ppt * 256 / 1000 / 1000, kept inside 31 bits.
            most16 = ((was16 >> 8) * self._leak_ppt * 67) >> 10
            if was16 - above16 > most16 + self.small16:
                return t.FAULT_LEAK_FAST
        return 0

    # ------------------------------------------------------------------ after a fault
    def gone(self, fault, counts, force):
        """True when the cause of a fault no longer shows, so that it may be acknowledged."""
        if counts <= self.low or counts >= self.high:
            return False
        if fault == t.FAULT_SENSOR_FROZEN:
            return self._s.same << 2 < self.frozen_ms
        if fault == t.FAULT_SENSOR_NOISY:
            return self._rough16 << 1 < self.noisy16
        if fault == t.FAULT_OVER_FORCE:
            # Trapped pressure is let off by the return, which needs the acknowledgement first.
            return force <= self._p.overforce_n or self._calm_ms >= CALM_MS
        if fault == t.FAULT_RISE_AFTER_CLOSE:
            return self._off_ms > self.quiet_ms and self._calm_ms >= CALM_MS
        return True

    def forget(self):
        """A fault was acknowledged: what was counted against the press is dropped."""
        self._bad_ms = 0
        self._over_known = self._over_ms > 0
        self._over_ms = 0
        self._lost = 0
        self._stay = 0
        self._flat = 0
        self._top_ups = 0
        self._dwelt = False
        self._return16 = 0
        self._end16 = 0
        self._off_ms = 0


def _counts16(force_n, c1):
    """Counts times sixteen of a force, c1 in newtons per 65536 counts (not in a step)."""
    return (force_n << 20) // c1


def _frozen_ms(sd16, step):
    """How long a healthy reading may stay the same, by noise (counts times sixteen, halved for safety) and step.

    The chance that a sample falls into the same step as the one before is at most erf(step / (sd sqrt 8)); so
    many in a row come less often than once in 10^11 samples. A quieter signal says nothing by standing still: 0.
    """
    if sd16 >= step << 6:
        return 24
    if 4 * sd16 >= 3 * step << 4:
        return 60
    if sd16 >= step << 3:
        return 120
    if sd16 >= step << 2:
        return 1000
    return 0
