"""The ceiling on force that a handling stroke can be promised to keep: bed or tooling moved with the ram.

What the reading does not show comes off the ceiling: friction that is less than it was at the calibration, a weight
hung from the ram since, the zero's wander, and what one more move lets in once the last reading was taken. What the
ram needs to break away must still lie below. So the least ceiling follows from friction, load and the shortest pulse,
as measured. Newtons; t16 as in press.py. Loaded only where a ceiling is set; not called in a step.
"""

from .. import tables as t
from .fixed import force_over, isqrt, share_of
from .press import breakaway_n, seal_friction_n

# Seal friction differs by so much from stroke to stroke where that was not measured, its share: 1/5 (common practice).
SCATTER_SHARE = 5
# Uncertainty of a rise rate that was not told, thousandths (own allowance).
RATE_U_PPT = 100


def least_n(p, s, cal):
    """Return the least ceiling on the force on the work that a handling stroke keeps.

    p: the press as configured; s: settings and measured values; cal: the calibration's first fields.
    """
    noise_n = p.noise_n >> 1
    rate16 = p.slow16 if p.slow_fitted else p.low16
    valve_n = force_over(rate16, isqrt(p.jitter16 * p.jitter16 + 21))
    # A stroke ends so far below its limit at most (stroke_plan.figures), and must not end in the air.
    accept_n = (5 * (max(valve_n, noise_n) + (min(valve_n, noise_n) >> 1))) >> 2
    needs_n = (
        min(breakaway_n(s, cal), 2 * seal_friction_n(s, cal)) + _less_n(s, cal) + accept_n + 4 * p.noise_n
    )
    return _beyond_n(p, s, cal) + needs_n + share_of(needs_n, _rate_u_ppt(p, s))


def ends_at_n(p, s, cal):
    """Return the reading at which a handling stroke ends to keep the ceiling that is set; 0 where it cannot."""
    ceiling_n = s[t.S_HANDLING_N]
    if ceiling_n < least_n(p, s, cal):
        return 0
    # What a move lets in is sized by the rate, up to the limit.
    left_n = ceiling_n - _beyond_n(p, s, cal)
    whole = 1000 + _rate_u_ppt(p, s)
    return left_n // whole * 1000 + left_n % whole * 1000 // whole


def _beyond_n(p, s, cal):
    """Force on the work that may come on top of the last reading."""
    rate16 = p.slow16 if p.slow_fitted else p.low16
    rate16 += share_of(rate16, _rate_u_ppt(p, s))
    hidden_n = s[t.S_HANGING_N] + _less_n(s, cal) + 3 * _known(s[t.S_ZERO_WANDER_N], 0) + p.noise_n
    return hidden_n + force_over(rate16, _move16(p, s))


def _less_n(s, cal):
    """How much less a stroke's friction may be: three deviations, all of it at most."""
    friction_n = seal_friction_n(s, cal)
    return min(3 * _known(s[t.S_FRICTION_SCATTER_N], friction_n // SCATTER_SHARE), friction_n)


def _rate_u_ppt(p, s):
    return _known(s[t.S_RATE_SLOW_U_PPT if p.slow_fitted else t.S_RATE_LOW_U_PPT], RATE_U_PPT)


def _move16(p, s):
    """Flow that a move may let in beyond what it was meant to, t16: three deviations, cold oil, the shortest pulse."""
    slow = p.slow_fitted
    lag_u16 = s[t.S_LAG_U_US] * 2 // 125 if s[t.S_LAG_U_US] >= 0 else p.jitter16
    close16 = p.slow_close16 if slow else p.close16
    open16 = p.slow_open16 if slow else p.open16
    pulse16 = ((p.slow_least_ms if slow else p.least_ms) << 4) - (
        p.slow_dead_time16 if slow else p.dead_time16
    )
    # Two edges jitter; cold oil makes both later by up to half.
    move16 = max(16, pulse16) + (17 * p.jitter16 >> 2) + lag_u16 + (max(0, close16 - open16) >> 1)
    if slow:
        # A feed that is watched is closed upon by its reading.
        move16 = max(move16, 3 * p.jitter16 + lag_u16 + (close16 >> 1))
    return move16


def _known(value, otherwise):
    return value if value >= 0 else otherwise
