"""What the tool keeps: `Store`, a folder of photographs, readings and entries, and the rows it hands out.

What needs the database is imported when it is first asked for, and SQLAlchemy with it: rows need none.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from digitise.store.rows import (
    NO_SHEET,
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
    from digitise.store.audits import Audit, AuditCell, Differing
    from digitise.store.findings import AcceptedFinding
    from digitise.store.handovers import HandOver, SentSurvey
    from digitise.store.leases import Lease
    from digitise.store.opening import holds_store
    from digitise.store.people import Person
    from digitise.store.signoffs import FrozenCell, SignOff
    from digitise.store.store import Store

_LATER = {
    "AcceptedFinding": "findings",
    "Audit": "audits",
    "AuditCell": "audits",
    "Differing": "audits",
    "FrozenCell": "signoffs",
    "HandOver": "handovers",
    "Lease": "leases",
    "Person": "people",
    "SentSurvey": "handovers",
    "SignOff": "signoffs",
    "Store": "store",
    "holds_store": "opening",
}

__all__ = [
    "NO_SHEET",
    "RULE",
    "AcceptedFinding",
    "Audit",
    "AuditCell",
    "CellNow",
    "ChangedMeanwhile",
    "Differing",
    "EntryRow",
    "FrozenCell",
    "HandOver",
    "Lease",
    "PageRow",
    "Person",
    "PhotoRow",
    "Progress",
    "QueueItem",
    "ReadingRow",
    "SentSurvey",
    "SignOff",
    "Store",
    "StoreError",
    "cell_label",
    "holds_store",
]


def __getattr__(name: str) -> object:
    if name in _LATER:
        return getattr(import_module(f"digitise.store.{_LATER[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
