"""Who is asking: the person behind a browser's cookie, for addresses and for screens alike.

Without sharing there is one person at their own machine, who may do everything and types a name. The choice is made
when the server starts and holds for the process.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

from starlette.requests import HTTPConnection

from digitise.store import Store
from review_app import worklist
from review_app.door.rights import may, need_of
from review_app.door.sessions import Sessions
from review_app.door.throttle import Throttle

SHARED_VARIABLE = "DIGITISE_SHARED"


@dataclass(frozen=True, slots=True)
class Visitor:
    """Whoever asks. `name` is proven by a passphrase, or empty where nobody logs in."""

    name: str
    role: str

    def may(self, need: str) -> bool:
        """Whether they may do what needs the role `need`."""
        return may(self.role, need)

    def opens(self, screen: str) -> bool:
        """Whether they may open a screen, by the name of its file."""
        return may(self.role, need_of(screen))


ALONE = Visitor("", "scientist")


@dataclass(frozen=True, slots=True)
class Door:
    """What a shared store needs at its door."""

    store: Store
    sessions: Sessions
    throttle: Throttle
    cookie: str


def share(on: bool = True) -> None:
    """Ask everybody to log in from now on, or nobody."""
    os.environ[SHARED_VARIABLE] = "yes" if on else ""


def is_shared() -> bool:
    """Whether people have to log in."""
    return bool(os.environ.get(SHARED_VARIABLE))


@lru_cache(maxsize=4)
def door_of(store: Store) -> Door:
    """The one door of a store."""
    return Door(store, Sessions(store), Throttle(store.tries), f"desk_{store.name[:8]}")


def visitor(cookies: dict[str, str], *, now: datetime, touch: bool = True) -> Visitor | None:
    """Who these cookies belong to; None when nobody is logged in."""
    if not is_shared():
        return ALONE
    door = door_of(worklist.open_store())
    person = door.sessions.person(cookies.get(door.cookie, ""), now=now, touch=touch)
    return Visitor(person.name, person.role) if person else None


def behind(connection: HTTPConnection) -> Visitor | None:
    """Who a request comes from."""
    return visitor(connection.cookies, now=worklist.utc_now())
