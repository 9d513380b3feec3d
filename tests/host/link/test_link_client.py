from __future__ import annotations

import random

import pytest
from tests.host.link.scripted import ScriptedTransport, Step, answer, lost

from steadyram.errors import BadFrame, BadInput, DeviceRefusal, LinkTimeout, PortLost
from steadyram.link.client import Client


def client_of(*steps: Step) -> tuple[Client, ScriptedTransport]:
    transport = ScriptedTransport(steps)
    return Client(transport, timeout_s=1.0, tries=3, source=random.Random(5)), transport


def test_an_answer_with_rows() -> None:
    client, transport = client_of(
        Step("show kind=settings", ["row a=1", "row b=2", "- state state=1", "ok gen=3 digest=AB n=2"])
    )
    reply = client.request("show", kind="settings")
    assert reply.integer("gen") == 3
    assert [dict(row) for row in reply.rows] == [{"a": "1"}, {"b": "2"}]
    assert reply.merged() == {"a": "1", "b": "2", "gen": "3", "digest": "AB", "n": "2"}
    assert [event.word for event in client.events] == ["state"]
    transport.finish()


def test_a_change_is_repeated_with_the_same_tag() -> None:
    client, transport = client_of(Step("zero"), Step("zero", ["ok zero=6554"]))
    assert client.request("zero").integer("zero") == 6554
    assert transport.tags[0] == transport.tags[1]
    assert transport.clock_s == pytest.approx(1.0)
    transport.finish()


def test_a_damaged_row_means_a_fresh_read_and_never_a_mix() -> None:
    client, transport = client_of(
        Step("show kind=learned", ["row slot=1", b"xx row slot=2 #0000\n", "row slot=3", "ok gen=1 n=3"]),
        Step("show kind=learned", ["row slot=1", "row slot=2", "row slot=3", "ok gen=1 n=3"]),
    )
    reply = client.request("show", kind="learned")
    assert [row["slot"] for row in reply.rows] == ["1", "2", "3"]
    assert transport.tags[0] != transport.tags[1]
    assert client.damaged_lines == 1
    transport.finish()


def test_rows_of_a_late_answer_do_not_join_the_next() -> None:
    client, transport = client_of(Step("log from=1 max=4"), Step("log from=1 max=4", []))
    late: list[bytes] = []
    original = transport._write

    def write(data: bytes) -> None:
        original(data)
        if len(transport.tags) == 2:
            first, second = transport.tags
            late.extend([answer(first, "row v=1"), answer(second, "row v=1"), answer(first, "row v=2")])
            late.append(answer(first, "ok next=3 first=1 last=2"))
            transport._pending.extend(late)

    transport._write = write  # type: ignore[method-assign]
    reply = client.request("log", {"from": 1, "max": 4})
    assert [row["v"] for row in reply.rows] == ["1", "2"]


def test_the_device_saw_a_damaged_line() -> None:
    client, transport = client_of(
        Step("clock unix=5", ['no 4 "the checksum does not match the line; send it again"']),
        Step("clock unix=5", [b'? no 2 "x" #0000\n', "ok unix=5"]),
    )
    assert client.request("clock", unix=5).integer("unix") == 5
    assert len(set(transport.tags)) == 1
    transport.finish()


def test_a_refusal_carries_number_and_sentence() -> None:
    client, transport = client_of(Step("use job=4", ['no 12 "changes are not enabled"']))
    with pytest.raises(DeviceRefusal, match="changes are not enabled") as caught:
        client.request("use", job=4)
    assert caught.value.number == 12
    assert caught.value.exit_code == 4
    transport.finish()


def test_silence_ends_in_one_sentence() -> None:
    client, transport = client_of(Step("hello"), Step("hello"), Step("hello"))
    with pytest.raises(LinkTimeout, match="did not answer 'hello' in 3 tries"):
        client.request("hello")
    transport.finish()


def test_noise_without_end_is_bounded_and_ends_in_bad_frame() -> None:
    noise = [b"\xff" * 5000, b"more noise\n", b"\x00\n"]
    client, transport = client_of(Step("hello", noise), Step("hello", noise), Step("hello", noise))
    with pytest.raises(BadFrame, match="damaged 3 times"):
        client.request("hello")
    assert transport.clock_s < 1.0
    transport.finish()


def test_start_up_chatter_before_the_answer_does_no_harm() -> None:
    client, transport = client_of(
        Step("hello", [b"rebooting\r\n", b"\r\n", "ok proto=1"]), Step("hello", ["ok proto=1"])
    )
    assert client.request("hello").fields == {"proto": "1"}
    transport.finish()


def test_a_lost_port_is_not_retried() -> None:
    client, transport = client_of(Step("now", lost()))
    with pytest.raises(PortLost):
        client.request("now")
    transport.finish()


def test_a_request_that_cannot_be_a_line_sends_nothing() -> None:
    client, transport = client_of()
    with pytest.raises(BadInput, match="printable ASCII"):
        client.request("put", name="caf\u00e9")
    transport.finish()


def test_events_are_taken_in_order_and_waiting_ends() -> None:
    client, transport = client_of(
        Step("events on=1 live_ms=0", ["ok on=1", "- state state=2", "- state state=3"])
    )
    client.request("events", on=1, live_ms=0)
    words = [client.next_event(0.5) for _ in range(3)]
    assert [event.fields["state"] for event in words if event is not None] == ["2", "3"]
    assert words[2] is None
    transport.finish()


def test_tags_of_two_clients_differ_and_never_repeat_in_one() -> None:
    first = Client(ScriptedTransport([]), source=random.Random(1))
    second = Client(ScriptedTransport([]), source=random.Random(2))
    tags = [first._tag() for _ in range(2000)] + [second._tag() for _ in range(2000)]
    assert len(set(tags)) == 4000
    assert all(len(tag) <= 8 for tag in tags)
