"""Does the pressure reading follow the oil? What a blocked port, a shut gauge valve or a slow snubber cannot hide.

This watch counts oil by itself, from the outputs and the valve's measured times, and knows nothing of how the cutoff
lands a part. Five rules, by the oil let in since the stroke began:

1. free travel shows: seal friction raises the reading before the ram has moved far (fault reading-still);
2. contact comes where this job's parts have met the ram, within five mean deviations, nine after six parts (stop
   overdue);
3. from the first sixteenth of the set force, and again from half of it, it takes no more oil to the whole than this
   job's parts have needed and as many mean deviations (overdue); only what a pulse has surely let in
   counts, and no single level is asked for: a plateau may lie a little higher;
4. a ram that is at the end of its stroke takes no more oil (fault oil-limit);
5. once the valve has surely closed the reading stands; where it still rises, less and less, the sensor is slower
   than measured (fault reading-slow). A rise that goes on as before is oil: rise-after-close is told by faults.py.

What the job's parts needed it learns by its own count, from parts that reached their force.
Oil is in t16, sixteenths of a millisecond of low-stage flow. Integers only, nothing allocates.
"""

from array import array

from .. import tables as t
from .fixed import time_for
from .job_model import L_WATCH
from .position import AIR_MS, AIR_SHIFT, moved16
from .press import seal_friction_n

_CONTACT = L_WATCH + 2
_WHOLE = L_WATCH + 4
_FROM_HALF = L_WATCH + 6

OVERDUE = 255  # what look() says of rules 2 and 3: an end of the stroke, and no fault's number

LEARNED_PARTS = 6  # a job's scatter is known after so many
DEVIATIONS = 5  # mean absolute ones, that rise fast and sink slowly: four standard deviations and more
# Few parts tell a scatter badly: one more deviation for each part less than this. With five, one normal part in 760 is
# beyond after six parts and one in 25,000 after twenty; so it is one in 5,000 at most.
SURE_PARTS = 10
SHOW_MS = 40  # mean of sixteen, its own lag and a slow start, beyond the sensor's five time constants
NEED_LEAST16 = 384  # 24 ms of oil: more than any start-up of a spool that still counts as open
LAG_MS = 32  # rule 5 compares two readings this far apart, and their halves
HALF_LAG_MS = 16
FOREVER = 268435456  # 2**28
UNKNOWN = -268435456

WAS = 0  # the feed that was energised a millisecond ago
MOVE = 1  # its flow so far, 256ths of a millisecond
SHARE = 2
BASE16 = 3  # oil of the moves before
OPEN16 = 4
DEAD16 = 5  # what an energised pulse lets in less than its width
SLOW_OPEN16 = 6
SLOW_DEAD16 = 7
SHARE_HIGH = 8
SHARE_SLOW = 9
CHANGEOVER_N = 10
START16 = 11  # reading when the stroke began, counts times sixteen
SHOW16 = 12  # what free travel must add to it; 0 = friction is lost in the noise, only contact shows
NEED16 = 13
SHOWN = 14  # 1 = the reading has moved with this stroke
WAITED_MS = 15
GRACE_MS = 16
TOUCH_N = 17
CONTACT16 = 18  # oil at contact, -1 = not met
LATEST16 = 19
LEVEL = 20  # 0 below a sixteenth of the set force, 1 below half of it, 2 above
PASSED16 = 21  # oil when the first sixteenth was passed, or contact met
LIMIT16 = 22
AFTER_MS = 23  # since the last feed was told to close, 0 = not asked
LOOK_MS = 24
LOOK_N = 25
STEP_N = 26
LAG_ON = 27
SIXTEENTH_N = 28
HALF_N = 29
HALF16 = 30  # oil when half was passed
ALLOW16 = 31  # oil to the whole from the first sixteenth, and from half
ALLOW_HALF16 = 32
SURE16 = 33  # what a pulse may have let in less than thought
PEAK_N = 34
FIRST_HALF_N = 35
AIR_N = 36  # what the ram reads in free travel: friction and the line's drop are not the same in every stroke
MOVED16 = 37  # oil from which on it surely moves; until then it may stick, at up to three times its friction
CLOSE_MS = 38  # so long after a feed was told to close its oil still comes in
AIR_SUM_N = 39
AIR_SEEN = 40
HAND_MS = 41  # what is left of that after the full feed gave over to the slow one, and its flow meanwhile
HAND_SHARE = 42
START_N = 43  # what the ram may read as it starts from rest: breakaway, and the line's swing
STICK16 = 44  # oil of a move for which it may stick
CELLS = 45


def look(c, told, mean16, force):
    """One millisecond: a fault, OVERDUE or 0. told: outputs; mean16: mean of sixteen readings, times sixteen.

    Compiled to machine code for a board: whole numbers and cells only, no calls.
    """
    feeding = told & (t.OUT_EXTEND | t.OUT_SLOW)
    was = c[WAS]
    share = c[SHARE]
    oil16 = c[BASE16]
    if c[HAND_MS] > 0:
        # All that is left of it at once where nothing feeds any more.
        late_ms = 1 if feeding else c[HAND_MS]
        c[HAND_MS] -= late_ms
        oil16 += (c[HAND_SHARE] * late_ms) >> 4
        c[BASE16] = oil16
    if feeding:
        if was == 0:
            c[WAS] = feeding
            c[MOVE] = 0
            c[AFTER_MS] = 0
            if c[CONTACT16] < 0:
                # From rest it breaks away anew.
                c[AIR_N] = c[START_N]
                c[AIR_SUM_N] = 0
                c[AIR_SEEN] = 0
                c[MOVED16] = oil16 + c[STICK16]
        elif was & t.OUT_EXTEND and feeding & t.OUT_EXTEND == 0:
            # The full feed gives over to the slow one: while it closes its oil comes in beside the slow feed's.
            in16 = (c[MOVE] >> 4) - ((c[OPEN16] * share) >> 8)
            if in16 > 0:
                oil16 += in16
            c[BASE16] = oil16
            c[WAS] = feeding
            c[MOVE] = 0
            c[HAND_MS] = c[CLOSE_MS]
            c[HAND_SHARE] = share
        share = 256
        opening16 = c[OPEN16]
        if force >= c[CHANGEOVER_N]:
            share = c[SHARE_HIGH]
        if feeding & t.OUT_EXTEND == 0:
            share = c[SHARE_SLOW]
            opening16 = c[SLOW_OPEN16]
        c[SHARE] = share
        move = c[MOVE] + share
        c[MOVE] = move
        in16 = (move >> 4) - ((opening16 * share) >> 8)
        if in16 > 0:
            oil16 += in16
    elif was:
        dead16 = c[DEAD16]
        if was & t.OUT_EXTEND == 0:
            dead16 = c[SLOW_DEAD16]
        in16 = (c[MOVE] >> 4) - (((dead16 + c[SURE16]) * share) >> 8)
        if oil16 < c[NEED16]:
            c[WAITED_MS] = 0 - c[CLOSE_MS]
        if in16 > 0:
            oil16 += in16
        if oil16 > FOREVER:
            oil16 = FOREVER
        c[BASE16] = oil16
        c[WAS] = 0
        c[AFTER_MS] = 1
    elif c[AFTER_MS]:
        after_ms = c[AFTER_MS] + 1
        c[AFTER_MS] = after_ms
        if c[LAG_ON]:
            if after_ms == c[LOOK_MS]:
                c[LOOK_N] = force
            elif after_ms == c[LOOK_MS] + HALF_LAG_MS:
                c[FIRST_HALF_N] = force - c[LOOK_N]
            elif after_ms == c[LOOK_MS] + LAG_MS:
                c[AFTER_MS] = 0
                gain_n = force - c[LOOK_N]
                first_n = c[FIRST_HALF_N]
                # What lags comes nearer by less in each half; 7 of 8 is a lag of 120 ms.
                if force > c[TOUCH_N] and gain_n > c[STEP_N] and gain_n - first_n < first_n - (first_n >> 3):
                    return t.FAULT_READING_SLOW
        elif after_ms > LAG_MS:
            c[AFTER_MS] = 0
    if oil16 > c[LIMIT16]:
        return t.FAULT_OIL_LIMIT
    if c[SHOWN] == 0:
        show16 = c[SHOW16]
        if force > c[TOUCH_N] and (show16 == 0 or mean16 - c[START16] >= show16):
            c[SHOWN] = 1
        elif show16 and mean16 - c[START16] >= show16:
            c[SHOWN] = 1
        elif show16 and oil16 >= c[NEED16]:
            waited_ms = c[WAITED_MS] + 1
            c[WAITED_MS] = waited_ms
            if waited_ms > c[GRACE_MS]:
                return t.FAULT_READING_STILL
    level = c[LEVEL]
    if c[CONTACT16] < 0:
        air_n = c[AIR_N]
        if feeding and oil16 >= c[MOVED16]:
            # As in position.py: the start swings in the line, so its mean comes first; then down soon, up slowly,
            # since a part that begins softly must not pass for friction.
            seen = c[AIR_SEEN] + 1
            if seen < AIR_MS:
                c[AIR_SUM_N] += force
            elif seen == AIR_MS:
                mean_n = (c[AIR_SUM_N] + force) >> AIR_SHIFT
                if mean_n < air_n:
                    air_n = mean_n
            elif force < air_n:
                air_n += (force - air_n) >> 5
            else:
                air_n += (force - air_n) >> 8
            if seen <= AIR_MS:
                c[AIR_SEEN] = seen
            c[AIR_N] = air_n
        if force > air_n + c[TOUCH_N]:
            c[CONTACT16] = oil16
            c[PASSED16] = oil16
        elif feeding and oil16 > c[LATEST16]:
            return OVERDUE
    else:
        # Also where the reading has fallen away again: the part is still there.
        if level == 0 and force >= c[SIXTEENTH_N]:
            level = c[LEVEL] = 1
            c[PASSED16] = oil16
        if level == 1 and force >= c[HALF_N]:
            level = c[LEVEL] = 2
            # What passes while a feed closes was let in already: where, is not known (-1).
            c[HALF16] = oil16
            if feeding == 0:
                c[HALF16] = -1
        if force > c[PEAK_N]:
            c[PEAK_N] = force
        elif feeding and c[LAG_ON] and force < c[TOUCH_N] and c[PEAK_N] > c[TOUCH_N] << 2:
            # Held force does not go away by itself: the reading has.
            return OVERDUE
        if feeding and force < c[HALF_N] << 1:
            if oil16 - c[PASSED16] > c[ALLOW16]:
                return OVERDUE
            if level == 2 and c[HALF16] >= 0 and oil16 - c[HALF16] > c[ALLOW_HALF16]:
                return OVERDUE
    return 0


class Follow:
    """The watch of one press; `proven` is False until the reading has moved with a stroke."""

    def __init__(self, press):
        self._p = press
        self.cells = array("i", [0] * CELLS)
        self.proven = False
        self._stroke16 = FOREVER
        self._show16 = 0
        self._friction_n = 0
        self._dead16 = UNKNOWN
        self._slow_dead16 = UNKNOWN
        self._learned = None  # the job's learned array while a stroke of it from the top runs

    def configure(self, settings, cal, c1):
        """Take over settings and calibration (None = none); c1: newtons per 65536 counts."""
        p = self._p
        c = self.cells
        self._dead16 = _t16(settings[t.S_PULSE_DEAD_US])
        self._slow_dead16 = _t16(settings[t.S_SLOW_PULSE_DEAD_US])
        stroke_ms = settings[t.S_STROKE_MS]
        self._stroke16 = stroke_ms << 4 if stroke_ms and not p.burst else FOREVER
        self._show16 = 0
        self._friction_n = friction_n = seal_friction_n(settings, cal)
        if p.characterised and friction_n and not p.burst:
            # Half of it: friction differs from stroke to stroke, and the ram's weight carries some.
            show16 = (
                ((friction_n << 19) // max(c1, 1))
                if friction_n < 2000
                else ((friction_n << 9) // max(c1 >> 10, 1))
            )
            noise16 = (p.noise_n << 20) // max(c1, 1) if p.noise_n < 1000 else FOREVER
            step16 = settings[t.S_COUNTS_STEP] << 4
            if show16 >= 2 * noise16 and show16 >= step16:
                self._show16 = show16
        c[NEED16] = max(NEED_LEAST16, time_for(4 * friction_n, p.low16)) if p.low16 else FOREVER
        c[GRACE_MS] = SHOW_MS + ((5 * p.sensor16 + 4 * p.jitter16) >> 4)
        c[LAG_ON] = 1 if p.characterised and p.holds_load and not p.burst else 0

    def doubt(self):
        """A batch begins, or the reading did not do what it should: the next stroke must show that it moves."""
        self.proven = False
        # What was watched is over: a fault that is acknowledged must not be found again in the same stroke.
        self.cells[AFTER_MS] = 0

    def begin(self, mean16, touch_n, setpoint, learned):
        """A stroke begins. learned: the job's array, None unless it is one of its parts, from the top, by cutoff."""
        p = self._p
        c = self.cells
        c[WAS] = 0
        c[MOVE] = 0
        c[BASE16] = 0
        c[SHOWN] = 0
        c[WAITED_MS] = 0
        c[AFTER_MS] = 0
        c[CONTACT16] = -1
        c[START16] = mean16
        c[SHOW16] = self._show16
        c[TOUCH_N] = touch_n
        c[HAND_MS] = 0
        c[AIR_N] = c[START_N] = 2 * self._friction_n + p.line_drop_n + (p.line_drop_n >> 1)
        c[AIR_SUM_N] = 0
        c[AIR_SEEN] = 0
        c[MOVED16] = c[STICK16] = moved16(p, self._friction_n)
        c[CLOSE_MS] = (max(p.close16, p.slow_close16 if p.slow_fitted else 0) + max(0, p.late16)) >> 4
        c[OPEN16] = p.open16
        # As measured, not as the cutoff follows it from stroke to stroke: this watch is the second opinion.
        c[DEAD16] = self._dead16 if self._dead16 != UNKNOWN else p.open16 - p.close16 + p.late16
        c[SLOW_OPEN16] = p.slow_open16
        c[SLOW_DEAD16] = (
            self._slow_dead16 if self._slow_dead16 != UNKNOWN else p.slow_open16 - p.slow_close16 + p.late16
        )
        c[SHARE_HIGH] = p.high_share
        c[SHARE_SLOW] = p.slow_share
        c[CHANGEOVER_N] = p.changeover_n
        c[LIMIT16] = self._stroke16
        # Rise after the latest closing that the cutoff allows for (press.late_max16) is the sensor's.
        close16 = max(p.close16, p.slow_close16 if p.slow_fitted else 0)
        c[LOOK_MS] = (close16 + p.late_max16 + p.see16 + 2 * p.jitter16 + 4 * p.sensor16 >> 4) + 2
        c[STEP_N] = max(10 * p.noise_n, setpoint >> 4, p.capacity_n >> 9)
        c[LATEST16] = FOREVER
        c[LEVEL] = 0
        c[PASSED16] = 0
        c[HALF16] = 0
        c[PEAK_N] = 0
        c[SIXTEENTH_N] = setpoint >> 4
        c[HALF_N] = setpoint >> 1
        c[ALLOW16] = FOREVER
        c[ALLOW_HALF16] = FOREVER
        c[SURE16] = p.jitter16
        # (Of oil that comes in bursts nobody knows how much has.)
        self._learned = None if p.burst else learned
        if self._learned is not None:
            self._expect(learned, setpoint)

    def _expect(self, a, setpoint):
        """Where this job's parts met the ram and what they took from there."""
        p = self._p
        c = self.cells
        if setpoint != a[L_WATCH]:
            a[L_WATCH] = setpoint
            a[L_WATCH + 1] = 0
        if a[L_WATCH + 1] < LEARNED_PARTS:
            return
        many = DEVIATIONS + max(0, SURE_PARTS - a[L_WATCH + 1])
        more16 = p.see16 + 2 * p.jitter16
        # Parts that fall alike say nothing of the valve's jitter.
        least16 = p.jitter16
        c[LATEST16] = a[_CONTACT] + many * max(a[_CONTACT + 1], least16) + more16
        c[ALLOW16] = a[_WHOLE] + many * max(a[_WHOLE + 1], least16) + more16
        if a[_FROM_HALF] > 0:
            c[ALLOW_HALF16] = a[_FROM_HALF] + many * max(a[_FROM_HALF + 1], least16) + more16

    def teach(self):
        """Take the part that has just reached its force into what the job's parts need."""
        c = self.cells
        a = self._learned
        if a is None or c[LEVEL] < 2:
            return
        end16 = c[BASE16]
        _blend(a, _CONTACT, c[CONTACT16])
        _blend(a, _WHOLE, end16 - c[PASSED16])
        if c[HALF16] >= 0:
            _blend(a, _FROM_HALF, end16 - c[HALF16])
        if a[L_WATCH + 1] < 1000:
            a[L_WATCH + 1] += 1

    def shown(self):
        """True once the reading has moved with the stroke that runs; it counts for the strokes to come, too."""
        if self.cells[SHOWN]:
            self.proven = True
        return self.proven


def _blend(a, i, seen16):
    """Blend one observation into a mean and its mean deviation."""
    if a[L_WATCH + 1] == 0 or a[i] == 0:
        a[i] = seen16
        a[i + 1] = seen16 >> 5
        return
    miss16 = seen16 - a[i]
    a[i] += miss16 >> 2
    if miss16 < 0:
        miss16 = -miss16
    # Sooner believed to scatter than not.
    old16 = a[i + 1]
    a[i + 1] = old16 + ((miss16 - old16) >> (1 if miss16 > old16 else 3))


def _t16(us):
    """Sixteenths of a millisecond; UNKNOWN for the definition's own sentinel."""
    return UNKNOWN if us <= -1000000 else (us * 2) // 125
