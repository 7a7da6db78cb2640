"""What the tool keeps: `Store`, a folder of photographs, readings and entries, and the rows it hands out.

`Store` is imported when it is first asked for, and SQLAlchemy with it: rows need no database.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from digitise.store.rows import (
    RULE,
    CellNow,
    ChangedMeanwhile,
    EntryRow,
    PageRow,
    PhotoRow,
    Progress,
    QueueItem,
    ReadingRow,
    StoreError,
    cell_label,
)

if TYPE_CHECKING:
    from digitise.store.store import Store

__all__ = [
    "RULE",
    "CellNow",
    "ChangedMeanwhile",
    "EntryRow",
    "PageRow",
    "PhotoRow",
    "Progress",
    "QueueItem",
    "ReadingRow",
    "Store",
    "StoreError",
    "cell_label",
]


def __getattr__(name: str) -> object:
    if name == "Store":
        from digitise.store.store import Store

        return Store
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
