"""What the operator sees on a board without a display: four lines of up to 20 characters.

Loaded where it is asked for only: a board with a display has no use for it.
"""

from .. import tables as T
from . import unit
from .draw import TURN_MS, View, ceiling_words, mm

_WIDTH = 20


def four_lines(panel):
    """The lines of a panel as it is now."""
    app = panel.app
    core = app.core
    keeper = app.keeper
    job = keeper.job()
    shown_in = unit.of(keeper.settings)
    force = (
        "%8s %s" % ("---", shown_in[0])
        if core.shown_n is None
        else "%11s" % unit.told(core.shown_n, shown_in)
    )
    turn = app.clock.uptime_ms() // TURN_MS
    if core.armed_ms and not core.fault:
        return (
            "VALVE TEST ARMED %ds" % ((core.armed_ms + 999) // 1000),
            "NOT A PART: the next",
            "pedal runs the test",
            "to " + unit.told(core.armed_n, shown_in),
        )
    if panel.menu.page and not core.fault:
        return _menu(panel)
    if core.fault:
        return (
            "FAULT %d" % core.fault,
            T.FAULT_NAMES[core.fault].replace("-", " ")[:_WIDTH],
            force if core.shown_n is not None else _unknown(core),
            "release pedals, ack" if core.shown_n is not None or turn & 1 else "treat as loaded",
        )
    if app.inputs & T.IN_CUTOFF:
        top = "%s  %s" % (force, T.STATE_NAMES[core.state])
    else:
        # nothing on the panel is worth more room than this
        top = "!!!  CUTOFF OFF  !!!"
    if core.refusal and (core.state == T.STATE_REFUSED or core.refusal == T.REFUSAL_ZERO_OUT):
        second = "NO: " + T.REFUSAL_PANEL[core.refusal]
        if core.refusal == T.REFUSAL_NO_CEILING and core.handling_least_n:
            second = "least " + unit.told(core.handling_least_n, shown_in)
    elif panel.turned_n:
        second = "set > " + unit.told(panel.turned_n, shown_in)
    elif not app.inputs & T.IN_CUTOFF:
        second = "%s  %s" % (force, T.STATE_NAMES[core.state])
    elif job and job[T.J_HANDLING]:
        second = "HANDLING: CHECK PINS"
    elif job and job[T.J_STOP_ON]:
        second = "at %s to %s mm" % (
            mm(core.travel_um) if core.travel.known else "?",
            mm(job[T.J_DEPTH_UM]),
        )
    elif job:
        second = "set   " + unit.told(job[T.J_SETPOINT_N], shown_in)
    else:
        second = "no job"
    if core.state == T.STATE_RETURN and core.returns_latched:
        second = "LATCHED: GOES ON UP"
    third = "" if not job else "%d %s" % (keeper.active, keeper.jobs[keeper.active][0])
    fourth = ""
    if job:
        fourth = "parts %d" % keeper.counts[keeper.active]
        if job[T.J_BATCH]:
            fourth += " of %d" % job[T.J_BATCH]
    if job and job[T.J_HANDLING]:
        fourth = ceiling_words(keeper.settings)
    notes = panel.notes(job)
    if notes and turn & 1:
        third = notes[(turn >> 1) % len(notes)]
    if app.access.seal_ready:
        fourth = "let go: CALIBRATION"
    elif app.access.unsealed:
        fourth = "CHANGES OPEN, CAL"
    elif app.access.enabled:
        fourth = "CHANGES OPEN %d s" % app.access.seconds_left
    return top[:_WIDTH], second[:_WIDTH], third[:_WIDTH], fourth[:_WIDTH]


def _menu(panel):
    view = panel.view
    panel.menu.look(view)
    if view.mark >= 0:
        row = "> " + view.rows[view.mark]
        return view.title[:_WIDTH], row[:_WIDTH], "", "%d of %d" % (view.mark + 1, len(view.rows))
    rows = list(view.rows[:3]) + ["", "", ""]
    if view.kind == View.ASK and panel.menu.page == "take":
        rows[2] = "set > " + unit.told(view.set_n, unit.of(panel.app.keeper.settings))
    return view.title[:_WIDTH], rows[0][:_WIDTH], rows[1][:_WIDTH], rows[2][:_WIDTH]


def _unknown(core):
    """What the transducer, if it worked, would show."""
    return "FORCE NOT KNOWN:" if core.settings[T.S_SENSOR_MEASURES] else "PRESSURE NOT KNOWN:"
