"""Collecting: what it is told, what it tells, and how it ends; against real servers where there are any."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from tests.host.cycles.real_servers import Mosquitto, free_port, mosquitto_missing
from tests.host.cycles.samples import record
from tests.host.cycles.test_cycles_pull import ready_bench
from tests.host.loopback import Bench
from tests.host.served import Served

from steadyram.cli import main
from steadyram.cycles.collect import Collector
from steadyram.cycles.collect_config import checked_config, read_config
from steadyram.cycles.messages import TOPICS, CycleMessage, topic_tree
from steadyram.cycles.store import CycleStore
from steadyram.errors import BadInput
from steadyram_fw import tables as T

CONFIG = """
store = "shop.db"
live = "0.1 s"
poll = "5 s"
[[device]]
name = "by the door"
port = "/dev/ttyACM0"
[broker]
host = "127.0.0.1"
[metrics]
listen = "127.0.0.1:9464"
"""


def test_a_configuration_is_read(tmp_path: Path) -> None:
    path = tmp_path / "collect.toml"
    path.write_text(CONFIG)
    config = read_config(path)
    assert (config.live, config.poll, config.device[0].name) == (0.1, 5.0, "by the door")
    assert config.broker is not None
    assert (config.broker.port, config.broker.prefix) == (1883, "steadyram")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("live", 0.001), "live"),
        (("poll", "5 N"), "poll"),
        (("device", []), "device"),
        (("device", [{"port": "a"}, {"port": "a"}]), "names the port a twice"),
        (("broker", {"host": "h", "prefix": "a/#"}), "broker.prefix"),
        (("password", "secret"), "password"),
        (("metrics", {"listen": "nowhere"}), "metrics.listen"),
    ],
)
def test_a_wrong_configuration_is_one_sentence(change: tuple[str, Any], says: str) -> None:
    tables: dict[str, Any] = {"store": "x.db", "device": [{"port": "a"}]}
    with pytest.raises(BadInput, match=says):
        checked_config(tables | {change[0]: change[1]}, "collect.toml")


def test_no_device_and_no_file_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words in ([], ["--config", str(tmp_path / "none.toml")]):
        with pytest.raises(SystemExit) as ended:
            main(["collect", *words])
        assert ended.value.code == 2
        assert len(capsys.readouterr().err.strip().splitlines()) == 1


def test_the_topics_say_what_comes(capsys: pytest.CaptureFixture[str]) -> None:
    main(["collect", "--topics"])
    told = json.loads(capsys.readouterr().out)
    assert set(told) == {f"PREFIX/{topic}" for topic in TOPICS}
    for schema in told.values():
        jsonschema.Draft202012Validator.check_schema(schema)
    message = json.loads(CycleMessage.of("p1", record(3)).model_dump_json())
    jsonschema.validate(message, told["PREFIX/UID/cycle"])
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**message, "seq": "3"}, told["PREFIX/UID/cycle"])


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    bench = ready_bench(tmp_path / "flash", 12)
    with Served(bench) as made:
        yield made


def until(what: Any, seconds: float = 300.0) -> None:
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, "it did not come"
        time.sleep(0.05)


def test_a_store_that_goes_away_is_waited_for(
    served: Served, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from steadyram.cycles.store_engine import StoreError

    said: list[str] = []
    config = checked_config({"store": "x", "device": [{"port": served.url}], "poll": 0.2}, "test")
    with CycleStore(tmp_path / "c.db") as store:
        real, broken = store.add_cycles, threading.Event()
        broken.set()

        def add(*arguments: Any) -> int:
            if broken.is_set():
                raise StoreError("The cycle store is away.")
            return real(*arguments)

        monkeypatch.setattr(store, "add_cycles", add)
        collector = Collector(config, store, say=said.append)
        collector.start()
        try:
            until(lambda: any("is away" in line for line in said))
            assert not collector.watched[0].online
            broken.clear()
            until(lambda: store.count("b3nch001") == 12)
            until(lambda: collector.watched[0].online)
        finally:
            collector.stop()
    # Said once, not at every attempt.
    assert sum("is away" in line for line in said) == 1


def spoil(bench: Bench, how: Callable[[bytes], bytes]) -> list[bytes]:
    """Have each "record" event of a bench sent as `how` makes it; returns the list of those that were."""
    link = bench.app.link
    real, spoilt = link._write, []

    def write(line: bytes) -> None:
        if line.startswith(b"- record"):
            spoilt.append(line)
            line = how(line)
        real(line)

    link._write = write
    return spoilt


@pytest.mark.parametrize(
    ("how", "states"),
    [
        (lambda line: line.replace(b"seq=", b"sec="), (T.STATE_READY,)),
        (lambda line: b"", (T.STATE_ADVANCE, T.STATE_READY)),
    ],
    ids=["damaged", "gone"],
)
def test_a_record_does_not_wait_for_the_poll_when_its_event_is_lost(
    tmp_path: Path, how: Callable[[bytes], bytes], states: tuple[int, ...]
) -> None:
    bench = ready_bench(tmp_path / "flash", 2)
    spoilt = spoil(bench, how)
    with Served(bench) as served, CycleStore(tmp_path / "c.db") as store:
        config = checked_config({"store": "x", "device": [{"port": served.url}], "poll": 3600.0}, "test")
        collector = Collector(config, store, say=lambda line: None)
        collector.start()
        try:
            until(lambda: collector.watched[0].online and collector.watched[0].reading is not None)
            served.then(lambda: bench.stroke(9100, states=states))
            until(lambda: store.count("b3nch001") == 3, 60.0)
        finally:
            collector.stop()
    assert len(spoilt) == 1


def test_the_newest_state_is_told_though_it_came_soon_after_another(tmp_path: Path) -> None:
    bench = ready_bench(tmp_path / "flash", 1)
    with Served(bench) as served, CycleStore(tmp_path / "c.db") as store:
        config = checked_config({"store": "x", "device": [{"port": served.url}], "poll": 3600.0}, "test")
        collector = Collector(config, store, say=lambda line: None)
        collector.start()
        watched = collector.watched[0]

        def state() -> str:
            return "" if watched.reading is None else watched.reading.state

        try:
            until(lambda: state() == "ready")
            for number, name in ((T.STATE_ADVANCE, "advance"), (T.STATE_READY, "ready")):
                bench.core.state = number
                until(lambda name=name: state() == name, 60.0)
        finally:
            collector.stop()


def test_messages_and_metrics_reach_their_readers(served: Served, tmp_path: Path) -> None:
    if mosquitto_missing():
        pytest.skip(mosquitto_missing())
    from paho.mqtt import client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion
    from prometheus_client.openmetrics.parser import text_string_to_metric_families

    got: dict[str, list[Any]] = {}
    metrics = free_port()
    with Mosquitto(tmp_path) as broker:
        listener = mqtt.Client(CallbackAPIVersion.VERSION2)
        listener.on_message = lambda c, d, m: got.setdefault(m.topic, []).append(json.loads(m.payload))
        listener.on_connect = lambda c, *_: c.subscribe("steadyram/#", qos=1)
        subscribed = threading.Event()
        listener.on_subscribe = lambda *_: subscribed.set()
        listener.connect("127.0.0.1", broker.port)
        listener.loop_start()
        # What was said before somebody listened is not said again.
        assert subscribed.wait(300)
        process = subprocess.Popen(
            [
                *(sys.executable, "-m", "steadyram", "collect", "--port", served.url),
                *("--store", str(tmp_path / "c.db"), "--broker", f"127.0.0.1:{broker.port}"),
                *("--metrics", f"127.0.0.1:{metrics}"),
            ],
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            until(lambda: len(got.get("steadyram/b3nch001/cycle", [])) == 12)
            until(lambda: len(got.get("steadyram/b3nch001/live", [])) > 3)
            until(lambda: got.get("steadyram/b3nch001/state"))
            text = urllib.request.urlopen(f"http://127.0.0.1:{metrics}/metrics", timeout=300).read().decode()
        finally:
            process.send_signal(signal.SIGTERM)
            _, told = process.communicate(timeout=300)
        assert process.returncode == 0, told
        assert "stopped" in told
        until(lambda: [m["online"] for m in got["steadyram/collector/collector/online"]] == [True, False])
        listener.disconnect()
        listener.loop_stop()
    for topic, schema in topic_tree("steadyram").items():
        real = topic.replace("CLIENT", "collector").replace("UID", "b3nch001")
        # Twelve parts whose job is not learned: the signature says nothing of them, nor does a person.
        assert real in got or topic.endswith("/verdict")
        for message in got.get(real, []):
            jsonschema.validate(message, schema)
    assert [message["seq"] for message in got["steadyram/b3nch001/cycle"]] == list(range(1, 13))
    families = {family.name: family for family in text_string_to_metric_families(text)}
    assert families["steadyram_device_up"].samples[0].value == 1.0
    assert families["steadyram_records_pulled"].samples[0].value == 12.0
    on = [s.labels["steadyram_state"] for s in families["steadyram_state"].samples if s.value]
    assert on == ["ready"]
