"""A client in JavaScript, made from the reference alone, says the same as the host tool; also of a log with gaps."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest
from tests.host.cycles.test_cycles_gaps import held_by, spoilt
from tests.host.cycles.test_cycles_pull import connect, ready_bench
from tests.host.loopback import Bench
from tests.host.served import Served

from steadyram.link.definition import definition
from steadyram_fw import tables as T

CLIENT = Path(__file__).with_name("foreign_client.js")
node = pytest.mark.skipif(shutil.which("node") is None, reason="no Node on this machine")


@node
@pytest.mark.parametrize("most", [1, 50])
def test_a_foreign_client_reads_everything(tmp_path: Path, most: int) -> None:
    ready_bench(tmp_path / "flash", 60)
    spoilt(tmp_path / "flash", 20)
    bench = Bench(tmp_path / "flash")
    bench.inputs |= T.IN_CUTOFF | T.IN_ESTOP_OK
    bench.run(200)
    good = held_by(bench)
    identity, reading = connect(bench).hello(), connect(bench, 2).now()
    with Served(bench) as served:
        host, port = served.url.removeprefix("socket://").split(":")
        done = subprocess.run(
            ["node", str(CLIENT), host, port, str(most)], capture_output=True, text=True, timeout=300
        )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert [record[0] for record in told["records"]] == good
    assert (told["hello"]["uid"], told["hello"]["fw"]) == (identity.uid, identity.fw)
    assert int(told["now"]["next_seq"]) == reading.next_seq
    assert {"cutoff", "estop_ok"} <= set(told["closed"])
    # The ninth field of a record is `count`: parts of the batch, one more each.
    assert all(record[8] >= 1 for record in told["records"])


@node
def test_a_foreign_client_replaces_only_what_it_read(tmp_path: Path) -> None:
    """Digest, canonical text, optional fields, refusals: all of it as the reference page has it."""
    bench = ready_bench(tmp_path / "flash")
    writer = CLIENT.with_name("foreign_writer.js")
    before = connect(bench).settings()

    def write(key: str, value: int, *generation: int) -> dict[str, object]:
        with Served(bench) as served:
            host, port = served.url.removeprefix("socket://").split(":")
            words = ["node", str(writer), host, port, key, str(value), *map(str, generation)]
            done = subprocess.run(words, capture_output=True, text=True, timeout=300)
        assert done.returncode == 0, done.stderr
        return dict(json.loads(done.stdout))

    # An optional field off its default, and a field that every set has.
    for number, (key, value) in enumerate((("handling_n", 1234), ("band_ppt", 33)), start=1):
        told = write(key, value)
        after = connect(bench, 5 + number).settings()
        assert (told["gen"], told["digest"]) == (after.gen, after.digest)
        assert (after.gen, after.values[key]) == (before.gen + number, value)
    errors = definition()
    assert write("band_ppt", 44, before.gen) == {"refused": errors.error("replaced-meanwhile")}
    assert write("band_ppt", 0) == {"refused": errors.error("out-of-range")}
    bench.enable()  # the same button closes what was open
    assert write("band_ppt", 44) == {"refused": errors.error("not-enabled")}
    assert connect(bench, 9).settings().values["band_ppt"] == 33


def test_every_reply_key_has_a_meaning_and_every_meaning_a_key() -> None:
    import tomllib

    root = Path(__file__).parents[2] / "protocol"
    verbs = tomllib.loads((root / "definition.toml").read_text(encoding="utf-8"))["verb"]
    keys = tomllib.loads((root / "reply_keys.toml").read_text(encoding="utf-8"))
    used = {verb["name"]: set(verb["reply"]) for verb in verbs}
    for verb, replies in used.items():
        assert replies <= keys["all"].keys() | keys.get(verb, {}).keys(), verb
    for verb, own in keys.items():
        assert set(own) <= (set().union(*used.values()) if verb == "all" else used[verb]), verb
