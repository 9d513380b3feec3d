"""Each millisecond of an energised feed: how much oil has come in, what was passed, and whether to close now.

What the functions need of the stroke is put into cells when a feed starts and taken back when it ends; in between
nothing else changes it. Compiled to machine code for a board: whole numbers and cells only, no calls.
"""

from array import array

from .fixed import time_for
from .job_model import LEVELS
from .modes import MODE_DEAD_LEAD, MODE_THRESHOLD

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
LAND16 = 13  # position at which the flow should have ended, or 0
LAND_AIR16 = 14  # the same while nothing was touched
TRIP_N = 15  # force at which the valve is told to close
GUARD_N = 16  # force that the slope of the moment must not promise
DEAD16 = 17  # no rise is steeper than this, r16
NOISE_N = 18
WAIT_MS = 19  # the full feed is still closing
STOP_N = 20  # force that ends the feed even then
REASON = 21
AIR_N = 22  # what the moving ram reads before contact: friction is not the same in every stroke
AIR_LEAST_N = 23
MARK = 24  # 17: position where each level was passed, or -1
AHEAD = (
    44  # 17: from a level's passing, oil at which the flow should have ended; 0 = tells less than one before
)
OFFSET_N = (
    61  # what this stroke's free travel reads, where there is no force: friction beyond the calibration's
)
AIR_MOST_N = 65
AIR_SEEN = 66
MOVE_FROM16 = 67  # from this position on the ram surely moves and the sensor shows it
AFTER16 = 68  # oil from the pump's changeover to where the flow shall have ended, or 0
AIR_SUM_N = 70
AIR_TOP_N = 71
DROP_LOW_N = 72  # what the line drops while the feed flows, below the pump's changeover and above it
DROP_HIGH_N = 73
TURNED = 74  # 1 while the pump's high stage delivers
NET_N = 75  # the force that remains of the last reading
CELLS = 76

# Oil after which the ram moves and the sensor shows it: 30 ms of the low stage (common practice, no source).
MOVING16 = 480

# So many readings in free travel tell its friction: a period and more of the line's swing after a start (20 to 100 Hz,
# common practice, no source). A power of two.
AIR_MS = 64
AIR_SHIFT = 6

BY_OIL = 1
BY_FORCE = 2
BY_SLOPE = 3


def due(c, force, rise16):
    """One millisecond of an energised feed; 1 when the valve must be told to close now."""
    share = c[SHARE_LOW]
    drop_n = c[DROP_LOW_N]
    turn_n = c[CHANGEOVER_N]
    if c[TURNED]:
        # What the line drops is less in the high stage: back only where the force itself has fallen.
        if force - c[DROP_HIGH_N] < turn_n - (turn_n >> 4):
            c[TURNED] = 0
    elif force - drop_n >= turn_n:
        c[TURNED] = 1
    if c[TURNED]:
        share = c[SHARE_HIGH]
        drop_n = c[DROP_HIGH_N]
    force -= drop_n
    c[NET_N] = force
    # The fraction of a position is carried over.
    carry = c[CARRY] + (share << 4)
    u16 = c[U16] + (carry >> 8)
    c[U16] = u16
    c[CARRY] = carry & 255
    setpoint = c[SETPOINT_N]
    mode = c[MODE]
    if mode == MODE_THRESHOLD:
        if force >= setpoint:
            return 1
        return 0

    # What was passed: contact, then each sixteenth of the setpoint.
    now16 = u16 - ((c[SEE16] * share) >> 8)
    if c[CONTACT16] < 0:
        air_n = c[AIR_N]
        if now16 > c[MOVE_FROM16]:
            seen = c[AIR_SEEN] + 1
            c[AIR_SEEN] = seen
            if seen < AIR_MS:
                # The start still swings in the line: until it is over, what a start may read counts as free travel.
                c[AIR_SUM_N] += force
            else:
                if seen == AIR_MS:
                    air_n = (c[AIR_SUM_N] + force) >> AIR_SHIFT
                    if air_n > c[AIR_TOP_N]:
                        air_n = c[AIR_TOP_N]
                # Down soon, up slowly: a part that begins softly must not pass for friction.
                elif force < air_n:
                    air_n += (force - air_n) >> 5
                else:
                    air_n += (force - air_n) >> 8
                if air_n < c[AIR_LEAST_N]:
                    air_n = c[AIR_LEAST_N]
                c[AIR_N] = air_n
        if force > air_n + c[TOUCH_N]:
            if now16 < 1:
                now16 = 1
            c[CONTACT16] = now16
            c[TOUCHED] = 1
            c[MARK] = now16
            if c[AIR_SEEN] >= AIR_MS:
                # No force there: what is read is the friction that the calibration did not take off.
                if air_n > c[AIR_MOST_N]:
                    air_n = c[AIR_MOST_N]
                c[OFFSET_N] = air_n
            if c[AHEAD]:
                c[LAND16] = now16 + c[AHEAD]
            else:
                c[LAND16] = 0
    elif c[TOUCHED] and force + force < c[TOUCH_N] + 2 * c[AIR_N]:
        # It was noise: seconds of slow travel meet one sample in thirty thousand that looks like a part.
        c[CONTACT16] = -1
        c[TOUCHED] = 0
        c[LAND16] = c[LAND_AIR16]
        c[LEVEL] = 1
    force -= c[OFFSET_N]
    if c[CONTACT16] >= 0:
        level = c[LEVEL]
        while level <= LEVELS and force << 4 >= setpoint * level:
            c[MARK + level] = now16
            if c[AHEAD + level]:
                c[LAND16] = now16 + c[AHEAD + level]
            level += 1
        c[LEVEL] = level

    lag = c[CLOSE16] + c[SEE16]
    if mode == MODE_DEAD_LEAD:
        if rise16 < 0:
            rise16 = 0
        if rise16 > 260000:
            rise16 = 260000
        if lag > 4000:
            lag = 4000
        if force + ((rise16 * lag) >> 8) >= setpoint:
            return 1
        return 0
    wait_ms = c[WAIT_MS]
    if wait_ms > 0:
        # The rise is not yet this feed's.
        c[WAIT_MS] = wait_ms - 1
        if force >= c[STOP_N]:
            return 1
        return 0
    land = c[LAND16]
    closing = c[CLOSE16]
    after = c[AFTER16]
    if after > 0 and share == c[SHARE_LOW]:
        # The pump may change over while the valve closes.
        before = land - u16 - after
        if before < 0:
            before = 0
        if before < closing:
            closing = before + (((closing - before) * c[SHARE_HIGH]) >> 8)
    else:
        closing = (closing * share) >> 8
    if land > 0 and u16 + closing >= land:
        c[REASON] = BY_OIL
        return 1
    if force >= c[TRIP_N]:
        c[REASON] = BY_FORCE
        return 1
    if c[CONTACT16] >= 0:
        rise = rise16 - c[NOISE_N]
        if rise > c[DEAD16]:
            rise = c[DEAD16]
        if rise > 0:
            if lag > 4000:
                lag = 4000
            if force + ((rise * lag) >> 8) >= c[GUARD_N]:
                c[REASON] = BY_SLOPE
                return 1
    return 0


def moved16(p, friction_n):
    """Oil after which the ram of press `p` surely moves and the sensor shows it: it may stick up to three times its
    friction, of which the calibration has taken off one."""
    return MOVING16 + time_for(2 * friction_n, p.low16)


def new_cells():
    """Room for what the functions here work on."""
    return array("i", [0] * CELLS)
