"""Tables of every survey of a store, kept in the store's folder and made again only where something was added since.

A survey's numbers rest on its own pack alone, and a store is only ever added to. So the tables of a pack stay right
until a page of it is read, assigned or entered on, or a plan says that it has fewer lines; those packs are computed
anew, all others are read from ``FOLDER/results/``. Nothing in there is needed: whoever deletes it waits once for all
surveys. It is made anew too when the code that computes changes, or the history is another than it was (a store put
back from a backup).

`make_ahead` is called wherever surveys come in, so that who asks for results finds them made.
"""

from __future__ import annotations

import contextlib
import hashlib
import sys
import tempfile
from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from tqdm import tqdm

from digitise import __version__
from digitise.results.cores import made_parts
from digitise.results.parts import Part, State, Taken, alone, gathered, keep, put_together, state_in, tidy
from digitise.store import Store
from digitise.store.marks import holds, mark_now, packs_since
from digitise.surveys.known_plan import planned_lines, planned_names
from digitise.surveys.roster import site_key

if TYPE_CHECKING:
    import pandas as pd

FORM = 4  # of the files
TRIES = 4  # at reading what other programs put together meanwhile
SHOW_AFTER_S = 1.0  # a bar
_PACKAGE = Path(__file__).parents[1]


class KeptTables:
    """The tables of one store at one confidence `level`. `read` gives them as they are now.

    At most `jobs` programs work them out (by default one a core).
    """

    def __init__(self, store: Store, *, level: float = 0.95, jobs: int | None = None) -> None:
        self._store, self._level, self._jobs = store, level, jobs
        self._home = store.folder / "results" / f"{100 * level:.15g}"
        self._instead: tempfile.TemporaryDirectory | None = None  # where the store's folder takes no more
        self._state: State | None = None

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
        for _ in range(TRIES):
            self._state = self._state or self._brought_up_to_date()
            try:
                return self._named(gathered(self._state, name, packs, level, columns))
            except FileNotFoundError:  # another process put parts together meanwhile
                self._state = None
        self._state = self._brought_up_to_date()
        return self._named(gathered(self._state, name, packs, level, columns))

    def _named(self, rows: pd.DataFrame) -> pd.DataFrame:
        """The rows with each site's planned name: kept is the one that was entered, since plans come and change."""
        planned = planned_names(self._store.folder)
        if not planned or "site" not in rows:
            return rows
        names = {site: planned.get(site_key(site), site) for site in rows["site"].unique() if isinstance(site, str)}
        return rows.assign(site=rows["site"].map(names).astype(rows["site"].dtype))

    def bring_up_to_date(self) -> None:
        """Work out what is new, to be kept.

        Raises
        ------
        Taken
            Another program does so already.
        OSError
            There is no room, or the folder may not be written to.
        """
        if self._looked()[1]:
            _check_writable(self._home)
            self._worked_out(self._home, None)

    @property
    def waiting(self) -> int:
        """How many surveys would have to be worked out now."""
        return len(self._looked()[1])

    @property
    def keeps(self) -> bool:
        """Whether the store's folder takes what is worked out; else all is made anew whenever somebody asks."""
        try:
            _check_writable(self._home)
        except OSError:
            return False
        return True

    def close(self) -> None:
        """Let go of files that were written elsewhere because the store's folder takes no more."""
        if self._instead is not None:
            self._instead.cleanup()
        self._instead = self._state = None

    def _brought_up_to_date(self) -> State:
        state, todo = self._looked()
        if state.whole and not todo:
            return state
        try:
            _check_writable(self._home)
            return self._worked_out(self._home, _Patience())
        except OSError:
            self._instead = self._instead or tempfile.TemporaryDirectory(prefix="digitise-results-")
            return self._worked_out(Path(self._instead.name), _Patience())

    def _looked(self) -> tuple[State, list[str]]:
        """What is kept and still right, `whole` when nothing was added since; and the packs to work out."""
        code, lines = code_digest(), planned_lines(self._store.folder)
        old = state_in(self._home, code)
        with self._store.database.read() as connection:
            now = mark_now(connection)
            if old is not None and not holds(connection, old.mark):
                old = None
            if old is not None and old.whole and now == old.mark and lines == old.lines:
                return old, []
            changed = packs_since(connection, old.mark) if old is not None else set()
        if old is not None:
            changed |= {pack for pack, _ in lines.items() ^ old.lines.items()}
        left = [Part(p.folder, p.packs - changed) for p in old.parts] if old is not None else []
        state = State(tuple(p for p in left if p.packs), now, code, lines, whole=False)
        if old is not None and old.whole:
            return state, sorted(changed.intersection(self._store.packs()) if changed else ())
        known = state.packs
        return state, [pack for pack in self._store.packs() if pack not in known]

    def _worked_out(self, home: Path, wait: Callable[[], None] | None) -> State:
        """The tables with what was new, kept in `home` after every part, so that nothing is worked out twice."""
        with alone(home, wait=wait):
            try:
                return self._made_whole(home)
            except OSError:  # no room: others need what there is
                tidy(home, state_in(home, code_digest()))
                raise

    def _made_whole(self, home: Path) -> State:
        state, todo = self._looked()  # another program may have done it meanwhile
        if state.whole:
            return state
        told = {"desc": "Results", "unit": "survey", "leave": False, "delay": SHOW_AFTER_S}
        bar = tqdm(total=len(todo), disable=not _somebody_looks(), **told)
        rest = {"level": self._level, "jobs": self._jobs}
        with bar, contextlib.closing(made_parts(self._store, todo, home, **rest)) as made:
            for part in made:
                state = replace(state, parts=(*state.parts, part))
                keep(home, state)
                bar.update(len(part.packs))
        state = replace(state, parts=put_together(home, state.parts), whole=True)
        keep(home, state)
        tidy(home, state)
        return state


class _Patience:
    """Told again and again that another program is at work; says so once, where somebody looks."""

    def __init__(self) -> None:
        self._told = False

    def __call__(self) -> None:
        if not self._told and _somebody_looks():
            print("Another program works these results out now; waiting for it.", file=sys.stderr)
        self._told = True


def _somebody_looks() -> bool:
    """Whether a person sees what is said while something is worked out: at a terminal, or in a notebook."""
    return sys.stderr is not None and (sys.stderr.isatty() or "ipykernel" in sys.modules)


def make_ahead(store: Store, *, jobs: int | None = None) -> bool:
    """Work out now what is new, so that who asks for results need not wait; whether that was done.

    Where there is no room for it, it is done when somebody asks; where another program does it, it is left to that. So
    is what cannot be computed, such as a survey whose layout is lost: whoever asks for results is told.
    """
    with contextlib.suppress(OSError, ValueError, Taken):
        KeptTables(store, jobs=jobs).bring_up_to_date()
        return True
    return False


def _check_writable(home: Path) -> None:
    """`OSError` when the folder can neither be made nor written in."""
    home.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryFile(dir=home):
        pass


def code_digest() -> str:
    """SHA-256 of the code that numbers come from: other code, other numbers."""
    parts = ("estimate/*.py", "results/*.py", "surveys/*.py", "reader/counts.py", "sheets/protocol.py")
    files = [path for part in parts for path in _PACKAGE.glob(part)]
    whole = hashlib.sha256(f"{FORM} {__version__}".encode())
    for path in sorted(files):
        whole.update(path.read_bytes())
    return whole.hexdigest()
