"""A log with spoilt, missing and cut segments: every good record comes once, and every gap is named."""

from __future__ import annotations

import binascii
import csv
import io
import json
import random
import shutil
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event
from tests.host.cycles.test_cycles_pull import connect, ready_bench, seqs
from tests.host.loopback import Bench

from steadyram.cli import main
from steadyram.cycles.export import csv_lines, each_named, json_lines
from steadyram.cycles.pull import pull, unreadable_in_words
from steadyram.cycles.store import CycleStore
from steadyram.link.frames import crc16
from steadyram.report.gather import gather

STROKES = 90


@pytest.fixture(scope="module")
def flash(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The flash of a device with records of `STROKES` strokes in several segments."""
    root = tmp_path_factory.mktemp("flash")
    ready_bench(root, STROKES)
    return root


def segments(root: Path) -> list[Path]:
    return sorted((root / "cycles").glob("c*"))


def spoilt(root: Path, seed: int) -> None:
    """Spoil the log: a segment's head, a segment that is gone, bytes in records, a record at the very end."""
    source = random.Random(seed)
    files = segments(root)
    head, gone = source.sample(files[:-1], 2)
    data = bytearray(head.read_bytes())
    data[source.randrange(8)] ^= 1 << source.randrange(8)
    head.write_bytes(data)
    gone.unlink()
    for path in source.sample([each for each in files if each not in (head, gone)], 1):
        data = bytearray(path.read_bytes())
        for _ in range(3):
            data[source.randrange(8, len(data))] ^= 0x10
        path.write_bytes(data)


def of_newer_firmware(root: Path, which: int, more: int) -> None:
    """Make a segment's records `more` bytes longer, with good heads and checksums, as newer firmware would."""
    path = segments(root)[which]
    data = path.read_bytes()
    size = struct.unpack("<H", data[4:6])[0]
    head = struct.pack("<4sH", data[:4], size + more)
    out = head + struct.pack("<H", crc16(head))
    for at in range(8, len(data) - size + 1, size):
        body = data[at : at + size - 4] + bytes(more)
        out += body + struct.pack("<I", binascii.crc32(body))
    path.write_bytes(out)


def held_by(bench: Bench) -> list[int]:
    """Return what the device itself can read of its log, number by number."""
    log = bench.app.keeper.log
    return [seq for seq in range(log.first, log.next) if log.read(seq) is not None]


@pytest.mark.parametrize("seed", range(2000, 2012))
def test_every_good_record_comes_once_and_every_gap_is_named(flash: Path, tmp_path: Path, seed: int) -> None:
    root = tmp_path / "flash"
    shutil.copytree(flash, root)
    spoilt(root, seed)
    bench = Bench(root)
    good = held_by(bench)
    reading = connect(bench).now()
    with CycleStore(tmp_path / "c.db") as store:
        result = pull(connect(bench, 2), store, traces=False)
        assert seqs(store) == good
        assert result.records == len(good)
        left_out = {seq for first, last in result.unreadable for seq in range(first, last + 1)}
        assert left_out == set(range(reading.first_seq, reading.next_seq)) - set(good)
        assert result.unreadable_count == len(left_out) > 8
        told = unreadable_in_words(result)
        assert str(result.unreadable[0][0]) in told
        # What comes later comes, too, and what could not be read is not told as new again.
        bench.stroke(9100)
        again = pull(connect(bench, 3), store, traces=False)
        assert (again.records, again.lost) == (1, 0)
        assert set(again.unreadable) <= {(reading.next_seq - 1, reading.next_seq - 1)}
        shown = gather(store, "b3nch001")
    inner = [gap for gap in result.unreadable if gap[0] > good[0] and gap[1] < good[-1]]
    assert len([gap for gap in shown.gaps if "unreadable" in gap.text]) >= len(inner)


@pytest.mark.parametrize("seed", range(2100, 2104))
def test_a_segment_of_newer_firmware_is_a_gap_that_is_named(flash: Path, tmp_path: Path, seed: int) -> None:
    """Beside spoilt and missing ones; the newest segment, too, where older firmware was put back."""
    root = tmp_path / "flash"
    shutil.copytree(flash, root)
    source = random.Random(seed)
    spoilt(root, seed)
    whole = Bench(root)
    before = set(held_by(whole))
    numbers = [int(path.name[1:]) for path in segments(root)]
    whole_ones = [at for at, first in enumerate(numbers) if first in before]
    which = whole_ones[-1] if seed % 2 else source.choice(whole_ones[:-1])
    first = numbers[which]
    of_newer_firmware(root, which, 4 * source.randrange(1, 20))
    bench = Bench(root)
    # The last record of the log begins a new segment and takes no number again.
    bench.stroke(9200)
    good = held_by(bench)
    assert bench.app.keeper.log.next == whole.app.keeper.log.next + 1
    assert set(good) - {good[-1]} < before
    assert before - set(good) == {
        seq for seq in before if first <= seq < first + bench.app.keeper.log._records.per
    }
    reading = connect(bench).now()
    with CycleStore(tmp_path / "c.db") as store:
        result = pull(connect(bench, 2), store, traces=False)
        assert seqs(store) == good
    left_out = {seq for a, b in result.unreadable for seq in range(a, b + 1)}
    assert left_out == set(range(reading.first_seq, reading.next_seq)) - set(good)
    assert first in left_out


@pytest.mark.parametrize("chunk", [1, 2, 7])
def test_a_small_request_that_brings_no_row_is_no_end(flash: Path, tmp_path: Path, chunk: int) -> None:
    root = tmp_path / "flash"
    shutil.copytree(flash, root)
    spoilt(root, 7)
    bench = Bench(root)
    assert [record.seq for record in connect(bench).log(0, chunk)] == held_by(bench)


def test_a_log_of_which_nothing_can_be_read(flash: Path, tmp_path: Path) -> None:
    root = tmp_path / "flash"
    shutil.copytree(flash, root)
    for path in segments(root):
        path.write_bytes(b"\0" * path.stat().st_size)
    bench = Bench(root)
    with CycleStore(tmp_path / "c.db") as store:
        result = pull(connect(bench), store, traces=False)
    assert result.records == 0
    assert result.unreadable[-1][1] == bench.app.keeper.log.next - 1


def test_what_is_written_out_is_written_as_it_comes(flash: Path, tmp_path: Path) -> None:
    """Neither CSV nor JSON waits for the last record before the first is written."""
    asked: list[int] = []

    def counted(rows: Iterator[dict[str, Any]]) -> Iterator[dict[str, Any]]:
        for row in rows:
            asked.append(row["seq"])
            yield row

    with CycleStore(tmp_path / "c.db") as store:
        pull(connect(Bench(flash)), store, traces=False)
        for lines in (csv_lines, json_lines):
            asked.clear()
            pieces = lines(counted(each_named(store, "b3nch001")))
            text = next(pieces) + next(pieces)
            assert len(asked) <= 2
            text += "".join(pieces)
            assert len(asked) == STROKES
            if lines is json_lines:
                assert len(json.loads(text)["cycles"]) == STROKES
            else:
                assert len(list(csv.DictReader(io.StringIO(text)))) == STROKES


def test_the_newest_are_listed(flash: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with CycleStore(tmp_path / "c.db") as store:
        pull(connect(Bench(flash)), store, traces=False)
        assert store.first_of_newest("b3nch001", 10) == STROKES - 9
        assert store.first_of_newest("b3nch001", 1000) == 0
    main(["cycles", "list", "--store", str(tmp_path / "c.db"), "--most", "10", "--json"])
    told = capsys.readouterr()
    assert [row["seq"] for row in json.loads(told.out)["cycles"]] == list(range(STROKES - 9, STROKES + 1))
    assert "newest 10" in told.err


def test_a_pull_counts_nothing(flash: Path, tmp_path: Path) -> None:
    """A count over a device of a million records takes longer than the pull; and transactions are few."""
    shutil.copytree(flash, tmp_path / "flash")
    bench = Bench(tmp_path / "flash")
    seen: list[str] = []
    with CycleStore(tmp_path / "c.db") as store:
        pull(connect(bench), store)
        event.listen(store.engine, "before_cursor_execute", lambda *told: seen.append(str(told[2])))
        event.listen(store.engine, "begin", lambda connection: seen.append("(begin)"))
        pull(connect(bench, 2), store, sets=False)
        nothing_new = list(seen)
        seen.clear()
        bench.stroke(9000)
        assert pull(connect(bench, 3), store, sets=False).traces == 1
    assert not [each for each in nothing_new + seen if "count(" in each.lower()]
    assert nothing_new.count("(begin)") <= 3
    # The record, its trace, and what is judged of it.
    assert seen.count("(begin)") <= 6
