"""Millions of damaged lines offered to both sides of the link.

Damaged means: differing from what was sent. Kinds: one to three flipped bits; bursts; bytes lost, doubled, inserted,
truncated; pieces changing places; two lines run into one; several characters of the body replaced; noise. Firmware:
the real Link (bytes in, lines gathered, parsed, dispatched to the real verbs) with changes open and a set staged, so
that nothing but the line itself is in the way. Host: the client's line gathering and decoding.

Then two questions about what a CRC-16 must let through: how often (against 2^-16), and what becomes of a damaged line
whose checksum fits (here made to fit): form, verb, arguments, and the digest at commit.

For speed the firmware's crc16 is replaced by binascii.crc_hqx, the same function in C; tests hold the two equal, and
the part that CI runs leaves the firmware's own in place.

    python tests/campaign/damaged_lines.py --lines 10000000 --out tests/campaign/out/damaged_lines.json
"""

from __future__ import annotations

import argparse
import binascii
import json
import multiprocessing
import resource
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from tests.campaign.provenance import ROOT, provenance

from steadyram.link.client import Client
from steadyram.link.frames import seal
from steadyram.link.transport import Transport

for folder in (ROOT / "firmware", ROOT / "tests" / "firmware"):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))

from bench import Bench, calibration_puts, job_puts, settings_puts  # noqa: E402

from steadyram_fw import tables as T  # noqa: E402
from steadyram_fw.services import lines as fw_lines  # noqa: E402
from steadyram_fw.services import sets as fw_sets  # noqa: E402

BLOCK = 20_000
LIGHT = ("flips-1", "flips-2", "flips-3")
HEAVY = (
    "burst", "truncated", "lost", "doubled", "inserted", "swapped", "run-together", "body", "digits", "noise",
)  # fmt: skip
KINDS = LIGHT + HEAVY
# Shares of the lines: the light kinds have a promise to keep, "body" and "digits" measure the CRC.
SHARES = (2, 2, 4, 1, 1, 1, 1, 1, 1, 1, 4, 2, 1)


def requests(source: np.random.Generator) -> list[bytes]:
    """Valid request lines as a host sends them, without line ends; every verb."""
    made = []
    puts = [*settings_puts(), *calibration_puts(), *job_puts(1, "nut", setpoint_n=9000), *job_puts(4, "x y")]
    bodies = [("put " + text) for text in puts]
    bodies += ["use job=4", "use job=1", "recount", "forget job=1", "zero", "teach setpoint_n=8000", "drop"]
    bodies += ["stage kind=jobs", "stage kind=settings", "commit digest=5809DFCC", "commit digest=DF7C7152"]
    bodies += ["probe feed=0 cut_counts=30000 pulse_ms=20 pulses=3 pause_ms=100", "clock unix=1800000000"]
    bodies += ["hello", "now", "show kind=jobs", "log from=1 max=50", "changes from=1", "trace seq=3", "io"]
    bodies += ["last kind=fine", "events on=1 live_ms=100", "check"]
    alphabet = list("0123456789abcdefghijklmnopqrstuvwxyz")
    for _ in range(12):
        for body in bodies:
            tag = "".join(source.choice(alphabet, 8))
            made.append(seal(f"{tag} {body}".encode("ascii")))
    return made


def answers(folder: str) -> list[bytes]:
    """Lines that a device really sent, without line ends."""
    bench = Bench(folder)
    bench.enable()
    bench.push("settings", settings_puts())
    bench.push("calibration", calibration_puts())
    bench.push("jobs", job_puts(1, "nut", setpoint_n=9000) + job_puts(4, "x y", setpoint_n=4000))
    bench.ok("use job=1")
    bench.ok("events on=1 live_ms=50")
    found: list[bytes] = []
    for _ in range(3):
        bench.stroke()
        found += [line.encode() for line in bench.board.out]
    for n, text in enumerate(
        ("hello", "now", "show kind=settings", "show kind=jobs", "show kind=calibration", "show kind=learned",
         "log from=0", "changes from=0", "trace seq=2", "last kind=fine", "io", "use job=9", "check")
    ):  # fmt: skip
        found += [line.encode() for line in bench.raw(seal(f"w{n} {text}".encode()) + b"\n")]
    return found


# ---------------------------------------------------------------- damage
def damaged(pool: list[bytes], source: np.random.Generator, count: int) -> Iterator[tuple[str, bytes, bytes]]:
    """`count` times (kind, what was sent, what arrived); what arrived differs from every line of the pool."""
    valid = set(pool)
    share = np.array(SHARES, float) / sum(SHARES)
    kinds = source.choice(len(KINDS), count, p=share)
    which = source.integers(0, len(pool), count)
    numbers = source.integers(0, 1 << 31, (count, 12))
    for i in range(count):
        sent = pool[which[i]]
        row = numbers[i].tolist()
        kind = KINDS[kinds[i]]
        got = DAMAGE[kind](sent, row, pool)
        while _holds(got, valid):
            row = source.integers(0, 1 << 31, 12).tolist()
            got = DAMAGE[kind](sent, row, pool)
        yield kind, sent, got


def _holds(got: bytes, valid: set[bytes]) -> bool:
    """True when a line that might have been sent came through whole, by itself or after a stray line end."""
    if b"\n" in got or b"\r" in got:
        return not valid.isdisjoint(got.replace(b"\r", b"\n").split(b"\n"))
    return got in valid


def _flips(count: int) -> Callable[[bytes, list[int], list[bytes]], bytes]:
    def flip(sent: bytes, row: list[int], pool: list[bytes]) -> bytes:
        line = bytearray(sent)
        bits = 8 * len(line)
        done: set[int] = set()
        for number in row:
            if len(done) == count:
                break
            bit = number % bits
            if bit not in done:
                done.add(bit)
                line[bit >> 3] ^= 1 << (bit & 7)
        return bytes(line)

    return flip


def _burst(sent: bytes, row: list[int], pool: list[bytes]) -> bytes:
    """Up to 64 bits in a row: the first and the last are wrong, those between by chance."""
    line = bytearray(sent)
    length = 4 + row[0] % 61
    start = row[1] % max(1, 8 * len(line) - length)
    pattern = (row[2] | row[3] << 31 | row[4] << 62) & ((1 << length) - 1) | 1 | 1 << (length - 1)
    for k in range(length):
        if pattern >> k & 1:
            bit = start + k
            line[bit >> 3] ^= 1 << (bit & 7)
    return bytes(line)


def _lost(sent: bytes, row: list[int], pool: list[bytes]) -> bytes:
    at = row[0] % len(sent)
    return sent[:at] + sent[at + 1 + row[1] % 8 :]


def _doubled(sent: bytes, row: list[int], pool: list[bytes]) -> bytes:
    at = row[0] % len(sent)
    end = at + 1 + row[1] % 16
    return sent[:end] + sent[at:]


def _inserted(sent: bytes, row: list[int], pool: list[bytes]) -> bytes:
    at = row[0] % (len(sent) + 1)
    return sent[:at] + bytes(n & 255 for n in row[2 : 3 + row[1] % 8]) + sent[at:]


def _swapped(sent: bytes, row: list[int], pool: list[bytes]) -> bytes:
    a, b, c = sorted(n % (len(sent) + 1) for n in row[:3])
    return sent[:a] + sent[b:c] + sent[a:b] + sent[c:]


def _together(sent: bytes, row: list[int], pool: list[bytes]) -> bytes:
    other = pool[row[0] % len(pool)]
    return sent[: row[1] % (len(sent) + 1)] + other[row[2] % len(other) :]


def _body(sent: bytes, row: list[int], pool: list[bytes]) -> bytes:
    """Three to eight characters of the body replaced by printable ones: all that is left to tell is the CRC."""
    line = bytearray(sent)
    for number in row[: 3 + row[11] % 6]:
        line[(number >> 8) % (len(line) - 6)] = 0x20 + (number & 255) % 95
    return bytes(line)


def _digits(sent: bytes, row: list[int], pool: list[bytes]) -> bytes:
    return sent[:-4] + bytes(0x40 | n >> 8 & 15 for n in row[:4])


def _noise(sent: bytes, row: list[int], pool: list[bytes]) -> bytes:
    return b"".join(n.to_bytes(4, "little") for n in row)[: 1 + row[0] % 48]


DAMAGE: dict[str, Callable[[bytes, list[int], list[bytes]], bytes]] = {
    "flips-1": _flips(1), "flips-2": _flips(2), "flips-3": _flips(3), "burst": _burst,
    "truncated": lambda sent, row, pool: sent[: row[0] % len(sent)], "lost": _lost, "doubled": _doubled,
    "inserted": _inserted, "swapped": _swapped, "run-together": _together, "body": _body, "digits": _digits,
    "noise": _noise,
}  # fmt: skip


# ---------------------------------------------------------------- firmware
class Firmware:
    """The real App over a core that decides nothing; counts how far each line comes."""

    def __init__(self, folder: str) -> None:
        self.bench = Bench(folder)
        bench = self.bench
        bench.enable()
        bench.push("settings", settings_puts())
        bench.push("calibration", calibration_puts())
        bench.push("jobs", job_puts(1, "nut", setpoint_n=9000) + job_puts(4, "x y", setpoint_n=4000))
        bench.ok("use job=1")
        self.link = bench.app.link
        self.link._write = lambda line: None
        self.reached: Counter[str] = Counter()
        self.changes: list[tuple[str, str]] = []
        self._run = self.link._run
        self.link._run = self._watched
        self._verb = ""
        self.offer = ""

    def _watched(self, tag: str, row: Any, fields: Any) -> Any:
        self.reached["dispatched"] += 1
        answer = self._run(tag, row, fields)
        if answer is not None and answer.startswith((tag + " ok").encode()):
            self.reached["answered"] += 1
            if row[1]:
                self.reached["change"] += 1
                self.changes.append((row[0], self.offer))
        self._verb = row[0]
        return answer

    def open(self) -> None:
        """Changes and seal open, a set staged: nothing but the line is in the way."""
        access = self.bench.app.access
        access._left_s, access._unsealed = 1 << 20, True
        self.link.staged = fw_sets.Staged("jobs")
        # What damaged lines left half-way must not pile up.
        self.bench.app.keeper.changes.waiting.clear()

    def take(self, data: bytes) -> None:
        link = self.link
        link.receive(data)
        while not link.hungry or link._rows is not None:
            if not link.work():
                break
            link._rows = None

    def state(self) -> tuple[Any, ...]:
        keeper = self.bench.app.keeper
        return dict(keeper.digests), keeper.active, list(keeper.counts), self.bench.core.armed


def _count_crc(counter: Counter[str], key: Callable[[], str]) -> Callable[[], None]:
    original = fw_lines.check

    def check(raw: bytes) -> tuple[str, bool]:
        body, sealed = original(raw)
        if sealed:
            counter[key()] += 1
        return body, sealed

    fw_lines.check = check

    def undo() -> None:
        fw_lines.check = original

    return undo


def offer_firmware(seed: int, count: int, fast: bool) -> dict[str, Any]:
    """Offer `count` damaged lines to the firmware's link."""
    source = np.random.default_rng([seed, 1])
    pool = requests(source)
    offered: Counter[str] = Counter()
    passed: Counter[str] = Counter()
    changed: Counter[str] = Counter()
    crashes: list[str] = []
    own_crc = fw_lines.crc16
    if fast:
        fw_lines.crc16 = lambda data, crc=0xFFFF: binascii.crc_hqx(data, crc)
    now = [""]
    undo = _count_crc(passed, lambda: now[0])
    examples: list[dict[str, str]] = []
    rss_early = 0
    try:
        with tempfile.TemporaryDirectory() as folder:
            firmware = Firmware(folder)
            before = firmware.state()
            firmware.reached.clear()
            passed.clear()
            done = 0
            while done < count:
                firmware.open()
                size = min(BLOCK, count - done)
                for kind, sent, got in damaged(pool, source, size):
                    now[0] = kind
                    firmware.offer = kind
                    offered[kind] += 1
                    known = firmware.reached["change"]
                    try:
                        firmware.take(got + b"\n")
                    except Exception as error:
                        crashes.append(f"{kind} {got!r}: {error!r}")
                    if firmware.reached["change"] != known:
                        changed[kind] += 1
                        if len(examples) < 20:
                            examples.append(
                                {"kind": kind, "sent": sent.decode(), "got": got.decode("latin-1")}
                            )
                done += size
                if not rss_early and done >= count // 5:
                    rss_early = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
            sets_kept = firmware.state()[0] == before[0]
            reached = dict(firmware.reached)
    finally:
        undo()
        fw_lines.crc16 = own_crc
    return {
        "offered": dict(offered),
        "checksum_fitted": dict(passed),
        "changes_answered_ok": dict(changed),
        "reached": reached,
        "examples": examples,
        "crashes": crashes[:20],
        "crash_count": len(crashes),
        "sets_in_force_unchanged": sets_kept,
        "rss_growth_KiB": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - rss_early,
    }


class _Nothing(Transport):
    def _write(self, data: bytes) -> None: ...

    def _read(self, timeout_s: float) -> bytes:
        return b""


def offer_host(seed: int, count: int) -> dict[str, Any]:
    """Offer `count` damaged lines to the client's parser."""
    source = np.random.default_rng([seed, 2])
    offered: Counter[str] = Counter()
    taken: Counter[str] = Counter()
    crashes: list[str] = []
    rss_early = 0
    with tempfile.TemporaryDirectory() as folder:
        pool = answers(folder)
    client = Client(_Nothing())
    valid = set(pool)
    done = 0
    while done < count:
        size = min(BLOCK, count - done)
        for kind, _, got in damaged(pool, source, size):
            offered[kind] += 1
            try:
                client._take(got + b"\n")
                while client._lines:
                    line = client._lines.popleft()
                    # A damaged line may hold a whole good one after a line end that came from nowhere.
                    if client._sort(line) is not None and line not in valid:
                        taken[kind] += 1
            except Exception as error:
                crashes.append(f"{kind} {got!r}: {error!r}")
        done += size
        if not rss_early and done >= count // 5:
            rss_early = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return {
        "offered": dict(offered),
        "taken": dict(taken),
        "crashes": crashes[:20],
        "crash_count": len(crashes),
        "rss_growth_KiB": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - rss_early,
    }


# ---------------------------------------------------------------- after the CRC
def second_checks(seed: int, count: int) -> dict[str, Any]:
    """Heavily damaged bodies with a checksum that fits: what share becomes a change all the same?"""
    source = np.random.default_rng([seed, 3])
    pool = requests(source)
    stage: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        firmware = Firmware(folder)
        fw_crc = fw_lines.crc16
        fw_lines.crc16 = lambda data, crc=0xFFFF: binascii.crc_hqx(data, crc)
        try:
            for at in range(count):
                if at % 500 == 0:
                    firmware.open()
                sent = pool[int(source.integers(len(pool)))]
                got = seal(_body(sent, source.integers(0, 1 << 31, 12).tolist(), pool)[:-6])
                if got == sent:
                    continue
                stage["offered"] += 1
                seen = dict(firmware.reached)
                firmware.take(got + b"\n")
                for key in ("dispatched", "answered", "change"):
                    stage[key] += firmware.reached[key] - seen.get(key, 0)
        finally:
            fw_lines.crc16 = fw_crc
    return dict(stage)


def commits(seed: int, count: int) -> dict[str, int]:
    """Sets with one field damaged on the way although every checksum fits: the digest at commit decides."""
    source = np.random.default_rng([seed, 4])
    told: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(folder)
        bench.enable()
        bench.push("jobs", job_puts(1, "nut", setpoint_n=9000))
        for n in range(count):
            if not bench.app.access.enabled:
                bench.enable()
            value = 5000 + n
            wrong = value ^ 1 << int(source.integers(0, 12))
            bench.ok("stage kind=jobs")
            bench.ok("put " + job_puts(1, "nut", setpoint_n=value)[0])
            digest = bench.ok("check")["digest"]
            bench.ok("stage kind=jobs")
            bench.ok("put " + job_puts(1, "nut", setpoint_n=wrong)[0])
            told["offered"] += 1
            if bench.refused("commit digest=" + digest) == T.E_DIGEST_DIFFERS:
                told["refused"] += 1
    return dict(told)


def _worker(job: tuple[str, int, int, bool]) -> tuple[str, dict[str, Any]]:
    side, seed, count, fast = job
    return side, (offer_firmware(seed, count, fast) if side == "firmware" else offer_host(seed, count))


def _add(parts: list[dict[str, Any]]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for part in parts:
        for key, value in part.items():
            if isinstance(value, dict):
                out[key] = dict(Counter(out.get(key, {})) + Counter(value))
            elif isinstance(value, bool):
                out[key] = out.get(key, True) and value
            elif isinstance(value, list):
                out[key] = (out.get(key, []) + value)[:20]
            elif key.startswith("rss"):
                out[key] = max(out.get(key, 0), value)
            else:
                out[key] = out.get(key, 0) + value
    return out


def campaign(lines: int, seed: int, part: Path, slice_lines: int = 500_000) -> dict[str, Any]:
    """Both sides, in slices that are kept in `part`, two at a time."""
    jobs = []
    for side in ("firmware", "host"):
        for n in range(0, lines, slice_lines):
            jobs.append((side, seed * 1000 + n // slice_lines, min(slice_lines, lines - n), True))
    done: dict[str, dict[str, Any]] = {}
    if part.exists():
        for text in part.read_text(encoding="utf-8").splitlines():
            row = json.loads(text)
            done[row["job"]] = row["result"]
    left = [job for job in jobs if repr(job) not in done]
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        for job, (_, result) in zip(left, pool.imap(_worker, left), strict=True):
            done[repr(job)] = result
            with part.open("a", encoding="utf-8") as file:
                file.write(json.dumps({"job": repr(job), "result": result}) + "\n")
            print(job, flush=True)
    firmware = _add([done[repr(job)] for job in jobs if job[0] == "firmware"])
    host = _add([done[repr(job)] for job in jobs if job[0] == "host"])
    measuring = ("body",)
    offered = sum(firmware["offered"].get(kind, 0) for kind in measuring)
    fitted = sum(firmware["checksum_fitted"].get(kind, 0) for kind in measuring)
    return {
        "seed": seed,
        "firmware": {"lines": sum(firmware["offered"].values()), **firmware},
        "host": {"lines": sum(host["offered"].values()), **host},
        "crc16": {
            "kinds": "body: the line keeps its form, so that the checksum alone can tell",
            "offered": offered,
            "fitted": fitted,
            "rate": fitted / offered,
            "expected_rate": 2.0**-16,
            "expected": offered * 2.0**-16,
        },
        "second_checks_on_fitted_checksums": second_checks(seed, 200_000),
        "digest_at_commit": commits(seed, 2000),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lines", type=int, default=10_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--part", type=Path, default=Path(tempfile.gettempdir()) / "steadyram_damaged_lines.part"
    )
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    began = time.monotonic()
    told = {**provenance(), **campaign(options.lines, options.seed, options.part)}
    told["took_s"] = round(time.monotonic() - began)
    options.out.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
