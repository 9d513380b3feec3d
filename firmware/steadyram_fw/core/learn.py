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
L_MISSES = 9
L_FIRST_N = 10  # settled force of the first part
L_KNEE_N = 11
L_LAST_ERR = 12
L_SLACK = 13  # mean absolute error of the landed parts, newtons
L_PROFILE = 20  # 17 entries: position at each sixteenth of the setpoint
L_SETPOINT = 40  # setpoint for which all this holds
L_LEAD_N = 41  # cycles in which the lead was tried


def forget(a):
    for i in range(LEARNED_LEN):
        a[i] = 0


def follow_position(a, seen16, noise_var):
    """Blend one observation of the position at the setpoint; returns True if it was taken.

    A miss by more than four standard deviations is gated once; the second in a row is believed and
    widens the filter, because then it is the job that changed and not the part.
    """
    n = a[L_CYCLES]
    if n == 0 or a[L_US] == 0:
        a[L_US] = seen16
        a[L_VAR] = noise_var
        a[L_SCATTER] = noise_var
        return True
    var = a[L_VAR] + (a[L_SCATTER] >> 3) + 16
    miss = clamp(seen16 - a[L_US], -30000, 30000)
    total = var + noise_var
    if miss * miss > 16 * total:
        a[L_MISSES] += 1
        if a[L_MISSES] < 2:
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
    a[L_SCATTER] += (clamp(miss * miss, 0, 4000000) - a[L_SCATTER]) >> 2
    return True


def spread16(a):
    """Standard deviation to expect of the next part's position at the setpoint, u16."""
    return isqrt(a[L_VAR] + (a[L_SCATTER] >> 1))
