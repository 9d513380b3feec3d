"""Where the ram is: micrometres from the top switch, how fast it moves, and whether the sensor can be believed.

Two sensors, one scale of readings (0..65535): a linear potentiometer on the second converter channel, judged by
means of sixteen samples, or an incremental encoder whose count wraps. The reference is the ram's rest
at the top switch: taken once after power-up, then only compared, so that the switch's own scatter does not enter
every part. Integers only, nothing allocates in a step.
"""

from array import array

from .. import tables as t
from .fixed import mulq

NONE = 0
POTENTIOMETER = 1
ENCODER = 2

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

_FEED = t.OUT_EXTEND | t.OUT_SLOW


class Travel:
    """`um` and `moved16_um` (travel of the last 16 ms) are good while `fitted`; `um` is from the top once `known`.

    `see16`: how far `um` lags behind the ram, sixteenths of a millisecond.
    """

    def __init__(self):
        self.kind = NONE
        self.fitted = False
        self.known = False
        self.raw = 0
        self.um = 0
        self.moved16_um = 0
        self.noise_um = 0
        self.grain_um = 1
        self.see16 = 8
        self._um_64k = 0
        self._step_nm = 1
        self._count = 0
        self._count_max = 1 << 20
        self._ring = array("i", [0] * 16)
        self._past = array("i", [0] * 16)
        self._at = 0
        self._sum16 = 0
        self._zero16 = 0
        self._samples = 0
        self._jump_um = UNKNOWN_JUMP_UM
        self._drift_um = 500
        self._still_ms = STILL_MS
        self._still_slow_ms = STILL_SLOW_MS
        self._bad_ms = 0
        self._one_um = 0
        self._on_ms = 0
        self._from_um = 0
        self._held_n = 1
        self._rest_ms = 0
        self._rest_sum = 0
        self._may_refer = True

    # ------------------------------------------------------------------ not in a step
    def configure(self, settings, cal):
        """cal: the calibration's fields for the core, or None."""
        s = settings
        self.kind = s[t.S_POSITION_KIND]
        scale = 0
        if cal is not None and len(cal) > t.C_POSITION_STEP_NM:
            self._um_64k = cal[t.C_POSITION_UM_64K]
            self._step_nm = cal[t.C_POSITION_STEP_NM]
            scale = self._um_64k if self.kind == POTENTIOMETER else self._step_nm
        was = self.fitted
        self.fitted = self.kind != NONE and scale != 0
        if not was or not self.fitted:
            self.known = False
        self.noise_um = s[t.S_POSITION_NOISE_UM]
        self._drift_um = s[t.S_POSITION_DRIFT_UM]
        if self.kind == ENCODER and self._step_nm:
            self._count_max = 1000000000 // abs(self._step_nm)
        # A potentiometer is read by means of sixteen, which lag 7.5 ms; the step that acts adds half a one on average.
        self.see16 = 128 if self.kind == POTENTIOMETER else 8
        # What may look like motion and is none.
        self.grain_um = self._step_um() + 4 * self.noise_um
        speed = s[t.S_SPEED_UM_S]
        noise = 8 * self.noise_um + self._step_um()
        self._jump_um = 3 * speed // 1000 + noise + 20 if speed else UNKNOWN_JUMP_UM + noise
        opens = max(s[t.S_OPEN_LAG_US], s[t.S_SLOW_OPEN_LAG_US]) // 1000 + 3 * s[t.S_JITTER_US] // 1000
        burst = s[t.S_BURST_FEED] == 1
        slow = s[t.S_SPEED_SLOW_UM_S]
        self._still_ms = STILL_SLOW_MS if burst else STILL_MS
        self._still_slow_ms = STILL_SLOW_MS
        if speed and not burst:
            self._still_ms = min(STILL_MS, 20 + STILL_DUE_UM * 1000 // speed)
        if slow and not burst:
            self._still_slow_ms = min(STILL_SLOW_MS, 20 + STILL_DUE_UM * 1000 // slow)
        self._still_ms += opens
        self._still_slow_ms += opens
        self._held_n = max(s[t.S_CAPACITY_N] >> 6, 4 * s[t.S_NOISE_N])

    def _step_um(self):
        """What one step of the sensor is worth, rounded up."""
        if self.kind == ENCODER:
            return abs(self._step_nm) // 1000 + 1
        return (abs(self._um_64k) >> 12) + 1

    # ------------------------------------------------------------------ one millisecond
    def sample(self, raw):
        """Take one reading, 0..65535; update um and moved16_um."""
        before = self.raw
        self.raw = raw
        at = self._at
        if self.kind == ENCODER:
            d = (raw - before) & 0xFFFF
            if d > 32767:
                d -= 65536
            if self._samples == 0:
                d = 0
            count = self._count + d
            if count > self._count_max:
                count = self._count_max
            elif count < -self._count_max:
                count = -self._count_max
            self._count = count
            um = count * self._step_nm // 1000
            one = d * self._step_nm // 1000
        else:
            ring = self._ring
            self._sum16 += raw - ring[at]
            ring[at] = raw
            um = self._um_of(self._sum16 - self._zero16)
            one = mulq(self._um_64k, raw - before)
        self._one_um = one if one >= 0 else -one
        self.um = um
        self.moved16_um = um - self._past[at]
        self._past[at] = um
        self._at = (at + 1) & 15
        if self._samples < 64:
            self._samples += 1
            if self._samples < 32:
                # The history is not full of real samples yet.
                self.moved16_um = 0
                self._one_um = 0

    def _um_of(self, x16):
        return mulq(self._um_64k, x16 >> 4) + ((self._um_64k * (x16 & 15)) >> 20)

    def look(self, force, outputs, at_top):
        """Number of the fault that shows now, or 0."""
        if not at_top:
            self._may_refer = True
        if self.kind == POTENTIOMETER:
            if self.raw < RAIL or self.raw > 65535 - RAIL:
                self._bad_ms += 1
                # Whether this is a reading at all is not known yet.
                return t.FAULT_POSITION_SIGNAL if self._bad_ms >= BAD_MS else 0
            if self._bad_ms:
                self._bad_ms = 0
                return 0
        if self._one_um > self._jump_um:
            self._doubt()
            return t.FAULT_POSITION_JUMP
        if outputs & _FEED == 0 or force > self._held_n:
            self._on_ms = 0
            return 0
        if self._on_ms == 0:
            self._from_um = self.um
        self._on_ms += 1
        moved = self.um - self._from_um
        if moved > STILL_UM or moved < -STILL_UM:
            self._on_ms = 0
        elif self._on_ms > (self._still_ms if outputs & t.OUT_EXTEND else self._still_slow_ms):
            self._on_ms = 0
            return t.FAULT_POSITION_STILL
        return 0

    def rest(self):
        """The ram rests at the top: take the reference once, compare it from then on. Number of a fault or 0."""
        self._rest_ms += 1
        if self._rest_ms <= 112:
            # Until valve and ram have come to rest.
            self._rest_sum = 0
            return 0
        self._rest_sum += self.raw
        if self._rest_ms < 176:
            return 0
        self._rest_ms = 112
        mean16 = self._rest_sum >> 2
        self._rest_sum = 0
        if not self.known:
            if not self._may_refer:
                return 0
            self._zero16 = mean16
            self._count = 0
            self.um = 0
            for i in range(16):
                self._past[i] = 0
            self.known = True
            return 0
        off = self.um if self.kind == ENCODER else self._um_of(mean16 - self._zero16)
        if off > self._drift_um or off < -self._drift_um:
            self._doubt()
            return t.FAULT_POSITION_REFERENCE
        return 0

    def _doubt(self):
        """The reference is not to be believed; a new one needs the ram to be seen coming to the top switch."""
        self.known = False
        self._may_refer = False

    def leaves(self):
        """The ram is not at rest at the top."""
        self._rest_ms = 0
