"""What the knob and its push do beyond dialling: choose a job, run a first part, zero, reset the count.

Turn moves, push takes, every list ends with "back"; nothing for twenty seconds, a live ram or a fault closes
the menu. Whoever stands at the panel may do all of this; it is recorded as done there.
"""

from .. import tables as T
from ..services import checks, zeroing
from ..services.refuse import Refuse
from ..services.store import StoreError
from ..version import VERSION
from . import unit
from .draw import View, wrap

IDLE_MS = 20000
_ITEMS = ("job", "first part", "zero", "count to 0", "device", "back")


class Menu:
    """`page` is "" while closed. turn() and push() come from the knob, look() fills a view."""

    def __init__(self, app):
        self._app = app
        self.page = ""
        self._at = 0
        self._used_at = 0
        self._jobs = []
        self._value_n = 0
        self._seq = 0
        self._said = ()
        self._title = ""

    # ------------------------------------------------------------ knob
    def open(self, now):
        self._go("menu", now)

    def close(self):
        self.page = ""

    def _go(self, page, now, at=0):
        self.page = page
        self._at = at
        self._used_at = now

    def turn(self, steps, now):
        self._used_at = now
        if self.page == "take":
            job = self._app.keeper.job()
            if job:
                step = max(10, self._value_n // 1000 * 10)
                limit = checks.limit_n(self._app.keeper.settings, job, self._app.keeper.cal)
                self._value_n = max(1, min(limit, self._value_n + steps * step))
            return
        last = len(self._rows()) - 1
        self._at = max(0, min(last, self._at + steps))

    def push(self, now):
        """The knob was pushed and let go. Files may be written: the caller holds the core still."""
        page = self.page
        try:
            getattr(self, "_push_" + page)(now)
        except Refuse as refuse:
            text = T.ERROR_TEXTS[refuse.number]
            self._say(now, "not done", text + (": " + refuse.detail if refuse.detail else ""))
        except StoreError:
            self._app.core.raise_fault(T.FAULT_STORE_FAILED)
            self.close()

    def _say(self, now, title, text):
        self._go("said", now)
        self._title = title
        self._said = wrap(text, 16, 5)[0]

    def jobs_changed(self, now):
        """Another job or another set of jobs is in force: what was asked about the one before is not done."""
        if self.page in ("job", "count", "first", "wait", "take"):
            self._say(now, "not done", "jobs were changed by somebody else")

    def _push_said(self, now):
        self.close()

    def _push_menu(self, now):
        item = _ITEMS[self._at]
        keeper = self._app.keeper
        if item == "back":
            self.close()
        elif item == "job":
            self._jobs = [n for n in range(1, T.JOB_SLOTS + 1) if keeper.jobs[n] is not None]
            at = self._jobs.index(keeper.active) if keeper.active in self._jobs else 0
            self._go("job", now, at)
        elif item == "device":
            self._go("device", now)
        elif item == "zero":
            self._go("zero", now)
        elif not keeper.active:
            self._say(now, "not done", "choose a job first")
        else:
            self._go("first" if item == "first part" else "count", now)

    def _push_job(self, now):
        if self._at < len(self._jobs):
            self._app.keeper.use(self._jobs[self._at], T.BY_PANEL)
        elif self._at == len(self._jobs):
            self._app.keeper.use(0, T.BY_PANEL)
        self.close()

    def _push_zero(self, now):
        if self._at == 0:
            zeroing.zero(self._app, T.BY_PANEL)
            self._say(now, "zero", "taken")
        else:
            self.close()

    def _push_count(self, now):
        if self._at == 0:
            self._app.keeper.recount(T.BY_PANEL)
        self.close()

    def _push_device(self, now):
        self._go("menu", now, _ITEMS.index("device"))

    def _push_first(self, now):
        if self._at:
            self.close()
            return
        keeper = self._app.keeper
        keeper.forget(keeper.active, T.BY_PANEL)
        self._seq = keeper.log.next
        self._go("wait", now)

    def _push_wait(self, now):
        self.close()

    def _push_take(self, now):
        app = self._app
        app.keeper.set_setpoint(self._value_n, T.BY_PANEL, True)
        app.replaced("jobs")
        self._say(now, "first part", "taken, set to " + self._told(self._value_n))

    def _told(self, force_n):
        return unit.told(force_n, unit.of(self._app.keeper.settings))

    # ------------------------------------------------------------ time
    def work(self, now):
        """Close when unused; a first part may take its time."""
        app = self._app
        page = self.page
        if not page:
            return
        if app.core.fault or (app.core.live and page != "wait"):
            self.close()
        elif page == "wait":
            if app.keeper.log.next != self._seq and app.at_rest():
                self._judge(now)
        elif page != "take" and (now - self._used_at) & 0xFFFFFFFF >= IDLE_MS:
            self.close()

    def _judge(self, now):
        """The first part has been pressed: offer what it suggests."""
        app = self._app
        record = app.keeper.log.read(app.keeper.log.next - 1)
        if record is None or record[T.R_STOP] not in (T.STOP_SETPOINT, T.STOP_OVER):
            words = T.STOP_PANEL[record[T.R_STOP]] if record is not None else "no record"
            self._say(now, "first part", "not complete: " + words)
            return
        holds = app.keeper.settings[T.S_HOLDS_LOAD]
        self._got_n = record[T.R_SETTLED_N if holds else T.R_PEAK_N]
        self._value_n = app.core.proposed_n or app.keeper.job()[T.J_SETPOINT_N]
        self._go("take", now)

    _got_n = 0

    # ------------------------------------------------------------ what is seen
    def _rows(self):
        page = self.page
        if page == "menu":
            return _ITEMS
        if page == "job":
            keeper = self._app.keeper
            rows = ["%d %s" % (n, keeper.jobs[n][0]) for n in self._jobs]
            return tuple(rows + ["no job", "back"])
        if page in ("zero", "count", "first"):
            return ("yes", "no")
        return ()

    def look(self, view):
        """Fill `view` with the open page."""
        app = self._app
        page = self.page
        view.kind = View.LIST
        view.mark = self._at
        view.rows = self._rows()
        if page == "menu":
            view.title = "menu"
        elif page == "job":
            view.title = "choose a job"
        elif page == "zero":
            view.title = "take zero now?"
        elif page == "count":
            view.title = "count to 0?"
        elif page == "first":
            view.title = "learn anew?"
        else:
            view.kind = View.ASK
            view.mark = -1
            view.set_n = 0
            if page == "wait":
                view.title = "first part"
                view.rows = (
                    "load the part,",
                    "hold the pedal",
                    "until it stops",
                    "by itself",
                    "push: leave it",
                )
            elif page == "take":
                view.title = "got " + self._told(self._got_n)
                view.set_n = self._value_n
                view.rows = ("turn to change", "push to take")
            elif page == "device":
                view.title = "device"
                board = app.board
                view.rows = (
                    "fw " + VERSION,
                    board.name[:16],
                    board.uid[:16],
                    "raw %d" % app.core.counts,
                    "step %d late %d" % (getattr(board, "step_us", 0), getattr(board, "late_us", 0)),
                )
            else:
                view.title = self._title
                view.rows = self._said
