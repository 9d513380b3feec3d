"""The page's server without a browser: who gets in, and what it sends."""

from __future__ import annotations

import json
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from tests.host.page.bench_shop import WAIT_S, page_process
from websockets.exceptions import InvalidStatus
from websockets.sync.client import ClientConnection, connect

from steadyram.cli import main
from steadyram.errors import BadInput
from steadyram.page.access import Access
from steadyram.page.app import build_app
from steadyram.page.hub import Hub
from steadyram.page.questions import Guide, GuideStopped
from steadyram.page.serve import open_listener
from steadyram.page.words import FAULT_REMEDIES, REFUSAL_REMEDIES, STATES, STOPS

NOWHERE = "socket://127.0.0.1:1"


@pytest.fixture(scope="module")
def lone_page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A page whose press is not there."""
    with page_process(NOWHERE, tmp_path_factory.mktemp("lone")) as url:
        yield url


def fetch(url: str, **headers: str) -> tuple[int, dict[str, str], str]:
    request = urllib.request.Request(url, headers={k.replace("_", "-"): v for k, v in headers.items()})
    try:
        with urllib.request.urlopen(request, timeout=WAIT_S) as answer:
            return answer.status, dict(answer.headers), answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, dict(error.headers), error.read().decode()


def live(url: str, **headers: str) -> ClientConnection:
    return connect(
        url.replace("http", "ws") + "live",
        origin=url.rstrip("/"),  # type: ignore[arg-type]
        additional_headers=headers,
        open_timeout=WAIT_S,
    )


def test_words_are_there_for_everything_the_definition_knows() -> None:
    from steadyram.link.definition import definition

    known = definition()
    assert {each.name for each in known.states.values()} == set(STATES)
    assert {each.name for each in known.faults.values()} <= set(FAULT_REMEDIES)
    assert {each.name for each in known.stops.values()} <= set(STOPS)
    assert {each.name for each in known.refusals.values()} - {"none"} <= set(REFUSAL_REMEDIES)


def test_checklist_and_ceiling_while_a_handling_job_is_chosen() -> None:
    from types import SimpleNamespace

    from steadyram.page.view import _handling
    from steadyram.page.words import HANDLING_CHECKLIST

    jobs = [
        SimpleNamespace(slot=1, fields={"handling": 0}),
        SimpleNamespace(slot=2, fields={"handling": 1}),
        SimpleNamespace(slot=3, fields={}),
    ]
    kept: Any = SimpleNamespace(
        jobs=SimpleNamespace(jobs=jobs), settings=SimpleNamespace(values={"handling_n": 4000})
    )

    def told(job: int) -> dict[str, Any] | None:
        reading: Any = SimpleNamespace(job=job)
        return _handling(reading, kept)

    assert [told(job) for job in (0, 1, 3)] == [None, None, None]
    assert told(2) == {"checklist": list(HANDLING_CHECKLIST), "ceiling_N": 4000.0}
    text = " ".join(HANDLING_CHECKLIST).lower()
    assert all(words in text for words in ("all pins in and locked", "nobody under the load", "raised bed"))


def test_beyond_loopback_a_token_is_required(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("short").write_text("aaaaaaaaaaaa")
    Path("short").chmod(0o600)
    for more, words in (
        (["--listen", "0.0.0.0:0"], "give --token"),
        (["--listen", "[::]:0"], "give --token"),
        (["--listen", "0.0.0.0:0", "--token-file", "short"], "guessed"),
        (["--listen", "nonsense"], "HOST:PORT"),
    ):
        with pytest.raises(SystemExit) as stop:
            main(["page", "--port", NOWHERE, *more])
        assert stop.value.code == 2
        assert words in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["short"]
    with pytest.raises(BadInput):
        Access.for_listening("192.168.1.7", None)
    assert Access.for_listening("::1", None).token is None


def test_reading_on_loopback_needs_nothing_and_nobody_else_reaches_in(lone_page: str) -> None:
    url = lone_page
    status, headers, body = fetch(url)
    assert status == 200
    assert "default-src 'none'" in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert "http://" not in body.replace("http://www.w3.org", "")
    assert fetch(url, Host="evil.example")[0] == 403
    assert fetch(url + "page.py")[0] == 404
    assert fetch(url + "..%2fkeeper.py")[0] == 404
    with live(url) as socket:
        assert json.loads(socket.recv(timeout=WAIT_S))["kind"] == "hello"
    with pytest.raises(InvalidStatus):
        connect(url.replace("http", "ws") + "live", origin="http://evil.example", open_timeout=WAIT_S)  # type: ignore[arg-type]
    with pytest.raises(InvalidStatus):
        connect(url.replace("http", "ws") + "live", open_timeout=WAIT_S)


def test_a_page_hears_from_a_server_that_has_nothing_to_tell() -> None:
    listener = open_listener("127.0.0.1", 0)
    app = build_app(Hub(), lambda content, done: None, Access(None))
    server = uvicorn.Server(uvicorn.Config(app, log_level="warning", ws="websockets-sansio"))
    thread = threading.Thread(target=server.run, args=([listener],))
    thread.start()
    try:
        with live(f"http://127.0.0.1:{listener.getsockname()[1]}/") as socket:
            assert json.loads(socket.recv(timeout=WAIT_S)) == {"kind": "here"}
    finally:
        server.should_exit = True
        thread.join(WAIT_S)
        listener.close()


def test_with_a_token_nothing_is_told_without_it(tmp_path: Path) -> None:
    with page_process(NOWHERE, tmp_path, "--token-file", str(tmp_path / "token")) as url:
        token = (tmp_path / "token").read_text().strip()
        assert len(token) == 32
        assert (tmp_path / "token").stat().st_mode & 0o077 == 0
        status, _, body = fetch(url)
        assert status == 401
        assert "needs the token" in body
        assert fetch(url + "page.js")[0] == 401
        assert fetch(url + "?token=wrong")[0] == 401
        with pytest.raises(InvalidStatus):
            live(url)
        with pytest.raises(InvalidStatus):
            live(url, Cookie=f"steadyram_page={token}")
        cookie = f"steadyram_page={Access(token).cookie}"
        assert fetch(url, Cookie=cookie)[0] == 200
        with live(url, Cookie=cookie) as socket:
            assert json.loads(socket.recv(timeout=WAIT_S))["kind"] == "hello"


def ask(socket: ClientConnection, **content: Any) -> dict[str, Any]:
    return send(socket, json.dumps({"id": 77, **content}))


def send(socket: ClientConnection, text: str) -> dict[str, Any]:
    """The answer to it; the page may tell the press's state in between."""
    socket.send(text)
    while True:
        told = json.loads(socket.recv(timeout=WAIT_S))
        if told["kind"] == "answer":
            return dict(told)


def test_nonsense_gets_a_sentence_and_changes_nothing(lone_page: str) -> None:
    with live(lone_page) as socket:
        for content, words in (
            ({"do": "fly"}, "nothing was changed"),
            ({"do": "use", "job": -1}, "nothing was changed"),
            ({"do": "teach", "setpoint_N": "1e999"}, "nothing was changed"),
            ({"do": "use", "job": 1, "more": 2}, "nothing was changed"),
            ({"do": "use", "job": 1}, "no connection to the press"),
            ({"do": "word", "seq": 5, "verdict": "good"}, "no record 5"),
            ({"do": "take-back", "seq": 5, "why": "x"}, "nothing was withdrawn"),
            ({"do": "take-back", "seq": 5, "why": "  "}, "nothing was changed"),
        ):
            answer = ask(socket, **content)
            assert answer["ok"] is False
            assert words in answer["text"]
        assert "cannot be read" in send(socket, "[")["text"]


def test_a_guide_takes_the_first_answer_and_can_be_stopped() -> None:
    told: list[Any] = []
    guide = Guide(
        "try", lambda: told.append(guide.to_json()), lambda seconds: guide.answer(guide.number, "4.2")
    )
    guide.answer(1, "early answers to the right question count")
    assert guide.ask("what?").startswith("early")
    assert guide.ask("and now?") == "4.2"
    guide.stop()
    with pytest.raises(GuideStopped):
        guide.say("more")
    assert told[-1]["question"] is None
