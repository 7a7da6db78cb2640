"""Many photographs on all cores, or on a cluster; one broken file never stops the others.

Pictures are only ever decoded in worker processes of bounded memory and time. Results come in the order asked for,
whatever the number of workers.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from digitise import __version__
from digitise.batch.cluster import Cluster
from digitise.batch.remote import Remote
from digitise.batch.sources import Original, Picture, file_bytes, not_one_photograph, original, pictures_in
from digitise.batch.workers import Stopped, Workers
from digitise.machine import cores
from digitise.pages.page import NotRegistered, Page
from digitise.pages.photo import NotAPhoto, decode_photo
from digitise.reader.learned import SHIPPED, OwnReader
from digitise.reader.read import READER_VERSION, read_decoded, reader_version
from digitise.reader.reading import PhotoResult, sentence
from digitise.sheets.compose import build_layouts
from digitise.sheets.layout import Layout
from digitise.sheets.protocol import Protocol, load_protocol, shipped_names
from digitise.surveys.known_plan import known_plan
from digitise.surveys.known_protocol import kept_protocols, refuse_look_alike
from digitise.surveys.roster import with_suggestions
from digitise.wording import page_title

if TYPE_CHECKING:
    from digitise.store import Store


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
    """The given protocol files, the shipped ones, those kept in `store`, and those that its pages were read by.

    Raises
    ------
    ProtocolError
        A file cannot be used, or its sheets could be taken for those of another of its name and version.
    """
    given = [load_protocol(f) for f in files]
    found = given + [load_protocol(f) for f in shipped_names()]
    own = kept_protocols(store.folder) if store else []
    found += [one for one in own if all(one.digest != other.digest for other in found)]
    seen = {protocol.digest for protocol in found}
    for page in store.pages() if store else ():
        if page.protocol_digest not in seen:
            seen.add(page.protocol_digest)
            found.append(store.protocol_for(page))
    for file, protocol in zip(files, given, strict=True):
        refuse_look_alike(protocol, str(file), found)
    return KnownProtocols(tuple(found))


@dataclass(frozen=True, slots=True, eq=False)
class Taken:
    """One picture that was taken in.

    `sha256` is that of the picture's own bytes, "" when there are none; `result` is None for a picture that needed no
    reading; `data` are its bytes when they are to be kept, else empty, and so are the pictures of its pages; `path` is
    the file it lies in. `lost` says that it could not be fetched: another run may have more luck.
    """

    name: str
    sha256: str
    result: PhotoResult | None
    data: bytes = b""
    path: Path | Remote = Path()
    lost: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class _Task:
    """What every worker knows: pages that may be in a picture, what needs no reading, which bytes are wanted."""

    layouts: list[Layout]
    done: frozenset[str]
    missing: frozenset[str]
    wanted: bool
    own: OwnReader


def _prepare(
    protocols: tuple[Protocol, ...], done: frozenset[str], missing: frozenset[str], wanted: bool, own: OwnReader
) -> _Task:
    import cv2

    cv2.setNumThreads(1)
    return _Task(KnownProtocols(protocols).layouts, done, missing, wanted, own)


def _list(_task: _Task, path: Path | Remote) -> tuple[Picture | NotAPhoto, ...]:
    return pictures_in(path)


def _original(_task: _Task, picture: Picture | NotAPhoto) -> Original | NotAPhoto:
    return picture if isinstance(picture, NotAPhoto) else original(picture)


def _take(task: _Task, picture: Picture | NotAPhoto) -> Taken:
    made = _original(task, picture)
    if isinstance(made, NotAPhoto):
        return Taken(made.name, "", read_decoded(made, ()), lost=made.reason == "not-fetched")
    digest = hashlib.sha256(made.data).hexdigest()
    if digest in task.done:
        return Taken(made.name, digest, None, made.data if digest in task.missing else b"")
    result = read_decoded(decode_photo(made.data, made.name), task.layouts, task.own)
    origin = {"file_sha256": made.file_sha256, "file_page": made.page}
    result = replace(result, **origin, others=tuple(replace(one, **origin) for one in result.others))
    return Taken(made.name, digest, result, made.data) if task.wanted else Taken(made.name, digest, _slim(result))


def _slim(result: PhotoResult) -> PhotoResult:
    """A result without pictures, which are most of what would go from one process to another."""
    return replace(result, page=_pageless(result.page), others=tuple(map(_slim, result.others)))


def _pageless(page: Page | None) -> Page | None:
    if page is None:
        return None
    none = page.image[:0]
    return replace(page, image=none.copy(), flattened=replace(page.flattened, image=none.copy()))


def _read_bytes(task: _Task, photo: tuple[str, bytes]) -> PhotoResult:
    name, data = photo
    decoded = not_one_photograph(data, name)
    return read_decoded(decode_photo(data, name) if decoded is None else decoded, task.layouts, task.own)


class Reader:
    """Workers that read pictures; use it as a context. They start when first needed and stay for the next picture.

    Parameters
    ----------
    known : KnownProtocols
    jobs : int, optional
        Processes; as many as there are cores by default, and never more than there are pictures.
    done : frozenset of str
        SHA-256 of pictures that need no reading.
    missing : frozenset of str
        Those of them whose bytes are wanted all the same.
    wanted : bool
        Whether the pictures' bytes and flattened pages are wanted too, to be kept.
    own : OwnReader, optional
        Thresholds and what was learned; the shipped reader by default.
    cluster : str, optional
        Address of a Dask scheduler whose machines read in place of this one, `jobs` or not.

    Raises
    ------
    ClusterError
        The cluster cannot be used.
    """

    def __init__(
        self,
        known: KnownProtocols,
        *,
        jobs: int | None = None,
        done: frozenset[str] = frozenset(),
        missing: frozenset[str] = frozenset(),
        wanted: bool = False,
        own: OwnReader = SHIPPED,
        cluster: str | None = None,
    ) -> None:
        self._wanted = wanted
        prepare = partial(_prepare, known.protocols, done, missing, wanted, own)
        self._workers = Cluster(cluster, prepare) if cluster else Workers(jobs or cores(), prepare)

    def __enter__(self) -> Reader:
        return self

    def __exit__(self, *error) -> None:
        self._workers.__exit__(*error)

    def pictures(self, files: Sequence[Path | Remote]) -> list[tuple[Path | Remote, Picture | NotAPhoto]]:
        """Every picture in `files`, in order, each with its file; what cannot be taken is there as `NotAPhoto`."""
        out: list[tuple[Path | Remote, Picture | NotAPhoto]] = []
        for path, found in zip(files, self._workers.map(_list, files), strict=True):
            held = [NotAPhoto(Picture(path).name, "", "stopped", found.why)] if isinstance(found, Stopped) else found
            out += [(path, picture) for picture in held]
        return out

    def read(self, pictures: Sequence[tuple[Path | Remote, Picture | NotAPhoto]]) -> Iterator[Taken]:
        """Read pictures as `pictures` lists them; one `Taken` for each, in the order given."""
        calls = self._workers.map(_take, [picture for _, picture in pictures])
        for (path, picture), taken in zip(pictures, calls, strict=True):
            whole = self._stopped(picture, taken.why) if isinstance(taken, Stopped) else taken
            yield replace(whole, path=path)

    def _stopped(self, picture: Picture | NotAPhoto, why: str) -> Taken:
        """A picture that could not be read within bounds; its file is kept like any other that was refused."""
        data: bytes | NotAPhoto = b""
        if self._wanted and isinstance(picture, Picture) and not picture.member and not picture.page:
            data = file_bytes(picture.path)
        data = data if isinstance(data, bytes) else b""
        digest = hashlib.sha256(data).hexdigest() if data else ""
        return Taken(picture.name, digest, _stopped_result(picture.name, digest, why), data)

    def read_bytes(self, data: bytes, name: str) -> PhotoResult:
        """Read the bytes of one photograph, such as a kept one."""
        result = next(self._workers.map(_read_bytes, [(name, data)]))
        if isinstance(result, Stopped):
            return _stopped_result(name, hashlib.sha256(data).hexdigest(), result.why)
        return result

    def original(self, picture: Picture | NotAPhoto) -> Original | NotAPhoto:
        """The bytes of a picture as `pictures` lists it, without reading it."""
        made = next(self._workers.map(_original, [picture]))
        return NotAPhoto(picture.name, "", "stopped", made.why) if isinstance(made, Stopped) else made


def _stopped_result(name: str, sha256: str, why: str) -> PhotoResult:
    return PhotoResult(name, sha256, "unreadable", (sentence("stopped", why),))


def read_batch(
    files: Sequence[Path], known: KnownProtocols, *, jobs: int | None = None, wanted: bool = False
) -> Iterator[Taken]:
    """Read every picture in `files`, in order; see `Reader`."""
    with Reader(known, jobs=jobs, wanted=wanted) as reader:
        yield from reader.read(reader.pictures(files))


def summary(result: PhotoResult) -> str:
    """A line for a person on each sheet in a photograph: which page it is, or why it was refused."""
    return "\n".join(_summary(one) for one in result.sheets)


def _summary(result: PhotoResult) -> str:
    if result.status != "read":
        words = "take it again" if result.status == "retake" else "unreadable"
        return f"{result.file}: {words}. {' '.join(result.reasons)}"
    page, flagged = result.page, sum(r.flagged for r in result.readings)
    where = "pack not known"  # spare pages, slates, and where the printed code is hidden
    if page.identity:
        where = f"pack {page.identity.pack}" + (
            f", transect {page.identity.transect}" if page.identity.transect else ""
        )
    title = page_title(page.layout.title, page.layout.page, page.layout.pages)
    return (
        f"{result.file}: {title}, {where}; {len(result.readings)} cells, {flagged} for a person, "
        f"flattened to {page.residual_mm:.2f} mm"
    )


def keep(
    store: Store, taken: Taken, known: KnownProtocols, *, now: datetime, own: OwnReader = SHIPPED
) -> tuple[str, ...]:
    """Put one picture into a store with what it says; what could not be kept comes back in words, as from `record`.

    What could not be opened leaves no trace. `own` is the reader it was read by.
    """
    if not taken.data:
        return ()
    store.keep_photo(taken.data, taken.name, now=now)
    if taken.result is None:
        return ()
    return record(store, taken.result, known, now=now, own=own)


def signature(known: KnownProtocols, own: OwnReader = SHIPPED) -> str:
    """What readings depend on beside the picture: the reader, protocols by content, thresholds that are not shipped."""
    rules = [hashlib.sha256(own.acceptance.to_json().encode()).hexdigest()[:16]] if own.acceptance else []
    return " ".join([__version__, reader_version(own), *sorted({p.digest for p in known.protocols}), *rules])


def read_before(store: Store) -> frozenset[str]:
    """SHA-256 of photographs in a store whose pages this reader has read. Refused ones are always tried again.

    So are those in which a sheet of an unknown protocol lies beside the page: it may be known by now. What the reader
    has learned since does not count: pages stay as they were read.
    """
    photos, pages = store.photos_and_pages()
    beside = {photo.sha256 for photo in photos if photo.beside}
    read = {p.sha256 for p in pages.values() if p.reader_version.split("-learned-")[0] == READER_VERSION}
    return frozenset(read - beside)


def record(
    store: Store,
    result: PhotoResult,
    known: KnownProtocols,
    *,
    now: datetime,
    own: OwnReader = SHIPPED,
) -> tuple[str, ...]:
    """Put what a kept photograph says into its store, every sheet in it; names of its plans are among the suggestions.

    Cells that another photograph of a sheet shows clearly and otherwise are opened again. All of it is kept at once: an
    interrupted one is read again. A store tells the sheets of one photograph apart by their layout; of two of one kind
    the second is refused, and the sentence that says so is handed back.
    """
    from digitise.surveys.twice import doubts

    seen: set[str] = set()
    lost: list[str] = []
    sheets: list[PhotoResult] = []
    plan = known_plan(store.folder)
    for one in result.sheets:
        if one.page is not None and one.page.layout.digest in seen:
            alike = NotRegistered("two-alike", one.page.layout.title, one.page.layout)
            lost.append(sentence(alike.reason, alike.detail))
            one = replace(one, status="retake", reasons=(lost[-1],), page=None, failure=alike, readings=())
        elif one.page is not None:
            seen.add(one.page.layout.digest)
        if plan is not None:
            one = with_suggestions(one, plan.names, [site.name for site in plan.sites])
        sheets.append(one)
    basis = own.acceptance.basis if own.acceptance else None
    read_by = {"reader_version": reader_version(own), "acceptance_basis": basis}
    store.record_all(sheets, known.home, now=now, doubts=doubts, **read_by)
    return tuple(lost)
