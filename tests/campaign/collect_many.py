"""Four virtual presses collected at once into PostgreSQL while things go wrong: every cycle once.

    python tests/campaign/collect_many.py --seconds 600 --out tests/campaign/out/collect_many.json

Presses run in real time in processes of their own, worked by their operators. One is killed (as by a power
cut) and started again on the same flash; the database is restarted; a receiver listens at a real broker. At
the end each device's own log is read and held against the store.
"""

from __future__ import annotations

import argparse
import json
import re
import select
import signal
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.host.cycles.real_servers import Mosquitto, Postgres, free_port

from steadyram.cycles.store import CycleStore
from steadyram.device import Device
from steadyram.errors import SteadyramError
from steadyram.link.client import Client
from steadyram.link.definition import definition
from steadyram.link.records import DeviceJob
from steadyram.link.transport import open_transport
from steadyram.press.pressfile import read_press
from steadyram.virtual.quick_setup import (
    datasheet_characteristics,
    nameplate_calibration,
    nameplate_settings,
)

PRESSES = ("workshop-20", "workshop-20-fine", "frame-30", "stiff-20")
SETPOINT_N = 20_000
# How long anything may take that comes by itself; only a failure waits to the end.
_WAIT_S = 180.0


class PressProcess:
    """One `steadyram virtual` on a flash of its own that outlives it."""

    def __init__(self, name: str, seed: int, folder: Path) -> None:
        self.file = Path(__file__).parents[1] / "presses" / f"{name}.toml"
        self.name = name
        self.seed = seed
        self.state = folder / f"flash-{seed}"
        self.port = free_port()
        self._log = (folder / f"press-{seed}.log").open("ab")
        self.process: subprocess.Popen[str] | None = None

    @property
    def url(self) -> str:
        return f"socket://127.0.0.1:{self.port}"

    def start(self, *options: str) -> None:
        self.process = subprocess.Popen(
            [
                *(sys.executable, "-m", "steadyram", "virtual", "--press", str(self.file)),
                *("--seed", str(self.seed), "--listen", f"127.0.0.1:{self.port}"),
                *("--state", str(self.state), *options),
            ],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=self._log,
            text=True,
        )
        assert self.process.stdout is not None
        assert select.select([self.process.stdout], [], [], _WAIT_S)[0], "no ready line"
        assert self.process.stdout.readline().startswith("ready ")

    def end(self, number: int = signal.SIGTERM) -> None:
        assert self.process is not None
        self.process.send_signal(number)
        self.process.wait(_WAIT_S)
        assert self.process.stdout is not None
        self.process.stdout.close()

    def device(self) -> Device:
        return Device(Client(open_transport(self.url)))

    def set_up(self) -> None:
        """Settings, calibration and one long batch, over the link, with the panel's button held."""
        self.start("--enable-changes")
        device = self.device()
        model = read_press(self.file)
        until = time.monotonic() + _WAIT_S
        while not (device.now().changes_left_s and device.calibration_unsealed()):
            assert time.monotonic() < until, "changes were not opened"
            time.sleep(0.1)
        device.push_press(nameplate_settings(model) | datasheet_characteristics(model))
        device.push_calibration(nameplate_calibration(model, round(device.now().mean_counts)))
        fields = {field.name: field.default for field in definition().job}
        device.push_jobs([DeviceJob(1, "bracket", fields | {"setpoint_n": SETPOINT_N, "batch": 100_000})])
        device.use_job(1)
        device.close()
        self.end()


class Receiver:
    """Someone at the broker who keeps count."""

    def __init__(self, port: int) -> None:
        from paho.mqtt import client as mqtt
        from paho.mqtt.enums import CallbackAPIVersion

        self.cycles: dict[str, set[int]] = {}
        self.live = 0
        self.states = 0
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="receiver")
        self._client.on_message = self._message
        self._client.on_connect = lambda client, *_: client.subscribe("steadyram/#", qos=1)
        subscribed = threading.Event()
        self._client.on_subscribe = lambda *_: subscribed.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert subscribed.wait(_WAIT_S), "the broker does not answer"

    def _message(self, client: Any, data: Any, message: Any) -> None:
        what = message.topic.rpartition("/")[2]
        if what == "cycle":
            document = json.loads(message.payload)
            self.cycles.setdefault(document["uid"], set()).add(document["seq"])
        self.live += what == "live"
        self.states += what == "state"

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def tell(text: str) -> None:
    print(f"{time.strftime('%H:%M:%S')} {text}", file=sys.stderr, flush=True)


def run(seconds: float, folder: Path) -> dict[str, Any]:
    """The campaign: what came of it, to be judged by whoever reads it."""
    tell("setting up")
    presses = [PressProcess(name, seed, folder) for seed, name in enumerate(PRESSES, start=1)]
    _each(presses, PressProcess.set_up)
    with Postgres(folder) as postgres, Mosquitto(folder) as mosquitto:
        tell("presses are set up")
        url = postgres.new_database()
        metrics = free_port()
        receiver = Receiver(mosquitto.port)
        _each(presses, lambda press: press.start("--realtime", "--operator", "auto"))
        collector = subprocess.Popen(
            [sys.executable, "-m", "steadyram", "collect", "--store", url]
            + [word for press in presses for word in ("--port", press.url)]
            + ["--broker", f"127.0.0.1:{mosquitto.port}", "--metrics", f"127.0.0.1:{metrics}"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        said: list[str] = []
        assert collector.stderr is not None
        listener = threading.Thread(target=lambda: said.extend(collector.stderr or ()), daemon=True)
        listener.start()
        try:
            _until(lambda: any("/metrics" in line for line in said), collector, "it does not begin")
            _until(lambda: len(_up(metrics)) == len(presses), collector, "it does not reach every press")
            began = time.monotonic()
            time.sleep(seconds * 0.35)
            tell("killing a press")
            presses[1].end(signal.SIGKILL)
            time.sleep(min(5.0, seconds * 0.1))
            presses[1].start("--realtime", "--operator", "auto")
            time.sleep(seconds * 0.25)
            tell("restarting the database")
            postgres.stop()
            time.sleep(min(5.0, seconds * 0.1))
            _until(lambda: any("cannot be used" in line for line in said), collector, "it misses nothing")
            postgres.start()
            time.sleep(seconds * 0.4)
            collected_s = time.monotonic() - began
            _until(lambda: len(_up(metrics)) == len(presses), collector, "it does not come back")
            up = _up(metrics)
            # However slow the machine, something must have been made to be collected.
            _until(
                lambda: min(exposed(metrics)["steadyram_records_in_store"].values()) >= 2,
                collector,
                "no cycles",
            )
            tell("the operators go home")
            waited = _pulled_to_the_end(presses, metrics)
            tell("reading the devices' own logs")
            # A press serves one host at a time: the collector lets go first.
            collector.terminate()
            collector.wait(_WAIT_S)
            logs = _own_logs(presses)
            # What the broker has may still be on its way from it.
            until = time.monotonic() + 60.0
            while time.monotonic() < until and not all(
                set(log) <= receiver.cycles.get(uid, set()) for uid, log in logs.items()
            ):
                time.sleep(0.1)
        finally:
            collector.terminate()
            code = collector.wait(_WAIT_S)
            listener.join(_WAIT_S)
            for press in presses:
                if press.process is not None and press.process.poll() is None:
                    press.process.kill()
                    press.process.wait()
        receiver.close()
        return {"collected_s": round(collected_s, 1)} | _judged(
            presses, url, logs, waited, receiver, up, said, code
        )


def exposed(port: int) -> dict[str, dict[str, float]]:
    """The collector's metrics by name and uid."""
    text = urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=_WAIT_S).read().decode()
    found: dict[str, dict[str, float]] = {}
    for name, uid, value in re.findall(r'^(\w+)\{.*uid="([^"]+)"\} ([-0-9.e+]+)', text, re.MULTILINE):
        found.setdefault(name, {})[uid] = float(value)
    return found


def _up(metrics: int) -> list[str]:
    """Devices that the collector reaches."""
    return sorted(uid for uid, value in exposed(metrics).get("steadyram_device_up", {}).items() if value)


def _until(what: Callable[[], bool], collector: subprocess.Popen[str], else_said: str) -> None:
    """Wait until it is so; the collector must not end meanwhile."""
    until = time.monotonic() + _WAIT_S
    while not what():
        assert collector.poll() is None, "the collector ended"
        assert time.monotonic() < until, else_said
        time.sleep(0.1)


def _pulled_to_the_end(presses: list[PressProcess], metrics: int) -> float:
    """Send the operators home and wait until the collector has come back to every press; seconds it took."""
    began = time.monotonic()
    lost = exposed(metrics)["steadyram_reconnects_total"]

    def without_operator(press: PressProcess) -> None:
        press.end()
        press.start("--realtime")

    _each(presses, without_operator)
    while True:
        assert time.monotonic() - began < _WAIT_S, "the collector did not come back to every press"
        now = exposed(metrics)
        # It says that a device is up only when what was on it has been pulled.
        if all(
            now["steadyram_device_up"][uid] and now["steadyram_reconnects_total"][uid] > before
            for uid, before in lost.items()
        ):
            return time.monotonic() - began
        time.sleep(0.3)


def _own_logs(presses: list[PressProcess]) -> dict[str, Any]:
    """Each device's own log: the records' fields by number, by uid."""
    logs: dict[str, Any] = {}
    for press in presses:
        device = press.device()
        logs[device.identity().uid] = {record.seq: dict(record.values) for record in device.log()}
        device.close()
    return logs


def _each(presses: list[PressProcess], do: Callable[[PressProcess], None]) -> None:
    """Do something to every press at once."""
    with ThreadPoolExecutor(len(presses)) as pool:
        list(pool.map(do, presses))


def _judged(
    presses: list[PressProcess],
    url: str,
    logs: dict[str, Any],
    waited: float,
    receiver: Receiver,
    up: list[str],
    said: list[str],
    code: int,
) -> dict[str, Any]:
    assert code == 0, said
    rows = []
    with CycleStore(url, create=False) as store:
        assert {device.uid for device in store.devices()} == set(logs)
        for press, (uid, log) in zip(presses, logs.items(), strict=True):
            stored = {cycle.record.seq: dict(cycle.record.values) for cycle in store.cycles(uid)}
            rows.append(
                {
                    "press": press.name,
                    "uid": uid,
                    "cycles_on_device": len(log),
                    "cycles_in_store": store.count(uid),
                    "missing": sorted(set(log) - set(stored)),
                    "unknown_to_device": sorted(set(stored) - set(log)),
                    "differing": sorted(seq for seq in log if seq in stored and log[seq] != stored[seq]),
                    "traces_missing": len(store.traces_wanted(uid)),
                    "not_at_broker": sorted(set(log) - receiver.cycles.get(uid, set())),
                }
            )
    return {
        "presses": rows,
        "cycles": sum(row["cycles_on_device"] for row in rows),
        "live_messages": receiver.live,
        "state_messages": receiver.states,
        "up_by_metrics": up,
        "collector_exit": code,
        # Ports and the database's address differ from run to run and say nothing.
        "collector_said": [
            re.sub(r"postgresql://\S+|127\.0\.0\.1:\d+|port \d+", "...", " ".join(line.split()))[:200]
            for line in said
        ],
        "settling_s": round(waited, 1),
    }


def main() -> None:
    """Run and write what came of it."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=600.0)
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        result = run(given.seconds, Path(folder))
    given.out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    for row in result["presses"]:
        print(row)


if __name__ == "__main__":
    try:
        main()
    except SteadyramError as error:
        sys.exit(str(error))
