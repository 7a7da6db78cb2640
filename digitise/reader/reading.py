"""What a photograph says: readings of cells, and results of photographs."""

from __future__ import annotations

from dataclasses import dataclass

from digitise.pages.page import NotRegistered, Page
from digitise.reader.reasons import REASONS

RESULT_VERSION = 1
Value = int | float | str | bool | None
Candidates = tuple[tuple[Value, float], ...]


@dataclass(frozen=True, slots=True)
class Decoded:
    """The ink's own evidence, before calibration.

    `score` in [0, 1] ranks readings of one kind from doubtful to certain; `candidates` are (value, weight), best
    first; `reasons` name what a person must look at whatever the score.
    """

    value: Value
    score: float
    candidates: Candidates
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Reading:
    """One cell's reading: `confidence` is the calibrated probability that `value` is what was written."""

    cell: str
    kind: str
    value: Value
    confidence: float
    flagged: bool
    candidates: Candidates
    reasons: tuple[str, ...] = ()
    score: float = 0.0

    def to_json(self) -> dict:
        """The stable form of a reading in the result file."""
        return {
            "cell": self.cell,
            "value": self.value,
            "confidence": round(self.confidence, 5),
            "flagged": self.flagged,
            "candidates": [[value, round(p, 5)] for value, p in self.candidates],
            "reasons": list(self.reasons),
        }


@dataclass(frozen=True, slots=True, eq=False)
class PhotoResult:
    """What one picture gave: a page with readings, or why not.

    `sha256` is that of the picture as it is kept. For a page of a PDF or TIFF file that is a PNG made from it;
    `file_sha256` and `file_page` then say which file and page it was.
    `others` holds one more result for every further sheet in the same picture; its own `others` is empty.
    """

    file: str
    sha256: str
    status: str  # read | retake | unreadable
    reasons: tuple[str, ...]  # sentences
    page: Page | None = None
    failure: NotRegistered | None = None
    readings: tuple[Reading, ...] = ()
    file_sha256: str = ""
    file_page: int = 0
    others: tuple[PhotoResult, ...] = ()

    @property
    def sheets(self) -> tuple[PhotoResult, ...]:
        """This result and those of further sheets in the same picture, each an entry of its own in the result file."""
        return (self, *self.others)

    def to_json(self) -> dict:
        """The stable form of a photograph in the result file; its SHA-256 is that of the file it came in."""
        out: dict = {
            "file": self.file,
            "sha256": self.file_sha256 or self.sha256,
            "status": self.status,
            "reasons": list(self.reasons),
        }
        if self.file_page:
            out |= {"file_page": self.file_page, "picture_sha256": self.sha256}
        seen = self.page if self.page is not None else self.failure
        layout = seen.layout if seen is not None else None
        if layout is not None:
            out |= {
                "sheet": layout.sheet,
                "page": layout.page,
                "protocol": layout.protocol,
                "protocol_version": layout.protocol_version,
            }
        if self.page is not None:
            identity = self.page.identity
            out |= {
                "pack": identity.pack if identity else None,
                "transect": identity.transect if identity else None,
                "residual_mm": round(self.page.residual_mm, 3),
                "px_per_mm": round(self.page.native_px_per_mm, 2),
                "edge_strokes": round(self.page.edge_strokes, 2),
                "hidden_share": round(self.page.hidden_share, 3),
            }
        out["readings"] = [r.to_json() for r in self.readings]
        return out


def sentence(reason: str, detail: str = "") -> str:
    """A reason in words: what, the particulars, what to do."""
    known = REASONS[reason]
    return f"{known.short}: {detail}. {known.advice}" if detail else f"{known.short}. {known.advice}"
