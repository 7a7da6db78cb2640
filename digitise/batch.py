"""Many photographs on all cores; one broken file never stops the others."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from multiprocessing import get_context
from pathlib import Path

from digitise.compose import build_layouts
from digitise.known_plan import known_plan
from digitise.layout import Layout
from digitise.photo import SUFFIXES
from digitise.protocol import Protocol, load_protocol, shipped_names
from digitise.read import read_photo
from digitise.reading import PhotoResult
from digitise.roster import with_suggestions
from digitise.store import Store

FEW = 3  # so few photographs are read without starting other processes


@dataclass(frozen=True, slots=True)
class KnownProtocols:
    """The protocols whose sheets are looked for, and the way back from a layout to its protocol."""

    protocols: tuple[Protocol, ...]

    @property
    def layouts(self) -> list[Layout]:
        """Every page of every protocol, each once."""
        found: dict[str, Layout] = {}
        for protocol in self.protocols:
            for layout in build_layouts(protocol):
                found.setdefault(layout.digest, layout)
        return list(found.values())

    def home(self, layout: Layout) -> Protocol:
        """The protocol a layout was made from."""
        return next(p for p in self.protocols if any(one.digest == layout.digest for one in build_layouts(p)))


def known_protocols(files: Sequence[str | Path] = (), *, store: Store | None = None) -> KnownProtocols:
    """The given protocol files, the shipped ones, and those that pages in `store` were read by.

    Raises
    ------
    ProtocolError
        A file cannot be used.
    """
    found = [load_protocol(f) for f in (*files, *shipped_names())]
    seen = {protocol.digest for protocol in found}
    for page in store.pages() if store else ():
        if page.protocol_digest not in seen:
            seen.add(page.protocol_digest)
            found.append(store.protocol_for(page))
    return KnownProtocols(tuple(found))


def photo_files(paths: Iterable[Path]) -> list[Path]:
    """Files to read: those named, and the pictures in folders named (sub-folders too), each once, in order."""
    found: dict[Path, None] = {}
    for path in paths:
        if path.is_dir():
            inside = (p for p in sorted(path.rglob("*")) if p.suffix.lower() in SUFFIXES and p.is_file())
            found.update(dict.fromkeys(p for p in inside if not p.name.startswith(".")))
        else:
            found[path] = None
    return list(found)


@lru_cache(maxsize=1)
def _worker_layouts(protocols: tuple[Protocol, ...]) -> list[Layout]:
    import cv2

    cv2.setNumThreads(1)
    return KnownProtocols(protocols).layouts


def _read(path: Path, protocols: tuple[Protocol, ...]) -> PhotoResult:
    return read_photo(path, _worker_layouts(protocols))


def read_batch(
    files: Sequence[Path],
    known: KnownProtocols,
    *,
    jobs: int | None = None,
    tick: Callable[[PhotoResult], None] = lambda result: None,
) -> Iterator[PhotoResult]:
    """Read files, results in the order given; `tick` is called with each.

    Parameters
    ----------
    jobs : int, optional
        Processes; all cores by default, and none but this one for `FEW` files.
    """
    jobs = min(jobs or os.cpu_count() or 1, len(files)) if len(files) > FEW else 1
    if jobs == 1:
        layouts = known.layouts
        for path in files:
            result = read_photo(path, layouts)
            tick(result)
            yield result
        return
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        for result in pool.map(_read, files, [known.protocols] * len(files)):
            tick(result)
            yield result


def summary(result: PhotoResult) -> str:
    """One line for a person: which page it is, or why it was refused."""
    if result.status != "read":
        words = "take it again" if result.status == "retake" else "unreadable"
        return f"{result.file}: {words}. {' '.join(result.reasons)}"
    page, flagged = result.page, sum(r.flagged for r in result.readings)
    where = ""
    if page.identity:
        where = f", pack {page.identity.pack}" + (
            f", transect {page.identity.transect}" if page.identity.transect else ""
        )
    return (
        f"{result.file}: {page.layout.title}{where}; {len(result.readings)} cells, {flagged} for a person, "
        f"printed corners within {page.residual_mm:.2f} mm"
    )


def keep(store: Store, path: Path, result: PhotoResult, known: KnownProtocols, *, now: datetime) -> None:
    """Put one read photograph into a store."""
    if not result.sha256:
        return
    store.keep_photo(path.read_bytes(), path.name, now=now)
    record(store, result, known, now=now)


def record(store: Store, result: PhotoResult, known: KnownProtocols, *, now: datetime) -> None:
    """Put what a kept photograph says into its store; names known from its plans stand among the suggestions."""
    plan = known_plan(store.folder)
    if plan is not None:
        result = with_suggestions(result, plan.names, [site.name for site in plan.sites])
    store.record(result, known.home(result.page.layout) if result.page else None, now=now)
