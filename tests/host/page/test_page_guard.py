"""What strangers can take of the page: few sockets, little of its memory and time, few tries at the token."""

from __future__ import annotations

import contextlib
import gc
import json
import logging
import secrets
import socket
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from typing import Any

import pytest
import uvicorn
from tests.host.page.bench_shop import WAIT_S, wait_for
from tests.host.page.test_page_server import fetch, live

from steadyram.cycles.collect_metrics import Metrics
from steadyram.errors import BadInput
from steadyram.page.access import Access, strong
from steadyram.page.app import build_app
from steadyram.page.guard import (
    SAID_S,
    WAITING_MOST,
    WRONG_MOST,
    WRONG_S,
    Seldom,
    Waiting,
    WrongTokens,
    guarded_http,
    set_aside_what_stays,
)
from steadyram.page.hub import Hub
from steadyram.page.serve import open_listener


@contextlib.contextmanager
def serving(access: Access) -> Iterator[tuple[str, Waiting, Hub]]:
    """The page's address, its sockets without a request, and what tells its pages something."""
    listener, waiting, hub = open_listener("127.0.0.1", 0), Waiting(), Hub()
    app = build_app(hub, lambda content, done: None, access)
    config = uvicorn.Config(app, log_level="warning", http=guarded_http(waiting), ws="websockets-sansio")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, args=([listener],))
    thread.start()
    try:
        yield f"http://127.0.0.1:{listener.getsockname()[1]}/", waiting, hub
    finally:
        server.should_exit = True
        thread.join(WAIT_S)
        listener.close()


@pytest.fixture
def served() -> Iterator[tuple[str, Waiting, Hub]]:
    with serving(Access(None)) as given:
        yield given


class _Stay(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *given: Any) -> None:
        return None


def post(url: str, body: bytes) -> int:
    try:
        with urllib.request.build_opener(_Stay).open(url + "enter", body, WAIT_S) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as refusal:
        return refusal.code


def test_half_open_sockets_do_not_stop_the_page(served: tuple[str, Waiting, Hub]) -> None:
    url, waiting, hub = served
    port = int(url.split(":")[2].strip("/"))
    with live(url) as tablet, contextlib.ExitStack() as stack:
        for number in range(300):
            one = stack.enter_context(socket.create_connection(("127.0.0.1", port), WAIT_S))
            if number % 2:
                one.sendall(b"GET / HTT")
        # Accepted: those that waited longest were closed for it.
        assert wait_for(lambda: waiting.closed >= 300 - WAITING_MOST)
        assert len(waiting) <= WAITING_MOST
        assert fetch(url)[0] == 200
        hub.publish("view", mark=1)
        assert any(json.loads(tablet.recv(timeout=WAIT_S)).get("mark") == 1 for _ in range(20))


def test_what_is_loaded_is_no_work_for_the_collector() -> None:
    try:
        loaded = len(gc.get_objects())
        set_aside_what_stays()
        # What a full collection looks at from now on: what was made since.
        assert len(gc.get_objects()) < loaded / 20
        assert gc.get_freeze_count() > 0.9 * loaded
    finally:
        gc.unfreeze()


def test_rubbish_does_not_fill_the_log(capfd: pytest.CaptureFixture[str]) -> None:
    now = 1000.0
    log = logging.Logger("page")
    log.addHandler(logging.StreamHandler())
    log.addFilter(Seldom(lambda: now))
    for _ in range(1000):
        log.warning("Invalid HTTP request received.")
    log.warning("Something else.")
    now += SAID_S
    log.warning("Invalid HTTP request received.")
    written = capfd.readouterr().err.splitlines()
    assert written == [
        "Invalid HTTP request received.",
        "Something else.",
        "Invalid HTTP request received. 999 more of these since the last one written.",
    ]


def test_a_form_is_not_held_in_memory() -> None:
    with serving(Access(secrets.token_hex(16))) as (url, _, _):
        assert post(url, b"token=" + b"x" * 5000) == 413


def test_wrong_tokens_are_few(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("steadyram.page.app._WRONG_TOKEN_S", 0.0)
    token = secrets.token_hex(16)
    with serving(Access(token)) as (url, _, _):
        for _ in range(WRONG_MOST - 1):
            assert post(url, b"token=wrong") == 401
        assert post(url, b"token=wrong") == 429
        # The right one is not heard either until a minute has passed, in the form or in the address.
        assert post(url, b"token=" + token.encode()) == 429
        assert fetch(url + "?token=" + token)[0] == 429
    with serving(Access(token)) as (url, _, _):
        assert post(url, b"token=" + token.encode()) == 303


def test_wrong_tokens_are_forgotten_in_time_and_counted_over_all_addresses() -> None:
    now = 1000.0
    tries = WrongTokens(lambda: now)
    for _ in range(WRONG_MOST):
        assert not tries.refused("10.0.0.1")
        tries.wrong("10.0.0.1")
    assert tries.refused("10.0.0.1")
    assert not tries.refused("10.0.0.2")
    now += WRONG_S + 1
    assert not tries.refused("10.0.0.1")
    for number in range(10 * WRONG_MOST):
        tries.wrong(f"10.0.1.{number}")
    assert tries.refused("10.9.9.9")


@pytest.mark.parametrize("token", ["a" * 12, "a" * 64, "ab" * 40, "0123456789abcdef", "a-long-shop-secret"])
def test_a_token_that_could_be_guessed_is_refused(token: str) -> None:
    assert not strong(token)
    with pytest.raises(BadInput, match="guessed"):
        Access.for_listening("0.0.0.0", token)


def test_random_tokens_of_128_bits_are_good() -> None:
    for _ in range(200):
        assert strong(secrets.token_hex(16))
        assert strong(secrets.token_urlsafe(24))


def test_metrics_beyond_loopback_ask_for_the_token() -> None:
    pytest.importorskip("prometheus_client")
    token = secrets.token_hex(16)
    served = Metrics([], ("127.0.0.1", 0), token)
    try:
        url = f"http://127.0.0.1:{served.port}/metrics"
        assert fetch(url)[0] == 401
        assert fetch(url, Authorization=f"Bearer {token[:-1]}0x")[0] == 401
        assert fetch(url, Authorization=f"Bearer {token}")[0] == 200
    finally:
        served.close()
