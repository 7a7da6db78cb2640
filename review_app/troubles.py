"""Errors that nobody expected go into the store's log on their way, from addresses and screens alike."""

from __future__ import annotations

from starlette.types import ASGIApp, Receive, Scope, Send

from digitise import log

_PARTS = 3  # of an address, such as /desk/page; what follows may be a secret or a name


class Troubles:
    """ASGI middleware around everything else."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        try:
            await self._app(scope, receive, send)
        except Exception as error:
            path = scope.get("path", "")
            log.trouble("answer", error, address="/b" if path.startswith("/b/") else "/".join(path.split("/")[:_PARTS]))
            raise
