"""The device as a whole over a fake core: cases that run under CPython and on MicroPython's littlefs."""

from bench import Bench, calibration_puts, job_puts, sealed, settings_puts, unsealed

from steadyram_fw import tables as T
from steadyram_fw.services.crc import crc16
from steadyram_fw.services.store import StoreError


def ready(root, **settings):
    """A device with settings, calibration and two jobs, changes enabled, job 1 in use."""
    bench = Bench(root)
    bench.enable()
    bench.push("settings", settings_puts(**settings))
    bench.push("calibration", calibration_puts())
    bench.push("jobs", job_puts(1, "nut", setpoint_n=9000, batch=50) + job_puts(4, "die", setpoint_n=40000))
    bench.ok("use job=1")
    return bench


def rows(lines):
    """Records of a log answer as lists of integers."""
    out = []
    for line in lines[:-1]:
        assert line.startswith("row v="), line
        out.append([int(v) for v in line[6:].split(",")])
    return out


def case_everything_survives_a_restart(root):
    bench = ready(root)
    for _ in range(3):
        bench.stroke()
    bench.stroke(T.STOP_PEDAL)
    bench.stroke(T.STOP_SETPOINT, 0)
    kinds = ("settings", "measured", "jobs", "calibration")
    before = [bench.ask("show kind=" + kind) for kind in kinds]
    again = Bench(root)
    after = [again.ask("show kind=" + kind) for kind in kinds]
    assert after == before
    now = again.ok("now")
    assert (now["job"], now["count"], now["next_seq"]) == ("1", "3", "6")
    assert again.core.job_no == 1
    assert again.core.job[T.J_SETPOINT_N] == 9000
    assert again.core.cal[T.C_C1_N] == 338450
    assert again.core.learned[0] == 5
    assert again.ok("hello")["boot"] == "2"
    assert again.app.keeper.recovered == []
    assert now["changes_s"] == "0"


def case_records_say_what_was_in_force(root):
    bench = ready(root)
    bench.ok("clock unix=1800000000")
    bench.stroke()
    bench.stroke(T.STOP_PEDAL)
    got = rows(bench.ask("log from=0"))
    assert [r[T.R_SEQ] for r in got] == [1, 2]
    first = got[0]
    assert first[T.R_BOOT] == 1
    assert first[T.R_JOB] == 1
    assert first[T.R_CAL_SERIAL] == 7
    assert first[T.R_SETTINGS_GEN] == 1
    assert first[T.R_COUNT] == 1
    assert got[1][T.R_COUNT] == 1
    assert 1800000000 <= first[T.R_AT_UNIX] <= 1800000010
    assert first[T.R_TRACE_LEN] == 100
    text = "name=nut\nsetpoint_n=9000\ntool_limit_n=0\ndwell_ms=0\nlatch_return=2\ncutoff_required=1\n"
    text += "batch=50\nunproven=0\n"
    assert crc16(bytes(text, "ascii")) == first[T.R_JOB_CRC]


def case_recount_and_batches(root):
    bench = ready(root)
    bench.stroke()
    bench.ok("recount")
    bench.stroke()
    bench.ok("use job=4")
    bench.stroke()
    assert bench.ok("use job=1")["setpoint_n"] == "9000"
    assert bench.ok("now")["count"] == "1"
    again = Bench(root)
    assert again.app.keeper.counts[1] == 1
    assert again.app.keeper.counts[4] == 1


def case_learning_belongs_to_job_press_and_calibration(root):
    bench = ready(root)
    bench.stroke()
    assert bench.core.learned[0] == 1
    # the same job under another batch size, and a knob's turn: still the same
    bench.push("jobs", job_puts(1, "nut", setpoint_n=9100, batch=10) + job_puts(4, "die", setpoint_n=40000))
    assert bench.core.learned[0] == 1
    bench.push("calibration", calibration_puts(serial=8))
    assert bench.core.learned[0] == 0
    bench.stroke()
    got = rows(bench.ask("log from=2"))
    assert got[0][T.R_FLAGS] & T.FLAG_RESET
    bench.stroke()
    assert not rows(bench.ask("log from=3"))[0][T.R_FLAGS] & T.FLAG_RESET
    assert bench.core.learned[0] == 2
    bench.push("jobs", job_puts(1, "nut", setpoint_n=12000))
    assert bench.core.learned[0] == 0
    bench.stroke()
    bench.ok("forget job=1")
    assert bench.core.learned[0] == 0
    assert Bench(root).core.learned[0] == 0


def case_nothing_is_written_while_live(root):
    bench = ready(root)
    bench.core.live = True
    for request in (
        "commit digest=00000000",
        "use job=4",
        "recount",
        "forget job=1",
        "zero",
        "teach setpoint_n=9000",
    ):
        assert bench.refused(request) == T.E_BUSY
    bench.core.finish()
    bench.run(5)
    assert bench.core.record_ready
    assert bench.ok("now")["next_seq"] == "1"
    bench.core.live = False
    bench.settle()
    assert not bench.core.record_ready
    assert bench.ok("now")["next_seq"] == "2"


def case_a_repeated_tag_runs_nothing_twice(root):
    bench = ready(root)
    line = sealed("zz recount")
    first = bench.raw(line)
    bench.stroke()
    assert bench.raw(line) == first
    assert bench.ok("now")["count"] == "1"
    # eight later changes push it out
    for _ in range(T.TAGS_KEPT):
        bench.ok("drop")
    assert bench.raw(line) == first
    assert bench.ok("now")["count"] == "0"


def case_a_new_line_ends_a_running_answer(root):
    bench = ready(root)
    for _ in range(6):
        bench.stroke()
    out = bench.raw(sealed("aa log from=0") + sealed("ab now"))
    bodies = [unsealed(line) for line in out]
    assert bodies[-1].startswith("ab ok ")
    assert len([b for b in bodies if b.startswith("aa ")]) < 7
    # noise does not
    out = bench.raw(sealed("ac log from=0") + b"\xff\xff\n")
    bodies = [unsealed(line) for line in out]
    assert bodies[-1] == "ac ok next=7 first=1 last=6"
    assert len([b for b in bodies if b.startswith("ac row")]) == 6


def case_noise_is_bounded(root):
    bench = ready(root)
    for _ in range(20):
        bench.raw(bytes(range(128, 256)) * 4)
    out = bench.raw(b"\n" + sealed("ad hello"))
    assert unsealed(out[-1]).startswith("ad ok ")
    assert len(out) == 2


def case_pull_of_many_records(root):
    bench = Bench(root, (8, 4, 3))
    for _ in range(40):
        bench.stroke(T.STOP_NO_CUTOFF, 0)
    now = bench.ok("now")
    assert (now["first_seq"], now["next_seq"]) == ("9", "41")
    got = []
    at = 0
    while True:
        out = bench.ask("log from=%d max=7" % at)
        got += rows(out)
        following = int(out[-1].split("next=")[1].split(" ")[0])
        if following <= at or len(out) == 1:
            break
        at = following
    assert [r[T.R_SEQ] for r in got] == list(range(9, 41))


def case_store_failure_is_a_fault_and_loses_nothing(root):
    bench = ready(root)
    log = bench.app.keeper.log
    store = log.store

    def full(values, trace, length, travel=None):
        raise OSError(28)

    log.store = full
    bench.stroke()
    assert bench.core.fault == T.FAULT_STORE_FAILED
    assert bench.core.record_ready
    bench.run(50)
    assert bench.core.record_ready
    log.store = store
    bench.run(5)
    assert bench.core.record_ready  # not before a person has acknowledged it
    bench.core.fault = 0
    bench.settle()
    assert not bench.core.record_ready
    assert rows(bench.ask("log from=1"))[0][T.R_SEQ] == 1


def case_damage_is_told(root):
    bench = ready(root)
    bench.stroke()
    for name in ("settings.a", "settings.b", "calibration.a", "calibration.b"):
        try:
            with open(root + "/" + name, "r+b") as file:
                file.write(b"????")
        except OSError:
            pass
    again = Bench(root)
    assert again.core.fault == T.FAULT_SETTINGS_BAD
    assert again.core.cal is None
    again.settle()
    changes = again.ask("changes from=0")
    assert len([c for c in changes if "by=itself what=recovered.settings" in c]) == 1
    again.enable()
    again.push("settings", settings_puts())
    # the next one is shown once the first is cured
    assert again.core.fault == T.FAULT_CALIBRATION_BAD
    again.push("calibration", calibration_puts())
    assert again.core.fault == 0
    assert again.core.cal is not None
    assert Bench(root).core.fault == 0


def case_calibration_of_another_board(root):
    ready(root)
    other = Bench(root, uid="ffff")
    assert other.core.fault == T.FAULT_CALIBRATION_BAD
    assert other.core.cal is None
    # acknowledged, it lets the press be calibrated anew; no cutoff till then
    other.run(5)
    assert other.core.fault == T.FAULT_CALIBRATION_BAD
    other.core.acknowledged = True
    other.run(5)
    assert other.core.fault == 0
    assert not other.core.acknowledged
    assert other.core.cal is None
    other.enable()
    other.push("calibration", calibration_puts(serial=9))
    assert other.core.cal[T.C_MAX_COUNTS] == 58000
    assert Bench(root, uid="ffff").core.fault == 0


def case_enable_button(root):
    bench = Bench(root)
    bench.inputs |= T.IN_ENABLE
    bench.run(2000)
    assert bench.ok("now")["changes_s"] == "0"  # held since power-up: may be stuck
    bench.inputs &= ~T.IN_ENABLE
    bench.run(1)
    bench.inputs |= T.IN_ENABLE
    bench.run(1490)
    assert bench.ok("now")["changes_s"] == "0"
    bench.run(20)
    assert bench.ok("now")["changes_s"] == "600"
    bench.run(3000)
    assert bench.ok("now")["changes_s"] == "597"  # still held: opened once
    bench.inputs &= ~T.IN_ENABLE
    bench.enable()
    assert bench.ok("now")["changes_s"] == "0"
    bench.enable()
    bench.push("settings", settings_puts(changes_s=30))
    bench.enable()
    bench.enable()
    bench.run(30100)
    assert bench.ok("now")["changes_s"] == "0"
    assert bench.refused("stage kind=jobs") == T.E_NOT_ENABLED


def case_knob_and_panel(root):
    bench = ready(root)
    bench.inputs |= T.IN_CUTOFF
    bench.board.turns = 3
    bench.run(500)
    assert bench.core.job[T.J_SETPOINT_N] == 9000
    assert bench.board.shown[1] == "set > 9.27 kN"
    bench.core.live = True
    bench.run(2000)
    assert bench.core.job[T.J_SETPOINT_N] == 9000
    bench.core.live = False
    bench.run(1600)
    assert bench.core.job[T.J_SETPOINT_N] == 9270
    changes = bench.ask("changes from=0")
    assert 'by=panel what=jobs.1.setpoint_n from="9000" to="9270"' in changes[-2]
    bench.board.turns = 100000
    bench.run(2000)
    assert bench.core.job[T.J_SETPOINT_N] == 178000
    bench.board.turns = -100000
    bench.run(2000)
    assert bench.core.job[T.J_SETPOINT_N] == 1
    bench.inputs &= ~T.IN_CUTOFF
    bench.run(300)
    assert bench.board.shown[0] == "!!!  CUTOFF OFF  !!!"
    bench.core.raise_fault(T.FAULT_OVER_FORCE)
    bench.run(300)
    assert bench.board.shown[:2] == ("FAULT 5", "over force")


def case_stream_of_live_readings(root):
    bench = Bench(root)
    bench.ok("events on=1 live_ms=50")
    bench.board.out = []
    bench.run(501)
    live = [unsealed(line) for line in bench.board.out]
    assert len(live) == 10
    assert live[0].startswith("- live ms=")
    bench.ok("events on=0")
    bench.board.out = []
    bench.run(200)
    assert bench.board.out == []


def case_a_talkative_host_does_not_keep_the_rest_from_its_work(root):
    bench = ready(root)
    bench.settle()
    flood = sealed("f1 now")
    bench.app.keeper.changes.note(0, "something", 1, 2)
    bench.stroke()
    bench.core.finish()
    bench.board.shown = None
    bench.core.force_n = 7770
    for _ in range(400):
        bench.board.rx = flood
        bench.app.tick(bench.core.counts, bench.inputs)
        bench.app.poll()
    assert bench.app.keeper.changes.waiting == []
    assert not bench.core.record_ready
    assert bench.board.shown is not None


def case_tick_survives_long_uptime(root):
    bench = Bench(root)
    clock = bench.app.clock
    clock.seconds = 4294967
    clock.ms = 290
    bench.core.live = True
    bench.run(4)
    bench.core.finish()
    bench.run(3)
    bench.core.live = False
    bench.settle()
    got = rows(bench.ask("log from=0"))[0]
    assert got[T.R_AT_MS] == 4294967295


def case_the_clock_is_in_the_record_of_changes(root):
    bench = ready(root)
    bench.ok("clock unix=1800000000")
    bench.run(2000)
    bench.ok("use job=4")
    last = bench.ask("changes from=0")[-2]
    assert "at_unix=1800000002 by=link what=active" in last


def case_zero_and_probe_need_rest(root):
    bench = ready(root)
    bench.inputs &= ~T.IN_TOP
    bench.run(1)
    assert bench.refused("zero") == T.E_NOT_AT_REST
    bench.inputs |= T.IN_TOP | T.IN_RETRACT
    bench.run(1)
    assert bench.refused("zero") == T.E_NOT_AT_REST
    probe = "probe feed=1 cut_counts=0 pulse_ms=20 pulses=3 pause_ms=500"
    assert bench.refused(probe) == T.E_NOT_AT_REST
    bench.inputs &= ~T.IN_RETRACT
    bench.run(1)
    assert bench.refused(probe) == T.E_JOB_CHOSEN
    bench.ok("use job=0")
    bench.ok(probe)
    assert bench.core.armed == (1, 0, 20, 3, 500)
    # 2 % of 52428 counts from where the calibration has it
    bench.core.mean_c16 = (6560 + 1049) * 16
    assert bench.refused("zero") == T.E_OUT_OF_RANGE
    bench.core.mean_c16 = (6560 + 1048) * 16
    assert bench.ok("zero")["zero"] == "7608"


def case_flash_that_refuses_leaves_everything_as_it_was(root):
    bench = ready(root)
    keeper = bench.app.keeper

    def full(payload, note=0):
        raise StoreError("full")

    before = bench.ask("show kind=settings")
    save = keeper.cells["settings"].save_pieces
    keeper.cells["settings"].save_pieces = full
    bench.ok("stage kind=settings")
    for text in settings_puts(capacity_n=100000):
        bench.ok("put " + text)
    digest = bench.ok("check")["digest"]
    assert bench.refused("commit digest=" + digest) == T.E_STORE_FAILED
    assert bench.ask("show kind=settings") == before
    assert bench.core.settings[T.S_CAPACITY_N] == 178000
    keeper.cells["settings"].save_pieces = save
    # the set is still staged
    assert bench.ok("commit digest=" + digest)["gen"] == "2"
    assert bench.core.settings[T.S_CAPACITY_N] == 100000


def case_a_commit_whose_record_was_cut_off_is_recorded_later(root):
    bench = ready(root)
    bench.settle()
    changes = bench.app.keeper.changes

    def cut_off(boot):
        changes.waiting = []

    changes.flush = cut_off
    bench.push("settings", settings_puts(capacity_n=100000))
    again = Bench(root)
    again.settle()
    last = again.ask("changes from=0")[-2]
    assert 'by=itself what=settings from="" to="gen 2"' in last
    third = Bench(root)
    third.settle()
    assert third.ask("changes from=0")[-2] == last


def every_job(force_n):
    """Lines that put all sixteen jobs."""
    out = []
    for number in range(1, T.JOB_SLOTS + 1):
        out += job_puts(number, "job of force %d" % force_n, setpoint_n=force_n + number, tool_limit_n=50000)
    return out


def case_a_commit_of_every_job_is_recorded_whole_and_never_waits_whole(root):
    bench = ready(root)
    bench.settle()
    changes = bench.app.keeper.changes
    first = changes.next
    note = changes.note
    waited = []

    def counted(*words):
        note(*words)
        waited.append(len(changes.waiting))

    changes.note = counted
    bench.push("jobs", every_job(10000))
    bench.settle()
    assert len(waited) > 3 * T.JOB_SLOTS - 3
    assert max(waited) <= 12
    told = bench.ask("changes from=%d" % first)[:-1]
    assert len(told) == len(waited)
    assert "what=jobs " in told[0]
    assert 'what=jobs.16.tool_limit_n from="" to="50000"' in told[-1]
    numbers = [int(row.split(" ")[1].split("=")[1]) for row in told]
    assert numbers == list(range(first, first + len(told)))


def case_what_a_full_flash_does_not_take_of_a_commit_is_recorded_later(root):
    bench = ready(root)
    bench.settle()
    changes = bench.app.keeper.changes
    first = changes.next
    append = changes._records.append_all
    tries = []

    def full(bodies):
        tries.append(len(bodies))
        raise OSError(28)

    bench.ok("stage kind=jobs")
    for text in every_job(10000):
        bench.ok("put " + text)
    digest = bench.ok("check")["digest"]
    changes._records.append_all = full
    bench.app._failed = True  # as after a failure: who looks after the house does not try meanwhile
    bench.core.fault = T.FAULT_STORE_FAILED
    bench.ok("commit digest=" + digest)
    assert tries == [12], "once it has failed the commit does not go on trying"
    waiting = len(changes.waiting)
    assert waiting > 3 * T.JOB_SLOTS - 3
    changes._records.append_all = append
    bench.core.fault = 0
    bench.settle()
    assert changes.waiting == []
    assert changes.next == first + waiting


def case_damaged_lines_change_nothing(root):
    bench = ready(root)
    keeper = bench.app.keeper
    before = (dict(keeper.digests), keeper.active, keeper.changes.next)
    seed = 12345
    lines = [
        sealed("q1 use job=4"),
        sealed("q2 stage kind=settings"),
        sealed('q3 put slot=1 name="n" setpoint_n=9000'),
        sealed("q4 commit digest=" + keeper.digests["jobs"]),
        sealed("q5 teach setpoint_n=8000"),
        sealed("q6 forget job=1"),
    ]
    for n in range(1500):
        line = bytearray(lines[n % len(lines)])
        for _ in range(1 + n % 3):
            seed = (seed * 1103515245 + 12345) & 0x3FFFFFFF
            at = (seed >> 8) % (8 * (len(line) - 1))
            line[at >> 3] ^= 1 << (at & 7)
        if bytes(line) in lines:
            continue
        bench.board.rx = bytes(line)
        bench.app.poll()
        bench.app.poll()
    bench.settle()
    assert bench.app.link.staged is None
    assert (dict(keeper.digests), keeper.active, keeper.changes.next) == before


def case_out_of_memory_is_a_fault(root):
    bench = ready(root)

    def burst():
        raise MemoryError

    bench.app.link.work = burst
    assert bench.app.poll()
    assert bench.core.fault == T.FAULT_MEMORY


def case_a_full_flash_gives_up_the_oldest(root):
    bench = ready(root)
    for _ in range(20):
        bench.stroke()
    keeper = bench.app.keeper
    store = keeper.log.store
    left = [1]

    def full_once(values, trace, length, travel=None):
        if left:
            left.pop()
            raise OSError(28)
        return store(values, trace, length)

    keeper.log.store = full_once
    bench.stroke()
    assert bench.core.fault == 0
    got = rows(bench.ask("log from=0"))
    assert [r[T.R_SEQ] for r in got] == list(range(9, 22))
    assert bench.refused("trace seq=18") == T.E_NO_SUCH_RECORD
    assert bench.ask("trace seq=21")[-1] == "ok n=100 dt_ms=8 unit_n=4"


def case_teaching_takes_the_proposed_setpoint(root):
    bench = ready(root)
    bench.push("jobs", job_puts(1, "nut", setpoint_n=9000, unproven=1))
    bench.core.proposed_n = 9120
    assert bench.ok("teach") == {"job": "1", "setpoint_n": "9120"}
    assert bench.core.job[T.J_SETPOINT_N] == 9120
    assert bench.core.job[T.J_UNPROVEN] == 0
    # who saw another job, or other jobs, before deciding is refused, and nothing is stored
    gen = bench.app.keeper.gen("jobs")
    for seen in ("job=2", "replaces=%d" % (gen - 1), "job=2 replaces=%d" % gen, "job=0"):
        assert bench.refused("teach setpoint_n=8000 " + seen) == T.E_REPLACED_MEANWHILE
    assert bench.core.job[T.J_SETPOINT_N] == 9120
    assert bench.ok("teach setpoint_n=9120 job=1 replaces=%d" % gen) == {"job": "1", "setpoint_n": "9120"}
    # the fine samples come oldest first
    bench.core.fine_head = 500
    out = bench.ask("last kind=fine")
    assert out[0].startswith("row i=0 v=500,501,")
    assert out[-1] == "ok n=512"
    bench.stroke()
    learned = bench.ask("show kind=learned")
    assert learned[0].startswith("row job=1 i=0 v=1,0,0,")
    assert learned[-1].endswith(" n=1")
