"""Results that cannot all be true are refused with the reason; what is true but doubtful is said."""

from __future__ import annotations

from steadyram.commission.measured import Characteristics
from steadyram.config import preferences
from steadyram.errors import CheckFailed

# Lags beyond this are no solenoid valve's, ms (20 to 80 ms: common practice, no source; cold oil half as much again).
_LONGEST_LAG_S = 0.25
_VAGUE_LAG_S = 0.012
_LAGS_APART_U_S = 0.012
# Relay and spool scatter by up to 3 ms each (common practice, no source), so one actuation by up to 4.2 ms.
_LARGEST_JITTER_S = 0.0042


def refuse_contradictions(measured: Characteristics) -> None:
    """Raise CheckFailed for results that contradict each other; nothing of them may be put into force."""
    m, rate = measured, preferences().rate
    if m.changeover_N is not None and m.rate_high_N_per_s > m.rate_low_N_per_s:
        raise CheckFailed(
            f"The force rises faster above the changeover ({rate(m.rate_high_N_per_s)}) than below it "
            f"({rate(m.rate_low_N_per_s)}), which no two-stage pump does; look for air in the oil or a block "
            "that beds in, and run the test again."
        )
    slow, full = m.rate_slow_N_per_s, max(m.rate_low_N_per_s, m.rate_high_N_per_s)
    if slow > full * (1.0 + (m.rate_low_u or 0.0) + (m.rate_slow_u or 0.0)):
        raise CheckFailed(
            f"The slow feed lifts the force faster ({rate(slow)}) than the full feed ({rate(full)}); "
            "check which solenoid is wired to which output."
        )
    for name, lag in (("opening", m.open_lag_s), ("closing", m.close_lag_s)):
        if lag > _LONGEST_LAG_S:
            raise CheckFailed(
                f"The {name} lag comes out as {1e3 * lag:.0f} ms, longer than a solenoid valve takes; check relay, "
                "spool and oil, and run the test again."
            )
    if m.jitter_s - (m.jitter_u_s or 0.0) > _LARGEST_JITTER_S:
        seen_ms, u_ms = 1e3 * m.jitter_s, 1e3 * (m.jitter_u_s or 0.0)
        raise CheckFailed(
            f"The valve's timing comes out as scattering by {seen_ms:.1f} ms ({u_ms:.1f} ms uncertain), and relay and "
            f"spool together scatter by up to {1e3 * _LARGEST_JITTER_S:.1f} ms: the strokes were not seen well. Look "
            "for air in the oil, a slow snubber or a block that beds in, and run the test again."
        )
    if m.pulse_dead_s is not None and m.open_lag_u_s is not None and m.close_lag_u_s is not None:
        by_lags = m.open_lag_s - m.close_lag_s
        apart = abs(m.pulse_dead_s - by_lags)
        # What valve and sensor share is in both lags alike, and falls out of their difference.
        lags_u = min(m.open_lag_u_s + m.close_lag_u_s, _LAGS_APART_U_S)
        if apart > 0.006 + 3.0 * ((m.pulse_dead_u_s or 0.0) + lags_u):
            raise CheckFailed(
                f"Pulses lose {1e3 * m.pulse_dead_s:.1f} ms of their width, but the valve's lags say "
                f"{1e3 * by_lags:.1f} ms; the valve does not repeat, or the pressure reading trails it. Check valve "
                "and snubber, and run the test again."
            )


def doubts_about(measured: Characteristics) -> list[str]:
    """Return sentences on what was not found or is still changing, each with what follows."""
    m, force = measured, preferences().force
    out = []
    if m.stages is None:
        out.append(
            f"Whether the pump changes over could not be told: {m.stages_why}. Parts are brought up as if the steep "
            "rate held at every force: slower, and short rather than over."
        )
    elif m.stages == 1 and m.seen_to_N is not None and m.seen_from_N is not None:
        out.append(
            f"No changeover found between {force(m.seen_from_N, 3)} and {force(m.seen_to_N, 3)}; outside that range "
            "the rate is taken to be the same."
        )
    if m.lag_drift_s:
        out.append(
            f"The closing lag moved by {1e3 * m.lag_drift_s:+.1f} ms during the test: the oil was not at its working "
            "temperature. Run the press until it is warm and repeat the test."
        )
    for name, u in (
        ("below the changeover", m.rate_low_u),
        ("above the changeover", m.rate_high_u),
        ("of the slow feed", m.rate_slow_u),
    ):
        if u is not None and u > 0.1:
            out.append(f"The rise rate {name} is known to {u:.0%} only.")
    for name, u in (("opening", m.open_lag_u_s), ("closing", m.close_lag_u_s)):
        if u is not None and u > _VAGUE_LAG_S:
            out.append(
                f"The {name} lag is known to {1e3 * u:.0f} ms only: the strokes do not show it clearly."
            )
    if m.pulse_least_s is None:
        out.append("The shortest pulse of the full feed that moves anything was not found.")
    if m.slow_pulse_least_s is None and m.rate_slow_N_per_s > 0:
        out.append("The shortest pulse of the slow feed that moves anything was not found.")
    if m.friction_N is None:
        out.append("Seal friction was not seen: leave the ram more free travel above the block.")
    return out
