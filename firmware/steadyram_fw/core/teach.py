"""What a finished stroke teaches its job. Every function works on a Cutoff `c`."""

from .fixed import abs_of, clamp, force_over, time_for
from .learn import (
    L_AIM,
    L_AIR,
    L_BIAS,
    L_BIAS_KNOWN,
    L_CYCLES,
    L_END,
    L_FIRST_N,
    L_HALF,
    L_LAST_ERR,
    L_LATE,
    L_LEAD,
    L_LEAD_N,
    L_LEAD_SLOW,
    L_NO_LEAD,
    L_ODD,
    L_PROFILE,
    L_RISE,
    L_RS,
    L_RSS,
    L_SETPOINT,
    L_SLACK,
    L_UC,
    L_US,
    LEVELS,
    follow_aim,
    follow_end,
    follow_half,
    follow_position,
)
from .modes import FEED_SLOW, MODE_DEAD_LEAD, MODE_LEAD, MODE_PLAN, MODE_PROBE, MODE_THRESHOLD

# So much oil miscounted in a stroke, t16, makes its position worth nothing.
MISCOUNT16 = 640


def learn(c, force):
    """Take this stroke into the job's learned state. force: settled force. Returns True if anything changed."""
    a = c.learned
    p = c.p
    mode = c.mode
    if mode == MODE_THRESHOLD or mode == MODE_DEAD_LEAD or mode == MODE_PROBE or a is None:
        return False
    if not c.from_top:
        return False
    setpoint = c.setpoint
    error = force - setpoint
    if a[L_SETPOINT] != setpoint:
        a[L_SETPOINT] = setpoint
        a[L_NO_LEAD] = 0
        start_anew(a)
    if a[L_CYCLES] > 1:
        if odd(c, a):
            a[L_ODD] += 1
            if a[L_ODD] < 2:
                return True
            # Two in a row: it is the job that changed. The next part is a first one.
            start_anew(a)
            a[L_UC] = 0
            a[L_LATE] = 0
            a[L_LEAD_N] = 0
            return True
        a[L_ODD] = 0
        more = c.air - a[L_AIR]
        if more > 8 and a[L_UC] > 0:
            # So many more pulses in the air than usual that the oil let in is not known well enough.
            a[L_AIR] += more >> 1
            return True
    n = a[L_CYCLES]
    dead = p.dead16(setpoint)
    share = p.share(setpoint)
    if a[L_RS] == 0:
        a[L_RS] = dead - (dead >> 3)
        a[L_RSS] = p.slow16 - (p.slow16 >> 3)
    if c.weight16 > 0 and c.best16 > 0 and p.late16 < 2 * p.jitter16:
        # Rate over the oil let in above half the setpoint, weighted by how long that was against the jitter.
        rate = (time_for(c.best16, c.weight16) * share) >> 8
        rate = clamp(rate, dead // 3, dead + (dead >> 4))
        gain = (c.weight16 << 6) // (c.weight16 + 6 * p.jitter16)
        a[L_RS] += ((rate - a[L_RS]) * gain) >> 7
    rs = a[L_RS]
    short16 = (time_for(error, rs) * share) >> 8
    seen = c.u16 - short16
    jit = p.jitter16
    learn_bias(c, a)
    seen -= c.shift16
    # Each pulse may be a little off in the same direction; until that is known it counts in full.
    off = min(c.pulses * (4 if a[L_BIAS_KNOWN] else 12), 900)
    noise = jit * jit * 2 * (1 + c.pulses) + off * off
    if n == 0:
        a[L_FIRST_N] = force
    # The lead is judged by where the feed alone landed the part, before any pulse.
    target = setpoint - c.aim_n - c.guard_n
    step = clamp(c.landed_n - target, -6 * c.sig_n - 1, 6 * c.sig_n + 1)
    if p.holds_load and c.trip16 > 0 and (setpoint < p.changeover_n or c.trip_n > p.changeover_n):
        # A change of the rate is a change of the lead that was learned with it.
        old = a[L_RISE]
        new = c.trip16 if old == 0 else old + ((c.trip16 - old) >> 2)
        if new < 8:
            new = 8
        a[L_LEAD] -= force_over(new, p.close16 + p.see16) - force_over(
            old if old else rs, p.close16 + p.see16
        )
        a[L_RISE] = new
    if (mode == MODE_LEAD or c.by_force) and p.holds_load and error > max(setpoint >> 5, 6 * c.sig_n):
        a[L_NO_LEAD] = 1
    if error > max(setpoint >> 4, 4 * c.sig_n):
        # Over: whatever the cause, the next part is approached as if the valve were that much later.
        late = p.late16 + min(time_for(error, rs), p.late_max16)
        a[L_LATE] = clamp(late, 0, p.late_max16)
        c.late_seen = True
    elif c.late_seen:
        a[L_LATE] = p.late16
    elif a[L_LATE] > 0 and error < -max(setpoint >> 4, 3 * c.sig_n):
        # Short because the valve is thought that late: believe it less, or no part would ever tell otherwise.
        a[L_LATE] -= (a[L_LATE] >> 2) + 1
    elif a[L_LATE] > 0 and c.verified:
        # A valve that has recovered is noticed slowly: too long a lead only lands short.
        a[L_LATE] -= (a[L_LATE] >> 5) + 1
    # A feed that ended before the changeover tells nothing of the lead after it.
    beyond = setpoint < p.changeover_n or c.trip_n > p.changeover_n
    if (mode == MODE_LEAD or c.by_force) and not c.late_seen and beyond:
        tried = a[L_LEAD_N]
        most = force_over(dead, p.close16 + p.see16) >> 1
        a[L_LEAD] = clamp(a[L_LEAD] + (step >> (1 if tried < 2 else 2)), -most, most)
        a[L_LEAD_N] = tried + 1 if tried < 1000 else tried
    # A landing on the plateau tells nothing of the lead on the rise.
    # (Nor one before it, in which the full feed was still closing.)
    if mode == MODE_PLAN and c.landed_by_slow and c.rss16 < 2 * c.slow_rise16 < 3 * c.rss16 + 2 * p.noise_n:
        step = clamp(c.slow_landed_n - setpoint, -4 * c.sig_n - 1, 4 * c.sig_n + 1)
        a[L_LEAD_SLOW] += step >> (1 if n < 3 or abs_of(step) > 3 * c.sig_n else 2)
    # Pulses that were sized for a valve other than today's let in other than what was counted.
    counted = abs_of(p.late16 - c.late0) * (c.pulses + 1) <= MISCOUNT16
    if c.contact16 > 0 and counted:
        if n > 0:
            # Levels that went by while a feed closed are not noted, but go where the part went.
            shift16 = c.contact16 - a[L_UC]
            if n > 1:
                shift16 >>= 2
            for j in range(c.smeared_from, c.smeared_to):
                a[L_PROFILE + j] += shift16
            set_between(a, c.smeared_from, c.smeared_to)
        a[L_UC] = c.contact16 if n == 0 else a[L_UC] + ((c.contact16 - a[L_UC]) >> 1)
        a[L_AIR] = c.air if n == 0 else (a[L_AIR] + c.air) >> 1
    if counted or n == 0:
        follow_position(a, seen, clamp(noise, 4, 1000000))
        since16 = c.u16 - c.half16 - (time_for(error, c.slope16) if c.slope16 else short16)
        if c.half16 > 0 and since16 > 0:
            follow_half(a, since16)
        apart16 = (jit * (p.slow_share if c.feed == FEED_SLOW else share)) >> 7
        last16 = c.u16 - c.last16 if c.last16 > 0 and force > c.last_n else 0
        steep16 = c.weight16 if c.best16 > 0 else 0
        if steep16 > jit >> 1 and (last16 <= apart16 or force <= c.last_n + 6 * p.noise_n):
            # Of steep moves alone: rather too much.
            follow_end(a, time_for(c.best16, steep16))
        elif last16 > 8:
            follow_end(a, time_for(force - c.last_n, last16))
    if c.known:
        follow_aim(a, clamp(error, -4 * c.sig_n, 4 * c.sig_n), c.accept_n)
    a[L_LAST_ERR] = error
    a[L_SLACK] += ((error if error > 0 else -error) - a[L_SLACK]) >> 2
    if n < 1000000:
        a[L_CYCLES] = n + 1
    return True


def set_between(a, begin, end):
    """Levels begin to end - 1 of the profile that are not between their noted neighbours: spread evenly there."""
    if begin < 2 or end > LEVELS:
        return
    low16 = a[L_PROFILE + begin - 1]
    span16 = a[L_PROFILE + end] - low16
    if low16 < 1 or span16 < 0:
        return
    for j in range(begin, end):
        if not 0 <= a[L_PROFILE + j] - low16 <= span16:
            a[L_PROFILE + j] = low16 + (span16 * (j - begin + 1)) // (end - begin + 1)


def start_anew(a):
    """The next part is a first one: position, leads and odd parts are forgotten."""
    a[L_CYCLES] = 0
    a[L_US] = 0
    a[L_HALF] = 0
    a[L_END] = 0
    a[L_LEAD] = 0
    a[L_LEAD_SLOW] = 0
    a[L_ODD] = 0
    a[L_AIM] = 0


def odd(c, a):
    """True for a stroke that tells nothing of its job: contact not met, or not where the job's parts meet the ram.

    A doubled part, none, another tool. What such a stroke came to is neither the press's fault nor the job's.
    """
    if c.contact16 < 0:
        return True
    home = a[L_UC]
    if home < 1 or c.contact16 == 0 or c.p.burst:
        # Met while the first feed was closing: where, is not known. Nor is it where oil comes in bursts.
        return False
    # Each pulse in the air, then and now, is a little over- or underrated.
    most = 320 + (home >> 3) + 16 * (c.air + a[L_AIR])
    return abs_of(c.contact16 - home) > most


def learn_bias(c, a):
    """Contact seems to lie deeper after more pulses in the air: so much is each of them overrated."""
    c.shift16 = 0
    fewer = a[L_AIR] - c.air
    if a[L_UC] < 1 or c.contact16 < 1 or a[L_CYCLES] == 0 or a[L_BIAS_KNOWN] > 3:
        return
    if fewer < 8 and fewer > -8:
        return
    each = clamp((a[L_UC] - c.contact16) // fewer, -24, 24)
    if a[L_BIAS_KNOWN]:
        each >>= 1
    a[L_BIAS] = clamp(a[L_BIAS] + each, -48, 48)
    a[L_BIAS_KNOWN] += 1
    # What was learned with the old opinion is put right.
    a[L_US] -= each * a[L_AIR]
    a[L_UC] -= each * a[L_AIR]
    c.shift16 = each * c.air
    c.contact16 -= c.shift16
