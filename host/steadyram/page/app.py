"""The page's web side: one page, its files, and one live connection a browser. No outside requests."""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any, Final
from urllib.parse import parse_qs

from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocket, WebSocketDisconnect

from steadyram.page.access import COOKIE, Access
from steadyram.page.guard import WrongTokens
from steadyram.page.hub import Hub

_STATIC: Final = Path(__file__).parent / "static"
_FILES: Final = {
    "page.css": "text/css; charset=utf-8",
    "page.js": "text/javascript; charset=utf-8",
    "chart.js": "text/javascript; charset=utf-8",
    "far.js": "text/javascript; charset=utf-8",
    "bend.js": "text/javascript; charset=utf-8",
    "icon.svg": "image/svg+xml",
}
_POLICY: Final = (
    b"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    b"form-action 'self'; base-uri 'none'; frame-ancestors "
)
_HEADERS: Final = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cache-control", b"no-store"),
)
# The largest order is a bend list's file; a form with a token is far smaller.
_ORDER_MOST: Final = 130_000
_WRONG_TOKEN_S: Final = 0.5
# A form with a token: bytes, and seconds that it may take to come.
_FORM_MOST: Final = 2048
_FORM_S: Final = 5.0
# Pages that are open at once.
_PAGES_MOST: Final = 40
# A page gives a line up that is silent for a second and a half; the press's thread may be busy for longer than that.
_HERE_S: Final = 0.5
_HERE: Final = json.dumps({"kind": "here"})

Order = Callable[[dict[str, Any], Callable[..., None]], None]


class _Guarded:
    """Puts the security headers on every answer. framed: pages of this very address may show the page in a frame."""

    def __init__(self, app: ASGIApp, framed: bool) -> None:
        self._app = app
        policy = _POLICY + (b"'self'" if framed else b"'none'")
        self._headers = ((b"content-security-policy", policy), *_HEADERS)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", ()), *self._headers]
            await send(message)

        await self._app(scope, receive, sending)


def _address(request: Request) -> str:
    return request.client.host if request.client is not None else ""


def build_app(hub: Hub, order: Order, access: Access, *, framed: bool = False) -> ASGIApp:
    """Return the application. order: takes what a page asks for and a function for its answer, from this loop.

    framed: pages of the same address may show it in a frame; nobody else may in either case.
    """

    tries = WrongTokens(time.monotonic)

    @contextlib.asynccontextmanager
    async def life(app: Starlette) -> AsyncIterator[None]:
        hub.attach(asyncio.get_running_loop())
        yield

    async def page(request: Request) -> Response:
        given = request.query_params.get("token")
        if given is not None and access.token is not None:
            return await _enter(request, given)
        if not access.may_enter(request):
            return _stranger(request)
        return FileResponse(_STATIC / "page.html", media_type="text/html; charset=utf-8")

    async def file(request: Request) -> Response:
        name = request.path_params["name"]
        if name not in _FILES:
            return PlainTextResponse("There is nothing here.\n", 404)
        # The form that asks for the token needs its looks; scripts are for those who are in.
        if not name.endswith((".css", ".svg")) and not access.may_enter(request):
            return _stranger(request)
        return FileResponse(_STATIC / name, media_type=_FILES[name])

    async def enter(request: Request) -> Response:
        if access.token is None or tries.refused(_address(request)):
            return _stranger(request)
        body = b""
        try:
            async with asyncio.timeout(_FORM_S):
                async for piece in request.stream():
                    body += piece
                    if len(body) > _FORM_MOST:
                        return PlainTextResponse("That is no token.\n", 413, {"connection": "close"})
        except (TimeoutError, ClientDisconnect):
            return PlainTextResponse("The form did not come.\n", 408, {"connection": "close"})
        return await _enter(request, parse_qs(body.decode("utf-8", "replace")).get("token", [""])[0])

    async def _enter(request: Request, token: str) -> Response:
        if tries.refused(_address(request)):
            return _stranger(request)
        if not access.right(token):
            tries.wrong(_address(request))
            await asyncio.sleep(_WRONG_TOKEN_S)
            return _stranger(request)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(COOKIE, access.cookie, httponly=True, samesite="strict", max_age=30 * 86_400)
        return answer

    def _stranger(request: Request) -> Response:
        if access.token is None:
            return PlainTextResponse("This page is for this computer only; open it as 127.0.0.1.\n", 403)
        if tries.refused(_address(request)):
            return PlainTextResponse("Too many wrong tokens; wait a minute.\n", 429, {"retry-after": "60"})
        return FileResponse(_STATIC / "enter.html", 401, media_type="text/html; charset=utf-8")

    async def live(socket: WebSocket) -> None:
        if not access.may_enter(socket) or not access.own_page(socket):
            await socket.close(4403)
            return
        if hub.pages >= _PAGES_MOST:
            await socket.close(1013)
            return
        await socket.accept()
        client = hub.join()
        sender = asyncio.create_task(_send(socket, client.queue))
        try:
            while True:
                _take(await socket.receive_text(), client.queue)
        except WebSocketDisconnect:
            pass
        finally:
            hub.leave(client)
            sender.cancel()

    async def _send(socket: WebSocket, queue: asyncio.Queue[str | None]) -> None:
        while True:
            text: str | None = _HERE
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_HERE_S):
                    text = await queue.get()
            if text is None:
                break
            await socket.send_text(text)
        await socket.close(1013)

    def _take(text: str, answers: asyncio.Queue[str | None]) -> None:
        loop = asyncio.get_running_loop()
        number: Any = None

        def put(reply: str) -> None:
            if not answers.full():
                answers.put_nowait(reply)

        def done(worked: bool, said: str, trace: dict[str, Any] | None = None) -> None:
            more = {} if trace is None else {"trace": trace}
            reply = json.dumps({"kind": "answer", "id": number, "ok": worked, "text": said, **more})
            if not loop.is_closed():
                loop.call_soon_threadsafe(put, reply)

        try:
            content = json.loads(text[:_ORDER_MOST])
            number = content.pop("id", None)
            if not isinstance(number, int | None):
                raise ValueError
        except (ValueError, AttributeError):
            done(False, "The page sent something that cannot be read.")
            return
        order(content, done)

    return _Guarded(
        Starlette(
            routes=[
                Route("/", page),
                Route("/enter", enter, methods=["POST"]),
                Route("/{name}", file),
                WebSocketRoute("/live", live),
            ],
            lifespan=life,
        ),
        framed,
    )
