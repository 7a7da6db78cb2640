"""A store's photographs, read again by the present reader, beside what people settled: evidence for its thresholds.

Scores mean something only together with the networks that gave them, so what an earlier reader noted is not used.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

from digitise.adapt.evaluate import same_value
from digitise.adapt.fair_cells import FairSample
from digitise.adapt.recalibrate import OwnCell
from digitise.batch.workers import Workers
from digitise.reader.learned import Learned
from digitise.reader.reading import Value
from digitise.sheets.layout import Layout
from digitise.wording import plural

if TYPE_CHECKING:
    from digitise.batch.batch import KnownProtocols
    from digitise.pages.page import Page
    from digitise.store import PageRow, Store


@dataclass(frozen=True, slots=True)
class ReadAgain:
    """One photograph: what was asked of each of its pages, by layout. Empty where no page was found in it any more.

    Of two pages of one layout the store has kept one, and it is not told which, so neither is here.
    """

    sha256: str
    pages: dict[str, Any]


def read_again(
    store: Store, pages: Sequence[PageRow], known: KnownProtocols, *, ask: Callable[[Page], Any], jobs: int
) -> Iterator[ReadAgain]:
    """Read the photographs of these pages, each once, in other processes; one that cannot be read any more is empty.

    `ask` is called there with every page found, such as `scores`.
    """
    digests = list(dict.fromkeys(p.sha256 for p in pages))
    originals = ((d, _original(store, d)) for d in digests)
    workers = Workers(jobs, partial(_prepare, known, ask))
    try:
        for digest, found in zip(digests, workers.map(_decode, originals), strict=True):
            yield ReadAgain(digest, found or {})
    finally:
        workers.__exit__(None, None, None)


def scores(page: Page, *, learned: Learned | None = None) -> dict[str, tuple[str, Value, float, bool]]:
    """Every cell of a page as (group, value, score, whether a reason speaks), as the store's reader reads it."""
    from digitise.reader.read import decode_page

    return {
        cell: (group, one.value, float(one.score), bool(one.reasons))
        for cell, (group, one) in decode_page(page, learned).items()
    }


def own_cells(sample: FairSample, again: Sequence[ReadAgain]) -> list[OwnCell]:
    """Every reading of the sample's pages without a reason for review, and whether it is right where that is known."""
    found = {(photo.sha256, layout): cells for photo in again for layout, cells in photo.pages.items()}
    truth = {(c.page_id, c.cell): c for c in sample.cells}
    out = []
    for number, page in enumerate(sorted(sample.pages, key=lambda p: (p.sha256, p.layout_digest))):
        for cell, (group, value, score, doubtful) in found.get((page.sha256, page.layout_digest), {}).items():
            if doubtful:
                continue
            known = truth.get((page.id, cell))
            right = None if known is None else not known.illegible and same_value(value, known.value)
            out.append(OwnCell(group, number, score, cell in sample.accepted[page.id], right))
    return out


def about(sample: FairSample, cells: Sequence[OwnCell], store_name: str) -> str:
    """Which cells these are, in words: how many, of which kind, on how many pages, settled when."""
    known = [c for c in cells if c.right is not None]
    audited, pages = sum(c.accepted for c in known), len({c.page for c in known})
    reviewed = plural(len(known) - audited, "reviewed cell")
    return f"{audited} audited and {reviewed} on {plural(pages, 'page')} of {store_name}{sample.when}"


def _original(store: Store, digest: str) -> bytes:
    """A photograph's bytes; none where it is missing or was changed."""
    try:
        return store.original(digest)
    except (ValueError, OSError):
        return b""


def _prepare(known: KnownProtocols, ask: Callable[[Page], Any]) -> tuple[list[Layout], Callable[[Page], Any]]:
    import cv2

    cv2.setNumThreads(1)
    return known.layouts, ask


def _decode(task: tuple[list[Layout], Callable[[Page], Any]], photo: tuple[str, bytes]) -> dict[str, Any]:
    from digitise.pages.page import register_all
    from digitise.pages.photo import decode_photo

    (layouts, ask), (digest, data) = task, photo
    decoded = decode_photo(data, digest)
    if not decoded:
        return {}
    pages = [page for page in register_all(decoded.gray, layouts) if page]
    alike = Counter(page.layout.digest for page in pages)
    return {page.layout.digest: ask(page) for page in pages if alike[page.layout.digest] == 1}
