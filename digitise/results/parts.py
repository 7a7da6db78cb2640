"""Files in which tables of surveys are kept: parts that are never written to again, and what says which of them hold.

A part is a folder with one Parquet file a table, of up to `AT_ONCE` surveys. ``state.json`` names the parts, the packs
each answers for and its size, so that a file cut short is noticed. It is written whole after every part: work that is
interrupted goes on where it stopped. Who writes holds `alone`, so that no two writers spoil each other's files.
"""

from __future__ import annotations

import contextlib
import json
import secrets
import shutil
import sqlite3
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from digitise.results.belt_tables import density_table, impact_table, occurrence_table
from digitise.results.change_tables import pooled_table
from digitise.results.results import SurveyResults
from digitise.results.rows import MIXED, read_rows, write_rows
from digitise.results.tables import cover_table, survey_table
from digitise.store.marks import Mark

if TYPE_CHECKING:
    import pandas as pd

AT_ONCE = 100  # surveys in a part
HELD = 25  # surveys whose results are held while tables are made of them
SMALL = 12  # so many parts of less than half that are put together
LOOK_AGAIN_S = 0.1
TABLES: dict[str, Callable[[Sequence[SurveyResults]], pd.DataFrame]] = {
    "surveys": survey_table,
    "cover": cover_table,
    "density": density_table,
    "impacts": impact_table,
    "occurrence": occurrence_table,
    "pooled": pooled_table,
}
TEXT = {
    *("pack", "site", "date", "sheet", "level", "transect", "category", "taxon", "impact"),
    *("id", "label", "code", "kind", "state", "unit", "interval_covers", "method", "note"),
    *("left_out", "segment_m", "protocol", *MIXED),
}


class Taken(Exception):  # noqa: N818 - it is no fault, another program is at work
    """Another program or thread makes these tables now."""


@dataclass(frozen=True, slots=True)
class Part:
    """A folder with one file a table, and the packs it answers for (it may hold older rows of others)."""

    folder: Path
    packs: frozenset[str]


@dataclass(frozen=True, slots=True)
class State:
    """What is kept: tables as they were at `mark` or later, made by the code with digest `code`.

    Unless it is `whole`, they are those of some of the packs only. `lines` is how many were planned, by pack.
    """

    parts: tuple[Part, ...]
    mark: Mark
    code: str
    lines: Mapping[str, int]
    whole: bool

    @property
    def packs(self) -> frozenset[str]:
        """All packs that the parts answer for."""
        return frozenset().union(*(p.packs for p in self.parts))


@contextlib.contextmanager
def alone(home: Path, *, wait: Callable[[], None] | None = None) -> Iterator[None]:
    """Nobody else writes in `home` meanwhile; whoever dies lets go of it.

    `wait` is called again and again until others are done; without it `Taken` is raised at once. A lock of SQLite on an
    empty file, since that is the same on every system.
    """
    with contextlib.suppress(FileExistsError):  # made by SQLite, no other account could lock it
        (home / "turn.db").touch(exist_ok=False)
    with contextlib.closing(sqlite3.connect(home / "turn.db", timeout=0, isolation_level=None)) as lock:
        while not _locked(lock):
            if wait is None:
                raise Taken
            wait()
            time.sleep(LOOK_AGAIN_S)
        yield


def _locked(lock: sqlite3.Connection) -> bool:
    try:
        lock.execute("BEGIN EXCLUSIVE")
    except sqlite3.OperationalError as error:
        if not error.sqlite_errorname.startswith("SQLITE_BUSY"):
            raise OSError(f"the tables of results cannot be kept: {error}") from None
        return False
    return True


def state_in(home: Path, code: str) -> State | None:
    """What is kept, if its files are there in full and it is of this code; None otherwise."""
    try:
        data = json.loads((home / "state.json").read_text(encoding="utf-8"))
        named = {home / Path(name).name: one for name, one in data["parts"].items()}
        parts = tuple(Part(folder, frozenset(one["packs"])) for folder, one in named.items())
        full = all(_size(folder) == one["bytes"] for folder, one in named.items())
        state = State(parts, Mark(**data["mark"]), data["code"], dict(data["lines"]), bool(data["whole"]))
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None
    return state if full and state.code == code else None


def keep(home: Path, state: State) -> None:
    """Say what is kept."""
    data = {
        "parts": {p.folder.name: {"packs": sorted(p.packs), "bytes": _size(p.folder)} for p in state.parts},
        "mark": state.mark.to_json(),
        "code": state.code,
        "lines": dict(state.lines),
        "whole": state.whole,
    }
    fresh = home / f"state-{secrets.token_hex(6)}"
    fresh.write_text(json.dumps(data), encoding="utf-8")
    fresh.replace(home / "state.json")


def tidy(home: Path, state: State | None) -> None:
    """Take away what nothing names, such as what an interrupted program left; only while `alone`."""
    named = {p.folder.name for p in state.parts} if state is not None else set()
    for folder in home.glob("part-*"):
        if folder.name not in named:
            shutil.rmtree(folder, ignore_errors=True)
    for file in home.glob("state-*"):
        file.unlink(missing_ok=True)


def _size(folder: Path) -> int:
    """Bytes of all its tables; `OSError` when one is missing."""
    return sum(_file(folder, name).stat().st_size for name in TABLES)


def _file(folder: Path, name: str) -> Path:
    return folder / f"{name}.parquet"


def tables_of(results: Iterable[SurveyResults]) -> dict[str, pd.DataFrame]:
    """Every table of these surveys, as it is kept. Results of `HELD` surveys are held at a time."""
    import pandas as pd

    results, made = iter(results), {name: [] for name in TABLES}
    while some := list(islice(results, HELD)):
        for name, make in TABLES.items():
            made[name].append(_encoded(make(some)))
    return {name: _tidied(pd.concat(frames, ignore_index=True)) for name, frames in made.items()}


def written(home: Path, tables: dict[str, pd.DataFrame]) -> Part:
    """A new part."""
    folder = home / f"part-{secrets.token_hex(6)}"  # other accounts may read it where they may read the store
    folder.mkdir()
    for name, frame in tables.items():
        write_rows(frame, _file(folder, name))
    return Part(folder, frozenset(tables["surveys"]["pack"]))


def put_together(home: Path, parts: Sequence[Part]) -> tuple[Part, ...]:
    """The parts, small ones joined once there are many of them."""
    small = [p for p in parts if len(p.packs) < AT_ONCE / 2]
    if len(small) < SMALL:
        return tuple(parts)
    rank = {pack: i for i, pack in enumerate(pack for part in small for pack in sorted(part.packs))}
    joined = {name: _tidied(_encoded(read_rows(_files(small, name, None), rank))) for name in TABLES}
    return (*(p for p in parts if p not in small), written(home, joined))


def _files(parts: Sequence[Part], name: str, packs: Collection[str] | None) -> dict[Path, Collection[str]]:
    """The files of a table, each with those of `packs` (all when None) that it answers for."""
    own = {p.folder: p.packs if packs is None else p.packs.intersection(packs) for p in parts}
    return {_file(folder, name): some for folder, some in own.items() if some}


def gathered(
    state: State, name: str, packs: Collection[str] | None, level: str | None, columns: Sequence[str] | None
) -> pd.DataFrame:
    """Rows of all parts, by date of their survey (undated last), then as the surveys came, then as they were."""
    files = _files(state.parts, name, packs)
    if not files:
        empty = TABLES[name](())
        return empty if columns is None else empty[list(columns)]
    any_order = dict.fromkeys((pack for part in state.parts for pack in part.packs), 0)
    surveys = read_rows(_files(state.parts, "surveys", packs), any_order, columns=["pack", "date", "first_page"])
    dated = surveys["date"].where(surveys["date"] != "", "9999")
    order = surveys.assign(dated=dated).sort_values(["dated", "first_page"])["pack"]
    return read_rows(files, {pack: i for i, pack in enumerate(order)}, level=level, columns=columns)


def _encoded(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.assign(**{c: frame[c].map(json.dumps) for c in MIXED if c in frame})


def _tidied(frame: pd.DataFrame) -> pd.DataFrame:
    """Text as text (empty where there is none) and numbers as numbers, also where these surveys had none of them."""
    import pandas as pd

    def one(column: str) -> pd.Series:
        values = frame[column]
        if column in TEXT:
            return values.astype("str") if not values.hasnans else values.astype(object).fillna("").astype("str")
        return pd.to_numeric(values)

    return frame.assign(**{c: one(c) for c in frame.columns})
