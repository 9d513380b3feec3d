"""What a collector takes at 4, 16 and 64 devices on one PostgreSQL, and several collectors on one store.

    python -m tests.campaign.collect_scale --seconds 30 --out tests/campaign/out/collect_scale.json

Each device is the firmware's own services (store, cycle log, link) behind a socket, all in one process; a
stand-in for the control core puts in a stroke with a trace every few seconds, so that 64 of them fit on two processors.
Written are the collectors' processor time a record, the database's transactions a record, how many records were not in
the store when the strokes ended, how long until they were, and whether each is there once. With two collectors the
devices are divided between them.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import multiprocessing
import os
import selectors
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from sqlalchemy import create_engine, text
from tests.campaign.provenance import provenance
from tests.host.cycles.real_servers import Postgres
from tests.host.cycles.test_cycles_pull import ready_bench
from tests.host.loopback import Bench

from steadyram.cycles.store import CycleStore

_WAIT_S = 300.0
_TURN_S = 0.01
_TICKS = (
    2  # milliseconds of a device's clock in a turn: 64 devices at full speed need more than two processors
)
RUNS = ((4, 1), (16, 1), (64, 1), (64, 2))


class Devices:
    """Benches behind one listener each, all in one loop: `ticks` of each every `TURN_S`, more where bytes came."""

    def __init__(self, folder: Path, count: int) -> None:
        self.benches = []
        self.waiting = selectors.DefaultSelector()
        self.urls = []
        for number in range(count):
            bench = ready_bench(folder / f"flash-{number}")
            bench.uid = f"dev{number:05d}"
            self.benches.append(bench)
            listener = socket.create_server(("127.0.0.1", 0))
            listener.setblocking(False)
            self.waiting.register(listener, selectors.EVENT_READ, (bench, True))
            self.urls.append(f"socket://127.0.0.1:{listener.getsockname()[1]}")
        self.hosts: dict[Bench, socket.socket] = {}

    def turn(self) -> None:
        """Take what came, let a little time pass on every device, send what they say."""
        for key, _ in self.waiting.select(_TURN_S):
            bench, listens = key.data
            if listens:
                host, _ = key.fileobj.accept()  # type: ignore[union-attr]
                host.settimeout(_WAIT_S)
                self.hosts[bench] = host
                self.waiting.register(host, selectors.EVENT_READ, (bench, False))
                continue
            try:
                data = key.fileobj.recv(4096)  # type: ignore[union-attr]
            except OSError:
                data = b""  # the host is gone
            if not data:
                self.waiting.unregister(key.fileobj)
                continue
            bench._in += data
            for _ in range(400):
                bench.tick()
                if not bench._in and bench.app.link.hungry and bench.app.link._rows is None:
                    break
            self._send(bench)
        for bench in self.benches:
            for _ in range(_TICKS):
                bench.tick()
            self._send(bench)

    def _send(self, bench: Bench) -> None:
        if bench._out and bench in self.hosts:
            with contextlib.suppress(OSError):
                self.hosts[bench].sendall(bytes(bench._out))
        bench._out.clear()


def devices(folder: str, count: int, every_s: float, told: Any, orders: Any) -> None:
    """Serve `count` devices, each with a stroke every `every_s` seconds from the first order to the second."""
    os.nice(5)
    house = Devices(Path(folder), count)
    told.put(house.urls)
    while orders.empty():
        house.turn()
    orders.get()
    began, done = time.monotonic(), 0
    while orders.empty():
        # One device after the other, evenly over the period, as shops do not press in step.
        due = int((time.monotonic() - began) / every_s * count)
        for at in range(done, due):
            house.benches[at % count].stroke(9000)
        done = due
        house.turn()
    orders.get()
    told.put([bench.app.keeper.log.last for bench in house.benches])
    while orders.empty():
        house.turn()


def run(postgres: Postgres, count: int, collectors: int, seconds: float, every_s: float) -> dict[str, Any]:
    """Collect from `count` devices and return the figures."""
    url = postgres.new_database()
    with tempfile.TemporaryDirectory() as folder:
        told: Any = multiprocessing.Queue()
        orders: Any = multiprocessing.Queue()
        house = multiprocessing.Process(target=devices, args=(folder, count, every_s, told, orders))
        house.start()
        urls = told.get(timeout=_WAIT_S)
        # The store's tables are made once, before several begin.
        CycleStore(url).close()
        running = [_collector(url, urls[k::collectors], Path(folder) / f"log-{k}") for k in range(collectors)]
        try:
            with CycleStore(url, create=False) as store:
                _until(lambda: len(store.devices()) == count, running)
                # Until all are up their first pulls would count, which every start has once.
                time.sleep(3.0)
                from_tx = _transactions(url)
                from_cpu_s = sum(map(_cpu_s, running))
                orders.put("begin")
                time.sleep(seconds)
                orders.put("end")
                lasts = told.get(timeout=_WAIT_S)
                made = sum(lasts)
                began = time.monotonic()
                asked = [0]
                waiting = made - _stored(store, asked)
                _until(lambda: _stored(store, asked) >= made, running)
                settled_s = time.monotonic() - began
                used_s = sum(map(_cpu_s, running)) - from_cpu_s
                transactions = _transactions(url) - from_tx - asked[0]
                doubled_or_missing = sum(
                    [each.record.seq for each in store.cycles(device.uid)]
                    != list(range(1, lasts[int(device.uid[3:])] + 1))
                    for device in store.devices()
                )
        finally:
            for each in running:
                each.terminate()
            codes = [each.wait(_WAIT_S) for each in running]
            house.terminate()
            house.join(_WAIT_S)
        troubles = sum(_troubles(Path(folder) / f"log-{k}") for k in range(collectors))
    return {
        "devices": count,
        "collectors": collectors,
        "records": made,
        "records_a_second": round(made / seconds, 1),
        "waiting_at_the_end": waiting,
        "all_in_after_s": round(settled_s, 1),
        "devices_with_a_record_missing_or_doubled": doubled_or_missing,
        "transactions_a_record": round(transactions / max(1, made), 1),
        "collectors_cpu_s": round(used_s, 1),
        "collectors_cpu_ms_a_record": round(1e3 * used_s / max(1, made), 1),
        "troubles_said": troubles,
        "exits": codes,
    }


def _collector(store: str, urls: list[str], log: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "steadyram", "collect", "--store", store]
        + [word for url in urls for word in ("--port", url)],
        stdout=subprocess.DEVNULL,
        stderr=log.open("wb"),
    )


def _troubles(log: Path) -> int:
    """Return how many lines of a collector tell of anything but its beginning, its devices and its end; show them."""
    usual = ("is here", "collecting ", "stopped")
    found = [
        line for line in log.read_text().splitlines() if line and not any(word in line for word in usual)
    ]
    for line in found[:20]:
        print(line, flush=True)
    return len(found)


def _stored(store: CycleStore, asked: list[int]) -> int:
    """Return how many records are in the store; `asked` counts the transactions that this takes."""
    known = store.devices()
    asked[0] += 1 + len(known)
    return sum(store.newest(device.uid)[0] for device in known)


def _cpu_s(process: subprocess.Popen[bytes]) -> float:
    """Return the processor time that a process has taken, seconds."""
    words = Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()
    return (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")


def _transactions(url: str) -> int:
    """Return how many transactions the database has committed."""
    engine = create_engine(url.replace("postgresql://", "postgresql+psycopg://"))
    with engine.connect() as db:
        found = db.execute(
            text("select xact_commit from pg_stat_database where datname = current_database()")
        )
        count = int(found.scalar_one())
    engine.dispose()
    return count


def _until(what: Any, running: list[subprocess.Popen[bytes]]) -> None:
    until = time.monotonic() + _WAIT_S
    while not what():
        assert all(each.poll() is None for each in running), "a collector ended"
        assert time.monotonic() < until, "it did not come in time"
        time.sleep(0.1)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument(
        "--every", type=float, default=3.0, help="seconds from one stroke of a device to its next"
    )
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    belongs = provenance()
    rows = []
    with tempfile.TemporaryDirectory() as folder, Postgres(Path(folder)) as postgres:
        for count, collectors in RUNS:
            rows.append(run(postgres, count, collectors, options.seconds, options.every))
            print(json.dumps(rows[-1]), flush=True)
    told = {**belongs, "seconds": options.seconds, "every_s": options.every, "runs": rows}
    told["processors"] = os.cpu_count()
    options.out.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
