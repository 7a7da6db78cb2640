"""A person says which pack and transect a page belongs to: an appended record, the last one of a page holds."""

from __future__ import annotations

import re
from collections.abc import Sequence

from sqlalchemy import Connection, bindparam, insert, select

from digitise.sheets.protocol import Protocol
from digitise.sheets.sheet import PACK_ALPHABET, PACK_LENGTH
from digitise.store import chain
from digitise.store import schema as t
from digitise.store.rows import KEYED, PageRow, StoreError
from digitise.store.values import shortened

# Made once: they run in every decision, under the writing lock.
_READER = select(t.pages.c.reader_version).where(t.pages.c.id == bindparam("of"))
_PLACE = (
    select(t.assignments.c.pack)
    .where(t.assignments.c.page_id == bindparam("of"))
    .order_by(t.assignments.c.id.desc())
    .limit(1)
)


def checked_pack(pack: str) -> str:
    """A pack's name as it is printed; `ValueError` when it is none."""
    pack = pack.strip().upper()
    if not pack:
        raise ValueError(f"no pack is given; it is the {PACK_LENGTH} letters printed at the top of its sheets")
    if not re.fullmatch(f"[{PACK_ALPHABET}]{{{PACK_LENGTH}}}", pack):
        raise ValueError(
            f"found '{shortened(pack)}', expected the pack's {PACK_LENGTH} letters as printed at the top of its sheets"
        )
    return pack


def check_place(page: PageRow, protocol: Protocol, pack: str, transect: int, beside: Sequence[PageRow]) -> None:
    """`ValueError` when a page cannot be of this pack, in which the pages `beside` are, or of this transect."""
    if page.per_transect and not 1 <= transect <= protocol.transects:
        raise ValueError(f"{page.title}: found transect {transect}, expected 1 to {protocol.transects}")
    others = {(p.protocol, p.protocol_version) for p in beside} - {(page.protocol, page.protocol_version)}
    if others:
        raise ValueError(
            f"pack {pack} holds sheets of {' '.join(next(iter(others)))}, this is one of "
            f"{page.protocol} {page.protocol_version}; check the pack"
        )


def given_up(page_id: int) -> StoreError:
    """What is said of a page that was set aside."""
    return StoreError(f"page {page_id} was set aside; begin again with its photograph on the Survey page")


def check_stands(connection: Connection, page_id: int) -> None:
    """`StoreError` when a page was set aside, perhaps a moment ago: nothing entered on it would be seen.

    Only sheets that are keyed by hand are ever set aside.
    """
    of = {"of": page_id}
    if connection.execute(_READER, of).scalar() == KEYED and connection.execute(_PLACE, of).scalar() == "":
        raise given_up(page_id)


def add(connection: Connection, page: PageRow, pack: str, transect: int, *, by: str, at: str) -> None:
    """Add the record."""
    new = {"page_id": page.id, "pack": pack, "transect": transect if page.per_transect else 0, "by": by, "at": at}
    added = connection.execute(insert(t.assignments), new)
    chain.seal(connection, t.assignments, added.inserted_primary_key[0], at=at)
