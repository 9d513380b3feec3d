"""What the operator sees and turns: pictures on a display or four lines of text, the knob and its push.

The knob works on the active job, in steps of about a hundredth of the setpoint, within what press, tooling
and transducer allow. A turn counts once the knob has been still for a moment and the ram is at rest; then it
is stored and recorded like any other change; a push stores it at once. A push with nothing dialled opens the
menu (panel/menu.py). A push held long is for enabling changes and acknowledges faults: it is no push here.
"""

from .. import tables as T
from ..services import checks
from ..services.refuse import Refuse
from ..services.store import StoreError
from . import unit
from .draw import TURN_MS, View, ceiling_words, draw, wrap
from .menu import Menu

_STILL_MS = 1500
_SHOW_MS = 200
_PUSH_MS = 20
_PUSH_MOST_MS = 1000
_BLINK_MS = 500
_SECONDS_FROM = 60

# What a fault page says besides when the reading cannot tell the force; the second for a force sensor.
UNKNOWN_PAGES = (
    [("PRESSURE", "NOT KNOWN:", "treat the press", "as loaded")],
    [("FORCE", "NOT KNOWN:", "treat the press", "as loaded")],
)
# What to look after before bed or tooling is moved with the ram, two rows of 16 columns each.
CHECKLIST = (
    ("1 all pins in", "  and locked?"),
    ("2 nobody under", "  the load?"),
    ("3 never work", "under raised bed"),
)


class Panel:
    """`board.knob()` gives the steps since last asked, `board.show(lines)` takes four lines of text.

    A board with a `screen` is drawn on as well.
    """

    def __init__(self, app):
        self.app = app
        self.turned_n = 0  # setpoint being dialled, 0 = none
        self._turned_at = 0
        self._shown_at = 0
        self._lines = None
        self.menu = Menu(app)
        self.view = View()
        self._drawn = None
        self._pushed_at = -1  # -1 = up, -2 = down and no longer a push
        self._pages = ()
        self._job = -1
        self._jobs_gen = -1

    def work(self):
        """Look at the knob and refresh what is shown. Returns True when something was stored or shown."""
        app = self.app
        now = app.clock.uptime_ms()
        self._look_at_jobs(now)
        steps = app.board.knob()
        if steps:
            if self.menu.page:
                self.menu.turn(steps, now)
            elif app.keeper.job():
                self._turn(steps)
                self._turned_at = now
        if self._push(now):
            return True
        self.menu.work(now)
        if self.turned_n and _since(now, self._turned_at) >= _STILL_MS and app.hold_still():
            self._store()
            app.let_go()
            return True
        if _since(now, self._shown_at) < _SHOW_MS:
            return False
        self._shown_at = now
        if getattr(app.board, "screen", None) is not None:
            return self._draw(now)
        text = self.text()
        if text == self._lines:
            return False
        self._lines = text
        app.board.show(text)
        return True

    def _look_at_jobs(self, now):
        """Drop what was dialled or asked for a job that is not in force any more: a host may change it meanwhile."""
        keeper = self.app.keeper
        gen = keeper.gen("jobs")
        if gen != self._jobs_gen or keeper.active != self._job:
            if self._jobs_gen != -1:
                self.menu.jobs_changed(now)
                self.turned_n = 0
            self._jobs_gen = gen
            self._job = keeper.active

    def _push(self, now):
        """A short push of the knob, taken when it is let go; True when it did something."""
        app = self.app
        if app.inputs & T.IN_PUSH:
            if self._pushed_at == -1:
                # a push that acknowledges a fault does nothing else
                self._pushed_at = -2 if app.core.fault or app.core.live else now
            elif self._pushed_at >= 0 and _since(now, self._pushed_at) > _PUSH_MOST_MS:
                self._pushed_at = -2
            return False
        was = self._pushed_at
        self._pushed_at = -1
        if was < 0 or _since(now, was) < _PUSH_MS or app.core.fault or not app.hold_still():
            return False
        if self.menu.page:
            self.menu.push(now)
        elif self.turned_n:
            self._store()
        else:
            self.menu.open(now)
        app.let_go()
        self._shown_at = now - _SHOW_MS
        return True

    def _draw(self, now):
        blink = (now // _BLINK_MS) & 1 == 1
        view = self.look(now)
        key = (view.key(), blink)
        if key == self._drawn:
            return False
        self._drawn = key
        screen = self.app.board.screen
        draw(screen.frame, view, blink)
        screen.begin()
        return True

    def look(self, now):
        """What there is to see now."""
        app = self.app
        core = app.core
        keeper = app.keeper
        view = self.view
        job = keeper.job()
        view.unit = unit.of(keeper.settings)
        view.force_n = core.shown_n
        view.dialled = self.turned_n > 0
        view.set_n = self.turned_n or (job[T.J_SETPOINT_N] if job else 0)
        view.job = "%d %s" % (keeper.active, keeper.jobs[keeper.active][0]) if job else ""
        view.live = core.live
        turn = now // TURN_MS
        view.target_um = 0
        if job and job[T.J_STOP_ON]:
            view.target_um = job[T.J_DEPTH_UM]
            view.travel_um = core.travel_um if core.travel.known else None
            if turn & 1:
                view.job = _limit_words(job, view.unit)
        view.state = T.STATE_PANEL[core.state]
        view.count = ""
        if job:
            view.count = "%d" % keeper.counts[keeper.active]
            if job[T.J_BATCH]:
                view.count += "/%d" % job[T.J_BATCH]
        view.note = ""
        view.mark = -1
        view.rows = ()
        if core.refusal and (core.state == T.STATE_REFUSED or core.refusal == T.REFUSAL_ZERO_OUT):
            view.note = T.REFUSAL_PANEL[core.refusal]
            if core.refusal == T.REFUSAL_NO_CEILING and core.handling_least_n:
                view.note = "least " + unit.told(core.handling_least_n, view.unit)
        elif app.access.enabled and turn & 1:
            left = app.access.seconds_left
            view.note = "CHANGES OPEN" if left > _SECONDS_FROM else "CHANGES %d s" % left
        else:
            notes = self.notes(job)
            if notes:
                view.note = notes[turn % len(notes)]
        if core.fault:
            view.kind = View.FAULT
            view.title = "FAULT %d" % core.fault
            pages = wrap(T.FAULT_TEXTS[core.fault], 16, 4)
            if view.force_n is None:
                pages = pages + UNKNOWN_PAGES[core.settings[T.S_SENSOR_MEASURES]]
            view.rows = pages[now // 3000 % len(pages)]
            view.note = "push knob 1 s" if turn & 1 else "pedals off, then"
        elif core.armed_ms:
            view.kind = View.TEST
            view.title = "%d s left" % ((core.armed_ms + 999) // 1000)
            view.rows = _armed_rows(unit.told(core.armed_n, view.unit))
        elif getattr(app.access, "seal_ready", False):
            view.kind = View.SEAL
        elif self.menu.page:
            self.menu.look(view)
        elif not app.inputs & T.IN_CUTOFF:
            view.kind = View.CUTOFF_OFF
        elif job and job[T.J_HANDLING]:
            view.kind = View.HANDLING
            view.title = ceiling_words(keeper.settings)
            view.rows = _look_after(turn)
        else:
            view.kind = View.HOME
        return view

    def notes(self, job):
        """What to mind about the next touch of a pedal, in 16 columns each, the most important one first."""
        app = self.app
        core = app.core
        out = []
        if core.shown_n is None:
            out.append("TREAT AS LOADED")
            out.append("not calibrated" if core.reading_valid else "force not known")
        if job and job[T.J_HANDLING]:
            if not core.checked_ms:
                out.append(T.REFUSAL_PANEL[T.REFUSAL_CHECKLIST])
            # The ram stops with the pedal whatever the selector says; the selector should say so, too.
            out.append("turn latch off" if app.inputs & T.IN_LATCH else "stops with pedal")
        elif core.latch_on:
            out.append("LATCHED RETURN")
            out.append("ram goes on up")
        plain = app.keeper.settings[T.S_STRATEGY] == T.STRATEGY_THRESHOLD and not core.press.by_hand
        if plain and job and not job[T.J_HANDLING]:
            out.append("PLAIN THRESHOLD")
            out.append("parts go over")
        if job and job[T.J_BATCH] and app.keeper.counts[app.keeper.active] >= job[T.J_BATCH]:
            out.append("BATCH COMPLETE")
        if app.access.enabled:
            out.append("CHANGES OPEN")
        elif job and job[T.J_UNPROVEN]:
            out.append("not proven yet")
        return out

    def _turn(self, steps):
        keeper = self.app.keeper
        job = keeper.job()
        step = max(10, job[T.J_SETPOINT_N] // 1000 * 10)
        limit = checks.limit_n(keeper.settings, job, keeper.cal)
        value = (self.turned_n or job[T.J_SETPOINT_N]) + steps * step
        self.turned_n = max(1, min(limit, value))

    def _store(self):
        keeper = self.app.keeper
        value = self.turned_n
        self.turned_n = 0
        if not keeper.job() or value == keeper.job()[T.J_SETPOINT_N]:
            return
        try:
            keeper.set_setpoint(value, T.BY_PANEL, False)
            self.app.replaced("jobs")
        except Refuse:
            pass  # the limits were lowered meanwhile: the old setpoint stays
        except StoreError:
            self.app.core.raise_fault(T.FAULT_STORE_FAILED)

    def text(self):
        """Four lines of up to 20 characters, for a board without a display."""
        from .four_lines import four_lines  # a board with one does without it

        return four_lines(self)


def _limit_words(job, shown_in):
    """The force of a job that stops on depth: its limit, or the other thing that ends the stroke."""
    words = "limit %s" if job[T.J_STOP_ON] == T.STOP_ON_DEPTH else "or at %s"
    return words % unit.told(job[T.J_SETPOINT_N], shown_in)


def _look_after(turn):
    return CHECKLIST[turn % len(CHECKLIST)]


def _since(now, then):
    return (now - then) & 0xFFFFFFFF


def _armed_rows(ceiling):
    return "Extend pedal", "runs the test", "to " + ceiling, "Retract cancels"
