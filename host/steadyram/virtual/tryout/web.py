"""The web side of the press to try: its own page beside the bench page of a real press, on one address."""

from __future__ import annotations

import asyncio
import contextlib
import json
from pathlib import Path
from typing import Final

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.types import ASGIApp
from starlette.websockets import WebSocket, WebSocketDisconnect

from steadyram.config import preferences
from steadyram.errors import BadInput
from steadyram.page.access import Access
from steadyram.units import to_unit
from steadyram.virtual.tryout.bench import FAULTS, MOMENT_S, Bench
from steadyram.virtual.tryout.shop import PARTS

_STATIC: Final = Path(__file__).parent / "static"
_FILES: Final = {
    "try.css": "text/css; charset=utf-8",
    "try.js": "text/javascript; charset=utf-8",
}
_POLICY: Final = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
    "connect-src 'self'; frame-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
}
_TEXT_MAX: Final = 1000


def around(page: ASGIApp, bench: Bench, access: Access) -> ASGIApp:
    """Return an application with the press to try at /try, and `page` everywhere else."""

    async def show(request: Request) -> Response:
        if not access.may_enter(request):
            return PlainTextResponse("This page is for this computer only; open it as 127.0.0.1.\n", 403)
        name = request.path_params.get("name")
        if name is None:
            return FileResponse(_STATIC / "try.html", media_type="text/html; charset=utf-8", headers=_POLICY)
        if name not in _FILES:
            return PlainTextResponse("There is nothing here.\n", 404)
        return FileResponse(_STATIC / name, media_type=_FILES[name], headers=_POLICY)

    async def hands(socket: WebSocket) -> None:
        if not access.may_enter(socket) or not access.own_page(socket):
            await socket.close(4403)
            return
        await socket.accept()
        parts = [
            {
                "job": p.slot,
                "name": p.name,
                "words": p.words,
                "low_N": 1e3 * p.low_kN,
                "high_N": 1e3 * p.high_kN,
            }
            for p in PARTS
        ]
        chosen = preferences().force_unit
        unit = {"name": chosen, "per_N": to_unit(1.0, "newton", chosen)}
        await socket.send_text(json.dumps({"kind": "shop", "unit": unit, "parts": parts, "faults": FAULTS}))
        sender = asyncio.create_task(_send(socket, bench))
        try:
            while True:
                _take(bench, await socket.receive_text())
        except WebSocketDisconnect:
            pass
        finally:
            sender.cancel()
            with contextlib.suppress(BadInput):
                bench.act("release", None)

    async def life(scope: object, receive: object, send: object) -> None:
        await page(scope, receive, send)  # type: ignore[arg-type]

    routed = Starlette(
        routes=[
            Route("/try", show),
            Route("/try/{name}", show),
            WebSocketRoute("/try-hands", hands),
            Mount("/", page),
        ]
    )

    async def whole(scope, receive, send) -> None:  # type: ignore[no-untyped-def]
        # The page's own start belongs to the page: a mounted application does not get it.
        await (life if scope["type"] == "lifespan" else routed)(scope, receive, send)

    return whole


async def _send(socket: WebSocket, bench: Bench) -> None:
    told = ""
    while True:
        moment = bench.moment()
        if moment:
            # Time alone is no news: a press at rest sends nothing but one line a second.
            text = json.dumps({"kind": "moment", **moment}, separators=(",", ":"))
            still = json.dumps({**moment, "time_s": int(moment["time_s"])})
            if still != told:
                told = still
                await socket.send_text(text)
        await asyncio.sleep(MOMENT_S / 2)


def _take(bench: Bench, text: str) -> None:
    """Do what a browser asks for; what cannot be read or done is left alone."""
    with contextlib.suppress(ValueError, AttributeError, TypeError, BadInput):
        content = json.loads(text[:_TEXT_MAX])
        bench.act(str(content.get("act")), content.get("value"))
