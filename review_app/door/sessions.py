"""Who is logged in: a secret in the browser's cookie, of which only the SHA-256 is kept, for some hours.

Kept beside the store (``sessions.json``), so that a restart logs nobody out. A session ends by itself, when its person
logs out, gets another passphrase or is gone.
"""

from __future__ import annotations

import hashlib
import json
import secrets
import threading
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from digitise import log
from digitise.store import Store
from digitise.store.people import Person
from review_app.private import write_private

LONGEST = timedelta(hours=12)
IDLE = timedelta(hours=2)
_WRITTEN_EVERY = timedelta(minutes=1)
_FILE = "sessions.json"


@dataclass(frozen=True, slots=True)
class Session:
    """Somebody's log-in: from when, when they were last seen, and the mark of the passphrase they gave."""

    name: str
    mark: str
    began: datetime
    seen: datetime

    def good(self, now: datetime) -> bool:
        """Whether it holds; a session from the future was made by a clock that has been put back since."""
        return self.began - timedelta(minutes=5) <= now < self.began + LONGEST and now < self.seen + IDLE


class Sessions:
    """Sessions of one store; safe for several threads of one server."""

    def __init__(self, store: Store):
        self._store, self._file, self._lock = store, store.folder / _FILE, threading.Lock()
        self._kept = _read(self._file)
        self._written: datetime | None = None

    def begin(self, person: Person, *, now: datetime) -> str:
        """A new session; returns the secret for the cookie."""
        secret = secrets.token_urlsafe(32)
        with self._lock:
            self._kept = {k: s for k, s in self._kept.items() if s.good(now)}
            self._kept[_digest(secret)] = Session(person.name, person.mark, now, now)
            self._write(now)
        return secret

    def person(self, secret: str, *, now: datetime, touch: bool = True) -> Person | None:
        """Whose session this is, as they stand now; None when there is none any more.

        `touch` false is for what a page asks by itself: it keeps nobody logged in.
        """
        key = _digest(secret)
        session = self._kept.get(key)
        if session is None or not session.good(now):
            return None
        person = self._store.people.named(session.name)
        if person is None or not person.may_enter or person.mark != session.mark:
            return None
        if touch:
            with self._lock:
                if key in self._kept:
                    self._kept[key] = replace(session, seen=max(now, session.seen))
                    if self._written is None or now - self._written > _WRITTEN_EVERY:
                        self._write(now)
        return person

    def end(self, secret: str, *, now: datetime) -> None:
        """Log out."""
        with self._lock:
            self._kept.pop(_digest(secret), None)
            if not self._write(now):
                self._file.unlink(missing_ok=True)  # else a restart would log in again who has logged out

    def _write(self, now: datetime) -> bool:
        """Whether it could be kept for a restart; a disk that is full keeps nobody out who is logged in."""
        self._written = now
        data = {
            key: {"name": s.name, "mark": s.mark, "began": s.began.isoformat(), "seen": s.seen.isoformat()}
            for key, s in self._kept.items()
        }
        try:
            write_private(self._file, json.dumps(data))
        except OSError as error:
            log.trouble("log-ins", error)
            return False
        return True


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def _read(file: Path) -> dict[str, Session]:
    """What an earlier run kept; nothing when there is none or it makes no sense."""
    try:
        data = json.loads(file.read_text("utf-8"))
        return {
            str(key): Session(
                str(s["name"]), str(s["mark"]), datetime.fromisoformat(s["began"]), datetime.fromisoformat(s["seen"])
            )
            for key, s in data.items()
            if datetime.fromisoformat(s["began"]).tzinfo and datetime.fromisoformat(s["seen"]).tzinfo
        }
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return {}
