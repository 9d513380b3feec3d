"""What must stop the press: each rule of the fault catalogue that shows in the readings and in the outputs.

`pressure` and `readings` are asked once a millisecond, before the outputs are decided, with the outputs as they
stand. They remember what they need and give the number of a fault or 0; what follows from it is the controller's
business. Thresholds are made when settings or calibration change. Integers only, nothing allocates.

Readings are judged in counts, not in newtons: following the zero moves every force at once, but no reading.
"""

from .. import tables as t
from .cells import (
    BAD_MS,
    BEGUN16,
    BEST16,
    BOOT_MS,
    CALM_MS,
    CHARACTERISED,
    COUNTS,
    CUTOUT,
    CUTOUT_KNOWN,
    CUTOUT_MS,
    DROP16,
    DWELT,
    END16,
    FLAT,
    FLAT_FROM16,
    FORCE_N,
    FROZEN_MS,
    HELD16,
    HIGH,
    HOLDS_LOAD,
    JUMP_C,
    KIND,
    LEAK16,
    LEAK_AT,
    LEAK_PPT,
    LOST,
    LOW,
    MARGIN16,
    NOISY16,
    OFF_MS,
    ON_MS,
    OPEN_MS,
    OVER_KNOWN,
    OVER_MS,
    OVERFORCE_N,
    PEAK16,
    PROBING,
    QUIET_MS,
    REF16,
    REST16,
    REST_MS,
    RETURN16,
    RISE16,
    RISE_N,
    ROUGH16,
    SAME,
    SLOPE,
    SMALL16,
    SPIKE_C,
    SPREAD16,
    STAY,
    STAY_MS,
    STEEP_MS,
    STEEP_N,
    STEP_C,
    SUM16,
    SUPPLY,
    TOP_SWITCH,
    TOP_UPS,
    WIDTH_MS,
    ZERO16,
)
from .sense import FULL_MS

SENSOR_BAD_MS = 5
CUTOUT_OPEN_MS = 1  # the contact is filtered already
OVER_MOST_MS = 4
# A jump (a spike, a ram that breaks away) is in the rise over 16 ms for so long; what is steep for longer is a slope.
STEEP_MOST_MS = 24
# Without a dead-stop test the valve's lags are unknown: longer than any that the settings admit is no use.
UNKNOWN_CLOSE_MS = 400
UNKNOWN_OPEN_MS = 200
LEAK_MS = 256  # the fall is judged over so long
CALM = 300  # a rise counts as over after so long without one
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
QUIETEST_MS = 1024
FOREVER = 1048576  # counters stop about here, long before they leave 31 bits

# A transducer at the pump's end of a hose reads the hose's drop, too, while oil flows: 1 to 6 bar (common practice, no
# source), which is not held afterwards.
LINE_DROP_KPA = 600
# A coil couples a spike of up to 2 % of the range into the reading when its relay is told to switch and again when the
# contact does (common practice, no source); after so many milliseconds both are over, also those of a slow relay.
EDGE_MS = 24
SPIKES = 25  # two of them together, as a part of the range

BEYOND = 16777216  # a threshold in counts that no reading reaches: a cell has no room for more

# The RP2040's converter has four codes some nine steps wide, 511, 1535, 2559 and 3583 of 12 bits (its data sheet,
# erratum RP2040-E11: the differential non-linearity peaks between them and the next). On the scale of 16 bits a step
# is 16; which code a reading stands for follows from the supply's own reading, good to one code either side.
WIDE_STEP = 16
FULL_SUPPLY = 16384
WIDE_FIRST = 0x1FE0  # 510 steps; bare numbers, as the build for a chip folds no others
WIDE_SPAN = 0x30  # three codes
WIDE_MASK = 0x3FFF  # the four lie 1024 steps apart

NOTHING = 0
FEEDING = 1
RETRACTING = 2


def pressure(c, inputs, told):
    """Does the pressure do what the valves were told? told: outputs, and the state times 256.

    Compiled to machine code for a board: whole numbers and cells only, hence one piece.
    """
    mean16 = c[SUM16]
    above16 = mean16 - c[ZERO16]
    kind = NOTHING
    if told & (t.OUT_EXTEND | t.OUT_SLOW):
        kind = FEEDING
    elif told & t.OUT_RETRACT:
        kind = RETRACTING
    was = c[KIND]
    c[KIND] = kind
    found = 0
    if above16 > c[PEAK16]:
        c[PEAK16] = above16

    if kind == FEEDING:
        if told >> 8 == t.STATE_DWELL:
            c[DWELT] = 1
        if was != FEEDING:
            # A feed or a pulse begins: count those that bring nothing, and those whose gain is lost again.
            c[WIDTH_MS] = c[ON_MS]
            c[ON_MS] = 0
            ended16 = c[END16]
            gained16 = c[PEAK16] - c[BEGUN16]
            c[BEGUN16] = above16
            c[PEAK16] = above16
            if c[TOP_SWITCH]:
                c[STAY] += STAY_PULSE
            if ended16 > c[HELD16] >> 1 and c[HOLDS_LOAD]:
                if above16 < (ended16 - c[DROP16]) >> 1:
                    c[LOST] += 1
                else:
                    c[LOST] = 0
                if c[LOST] >= LOST_PULSES:
                    found = t.FAULT_LEAK_FAST
            if found == 0:
                if c[DWELT]:
                    # Pulses too short for the valve of today are no leak.
                    if gained16 > c[SMALL16]:
                        c[TOP_UPS] += TOP_UP
                    if c[TOP_UPS] > TOP_UPS_MOST:
                        found = t.FAULT_LEAK_FAST
                elif above16 > c[BEST16] + c[SMALL16]:
                    c[BEST16] = above16
                    c[FLAT] = 0
                elif above16 > c[FLAT_FROM16] and c[PROBING] == 0:
                    if c[WIDTH_MS] > c[OPEN_MS]:
                        c[FLAT] += FLAT_LONG
                    else:
                        c[FLAT] += FLAT_SHORT
                    if c[FLAT] >= FLAT_MOST:
                        found = t.FAULT_NO_RISE
        on_ms = c[ON_MS] + 1
        c[ON_MS] = on_ms
        c[OFF_MS] = 0
        c[END16] = above16
        if c[TOP_SWITCH] == 0 or inputs & t.IN_TOP == 0:
            c[STAY] = 0
        elif on_ms > c[OPEN_MS]:
            stay = c[STAY] + 1
            c[STAY] = stay
            if stay > c[STAY_MS]:
                found = t.FAULT_NO_RISE

    elif kind == RETRACTING:
        if was != RETRACTING:
            c[WIDTH_MS] = c[ON_MS]
            c[ON_MS] = 0
            c[RETURN16] = above16
        on_ms = c[ON_MS]
        if on_ms < FOREVER:
            on_ms += 1
        c[ON_MS] = on_ms
        c[OFF_MS] = 0
        c[END16] = 0
        if on_ms == FALL_MS + 2 * c[OPEN_MS]:
            return16 = c[RETURN16]
            if return16 > c[HELD16] and above16 > return16 - (return16 >> 2):
                found = t.FAULT_NO_FALL

    else:
        if told >> 8 == t.STATE_READY:
            c[STAY] = 0
            c[FLAT] = 0
            c[DWELT] = 0
            c[TOP_UPS] = 0
            c[BEST16] = 0
            c[LOST] = 0
            if c[FROZEN_MS] == 0 and c[CHARACTERISED] == 0:
                # No dead-stop test has measured the noise: take the quietest second at rest.
                rest_ms = c[REST_MS] + 1
                if rest_ms & (QUIETEST_MS - 1) == 0 and c[SAME] <= 32:
                    spread16 = c[SPREAD16]
                    rest16 = c[REST16]
                    if rest16 == 0 or spread16 < rest16:
                        rest16 = spread16
                        c[REST16] = rest16
                    if rest_ms >= 4 * QUIETEST_MS:
                        c[FROZEN_MS] = int(frozen_ms(rest16 >> 1, c[STEP_C]))
                if rest_ms >= FOREVER:
                    rest_ms -= FOREVER >> 1
                c[REST_MS] = rest_ms
        elif told >> 8 == t.STATE_DWELL:
            c[DWELT] = 1
        holds = c[HOLDS_LOAD]
        if holds == 2 and (told >> 8 > t.STATE_DWELL or told >> 8 < t.STATE_ADVANCE):
            # The stroke is over: a fall is the release valve's, opened by hand.
            holds = 0
        off_ms = c[OFF_MS]
        if off_ms < FOREVER:
            off_ms += 1
            c[OFF_MS] = off_ms
        quiet_ms = c[QUIET_MS]
        if off_ms >= quiet_ms:
            # Every valve has been told to close for long enough: the pressure may stay or sink slowly.
            if off_ms == quiet_ms:
                c[REF16] = mean16
                c[CALM_MS] = 0
                c[LEAK_AT] = 0
                c[LEAK16] = above16
                ended16 = c[END16]
                if holds and ended16 > 2 * c[HELD16] and above16 < (ended16 - c[DROP16]) >> 1:
                    found = t.FAULT_LEAK_FAST
            elif mean16 > c[REF16] + c[MARGIN16]:
                c[REF16] = mean16
                c[CALM_MS] = 0
                found = t.FAULT_RISE_AFTER_CLOSE
            else:
                if mean16 < c[REF16]:
                    c[REF16] = mean16
                elif off_ms & 255 == 0:
                    # Warming of trapped oil is not a valve.
                    c[REF16] += 1
                calm = c[CALM_MS]
                if calm < CALM:
                    c[CALM_MS] = calm + 1
                leak_at = c[LEAK_AT] + 1
                if leak_at >= LEAK_MS:
                    leak_at = 0
                    was16 = c[LEAK16]
                    c[LEAK16] = above16
                    if holds and was16 > c[HELD16]:
                        # 256 ms of the limit: was * ppt * 256 / 1000 / 1000, kept inside 31 bits.
                        most16 = ((was16 >> 8) * c[LEAK_PPT] * 67) >> 10
                        if was16 - above16 > most16 + c[SMALL16]:
                            found = t.FAULT_LEAK_FAST
                c[LEAK_AT] = leak_at

    if c[TOP_UPS] > 0:
        c[TOP_UPS] -= 1
    return found


def readings(c, inputs, told, found):
    """Is the reading one that a press can give? found: what pressure() says, which counts if nothing here does.

    Compiled to machine code for a board: whole numbers and cells only, no calls.
    """
    if inputs & t.IN_ESTOP_OK == 0:
        return t.FAULT_ESTOP_OPEN
    if c[CUTOUT]:
        if inputs & t.IN_CUTOUT_OK:
            c[CUTOUT_MS] = 0
            c[CUTOUT_KNOWN] = 0
        else:
            open_ms = c[CUTOUT_MS]
            if open_ms < CUTOUT_OPEN_MS:
                open_ms += 1
                c[CUTOUT_MS] = open_ms
            if open_ms >= CUTOUT_OPEN_MS and c[CUTOUT_KNOWN] == 0:
                return t.FAULT_CUTOUT_OPEN
    counts = c[COUNTS]
    if counts <= c[LOW] or counts >= c[HIGH]:
        bad_ms = c[BAD_MS]
        if bad_ms < FOREVER:
            bad_ms += 1
            c[BAD_MS] = bad_ms
        if bad_ms >= SENSOR_BAD_MS:
            if counts <= c[LOW]:
                return t.FAULT_SENSOR_LOW
            return t.FAULT_SENSOR_HIGH
    else:
        c[BAD_MS] = 0
    if c[FORCE_N] > c[OVERFORCE_N]:
        over_ms = c[OVER_MS]
        if over_ms < FOREVER:
            over_ms += 1
            c[OVER_MS] = over_ms
        if over_ms >= OVER_MOST_MS and (c[OVER_KNOWN] == 0 or c[KIND] == FEEDING):
            return t.FAULT_OVER_FORCE
    else:
        c[OVER_MS] = 0
        c[OVER_KNOWN] = 0
    # Nothing is judged before the history is full, nor by a reading that may be none.
    if c[BOOT_MS] < FULL_MS or c[BAD_MS]:
        return 0
    slope = c[SLOPE]
    jump_c = c[JUMP_C]
    since_ms = c[ON_MS]
    if c[KIND] == NOTHING:
        since_ms = c[OFF_MS]
    if since_ms < EDGE_MS:
        jump_c += c[SPIKE_C]
    if slope > jump_c or c[RISE16] > c[RISE_N]:
        return t.FAULT_SLOPE_IMPOSSIBLE
    if slope < -jump_c and told >> 8 == t.STATE_ADVANCE and c[ON_MS] > c[QUIET_MS]:
        return t.FAULT_SLOPE_IMPOSSIBLE
    if c[KIND] == FEEDING and c[PROBING] == 0 and c[RISE16] > c[STEEP_N]:
        steep_ms = c[STEEP_MS] + 1
        c[STEEP_MS] = steep_ms
        if steep_ms >= STEEP_MOST_MS:
            return t.FAULT_COMMISSIONING_DOUBTFUL
    else:
        c[STEEP_MS] = 0
    if c[ROUGH16] > c[NOISY16]:
        return t.FAULT_SENSOR_NOISY
    still_ms = c[FROZEN_MS]
    if still_ms and c[SAME] >= still_ms:
        # On a code that is several steps wide a healthy reading stays for as long as the force does.
        code16 = counts * c[SUPPLY] >> 14
        if c[STEP_C] != WIDE_STEP or ((code16 - WIDE_FIRST) & WIDE_MASK) >= WIDE_SPAN:
            return t.FAULT_SENSOR_FROZEN
    return found


class Guard:
    """Thresholds, in counts (suffix c), counts times sixteen (c16) and milliseconds, and what a fault leaves behind."""

    def __init__(self, press, cells):
        self._p = press
        self._c = cells
        cells[SUPPLY] = FULL_SUPPLY
        self.doubt_low = 0
        self.doubt_high = 65535
        self._span = 52428
        self._close16 = 0

    def configure(self, settings):
        s = settings
        c = self._c
        zero = s[t.S_COUNTS_ZERO]
        full = s[t.S_COUNTS_FULL]
        step = s[t.S_COUNTS_STEP]
        span = max(64, full - zero)
        if s[t.S_SENSOR_KIND] == t.SENSOR_KIND_LOOP:
            # NAMUR NE 43: a measurement is 3.8 to 20.5 mA; 3.6 mA and less, or 21 mA and more, is a failure.
            low = zero - span // 40
            high = full + span // 16
            self.doubt_low = zero - span // 80
            self.doubt_high = full + span // 32
        else:
            # Half the ratiometric output's distance from its rails (common practice, no source).
            self.doubt_low = low = zero >> 1
            self.doubt_high = high = full + ((65536 - full) >> 1)
        # A converter at its own rail is no reading either.
        c[LOW] = max(low, 0)
        c[HIGH] = min(high, 65536 - 2 * step)
        c[STEP_C] = step
        c[LEAK_PPT] = s[t.S_LEAK_LIMIT_PPT_S]
        c[SPIKE_C] = span // SPIKES
        c[DROP16] = 0 if s[t.S_SENSOR_MEASURES] else (span << 4) * LINE_DROP_KPA // max(1, s[t.S_RANGE_KPA])
        c[CUTOUT] = s[t.S_CUTOUT_FITTED]
        c[CUTOUT_MS] = 0
        c[TOP_SWITCH] = 1 if s[t.S_TOP_SWITCH] == 1 else 0
        p = self._p
        c[OVERFORCE_N] = p.overforce_n
        # 2: held until a hand lets it go, which no contact tells.
        c[HOLDS_LOAD] = (2 if s[t.S_RETURN_KIND] == t.RETURN_KIND_SPRING else 1) if p.holds_load else 0
        c[CHARACTERISED] = 1 if p.characterised else 0
        self._span = span
        self._close16 = max(p.close16, p.slow_close16)

    def calibrate(self, c1, friction_n=0):
        """c1: newtons per 65536 counts; friction_n: the seal's. Also to be called after configure()."""
        p = self._p
        c = self._c
        c1 = max(c1, 1)
        step = c[STEP_C]
        span = self._span
        noise_c16 = _counts16(p.noise_n, c1)
        if p.characterised:
            # A coarse converter's own steps are noise, too.
            sd16 = max(noise_c16, step << 2)
            rate_c = _counts16(max(p.low16, p.high16) >> 4, c1) >> 4
            c[JUMP_C] = min(BEYOND, (span >> 8) + ((8 * sd16) >> 4) + 3 * rate_c)
            c[RISE_N] = min(1 << 29, 3 * max(p.low16, p.high16) + 8 * p.noise_n + (p.overforce_n >> 6))
            # Nothing is stiffer than the block of the dead-stop test: twice its rate says that the test was wrong.
            c[STEEP_N] = min(1 << 29, 2 * max(p.low16, p.high16) + 8 * p.noise_n + (p.overforce_n >> 8))
            c[NOISY16] = min(BEYOND, max(span >> 8, 6 * step, sd16) << 4)
            # Twice the valve's time (the cutoff follows a valve that late), its jitter, the sensor, sixteen samples.
            c[QUIET_MS] = ((2 * self._close16 + 8 * p.jitter16 + 4 * p.sensor16) >> 4) + 20
            c[OPEN_MS] = ((p.slow_open16 if p.slow_open16 > p.open16 else p.open16) >> 4) + 1
            c[FROZEN_MS] = frozen_ms(noise_c16 >> 1, step)
        else:
            sd16 = step << 4
            c[JUMP_C] = span >> 5
            c[RISE_N] = 1 << 29
            c[STEEP_N] = 1 << 29
            c[NOISY16] = (span >> 6) << 4
            c[QUIET_MS] = UNKNOWN_CLOSE_MS
            c[OPEN_MS] = UNKNOWN_OPEN_MS
            c[FROZEN_MS] = 0
        # Means of sixteen: their noise is a quarter of a sample's.
        small16 = min(BEYOND, max(2 * sd16, step << 4))
        c[SMALL16] = small16
        c[MARGIN16] = min(BEYOND, max(_counts16(p.capacity_n >> 7, c1), 2 * small16))
        c[HELD16] = min(BEYOND, max(_counts16(p.capacity_n >> 6, c1), 4 * small16))
        # Free travel reads the seal's friction, twice that and its scatter as the ram breaks away (common practice, no
        # source), and what the line drops: pulses that inch down raise nothing there, and need not.
        free_n = 3 * friction_n + p.line_drop_n + (p.line_drop_n >> 1)
        c[FLAT_FROM16] = max(c[HELD16], min(BEYOND, _counts16(min(free_n, p.capacity_n >> 2), c1)))
        c[STAY_MS] = 5000 if p.burst else (4000 if p.slow_fitted else 1500)
        if p.by_hand:
            # No valve is there to be late, to leak or to do nothing: what force and ram do is the person's doing.
            c[MARGIN16] = BEYOND
            c[HELD16] = BEYOND
            c[FLAT_FROM16] = BEYOND
            c[STAY_MS] = FOREVER
        c[REST16] = 0
        c[REST_MS] = 0

    def stroke_begins(self, testing):
        """testing: a commissioning stroke, whose pulses need not raise anything."""
        self._c[PROBING] = 1 if testing else 0
        # An open cutout is news to a stroke, also where the force that is held leaves nothing to feed.
        self._c[CUTOUT_KNOWN] = 0

    def doubtful(self, counts):
        """True for a reading that is neither a measurement nor a failure signal: nothing may be started by it."""
        return counts < self.doubt_low or counts > self.doubt_high

    # ------------------------------------------------------------------ after a fault
    def gone(self, fault, counts, force):
        """True when the cause of a fault no longer shows, so that it may be acknowledged."""
        c = self._c
        if t.FAULT_JOBS_BAD <= fault <= t.FAULT_MANIFEST_BAD:
            # A stored set: services clear it, once it was pushed again or confirmed at the panel.
            return False
        if counts <= c[LOW] or counts >= c[HIGH]:
            return False
        if fault == t.FAULT_CUTOUT_OPEN:
            # The pressure that holds it open is let off by the return, which needs the acknowledgement first.
            return c[CUTOUT_MS] == 0 or c[CALM_MS] >= CALM
        if fault == t.FAULT_SENSOR_FROZEN:
            return c[SAME] << 2 < c[FROZEN_MS]
        if fault == t.FAULT_SENSOR_NOISY:
            return c[ROUGH16] << 1 < c[NOISY16]
        if fault == t.FAULT_OVER_FORCE:
            # Trapped pressure is let off by the return, which needs the acknowledgement first.
            return force <= c[OVERFORCE_N] or c[CALM_MS] >= CALM
        if fault == t.FAULT_RISE_AFTER_CLOSE:
            return c[OFF_MS] > c[QUIET_MS] and c[CALM_MS] >= CALM
        return True

    def forget(self):
        """A fault was acknowledged: what was counted against the press is dropped."""
        c = self._c
        c[OVER_KNOWN] = 1 if c[OVER_MS] > 0 else 0
        c[STEEP_MS] = 0
        c[CUTOUT_KNOWN] = 1 if c[CUTOUT_MS] > 0 else 0
        c[BAD_MS] = 0
        c[OVER_MS] = 0
        c[LOST] = 0
        c[STAY] = 0
        c[FLAT] = 0
        c[TOP_UPS] = 0
        c[DWELT] = 0
        c[RETURN16] = 0
        c[END16] = 0
        c[OFF_MS] = 0


def _counts16(force_n, c1):
    """Counts times sixteen of a force, c1 in newtons per 65536 counts (not in a step)."""
    return (force_n << 20) // c1


def frozen_ms(sd16, step):
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
