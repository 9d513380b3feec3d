"""What a job has taught: one array of small integers a job, updated in place, stored with the record.

Positions are in `u16`: oil let in since the top, in sixteenths of a millisecond of low-stage flow. Position at
the setpoint is followed by a scalar Kalman filter whose noise is the valve's jitter; its spread of innovations
tells how much the parts themselves scatter.
"""

from .fixed import clamp, isqrt

LEARNED_LEN = 48
LEVELS = 16

L_CYCLES = 0
L_US = 1  # position at the setpoint, u16
L_VAR = 2  # its variance, u16 squared
L_UC = 3  # position at contact, u16
L_RS = 4  # rise rate at the setpoint, full feed, r16
L_RSS = 5  # the same at slow feed
L_LEAD = 6  # correction of the full-feed lead, newtons (positive = close earlier)
L_LEAD_SLOW = 7
L_SCATTER = 8  # mean square of innovations, u16 squared
L_MISSES = 9  # side of the last miss that was gated: 1 deeper, -1 sooner, 0 none
L_FIRST_N = 10  # settled force of the first part
L_KNEE_N = 11
L_LAST_ERR = 12
L_SLACK = 13  # mean absolute error of the landed parts, newtons
L_RISE = 14  # rise rate where the feed was closed, r16
L_LATE = 15  # how much later the valve closes than when characterised, t16
L_BIAS = 16  # what one full-feed pulse lets through less than thought, t16
L_BIAS_KNOWN = 17
L_AIR = 18  # pulses before contact when L_UC was last seen
L_AIM = 19  # newtons below the setpoint that parts are aimed at
L_PROFILE = 20  # 17 entries: position at each sixteenth of the setpoint
# Oil from half the setpoint to all of it, u16 (truer than a position from the top, which pulses in the air make
# vague), and the mean square of what parts are off it.
L_HALF = 37
L_HALF_SCATTER = 38
L_END = 39  # newtons gained for oil just below the setpoint, r16: sooner believed higher than lower
L_SETPOINT = 40  # setpoint for which all this holds
L_LEAD_N = 41  # cycles in which the lead was tried
L_ODD = 47  # parts in a row that were not this job's
L_NO_LEAD = 46  # 1 = a part went far over by lead: its knee can lie within the lag, so land short instead
L_DEPTH_UM = 42  # depth for which the next two hold
L_DEPTH_N = 43  # strokes that landed there
L_DEPTH_LEAD_UM = 44  # correction of the lead on depth (positive = close earlier)
L_DEPTH_SPREAD_UM = 45  # how far apart the landings of feeds are, mean absolute


def forget(a):
    for i in range(LEARNED_LEN):
        a[i] = 0


def follow_position(a, seen16, noise_var):
    """Blend one observation of the position at the setpoint; returns True if it was taken.

    A miss by more than four standard deviations is gated once; the second in a row to the same side is believed and
    widens the filter, because then it is the job that changed and not the part.
    """
    n = a[L_CYCLES]
    if n == 0 or a[L_US] == 0:
        a[L_US] = seen16
        a[L_VAR] = noise_var
        # Parts scatter by some percent of their own travel; until seen, five.
        own = (seen16 - a[L_UC]) // 20 if a[L_UC] > 0 else 60
        a[L_SCATTER] = clamp(own * own, 1600, 1000000)
        return True
    # A job drifts slowly (oil warms, dies wear): a little of the parts' own scatter is added each time.
    var = a[L_VAR] + (a[L_SCATTER] >> 6) + 16
    miss = clamp(seen16 - a[L_US], -30000, 30000)
    total = var + noise_var + a[L_SCATTER]
    if miss * miss > 16 * total:
        side = 1 if miss > 0 else -1
        if a[L_MISSES] != side:
            a[L_MISSES] = side
            return False
        a[L_US] = seen16
        a[L_VAR] = clamp(noise_var * 2, 1, 4000000)
        a[L_MISSES] = 0
        return True
    a[L_MISSES] = 0
    # gain in 1/256
    gain = (var << 8) // total if var < 4000000 else 255
    gain = clamp(gain, 32, 230)
    a[L_US] += (miss * gain) >> 8
    a[L_VAR] = clamp(((256 - gain) * (var >> 2)) >> 6, 4, 4000000)
    # What the miss says of the parts is what filter and jitter do not explain.
    if n > 3:
        rest = clamp(miss * miss - var - noise_var, -4000000, 4 * a[L_SCATTER])
        a[L_SCATTER] = clamp(a[L_SCATTER] + ((rest - a[L_SCATTER]) >> 3), 400, 1000000)
    return True


def follow_aim(a, error, accept_n):
    """Under is recoverable, over is scrap. Pulses cannot be taken back: in the mean they land parts a little over.

    Such parts are aimed lower until they do not, by half of what is accepted below the setpoint at most.
    """
    gain = 2 if a[L_CYCLES] < 8 else 3
    a[L_AIM] = clamp(a[L_AIM] + ((error + (accept_n >> 2)) >> gain), 0, accept_n >> 1)


def follow_end(a, seen16):
    """Blend one observation of the rise just below the setpoint."""
    old = a[L_END]
    a[L_END] = seen16 if seen16 > old else old + ((seen16 - old) >> 2)


def follow_half(a, seen16):
    """Blend one observation of the oil from half the setpoint to all of it, and how far apart parts are in it."""
    if a[L_HALF] == 0:
        a[L_HALF] = seen16
        own = seen16 // 20
        a[L_HALF_SCATTER] = clamp(own * own, 16, 1000000)
        return
    miss = clamp(seen16 - a[L_HALF], -2000, 2000)
    a[L_HALF] += miss >> 2
    a[L_HALF_SCATTER] = clamp(a[L_HALF_SCATTER] + ((miss * miss - a[L_HALF_SCATTER]) >> 3), 16, 1000000)


def spread16(a, move_var):
    """Standard deviation of what is left to the setpoint, u16, after moves of a summed variance."""
    return isqrt(a[L_VAR] + a[L_SCATTER] + move_var)
