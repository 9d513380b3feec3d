"""Store and logs: cases that run under CPython and on MicroPython's littlefs. Each gets an empty folder."""

import os
import struct
from array import array

from steadyram_fw import tables as T
from steadyram_fw.services import files
from steadyram_fw.services.clock import Clock
from steadyram_fw.services.crc import crc16, crc32, digest
from steadyram_fw.services.cyclelog import ChangeLog, CycleLog
from steadyram_fw.services.segments import Segments
from steadyram_fw.services.store import Cell, StoreError


def damage(path, at):
    """Flip a bit of a file."""
    with open(path, "rb") as file:
        data = bytearray(file.read())
    data[at] ^= 1
    with open(path, "wb") as file:
        file.write(data)


def shorten(path, by):
    """Cut the end off a file."""
    with open(path, "rb") as file:
        data = file.read()
    with open(path, "wb") as file:
        file.write(data[:-by])


def body(number, size=12):
    return number.to_bytes(4, "little") + bytes([number & 0xFF]) * (size - 4)


def case_checksums(root):
    # check values of the catalogue of parametrised CRC algorithms, and of zlib's CRC-32
    assert crc16(b"123456789") == 0x29B1
    assert crc16(b"6789", crc16(b"12345")) == 0x29B1
    assert crc32(b"123456789") == 0xCBF43926
    assert digest([b"1234", b"56789"]) == "CBF43926"
    assert digest([]) == "00000000"


def case_cell_keeps_generations(root):
    cell = Cell(root, "thing", 5)
    assert cell.load() is None
    assert cell.gen == 0
    for n in range(1, 6):
        assert cell.save(bytes([n]) * n, n * 10) == n
    again = Cell(root, "thing", 5)
    assert again.load() == b"\x05" * 5
    assert (again.gen, again.note, again.trouble, again.foreign) == (5, 50, "", False)
    other = Cell(root, "thing", 6)
    other.load()
    assert other.foreign


def case_cell_takes_pieces(root):
    cell = Cell(root, "x", 3)
    assert cell.save_pieces(lambda: (b"one ", b"", b"two"), 9) == 1
    assert cell.payload is None
    again = Cell(root, "x", 3)
    assert again.load() == b"one two"
    assert again.note == 9
    # a payload of another length than told is not taken
    longer = []

    def growing():
        longer.append(b"x")
        return longer

    try:
        again.save_pieces(growing)
        raise AssertionError("it was taken")
    except StoreError:
        pass
    assert Cell(root, "x", 3).load() == b"one two"


def case_cell_falls_back(root):
    cell = Cell(root, "thing")
    cell.save(b"one")
    cell.save(b"two")
    newest = "a" if b"two" in (files.read(root + "/thing.a", 100) or b"") else "b"
    for at in (0, 6, 9, 13, 21, 24):
        damage(root + "/thing." + newest, at)
        again = Cell(root, "thing")
        assert again.load() == b"one", at
        assert (again.gen, again.trouble) == (1, "older")
        damage(root + "/thing." + newest, at)
    shorten(root + "/thing." + newest, 1)
    again = Cell(root, "thing")
    assert again.load() == b"one"
    # the lost generation's number is not given to another content
    assert again.save(b"three") == 3
    assert Cell(root, "thing").load() == b"three"
    damage(root + "/thing.a", 22)
    damage(root + "/thing.b", 22)
    again = Cell(root, "thing")
    assert again.load() is None
    assert again.trouble == "lost"


def case_cell_drops_a_half_write(root):
    cell = Cell(root, "thing")
    cell.save(b"one")
    with open(root + "/thing.new", "wb") as file:
        file.write(b"sdyr")
    again = Cell(root, "thing")
    assert again.load() == b"one"
    assert again.trouble == "cut"
    assert "thing.new" not in os.listdir(root)


def case_segments_bounded_and_numbered(root):
    log = Segments(root + "/s", "r", 12, 4, 3)
    log.open()
    assert (log.first(), log.last(), log.next) == (0, 0, 1)
    for n in range(1, 15):
        assert log.append(body(n)) == (n % 4 == 1)
    assert (log.first(), log.last(), log.next) == (5, 14, 15)
    again = Segments(root + "/s", "r", 12, 4, 3)
    again.open()
    assert (again.first(), again.last(), again.next) == (5, 14, 15)
    for n in range(5, 15):
        assert bytes(again.read(n)) == body(n), n
    for n in (0, 4, 15, 999):
        assert again.read(n) is None
    again.append_all([body(n) for n in range(15, 24)])
    assert [bytes(again.read(n)) for n in range(16, 24)] == [body(n) for n in range(16, 24)]
    # everything deleted: the floor keeps numbers from being used again
    again.close()
    for name in os.listdir(root + "/s"):
        os.remove(root + "/s/" + name)
    empty = Segments(root + "/s", "r", 12, 4, 3)
    empty.open(24)
    assert empty.next == 24
    empty.append(body(24))
    empty = Segments(root + "/s", "r", 12, 4, 3)
    empty.open()
    assert empty.next == 25


def case_segments_survive_a_torn_tail(root):
    log = Segments(root + "/s", "r", 12, 8, 3)
    log.open()
    for n in range(1, 4):
        log.append(body(n))
    shorten(root + "/s/r0000000001", 5)
    again = Segments(root + "/s", "r", 12, 8, 3)
    again.open()
    assert again.torn
    assert again.next == 3
    again.append(body(3))
    again.append(body(4))
    assert [bytes(again.read(n)) for n in range(1, 5)] == [body(n) for n in range(1, 5)]
    third = Segments(root + "/s", "r", 12, 8, 3)
    third.open()
    assert not third.torn
    assert [bytes(third.read(n)) for n in range(1, 5)] == [body(n) for n in range(1, 5)]
    third.close()
    # a new segment that got no whole record is begun again under its name
    with open(root + "/s/r0000000005", "wb") as file:
        file.write(b"sdyl")
    fourth = Segments(root + "/s", "r", 12, 8, 3)
    fourth.open()
    assert fourth.torn
    assert fourth.next == 5
    fourth.append(body(5))
    assert bytes(fourth.read(5)) == body(5)


def case_segments_skip_a_damaged_record(root):
    log = Segments(root + "/s", "r", 12, 8, 3)
    log.open()
    for n in range(1, 4):
        log.append(body(n))
    damage(root + "/s/r0000000001", 8 + 16 + 5)
    damage(root + "/s/r0000000001", 8 + 32 + 5)
    again = Segments(root + "/s", "r", 12, 8, 3)
    again.open()
    assert again.damaged
    # the number of a record that may have been read before is not used again
    assert again.next == 4
    assert again.read(2) is None
    assert bytes(again.read(1)) == body(1)
    again.append(body(4))
    assert bytes(again.read(4)) == body(4)
    again.close()
    damage(root + "/s/r0000000004", 1)
    again = Segments(root + "/s", "r", 12, 8, 3)
    again.open()
    assert again.damaged
    assert again.read(4) is None
    assert again.read(4) is None


def record(seq):
    values = [0] * T.R_LEN
    values[T.R_SEQ] = seq
    values[T.R_AT_MS] = 4294967295
    values[T.R_AT_UNIX] = 4294967294
    values[T.R_SETTLED_N] = -12
    values[T.R_TRACE_MS] = 8
    values[T.R_TRACE_UNIT_N] = 3
    values[T.R_UNKNOWN :] = [-1] * (T.R_LEN - T.R_UNKNOWN)
    return values


def case_cycles_and_traces(root):
    log = CycleLog(root, 4, 3, 2)
    assert log.open() == []
    trace = array("H", [0, 65535, 7, 9])
    for seq in range(1, 6):
        log.store(record(seq), trace, 3)
    assert list(log.read(5)) == record(5)
    assert log.trace(5) == (8, 3, array("H", [0, 65535, 7]))
    assert log.trace(4) is not None
    assert log.trace(3) is None
    assert len(os.listdir(root + "/traces")) == 2
    damage(root + "/traces/t0000000005", 17)
    again = CycleLog(root, 4, 3, 2)
    assert again.open() == []
    assert again.trace(5) is None
    assert list(again.read(1)) == record(1)
    again.store(record(6), trace, 0)
    assert again.trace(6) is None
    again.make_room()
    assert again.read(6) is not None
    assert again.first == 5


def case_segments_of_other_firmware(root):
    body = "<" + "".join("I" if i in T.RECORD_WIDE else "i" for i in range(T.R_LEN))
    bodies = {seq: struct.pack(body, *record(seq)) for seq in range(1, 10)}
    older = Segments(root + "/cycles", "c", 4 * (T.R_LEN - 5), 3, 9)
    older.open()
    older.append_all([bodies[seq][: 4 * (T.R_LEN - 5)] for seq in (1, 2, 3)])
    newer = Segments(root + "/cycles", "c", 4 * (T.R_LEN + 5), 3, 9)
    newer.open()
    newer.append_all([bodies[seq] + bytes(20) for seq in (4, 5)])
    log = CycleLog(root, 3, 9, 2)
    assert log.open() == []
    # what newer firmware wrote is counted, no number of it is used again, and none of it is read
    assert (log.first, log.last, log.next) == (1, 5, 6)
    log.store(record(6), array("H"), 0)
    got = [seq for seq in range(1, 7) if log.read(seq) is not None]
    assert got == [1, 2, 3, 6]
    assert list(log.read(2)) == record(2)
    log.close()
    # and the newer firmware reads its own again
    newer = Segments(root + "/cycles", "c", 4 * (T.R_LEN + 5), 3, 9)
    newer.open()
    assert bytes(newer.read(5)) == bodies[5] + bytes(20)
    newer.close()


def case_changes(root):
    clock = Clock()
    clock.seconds = 4294967
    clock.ms = 295
    clock.set(1800000000)
    log = ChangeLog(root, clock, 4, 2)
    log.open()
    log.note(0, "jobs.16.cutoff_required", 1, 0)
    log.note(1, "x" * 40, "y" * 40, -5)
    assert log.next == 1
    log.flush(3)
    assert log.waiting == []
    again = ChangeLog(root, clock, 4, 2)
    again.open()
    assert again.read(1) == (1, 3, 4294967295, 1800000000, 0, "jobs.16.cutoff_required", "1", "0")
    assert again.read(2)[4:] == (1, "x" * 28, "y" * 24, "-5")
    assert again.next == 3
