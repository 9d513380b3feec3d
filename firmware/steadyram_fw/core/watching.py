"""What a move did against what it should have done: contact, levels, knee, a late valve. Works on a Cutoff `c`."""

from .fixed import clamp, force_over, time_for
from .learn import L_CYCLES, L_PROFILE, L_SETPOINT, LEVELS, spread16
from .modes import FEED_SLOW, MODE_LEAD, MODE_PLAN


def watch(c, force):
    """Compare what the last move did with what it should have done; keep the rise rate seen near the setpoint."""
    p = c.p
    slow = c.feed == FEED_SLOW
    if not slow and c.end_n < p.changeover_n < force:
        # The pump changed over after the last look: that much less oil has come in.
        late = min(time_for(force - p.turn_n, c.rs16), c.u16 - c.base16)
        if c.width_ms == 0:
            late = min(late, p.close16 + p.see16)
        c.u16 -= (late * (256 - p.high_share)) >> 8
    moved16 = c.u16 - c.base16
    gained = force - c.f0
    # Positions are oil, so one rate serves both feeds and both stages.
    steep = gained > force_over(p.low16, max(moved16, 1)) // 3
    # From where to interpolate: a feed's last look, at its end, else where the move began.
    from_n = c.f0
    from16 = c.base16
    if c.width_ms == 0:
        from_n = max(from_n, c.end_n)
        close16 = (p.slow_close16 if slow else p.close16) + p.see16
        from16 = max(from16, c.u16 - ((close16 * (p.slow_share if slow else p.share(force))) >> 8))
    if c.f0 <= c.touch_n:
        c.air16 = from16
    knee = note_slope(c, force, from_n, from16, c.f0 < c.flush_n <= force)
    watch_valve(c, force, gained, moved16, steep != c.steep or knee)
    if c.pulses == 0 and c.mode == MODE_PLAN and not c.by_force:
        c.suspect = sooner(c, force)
    if c.contact16 > 0 and force + force < c.touch_n:
        # Noise, in the last milliseconds of the move.
        c.contact16 = -1
    if c.contact16 < 0 and force > c.touch_n:
        # (The first feed's is not told from this: it may have begun anywhere.)
        c.contact16 = from16 if c.base16 else 0
        c.air = c.pulses
    level = c.level
    # Levels passed since the last look: interpolate between the two readings.
    span = max(1, force - from_n)
    while level <= LEVELS and force << 4 >= c.setpoint * level:
        part = ((c.setpoint * level) >> 4) - from_n
        share = clamp((part << 7) // span, 0, 128) if part < 4000000 else 0
        at16 = from16 + (((c.u16 - from16) * share) >> 7)
        if level == LEVELS >> 1 and from_n > c.touch_n:
            c.half16 = at16
        # What a feed passes while it closes is smeared over the closing: good enough only where nothing is known.
        if c.width_ms or c.learned[L_PROFILE + level] == 0:
            note_level(c, level, at16)
        else:
            if c.smeared_to == 0:
                c.smeared_from = level
            c.smeared_to = level + 1
        level += 1
    c.level = level
    if moved16 > 0:
        # Only a move that follows a steep one counts as rise at the setpoint: the first steep move may
        # straddle the knee, and a plateau's slope taken for it would overshoot the next part.
        # Nor does one that crosses the pump's changeover: its first part rose faster.
        crossed = c.f0 < p.changeover_n < force
        if (
            steep
            and c.steep
            and not crossed
            and c.f0 > c.setpoint >> 1
            and moved16 < 4000
            and c.weight16 < 4000
        ):
            if c.weight16 and time_for(gained, moved16) > time_for(c.best16, c.weight16) << 1:
                # The knee was between: what came before it tells nothing of the rise at the setpoint.
                c.weight16 = 0
                c.best16 = 0
            c.weight16 += moved16
            c.best16 += gained
        if (steep or knee) and not c.steep and c.knee_n == 0 and c.f0 > c.touch_n and c.pulses > 1:
            c.knee_n = c.f0
        c.steep = steep or knee
    if gained < c.touch_n and force > c.touch_n:
        c.flat += 1
    else:
        c.flat = 0
    if c.last16 > 0 and gained > 12 * p.noise_n and c.base16 > c.last16:
        before16 = time_for(max(c.f0 - c.last_n, 0), c.base16 - c.last16)
        if time_for(gained, max(moved16, 1)) > before16 << 1:
            # A knee was in this move: what came before it tells nothing of the rise after it.
            c.last16 = 0
    if c.last16 == 0 and force > c.setpoint - (c.setpoint >> 2):
        c.last_n = force
        c.last16 = c.u16
    c.f0 = force


def sooner(c, force):
    """By how much oil the feed has come further up than this job's parts were here: a late valve, or another part."""
    a = c.learned
    here16 = c.u16 + 3 * spread16(a, 2 * c.p.jitter16 * c.p.jitter16)
    for j in range(LEVELS, 0, -1):
        if (c.setpoint * j) >> 4 <= force:
            return max(0, a[L_PROFILE + j] - here16)
    return 0


def note_slope(c, force, from_n, from16, knee):
    """What the last move gained for its oil, rather too much than too little. True if a knee was crossed in it.

    Of a feed, what it gained while it closed. A start in the air tells nothing, nor a move in which the pump changed
    over. knee: the force says that one was crossed.
    """
    p = c.p
    gained = force - from_n
    moved16 = c.u16 - from16
    apart16 = (p.jitter16 * (p.slow_share if c.feed == FEED_SLOW else p.share(force))) >> 8
    if from_n <= c.touch_n or moved16 <= 2 * apart16 or from_n < p.changeover_n < force:
        return knee
    least_n = 3 * p.noise_n
    before16 = c.before16
    c.before16 = time_for(max(gained, least_n), moved16)
    if gained <= least_n:
        return knee
    c.slope16 = time_for(gained + (p.noise_n >> 1), moved16 - apart16)
    if before16 > 0 and c.before16 > (before16 * 7) >> 2:
        knee = True
    if knee:
        # What comes is steeper than this move, which began before it.
        c.slope16 = max(c.slope16, p.low16)
    if c.half16 == 0 and c.f0 > c.setpoint >> 1:
        # Half the setpoint was passed in the move before, from the air: at this slope, if that puts it there.
        at16 = c.base16 - time_for(c.f0 - (c.setpoint >> 1), c.slope16)
        if at16 > c.air16:
            c.half16 = at16
    return knee


def watch_valve(c, force, gained, moved16, turned):
    """Did the force still rise when the flow should have ended? Then the valve is later than it was."""
    p = c.p
    if not p.characterised or c.look_n == 0 or not p.holds_load:
        return
    after = force - c.look_n
    if c.width_ms == 0:
        # The slope at the command tells what the flow was worth, if no knee came after it.
        rise16 = c.rise_end16
        if c.feed == FEED_SLOW:
            rise16 = max(rise16, c.rss16)
        elif not (c.by_force or c.mode == MODE_LEAD) and force > c.setpoint - (c.setpoint >> 3):
            return
        if rise16 < 4 * p.noise_n:
            return
        extra = time_for(after, rise16) if after > 2 * p.noise_n else 0
        if c.end_n < p.turn_n < force:
            extra = (extra << 8) // p.high_share if extra < 60000 else 0
        telling = True
    else:
        share = p.slow_share if c.feed == FEED_SLOW else 256
        still = c.f0 > c.touch_n and gained < 2 * p.noise_n
        if p.late16 > 0 and still and moved16 << 8 > p.jitter16 * share:
            # It should have moved and did not: the valve is not that late.
            p.set_late(p.late16 - max(8, p.late16 >> 2))
            return
        if gained < 6 * p.noise_n or moved16 < 8 or turned:
            # Nothing to tell by, or a knee was crossed.
            return
        share = (after << 8) // gained if 0 < after < 4000000 else 0
        extra = 0
        if after > 2 * p.noise_n and share > 24:
            share = min(share, 230)
            extra = (min(moved16, 8000) * share) // (256 - share)
        telling = gained > 12 * p.noise_n
    if extra > p.jitter16:
        extra = min(extra + 2 * p.jitter16, p.late_max16)
        # One odd closing is jitter: half of what it shows beyond is believed at once, the rest if it stays.
        late = clamp(p.late16 + extra - p.jitter16, -p.late_max16, p.late_max16)
        p.set_late(late)
        c.late_seen = True
        c.verified = True
    elif telling:
        c.verified = True


def note_level(c, level, at16):
    a = c.learned
    if at16 < 1:
        at16 = 1
    old = a[L_PROFILE + level]
    if old == 0 or a[L_CYCLES] < 2 or a[L_SETPOINT] != c.setpoint:
        a[L_PROFILE + level] = at16
    else:
        a[L_PROFILE + level] = old + ((at16 - old) >> 2)
