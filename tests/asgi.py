"""Asks an ASGI application as a browser would, without a server."""

from __future__ import annotations

import asyncio
import json
from urllib.parse import unquote


class Reply:
    """What came back from one request."""

    def __init__(self, sent: list[dict]):
        self.status_code = sent[0]["status"]
        self.headers = {k.decode(): v.decode() for k, v in sent[0]["headers"]}
        self.content = b"".join(part.get("body", b"") for part in sent[1:])

    @property
    def text(self) -> str:
        """The body as text."""
        return self.content.decode()

    def json(self):
        """The body as data."""
        return json.loads(self.content)


class Browser:
    """Asks an ASGI application as a server would."""

    def __init__(self, app):
        self.app, self.scheme = app, "http"

    def ask(self, method: str, address: str, *, headers: dict | None = None, content: bytes = b"") -> Reply:
        """One request and its answer."""
        path, _, query = address.partition("?")
        sent: list[dict] = []
        asked = {"host": "127.0.0.1:8501", "content-length": str(len(content))} | (headers or {})
        scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": method,
            "scheme": self.scheme,
            "path": unquote(path),
            "raw_path": path.encode(),
            "query_string": query.encode(),
            "root_path": "",
            "headers": [(k.encode(), v.encode()) for k, v in asked.items()],
            "server": ("127.0.0.1", 8501),
            "client": ("127.0.0.1", 50000),
        }

        async def receive():
            return {"type": "http.request", "body": content, "more_body": False}

        async def send(message):
            sent.append(message)

        asyncio.run(self.app(scope, receive, send))
        return Reply(sent)

    def get(self, address: str, **more) -> Reply:
        """Read."""
        return self.ask("GET", address, **more)

    def post(self, address: str, *, json_body=None, content: bytes = b"", headers: dict | None = None) -> Reply:
        """Write: JSON, or bytes as they are."""
        return self.ask(
            "POST",
            address,
            headers=headers,
            content=json.dumps(json_body).encode() if json_body is not None else content,
        )
