"""What a job's parts have needed: oil from each level of force to the setpoint, and how far parts differ in it.

One array of small integers a job, updated in place once a part, stored with the record. Oil in sixteenths of a
millisecond of the pump's low stage (u16). A level is a sixteenth of the setpoint; level 0 is contact.
"""

from .fixed import abs_of, clamp, time_for

LEARNED_LEN = 66
LEVELS = 16

L_CYCLES = 0
L_SETPOINT = 1  # setpoint for which all this holds
L_UC = 2  # oil from the top to contact
L_UC_SPREAD = 3
L_END = 4  # newtons gained for oil just below the setpoint, r16
L_AIM = 5  # newtons below the setpoint that parts are aimed at
L_ODD = 8  # parts in a row that were not this job's
L_LATE = 9  # lateness of the valves, t16, when last seen
L_DEPTH_UM = 15  # depth for which the next three hold
L_DEPTH_N = 16  # strokes that landed there
L_DEPTH_LEAD_UM = 17  # correction of the lead on depth (positive = close earlier)
L_DEPTH_SPREAD_UM = 18  # how far apart the landings of feeds are, mean absolute
L_AIR_N = 19  # reading in free travel, where there is no force
L_NEED = 20  # 17 entries: oil from each level to the setpoint
L_AIR_KNOWN = 37  # strokes that told it
L_SPREAD = 40  # 17 entries: one standard deviation of it
# What the watch of the reading (follow.py) has learned by its own count: setpoint, parts, then mean and mean
# deviation of the oil to contact, from the first sixteenth of the set force and from half of it.
L_WATCH = 58


def forget(a):
    for i in range(LEARNED_LEN):
        a[i] = 0


def start_anew(a, setpoint):
    """The next part is a first one."""
    a[L_SETPOINT] = setpoint
    a[L_CYCLES] = 0
    a[L_UC] = 0
    a[L_UC_SPREAD] = 0
    a[L_END] = 0
    a[L_AIM] = 0
    a[L_ODD] = 0
    for j in range(LEVELS + 1):
        a[L_NEED + j] = 0
        a[L_SPREAD + j] = 0


def need16(a, setpoint, force):
    """Oil from a force to the setpoint, as the job's parts have needed it."""
    if force >= setpoint:
        return -time_for(force - setpoint, max(1, a[L_END]))
    if force < 0:
        force = 0
    j = (force << 4) // setpoint
    if j > LEVELS - 1:
        j = LEVELS - 1
    step = max(1, setpoint >> 4)
    part = clamp(((force - ((setpoint * j) >> 4)) << 8) // step, 0, 256)
    here = a[L_NEED + j]
    return here - (((here - a[L_NEED + j + 1]) * part) >> 8)


def spread16(a, setpoint, force, noise_n):
    """One standard deviation of need16: what parts differ by, and what the noise of the force makes of it."""
    j = clamp((force << 4) // setpoint, 0, LEVELS - 1)
    here = max(a[L_SPREAD + j], a[L_SPREAD + j + 1])
    step = max(1, setpoint >> 4)
    blur = (min(noise_n, 8000) * clamp(a[L_NEED + j] - a[L_NEED + j + 1], 0, 30000)) // step
    return max(here, blur) + (min(here, blur) >> 1)


def follow_at(a, setpoint, force, seen16, n, least16):
    """Blend what a part needed from a force at which it came to rest: into the levels on both sides of it."""
    if not 0 < force < setpoint:
        return
    j = min((force << 4) // setpoint, LEVELS - 1)
    step = max(1, setpoint >> 4)
    part = clamp(((force - ((setpoint * j) >> 4)) << 6) // step, 0, 64)
    off = seen16 - need16(a, setpoint, force)
    if part < 48:
        follow(a, L_NEED + j, L_SPREAD + j, a[L_NEED + j] + off, n, least16)
    if part > 16 and j + 1 < LEVELS:
        follow(a, L_NEED + j + 1, L_SPREAD + j + 1, a[L_NEED + j + 1] + off, n, least16)


def follow(a, at, spread_at, seen16, n, least16):
    """Blend one observation into a mean and its spread. True for an outlier, of which only three spreads are taken."""
    if n == 0:
        a[at] = seen16
        # One part says nothing of how far they differ: an eighth, until more have told.
        a[spread_at] = max(least16, abs_of(seen16) >> 3)
        return False
    off = clamp(seen16 - a[at], -60000, 60000)
    spread = a[spread_at]
    most = 3 * spread + 2 * least16
    out = abs_of(off) > most
    off = clamp(off, -most, most)
    gain = 128 if n == 1 else (85 if n == 2 else (64 if n < 6 else 48))
    if spread > a[at] >> 1 and spread > 8 * least16:
        # It was no more than guessed.
        gain = 230
    a[at] += (off * gain) >> 8
    # The mean absolute miss is four fifths of a standard deviation.
    miss = abs_of(off) + (abs_of(off) >> 2)
    a[spread_at] = clamp(spread + ((miss - spread) >> (2 if n < 5 else 3)), least16, 60000)
    return out
