"""Where numbers come from: one record of versions, protocol, photographs and time, put into every output."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime

from digitise import __version__
from digitise.surveys.survey import Survey


@dataclass(frozen=True, slots=True)
class Provenance:
    """What made a set of numbers. `photo_sha256` are the photographs they rest on, sorted.

    `reader_versions` and `acceptance_bases` are those in force when the photographs were read; "keyed by hand" stands
    for those that a person keyed. `digest` is a SHA-256 over photographs and present entries: equal digests mean equal
    data.
    """

    tool: str
    tool_version: str
    reader_versions: tuple[str, ...]
    acceptance_bases: tuple[str, ...]
    protocols: tuple[tuple[str, str, str], ...]
    packs: tuple[str, ...]
    photo_sha256: tuple[str, ...]
    digest: str
    created_at: str

    def to_json(self) -> dict:
        """Plain data, protocols as mappings of name, version and digest."""
        out = asdict(self)
        out["protocols"] = [dict(zip(("name", "version", "digest"), p, strict=True)) for p in self.protocols]
        return out


def provenance(surveys: Sequence[Survey], *, now: datetime) -> Provenance:
    """The origin of everything computed from these surveys."""
    origins = Origins()
    for survey in sorted(surveys, key=lambda one: in_turn(one.pack)):
        origins.add(survey)
    return origins.record([s.pack for s in surveys], now=now)


def in_turn(pack: str) -> str:
    """Packs sorted by this come in the order that `Origins` needs."""
    return f"{pack} "


class Origins:
    """The same of surveys that come one after another, sorted by `in_turn`, so that none need be held."""

    def __init__(self) -> None:
        self._readers: set[str] = set()
        self._bases: set[str] = set()
        self._protocols: set[tuple[str, str, str]] = set()
        self._photos: set[str] = set()
        self._whole, self._between, self._last = hashlib.sha256(), "", ""

    def add(self, survey: Survey) -> None:
        """The next survey.

        Digested are every page's photograph and every cell's present state, value and decider, in a fixed order: as
        sorted lines, which begin with the pack.

        `ValueError` for a pack that comes before the last one.
        """
        if in_turn(survey.pack) < self._last:
            raise ValueError(f"pack {survey.pack} came after '{self._last}'; expected packs in turn")
        self._last = in_turn(survey.pack)
        for page in survey.pages:
            self._readers.add(page.reader_version)
            self._bases.update(filter(None, [page.acceptance_basis]))
            self._protocols.add((page.protocol, page.protocol_version, page.protocol_digest))
            self._photos.add(page.sha256)
        photo = {p.id: p.sha256 for p in survey.pages}
        lines = [f"{survey.pack} {photo[c.page_id]} {c.cell} {c.state} {c.value!r} {c.by}" for c in survey.cells]
        for line in sorted(lines):
            self._whole.update(f"{self._between}{line}".encode())
            self._between = "\n"

    def record(self, packs: Iterable[str], *, now: datetime) -> Provenance:
        """The origin of all of them; `packs` in the order in which they are told.

        `ValueError` for a time without its zone.
        """
        if now.tzinfo is None:
            raise ValueError("now has no time zone; pass datetime.now(UTC)")
        return Provenance(
            tool="digitise",
            tool_version=__version__,
            reader_versions=tuple(sorted(self._readers)),
            acceptance_bases=tuple(sorted(self._bases)),
            protocols=tuple(sorted(self._protocols)),
            packs=tuple(packs),
            photo_sha256=tuple(sorted(self._photos)),
            digest=self._whole.hexdigest(),
            created_at=now.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        )
