"""The rule: how much oil the next move may let in. Every function works on a Stroke `c`.

A move lets in at most what keeps the part inside its band even when everything errs by three deviations:
min(r, r + allowance - 3 sigma), r the oil left to the setpoint. What is unknown counts as a dead stop.
Oil in u16 (sixteenths of a millisecond of the low stage's flow), times in t16.
"""

from .fixed import clamp, force_over, isqrt, time_for
from .job_model import L_NEED, L_SPREAD, L_UC, L_UC_SPREAD, LEVELS, need16, spread16
from .modes import FEED_SLOW
from .position import AFTER16, AHEAD, GUARD_N, LAND16, LAND_AIR16, LEVEL, STOP_N, TRIP_N

FAR_N = 8000000  # a force that no reading reaches
FAR16 = 1 << 24
# A watched feed pays where the pulse would be so much longer than the lag, t16.
WATCHED16 = 320
# What a slow feed may take without a look at the settled force in between, t16 of its flow.
SLOW_RUN16 = 4000


def hypot16(a, b):
    """About sqrt(a^2 + b^2), at most 12 % too much."""
    if a < b:
        return b + (a >> 1)
    return a + (b >> 1)


def share_at(c, force):
    """Flow of the feed in use at a force, in 256ths of the low stage's."""
    return c.p.slow_share if c.feed == FEED_SLOW else c.p.share(force)


def dead_oil16(c, force):
    """Oil to the setpoint on a dead stop: the least that physics allows."""
    return time_for(c.setpoint - c.aim_n - force, c.p.low16 + (c.p.low16 >> 5))


def to_turn16(c, force):
    """Oil until the pump changes over; far where it does not before the setpoint."""
    p = c.p
    if force >= p.changeover_n:
        return 0
    if p.changeover_n >= c.setpoint:
        return FAR16
    if c.known:
        return max(0, need16(c.learned, c.setpoint, force) - need16(c.learned, c.setpoint, p.changeover_n))
    return time_for(p.changeover_n - force, p.low16)


def oil_in16(c, force, t16):
    """Oil that the feed in use lets in during a time from a force on."""
    p = c.p
    if c.feed == FEED_SLOW:
        return (t16 * p.slow_share) >> 8
    before16 = to_turn16(c, force)
    if t16 <= before16:
        return t16
    return before16 + (((t16 - before16) * p.high_share) >> 8)


def time_of16(c, force, oil16):
    """Time in which the feed in use lets in that oil; the inverse of oil_in16."""
    p = c.p
    if oil16 > 30000:
        oil16 = 30000
    if c.feed == FEED_SLOW:
        return (oil16 << 8) // p.slow_share
    before16 = to_turn16(c, force)
    if oil16 <= before16:
        return oil16
    return before16 + ((oil16 - before16) << 8) // p.high_share


def margin16(c, spread16):
    """Oil that is left free of the setpoint when what is left is known to `spread16`."""
    if not c.p.holds_load:
        # One shot: no pulse can add to a force that is gone.
        return 0
    left16 = max(0, c.reserve16, 3 * spread16 - c.allow16)
    if 0 < left16 < c.room16:
        # What a move leaves must be room for the shortest pulse.
        return c.room16
    return left16


def arm(c):
    """Say to the feed that starts when it is to be told to close: by oil, by force, by slope."""
    cells = c.cells
    p = c.p
    v = c.valve()
    slow = c.feed == FEED_SLOW
    setpoint = c.setpoint
    aim = setpoint - c.aim_n
    lag16 = v.close16 + v.see16
    cells[LAND_AIR16] = 0
    cells[LAND16] = 0
    cells[STOP_N] = aim - c.accept_n
    for j in range(LEVELS + 1):
        cells[AHEAD + j] = 0
    if not c.known:
        cells[AFTER16] = 0
        cells[GUARD_N] = FAR_N
        cells[TRIP_N] = dead_trip_n(c, lag16, aim)
        return
    a = c.learned
    jit16 = outlook(c)
    left16 = c.ahead16
    told = c.told
    cells[GUARD_N] = setpoint + c.allow_n
    cells[TRIP_N] = FAR_N
    best = c.left_spread16 if c.touched else FAR16
    # A level tells by the oil let in since it was passed, where it tells more than those before it. One ahead that
    # comes in time tells more than all before it: no oil ends the feed before.
    for j in range(LEVELS):
        spread = a[L_SPREAD + j]
        if spread < jit16:
            spread = jit16
        if a[L_NEED + j] > 0 and spread <= best + (best >> 3):
            if spread < best:
                best = spread
            if j >= told and not p.burst:
                cells[AHEAD + j] = max(1, left16[j])
    cells[AFTER16] = 0
    turn16 = turn_oil16(c)
    if not slow and turn16 > 0:
        cells[AFTER16] = max(0, turn16 - time_for(c.aim_n, c.end16) - margin16(c, min(best, 20000)))
    trip = trip_at_n(c, turn16) if told else FAR_N
    if not p.burst:
        cells[TRIP_N] = min(trip, aim)
        if not told:
            land_by_oil(c, lag16, jit16, time_for(c.aim_n, c.end16))
    else:
        cells[TRIP_N] = trip if trip < FAR_N else c.touch_n


def lag_oil16(c, need16_of, turn16):
    """Oil that the valve in use lets in during its lag when so much is left."""
    p = c.p
    v = c.valve()
    lag16 = v.close16 + v.see16
    if c.feed == FEED_SLOW:
        return (lag16 * p.slow_share) >> 8
    if need16_of <= turn16:
        return (lag16 * p.high_share) >> 8
    if turn16 > 0 and need16_of - turn16 < lag16:
        return need16_of - turn16 + (((lag16 - need16_of + turn16) * p.high_share) >> 8)
    return lag16


def turn_oil16(c):
    """Oil from the pump's changeover to the setpoint, as the job's parts have needed it."""
    p = c.p
    return need16(c.learned, c.setpoint, p.changeover_n) if p.changeover_n < c.setpoint else 0


def plateau_step16(c):
    """Oil a level from which on a part yields: twice what a dead stop needs from level to level."""
    return 2 * time_for(c.setpoint >> 4, c.p.low16)


def level_spread16(c, j, step16):
    """One standard deviation of the oil from level j to the setpoint; at a plateau's end as in outlook."""
    a = c.learned
    spread = a[L_SPREAD + j]
    if j > 1 and a[L_NEED + j] > (LEVELS - j) * step16:
        return max(spread, a[L_SPREAD + j - 1], a[L_SPREAD + j - 2])
    return spread


def force_spread16(c, force):
    """One standard deviation of the oil from a force to the setpoint."""
    j = clamp((force << 4) // c.setpoint, 0, LEVELS - 1)
    spread = spread16(c.learned, c.setpoint, force, c.p.noise_n >> 2)
    return max(spread, level_spread16(c, j, plateau_step16(c)))


def outlook(c):
    """Look ahead along the job's curve, for the feed in use; returns the valve's jitter as oil.

    c.told becomes the highest level still ahead whose passing leaves time to close: there the force tells when to; 0 =
    none. c.ahead16 takes the oil that may be let in from each level on, down to that one. A part that has not passed a
    level surely needs what that level needs: so much is known of a plateau's end, however little is known of where on
    the plateau the part is.

    Along a plateau parts differ by as much at every level. At the one where it ends some are past it already: what they
    still need is not spread about a mean, so there the two levels before say how far parts differ.
    """
    a = c.learned
    jit16 = keep_room(c)
    off16 = time_for(c.aim_n, c.end16)
    turn16 = turn_oil16(c)
    left16 = c.ahead16
    holds_load = c.p.holds_load
    allow16 = c.allow16
    reserve16 = c.reserve16
    room16 = c.room16
    first = max(1, c.cells[LEVEL] if c.touched else 1)
    step16 = plateau_step16(c)
    c.told = 0
    # Down to the level that tells; margin16 of each is written out: a call a level takes most of a small board's step.
    for j in range(LEVELS, -1, -1):
        need = a[L_NEED + j]
        here16 = need - off16
        if holds_load:
            spread16 = a[L_SPREAD + j]
            if j > 1 and need > (LEVELS - j) * step16:
                before16 = a[L_SPREAD + j - 1]
                if before16 > spread16:
                    spread16 = before16
                before16 = a[L_SPREAD + j - 2]
                if before16 > spread16:
                    spread16 = before16
            keep16 = 3 * (spread16 if spread16 > jit16 else jit16) - allow16
            if keep16 < reserve16:
                keep16 = reserve16
            if 0 < keep16 < room16:
                keep16 = room16
            here16 -= keep16
        left16[j] = here16
        if here16 > 0 and first <= j < LEVELS and here16 >= lag_oil16(c, need, turn16):
            c.told = j
            break
    return jit16


def trip_at_n(c, turn16):
    """Force between the level that tells and the next at which the feed is to be told to close."""
    a = c.learned
    told = c.told
    step16 = plateau_step16(c)
    if a[L_NEED + told] > (LEVELS - told) * step16 and a[L_NEED + told + 1] <= (LEVELS - told - 1) * step16:
        # The plateau ends between the two levels, in each part elsewhere.
        return (c.setpoint * told) >> 4
    here = c.ahead16[told] - lag_oil16(c, a[L_NEED + told], turn16)
    above = c.ahead16[told + 1] - lag_oil16(c, a[L_NEED + told + 1], turn16)
    span = c.setpoint >> 4
    return ((c.setpoint * told) >> 4) + ((span >> 2) * ((here << 6) // max(1, here - above)) >> 4)


def keep_room(c):
    """Say how much oil a watched feed of the valve in use leaves for what may be late; returns its jitter as oil."""
    p = c.p
    v = c.valve()
    slow = c.feed == FEED_SLOW
    share = p.slow_share if slow else p.share(c.setpoint)
    jit16 = max(2, (v.jitter16 * share) >> 8)
    c.reserve16 = max(0, ((v.half_late16() * share) >> 8) - c.scrap16)
    c.room16 = 0
    least16 = max((v.least16() * share) >> 8, p.breakaway16)
    if least16 > jit16 and (slow or not p.slow_fitted):
        # From twice the shortest pulse on, pulses add up to any sum; below there are some that they cannot.
        c.room16 = 2 * least16 + 2 * jit16
    return jit16


def feed_oil16(c, jit16):
    """Oil that a watched feed on the part may let in: what a dead stop could stand whatever else is known."""
    return max(c.left16 - margin16(c, max(c.left_spread16, jit16)), safe_oil16(c, c.f0))


def pays(c, force):
    """True where a watched feed on the part would run longer than its lag: else a pulse does it better."""
    v = c.valve()
    oil16 = c.left16
    if c.known:
        jit16 = outlook(c)
        if c.told:
            oil16 -= margin16(c, max(c.learned[L_SPREAD + c.told], jit16))
        else:
            oil16 = feed_oil16(c, jit16)
    return time_of16(c, force, max(0, oil16)) > v.close16 + v.see16 + WATCHED16


def land_by_oil(c, lag16, jit16, off16):
    """Where the flow should have ended, by what is left or, in the air, by where contact is expected."""
    cells = c.cells
    a = c.learned
    if c.touched:
        cells[LAND16] = max(1, c.u16 + feed_oil16(c, jit16))
        return
    dead_n = dead_trip_n(c, lag16, c.setpoint - c.aim_n)
    if dead_n > 2 * c.touch_n and not may_be_held(c):
        # Even a dead stop would be closed upon in time by its force: the feed may run up to it.
        cells[TRIP_N] = min(cells[TRIP_N], dead_n)
        return
    spread0 = max(a[L_SPREAD], jit16)
    # A contact of this moment must still be stopped in time; then the feed may run up to it.
    if a[L_NEED] - off16 - margin16(c, spread0) > (lag16 * share_at(c, 0)) >> 8:
        return
    land16 = c.u16
    if c.from_top and a[L_UC] > 0:
        land16 = a[L_UC] + a[L_NEED] - off16 - margin16(c, hypot16(a[L_UC_SPREAD], spread0))
    cells[LAND_AIR16] = cells[LAND16] = max(1, land16)


def dead_trip_n(c, lag16, aim):
    """Force at which a feed must be told to close if the ram met a dead stop now."""
    p = c.p
    low16 = p.low16 + (p.low16 >> 5)
    if c.feed == FEED_SLOW:
        return aim - force_over(p.slow16 + (p.slow16 >> 5), lag16)
    turn = p.changeover_n
    if aim <= turn:
        return aim - force_over(low16, lag16)
    high16 = p.high16 + (p.high16 >> 5)
    trip = aim - force_over(high16, lag16)
    if trip >= turn:
        return trip
    # Above the changeover it takes so long; the rest of the lag is the low stage's.
    above16 = time_for(aim - turn, high16)
    return min(turn - force_over(low16, lag16 - above16), turn - 1) if lag16 > above16 else turn - 1


def safe_oil16(c, force):
    """Longest flow, as oil, that cannot pass the setpoint by more than a first part may even on a dead stop."""
    share = share_at(c, c.setpoint)
    jit16 = (c.valve().jitter16 * share) >> 8
    return dead_oil16(c, force) - jit16 - (jit16 >> 2)


def may_be_held(c):
    """True for a force at rest that is more than none and not yet surely the part's."""
    return not c.touched and c.f0 > c.touch_n


def in_air_oil16(c):
    """Oil that a move may let in that starts before contact."""
    # What is read in the air may be the seal's, or the part's already.
    safe16 = safe_oil16(c, max(0, c.f0))
    if not c.known:
        return safe16
    a = c.learned
    v = c.valve()
    jit16 = (v.jitter16 * share_at(c, c.setpoint)) >> 8
    pulse16 = jit16 + (jit16 >> 1)
    if may_be_held(c):
        spread = force_spread16(c, c.f0)
        left16 = need16(a, c.setpoint, c.f0) - time_for(c.aim_n, c.end16)
        return max(safe16, left16 - max(0, 3 * hypot16(spread, pulse16) - c.allow16))
    # Contact may be now; if it is expected later, that far and its spread.
    here16 = a[L_NEED] - margin16(c, max(a[L_SPREAD], pulse16))
    safe16 = max(safe16, here16)
    if c.from_top and a[L_UC] > 0:
        ahead16 = a[L_UC] + a[L_NEED] - c.u16
        safe16 = max(safe16, ahead16 - margin16(c, hypot16(hypot16(a[L_UC_SPREAD], a[L_SPREAD]), pulse16)))
    return safe16


def on_part_oil16(c, force):
    """Oil that a pulse may let in on the part."""
    safe16 = safe_oil16(c, force)
    if not c.known:
        return safe16
    v = c.valve()
    jit16 = (v.jitter16 * share_at(c, c.setpoint)) >> 8
    pulse16 = jit16 + (jit16 >> 1)
    left16 = c.left16
    return max(safe16, left16 - max(0, 3 * hypot16(c.left_spread16, pulse16) - c.allow16))


def figures(c):
    """What the landing is held to: sigma, allowance, what is accepted short, from what the press and the job are."""
    p = c.p
    noise4 = p.noise_n >> 1
    jit = p.jitter16
    fine16 = (c.end16 * (p.slow_share if p.slow_fitted else p.share(c.setpoint))) >> 8
    if p.turn_n - (p.turn_n >> 4) <= c.setpoint < p.changeover_n and not p.slow_fitted:
        fine16 = (c.end16 * p.high_share) >> 8
    # One standard deviation of what the valve's jitter (relay and spool: jitter16 is one actuation's) and
    # the sensor leave: the same figure as limit_sigma, from what the device itself knows.
    valve_n = force_over(fine16, isqrt(jit * jit + 21))
    c.sig_n = max(valve_n, noise4) + (min(valve_n, noise4) >> 1)
    c.allow_n = max(c.setpoint // 92, (c.sig_n * 8) // 3)
    c.accept_n = max(c.setpoint // 150, (c.sig_n * 5) >> 2)
    c.allow16 = time_for(c.allow_n, c.end16)
    c.scrap16 = time_for(max((5 * c.setpoint) >> 6, 3 * c.allow_n), c.end16)
