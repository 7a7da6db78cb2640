"""Where numbers come from: one record of versions, protocol, photographs and time, put into every output."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
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
    if now.tzinfo is None:
        raise ValueError("now has no time zone; pass datetime.now(UTC)")
    pages = [page for survey in surveys for page in survey.pages]
    return Provenance(
        tool="digitise",
        tool_version=__version__,
        reader_versions=tuple(sorted({p.reader_version for p in pages})),
        acceptance_bases=tuple(sorted({p.acceptance_basis for p in pages if p.acceptance_basis})),
        protocols=tuple(sorted({(p.protocol, p.protocol_version, p.protocol_digest) for p in pages})),
        packs=tuple(s.pack for s in surveys),
        photo_sha256=tuple(sorted({p.sha256 for p in pages})),
        digest=_digest(surveys),
        created_at=now.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
    )


def _digest(surveys: Sequence[Survey]) -> str:
    """SHA-256 over every page's photograph and every cell's present state, value and decider, in a fixed order."""
    whole = hashlib.sha256()
    between = ""
    for survey in sorted(surveys, key=lambda one: f"{one.pack} "):  # lines begin so: one survey's at a time are enough
        photo = {p.id: p.sha256 for p in survey.pages}
        lines = [f"{survey.pack} {photo[c.page_id]} {c.cell} {c.state} {c.value!r} {c.by}" for c in survey.cells]
        for line in sorted(lines):
            whole.update(f"{between}{line}".encode())
            between = "\n"
    return whole.hexdigest()
