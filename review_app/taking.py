"""The desk's cells for one browser: filtered, ordered, and leased to it, so that two clerks never get the same cell.

A browser gets at most half of what is free, so that whoever comes next finds work too. What it holds it keeps while it
asks again; cells that another person has taken or decided meanwhile are named, and it lets them go.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from digitise.reasons import CELL_REASONS
from digitise.results.importance import cell_weights
from digitise.store import QueueItem, Store
from digitise.store.asked import Remark
from digitise.store.leases import Lease
from digitise.survey import load_survey
from review_app import worklist

ORDERS = {
    "matters": "What matters most to the results first",
    "sheet": "Sheet by sheet",
    "reason": "By why they are here",
}
MOST, FEWEST = 60, 12  # cells leased to one browser
MOST_LOOKED_AT = 20_000
_PACKS_AT_ONCE = 40  # surveys weighed for one answer; the others follow with later ones
_WEIGHED_ANEW = 10  # decisions after which a survey is weighed anew
_REASON_TURN = {r.name: i for i, r in enumerate(CELL_REASONS)}
Key = tuple[int, str]  # page id, cell

_weights: dict[tuple[Store, str], tuple[tuple, dict[Key, float]]] = {}


@dataclass(frozen=True, slots=True)
class Wish:
    """What one browser asks for. `holding` are the cells it has not decided yet, the one on screen first.

    `asked` true is for cells that a colleague asked about; `over` takes cells over that the same name holds elsewhere.
    """

    client: str
    by: str
    pack: str = ""
    sheet: str = ""
    reason: str = ""
    order: str = "matters"
    asked: bool = False
    over: bool = False
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
    if not re.fullmatch(r"[0-9a-zA-Z-]{8,40}", texts["client"]) or not (proven or texts["by"].strip()):
        raise wrong
    keys = tuple(_key(one, wrong) for one in holding)
    texts |= {"by": proven or texts["by"], "order": texts["order"] if texts["order"] in ORDERS else "matters"}
    return Wish(**texts, **flags, holding=keys)


def _key(one: object, wrong: ValueError) -> Key:
    if not isinstance(one, list) or len(one) != 2:
        raise wrong
    page, cell = one
    if isinstance(page, bool) or not isinstance(page, int) or not 0 <= page < 2**53 or not isinstance(cell, str):
        raise wrong
    return page, cell[:200]


def waiting(store: Store, wish: Wish) -> tuple[list[QueueItem], dict[Key, tuple[Remark, ...]]]:
    """Open cells that the wish is about, in its order, and the remarks on cells that somebody asked about."""
    remarks = store.asked.waiting()
    found = store.queue(
        pack=wish.pack or None, sheet=wish.sheet or None, reason=wish.reason or None, limit=MOST_LOOKED_AT
    )
    return in_order(store, [i for i in found if (_of(i) in remarks) == wish.asked], wish.order), remarks


def in_order(store: Store, items: Sequence[QueueItem], order: str) -> list[QueueItem]:
    """Items of the queue, which comes sheet by sheet, in another order."""
    if order == "reason":
        return sorted(items, key=lambda i: min((_REASON_TURN.get(n, 99) for n in i.reason_names), default=99))
    if order == "matters":
        weights = weights_of(store, items)
        return sorted(items, key=lambda i: -weights.get(_of(i), 0.0))
    return list(items)


def weights_of(store: Store, items: Sequence[QueueItem]) -> dict[Key, float]:
    """How much rests on each cell (`digitise.results.importance`); surveys are weighed anew after some decisions."""
    opened: dict[str, int] = {}
    for item in items:
        if item.pack:
            opened[item.pack] = opened.get(item.pack, 0) + 1
    out: dict[Key, float] = {}
    turns = _PACKS_AT_ONCE
    for pack, count in opened.items():
        state = (tuple(p.id for p in store.pages(pack)), count // _WEIGHED_ANEW)
        known = _weights.get((store, pack))
        if (known is None or known[0] != state) and turns:
            turns -= 1
            known = _weights[store, pack] = (state, cell_weights(load_survey(store, pack)))
        out |= known[1] if known else {}
    return out


def take(store: Store, wish: Wish, *, now: datetime) -> dict:
    """Lease cells to a browser: those it holds, and more from the front of the list.

    Returns the cells leased; `gone` with why for each held one that it has to let go; how many wait in all, are free
    for it, and are with others, by name; counts.
    """
    items, remarks = waiting(store, wish)
    held = {k: one for k, one in store.leases.held(now=now).items() if one.client != wish.client}
    own = {one.client for one in held.values() if one.by == wish.by}
    taken_over = own if wish.over else set()
    free = [i for i in items if _of(i) not in held or held[_of(i)].client in taken_over]
    mine = set(wish.holding)
    wanted = sorted(free, key=lambda i: _of(i) not in mine)  # held ones first, else in the order of the list
    most = max(min(MOST, max(FEWEST, -(-len(free) // 2))), sum(_of(i) in mine for i in free))
    given = {
        (one.page_id, one.cell)
        for one in store.leases.take_free(
            [_of(i) for i in wanted],
            by=wish.by,
            client=wish.client,
            now=now,
            most=most,
            only=True,
            also_from=taken_over,
        )
    }
    chosen = [i for i in free if _of(i) in given]
    others = [one for i in items if (one := held.get(_of(i))) is not None and one.client not in taken_over]
    return {
        "items": _shown(store, chosen, remarks),
        "gone": [[*key, words] for key in wish.holding if key not in given and (words := _gone(key, items, held))],
        "open": len(items),
        "free": len(free),
        "others": sorted({one.by for one in others if one.by != wish.by}),
        "elsewhere": sum(one.by == wish.by for one in others),
        "asked": sum(key in remarks for key in _open_keys(store)) if remarks else 0,
        "progress": worklist.progress_json(store.progress()),
    }


def _open_keys(store: Store) -> list[Key]:
    return [_of(i) for i in store.queue(limit=MOST_LOOKED_AT)]


def _gone(key: Key, items: Sequence[QueueItem], held: Mapping[Key, Lease]) -> str:
    """Why a browser has to let a cell go."""
    if any(_of(i) == key for i in items):
        return f"{held[key].by} has taken this cell over" if key in held else "somebody has taken this cell over"
    return "this cell waits here no more: somebody has decided it or asked about it"


def _shown(store: Store, items: Sequence[QueueItem], remarks: Mapping[Key, tuple[Remark, ...]]) -> list[dict]:
    pages = {p.id: p for p in store.pages()} if items else {}
    meanings = {
        i: worklist.code_meanings(store.protocol_for(pages[i]), pages[i].sheet)
        for i in {item.page_id for item in items}
    }
    return [
        worklist.desk_item(item, pages[item.page_id], meanings[item.page_id])
        | {"remarks": [{"by": r.by, "at": r.at[:10], "text": r.remark} for r in remarks.get(_of(item), ())]}
        for item in items
    ]


def _of(item: QueueItem) -> Key:
    return item.page_id, item.cell
