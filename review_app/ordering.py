"""The front of the desk's list: its first cells in one of three orders, hardly more looked up than that takes.

Only of a list that is limited to a reason, or to cells that are named, every cell is looked up.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from heapq import merge
from itertools import islice

from digitise.reader.reasons import CELL_REASONS
from digitise.results.importance import Key, cell_weights
from digitise.store import PageRow, QueueItem, Store
from digitise.surveys.survey import load_survey

ORDERS = {
    "matters": "What matters most to the results first",
    "sheet": "Sheet by sheet",
    "reason": "By why they are here",
}
Weighed = tuple[float, Key]  # minus the weight, so that what matters most comes first

_MOST_LOOKED_AT = 20_000
_PACKS_AT_ONCE = 40  # surveys weighed for one answer; the others follow with later ones
_WEIGHED_ANEW = 10  # decisions after which a survey is weighed anew
_KEYS_AT_ONCE = 400
_REASON_TURN = {r.name: i for i, r in enumerate(CELL_REASONS)}
_weights: dict[tuple[Store, str], tuple[tuple, list[Weighed]]] = {}


def key_of(item: QueueItem) -> Key:
    """A cell's name in the whole store."""
    return item.page_id, item.cell


def front(
    store: Store,
    order: str,
    few: int,
    *,
    pack: str | None = None,
    sheet: str | None = None,
    reason: str | None = None,
    skip: Collection[Key] = (),
    among: Collection[Key] | None = None,
) -> list[QueueItem]:
    """The first `few` open cells in an order, of one pack, sheet or reason where one is named.

    Those in `skip` are left out; with `among` all others are.
    """
    place, most = {"pack": pack, "sheet": sheet}, few + len(skip)
    if reason is not None or among is not None:
        every = store.queue(**place, reason=reason, keys=among, limit=_MOST_LOOKED_AT)
        found = iter(in_order(store, every, order))
    elif order == "matters":
        found = _by_weight(store, place, most)
    elif order == "reason":
        found = _by_reason(store, place, most)
    else:
        found = iter(store.queue(**place, limit=most))
    return list(islice((item for item in found if key_of(item) not in skip), few))


def in_order(store: Store, items: Sequence[QueueItem], order: str) -> list[QueueItem]:
    """Items of the queue, which comes sheet by sheet, in another order."""
    if order == "reason":
        return sorted(items, key=lambda i: min((_turn(name) for name in i.reason_names), default=_turn("")))
    if order == "matters":
        weights = {key: weight for weight, key in weighed(store, {i.pack for i in items})}
        return sorted(items, key=lambda i: weights.get(key_of(i), 0.0))
    return list(items)


def _turn(reason: str) -> int:
    return _REASON_TURN.get(reason, len(_REASON_TURN))


def _by_reason(store: Store, place: Mapping[str, str | None], most: int) -> Iterator[QueueItem]:
    """Cells by the first of their reasons; those without any come last."""
    seen: set[Key] = set()
    for name in [*sorted(store.open_reasons(**place), key=_turn), None]:
        for item in store.queue(**place, reason=name, limit=most + len(seen)):
            if key_of(item) not in seen:
                seen.add(key_of(item))
                yield item


def _by_weight(store: Store, place: Mapping[str, str | None], most: int) -> Iterator[QueueItem]:
    """Cells by what rests on them; where nothing does, or it is not weighed yet, as they are printed and last."""
    pages = {p.id: p.pack for p in store.pages(place["pack"]) if place["sheet"] in (None, p.sheet)}
    heavy = (key for _, key in weighed(store, set(pages.values())) if key[0] in pages)
    seen: set[Key] = set()
    while len(seen) < most and (keys := list(islice(heavy, _KEYS_AT_ONCE))):
        found = {key_of(item): item for item in store.queue(**place, keys=set(keys))}
        seen |= found.keys()
        yield from (found[key] for key in keys if key in found)
    yield from (i for i in store.queue(**place, limit=most + len(seen)) if key_of(i) not in seen)


def weighed(store: Store, packs: Collection[str | None]) -> Iterable[Weighed]:
    """Cells of these packs that a result rests on, the heaviest first, as printed where they weigh the same.

    Surveys are weighed anew after some decisions, so a cell may have been decided since.
    """
    surveys: dict[str, list[PageRow]] = {}
    for page in store.pages():
        if page.pack is not None and page.pack in packs:
            surveys.setdefault(page.pack, []).append(page)
    turns, known = _PACKS_AT_ONCE, []
    for pack, pages in surveys.items():
        if not (waiting := sum(p.open for p in pages if not p.superseded)):
            continue
        state = (tuple(p.id for p in pages), waiting // _WEIGHED_ANEW)
        kept = _weights.get((store, pack))
        if (kept is None or kept[0] != state) and turns:
            turns -= 1
            kept = _weights[store, pack] = (state, _weigh(store, pack))
        if kept:
            known.append(kept[1])
    return merge(*known, key=lambda one: one[0])


def _weigh(store: Store, pack: str) -> list[Weighed]:
    survey = load_survey(store, pack)
    weights = cell_weights(survey)
    printed = [(c.page_id, c.cell) for c in survey.unread]
    return sorted(((-weights[key], key) for key in printed if weights.get(key)), key=lambda one: one[0])
