"""Where the ram is: micrometres from the top switch, how fast it moves, and whether the sensor can be believed.

Two sensors, one scale of readings (0..65535): a linear potentiometer on the second converter channel, judged by
means of sixteen samples, or an incremental encoder whose count wraps. The reference is the ram's rest
at the top switch: taken once after power-up, then only compared, so that the switch's own scatter does not enter
every part. Integers only, nothing allocates in a step.
"""

from array import array

from .. import tables as t
from .fixed import abs_of, force_over, time_for
from .press import breakaway_n

BAD_MS = 5
# A wiper within a hundredth of its supply's ends has lost a wire (common practice, no source).
RAIL = 655
# Driven so long without motion: until a known speed would have moved the ram STILL_DUE_UM, or as long as this.
STILL_MS = 1000
STILL_SLOW_MS = 4000
STILL_UM = 100
STILL_DUE_UM = 2000
# Without a measured speed: a metre a second, faster than any shop press.
UNKNOWN_JUMP_UM = 1000

# places in the cells of take() and judge()
RAW = 0
AT = 1
SUM16 = 2
COUNT = 3
UM = 4
MOVED16 = 5  # travel of the last 16 ms
ONE_UM = 6  # what the last reading alone says the ram moved
SAMPLES = 7
ZERO16 = 8
SCALE = 9  # um per 65536 counts, or nm per count of an encoder
KIND = 10
COUNT_MAX = 11
BAD = 12
JUMP_UM = 13
ON_MS = 14
FROM_UM = 15
HELD_N = 16
STILL = 17
STILL_SLOW = 18
RUN_MS = 19  # so long the ram has run freely with the valve open, by its travel
RUN_UM = 20
RUN_DUE_MS = 21  # its speed is judged over so long; 0 = not at all
SPEED = 22  # um/s as measured, of the full and of the slow feed
SPEED_SLOW = 23
RUN_FEED = 24  # outputs of the feed that the run is of
RUN_OPEN_MS = 25  # judged from so long after it began
CELLS = 26

# what judge() gives
SIGNAL_BAD = 1
JUMPED = 2
STANDS_STILL = 3
DISAGREES = 4

# A valve that slews is fully open so long after the ram has begun to move (common practice, no source).
OPEN_MS = 40
# A run is judged once the measured speed would have moved the ram so far, or forty of the sensor's grains.
RUN_DUE_UM = 2000
# (Judged: three quarters to four thirds of what the measured speed makes of the time: oil that is cold or hot, a pump
# that has worn; own allowance, no source.)
# Rests at the top are compared by their own scatter once there were so many.
RESTS_KNOWN = 4
RESTS_SEEN = 5
# How far rests of a good switch are off, until that was seen (common practice, no source).
REST_GUESS_UM = 25
# Below this the switch itself is not better than that (common practice, no source).
REST_FLOOR_UM = 40


def take(c, ring, past, raw):
    """One reading, 0..65535, into cells `c`; returns the travel. ring, past: the last sixteen readings and travels.

    Compiled to machine code for a board: whole numbers, cells and buffers only, no calls.
    """
    before = c[RAW]
    c[RAW] = raw
    at = c[AT]
    samples = c[SAMPLES]
    scale = c[SCALE]
    if c[KIND] == t.POSITION_KIND_ENCODER:
        d = (raw - before) & 0xFFFF
        if d > 32767:
            d -= 65536
        if samples == 0:
            d = 0
        most = c[COUNT_MAX]
        if d > most:
            d = most
        if d < 0 - most:
            d = 0 - most
        count = c[COUNT] + d
        if count > most:
            count = most
        if count < 0 - most:
            count = 0 - most
        c[COUNT] = count
        um = (count * scale + 500) // 1000
        one = (d * scale + 500) // 1000
    else:
        sum16 = c[SUM16] + raw - ring[at]
        c[SUM16] = sum16
        ring[at] = raw
        # The mean of sixteen as fixed.mulq() has it, its sixteenths interpolated.
        x16 = sum16 - c[ZERO16]
        x = x16 >> 4
        um = ((scale * (x >> 8) + ((scale * (x & 255) + 32768) >> 8)) >> 8) + ((scale * (x16 & 15)) >> 20)
        x = raw - before
        one = (scale * (x >> 8) + ((scale * (x & 255) + 32768) >> 8)) >> 8
    if one < 0:
        one = 0 - one
    moved = um - past[at]
    past[at] = um
    c[AT] = (at + 1) & 15
    if samples < 64:
        c[SAMPLES] = samples + 1
        if samples < 31:
            # The history is not full of real samples yet.
            moved = 0
            one = 0
    c[ONE_UM] = one
    c[MOVED16] = moved
    c[UM] = um
    return um


def judge(c, force, outputs):
    """What is wrong with the readings in cells `c`: 0, or one of the numbers above. Machine code for a board."""
    if c[KIND] == t.POSITION_KIND_POTENTIOMETER:
        raw = c[RAW]
        bad = c[BAD]
        if raw < RAIL or raw > 65535 - RAIL:
            c[BAD] = bad + 1
            # Whether this is a reading at all is not known yet.
            if bad + 1 >= BAD_MS:
                return SIGNAL_BAD
            return 0
        if bad:
            c[BAD] = 0
            return 0
    if c[ONE_UM] > c[JUMP_UM]:
        return JUMPED
    if outputs & (t.OUT_EXTEND | t.OUT_SLOW) == 0 or force > c[HELD_N]:
        c[ON_MS] = 0
        c[RUN_MS] = 0
        return 0
    on_ms = c[ON_MS]
    um = c[UM]
    if on_ms == 0:
        c[FROM_UM] = um
    on_ms += 1
    moved = um - c[FROM_UM]
    still = c[STILL]
    if outputs & t.OUT_EXTEND == 0:
        still = c[STILL_SLOW]
    found = 0
    run_ms = c[RUN_MS]
    feed = outputs & (t.OUT_EXTEND | t.OUT_SLOW)
    if feed != c[RUN_FEED]:
        c[RUN_FEED] = feed
        run_ms = 0
    if moved < 0 - STILL_UM:
        # Pressed down it cannot go up.
        found = DISAGREES
        on_ms = 0
    elif moved > STILL_UM:
        on_ms = 0
        if run_ms == 0:
            run_ms = 1
    elif on_ms > still:
        on_ms = 0
        found = STANDS_STILL
    c[ON_MS] = on_ms
    due_ms = c[RUN_DUE_MS]
    speed = c[SPEED]
    if outputs & t.OUT_EXTEND == 0:
        due_ms = 4 * due_ms
        speed = c[SPEED_SLOW]
    if run_ms and due_ms and speed:
        run_ms += 1
        if run_ms == c[RUN_OPEN_MS]:
            c[RUN_UM] = um
        elif run_ms == c[RUN_OPEN_MS] + due_ms:
            run_ms = 1
            told = (speed * due_ms) // 1000
            moved = um - c[RUN_UM]
            if 4 * moved < 3 * told or 3 * moved > 4 * told:
                found = DISAGREES
    c[RUN_MS] = run_ms
    return found


class Travel:
    """`um` is good while `fitted`, and counts from the top switch once `known`.

    `see16`: how far `um` lags behind the ram, sixteenths of a millisecond.
    """

    def __init__(self):
        self.kind = t.POSITION_KIND_NONE
        self.fitted = False
        self.known = False
        self.um = 0
        self.noise_um = 0
        self.step_um = 1
        self.grain_um = 1
        self.see16 = 8
        self.stick_um = 0  # how far a ram at rest goes at once when it breaks away
        self._c = array("i", [0] * CELLS)
        self._ring = array("i", [0] * 16)
        self._past = array("i", [0] * 16)
        self._drift_um = 500
        self._rest_ms = 0
        self._rest_sum = 0
        self._compared = False  # the rest of this return was looked at
        self._rests = 0
        self._rest_grain_um = 1
        self._rest_um = 0
        self._rest_step_um = 0
        self._rest_offs = array("i", [REST_GUESS_UM] * RESTS_SEEN)

    # ------------------------------------------------------------------ not in a step
    def configure(self, settings, cal):
        """cal: the calibration's fields for the core, or None."""
        s = settings
        c = self._c
        self.kind = s[t.S_POSITION_KIND]
        scale = 0
        if cal is not None and len(cal) > t.C_POSITION_STEP_NM:
            scale = cal[
                t.C_POSITION_UM_64K if self.kind == t.POSITION_KIND_POTENTIOMETER else t.C_POSITION_STEP_NM
            ]
        was = self.fitted
        self.fitted = self.kind != t.POSITION_KIND_NONE and scale != 0
        if not was or not self.fitted:
            self.known = False
        if c[KIND] != self.kind:
            c[SAMPLES] = 0
        c[KIND] = self.kind
        c[SCALE] = scale
        if scale:
            c[COUNT_MAX] = 1000000000 // abs(scale)
        # What one step of the sensor is worth, rounded up.
        step_um = abs(scale) // 1000 + 1 if self.kind == t.POSITION_KIND_ENCODER else (abs(scale) >> 12) + 1
        self.step_um = step_um
        self.noise_um = s[t.S_POSITION_NOISE_UM]
        self._drift_um = s[t.S_POSITION_DRIFT_UM]
        # A potentiometer is read by means of sixteen, which lag 7.5 ms; the step that acts adds half a one on average.
        self.see16 = 128 if self.kind == t.POSITION_KIND_POTENTIOMETER else 8
        # What may look like motion and is none.
        self.grain_um = step_um + 4 * self.noise_um
        # A rest is told by a mean of sixteen.
        self._rest_grain_um = (
            step_um if self.kind == t.POSITION_KIND_ENCODER else (step_um >> 2) + self.noise_um
        )
        speed = s[t.S_SPEED_UM_S]
        noise = 8 * self.noise_um + step_um
        # Where the seal breaks away, the ram goes at once as far as the oil had been pressed until then: the force over
        # the stiffness on a block, rate over speed (oil alone is stiffer). It differs by half from stroke to stroke.
        stick16 = time_for(breakaway_n(s, cal), s[t.S_RATE_LOW_N_S] // 125 * 2)
        self.stick_um = force_over(speed * 16 // 1000, stick16)
        c[JUMP_UM] = (
            3 * (speed // 1000 + self.stick_um // 2) + noise + 20 if speed else UNKNOWN_JUMP_UM + noise
        )
        opens = max(s[t.S_OPEN_LAG_US], s[t.S_SLOW_OPEN_LAG_US]) // 1000 + 3 * s[t.S_JITTER_US] // 1000
        burst = s[t.S_BURST_FEED] == 1
        slow = s[t.S_SPEED_SLOW_UM_S]
        still = STILL_SLOW_MS if burst else STILL_MS
        still_slow = STILL_SLOW_MS
        if speed and not burst:
            still = min(STILL_MS, 20 + STILL_DUE_UM * 1000 // speed)
        if slow and not burst:
            still_slow = min(STILL_SLOW_MS, 20 + STILL_DUE_UM * 1000 // slow)
        c[STILL] = still + opens
        c[STILL_SLOW] = still_slow + opens
        due_ms = 0
        if speed and not burst:
            due_ms = max(16, RUN_DUE_UM * 1000 // speed, 40 * self.grain_um * 1000 // speed)
        c[RUN_DUE_MS] = due_ms if due_ms < 1000 else 0
        c[RUN_MS] = 0
        c[RUN_OPEN_MS] = OPEN_MS + (s[t.S_CLOSE_LAG_US] + 3 * s[t.S_JITTER_US]) // 1000
        c[SPEED] = speed
        # A slow feed so slow that nothing can be told of it is not judged.
        c[SPEED_SLOW] = slow if (slow >> 3) * due_ms // 31 > 20 * self.grain_um else 0
        c[HELD_N] = max(s[t.S_CAPACITY_N] >> 6, 4 * s[t.S_NOISE_N])

    # ------------------------------------------------------------------ one millisecond
    def sample(self, raw):
        """Take one reading, 0..65535; update um."""
        self.um = take(self._c, self._ring, self._past, raw)

    def look(self, force, outputs):
        """Number of the fault that shows now, or 0."""
        found = judge(self._c, force, outputs)
        if found == 0:
            return 0
        if found == SIGNAL_BAD:
            return t.FAULT_POSITION_SIGNAL
        if found == STANDS_STILL:
            return t.FAULT_POSITION_STILL
        self.known = False
        if found == DISAGREES:
            return t.FAULT_POSITION_OIL
        return t.FAULT_POSITION_JUMP

    def rest(self):
        """The ram rests at the top: take the reference once, compare it from then on. Number of a fault or 0."""
        c = self._c
        self._rest_ms += 1
        if self._rest_ms <= 112:
            # Until valve and ram have come to rest.
            self._rest_sum = 0
            return 0
        self._rest_sum += c[RAW]
        if self._rest_ms < 176:
            return 0
        self._rest_ms = 112
        mean16 = self._rest_sum >> 2
        self._rest_sum = 0
        if not self.known:
            # Once a fault has taken the reference away it is acknowledged first: nothing is looked at until then.
            c[ZERO16] = mean16
            c[COUNT] = 0
            self.um = 0
            for i in range(16):
                self._past[i] = 0
            self.known = True
            self._rest_um = self._rest_step_um = 0
            return 0
        # (The newest mean of sixteen stands for the rest: the limit is above its noise.)
        um = self.um
        limit_um = self._drift_um
        if self._rests >= RESTS_KNOWN:
            limit_um = min(limit_um, REST_FLOOR_UM + self._rest_grain_um + 4 * self._rest_spread_um())
        if um > limit_um or um < -limit_um:
            self.known = False
            return t.FAULT_POSITION_REFERENCE
        if not self._compared:
            self._compared = True
            self._note_rest(um)
        return 0

    def _note_rest(self, um):
        """Take a return's rest into what is known of how far rests differ: by how its steps differ, so that a creep,
        which goes on by equal steps, does not pass for scatter."""
        step_um = um - self._rest_um
        if self._rests > 1:
            self._rest_offs[self._rests % RESTS_SEEN] = abs_of(step_um - self._rest_step_um)
        self._rest_um = um
        self._rest_step_um = step_um
        self._rests += 1 if self._rests < 10000 else 1 - RESTS_SEEN

    def _rest_spread_um(self):
        """Median of how far the last rests were off: one step, of a supply or a bracket, does not move it."""
        offs = self._rest_offs
        for i in range(RESTS_SEEN):
            below = 0
            for k in range(RESTS_SEEN):
                if offs[k] < offs[i] or (offs[k] == offs[i] and k < i):
                    below += 1
            if below == RESTS_SEEN >> 1:
                return offs[i]
        return 0

    def leaves(self):
        """The ram is not at rest at the top."""
        self._rest_ms = 0
        self._compared = False
