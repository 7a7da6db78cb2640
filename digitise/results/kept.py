"""Tables of every survey of a store, kept in the store's folder and made again only where something was added since.

A survey's numbers rest on its own pack alone, and a store is only ever added to. So the tables of a pack stay right
until a page of it is read, assigned or entered on; those packs are computed anew, all others are read from
``FOLDER/results/``. Nothing in there is needed: whoever deletes it waits once for all surveys. It is made anew too when
the code that computes changes, or the history is another than it was (a store put back from a backup).

The tables lie in parts of up to `AT_ONCE` surveys, which are never written to again; ``state.json`` says which packs
each part answers for.
"""

from __future__ import annotations

import contextlib
import gc
import hashlib
import json
import shutil
import tempfile
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from tqdm import tqdm

from digitise import __version__
from digitise.results.belt_tables import density_table, impact_table, occurrence_table
from digitise.results.change_tables import pooled_table
from digitise.results.results import SurveyResults, survey_results
from digitise.results.tables import cover_table, survey_table
from digitise.store import Store
from digitise.store.marks import Mark, holds, mark_now, packs_since
from digitise.surveys.survey import FEW, iter_surveys

if TYPE_CHECKING:
    import pandas as pd

FORM = 2  # of the files
AT_ONCE = 100  # surveys in a part
SMALL = 12  # so many parts of less than half that are put together
MANY = 200  # surveys from which on a bar shows how far it is
TABLES: dict[str, Callable[[Sequence[SurveyResults]], pd.DataFrame]] = {
    "surveys": survey_table,
    "cover": cover_table,
    "density": density_table,
    "impacts": impact_table,
    "occurrence": occurrence_table,
    "pooled": pooled_table,
}
MIXED = ("value", "counts")  # kept as JSON: numbers or words, and lists
TEXT = {
    *(
        "pack",
        "site",
        "date",
        "sheet",
        "level",
        "transect",
        "category",
        "taxon",
        "impact",
        "id",
        "label",
        "code",
        "kind",
    ),
    *("state", "unit", "interval_covers", "method", "note", "left_out", "segment_m", "protocol", *MIXED),
}
_PACKAGE = Path(__file__).parents[1]


@dataclass(frozen=True, slots=True)
class _Part:
    """A folder with one file a table, and the packs it answers for (it may hold older rows of others)."""

    folder: Path
    packs: frozenset[str]


@dataclass(frozen=True, slots=True)
class _State:
    """What is kept: the tables as they were at `mark`, made by the code with digest `code`."""

    parts: tuple[_Part, ...]
    mark: Mark
    code: str


class KeptTables:
    """The tables of one store at one confidence `level`. `read` gives them as they are now."""

    def __init__(self, store: Store, *, level: float = 0.95) -> None:
        self._store, self._level = store, level
        self._home = store.folder / "results" / f"{100 * level:g}"
        self._instead: tempfile.TemporaryDirectory | None = None  # where the store's folder may not be written to
        self._state: _State | None = None

    def read(
        self,
        name: str,
        *,
        packs: Collection[str] | None = None,
        level: str | None = None,
        columns: Sequence[str] | None = None,
    ) -> pd.DataFrame:
        """One of `TABLES`, of these packs (all when None), of one value of the column ``level``, by date of survey.

        The store is looked at the first time only, so that the tables of one `KeptTables` belong to one moment.
        """
        self._state = self._state or self._brought_up_to_date()
        try:
            return _gathered(self._state, name, packs, level, columns)
        except FileNotFoundError:  # another process put parts together meanwhile
            self._state = self._brought_up_to_date()
            return _gathered(self._state, name, packs, level, columns)

    def close(self) -> None:
        """Let go of files that were written elsewhere because the store's folder may not be written to."""
        if self._instead is not None:
            self._instead.cleanup()
        self._instead = self._state = None

    def _brought_up_to_date(self) -> _State:
        code = code_digest()
        old = _state_in(self._home, code)
        with self._store.database.read() as connection:
            now = mark_now(connection)
            if old is not None and not holds(connection, old.mark):
                old = None
            changed = packs_since(connection, old.mark) if old is not None else None
        if old is not None and now == old.mark:
            return old
        home = self._writable_home()
        left = [_Part(p.folder, p.packs - changed) for p in old.parts] if old is not None else []
        with _collecting_less():
            made = [_written(home, tables) for tables in self._computed(self._there(changed))]
        state = _State(_put_together(home, [p for p in (*left, *made) if p.packs]), now, code)
        _keep(home, state)
        return state

    def _there(self, changed: set[str] | None) -> list[str]:
        """The packs to compute: those of the changed ones that have pages, or every pack when None."""
        if changed is None:
            return self._store.packs()
        if len(changed) <= FEW:
            return sorted(pack for pack in changed if self._store.pages(pack))
        return sorted(changed & set(self._store.packs()))

    def _writable_home(self) -> Path:
        try:
            self._home.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryFile(dir=self._home):
                return self._home
        except OSError:
            self._instead = self._instead or tempfile.TemporaryDirectory(prefix="digitise-results-")
            return Path(self._instead.name)

    def _computed(self, packs: list[str]) -> Iterator[dict[str, pd.DataFrame]]:
        """Tables of `AT_ONCE` surveys at a time, so that memory does not grow with what they were computed from."""
        bar = tqdm(total=len(packs), desc="Results", unit="survey", disable=None if len(packs) >= MANY else True)
        with bar, contextlib.closing(iter_surveys(self._store, packs)) as surveys:
            while some := list(islice(surveys, AT_ONCE)):
                results = [survey_results(s, level=self._level) for s in some]
                yield {name: _tidied(_encoded(make(results))) for name, make in TABLES.items()}
                bar.update(len(some))


def make_ahead(store: Store) -> None:
    """Make the tables of a store of `AT_ONCE` surveys or more now, so that who asks for results need not wait.

    Where there is no room for them, they are made when somebody asks.
    """
    if len(store.packs()) >= AT_ONCE:
        kept = KeptTables(store)
        with contextlib.suppress(OSError), contextlib.closing(kept):
            kept.read("surveys", columns=["pack"])


@contextlib.contextmanager
def _collecting_less() -> Iterator[None]:
    """Python looks through all it holds for cycles far less often: a survey's tens of thousands of cells have none."""
    usual = gc.get_threshold()
    gc.set_threshold(1_000_000, *usual[1:])
    try:
        yield
    finally:
        gc.set_threshold(*usual)


def code_digest() -> str:
    """SHA-256 of the code that numbers come from: other code, other numbers."""
    parts = ("estimate/*.py", "results/*.py", "surveys/*.py", "reader/counts.py", "sheets/protocol.py")
    files = [path for part in parts for path in _PACKAGE.glob(part)]
    whole = hashlib.sha256(f"{FORM} {__version__}".encode())
    for path in sorted(files):
        whole.update(path.read_bytes())
    return whole.hexdigest()


def _state_in(home: Path, code: str) -> _State | None:
    """What is kept, if it is whole and of this code; None otherwise."""
    try:
        data = json.loads((home / "state.json").read_text(encoding="utf-8"))
        parts = tuple(_Part(home / Path(name).name, frozenset(packs)) for name, packs in data["parts"].items())
        state = _State(parts, Mark(**data["mark"]), data["code"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None
    whole = all((p.folder / f"{name}.parquet").is_file() for p in parts for name in TABLES)
    return state if whole and state.code == code else None


def _keep(home: Path, state: _State) -> None:
    """Say what is kept; parts that nothing names any more go."""
    data = {
        "parts": {p.folder.name: sorted(p.packs) for p in state.parts},
        "mark": state.mark.to_json(),
        "code": state.code,
    }
    with tempfile.NamedTemporaryFile("w", dir=home, delete=False, encoding="utf-8") as part:
        json.dump(data, part)
    Path(part.name).replace(home / "state.json")
    for folder in home.glob("part-*"):
        if folder.name not in data["parts"]:
            shutil.rmtree(folder, ignore_errors=True)


def _written(home: Path, tables: dict[str, pd.DataFrame]) -> _Part:
    folder = Path(tempfile.mkdtemp(prefix="part-", dir=home))
    for name, frame in tables.items():
        frame.to_parquet(folder / f"{name}.parquet", index=False, engine="pyarrow", compression="zstd")
    return _Part(folder, frozenset(tables["surveys"]["pack"]))


def _put_together(home: Path, parts: list[_Part]) -> tuple[_Part, ...]:
    """The parts, small ones joined once there are many of them."""
    small = [p for p in parts if len(p.packs) < AT_ONCE / 2]
    if len(small) < SMALL:
        return tuple(parts)
    import pandas as pd

    joined = {name: pd.concat([_rows(p, name) for p in small], ignore_index=True) for name in TABLES}
    return (*(p for p in parts if p not in small), _written(home, {n: _tidied(f) for n, f in joined.items()}))


def _rows(
    part: _Part,
    name: str,
    *,
    packs: Collection[str] | None = None,
    level: str | None = None,
    columns: list | None = None,
) -> pd.DataFrame:
    """A part's own rows of a table."""
    import pandas as pd

    own = part.packs if packs is None else part.packs & set(packs)
    wanted = [("pack", "in", own)] + ([("level", "==", level)] if level is not None else [])
    return pd.read_parquet(part.folder / f"{name}.parquet", engine="pyarrow", filters=wanted, columns=columns)


def _gathered(
    state: _State, name: str, packs: Collection[str] | None, level: str | None, columns: Sequence[str] | None
) -> pd.DataFrame:
    """Rows of all parts, by date of their survey (undated last), then as the surveys came, then as they were."""
    import pandas as pd

    parts = [p for p in state.parts if packs is None or p.packs & set(packs)]
    asked = None if columns is None else list(columns)
    found = [_rows(p, name, packs=packs, level=level, columns=asked) for p in parts]
    if not found:
        empty = TABLES[name](())
        return empty if asked is None else empty[asked]
    frame = pd.concat(found, ignore_index=True)
    surveys = pd.concat([_rows(p, "surveys", packs=packs, columns=["pack", "date", "first_page"]) for p in parts])
    dated = surveys["date"].where(surveys["date"] != "", "9999")
    order = surveys.assign(dated=dated).sort_values(["dated", "first_page"])["pack"]
    rank = {pack: i for i, pack in enumerate(order)}
    frame = frame.iloc[frame["pack"].map(rank).argsort(kind="stable")].reset_index(drop=True)
    return frame.assign(**{c: frame[c].map(json.loads).astype(object) for c in MIXED if c in frame})


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
