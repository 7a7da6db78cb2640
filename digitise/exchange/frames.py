"""A long table made in parts, which lie on disk: rows come out as if it had been made as one.

A column has one type in all parts: whole numbers are written with a point nowhere, or everywhere, as pandas would have
it in a single frame.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from digitise.spool import Spool

if TYPE_CHECKING:
    import pandas as pd

ROWS_AT_ONCE = 1000


class Frames:
    """The parts, added one after another; each is held while it is read only."""

    def __init__(self) -> None:
        self._spool = Spool()
        self._parts = self._many = 0
        self._types: dict[str, set] = {}

    def __len__(self) -> int:
        return self._many

    def add(self, frame: pd.DataFrame) -> None:
        """The next part."""
        if not len(frame):
            return
        frame = frame.astype({c: float for c in frame.columns if frame[c].isna().all()})
        for name, values in frame.items():
            self._types.setdefault(name, set()).add(values.dtype)
        self._spool.put_object(self._parts, frame)
        self._parts, self._many = self._parts + 1, self._many + len(frame)

    def rows(self) -> Iterator[dict]:
        """Every row; what is not known is None."""
        mixed = {name: float for name, types in self._types.items() if _whole_and_not(types)}
        for part in range(self._parts):
            frame = self._spool.get_object(part).astype(mixed)
            for i in range(0, len(frame), ROWS_AT_ONCE):
                some = frame.iloc[i : i + ROWS_AT_ONCE]
                yield from some.astype(object).where(some.notna(), None).to_dict("records")


def _whole_and_not(types: set) -> bool:
    """Whether a column is of whole numbers in some parts and of others in the rest."""
    return len(types) > 1 and all(t.kind in "iuf" for t in types)
