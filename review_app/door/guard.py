"""The guard before everything that a shared server answers: pages, pictures, files, decisions, the screens' connection.

An address is opened only to somebody who is logged in and whose role may have it (`rights`). It stands in front of the
whole application, so that no address can be forgotten. The screens' connection is opened to their own pages alone: a
browser would let any page open it, with the cookie of whoever is logged in.
"""

from __future__ import annotations

from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.requests import HTTPConnection
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send
from starlette.websockets import WebSocketClose

from review_app.door import pages, who
from review_app.door.rights import may, need_of
from review_app.door.sent import from_elsewhere

OPEN = ("/enter", "/door.css", "/favicon.ico", "/favicon.png", "/_stcore/health")  # to everybody: they tell nothing
_LOGGED_OUT = "You are not logged in, or have been logged out. Log in again."


class Guard:
    """ASGI middleware; where nobody has to log in, it only keeps other pages from the screens' connection."""

    def __init__(self, app: ASGIApp):
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let one request or connection through, or answer it here."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        connection = HTTPConnection(scope)
        if scope["type"] == "websocket" and from_elsewhere(connection):
            await WebSocketClose(code=1008)(scope, receive, send)
            return
        if not who.is_shared() or scope["path"] in OPEN:
            await self._app(scope, receive, send)
            return
        person = await run_in_threadpool(who.behind, connection)
        if person is not None and may(person.role, need_of(scope["path"])):
            await self._app(scope, receive, send)
        elif scope["type"] == "websocket":
            await WebSocketClose(code=1008)(scope, receive, send)
        else:
            await _refusal(connection, person)(scope, receive, send)


def _refusal(connection: HTTPConnection, person: who.Visitor | None) -> Response:
    """A page for a person's browser, a sentence for a script."""
    page = "text/html" in connection.headers.get("accept", "") and connection.scope["method"] == "GET"
    if person is None and page:
        query = connection.url.query
        wanted = connection.url.path + (f"?{query}" if query else "")
        address = "/enter" if wanted == "/" else f"/enter?next={quote(wanted[:600])}"
        return RedirectResponse(address, 303, headers=pages.HEADERS)
    if person is None:
        return JSONResponse({"sentence": _LOGGED_OUT, "login": True}, 401, headers=pages.HEADERS)
    if page:
        return pages.not_yours(person)
    return JSONResponse({"sentence": "Your role may not open this."}, 403, headers=pages.HEADERS)
