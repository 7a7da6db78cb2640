"""Streamlit's page, whose browser says by a cookie which name it knows before the page asks the server for anything.

A name that came after the first drawing would have the page drawn again, and a press between the two could be lost.
"""

from __future__ import annotations

from functools import lru_cache

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from review_app.components import STATIC

_HEAD = b"<head>"
_WHOLE = (b"accept-encoding", b"if-none-match", b"if-modified-since", b"range")  # without these a page comes whole


@lru_cache(maxsize=1)
def script() -> str:
    """What the browser runs first: the cookie that `naming` reads."""
    return f"(() => {{\n{(STATIC / 'known.js').read_text(encoding='utf-8')}tell();\n}})();"


def _is_streamlits(headers: Headers) -> bool:
    """Whether a page is Streamlit's own: it comes without a policy."""
    return headers.get("content-type", "").startswith("text/html") and "content-security-policy" not in headers


class Known:
    """Puts the script into Streamlit's page, before its own."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http" or "text/html" not in Headers(scope=scope).get("accept", ""):
            await self._app(scope, receive, send)
            return
        begun, body = [], bytearray()

        async def told(message: Message) -> None:
            if message["type"] == "http.response.start" and _is_streamlits(Headers(raw=message["headers"])):
                begun.append(message)
            elif not begun:
                await send(message)
            else:
                body.extend(message.get("body", b""))
                if not message.get("more_body"):
                    await _send_with_script(begun.pop(), bytes(body), send)

        plain = [(name, value) for name, value in scope["headers"] if name not in _WHOLE]
        await self._app(scope | {"headers": plain}, receive, told)


async def _send_with_script(start: Message, page: bytes, send: Send) -> None:
    page = page.replace(_HEAD, _HEAD + f"<script>{script()}</script>".encode(), 1)
    headers = MutableHeaders(raw=start["headers"])
    headers["content-length"] = str(len(page))
    for name in ("etag", "last-modified"):  # they tell of the page as Streamlit has it
        del headers[name]
    await send(start)
    await send({"type": "http.response.body", "body": page})
