"""Each millisecond of an energised feed: how much oil has come in, and whether the valve must be told to close now.

What the functions need of the stroke and of the press is put into cells when a feed starts, and what they found is
taken back when it ends; in between nothing else changes it. Compiled to machine code for a board.
"""

from array import array

from .learn import L_CYCLES, L_LEAD, L_LEAD_SLOW, L_PROFILE, L_RISE, L_SETPOINT, L_UC, LEVELS
from .modes import FEED_SLOW, MODE_DEAD_LEAD, MODE_FIRST, MODE_LEAD, MODE_THRESHOLD

U16 = 0
CARRY = 1
SHARE_LOW = 2  # flow below the pump's changeover and above it, in 256ths of the low stage's
SHARE_HIGH = 3
CHANGEOVER_N = 4
MODE = 5
SETPOINT_N = 6
CONTACT16 = 7
TOUCHED = 8  # 1 when CONTACT16 was noted in this feed
TOUCH_N = 9
LEVEL = 10
SEE16 = 11
CLOSE16 = 12
DEAD_LOW = 13  # rise rate on a dead stop below the changeover and above it
DEAD_HIGH = 14
SLOW = 15
RATE16 = 16
NOISE_N = 17
LAND16 = 18
BY_FORCE = 19
GUARD_N = 20
TURN_N = 21
TRIP_N = 22
TRIP16 = 23
WAIT_MS = 24
ACCEPT_N = 25
JITTER16 = 26
HALF16 = 27  # position where half the setpoint was passed in this feed, or 0
CELLS = 28


def flow(c, force):
    """One millisecond of an energised pulse; returns the position."""
    share = c[SHARE_LOW]
    if force >= c[CHANGEOVER_N]:
        share = c[SHARE_HIGH]
    carry = c[CARRY] + (share << 4)
    u16 = c[U16] + (carry >> 8)
    c[U16] = u16
    c[CARRY] = carry & 255
    return u16


def due(c, a, force, rise16):
    """One millisecond of an energised feed; 1 when the valve must be told to close now. a: what the job has taught."""
    share = c[SHARE_LOW]
    dead = c[DEAD_LOW]
    if force >= c[CHANGEOVER_N]:
        share = c[SHARE_HIGH]
        dead = c[DEAD_HIGH]
    # The fraction of a position is carried over.
    carry = c[CARRY] + (share << 4)
    u16 = c[U16] + (carry >> 8)
    c[U16] = u16
    c[CARRY] = carry & 255
    mode = c[MODE]
    setpoint = c[SETPOINT_N]
    if mode == MODE_THRESHOLD:
        if force >= setpoint:
            return 1
        return 0

    # Note the position at contact and at each sixteenth of the setpoint, as they are passed.
    see16 = c[SEE16]
    now16 = u16 - ((see16 * share) >> 8)
    if c[CONTACT16] < 0:
        if force > c[TOUCH_N]:
            c[CONTACT16] = now16
            c[TOUCHED] = 1
    elif c[TOUCHED] and force + force < c[TOUCH_N]:
        # It was noise: seconds of slow travel meet one sample in thirty thousand that looks like a part.
        c[CONTACT16] = -1
        c[TOUCHED] = 0
    level = c[LEVEL]
    if level <= LEVELS and force << 4 >= setpoint * level:
        c[LEVEL] = level + 1
        at16 = now16
        if at16 < 1:
            at16 = 1
        if level == LEVELS >> 1:
            c[HALF16] = at16
        old = a[L_PROFILE + level]
        if old != 0 and a[L_CYCLES] >= 2 and a[L_SETPOINT] == setpoint:
            at16 = old + ((at16 - old) >> 2)
        a[L_PROFILE + level] = at16

    # At which rate the force may still rise, and what is kept free besides.
    lag = c[CLOSE16] + see16
    rate = dead
    free_n = 0
    noise = c[NOISE_N]
    telling = 0
    if mode == MODE_FIRST:
        pass
    elif mode == MODE_DEAD_LEAD:
        rate = rise16
        if rate < 0:
            rate = 0
    elif c[SLOW]:
        wait_ms = c[WAIT_MS]
        if wait_ms > 0:
            # The full feed is still closing: its rise is not the slow feed's.
            c[WAIT_MS] = wait_ms - 1
            if force >= setpoint - c[ACCEPT_N]:
                return 1
            return 0
        rate = c[RATE16]
        if rise16 > rate + (rate >> 2) + 2 * noise:
            rate = rise16
        free_n = a[L_LEAD_SLOW]
    else:
        by_rate = 1
        rate = a[L_RISE]
        if mode == MODE_LEAD:
            if rate == 0:
                rate = c[RATE16]
            free_n = a[L_LEAD]
        else:
            if u16 + ((c[CLOSE16] * share) >> 8) >= c[LAND16]:
                return 1
            if c[BY_FORCE]:
                if rate == 0 or rate > c[RATE16]:
                    rate = c[RATE16]
                free_n = c[GUARD_N] + a[L_LEAD]
            else:
                if force <= c[TOUCH_N]:
                    return 0
                if now16 < a[L_UC] - 3 * c[JITTER16] - 160 and force > c[TOUCH_N] << 1:
                    # Sooner than this job's parts, and no spike of noise.
                    return 1
                by_rate = 0
                rate = rise16 - noise
                if rate > dead:
                    rate = dead
                if rate < 0:
                    rate = 0
        if by_rate:
            telling = 1
            if rise16 > rate + (rate >> 3) + ((3 * noise) >> 2):
                rate = rise16
                if rate > dead:
                    rate = dead
        # The pump's changeover may be on the way; or it is just passed, and the slope still that of the stage before.
        turn_n = c[TURN_N]
        if force >= turn_n:
            turn_n = c[CHANGEOVER_N]
        if force < turn_n and turn_n < setpoint and rate > 0:
            left_n = turn_n - force
            gap_n = left_n
            if gap_n > 4000000:
                gap_n = 4000000
            before = (gap_n << 8) // rate
            if before < lag:
                free_n += left_n
                lag -= before
                rate = c[RATE16]

    # as fixed.force_over() has it
    if lag > 4000:
        lag = 4000
    elif lag < -4000:
        lag = -4000
    if rate > 260000:
        rate = 260000
    if force + ((rate * lag) >> 8) + free_n < setpoint:
        return 0
    if telling:
        c[TRIP_N] = force
        c[TRIP16] = rise16
    return 1


def load(cut):
    """A feed or a pulse of Cutoff `cut` starts: its cells filled."""
    c = cut.cells
    p = cut.p
    slow = cut.feed == FEED_SLOW
    c[U16] = cut.u16
    c[CARRY] = 0
    c[CHANGEOVER_N] = p.changeover_n
    c[SHARE_LOW] = p.slow_share if slow else 256
    c[SHARE_HIGH] = p.slow_share if slow else p.high_share
    if cut.width_ms:
        # A pulse is only counted.
        return
    c[MODE] = cut.mode
    c[SETPOINT_N] = cut.setpoint
    c[CONTACT16] = cut.contact16
    # What the full feed touched before it gave over to the slow one may have been noise as well.
    c[TOUCHED] = 1 if slow and cut.contact16 >= 0 and not cut.landed_once else 0
    c[TOUCH_N] = cut.touch_n
    c[LEVEL] = cut.level
    c[HALF16] = 0
    c[SEE16] = p.see16
    c[CLOSE16] = p.slow_close16 if slow else p.close16
    c[DEAD_LOW] = p.slow16 if slow else p.low16
    c[DEAD_HIGH] = p.slow16 if slow else p.high16
    c[SLOW] = 1 if slow else 0
    c[RATE16] = cut.rss16 if slow else cut.rs16
    c[NOISE_N] = p.noise_n
    c[LAND16] = cut.land16
    c[BY_FORCE] = 1 if cut.by_force else 0
    c[GUARD_N] = cut.guard_n
    c[TURN_N] = p.turn_n
    c[TRIP_N] = cut.trip_n
    c[TRIP16] = cut.trip16
    c[WAIT_MS] = cut.wait_ms
    c[ACCEPT_N] = cut.accept_n
    c[JITTER16] = p.jitter16


def unload(cut):
    """It has ended: what was found goes back to `cut`."""
    c = cut.cells
    cut.u16 = c[U16]
    if cut.width_ms:
        return
    cut.level = c[LEVEL]
    if c[HALF16]:
        cut.half16 = c[HALF16]
    cut.trip_n = c[TRIP_N]
    cut.trip16 = c[TRIP16]
    cut.wait_ms = c[WAIT_MS]
    cut.contact16 = c[CONTACT16]
    if c[TOUCHED]:
        cut.air = cut.pulses


def new_cells():
    """Room for what the functions here work on."""
    return array("i", [0] * CELLS)
