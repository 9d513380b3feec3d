"""What to do once the valve has closed and the force has settled. Every function works on a Cutoff `c`."""

from .fixed import clamp, force_over, isqrt, time_for
from .learn import L_CYCLES, L_END, L_HALF, L_HALF_SCATTER, L_US, spread16
from .modes import (
    FEED_FULL,
    FEED_SLOW,
    FIRST_PULSES,
    LATE_PULSES,
    LEARNED_PULSES,
    MODE_DEAD_LEAD,
    MODE_FIRST,
    MODE_PROBE,
    MODE_THRESHOLD,
    NEXT_DONE,
    NEXT_FEED,
    NEXT_PULSE,
    NEXT_SHORT,
)
from .plan import approach, flow_for, pulse_width_ms, safe16
from .watching import watch

# Longest flow of one pulse by what the position promises, t16: beyond it a position may be wrong.
REACH16 = 1600


def decide(c, force):
    """What next, from the settled force: NEXT_DONE, NEXT_PULSE (width_ms, feed), NEXT_FEED or NEXT_SHORT."""
    p = c.p
    mode = c.mode
    if mode == MODE_THRESHOLD or mode == MODE_DEAD_LEAD or mode == MODE_PROBE:
        return NEXT_DONE
    setpoint = c.setpoint
    watch(c, force)
    if not c.landed_once:
        c.landed_once = True
        c.landed_n = force
    if c.feed == FEED_SLOW and c.width_ms == 0:
        c.landed_by_slow = True
        c.slow_landed_n = force
        c.slow_rise16 = c.rise_end16
    gap = setpoint - c.aim_n - force
    if gap <= c.accept_n:
        return NEXT_DONE
    if not p.holds_load:
        return again(c, force)
    if c.pulses >= (FIRST_PULSES if mode == MODE_FIRST else LEARNED_PULSES):
        return NEXT_SHORT
    if mode != MODE_FIRST and c.pulses >= LATE_PULSES and p.late16 > 2 * p.jitter16:
        # Pulses sized for a valve that late get nowhere: it may not be so any more. The part stays short, and the
        # next stroke believes half.
        p.set_late(p.late16 >> 1)
        c.late_seen = True
        return NEXT_SHORT
    touched = force > c.touch_n
    if mode == MODE_FIRST:
        if not touched:
            approach(c)
            return go(c)
        if p.slow_fitted:
            return slow_move(c, gap, p.slow16)
        if c.known:
            return full_pulse(c, flow_for(c, force, c.rs16) - (p.jitter16 >> 1), gap)
        return full_pulse(c, safe16(c, force), gap)
    # learned
    rate = c.rs16
    if p.slow_fitted:
        left16 = c.learned[L_US] - c.u16 - 3 * spread16(c.learned, moves_var(c)) - (p.close16 >> 1)
        left16 = min(left16, REACH16)
        if left16 > 160 and gap > c.setpoint >> 3 and not c.by_force:
            ms = pulse_width_ms(c, left16)
            if ms > 0:
                c.feed = FEED_FULL
                c.width_ms = ms
                return NEXT_PULSE
        return slow_move(c, gap, c.rss16, touched)
    jit = p.jitter16
    known16 = flow_for(c, force, rate)
    if not c.verified and c.pulses < 4:
        slack = (p.close16 >> 1) - time_for(c.allow_n, rate)
        if slack > 0:
            known16 -= slack
    reach16 = c.learned[L_US] - c.u16 - 2 * spread16(c.learned, moves_var(c))
    if force > p.changeover_n:
        reach16 = (reach16 << 8) // p.high_share
    # On a plateau the knee is somewhere ahead, seldom right here: a little more is risked than on the rise.
    if known16 > 6 * jit:
        # A long pulse errs by the rate more than by the valve.
        known16 -= known16 >> 3
    w16 = known16 - jit if c.steep else known16 + (jit >> 2)
    if not touched and c.pulses > 10 and c.u16 > c.learned[L_US] and p.late16 > 0:
        # So much oil and still no part: these pulses do not open the valve. It is not that late.
        p.set_late(p.late16 - (p.late16 >> 2) - 1)
    reach16 = min(reach16, REACH16)
    if not touched:
        # Not on the part yet: the longer of what position allows and what any contact in it could stand.
        w16 = flow_for(c, 0, rate) - ((jit * 3) >> 1)
        if reach16 > w16:
            w16 = reach16
    elif reach16 > w16 and not c.steep and force < setpoint - (setpoint >> 3):
        w16 = reach16
    ahead16 = by_slope16(c, gap)
    if ahead16 > 0:
        ahead16 = min((min(ahead16, REACH16) << 8) // p.share(force), REACH16)
        if not c.verified and c.pulses < 4:
            # What a late valve would let in beyond, at the rate that is met.
            ahead16 -= max(0, (p.close16 >> 1) - (ahead16 * c.allow_n) // gap)
        w16 = max(w16, ahead16 - (jit >> 1))
    if w16 < jit:
        w16 = jit
    least = p.least16(False)
    if least > jit:
        need16 = max(flow_for(c, force, rate), (near_end16(c, gap) << 8) // p.share(force))
        off16 = 3 * jit
        if not c.steep:
            left16 = c.learned[L_US] - c.u16
            if force > p.changeover_n:
                left16 = (left16 << 8) // p.high_share
            need16 = max(need16, min(left16, 2 * REACH16))
            off16 = 2 * spread16(c.learned, moves_var(c))
        w16 = landable16(w16, need16, least, off16)
        if c.suspect and not c.verified and w16 + (p.close16 >> 1) > need16 + time_for(c.allow_n, rate):
            # The valve may be late by half: the shortest pulse would then be far too long. The part stays short,
            # and the next pulse is sized for a valve that late.
            p.set_late(min(p.late16 + c.suspect, p.late_max16))
            c.late_seen = True
            return NEXT_SHORT
    # Pulses that move nothing are too short for this valve today: lengthen them.
    w16 += min(c.flat, 12) * (jit >> 3)
    return full_pulse(c, w16, gap)


def again(c, force):
    """Open centre, first part: every push starts from nothing; lengthen it until it reaches the setpoint."""
    p = c.p
    if c.mode != MODE_FIRST or c.pulses >= FIRST_PULSES:
        return NEXT_DONE
    if force <= c.touch_n:
        approach(c)
        return go(c)
    if c.setpoint - force_over(p.low16, p.close16 + p.see16) > 2 * c.touch_n:
        return NEXT_DONE
    c.feed = FEED_FULL
    if c.again16 == 0:
        c.again16 = safe16(c, 0)
    else:
        most = c.again16 + (c.again16 >> 2) + 8
        c.again16 = min(most, (c.again16 * min((c.setpoint << 6) // force, 128)) >> 6)
    c.width_ms = max(1, pulse_width_ms(c, c.again16))
    return NEXT_PULSE


def by_slope16(c, gap):
    """Oil, u16, to the setpoint by the slope of the last move, and no more than the part's own position leaves; or 0.

    A ramp rises at a third of a dead stop's rate and less; the knee that ends it is known by where it came before.
    """
    a = c.learned
    end16 = a[L_END]
    if a[L_CYCLES] < 2 or a[L_HALF] < 1 or end16 == 0 or c.half16 < 1:
        return 0
    since16 = c.u16 - c.half16
    slope16 = c.slope16
    if slope16 == 0 and since16 > 64:
        slope16 = time_for((c.setpoint >> 1) - gap, since16)
    if slope16 < 1:
        return 0
    needs16 = time_for(gap, max(slope16, end16 - (end16 >> 3)))
    left16 = a[L_HALF] - since16
    apart16 = isqrt(a[L_HALF_SCATTER])
    mean16 = time_for(c.setpoint >> 1, a[L_HALF])
    if needs16 > left16 + apart16 or 8 * slope16 < 5 * mean16:
        # Not at this slope: a knee is ahead, and this part may have it sooner than most.
        apart16 *= 3
    return max(0, min(needs16, left16 - apart16))


def near_end16(c, gap):
    """Oil, u16, for the last eighth of the setpoint, at the rise that the job is known to end with; else 0."""
    end16 = c.learned[L_END]
    if end16 == 0 or gap > c.setpoint >> 3:
        return 0
    return min(time_for(gap, end16 + (end16 >> 3)), REACH16)


def landable16(w16, need16, least, off16):
    """A pulse near w16 which leaves room for another, or nothing, where no pulse lets through less than `least`.

    need16: flow to the setpoint, wrong by up to off16. Times t16.
    """
    keep16 = least + off16
    if w16 < least:
        w16 = least
    if need16 - w16 >= keep16:
        return w16
    if need16 >= least + keep16:
        return need16 - keep16
    return need16


def moves_var(c):
    """Variance of the position after this stroke's moves and the next one, u16 squared: jitter of two edges each."""
    return c.p.jitter16 * c.p.jitter16 * 2 * (c.pulses + 2)


def go(c):
    if c.width_ms:
        return NEXT_PULSE
    return NEXT_FEED


def full_pulse(c, w16, gap):
    """A full-feed pulse of flow w16, or done if the shortest pulse would overshoot."""
    p = c.p
    c.feed = FEED_FULL
    ms = (w16 + c.bias16 + p.open16 - p.close16 + 8) >> 4 if c.mode != MODE_FIRST else pulse_width_ms(c, w16)
    if ms < 1:
        least = p.least16(False)
        if least > 0:
            excess = force_over(c.rs16, least) - gap
            if excess > (gap >> 1 if c.mode != MODE_FIRST else 2 * c.sig_n):
                return NEXT_DONE
            if c.mode == MODE_FIRST and gap < 4 * c.sig_n and w16 < 0:
                return NEXT_DONE
        ms = 1
    c.width_ms = ms
    return NEXT_PULSE


def slow_move(c, gap, rate, touched=True):
    """Slow feed while the lag leaves room, else slow pulses."""
    p = c.p
    c.feed = FEED_SLOW
    lag = p.slow_close16 + p.see16
    if force_over(rate, lag) + 2 * c.touch_n < gap:
        c.width_ms = 0
        return NEXT_FEED
    need16 = time_for(gap, rate)
    if c.mode == MODE_FIRST:
        w16 = need16 - 2 * p.jitter16
    else:
        ahead16 = (min(by_slope16(c, gap), 1000) << 8) // p.slow_share
        if ahead16 > need16:
            need16 = ahead16
            rate = time_for(gap, need16)
        w16 = need16 - (p.jitter16 >> (1 if ahead16 else 0))
    if not touched:
        # Still in the air: as far as position allows.
        reach16 = c.learned[L_US] - c.u16 - 2 * spread16(c.learned, moves_var(c))
        reach16 = (clamp(reach16, 0, 8000) << 8) // p.slow_share
        if reach16 > w16:
            w16 = reach16
    least = p.least16(True)
    if least > p.jitter16 and touched and c.mode != MODE_FIRST:
        near16 = near_end16(c, gap)
        if near16 << 8 > need16 * p.slow_share:
            need16 = (near16 << 8) // p.slow_share
            rate = time_for(gap, need16)
        w16 = landable16(w16, need16, least, 3 * p.jitter16)
    ms = (w16 + p.slow_open16 - p.slow_close16 + 8) >> 4
    if ms < 1:
        if least > 0 and force_over(rate, least) - gap > max(gap >> 1, c.sig_n):
            return NEXT_DONE
        ms = 1
    c.width_ms = ms
    return NEXT_PULSE
