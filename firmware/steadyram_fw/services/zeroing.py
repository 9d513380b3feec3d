"""Take the reading of now as zero: the same checks whoever asks."""

from .. import tables as T
from .refuse import Refuse


def zero(app, by):
    """Let the core take its zero; returns it in counts. Raises Refuse when the press is not at rest."""
    if app.core.fault:
        raise Refuse(T.E_FAULT_LATCHED)
    keeper = app.keeper
    settings = keeper.settings
    top = app.inputs & T.IN_TOP or not settings[T.S_TOP_SWITCH]
    if app.inputs & (T.IN_EXTEND | T.IN_RETRACT) or not top:
        raise Refuse(T.E_NOT_AT_REST)
    # the core takes it over the next few means of 64 samples; what it will be is the mean of now
    value = (app.core.mean_c16 + 8) >> 4
    home = settings[T.S_COUNTS_ZERO] if keeper.cal is None else keeper.cal[T.C_ZERO_COUNTS]
    span = settings[T.S_COUNTS_FULL] - settings[T.S_COUNTS_ZERO]
    if abs(value - home) * 1000 > span * settings[T.S_ZERO_DRIFT_PPT]:
        raise Refuse(T.E_OUT_OF_RANGE, "zero %d, calibrated at %d" % (value, home))
    keeper.changes.note(by, "zero", app.core.zero, value)
    app.core.take_zero()
    return value
