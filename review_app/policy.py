"""What a browser may do with the server's pages: take everything from this server, run no script of anybody else.

Streamlit makes its page itself. Its styles are written into the page as it runs, and a component's script comes as a
blob, so these are let in; scripts in the page are let in one by one, by their hash.
"""

from __future__ import annotations

import base64
import hashlib
import re
from functools import lru_cache
from pathlib import Path

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from review_app import known

_NAME = "content-security-policy"
_BESIDE = {"x-content-type-options": "nosniff", "referrer-policy": "no-referrer", "x-frame-options": "SAMEORIGIN"}


@lru_cache(maxsize=1)
def page_policy() -> str:
    """The policy of Streamlit's own page."""
    rules = {
        "default-src": "'none'",
        "script-src": " ".join(["'self'", "blob:", *_inline_scripts()]),
        "style-src": "'self' 'unsafe-inline'",
        "img-src": "'self' data: blob:",
        "font-src": "'self' data:",
        "connect-src": "'self'",
        "worker-src": "'none'",
        "manifest-src": "'self'",
        "base-uri": "'self'",
        "form-action": "'self'",
        "frame-src": "'self'",
        "frame-ancestors": "'self'",
        "object-src": "'none'",
    }
    return "; ".join(f"{name} {value}" for name, value in rules.items())


def _inline_scripts() -> list[str]:
    """Hashes of the scripts that stand in Streamlit's page itself, and of the one put into it."""
    import streamlit

    page = (Path(streamlit.__file__).parent / "static" / "index.html").read_text(encoding="utf-8")
    found = [known.script(), *re.findall(r"<script>(.*?)</script>", page, re.DOTALL)]
    return [f"'sha256-{base64.b64encode(hashlib.sha256(one.encode()).digest()).decode()}'" for one in found]


class Policy:
    """Adds the policy to every page that has none of its own, and what goes with it to every answer."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                if headers.get("content-type", "").startswith("text/html"):
                    headers.setdefault(_NAME, page_policy())
                for name, value in _BESIDE.items():
                    headers.setdefault(name, value)
            await send(message)

        await self._app(scope, receive, guarded)
