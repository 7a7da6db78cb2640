"""What the tool keeps: `Store`, a folder of photographs, readings and entries, and the rows it hands out.

The store itself is imported when it is first asked for, and SQLAlchemy with it: rows need none.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from digitise.store.rows import (
    NO_SHEET,
    RULE,
    CellNow,
    ChangedMeanwhile,
    Doubt,
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
    from digitise.store.opening import holds_store, no_store
    from digitise.store.store import Store

__all__ = [
    "NO_SHEET",
    "RULE",
    "CellNow",
    "ChangedMeanwhile",
    "Doubt",
    "EntryRow",
    "PageRow",
    "PhotoRow",
    "Progress",
    "QueueItem",
    "ReadingRow",
    "Store",
    "StoreError",
    "cell_label",
    "holds_store",
    "no_store",
]


def __getattr__(name: str) -> object:
    later = {"Store": "store", "holds_store": "opening", "no_store": "opening"}
    if name in later:
        return getattr(import_module(f"digitise.store.{later[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
