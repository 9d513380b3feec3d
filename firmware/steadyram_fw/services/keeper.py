"""Keeps what must survive a power cut, and hands it to the control core while the ram is at rest.

Settings, measured values, jobs, calibration, the active job with its part counts, and what was learned for each job.
After a power cut part counts are taken from the cycle log: a record carries the count, so the two cannot disagree.
A set that is gone or older than the one that was in force is a fault, not a default in its place (manifest.py).
"""

import struct
from array import array

from .. import tables as T
from . import checks, manifest, sets
from .crc import crc16, crc32, digest
from .cyclelog import ChangeLog, CycleLog
from .refuse import Refuse
from .store import Cell, StoreError

try:
    from ..core.job_model import LEARNED_LEN
except ImportError:
    LEARNED_LEN = 66

_ACTIVE = "<II%dI" % T.JOB_SLOTS  # active job, number of the record that the counts include, counts
_LEARNED = "<8s8sHHi"  # digests of settings and calibration, CRC-16 of the job's name, length, setpoint
# Of each kind: gone or damaged, an older copy.
_FAULTS = {
    "settings": (T.FAULT_SETTINGS_BAD, T.FAULT_SETTINGS_OLDER),
    "measured": (T.FAULT_MEASURED_BAD, T.FAULT_MEASURED_OLDER),
    "jobs": (T.FAULT_JOBS_BAD, T.FAULT_JOBS_OLDER),
    "calibration": (T.FAULT_CALIBRATION_BAD, T.FAULT_CALIBRATION_OLDER),
}
_LEARNED_HEAD = struct.calcsize(_LEARNED)
_WAITING_MOST = 12  # entries of the record of changes in memory during a commit


class Keeper:
    """Owner of all files under `root`; `log_shape`: records a segment, segments, traces of the cycle log."""

    def __init__(self, root, uid, log_shape, clock):
        root = root.rstrip("/")
        owner = crc16(bytes(uid, "ascii"))
        self._root = root
        self.settings = sets.factory_defaults("settings")
        self.measured = sets.factory_defaults("measured")
        self.jobs = sets.no_jobs()
        self.cal = None
        self.active = 0
        self.counts = [0] * (T.JOB_SLOTS + 1)
        self.boot = 0
        self.job_crc = 0
        self.learned = array("i", [0] * LEARNED_LEN)
        self.learned_reset = False
        self.gap = False
        self.fault = 0  # the first of `faults`, 0 when there is none
        self.faults = []  # of the stored sets, in the order in which they are shown
        self.digests = {}
        self.cells = {kind: Cell(root, kind, owner) for kind in T.KINDS}
        self._manifest = manifest.Manifest(root, owner, T.KINDS)
        self._active_cell = Cell(root, "active", owner)
        self._boot_cell = Cell(root, "boot", owner)
        self.log = CycleLog(root, *log_shape)
        self.changes = ChangeLog(root, clock)
        self.recovered = []
        self._core = None

    # ------------------------------------------------------------ power-up
    def load(self):
        """Read everything back; `recovered` lists (what, words) of what was not as it should be."""
        self.changes.open()
        self._manifest.load()
        for kind in T.KINDS:
            self._load_set(kind)
        payload = self._active_cell.load()
        counted = 0
        if payload is not None and len(payload) == struct.calcsize(_ACTIVE):
            row = struct.unpack(_ACTIVE, payload)
            self.active = row[0] if row[0] <= T.JOB_SLOTS else 0
            counted = row[1]
            self.counts[1:] = row[2:]
        self._report(self._active_cell)
        if payload is None and not self._active_cell.trouble and self._manifest.gen("jobs"):
            self.recovered.append(("active", "missing"))
        for words in self.log.open(counted + 1):
            self.gap = True
            self.recovered.append(("cycles", words))
        self._recount_from(counted)
        if self.jobs[self.active] is None:
            self.active = 0
        self._load_boot()
        self._judge_manifest()
        for kind in T.KINDS:
            cell = self.cells[kind]
            if cell.gen and cell.note >= self.changes.next:
                self.changes.note(T.BY_ITSELF, kind, "", "gen %d" % cell.gen)
        for what, words in self.recovered:
            self.changes.note(T.BY_ITSELF, "recovered." + what, "", words)

    def _load_set(self, kind):
        cell = self.cells[kind]
        payload = cell.load()
        value = None if payload is None else sets.from_payload(kind, payload)
        bad = cell.trouble == "lost" or (payload is not None and value is None)
        if kind == "calibration" and cell.foreign:
            bad = True
            value = None
        found = manifest.MISSING if bad else self._judge(kind, payload)
        cell.release()
        self._report(cell)
        if found == manifest.MISSING:
            self._fails(kind, 0, "missing" if not cell.trouble else "")
        elif found == manifest.OLDER:
            self._fails(kind, 1, "older" if not cell.trouble else "")
        if value is not None:
            self._take(kind, value)
        self.digests[kind] = sets.digest_of(kind, self.value(kind))

    def _judge(self, kind, payload):
        """How a set that reads stands to the manifest, which is brought up to date in memory if it is behind."""
        cell = self.cells[kind]
        known = self._manifest
        crc = 0 if payload is None else crc32(payload)
        found = known.judge(kind, cell.gen, crc)
        cell.leave_out(known.gen(kind))
        if found == manifest.NEWER:
            known.put(kind, cell.gen, crc)
            self._behind = True
        return found

    _behind = False

    def _fails(self, kind, which, words):
        self.faults.append(_FAULTS[kind][which])
        if words:
            self.recovered.append((kind, words))

    def _judge_manifest(self):
        """What only all sets together show; then the manifest is stored where it was behind."""
        known = self._manifest
        record = None if known.known else self.log.read(self.log.last)
        settings = self.cells["settings"].gen
        if record is not None and record[T.R_SETTINGS_GEN] > settings and not self.faults:
            # Without a manifest the cycle log still knows which settings there were.
            self._fails("settings", 1 if settings else 0, "older" if settings else "missing")
        self._report(known.cell)
        if not known.known and any([cell.gen for cell in self.cells.values()]):
            self.faults.append(T.FAULT_MANIFEST_BAD)
        elif not known.known or self._behind:
            try:
                known.save()
            except StoreError:
                self.faults.append(T.FAULT_STORE_FAILED)
        self.fault = self.faults[0] if self.faults else 0

    def _load_boot(self):
        payload = self._boot_cell.load()
        boot = 0
        if payload is not None and len(payload) == 4:
            boot = struct.unpack("<I", payload)[0]
        record = self.log.read(self.log.last)
        if record is not None and record[T.R_BOOT] > boot:
            boot = record[T.R_BOOT]
        self.boot = boot + 1
        self._report(self._boot_cell)
        try:
            self._boot_cell.save(struct.pack("<I", self.boot))
        except StoreError:
            self.faults.append(T.FAULT_STORE_FAILED)

    def _report(self, cell):
        if cell.trouble:
            self.recovered.append((cell.name, cell.trouble))
        elif cell.foreign:
            self.recovered.append((cell.name, "foreign"))

    def _recount_from(self, counted):
        for seq in range(max(counted + 1, self.log.first), self.log.next):
            record = self.log.read(seq)
            if record is not None and 0 < record[T.R_JOB] <= T.JOB_SLOTS:
                self.counts[record[T.R_JOB]] = record[T.R_COUNT]

    def attach(self, core):
        """Configure the core with what is in force."""
        self._core = core
        self._configure()
        self._calibrate()
        self._choose()

    def _configure(self):
        core = self._core
        core.configure(array("i", list(self.settings) + list(self.measured)))
        core.configured = self.gen("settings") > 0

    # ------------------------------------------------------------ reading
    def value(self, kind):
        """The set in force of one kind."""
        if kind == "settings":
            return self.settings
        if kind == "measured":
            return self.measured
        return self.jobs if kind == "jobs" else self.cal

    def gen(self, kind):
        """Generation of the set in force, 0 when none was ever committed."""
        return self.cells[kind].gen

    def job(self):
        """Fields of the active job, or None."""
        entry = self.jobs[self.active]
        return None if entry is None else entry[1]

    def learned_of(self, number):
        """What was learned for a job as an array, or None."""
        if self.jobs[number] is None:
            return None
        if number == self.active:
            return self.learned if any(self.learned) else None
        return self._read_learned(number)[0]

    # ------------------------------------------------------------ changing (only while the ram is not live)
    def check(self, kind, value):
        """Check a set against the others in force. Raises Refuse."""
        checks.check_all(*[value if kind == k else self.value(k) for k in T.KINDS])
        if kind == "settings" and value[T.S_HANDLING_N]:
            # What is measured later is taken all the same: a ceiling that it does not bear is refused at the pedal.
            from .ceiling import check_ceiling

            check_ceiling(value, self.measured, self.cal)

    def commit(self, kind, value, by=T.BY_LINK):
        """Make a set the one in force; returns its generation. Raises Refuse, StoreError: nothing changed."""
        self.check(kind, value)
        cell = self.cells[kind]
        new = sets.digest_of(kind, value)
        if cell.gen and new == self.digests[kind]:
            return cell.gen
        self.flush_changes()
        before = cell.gen
        stored = self._save_set(kind, value)
        old = self.value(kind)
        self._take(kind, value)
        self.changes.note(by, kind, "gen %d %s" % (before, self.digests[kind]), "gen %d %s" % (cell.gen, new))
        self.digests[kind] = new
        self._note_details(by, kind, old, value)
        if kind == "jobs":
            for number in range(1, T.JOB_SLOTS + 1):
                if _name(old[number]) != _name(value[number]):
                    self.counts[number] = 0
            if self.jobs[self.active] is None:
                self.active = 0
            try:
                self.save_active()
            except StoreError:
                # the jobs are in force all the same; without this file counts are old after a restart
                self._core.raise_fault(T.FAULT_STORE_FAILED)
        mine = _FAULTS[kind]
        self.faults = [fault for fault in self.faults if fault not in mine]
        if kind == "settings" or kind == "measured":
            self._configure()
        self._calibrate()
        self._choose()
        self._next_fault(mine)
        if not stored:
            self._core.raise_fault(T.FAULT_STORE_FAILED)
        return cell.gen

    def _save_set(self, kind, value):
        """Store a set, then name it in the manifest; False where only the latter failed. Raises StoreError.

        The set is in force all the same then: a manifest that is behind it says nothing against it.
        """
        cell = self.cells[kind]
        cell.save_pieces(lambda: sets.text_lines(kind, value), self.changes.next)
        crc = 0
        for line in sets.text_lines(kind, value):
            crc = crc32(line, crc)
        self._manifest.put(kind, cell.gen, crc)
        if T.FAULT_MANIFEST_BAD in self.faults:
            # Writing one now would name the other sets as if they had been checked.
            return True
        try:
            self._manifest.save()
        except StoreError:
            return False
        return True

    def _next_fault(self, cured):
        """Clear the core's fault if it is one of `cured`, and show the next of the stored sets, if there is one."""
        self.fault = self.faults[0] if self.faults else 0
        core = self._core
        if core.fault in cured:
            # No acknowledging clears these: good data does, or going on without is confirmed at the panel.
            core.clear_fault()
            if self.fault:
                core.raise_fault(self.fault)

    def accept(self, by):
        """Go on with what is there in place of what the fault shown misses; recorded. Raises StoreError."""
        fault = self.fault
        known = self._manifest
        for kind in T.KINDS:
            if fault in _FAULTS[kind] or fault == T.FAULT_MANIFEST_BAD:
                cell = self.cells[kind]
                value = self.value(kind)
                before = known.gen(kind)
                crc = 0
                for line in sets.text_lines(kind, value):
                    crc = crc32(line, crc)
                known.put(kind, cell.gen, crc if cell.gen else 0)
                self.changes.note(by, "accepted." + kind, "gen %d" % before, "gen %d" % cell.gen)
        known.save()
        self.faults = [other for other in self.faults if other != fault]
        self._next_fault((fault,))

    def set_setpoint(self, setpoint_n, by, proven):
        """Give the active job another setpoint. Raises Refuse or StoreError."""
        name, fields = self.jobs[self.active]
        fields = array("i", fields)
        fields[T.J_SETPOINT_N] = setpoint_n
        if proven:
            fields[T.J_UNPROVEN] = 0
        jobs = list(self.jobs)
        jobs[self.active] = (name, fields)
        return self.commit("jobs", jobs, by)

    def use(self, number, by=T.BY_LINK):
        """Choose the active job, 0 = none. Raises Refuse or StoreError."""
        if number and self.jobs[number] is None:
            raise Refuse(T.E_NO_SUCH_JOB, "job %d" % number)
        if number == self.active:
            return
        before = self.active
        self.active = number
        try:
            self.save_active()
        except StoreError:
            self.active = before
            raise
        self.changes.note(by, "active", before, number)
        self._choose()

    def recount(self, by=T.BY_LINK):
        """Set the part count of the active job to zero. Raises Refuse or StoreError."""
        if not self.active:
            raise Refuse(T.E_NO_SUCH_JOB)
        before = self.counts[self.active]
        self.counts[self.active] = 0
        try:
            self.save_active()
        except StoreError:
            self.counts[self.active] = before
            raise
        self.changes.note(by, "count.%d" % self.active, before, 0)
        self._core.new_batch()

    def forget(self, number, by=T.BY_LINK):
        """Forget what was learned for a job. Raises Refuse or StoreError."""
        if self.jobs[number] is None:
            raise Refuse(T.E_NO_SUCH_JOB, "job %d" % number)
        cell = Cell(self._root, "learned.%d" % number)
        if cell.load() is not None:
            cell.save(b"")
        self.changes.note(by, "learned.%d" % number, "", "forgotten")
        if number == self.active:
            self._choose()
            self.learned_reset = True

    def save_active(self):
        """Store active job and counts. Raises StoreError."""
        self._active_cell.save(struct.pack(_ACTIVE, self.active, self.log.next - 1, *self.counts[1:]))
        self._active_cell.release()

    def save_learned(self):
        """Store what was learned for the active job. Raises StoreError."""
        if not self.active:
            return
        name, fields = self.jobs[self.active]
        head = struct.pack(
            _LEARNED,
            bytes(self._press_digest(), "ascii"),
            bytes(self.digests["calibration"], "ascii"),
            crc16(bytes(name, "ascii")),
            LEARNED_LEN,
            fields[T.J_SETPOINT_N],
        )
        cell = Cell(self._root, "learned.%d" % self.active)
        cell.load()
        cell.save(head + bytes(self.learned))

    def store_record(self, values, trace, length, travel=None):
        """Store a record with its trace; on a full flash make room once. Raises OSError."""
        try:
            began = self.log.store(values, trace, length, travel)
        except OSError:
            self.log.make_room()
            began = self.log.store(values, trace, length, travel)
        number = values[T.R_JOB]
        if 0 < number <= T.JOB_SLOTS:
            self.counts[number] = values[T.R_COUNT]
        if began:
            # keeps the scan after a power cut short
            self.save_active()

    def flush_changes(self):
        """Write waiting entries of the record of changes. Raises StoreError; then they keep waiting."""
        try:
            self.changes.flush(self.boot)
        except OSError as error:
            raise StoreError("changes: " + str(error))

    # ------------------------------------------------------------ inside
    def _take(self, kind, value):
        if kind == "settings":
            self.settings = value
        elif kind == "measured":
            self.measured = value
        elif kind == "jobs":
            self.jobs = value
        else:
            self.cal = value

    def _calibrate(self):
        if self.cal is None or T.FAULT_SETTINGS_BAD in self.faults:
            self._core.calibrate(None)
        else:
            self._core.calibrate(array("i", self.cal[: T.CAL_CORE_LEN]))

    def _choose(self):
        self.learned_reset = False
        self.learned = array("i", [0] * LEARNED_LEN)
        if not self.active:
            self.job_crc = 0
            self._core.choose(0, None, self.learned)
            return
        self.job_crc = sets.job_crc(self.jobs[self.active])
        learned, stale = self._read_learned(self.active)
        if learned is not None:
            self.learned = learned
        self.learned_reset = stale
        self._core.choose(self.active, self.jobs[self.active][1], self.learned)

    def _press_digest(self):
        """Of settings and measured values together: what was learned belongs to both."""
        return digest([bytes(self.digests["settings"] + self.digests["measured"], "ascii")])

    def _read_learned(self, number):
        """(array, False) if it fits this job, press and calibration; else (None, whether it is stale)."""
        cell = Cell(self._root, "learned.%d" % number)
        payload = cell.load()
        if cell.trouble == "older" or cell.trouble == "lost":
            # An older copy has not seen the parts since: better none, and the record says so.
            self.changes.note(T.BY_ITSELF, "recovered." + cell.name, "", cell.trouble)
            return None, True
        if not payload:
            return None, False
        if len(payload) != _LEARNED_HEAD + 4 * LEARNED_LEN:
            return None, True
        settings, cal, name, length, setpoint = struct.unpack(_LEARNED, payload[:_LEARNED_HEAD])
        job = self.jobs[number]
        now = job[1][T.J_SETPOINT_N]
        if (
            str(settings, "ascii") != self._press_digest()
            or str(cal, "ascii") != self.digests["calibration"]
            or name != crc16(bytes(job[0], "ascii"))
            or length != LEARNED_LEN
            # a turn of the knob is still the same job; a twentieth off is another one
            or abs(setpoint - now) * 20 > now
        ):
            return None, True
        return array("i", payload[_LEARNED_HEAD:]), False

    def _note_details(self, by, kind, old, new):
        # Written while they come: those of sixteen new jobs together would be the most that the heap is ever asked for.
        changes = self.changes
        most = _WAITING_MOST
        for what, before, after in _details(kind, old, new):
            changes.note(by, what, before, after)
            if len(changes.waiting) >= most:
                try:
                    self.flush_changes()
                except StoreError:
                    most = 1000  # they wait with the rest; who flushes those will tell


def _details(kind, old, new):
    """(what, before, after) of every field of a set that is another now."""
    if kind == "jobs":
        for number in range(1, T.JOB_SLOTS + 1):
            a = old[number]
            b = new[number]
            what = "jobs.%d" % number
            if _name(a) != _name(b):
                yield what + ".name", _name(a), _name(b)
            if b is not None:
                for i in range(T.J_LEN):
                    # of a new job, what its force comes from; of an old one, every change
                    before = "" if a is None else a[1][i]
                    if before != b[1][i] and (a is not None or i in (T.J_SETPOINT_N, T.J_TOOL_LIMIT_N)):
                        yield what + "." + T.JOB[i][0], before, b[1][i]
        return
    for i in range(sets.count(kind)):
        before = "" if old is None else old[i]
        if before != new[i]:
            yield kind + "." + sets.name(kind, i), before, new[i]


def _name(job):
    return "" if job is None else job[0]
