"""What a set must fulfil as a whole, against the other sets in force, before it may be committed."""

from .. import tables as T
from ..core.press import nominal_full_n
from .refuse import Refuse

# The control core multiplies their sum by a byte within 31 bits (core/fixed.py, mulq).
_COEFFICIENTS_MAX = 4194303


def force_n(cal, counts):
    """Force on the work by a calibration, newtons, at a reading in counts (rising force)."""
    x = counts - cal[T.C_ZERO_COUNTS]
    y = 0
    for c in (T.C_C3_N, T.C_C2_N, T.C_C1_N):
        y = (cal[c] + y) * x + 32768 >> 16
    return cal[T.C_C0_N] + y


def nominal_n(settings, counts):
    """Force by the nameplate at a reading above zero, newtons."""
    return nominal_full_n(settings) * counts // (settings[T.S_COUNTS_FULL] - settings[T.S_COUNTS_ZERO])


def check_all(settings, measured, jobs, cal):
    """Check the sets together. Raises Refuse with the first contradiction."""
    check_settings(settings)
    if cal is not None:
        check_calibration(settings, cal)
    for number in range(1, T.JOB_SLOTS + 1):
        if jobs[number] is not None:
            check_setpoint(settings, jobs[number][1], cal, number)


def check_settings(settings):
    """Contradictions within the settings."""
    if settings[T.S_COUNTS_ZERO] >= settings[T.S_COUNTS_FULL]:
        raise Refuse(T.E_INCONSISTENT, "counts_zero not below counts_full")
    if settings[T.S_OVERFORCE_N] < settings[T.S_CAPACITY_N]:
        raise Refuse(T.E_INCONSISTENT, "overforce_n below capacity_n")


def check_calibration(settings, cal):
    """A calibration must rise over its whole range and agree with the nameplate within a factor of two."""
    zero = cal[T.C_ZERO_COUNTS]
    top = cal[T.C_MAX_COUNTS]
    if top <= zero:
        raise Refuse(T.E_INCONSISTENT, "max_counts not above zero_counts")
    if cal[T.C_DUE_UNIX] and cal[T.C_DUE_UNIX] < cal[T.C_MADE_UNIX]:
        raise Refuse(T.E_INCONSISTENT, "due_unix before made_unix")
    if abs(cal[T.C_C1_N]) + abs(cal[T.C_C2_N]) + abs(cal[T.C_C3_N]) > _COEFFICIENTS_MAX:
        raise Refuse(T.E_INCONSISTENT, "c1_n, c2_n and c3_n too large together")
    steps = min(16, top - zero)
    before = force_n(cal, zero)
    for i in range(1, steps + 1):
        now = force_n(cal, zero + (top - zero) * i // steps)
        if now <= before:
            raise Refuse(T.E_INCONSISTENT, "force does not rise with the reading")
        before = now
    nominal = nominal_n(settings, top - zero)
    if not nominal < 2 * (before - cal[T.C_C0_N]) < 4 * nominal:
        raise Refuse(T.E_INCONSISTENT, "calibration and nameplate differ by more than a factor of two")


def limits(settings, job, cal):
    """The limits of a job's setpoint, newtons, each with the error above it, in the order they are told."""
    out = [
        (settings[T.S_CAPACITY_N], T.E_OVER_CAPACITY),
        (settings[T.S_OVERFORCE_N], T.E_OVER_CAPACITY),
    ]
    if job[T.J_TOOL_LIMIT_N]:
        out.append((job[T.J_TOOL_LIMIT_N], T.E_OVER_TOOLING))
    if cal is not None:
        out.append((force_n(cal, cal[T.C_MAX_COUNTS]), T.E_OVER_RANGE))
    return out


def limit_n(settings, job, cal):
    """Highest setpoint that press, tooling and transducer allow, newtons."""
    return min([limit for limit, _ in limits(settings, job, cal)])


def test_ceiling_n(settings, job):
    """Highest force at which a valve-test stroke may end, newtons: over-force limit, or the chosen job's tooling's."""
    ceiling = settings[T.S_OVERFORCE_N]
    tool = job[T.J_TOOL_LIMIT_N] if job else 0
    return min(ceiling, tool) if tool else ceiling


def check_test(settings, job, cal, cut_counts, ceiling_n):
    """Return the force ceiling of a valve test, newtons. Raises Refuse where what is asked for goes beyond it."""
    if job and job[T.J_CUTOFF_REQUIRED]:
        raise Refuse(T.E_JOB_CHOSEN)
    highest = test_ceiling_n(settings, job)
    ceiling_n = ceiling_n or highest
    if ceiling_n > highest:
        raise Refuse(T.E_OUT_OF_RANGE, "ceiling_n, limit %d N" % highest)
    if cal is None:
        cut_n = nominal_n(settings, cut_counts - settings[T.S_COUNTS_ZERO])
    else:
        cut_n = force_n(cal, cut_counts)
    if cut_counts > settings[T.S_COUNTS_FULL] or cut_n > ceiling_n:
        raise Refuse(T.E_OUT_OF_RANGE, "cut_counts, ceiling %d N" % ceiling_n)
    return ceiling_n


def check_setpoint(settings, job, cal, number):
    """A job's setpoint against press, tooling and transducer."""
    for limit, error in limits(settings, job, cal):
        if job[T.J_SETPOINT_N] > limit:
            raise Refuse(error, "job %d, limit %d N" % (number, limit))
