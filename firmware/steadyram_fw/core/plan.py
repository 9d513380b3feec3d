"""How a stroke is begun: which mode, which feed, how far. Every function works on a Cutoff `c`."""

from .fixed import abs_of, force_over, isqrt, time_for
from .learn import (
    L_AIM,
    L_BIAS,
    L_CYCLES,
    L_END,
    L_LAST_ERR,
    L_LATE,
    L_LEAD_N,
    L_NO_LEAD,
    L_PROFILE,
    L_RISE,
    L_RS,
    L_RSS,
    L_SETPOINT,
    L_US,
    LEVELS,
    spread16,
)
from .modes import FEED_FULL, FEED_SLOW, MODE_DEAD_LEAD, MODE_FIRST, MODE_LEAD, MODE_PLAN, MODE_THRESHOLD

# Longest flow of one pulse when a bed or a tool is positioned: 12 ms, a tenth or two of a millimetre.
GENTLE16 = 192


def begin(c, setpoint, learned, from_top):
    """Choose how this stroke is run and how it starts: sets mode, feed and width_ms (0 = continuous)."""
    p = c.p
    c.setpoint = setpoint
    c.learned = learned
    c.from_top = from_top
    c.u16 = 0
    c.base16 = 0
    c.pulses = 0
    c.level = 1
    c.contact16 = -1
    c.f0 = 0
    c.w16 = 0
    c.look_n = 0
    c.rise_end16 = 0
    c.late_seen = False
    c.verified = False
    c.best16 = 0
    c.weight16 = 0
    c.steep = False
    c.landed_once = False
    c.landed_n = 0
    c.landed_by_slow = False
    c.slow_landed_n = 0
    c.slow_rise16 = 0
    c.wait_ms = 0
    c.shift16 = 0
    c.bias16 = 0
    c.air = 0
    c.slope16 = 0
    c.before16 = 0
    c.last16 = 0
    c.last_n = 0
    c.suspect = 0
    c.air16 = 0
    c.flush_n = 0
    c.half16 = 0
    c.knee_n = 0
    c.again16 = 0
    c.end_n = 0
    c.guard_n = 0
    c.by_force = False
    c.used_slow = False
    c.flat = 0
    c.trip_n = 0
    c.trip16 = 0
    c.aim_n = 0
    c.smeared_from = 0
    c.smeared_to = 0
    c.feed = FEED_FULL
    c.width_ms = 0
    noise4 = p.noise_n >> 1
    c.touch_n = max(4 * noise4, setpoint >> 6, 8)
    if p.strategy == 0 or not p.characterised:
        c.mode = MODE_THRESHOLD
        return
    if p.strategy == 2:
        c.mode = MODE_DEAD_LEAD
        return
    p.set_late(learned[L_LATE] if learned[L_SETPOINT] == setpoint else 0)
    c.late0 = p.late16
    c.bias16 = learned[L_BIAS] if learned[L_SETPOINT] == setpoint else 0
    jit = p.jitter16
    known = learned[L_CYCLES] > 0 and learned[L_SETPOINT] == setpoint and learned[L_RS] > 0
    dead = p.dead16(setpoint)
    c.rs16 = learned[L_RS] if known else dead
    slow_dead = p.slow16
    c.rss16 = learned[L_RSS] if known and learned[L_RSS] > 0 else slow_dead
    fine16 = c.rss16 if p.slow_fitted else c.rs16
    if p.turn_n - (p.turn_n >> 4) <= setpoint < p.changeover_n and not p.slow_fitted:
        fine16 = p.high16
    # One standard deviation of what the valve's jitter (relay and spool: jitter16 is one actuation's) and
    # the sensor leave: the same figure as limit_sigma, from what the device itself knows.
    valve_n = force_over(fine16, isqrt(jit * jit + 21))
    c.sig_n = max(valve_n, noise4) + (min(valve_n, noise4) >> 1)
    c.allow_n = max(setpoint // 24, (c.sig_n * 7) >> 1)
    c.known = known and learned[L_CYCLES] > 1
    c.aim_n = learned[L_AIM] if c.known else 0
    if not known or not from_top or c.gentle:
        begin_first(c)
        return
    c.accept_n = max(setpoint // 140, (c.sig_n * 5) >> 2)
    if not p.holds_load and setpoint - force_over(p.low16, p.close16 + p.see16) <= 2 * c.touch_n:
        begin_first(c)
        return
    if not p.holds_load or lead_will_do(c):
        # An open centre gives one shot: no pulse can add to a force that is gone.
        c.mode = MODE_LEAD
        c.accept_n = max(setpoint // 110, c.sig_n * 2)
        return
    begin_plan(c)


def begin_first(c):
    """No history: what follows must be safe against a dead stop met at any moment."""
    c.mode = MODE_FIRST
    if c.known:
        c.accept_n = max(c.setpoint // 140, (c.sig_n * 5) >> 2)
    else:
        c.accept_n = max(c.setpoint // 50, c.sig_n * 2)
    approach(c)


def approach(c):
    """Next way to travel while nothing is touched: continuous feed if the setpoint leaves it the time."""
    p = c.p
    lag = p.close16 + p.see16
    if not c.gentle and c.setpoint - force_over(p.low16, lag) > 2 * c.touch_n:
        c.feed = FEED_FULL
        c.width_ms = 0
        return
    w16 = safe16(c, 0)
    if p.slow_fitted:
        slow_lag = p.slow_close16 + p.see16
        if c.gentle or w16 < 64 or pulse_width_ms(c, w16) == 0:
            c.feed = FEED_SLOW
            if c.setpoint - force_over(p.slow16, slow_lag) > 2 * c.touch_n:
                c.width_ms = 0
                return
            w16 = time_for(c.setpoint, p.slow16) - ((p.jitter16 * 7) >> 1)
            c.width_ms = max(1, (w16 + p.slow_open16 - p.slow_close16) >> 4)
            return
    c.feed = FEED_FULL
    if c.gentle:
        # Handling: inching, however much the ceiling would allow.
        w16 = min(w16, GENTLE16)
    c.width_ms = max(1, pulse_width_ms(c, w16))


def safe16(c, force):
    """Longest flow, t16, that on a dead stop passes the setpoint by no more than the band, 1.5 s.d. of jitter left."""
    p = c.p
    jit = p.jitter16
    dead = p.dead16(force)
    if p.slow_fitted:
        gap = c.setpoint - force
        # With a slow feed the band is small against one full-feed pulse: keep the whole spread below it.
        return time_for(gap + (c.setpoint >> 6), dead) - ((jit * 9) >> 1)
    return flow_for(c, force, p.dead16(c.setpoint)) - ((jit * 3) >> 1)


def flow_for(c, force, rate16):
    """Flow time t16 of full feed from a force to the setpoint; rate16 is the rise rate at the setpoint."""
    p = c.p
    setpoint = c.setpoint - c.aim_n
    turn = p.changeover_n
    if force < turn < setpoint:
        return time_for(turn - force, (rate16 << 8) // p.high_share) + time_for(setpoint - turn, rate16)
    return time_for(setpoint - force, rate16)


def pulse_width_ms(c, w16):
    """Energised width for a flow of w16; 0 if the shortest pulse lets more through."""
    p = c.p
    ms = (w16 + c.bias16 + p.open16 - p.close16) >> 4
    return ms if ms > 0 else 0


def linear(c, guard_n):
    """True if one lag before the setpoint the force already rises as it will at the setpoint (no knee within)."""
    p = c.p
    a = c.learned
    if a[L_NO_LEAD]:
        return False
    trip_n = c.setpoint - guard_n - force_over(c.rs16, p.close16 + p.see16)
    if c.setpoint > p.changeover_n > trip_n or trip_n < 2 * c.touch_n:
        return False
    if a[L_LEAD_N] > 2 and abs_of(a[L_LAST_ERR]) < 2 * c.accept_n:
        # It worked the last times.
        return True
    share = p.share(c.setpoint)
    back = a[L_US] - (((p.close16 + p.see16 + 128) * share) >> 8)
    # The top sixteenth is often not reached: a part may land a little short.
    last = a[L_PROFILE + LEVELS - 1] - a[L_PROFILE + LEVELS - 3]
    if last < 2 or a[L_PROFILE + LEVELS - 3] == 0:
        return False
    for j in range(LEVELS - 2, 1, -1):
        here = a[L_PROFILE + j]
        below = a[L_PROFILE + j - 1]
        if here == 0 or below == 0 or here - below > last - (last >> 2) + 24:
            return False
        if below <= back:
            return True
    return False


def lead_will_do(c):
    """True if full feed to the end is safe and exact: slow rise, no knee within the lag, small cost of a slow valve."""
    p = c.p
    a = c.learned
    rs = c.rs16
    seen = a[L_RISE]
    if seen > 0 and seen < rs:
        rs = max(seen, rs >> 2)
    if force_over(rs, p.close16 >> 1) > c.allow_n:
        return False
    if p.slow_fitted and 2 * force_over(rs, p.jitter16) > max(c.setpoint // 84, 3 * c.sig_n):
        return False
    if p.burst:
        return force_over(rs, p.close16 + p.see16) <= c.allow_n
    return linear(c, 0)


def begin_plan(c):
    p = c.p
    a = c.learned
    c.mode = MODE_PLAN
    c.by_force = False
    slack = (p.close16 >> 1) - time_for(c.allow_n, c.rs16)
    guard_n = force_over(c.rs16, 3 * p.jitter16 + (slack if slack > 0 else 0))
    least = p.least16(False)
    coarse = not p.slow_fitted and force_over(c.rs16, least) > c.allow_n + (c.allow_n >> 1)
    if coarse:
        guard_n = 0
    elif least > p.jitter16 and not p.slow_fitted:
        # What the feed leaves must be room for the shortest pulse.
        guard_n = max(guard_n, force_over(c.rs16, least + 4 * p.jitter16))
    if not p.burst and linear(c, guard_n):
        # The force tells better than the position when to close; what a slower valve could add is kept below.
        c.guard_n = guard_n
        c.by_force = True
        c.land16 = 1 << 24
        return
    if p.burst:
        begin_first(c)
        return
    c.flush_n = flush_n(c)
    spread = spread16(a, p.jitter16 * p.jitter16 * 2)
    slack = slack if slack > 0 else 0
    margin = 3 * spread + slack
    if p.slow_fitted:
        # What the full feed leaves, the slow feed must travel: no more than about a fifth of a second of it.
        margin = ((5 * spread) >> 1) + min(slack, (3200 * p.slow_share) >> 8)
    if coarse:
        # What the feed leaves must be room for two of the shortest pulses: one to see the valve by, one to land.
        margin = max(margin, (((least + max(least, slack)) * p.share(c.setpoint)) >> 8) + 2 * spread)
    land = a[L_US] - margin
    # A plateau higher by a third must not pass the setpoint where the feed ends.
    top_n = c.setpoint + c.allow_n
    for j in range(LEVELS, 0, -1):
        level_n = (c.setpoint * j) >> 4
        if level_n + (level_n >> 2) + (level_n >> 4) <= top_n:
            limit = a[L_PROFILE + j]
            if limit and limit - spread < land:
                land = limit - spread
            break
    c.land16 = land
    if land < p.close16 - p.open16 + 32:
        begin_first(c)


def flush_n(c):
    """Force above which the job's parts have been rising steeply: a sixteenth of the setpoint beyond their knee."""
    a = c.learned
    if a[L_END] == 0:
        return 0
    most = 2 * time_for(c.setpoint >> 4, a[L_END]) + 24
    for j in range(LEVELS - 2, 0, -1):
        here = a[L_PROFILE + j + 1]
        below = a[L_PROFILE + j]
        if here and (below == 0 or here - below > most):
            return (c.setpoint * (j + 2)) >> 4
    return 0
