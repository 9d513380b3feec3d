"""Who may change what: closed changes refuse every change, no verb moves the ram, the calibration has its own seal."""

import ast
from pathlib import Path

import pytest
from bench import REST, Bench, Board, calibration_puts, job_puts, sealed, settings_puts, unsealed

from steadyram_fw import tables as T
from steadyram_fw.app import App
from steadyram_fw.core.controller import Controller

SERVICES = Path(__file__).resolve().parents[2] / "firmware" / "steadyram_fw" / "services"
LIVE = T.OUT_EXTEND | T.OUT_RETRACT | T.OUT_SLOW
ARGUMENTS = {
    "stage": "kind=jobs", "put": "slot=1 setpoint_n=5000", "commit": "digest=00000000", "use": "job=4",
    "forget": "job=1", "probe": "feed=1 cut_counts=30000 pulse_ms=50 pulses=5 pause_ms=100",
    "teach": "setpoint_n=8000", "log": "from=0", "trace": "seq=1", "last": "kind=fine", "events": "on=1 live_ms=50",
    "clock": "unix=1800000000", "changes": "from=0", "show": "kind=jobs",
}  # fmt: skip
# What needs no panel: forgetting a half-made set, setting the wall clock (which is recorded), and reading.
# Disarming takes away what was armed; whoever sees an armed test may do it.
FREE = {"drop", "clock", "disarm"}


def requests():
    return [(row, " ".join(filter(None, (row[0], ARGUMENTS.get(row[0], ""))))) for row in T.VERBS]


def ready(root):
    bench = Bench(root)
    bench.enable()
    bench.push("settings", settings_puts())
    bench.push("calibration", calibration_puts())
    bench.push("jobs", job_puts(1, "nut", setpoint_n=9000) + job_puts(4, "die", setpoint_n=40000))
    bench.ok("use job=1")
    bench.stroke()
    return bench


def test_every_change_is_refused_while_changes_are_closed(tmp_path):
    bench = ready(str(tmp_path))
    bench.app.access.close()
    bench.settle()
    keeper = bench.app.keeper

    def state():
        return (
            dict(keeper.digests),
            keeper.active,
            list(keeper.counts),
            list(keeper.learned),
            bench.core.armed,
        )

    before = state()
    changing = [row[0] for row, _ in requests() if row[1]]
    assert {row[0] for row, _ in requests() if row[1] and not row[2]} == FREE
    for row, text in requests():
        if row[1] and row[0] not in FREE:
            assert bench.refused(text) == T.E_NOT_ENABLED, text
            # without a checksum it is not even looked at
            (line,) = bench.raw(("u%s %s\n" % (row[0][:4], text)).encode())
            assert " no %d " % T.E_NEEDS_CRC in line
    assert state() == before
    assert len(changing) >= 11


def test_a_half_made_set_does_not_outlive_closed_changes(tmp_path):
    bench = ready(str(tmp_path))
    bench.ok("stage kind=jobs")
    bench.ok("put " + job_puts(1, "nut", setpoint_n=5000)[0])
    digest = bench.ok("check")["digest"]
    bench.app.access.close()
    assert bench.refused("commit digest=" + digest) == T.E_NOT_ENABLED
    assert bench.core.job[T.J_SETPOINT_N] == 9000


class RealBench:
    """The App with its real control core, pedals untouched."""

    def __init__(self, root):
        self.board = Board(root)
        self.app = App(self.board, Controller())
        self.seen = 0
        self.run(500)

    def run(self, ms, inputs=REST | T.IN_CUTOFF):
        for n in range(ms):
            self.seen |= self.app.tick(6554 + 16 * (n & 1), inputs)
            self.app.poll()

    def ask(self, text):
        self.board.out = []
        self.board.rx = sealed(text)
        self.run(60)
        return [unsealed(line) for line in self.board.out]


@pytest.mark.parametrize("state", ["new", "installed"])
def test_no_verb_energises_an_output(tmp_path, state):
    """Every verb, with changes and seal open, on the real core, in any order; nobody touches a pedal."""
    bench = RealBench(str(tmp_path))
    bench.run(5100, REST | T.IN_CUTOFF | T.IN_ENABLE)
    bench.run(40)
    assert bench.app.access.unsealed
    n = 0
    if state == "installed":
        for kind, puts in (
            ("settings", settings_puts()),
            ("calibration", calibration_puts()),
            ("jobs", job_puts(1, "nut", setpoint_n=9000) + job_puts(4, "die", setpoint_n=40000)),
        ):
            digest = ""
            for text in ["stage kind=" + kind, *("put " + put for put in puts), "check", "commit digest="]:
                n += 1
                answer = bench.ask("i%d %s" % (n, text + (digest if text.startswith("commit") else "")))[-1]
                assert " ok" in answer, answer
                if text == "check":
                    digest = answer.split("digest=")[1]
        assert " ok" in bench.ask("use1 use job=1")[-1]
    every = [text for row, text in requests() if row[0] != "maintenance"]
    for order in (every, every[::-1]):
        for text in order:
            n += 1
            assert bench.ask("v%d %s" % (n, text)), text
            bench.run(150)
            assert not bench.app.core.live
    bench.run(2000)
    assert bench.seen & LIVE == 0


def test_services_never_set_an_output():
    """Statically: outputs are read where they are told, and written in the core alone."""
    writers = []
    for path in sorted(SERVICES.glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            targets = []
            if isinstance(node, ast.Assign):
                targets = node.targets
            elif isinstance(node, (ast.AugAssign, ast.AnnAssign)):
                targets = [node.target]
            elif isinstance(node, ast.Attribute) and node.attr in ("step", "_out", "drive"):
                writers.append((path.name, node.attr))
            for target in targets:
                if isinstance(target, ast.Attribute) and target.attr in ("outputs", "live"):
                    writers.append((path.name, target.attr))
    assert writers == []


def test_the_seal_needs_the_longer_hold_and_letting_go(tmp_path):
    bench = ready(str(tmp_path))
    bench.app.access.close()
    bench.enable()
    assert bench.app.access.enabled
    assert bench.refused("stage kind=calibration") == T.E_SEALED
    # a contact that sticks is never let go
    bench.inputs |= T.IN_ENABLE
    bench.run(5500)
    assert bench.app.access.seal_ready
    bench.run(20000)
    assert not bench.app.access.seal_ready
    bench.inputs &= ~T.IN_ENABLE
    bench.run(10)
    assert not bench.app.access.unsealed
    # nor does it open with a foot on a pedal
    bench.inputs |= T.IN_ENABLE | T.IN_RETRACT
    bench.run(5500)
    bench.inputs &= ~T.IN_ENABLE
    bench.run(10)
    bench.inputs &= ~T.IN_RETRACT
    assert not bench.app.access.unsealed
    bench.unseal()
    bench.push("calibration", calibration_puts(serial=9))
    assert bench.core.cal[T.C_SERIAL] == 9
    bench.settle()
    changes = " ".join(bench.ask("changes from=0"))
    assert 'by=panel what=calibration-seal from="closed" to="open"' in changes
    assert 'what=calibration.serial from="7" to="9"' in changes


def test_a_set_staged_under_the_seal_is_not_committed_once_it_is_closed(tmp_path):
    bench = ready(str(tmp_path))
    bench.unseal()
    bench.ok("stage kind=calibration")
    for text in calibration_puts(serial=9):
        bench.ok("put " + text)
    digest = bench.ok("check")["digest"]
    bench.enable()  # closes
    bench.enable()  # opens, without the seal
    assert bench.app.access.enabled
    assert bench.refused("commit digest=" + digest) == T.E_SEALED
    assert bench.core.cal[T.C_SERIAL] == 7
    # what is in force already needs no seal to be told again
    assert bench.app.keeper.cal[T.C_SERIAL] == 7
