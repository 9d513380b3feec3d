"""What a move did against what it should have done: contact, levels, knee, a late valve. Works on a Cutoff `c`."""

from .fixed import clamp, force_over, time_for
from .learn import L_CYCLES, L_PROFILE, L_SETPOINT, LEVELS
from .modes import FEED_SLOW, MODE_LEAD


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
    steep = gained > force_over(p.slow16 if slow else p.dead16(force), max(moved16, 1)) // 3
    watch_valve(c, force, gained, moved16, steep)
    if c.contact16 < 0 and force > c.touch_n:
        c.contact16 = c.base16
        c.air = c.pulses
    level = c.level
    # Levels passed inside a pulse: interpolate between the two settled readings.
    while level <= LEVELS and force << 4 >= c.setpoint * level:
        span = gained if gained > 0 else 1
        part = ((c.setpoint * level) >> 4) - c.f0
        share = clamp((part << 7) // span, 0, 128) if part < 4000000 else 0
        note_level(c, level, c.base16 + ((moved16 * share) >> 7))
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
            c.weight16 += moved16
            c.best16 += gained
        if steep and not c.steep and c.knee_n == 0 and c.f0 > c.touch_n and c.pulses > 1:
            c.knee_n = c.f0
        c.steep = steep
    if gained < c.touch_n and force > c.touch_n:
        c.flat += 1
    else:
        c.flat = 0
    c.f0 = force


def watch_valve(c, force, gained, moved16, steep):
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
        if gained < 6 * p.noise_n or moved16 < 8 or steep != c.steep:
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
