"""What the Hand-over screen needs: surveys that may go, packages made, and what of them has changed since."""

from __future__ import annotations

import io
import zipfile
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from digitise.exchange.bag import sha256_of
from digitise.handover.package import CHECKSUMS, KEPT, make_handover
from digitise.handover.prepared import Prepared, Wishes, prepare_handover
from digitise.store import Store
from digitise.store.handovers import HandOver
from digitise.surveys.season import BoardLine
from review_app import worklist
from review_app.faults import board

DUE = "signed"  # the stage of a survey that waits for a hand-over


@dataclass(frozen=True, slots=True)
class Sent:
    """A hand-over that was noted; `folder` is None when its package is not in the store's folder."""

    record: HandOver
    folder: Path | None
    changed: tuple[str, ...]  # packs that are not as they were last sent to this receiver


def lines(store: Store) -> list[BoardLine]:
    """Surveys of which something came in, with where each stands."""
    here = set(store.packs())
    return [line for line in board(store) if line.pack in here]


def line_words(line: BoardLine) -> str:
    """ "LANTERN REEF, 2025-03-15 (pack 349QXP): signed"."""
    return f"{', '.join(filter(None, (line.site, line.date))) or 'site not entered'} (pack {line.pack}): {line.stage}"


def sent(store: Store) -> list[Sent]:
    """Every hand-over, newest first."""
    return [
        Sent(record, package(store, record), changed)
        for record, changed in _changed(store, worklist.store_state(store))
    ]


@lru_cache(maxsize=4)
def _changed(store: Store, _state: str) -> tuple[tuple[HandOver, tuple[str, ...]], ...]:
    """Every hand-over, newest first, with its packs that are not as they were last sent to its receiver."""
    records = store.handovers.all()
    now = {p: store.signoffs.digest(p) for p in {s.pack for h in records for s in h.surveys} & set(store.packs())}
    out = []
    for one in reversed(records):
        own = [h for h in records if h.recipient.casefold() == one.recipient.casefold()]
        last = {s.pack: s.digest for h in own for s in h.surveys}
        changed = tuple(s.pack for s in one.surveys if s.pack in now and now[s.pack] != last[s.pack])
        out.append((one, changed if one.corrects is None else ()))
    return tuple(out)


def package(store: Store, record: HandOver) -> Path | None:
    """The folder of a package that is still in the store's folder.

    It is known by its list of checksums: a run that was killed may have left another folder of this number.
    """
    found = sorted((store.folder / KEPT).glob(f"handover-{record.number}-*/{CHECKSUMS}"))
    return next((one.parent for one in found if sha256_of(one) == record.digest), None)


def hand_over(store: Store, wishes: Wishes) -> tuple[Path, HandOver, Prepared]:
    """Make a package in the store's folder and note it; raises what `prepare_handover` and `make_handover` do."""
    now = worklist.utc_now()
    prepared = prepare_handover(store, wishes, now=now)
    folder, record = make_handover(store, store.folder / KEPT, prepared, now=now)
    return folder, record, prepared


def zipped(folder: Path) -> bytes:
    """A package as one ZIP file, its folder inside."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(p for p in folder.rglob("*") if p.is_file()):
            archive.write(path, f"{folder.name}/{path.relative_to(folder).as_posix()}")
    return out.getvalue()
