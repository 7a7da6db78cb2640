"""The link that lets phones in: a secret in an address, for some hours. Kept with the store so that a restart keeps it.

Whoever has the link can send photographs and see what became of them; nothing else is served on the network.
"""

from __future__ import annotations

import json
import re
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from hmac import compare_digest
from pathlib import Path

from review_app.private import write_private

HOURS = 12
_FILE = "phones.json"


@dataclass(frozen=True, slots=True)
class Link:
    """The secret, until when it is good (UTC), and the port it was given out with."""

    secret: str
    until: datetime
    port: int

    def good(self, secret: str, *, now: datetime) -> bool:
        """Whether this is the secret and its time is not over."""
        return now < self.until and compare_digest(self.secret.encode(), secret.encode())


def make(folder: Path, port: int, *, now: datetime, like: Link | None = None) -> Link:
    """A new link for `HOURS`, or the link `like` on this port; an earlier one is worth nothing any more."""
    secret, until = (like.secret, like.until) if like else (secrets.token_urlsafe(12), now + timedelta(hours=HOURS))
    link = Link(secret, until, port)
    said = {"secret": link.secret, "until": link.until.isoformat(), "port": port}
    write_private(folder / _FILE, json.dumps(said))
    return link


def kept(folder: Path, *, now: datetime) -> Link | None:
    """The link given out earlier; None when there is none, its time is over, or its file makes no sense."""
    try:
        data = json.loads((folder / _FILE).read_text("utf-8"))
        link = Link(data["secret"], datetime.fromisoformat(data["until"]), data["port"])
        usable = re.fullmatch(r"[\w-]{16,40}", link.secret) and isinstance(link.port, int) and now < link.until
    except (OSError, ValueError, TypeError, KeyError):
        return None
    return link if usable else None


def end(folder: Path) -> None:
    """Make the link worth nothing."""
    (folder / _FILE).unlink(missing_ok=True)
