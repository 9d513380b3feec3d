"""A real-time soak over the link: the virtual press a second a second, a person who works, a host that asks.

The firmware runs in MicroPython; the host is a Client over a TCP socket, as the command line uses it. The host asks
for readings twice a second, pulls the log every five seconds, reconnects every minute; now and then a fault is
brought on and repaired. Written for every minute: answer times, records, lost numbers, memory of the process.

    python -m tests.campaign.soak_link --minutes 60 --out tests/campaign/out/soak_link.json

It takes the time it says, at a tenth of a core. Finished minutes are in OUT.part; an hour cannot be resumed, because
what it shows is one that was not interrupted.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import statistics
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

from tests.campaign.provenance import provenance

from steadyram.device import Device
from steadyram.errors import LinkError
from steadyram.link.client import Client
from steadyram.link.transport import SerialTransport
from steadyram.virtual.default_press import default_press
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.quick_setup import set_up
from steadyram.virtual.script import Person, hold_enable, play
from steadyram.virtual.server import PressServer

FAULTS = ("sensor-open", "sensor-spike", "estop-open")
# A heap that does not grow by itself, as on a board: what the process then takes in memory shows growth at once.
HEAP = 512 * 1024


def resident_kib(pid: int) -> int:
    """Resident memory of a process, KiB; 0 where the system does not tell."""
    try:
        text = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    except OSError:
        return 0
    return next((int(line.split()[1]) for line in text.splitlines() if line.startswith("VmRSS")), 0)


def processor_s_of(pid: int) -> float:
    """Processor time of another process, seconds; 0 where the system does not tell."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def soak(minutes: float, seed: int, part: Path | None = None) -> dict[str, Any]:
    """Run it; returns figures; finished minutes go to `part`. Raises when the press stops."""
    source = random.Random(seed)
    rows: list[dict[str, Any]] = []
    with (
        tempfile.TemporaryDirectory() as state,
        VirtualPress(default_press(), seed, "micropython", state, heap=HEAP) as press,
    ):
        set_up(press, 20_000.0, batch=100_000)
        play(press, hold_enable(press))  # the same button closes changes, and work begins
        read_end, write_end = os.pipe()
        server = PressServer(
            press,
            listen=("127.0.0.1", 0),
            realtime=True,
            person=Person(work=True, keep_open=False),
            actions=read_end,
            say=lambda text: None,
        )
        thread = threading.Thread(target=server.serve, daemon=True)
        thread.start()
        process = press._runtime._process  # type: ignore[union-attr]
        began = time.monotonic()
        device: Device | None = None
        last_seq, lost, records, failed, reconnects, damaged, faults = 0, 0, 0, 0, 0, 0, 0
        try:
            while (now := time.monotonic() - began) < 60.0 * minutes and thread.is_alive():
                minute_end = now + 60.0
                answers: list[float] = []
                virtual_began = press.time_s
                spent, spent_there = time.process_time(), processor_s_of(process.pid)
                if device is not None:
                    damaged += device.client.damaged_lines
                    device.close()
                device = Device(Client(SerialTransport(server.url), source=source))
                reconnects += 1
                at = 0
                while time.monotonic() - began < minute_end:
                    at += 1
                    sent = time.monotonic()
                    try:
                        device.now()
                        answers.append(time.monotonic() - sent)
                        if at % 10 == 0:
                            for record in device.log(last_seq + 1):
                                lost += record.seq != last_seq + 1
                                last_seq = record.seq
                                records += 1
                    except LinkError:
                        failed += 1
                    if at % 45 == 0 and source.random() < 0.5:
                        os.write(write_end, f"fault {source.choice(FAULTS)}\nwait 0.3\nrepair\n".encode())
                        faults += 1
                    time.sleep(max(0.0, 0.5 - (time.monotonic() - sent)))
                rows.append(
                    {
                        "minute": len(rows) + 1,
                        "virtual_s": round(press.time_s - virtual_began, 1),
                        "answers": len(answers),
                        "answer_median_s": round(statistics.median(answers), 4) if answers else None,
                        "answer_p99_s": round(sorted(answers)[int(0.99 * len(answers))], 4)
                        if answers
                        else None,
                        "answer_max_s": round(max(answers), 4) if answers else None,
                        "records": records,
                        "lost": lost,
                        "faults_brought_on": faults,
                        "panel": press.display.split("\n")[0],
                        "processor_share": round((time.process_time() - spent) / 60.0, 3),
                        "processor_share_micropython": round(
                            (processor_s_of(process.pid) - spent_there) / 60.0, 3
                        ),
                        "micropython_rss_KiB": resident_kib(process.pid),
                    }
                )
                print(json.dumps(rows[-1]), flush=True)
                if part is not None:
                    with part.open("a", encoding="utf-8") as kept:
                        kept.write(json.dumps(rows[-1]) + "\n")
        finally:
            alive = thread.is_alive()
            server.stop()
            thread.join(10)
            server.close()
            os.close(write_end)
            os.close(read_end)
    return {
        "seed": seed,
        "minutes": len(rows),
        "virtual_s": round(sum(row["virtual_s"] for row in rows), 1),
        "records": records,
        "lost": lost,
        "requests_failed": failed,
        "damaged_lines": damaged,
        "reconnects": reconnects,
        "faults_brought_on": faults,
        "press_alive_to_the_end": alive,
        "by_minute": rows,
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    part = options.out.with_suffix(".part")
    part.unlink(missing_ok=True)
    told = {**provenance(), **soak(options.minutes, options.seed, part)}
    options.out.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
    part.unlink()


if __name__ == "__main__":
    main()
