"""What a programme's own hands teach the reader of characters: a correction of its last layer, kept as a small file.

A correction changes only **which** digit or letter a box holds. Whether something is written there, struck out or
unreadable stays as the shipped network has it, so nothing that was put before a person for such a reason is lost.
With no correction (all zero) every probability is the shipped one.
"""

from __future__ import annotations

import base64
import hashlib
import json
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from digitise.reader.calibration import Acceptance
from digitise.reader.characters import DIGIT_CLASSES, LETTER_CLASSES, MODELS, NETWORKS, CharacterEvidence, feature_count

VERSION = 1
MOST_BYTES = 1_000_000  # of a file
MOST_CHARACTERS = 2_000  # of a text in it
LARGEST = 100.0  # weight that anybody believes
WRITTEN = {  # the classes of each answer that are characters: they come first
    "digit": DIGIT_CLASSES.index("blank"),
    "letter": LETTER_CLASSES.index("blank"),
}
TINY = 1e-12


class LearnedError(ValueError):
    """A file holds nothing learned that can be used; the text says why and what to do."""


@dataclass(frozen=True, slots=True, eq=False)
class Learned:
    """Corrections of the digits' and the letters' logits, (F + 1, K) float32 each: a row a feature, then the bias.

    `network` is the `characters_digest` they belong to; `about` and `figures` say in words what they were learned from
    and how they compared; `pages` are the pages behind them; `before` is the digest of what was in force before, ""
    for the shipped reader.
    """

    digit: np.ndarray
    letter: np.ndarray
    network: str
    about: str = ""
    figures: str = ""
    pages: tuple[str, ...] = ()
    before: str = ""

    def see(self, evidence: CharacterEvidence) -> CharacterEvidence:
        """The evidence of one box as somebody who knows these hands sees it."""
        if evidence.features is None:
            return evidence
        return replace(
            evidence,
            digit=corrected(evidence.digit, evidence.features, self.digit),
            letter=corrected(evidence.letter, evidence.features, self.letter),
        )

    @property
    def digest(self) -> str:
        """SHA-256 of the file's content, shortened."""
        return hashlib.sha256(self.to_json().encode()).hexdigest()[:12]

    def to_json(self) -> str:
        """The file's content."""
        packed = {name: _packed(getattr(self, name)) for name in WRITTEN}
        words = {"about": self.about, "figures": self.figures, "before": self.before, "pages": list(self.pages)}
        data = {"learned_version": VERSION, "network": self.network, **words, **packed}
        return json.dumps(data, indent=1, ensure_ascii=False)


@dataclass(frozen=True, slots=True)
class OwnReader:
    """What a programme brings to the reading: its own thresholds and what was learned; None for the shipped ones.

    `trouble` says why something learned is not used.
    """

    acceptance: Acceptance | None = None
    learned: Learned | None = None
    trouble: str = ""


SHIPPED = OwnReader()


def corrected(probabilities: np.ndarray, features: np.ndarray, correction: np.ndarray) -> np.ndarray:
    """Probabilities (C,) of a box whose characters, the first K, were weighed anew by a correction (F + 1, K).

    Their sum stays what it was, and so does every other class.
    """
    written = correction.shape[1]
    shift = features @ correction[:-1] + correction[-1]
    weighed = np.maximum(probabilities[:written], TINY) * np.exp(shift - shift.max())
    out = probabilities.copy()
    out[:written] = weighed * (probabilities[:written].sum() / max(weighed.sum(), TINY))
    return out


@lru_cache(maxsize=1)
def characters_digest() -> str:
    """SHA-256, shortened, of the networks of characters: features of others mean something else."""
    return hashlib.sha256(b"".join((MODELS / name).read_bytes() for name in NETWORKS)).hexdigest()[:16]


def read_learned(path: Path) -> Learned:
    """What `Learned.to_json` wrote.

    Raises
    ------
    LearnedError
        The file holds something else, was learned on another network, or cannot be read.
    """
    try:
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise LearnedError(f"{path}: cannot be read ({error.strerror})") from None
    try:
        if len(content) > MOST_BYTES:
            raise ValueError("it is too large")
        learned = _unpacked(json.loads(content))
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise LearnedError(
            f"{path}: holds nothing learned that can be used ({error}); run 'digitise learn' again"
        ) from None
    if learned.network != characters_digest():
        raise LearnedError(
            f"{path}: was learned on another network than this version reads with; run 'digitise learn' again"
        )
    if {len(learned.digit), len(learned.letter)} != {feature_count() + 1}:
        raise LearnedError(f"{path}: has weights of a wrong shape; run 'digitise learn' again")
    return learned


def _packed(values: np.ndarray) -> dict:
    return {"shape": list(values.shape), "float32": base64.b64encode(values.astype("<f4").tobytes()).decode()}


def _unpacked(data: dict) -> Learned:
    if data["learned_version"] != VERSION:
        raise ValueError("of an unknown version")
    corrections = {name: _correction(data[name], written) for name, written in WRITTEN.items()}
    pages = tuple(_text(p) for p in data["pages"])
    return Learned(**corrections, **{k: _text(data[k]) for k in ("network", "about", "figures", "before")}, pages=pages)


def _correction(data: dict, written: int) -> np.ndarray:
    rows, columns = data["shape"]
    values = np.frombuffer(base64.b64decode(data["float32"], validate=True), "<f4")
    if columns != written or not 1 < rows <= 10_000 or values.size != rows * columns:
        raise ValueError("weights of a wrong shape")
    if not np.isfinite(values).all() or np.abs(values).max() > LARGEST:
        raise ValueError("weights that are no sensible numbers")
    return values.reshape(rows, columns).astype(np.float32)


def _text(value: object) -> str:
    if not isinstance(value, str) or len(value) > MOST_CHARACTERS or not (value.isprintable()):
        raise ValueError("a text that is none")
    return value
