"""The application: control core and services over one board.

tick() runs every millisecond and only decides; poll() runs in the foreground and does one piece of work at a
time. Flash is written only while the ram is not live.
"""

import gc

from . import tables as T
from .panel.panel import Panel
from .services.access import Access
from .services.clock import Clock
from .services.confirm import Confirm
from .services.keeper import Keeper
from .services.link import Link
from .services.store import StoreError

# A valve test is disarmed when the host that armed it has sent no line for so long.
_SILENT_MS = 5000

# Records a segment, segments, traces: 4160 cycles in 26 segments of four 4 KiB blocks, and a block a trace.
# With everything else full too, 24 of the 212 blocks stay free that the smallest board has for files.
_LOG_SHAPE = (160, 26, 36)


class App:
    """See boards/__init__.py for what a board offers. `core` may be given to stand in for the controller."""

    def __init__(self, board, core=None):
        if core is None:
            from .core.controller import Controller

            core = Controller()
        self.board = board
        self.core = core
        self.clock = Clock()
        self.access = Access()
        self._confirm = Confirm()
        self.inputs = 0  # the contacts that count, once each has stayed for its time
        self.raw = 0  # as they are wired
        self.silent_ms = 0  # how long no host has sent a line, counted while a valve test is armed
        self.place = 0
        self.outputs = 0
        self.leaving = False
        self._still = False
        self._ended_s = -1
        self._ended_ms = 0
        self.keeper = Keeper(board.root, board.uid, getattr(board, "log_shape", _LOG_SHAPE), self.clock)
        self.keeper.load()
        self.keeper.attach(self.core)
        self._follow_settings()
        if self.keeper.fault:
            self.core.raise_fault(self.keeper.fault)
        self.link = Link(self, board.link_write)
        self.panel = Panel(self)
        gc.collect()

    def tick(self, counts, inputs, place=0):
        """One millisecond: a reading on the 16-bit scale and the input word in, the output word out.

        place: reading of the position sensor, 0 to 65535 (an encoder's count wraps), 0 without one.
        """
        core = self.core
        self.raw = inputs
        self.place = place
        if self._still and not core.live:
            # files or sets are being exchanged: nothing is energised and nothing starts
            self.clock.tick()
            self.access.tick(self.inputs)
            return self.outputs
        outputs = core.step(counts, inputs, place)
        self.outputs = outputs
        inputs = core.inputs
        self.inputs = inputs
        clock = self.clock
        if clock.ms < 999:
            clock.ms += 1
        else:
            clock.tick()
        access = self.access
        if inputs & T.IN_ENABLE or access._held or access._left_s:
            access.tick(inputs)
        if core.armed_ms:
            self.silent_ms += 1
            if self.silent_ms > _SILENT_MS or not access._left_s:
                core.disarm()
        if core.record_ready and self._ended_s < 0:
            self._ended_s = clock.seconds
            self._ended_ms = clock.ms
        return outputs

    def at_rest(self):
        """True when flash may be written and sets may be exchanged."""
        return not self.core.live and not self.core.record_ready

    def hold_still(self):
        """Keep the core at rest until let_go(): True when it was. On a board tick() interrupts poll() anywhere,
        so a pedal could start a stroke between asking at_rest() and the work that relies on it."""
        self._still = True
        if self.at_rest():
            return True
        self._still = False
        return False

    def let_go(self):
        """The exchange is over; pedals count again."""
        self._still = False

    def poll(self):
        """One piece of foreground work; returns True when there was any."""
        try:
            return self._work()
        except MemoryError:
            gc.collect()
            self.core.raise_fault(T.FAULT_MEMORY)
            return True

    def _work(self):
        core = self.core
        if self.leaving and not core.live:
            self.leaving = False
            self.board.maintenance()
        if core.record_ready and not core.live and self._may_store():
            self._still = True
            try:
                if not core.live:
                    self._store_record()
            finally:
                self._still = False
            return True
        # by turns, so that a host that never stops talking cannot keep the rest from its work
        self._turn = not self._turn
        if self._turn:
            return self._talk() or self._keep_house()
        return self._keep_house() or self._talk()

    _turn = False

    def _talk(self):
        link = self.link
        if link.hungry:
            data = self.board.link_read()
            if data:
                link.receive(data)
        return link.work()

    def _keep_house(self):
        fault = self.core.fault
        if self.core.acknowledged:
            self._let_calibrate()
        elif fault and fault == self.keeper.fault and fault != T.FAULT_SETTINGS_BAD:
            self._let_accept()
        if self.access.unsealed != self._unsealed:
            self._unsealed = not self._unsealed
            words = ("closed", "open") if self._unsealed else ("open", "closed")
            self.keeper.changes.note(T.BY_PANEL, "calibration-seal", *words)
        if self.keeper.changes.waiting and self._may_store() and self.hold_still():
            try:
                self.keeper.flush_changes()
                self._failed = False
            except StoreError:
                self._failed = True
                self.core.raise_fault(T.FAULT_STORE_FAILED)
            finally:
                self.let_go()
            return True
        return self.panel.work()

    _unsealed = False

    def _let_calibrate(self):
        """Calibrating anew takes strokes, so this may be acknowledged; the cutoff stays refused meanwhile."""
        core = self.core
        core.acknowledged = False
        if core.fault == T.FAULT_CALIBRATION_BAD and not core.live and self.keeper.cal is None:
            core.clear_fault()

    def _let_accept(self):
        """Go on with an older copy of a set, or with none, where that is confirmed at the panel."""
        if not self._confirm.given(self.access.enabled, self.inputs, self.clock.uptime_ms()):
            return
        if self.hold_still():
            try:
                self.keeper.accept(T.BY_PANEL)
            except StoreError:
                self.core.raise_fault(T.FAULT_STORE_FAILED)
            finally:
                self.let_go()

    # ------------------------------------------------------------ records
    def _may_store(self):
        # after a failure the next try waits for the operator, who has seen the fault and acknowledged it
        return not self._failed or not self.core.fault

    _failed = False

    def _store_record(self):
        core = self.core
        keeper = self.keeper
        values = self._record()
        try:
            keeper.store_record(values, core.trace, core.trace_len, core.trace_travel)
            keeper.gap = False
            if core.learned_dirty:
                keeper.save_learned()
                core.learned_dirty = False
                keeper.learned_reset = False
        except (OSError, StoreError):
            self._failed = True
            if keeper.log.next == values[T.R_SEQ]:
                core.raise_fault(T.FAULT_STORE_FAILED)
                return
            # the record itself is safe; what was learned is offered again with the next one
            core.raise_fault(T.FAULT_STORE_FAILED)
        self._failed = False
        self._ended_s = -1
        core.record_stored()
        self.link.event("record", " seq=%d" % values[T.R_SEQ])
        gc.collect()

    def _record(self):
        """The core's record with what only services know."""
        core = self.core
        keeper = self.keeper
        clock = self.clock
        values = list(core.record)
        seconds = clock.seconds if self._ended_s < 0 else self._ended_s
        job = keeper.active
        flags = values[T.R_FLAGS]
        count = keeper.counts[job]
        # a part pressed a second time is still one part
        landed = values[T.R_STOP] == T.STOP_SETPOINT or values[T.R_STOP] == T.STOP_DEPTH
        if job and landed and flags & T.FLAG_CUTOFF and not flags & T.FLAG_AGAIN:
            count += 1
            batch = keeper.job()[T.J_BATCH]
            if batch and count % batch == 0:
                core.new_batch()
        if keeper.gap:
            flags |= T.FLAG_GAP
        if keeper.learned_reset:
            flags |= T.FLAG_RESET
        values[T.R_SEQ] = keeper.log.next
        values[T.R_BOOT] = keeper.boot
        values[T.R_AT_MS] = (seconds * 1000 + self._ended_ms) & 0xFFFFFFFF
        values[T.R_AT_UNIX] = clock.unix(seconds)
        values[T.R_JOB] = job
        values[T.R_JOB_CRC] = keeper.job_crc
        values[T.R_CAL_SERIAL] = keeper.cal[T.C_SERIAL] if keeper.cal is not None else 0
        values[T.R_SETTINGS_GEN] = keeper.gen("settings")
        values[T.R_COUNT] = count
        values[T.R_FLAGS] = flags
        values[T.R_TRACE_MS] = core.trace_ms
        values[T.R_TRACE_LEN] = core.trace_len
        values[T.R_TRACE_UNIT_N] = core.trace_unit_n
        return values

    def replaced(self, kind):
        """A set in force was replaced."""
        keeper = self.keeper
        self._follow_settings()
        self.link.event("set", " kind=%s gen=%d digest=%s" % (kind, keeper.gen(kind), keeper.digests[kind]))

    def _follow_settings(self):
        """What besides the core works by the settings."""
        settings = self.keeper.settings
        self.access.open_s = settings[T.S_CHANGES_S]
        position = getattr(self.board, "position", None)
        if position is not None:
            position(settings[T.S_POSITION_KIND])
