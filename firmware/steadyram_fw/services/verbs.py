"""What each verb does.

A function takes (app, link, values) and returns the text after "ok", or a generator of ("row" or "ok", text).

`values` are the verb's arguments in the order of the definition, or the (key, value) list for `put`.
"""

from .. import tables as T
from ..version import VERSION
from . import checks, lines, sets, zeroing
from .crc import digest
from .refuse import Refuse

_CAPS = "log,trace,fine,pulses,probe,teach,events,changes,travel,board"
_UNITS = "N,kPa,ms,counts"
_KEYS_A_ROW = 5
_POINTS_A_ROW = 32


def _hello(app, link, values):
    board = app.board
    # whoever armed a valve test is gone: this is another host, or the same one come back
    app.core.disarm()
    return " proto=%d oldest=%d fw=%s board=%s uid=%s units=%s caps=%s boot=%d job_slots=%d line_max=%d" % (
        T.PROTO,
        T.OLDEST,
        VERSION,
        lines.quote(board.name),
        lines.quote(board.uid),
        _UNITS,
        _CAPS,
        app.keeper.boot,
        T.JOB_SLOTS,
        T.LINE_MAX,
    )


def _now(app, link, values):
    core = app.core
    keeper = app.keeper
    settings = keeper.settings
    job = keeper.job()
    pressure = None
    span = settings[T.S_COUNTS_FULL] - settings[T.S_COUNTS_ZERO]
    if core.reading_valid and not settings[T.S_SENSOR_MEASURES]:
        pressure = (core.counts - settings[T.S_COUNTS_ZERO]) * settings[T.S_RANGE_KPA] // span
    out = [
        " state=%d fault=%d refusal=%d stop=%d" % (core.state, core.fault, core.refusal, core.stop),
        "force_n=%s pressure_kpa=%s" % (known(core.shown_n), known(pressure)),
        "peak_n=%d counts=%d mean_c16=%d spread_c=%d"
        % (core.peak_n, core.counts, core.mean_c16, core.spread_c),
        "job=%d setpoint_n=%d" % (keeper.active, job[T.J_SETPOINT_N] if job else 0),
        "count=%d batch=%d" % (keeper.counts[keeper.active], job[T.J_BATCH] if job else 0),
    ]
    for name, mask in (
        ("cutoff", T.IN_CUTOFF),
        ("latch", T.IN_LATCH),
        ("estop", T.IN_ESTOP_OK),
        ("top", T.IN_TOP),
    ):
        out.append("%s=%d" % (name, 1 if app.inputs & mask else 0))
    for name, mask in (("extend", T.OUT_EXTEND), ("retract", T.OUT_RETRACT), ("slow", T.OUT_SLOW)):
        out.append("%s=%d" % (name, 1 if app.outputs & mask else 0))
    out.append("changes_s=%d" % app.access.seconds_left)
    out.append("first_seq=%d next_seq=%d" % (keeper.log.first, keeper.log.next))
    out.append("uptime_ms=%d unix=%d zero=%d" % (app.clock.uptime_ms(), app.clock.unix(), core.zero))
    out.append("travel_um=%d reference=%d" % (core.travel_um, 1 if core.travel.known else 0))
    armed_ms = core.armed_ms
    out.append("armed_s=%d armed_n=%d" % ((armed_ms + 999) // 1000, core.armed_n if armed_ms else 0))
    return " ".join(out)


def known(number):
    """A number as it is told, or "-" for one that is not known."""
    return "-" if number is None else str(number)


# ---------------------------------------------------------------- sets
def _show(app, link, values):
    kind = values[0]
    return _show_learned(app) if kind == "learned" else _show_set(app.keeper, kind)


def _show_set(keeper, kind):
    value = keeper.value(kind)
    gen = keeper.gen(kind)
    told = keeper.digests[kind]
    n = 0
    if kind == "jobs":
        for number in range(1, T.JOB_SLOTS + 1):
            if value[number] is not None:
                n += 1
                yield (
                    "row",
                    ' slot=%d name="%s"%s'
                    % (number, value[number][0], _pairs(kind, value[number][1], 0, 99)),
                )
    elif value is not None:
        n = sets.count(kind)
        for at in range(0, n, _KEYS_A_ROW):
            pairs = _pairs(kind, value, at, at + _KEYS_A_ROW)
            if pairs:
                yield "row", pairs
    if keeper.digests[kind] != told:
        raise Refuse(T.E_BUSY)  # it was replaced while it was being shown
    yield "ok", " gen=%d digest=%s n=%d" % (gen, told, n)


def _pairs(kind, values, at, end):
    out = ""
    for pair in sets.pairs(kind, values, at, end):
        out += " %s=%d" % pair
    return out


def _show_learned(app):
    text = []
    for number in range(1, T.JOB_SLOTS + 1):
        learned = app.keeper.learned_of(number)
        if learned is not None:
            # two rows a job keep the line within bounds
            half = len(learned) // 2
            first = ",".join([str(v) for v in learned[:half]])
            rest = ",".join([str(v) for v in learned[half:]])
            text.append(bytes("%d=%s,%s\n" % (number, first, rest), "ascii"))
            yield "row", " job=%d i=0 v=%s" % (number, first)
            yield "row", " job=%d i=%d v=%s" % (number, half, rest)
    yield "ok", " gen=0 digest=%s n=%d" % (digest([b"learned\n"] + text), len(text))


def _unsealed(app, kind):
    if kind == "calibration" and not app.access.unsealed:
        raise Refuse(T.E_SEALED)


def _stage(app, link, values):
    _unsealed(app, values[0])
    link.staged = sets.Staged(values[0])
    return " kind=" + values[0]


def _staged(link):
    if link.staged is None:
        raise Refuse(T.E_NOTHING_STAGED)
    return link.staged


def _put(app, link, fields):
    return " n=%d" % _staged(link).put(fields)


def _check(app, link, values):
    staged = _staged(link)
    value = staged.result()
    app.keeper.check(staged.kind, value)
    return " digest=" + sets.digest_of(staged.kind, value)


def committed(app, link, fields):
    """Text after "ok" when `commit` asks for what is in force already and nothing is staged, else None.

    So a commit that is asked again after a power cut is answered although changes are closed again.
    """
    if link.staged is None and len(fields) in (1, 2) and fields[0][0] == "digest":
        keeper = app.keeper
        for kind in T.KINDS:
            if keeper.gen(kind) and keeper.digests[kind] == fields[0][1]:
                return " gen=%d digest=%s" % (keeper.gen(kind), fields[0][1])
    return None


def _commit(app, link, values):
    kind = _staged(link).kind
    _unsealed(app, kind)
    value = link.staged.result()
    if sets.digest_of(kind, value) != values[0]:
        raise Refuse(T.E_DIGEST_DIFFERS)
    if values[1] not in (-1, app.keeper.gen(kind)):
        raise Refuse(T.E_REPLACED_MEANWHILE)
    gen = app.keeper.commit(kind, value, T.BY_LINK)
    link.staged = None
    app.replaced(kind)
    return " gen=%d digest=%s" % (gen, values[0])


def _drop(app, link, values):
    link.staged = None
    return ""


# ---------------------------------------------------------------- at the press
def _use(app, link, values):
    app.keeper.use(values[0])
    job = app.keeper.job()
    return " job=%d setpoint_n=%d" % (values[0], job[T.J_SETPOINT_N] if job else 0)


def _recount(app, link, values):
    app.core.disarm()
    app.keeper.recount()
    return " count=0"


def _forget(app, link, values):
    app.keeper.forget(values[0])
    return " job=%d" % values[0]


def _no_fault(app):
    if app.core.fault:
        raise Refuse(T.E_FAULT_LATCHED)


def _zero(app, link, values):
    return " zero=%d" % zeroing.zero(app, T.BY_LINK)


def _probe(app, link, values):
    _no_fault(app)
    if app.inputs & (T.IN_EXTEND | T.IN_RETRACT):
        raise Refuse(T.E_NOT_AT_REST)
    keeper = app.keeper
    ceiling_n = checks.check_test(keeper.settings, keeper.job(), keeper.cal, values[1], values[5])
    app.core.arm_probe(values[0], values[1], values[2], values[3], values[4], ceiling_n)
    return " armed=1 armed_s=%d ceiling_n=%d" % ((app.core.armed_ms + 999) // 1000, ceiling_n)


def _disarm(app, link, values):
    app.core.disarm()
    return " armed=0"


def _teach(app, link, values):
    keeper = app.keeper
    if not keeper.active:
        raise Refuse(T.E_NO_SUCH_JOB)
    if values[1] not in (-1, keeper.active) or values[2] not in (-1, keeper.gen("jobs")):
        raise Refuse(T.E_REPLACED_MEANWHILE)
    setpoint = values[0] or app.core.proposed_n
    if not setpoint:
        raise Refuse(T.E_MISSING_KEY, "setpoint_n")
    keeper.set_setpoint(setpoint, T.BY_LINK, True)
    app.replaced("jobs")
    return " job=%d setpoint_n=%d" % (keeper.active, setpoint)


def _clock(app, link, values):
    before = app.clock.unix()
    app.clock.set(values[0])
    if not -2 <= values[0] - before <= 2:
        app.keeper.changes.note(T.BY_LINK, "clock", before, values[0])
    return " unix=%d" % values[0]


def _events(app, link, values):
    link.start_events(values[0], values[1])
    return " on=%d" % values[0]


def _io(app, link, values):
    return " inputs=%d outputs=%d counts=%d place=%d" % (app.raw, app.outputs, app.core.counts, app.place)


_MEASURED = (
    "clock_hz",
    "core_mv",
    "steps",
    "step_us",
    "longest_us",
    "late_us",
    "pause_us",
    "keeper_ms",
    "outputs",
    "read_back",
    "heap_free",
    "heap_used",
)


def _board(app, link, values):
    board = app.board
    told = board.told(app.at_rest()) if hasattr(board, "told") else {}
    out = [
        " build=%s left=%s interp=%s"
        % (
            lines.quote(getattr(board, "build", "") or ""),
            lines.quote(getattr(board, "left", "") or ""),
            lines.quote(told.get("interp", "")),
        )
    ]
    for name in _MEASURED:
        out.append("%s=%d" % (name, told.get(name, -1)))
    return " ".join(out)


def _maintenance(app, link, values):
    if not hasattr(app.board, "maintenance"):
        raise Refuse(T.E_NOT_HERE)
    # done by poll(), so that the answer goes out first
    app.leaving = True
    return ""


# ---------------------------------------------------------------- what is kept
def _log(app, link, values):
    wanted = values[2] or T.R_LEN
    return _pull(app.keeper.log, values, lambda record: _record_row(record[:wanted]))


def _changes(app, link, values):
    return _pull(app.keeper.changes, values, _change_row)


def _pull(log, values, show):
    seq = values[0]
    most = values[1]
    first = log.first
    if seq < first:
        seq = first
    if seq > log.next:
        seq = log.next
    end = min(seq + most, log.next) if first else seq
    while seq < end:
        record = log.read(seq)
        if record is not None:
            yield "row", show(record)
        seq += 1
    yield "ok", " next=%d first=%d last=%d" % (seq, log.first, log.last)


def _record_row(record):
    return " v=" + ",".join([str(value) for value in record])


def _change_row(row):
    words = (row[0], row[1], row[2], row[3], T.BY_NAMES[row[4]], lines.quote(row[5]))
    text = ' seq=%d boot=%d at_ms=%d at_unix=%d by=%s what=%s from="%s" to="%s"'
    return text % (words + (row[6], row[7]))


def _trace(app, link, values):
    found = app.keeper.log.trace(values[0])
    if found is None:
        raise Refuse(T.E_NO_SUCH_RECORD)
    return _trace_rows(*found)


def _trace_rows(ms, unit, points):
    for at in range(0, len(points), _POINTS_A_ROW):
        yield "row", _points(at, points[at : at + _POINTS_A_ROW])
    yield "ok", " n=%d dt_ms=%d unit_n=%d" % (len(points), ms, unit)


def _travel(app, link, values):
    found = app.keeper.log.travel(values[0])
    if found is None:
        raise Refuse(T.E_NO_SUCH_RECORD)
    ms, unit, points = found
    for at in range(0, len(points), _POINTS_A_ROW):
        yield "row", _points(at, points[at : at + _POINTS_A_ROW])
    yield "ok", " n=%d dt_ms=%d unit_um=%d" % (len(points), ms, unit)


def _points(at, points):
    return " i=%d v=%s" % (at, ",".join([str(value) for value in points]))


def _last(app, link, values):
    if app.core.live:
        raise Refuse(T.E_BUSY)
    return _fine_rows(app.core) if values[0] == "fine" else _pulse_rows(app.core)


def _fine_rows(core):
    fine = core.fine
    head = core.fine_head
    n = len(fine)
    for at in range(0, n, _POINTS_A_ROW):
        if core.live:
            raise Refuse(T.E_BUSY)
        yield "row", _points(at, [fine[(head + at + i) % n] for i in range(min(_POINTS_A_ROW, n - at))])
    yield "ok", " n=%d" % n


def _pulse_rows(core):
    n = core.pulses
    for i in range(n):
        if core.live:
            raise Refuse(T.E_BUSY)
        yield "row", _points(i, core.pulse_log[3 * i : 3 * i + 3])
    yield "ok", " n=%d" % n


RUN = {
    "hello": _hello,
    "now": _now,
    "show": _show,
    "stage": _stage,
    "put": _put,
    "check": _check,
    "commit": _commit,
    "drop": _drop,
    "use": _use,
    "recount": _recount,
    "forget": _forget,
    "zero": _zero,
    "probe": _probe,
    "disarm": _disarm,
    "teach": _teach,
    "log": _log,
    "trace": _trace,
    "travel": _travel,
    "last": _last,
    "events": _events,
    "clock": _clock,
    "changes": _changes,
    "io": _io,
    "board": _board,
    "maintenance": _maintenance,
}
