"""Stored sets against their manifest: cases that run under CPython and on MicroPython's littlefs."""

from bench import Bench, calibration_puts, job_puts, measured_puts, settings_puts
from cases_device import ready

from steadyram_fw import tables as T
from steadyram_fw.services import files
from steadyram_fw.services.store import Cell

KINDS = ("settings", "measured", "jobs", "calibration")


def installed(root):
    """A device on which every set has been pushed twice, so that each has an older copy."""
    bench = ready(root)
    bench.push("measured", measured_puts(char_valid=1, close_lag_us=30000))
    bench.push("measured", measured_puts(char_valid=1, close_lag_us=31000))
    bench.push("settings", settings_puts(capacity_n=150000))
    bench.push("calibration", calibration_puts(serial=8))
    bench.push("jobs", job_puts(1, "nut", setpoint_n=9500))
    bench.stroke()
    return bench


def remove(root, name, newest_only=False):
    """Remove a set's files, or only the one in force."""
    for side in "ab":
        path = root + "/" + name + "." + side
        cell = Cell(root, name)
        cell.load()
        if not newest_only or cell._good == side:
            files.remove(path)
            if newest_only:
                return


def confirm(bench, held_ms=400):
    """Open changes, then press and release the acknowledge button."""
    bench.enable()
    press_acknowledge(bench, held_ms)


def press_acknowledge(bench, held_ms):
    bench.run(20)
    bench.inputs |= T.IN_ACK
    bench.run(held_ms)
    bench.inputs &= ~T.IN_ACK
    bench.run(20)


def digest_of(bench, kind):
    return bench.ask("show kind=" + kind)[-1].split(" ")[2]


def case_factory_defaults_are_said(root):
    bench = Bench(root)
    assert bench.core.fault == 0
    assert not bench.core.configured
    assert Bench(root).core.fault == 0
    again = Bench(root)
    again.enable()
    again.push("settings", settings_puts())
    assert again.core.configured
    assert Bench(root).core.configured


def case_a_set_that_is_gone_is_named(root):
    installed(root)
    names = ("settings-bad", "measured-bad", "jobs-bad", "calibration-bad")
    pushes = (
        settings_puts(capacity_n=140000),
        measured_puts(char_valid=1),
        job_puts(2, "other", setpoint_n=8000),
        calibration_puts(serial=9),
    )
    for i in range(4):
        assert Bench(root).core.fault == 0
        remove(root, KINDS[i])
        bench = Bench(root)
        assert T.FAULT_NAMES[bench.core.fault] == names[i]
        bench.settle()
        changes = bench.ask("changes from=0")
        assert len([c for c in changes if "by=itself what=recovered." + KINDS[i] in c]) == 1
        # still so after another power-up
        bench = Bench(root)
        assert T.FAULT_NAMES[bench.core.fault] == names[i]
        bench.enable()
        before = int(bench.push(KINDS[i], pushes[i])["gen"])
        # numbers that were in use are not given again
        assert before > 1, before
        assert bench.core.fault == 0
    assert Bench(root).core.fault == 0


def case_an_older_copy_is_named(root):
    installed(root)
    for kind in KINDS:
        assert Bench(root).core.fault == 0
        remove(root, kind, True)
        bench = Bench(root)
        assert T.FAULT_NAMES[bench.core.fault] == kind + "-older"
        # a damaged newest copy is the same
        confirm(bench)
        assert bench.core.fault == 0, kind
        assert [c for c in bench.ask("changes from=0") if "by=panel what=accepted." + kind in c]
    bench = Bench(root)
    assert bench.core.fault == 0
    assert bench.core.settings[T.S_CAPACITY_N] == T.SETTINGS[T.S_CAPACITY_N][3]


def case_confirming_takes_changes_and_a_press(root):
    installed(root)
    remove(root, "jobs", True)
    bench = Bench(root)
    fault = T.FAULT_JOBS_OLDER
    press_acknowledge(bench, 400)
    assert bench.core.fault == fault  # changes are closed
    bench.inputs |= T.IN_ACK
    bench.enable()
    bench.run(3500)
    assert bench.core.fault == fault  # held since before changes were opened: it may be stuck
    bench.inputs &= ~T.IN_ACK
    bench.run(20)
    assert bench.core.fault == fault
    for held_ms in (1, 50, 180, 3200):
        press_acknowledge(bench, held_ms)
        assert bench.core.fault == fault, held_ms
    bench.inputs |= T.IN_RETRACT
    press_acknowledge(bench, 400)
    bench.inputs &= ~T.IN_RETRACT
    assert bench.core.fault == fault
    press_acknowledge(bench, 400)
    assert bench.core.fault == 0
    # what is in force now is what later power-ups compare with
    assert Bench(root).core.fault == 0


def case_settings_that_are_gone_cannot_be_confirmed(root):
    installed(root)
    remove(root, "settings")
    bench = Bench(root)
    confirm(bench)
    assert bench.core.fault == T.FAULT_SETTINGS_BAD
    assert not bench.core.configured


def case_one_fault_after_the_other(root):
    installed(root)
    remove(root, "jobs")
    remove(root, "measured", True)
    bench = Bench(root)
    assert bench.core.fault == T.FAULT_MEASURED_OLDER
    confirm(bench)
    assert bench.core.fault == T.FAULT_JOBS_BAD
    press_acknowledge(bench, 400)
    assert bench.core.fault == 0


def case_a_manifest_that_is_gone(root):
    installed(root)
    remove(root, "manifest")
    bench = Bench(root)
    assert bench.core.fault == T.FAULT_MANIFEST_BAD
    # a push of one set does not vouch for the others
    bench.enable()
    bench.push("measured", measured_puts(char_valid=1))
    assert Bench(root).core.fault == T.FAULT_MANIFEST_BAD
    bench = Bench(root)
    confirm(bench)
    assert bench.core.fault == 0
    assert Bench(root).core.fault == 0


def case_settings_and_manifest_gone_together(root):
    installed(root)
    remove(root, "manifest")
    for kind in KINDS:
        remove(root, kind)
    # the cycle log knows that there were settings
    assert Bench(root).core.fault == T.FAULT_SETTINGS_BAD


def case_power_cut_between_set_and_manifest(root):
    bench = installed(root)
    kept = {}
    for side in "ab":
        with open(root + "/manifest." + side, "rb") as file:
            kept[side] = file.read()
    bench.push("settings", settings_puts(capacity_n=120000))
    for side in kept:
        with open(root + "/manifest." + side, "wb") as file:
            file.write(kept[side])
    again = Bench(root)
    assert again.core.fault == 0
    assert again.core.settings[T.S_CAPACITY_N] == 120000
    # the manifest has caught up: the set before is now an older copy
    remove(root, "settings", True)
    assert Bench(root).core.fault == T.FAULT_SETTINGS_OLDER


def case_settings_leave_measured_values_alone(root):
    bench = installed(root)
    assert bench.core.settings[T.S_CLOSE_LAG_US] == 31000
    digest = digest_of(bench, "settings")
    bench.push("settings", settings_puts())
    assert bench.core.settings[T.S_CLOSE_LAG_US] == 31000
    assert bench.core.settings[T.S_CHAR_VALID] == 1
    bench.ok("stage kind=settings")
    assert bench.refused("put close_lag_us=10") == T.E_UNKNOWN_KEY
    bench.ok("stage kind=measured")
    assert bench.refused("put capacity_n=10000") == T.E_UNKNOWN_KEY
    # what was measured is no part of the settings' digest, and learning belongs to both
    bench.push("settings", settings_puts(capacity_n=150000))
    assert digest_of(bench, "settings") == digest
    bench.stroke()
    assert any(Bench(root).core.learned)
    bench.push("measured", measured_puts(char_valid=1, close_lag_us=35000))
    assert digest_of(bench, "settings") == digest
    assert not any(Bench(root).core.learned)


def case_a_set_is_replaced_only_where_it_is_the_one_that_was_read(root):
    bench = installed(root)
    gen = int(bench.ask("show kind=settings")[-1].split("gen=")[1].split(" ")[0])
    bench.ok("stage kind=settings")
    for text in settings_puts(capacity_n=140000):
        bench.ok("put " + text)
    digest = bench.ok("check")["digest"]
    for other in (gen - 1, gen + 1):
        assert bench.refused("commit digest=%s replaces=%d" % (digest, other)) == T.E_REPLACED_MEANWHILE
    assert digest_of(bench, "settings") != "digest=" + digest
    done = bench.ok("commit digest=%s replaces=%d" % (digest, gen))
    assert (done["gen"], digest_of(bench, "settings")) == (str(gen + 1), "digest=" + digest)
    # asked again after a power cut, when nothing is staged and changes are closed: it is in force already
    again = Bench(root)
    assert again.ok("commit digest=%s replaces=%d" % (digest, gen))["gen"] == str(gen + 1)


def case_a_damaged_newest_copy_of_what_was_learned(root):
    bench = installed(root)
    bench.stroke()
    assert any(Bench(root).core.learned)
    cell = Cell(root, "learned.1")
    cell.load()
    with open(root + "/learned.1." + cell._good, "r+b") as file:
        file.write(b"????")
    again = Bench(root)
    # the copy before has not seen the latest part: none is better, and the next record says so
    assert not any(again.core.learned)
    again.settle()
    assert [c for c in again.ask("changes from=0") if "what=recovered.learned.1" in c]
    again.stroke()
    assert int(again.ask("log from=0 max=100")[-2].split(",")[T.R_FLAGS]) & T.FLAG_RESET
