"""Readings against the truth: how much was accepted, how much of it was wrong, how honest the probabilities are."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from digitise.estimate.intervals import clopper_pearson
from digitise.reader.calibration import between_different
from digitise.reader.reading import PhotoResult, Reading, Value
from digitise.wording import plural

BINS = 15


@dataclass(frozen=True, slots=True)
class Truth:
    """What a cell really says; `must_flag` when only a person may decide (crossed out, overwritten, ditto)."""

    value: Value
    must_flag: bool = False
    mark: str = "plain"


@dataclass(frozen=True, slots=True)
class Judged:
    """One reading beside its truth. `right` is whether the value is what a perfect reader returns.

    A `doubtful` reading goes to a person for a stated reason, whatever its confidence.
    """

    kind: str
    confidence: float
    accepted: bool
    right: bool
    truth: Truth
    doubtful: bool = False

    @property
    def wrong_accepted(self) -> bool:
        """A silent error: accepted, and wrong or not to be accepted at all."""
        return self.accepted and (not self.right or self.truth.must_flag)


def same_value(read: Value, truth: Value) -> bool:
    """Equality with types told apart where they matter: False is not 0, 8.0 is 8, None only None."""
    if isinstance(read, bool) or isinstance(truth, bool) or read is None or truth is None:
        return read is truth
    if isinstance(read, (int, float)) and isinstance(truth, (int, float)):
        return math.isclose(read, truth, abs_tol=1e-9)
    return str(read) == str(truth)


def judge(readings: Iterable[Reading], truths: Mapping[str, Truth]) -> list[Judged]:
    """Each reading beside its truth; cells without a known truth are left out."""
    return [
        Judged(
            r.kind,
            r.confidence,
            not r.flagged,
            same_value(r.value, truths[r.cell].value),
            truths[r.cell],
            any(reason != "unsure" for reason in r.reasons),
        )
        for r in readings
        if r.cell in truths
    ]


@dataclass(frozen=True, slots=True)
class Score:
    """Counts and rates of a set of judged readings.

    `silent` counts accepted readings that are wrong; `silent_low` and `silent_high` bound their number per 1,000
    accepted with 95 % confidence (Clopper-Pearson, cells taken as independent). `ece` is the expected calibration
    error (`calibration_error`).
    """

    cells: int
    right: int
    accepted: int
    silent: int
    silent_low: float
    silent_high: float
    ece: float

    @property
    def right_share(self) -> float:
        """Share of readings right before review."""
        return self.right / self.cells if self.cells else float("nan")

    @property
    def accepted_share(self) -> float:
        """Share accepted without review."""
        return self.accepted / self.cells if self.cells else float("nan")

    @property
    def silent_per_1000(self) -> float:
        """Wrong among 1,000 accepted."""
        return 1000 * self.silent / self.accepted if self.accepted else float("nan")


def calibration_bins(judged: Sequence[Judged]) -> list[tuple[np.ndarray, np.ndarray]]:
    """(confidence, whether right) in `BINS` bins of equal mass, from the least confident; of one confidence in one bin.

    So the order of readings does not matter.
    """
    confidence = np.array([j.confidence for j in judged], float)
    right = np.array([j.right for j in judged], float)
    order = np.argsort(confidence, kind="stable")
    edges = np.cumsum([len(part) for part in np.array_split(order, BINS)])
    edges = between_different(confidence[order], edges[edges < len(order)])
    return list(zip(np.split(confidence[order], edges), np.split(right[order], edges), strict=True)) if judged else []


def calibration_error(judged: Sequence[Judged]) -> float:
    """Expected calibration error over `calibration_bins`: mean |confidence - share right|."""
    bins = calibration_bins(judged)
    off = sum(len(stated) * abs(stated.mean() - hit.mean()) for stated, hit in bins)
    return float(off / len(judged)) if judged else float("nan")


def score(judged: Sequence[Judged]) -> Score:
    """Score a set of judged readings; of none, and where none was accepted, the rates are NaN."""
    accepted = sum(j.accepted for j in judged)
    silent = sum(j.wrong_accepted for j in judged)
    bound = clopper_pearson(silent, accepted) if accepted else None
    return Score(
        len(judged),
        sum(j.right for j in judged),
        accepted,
        silent,
        1000 * bound.low if bound else float("nan"),
        1000 * bound.high if bound else float("nan"),
        calibration_error(judged),
    )


def slices(judged: Sequence[Judged]) -> dict[str, list[Judged]]:
    """The sets reported: all, without free text, by kind, blank cells, small and large tallies, cells to be flagged."""
    out = {"all cells": list(judged), "all but free text": [j for j in judged if j.kind != "text"]}
    for kind in sorted({j.kind for j in judged}):
        out[kind] = [j for j in judged if j.kind == kind]
    plain = [j for j in judged if not j.truth.must_flag]
    count = [j for j in plain if j.kind == "tally" and isinstance(j.truth.value, int)]
    out["tally 1-10"] = [j for j in count if 1 <= j.truth.value <= 10]
    out["tally 11-40"] = [j for j in count if 11 <= j.truth.value <= 40]
    out["blank"] = [j for j in plain if j.truth.value is None or j.truth.value is False]
    out["crossed out or unreadable"] = [j for j in judged if j.truth.must_flag]
    return {name: rows for name, rows in out.items() if rows}


_LEGEND = (
    "right: before anybody reviewed; accepted: without a person; accepted wrong: nobody would have seen it.",
    "off by: how far stated probabilities lie from the share that is right, on average (expected calibration error).",
)


def report(judged: Sequence[Judged], results: Sequence[PhotoResult] = ()) -> str:
    """A table in plain text."""
    lines = []
    if results:
        states = [r.status for r in results]
        read, again, lost = (states.count(one) for one in ("read", "retake", "unreadable"))
        lines.append(f"{plural(len(states), 'photograph')}: {read} read, {again} to take again, {lost} unreadable")
    lines.append(
        f"{'':28}{'cells':>8}{'right':>9}{'accepted':>10}{'accepted wrong':>16}{'per 1,000 (95 %)':>23}{'off by':>8}"
    )
    for name, rows in slices(judged).items():
        s = score(rows)
        rate = f"{s.silent_per_1000:.2f} ({s.silent_low:.2f}-{s.silent_high:.2f})" if s.accepted else "none accepted"
        lines.append(
            f"{name:28}{s.cells:8d}{s.right_share:9.2%}{s.accepted_share:10.1%}{s.silent:16d}{rate:>23}{s.ece:8.4f}"
        )
    return "\n".join([*lines, *_LEGEND])


@dataclass(frozen=True, slots=True)
class PhotoTruth:
    """What a photograph should give: its cells' truth, and the status it should end in."""

    expect: str
    cells: dict[str, Truth]


def as_it_should(result: PhotoResult, truth: PhotoTruth) -> bool:
    """Whether a photograph ended as it should: one that is read has a reading of every cell whose truth is known."""
    cells = {r.cell for sheet in result.sheets for r in sheet.readings}
    return result.status == truth.expect and (result.status != "read" or cells >= truth.cells.keys())


def read_truth(path: Path) -> dict[str, PhotoTruth]:
    """Truth by SHA-256 from a manifest (see ``sample_scans/manifest.json``).

    Raises
    ------
    ValueError
        The file is no manifest.
    """
    try:
        photos = json.loads(path.read_text(encoding="utf-8"))["photos"]
        return {
            p["sha256"]: PhotoTruth(
                p.get("expect", "read"),
                {
                    cell: Truth(c["value"], c.get("must_flag", False), c.get("mark", "plain"))
                    for cell, c in p["cells"].items()
                },
            )
            for p in photos
        }
    except (OSError, KeyError, TypeError, ValueError, AttributeError) as error:
        raise ValueError(f"{path}: not a manifest of photographs with 'sha256' and 'cells' ({error})") from None
