"""The desk's cells for one browser: filtered, ordered, and leased to it, so that two clerks never get the same cell.

A browser gets at most half of what is free, so that whoever comes next finds work too. What it holds it keeps while it
asks again; cells that another person has taken or decided meanwhile are named, and it lets them go. A page that was
left while it still asked gets nothing: a browser numbers what it asks, and says on leaving which number was the last.
"""

from __future__ import annotations

import re
import threading
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from digitise.store import QueueItem, Store
from digitise.store.asked import Remark
from digitise.store.leases import Lease
from review_app import worklist
from review_app.ordering import ORDERS, Key, front, key_of

MOST, FEWEST = 60, 12  # cells leased to one browser
MOST_LEFT = 1000  # browsers whose leaving is remembered
AT_HAND = 3  # times as many cells are looked up, for others may be quicker


@dataclass(frozen=True, slots=True)
class Wish:
    """What one browser asks for. `holding` are the cells it has not decided yet, the one on screen first.

    `asked` true is for cells that a colleague asked about; `over` takes cells over that the same name holds elsewhere;
    `turn` counts what this browser has asked.
    """

    client: str
    by: str
    pack: str = ""
    sheet: str = ""
    reason: str = ""
    order: str = "matters"
    asked: bool = False
    over: bool = False
    turn: int = 0
    holding: tuple[Key, ...] = ()


def parse_wish(data: object, *, proven: str = "") -> Wish:
    """A wish from a browser's JSON; `ValueError` when it makes no sense. `proven` is the name of who is logged in."""
    wrong = ValueError("The list of cells was not understood; reload the page.")
    if not isinstance(data, dict):
        raise wrong
    texts = {k: data.get(k, "") for k in ("client", "by", "pack", "sheet", "reason", "order")}
    flags = {k: data.get(k, False) for k in ("asked", "over")}
    holding = data.get("holding", [])
    if not all(isinstance(v, str) and len(v) <= 80 for v in texts.values()):
        raise wrong
    if not all(isinstance(v, bool) for v in flags.values()) or not isinstance(holding, list) or len(holding) > 500:
        raise wrong
    if not is_client(texts["client"]) or not (proven or texts["by"].strip()):
        raise wrong
    keys = tuple(_key(one, wrong) for one in holding)
    texts |= {"by": proven or texts["by"], "order": texts["order"] if texts["order"] in ORDERS else "matters"}
    return Wish(**texts, **flags, turn=turn_of(data), holding=keys)


def is_client(client: object) -> bool:
    """Whether this can be the name of a browser."""
    return isinstance(client, str) and re.fullmatch(r"[0-9a-zA-Z-]{8,40}", client) is not None


def turn_of(data: Mapping) -> int:
    """The number of what a browser asks, or of the last thing it asked before it left; 0 where it gives none."""
    turn = data.get("turn", 0)
    return turn if isinstance(turn, int) and 0 <= turn < 2**53 else 0


def _key(one: object, wrong: ValueError) -> Key:
    if not isinstance(one, list) or len(one) != 2:
        raise wrong
    page, cell = one
    if isinstance(page, bool) or not isinstance(page, int) or not 0 <= page < 2**53 or not isinstance(cell, str):
        raise wrong
    return page, cell[:200]


@dataclass(frozen=True, slots=True)
class _Listed:
    """The list that a wish is about: how many cells, which of them others hold, and what is asked about at all."""

    open: int
    theirs: Mapping[Key, Lease]
    asked: frozenset[Key]  # with the wish's filters
    remarks: Mapping[Key, tuple[Remark, ...]]

    @property
    def free(self) -> int:
        return self.open - len(self.theirs)


class _Left:
    """The browsers whose page was left, the latest last: what each had asked until then is answered with nothing."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._last: OrderedDict[tuple[str, str], int] = OrderedDict()

    def note(self, store: Store, client: str, turn: int) -> None:
        """This browser has left, and `turn` was the last that it asked."""
        key = (str(store.folder), client)
        with self._lock:
            self._last[key] = max(turn, self._last.pop(key, 0))
            while len(self._last) > MOST_LEFT:
                self._last.popitem(last=False)

    def has(self, store: Store, wish: Wish) -> bool:
        """Whether the browser has left since it asked this."""
        with self._lock:
            return wish.turn <= self._last.get((str(store.folder), wish.client), -1)


_LEFT = _Left()


def leave(store: Store, client: str, turn: int) -> None:
    """A browser's page was closed or left: what it looked at is free at once, and what it asked up to `turn` is off."""
    _LEFT.note(store, client, turn)
    store.leases.release(client=client)


def take(store: Store, wish: Wish, *, now: datetime) -> dict:
    """Lease cells to a browser: those it holds, and more from the front of the list.

    Returns the cells leased; `gone` with why for each held one that it has to let go; how many wait in all, how many
    `more` of them are free, and are with others, by name; counts.
    """
    held = {k: one for k, one in store.leases.held(now=now).items() if one.client != wish.client}
    taken_over = {one.client for one in held.values() if one.by == wish.by} if wish.over else set()
    listed = _listed(store, wish, {k: one for k, one in held.items() if one.client not in taken_over})
    mine = _mine(store, wish, listed)
    most = max(min(MOST, max(FEWEST, -(-listed.free // 2))), len(mine))
    wanted = [*mine, *_more(store, wish, listed, mine, AT_HAND * (most - len(mine)))]
    taken = store.leases.take_free(
        [key_of(i) for i in wanted], by=wish.by, client=wish.client, now=now, most=most, also_from=taken_over
    )
    if _LEFT.has(store, wish):  # it left before this was asked here, or meanwhile
        store.leases.release(client=wish.client)
        taken = []
    given = {(one.page_id, one.cell) for one in taken}
    others = listed.theirs.values()
    return {
        "items": _shown(store, [i for i in wanted if key_of(i) in given], listed.remarks),
        "gone": [[*key, _gone(key, listed, mine)] for key in wish.holding if key not in given],
        "open": listed.open,
        "more": max(0, listed.free - len(given)),
        "others": sorted({one.by for one in others if one.by != wish.by}),
        "elsewhere": sum(one.by == wish.by for one in others),
        "asked": len(store.queue(keys=listed.remarks)) if listed.remarks else 0,
        "progress": worklist.progress_json(store.progress()),
    }


def _listed(store: Store, wish: Wish, held: Mapping[Key, Lease]) -> _Listed:
    """The list without looking each of its cells up; `held` are the leases of others."""
    filters, remarks = _filters(wish), store.asked.waiting()
    asked = frozenset(key_of(i) for i in store.queue(**filters, keys=remarks)) if remarks else frozenset()
    leased = [key_of(i) for i in store.queue(**filters, keys=held)] if held else []
    theirs = {key: held[key] for key in leased if (key in asked) == wish.asked}
    return _Listed(len(asked) if wish.asked else _count(store, filters) - len(asked), theirs, asked, remarks)


def _filters(wish: Wish) -> dict[str, str | None]:
    return {"pack": wish.pack or None, "sheet": wish.sheet or None, "reason": wish.reason or None}


def _count(store: Store, filters: Mapping[str, str | None]) -> int:
    pack, sheet, reason = filters["pack"], filters["sheet"], filters["reason"]
    if reason is not None:
        return store.open_reasons(pack=pack, sheet=sheet).get(reason, 0)
    return sum(p.to_review for p in store.pages(pack) if sheet in (None, p.sheet))


def _mine(store: Store, wish: Wish, listed: _Listed) -> list[QueueItem]:
    """Cells that the browser holds and may keep."""
    keys = {k for k in wish.holding if (k in listed.asked) == wish.asked and k not in listed.theirs}
    return store.queue(**_filters(wish), keys=keys) if keys else []


def _more(store: Store, wish: Wish, listed: _Listed, mine: Sequence[QueueItem], few: int) -> list[QueueItem]:
    """Cells from the front of the list that nobody holds."""
    if few <= 0:
        return []
    others = {*listed.theirs, *(key_of(i) for i in mine)}
    which = {"among": listed.asked} if wish.asked else {}
    skip = others if wish.asked else others | listed.asked
    return front(store, wish.order, few, **_filters(wish), **which, skip=skip)


def _gone(key: Key, listed: _Listed, mine: Sequence[QueueItem]) -> str:
    """Why a browser has to let a cell go."""
    if key in listed.theirs:
        return f"{listed.theirs[key].by} has taken this cell over"
    if any(key_of(i) == key for i in mine):  # somebody was quicker just now
        return "somebody has taken this cell over"
    return "this cell waits here no more: somebody has decided it or asked about it"


def _shown(store: Store, items: Sequence[QueueItem], remarks: Mapping[Key, tuple[Remark, ...]]) -> list[dict]:
    pages = {p.id: p for p in store.pages()} if items else {}
    meanings = {
        i: worklist.code_meanings(store.protocol_for(pages[i]), pages[i].sheet)
        for i in {item.page_id for item in items}
    }
    return [
        worklist.desk_item(item, pages[item.page_id], meanings[item.page_id])
        | {"remarks": [{"by": r.by, "at": r.at[:10], "text": r.remark} for r in remarks.get(key_of(item), ())]}
        for item in items
    ]
