"""The page under hostile load: does the operator's tablet still get its readings?

    python -m tests.campaign.page_load --seconds 60 --out tests/campaign/out/page_load.json

A live virtual press, `steadyram page` in a process of its own, one tablet that counts readings by the second. From
another process: 500 sockets that are opened again as they are closed (half say nothing, half send a line without an
end), and as many bytes of garbage a second as asked for, through sockets of their own. Written are the readings of each
second before and under load, and what the page's process took of memory and processor.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import random
import socket
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

from tests.campaign.provenance import provenance
from tests.host.page.bench_shop import Shop, page_process
from tests.host.page.test_page_server import live

SOCKETS = 500


def hostile(port: int, sockets: int, garbage_bytes_s: float, seed: int, until: float, told: Any) -> None:
    """Open sockets and send garbage until a time of the monotonic clock; put what was done into `told`."""
    # They stand for other machines: they take no processor that the page wants.
    os.nice(10)
    source = random.Random(seed)
    held: list[socket.socket] = []
    sent = opened = refused = 0
    block = source.randbytes(65536)
    pipe: socket.socket | None = None
    began = time.monotonic()
    while time.monotonic() < until:
        try:
            if len(held) < sockets:
                one = socket.create_connection(("127.0.0.1", port), 1.0)
                one.setblocking(False)
                if opened % 2:
                    one.send(b"GET / HTT")
                held.append(one)
                opened += 1
            else:
                old = held.pop(source.randrange(len(held)))
                old.close()
            if sent < garbage_bytes_s * (time.monotonic() - began):
                if pipe is None:
                    pipe = socket.create_connection(("127.0.0.1", port), 1.0)
                pipe.sendall(block)
                sent += len(block)
        except OSError:
            refused += 1
            if pipe is not None:
                pipe.close()
                pipe = None
    told.put(
        {
            "opened": opened,
            "broken_off": refused,
            "garbage_MB_s": round(sent / 1e6 / (time.monotonic() - began), 1),
        }
    )


def memory_kib(pid: int) -> int:
    """Return the resident memory of a process in KiB, 0 where the system does not say."""
    status = Path(f"/proc/{pid}/status")
    if not status.exists():
        return 0
    return next(
        (int(line.split()[1]) for line in status.read_text().splitlines() if line.startswith("VmRSS")), 0
    )


def readings(tablet: Any, seconds: float) -> list[int]:
    """Return how many readings came in each whole second."""
    counted: Counter[int] = Counter()
    began = time.monotonic()
    while (passed := time.monotonic() - began) < seconds:
        try:
            message = json.loads(tablet.recv(timeout=max(0.01, min(1.0, seconds - passed))))
        except TimeoutError:
            continue
        if message.get("kind") in ("live", "view"):
            counted[int(time.monotonic() - began)] += 1
    return [counted[second] for second in range(int(seconds))]


def campaign(seconds: float, sockets: int, garbage_MB_s: float, seed: int) -> dict[str, Any]:
    """Run it and return the figures."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        shop = Shop(folder / "flash", parts=2, realtime=True)
        try:
            with page_process(shop.url, folder) as url, live(url) as tablet:
                port = int(url.split(":")[2].strip("/"))
                quiet = readings(tablet, min(seconds, 10.0))
                told: Any = multiprocessing.Queue()
                until = time.monotonic() + seconds + 1.0
                shares = [(sockets // 2, 1e6 * garbage_MB_s / 2, seed + k) for k in (0, 1)]
                attackers = [
                    multiprocessing.Process(target=hostile, args=(port, *share, until, told))
                    for share in shares
                ]
                for each in attackers:
                    each.start()
                loaded = readings(tablet, seconds)
                done = [told.get(timeout=60) for _ in attackers]
                for each in attackers:
                    each.join()
                log = (folder / "page.log").read_text(errors="replace")
                pages = [int(p) for p in os.listdir("/proc") if p.isdigit() and _is_page(int(p), folder)]
                memory = max(map(memory_kib, pages), default=0)
        finally:
            shop.close()
    # The first second holds the start of the load, the last may be cut.
    under = loaded[1:-1] or loaded
    return {
        "seconds": seconds,
        "sockets": sockets,
        "seed": seed,
        "readings_a_second_quiet_least_and_mean": [min(quiet[1:-1]), round(sum(quiet) / len(quiet), 1)],
        "readings_a_second_loaded_least_and_mean": [min(under), round(sum(under) / len(under), 1)],
        "seconds_with_fewer_than_two": sum(each < 2 for each in under),
        "which_seconds": [second for second, each in enumerate(loaded) if each < 2],
        "sockets_opened": sum(each["opened"] for each in done),
        "garbage_MB_s": round(sum(each["garbage_MB_s"] for each in done), 1),
        "tracebacks_in_the_log": log.count("Traceback"),
        "log_bytes": len(log),
        "page_memory_KiB": memory,
        "processors": os.cpu_count(),
    }


def _is_page(pid: int, folder: Path) -> bool:
    try:
        return str(folder) in Path(f"/proc/{pid}/cmdline").read_text() and b"page" in Path(
            f"/proc/{pid}/cmdline"
        ).read_bytes().split(b"\0")
    except OSError:
        return False


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--sockets", type=int, default=SOCKETS)
    parser.add_argument("--garbage", type=float, default=50.0, help="megabytes a second")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    belongs = provenance()
    told = {**belongs, **campaign(options.seconds, options.sockets, options.garbage, options.seed)}
    options.out.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
    print(json.dumps({key: value for key, value in told.items() if key not in belongs}, indent=1))


if __name__ == "__main__":
    main()
