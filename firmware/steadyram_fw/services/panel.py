"""What the operator sees and turns: four lines of text and the setpoint knob.

The knob works on the active job, in steps of about a hundredth of the setpoint, within what press, tooling
and transducer allow. A turn counts once the knob has been still for a moment and the ram is at rest; then it
is stored and recorded like any other change.
"""

from .. import tables as T
from . import checks
from .cyclelog import BY_PANEL
from .refuse import Refuse
from .store import StoreError

_STILL_MS = 1500
_SHOW_MS = 200
_WIDTH = 20


class Panel:
    """`board.knob()` gives the steps since last asked, `board.show(lines)` takes four lines of text."""

    def __init__(self, app):
        self._app = app
        self._turned_n = 0  # setpoint being dialled, 0 = none
        self._turned_at = 0
        self._shown_at = 0
        self._lines = None

    def work(self):
        """Look at the knob and refresh the text. Returns True when something was stored or shown."""
        app = self._app
        now = app.clock.uptime_ms()
        steps = app.board.knob()
        if steps and app.keeper.job():
            self._turn(steps)
            self._turned_at = now
        if self._turned_n and _since(now, self._turned_at) >= _STILL_MS and app.at_rest():
            self._store()
            return True
        if _since(now, self._shown_at) < _SHOW_MS:
            return False
        self._shown_at = now
        text = self.text()
        if text == self._lines:
            return False
        self._lines = text
        app.board.show(text)
        return True

    def _turn(self, steps):
        keeper = self._app.keeper
        job = keeper.job()
        step = max(10, job[T.J_SETPOINT_N] // 1000 * 10)
        limit = checks.limit_n(keeper.settings, job, keeper.cal)
        value = (self._turned_n or job[T.J_SETPOINT_N]) + steps * step
        self._turned_n = max(1, min(limit, value))

    def _store(self):
        keeper = self._app.keeper
        value = self._turned_n
        self._turned_n = 0
        if not keeper.job() or value == keeper.job()[T.J_SETPOINT_N]:
            return
        try:
            keeper.set_setpoint(value, BY_PANEL, False)
            self._app.replaced("jobs")
        except Refuse:
            pass  # the limits were lowered meanwhile: the old setpoint stays
        except StoreError:
            self._app.core.raise_fault(T.FAULT_STORE_FAILED)

    def text(self):
        """Four lines of up to 20 characters."""
        app = self._app
        core = app.core
        keeper = app.keeper
        job = keeper.job()
        force = _kn(core.force_n)
        if core.fault:
            return (
                "FAULT %d" % core.fault,
                T.FAULT_NAMES[core.fault][:_WIDTH],
                "%8s kN" % force,
                "release pedals, ack",
            )
        if app.inputs & T.IN_CUTOFF:
            top = "%8s kN  %s" % (force, T.STATE_NAMES[core.state])
        else:
            # nothing on the panel is worth more room than this
            top = "!!!  CUTOFF OFF  !!!"
        if core.refusal:
            second = "NO: " + T.REFUSAL_NAMES[core.refusal]
        elif self._turned_n:
            second = "set > %s kN" % _kn(self._turned_n)
        elif not app.inputs & T.IN_CUTOFF:
            second = "%8s kN  %s" % (force, T.STATE_NAMES[core.state])
        elif job:
            second = "set   %s kN" % _kn(job[T.J_SETPOINT_N])
        else:
            second = "no job"
        third = "" if not job else "%d %s" % (keeper.active, keeper.jobs[keeper.active][0])
        fourth = ""
        if job:
            fourth = "parts %d" % keeper.counts[keeper.active]
            if job[T.J_BATCH]:
                fourth += " of %d" % job[T.J_BATCH]
        if app.access.enabled:
            fourth = "CHANGES OPEN %d s" % app.access.seconds_left
        return top[:_WIDTH], second[:_WIDTH], third[:_WIDTH], fourth[:_WIDTH]


def _kn(force_n):
    sign = "-" if force_n < 0 else ""
    force_n = (abs(force_n) + 5) // 10
    return "%s%d.%02d" % (sign, force_n // 100, force_n % 100)


def _since(now, then):
    return (now - then) & 0xFFFFFFFF
