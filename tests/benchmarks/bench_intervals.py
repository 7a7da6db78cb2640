"""How often 95 % intervals hold the truth: simulated programmes with transects, readers' errors and review.

``python tests/benchmarks/bench_intervals.py --programmes 1000`` prints Markdown tables for the contributors' guide.

Each programme has four sites of 4 transects and four of 8 (for densities also of 3). A transect's covers are Dirichlet
around the site's, with intra-line correlation 0.11; its counts are negative binomial (the smaller k, the more the animals
keep together). Most points are accepted, one in 500 of them misread. The
others are unread, three times as often in the second category: the reader's evidence confuses categories at rates
drawn for each point, and its probabilities come from a training mix that is even over categories, as a real reader's
is, not from this reef. Schools met by chance are a second kind of belt. Review replaces unread points by the truth, the
weightiest first. What is judged is the cover of the whole site, of which the transects are a sample.
"""

from __future__ import annotations

import argparse
import math
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from digitise.estimate.cover import TransectPoints, site_cover
from digitise.estimate.density import NEARLY_NONE, BeltCount, site_density
from digitise.estimate.intervals import Estimate, clopper_pearson, t_mean
from digitise.estimate.reading_doubt import ReadPoints, read_cover
from digitise.estimate.review_order import CoverCell, first_to_review

CATEGORIES = ("coral", "soft", "algae", "rubble", "sand", "rock")
COVERS = np.array([0.30, 0.10, 0.05, 0.02, 0.35, 0.18])
CORRELATION = 0.11
POINTS = 40
MISREAD = 0.002
UNREAD = np.array([1.0, 3.0, 1.0, 1.0, 1.0, 1.0])
BELTS = (3, 4, 8)
SPREADS = ((6.0, 5.0), (30.0, 5.0), (2.0, 1.5), (6.0, 1.5), (30.0, 1.5), (6.0, 0.5), (30.0, 0.5))  # mean a belt, k
SCHOOLS = ((6.0, 3.0), (30.0, 10.0), (6.0, 10.0), (30.0, 30.0))  # mean a belt, mean animals of a school
STAGES = ("before review", "half reviewed", "after review")


class Line(NamedTuple):
    """One simulated line: true categories, the reader's laws of unread points, what was accepted."""

    truth: np.ndarray
    laws: dict[int, dict[str, float]]
    accepted: dict[int, int]


class Law(NamedTuple):
    """How animals are spread over belts: in words, animals a belt, and who draws so many belts."""

    words: str
    mean: float
    draw: Callable[[np.random.Generator, int], np.ndarray]


@dataclass(slots=True)
class Tally:
    """Intervals that held the truth, of how many; those that end below it; their widths; the estimates' errors."""

    held: int = 0
    of: int = 0
    below: int = 0
    width: float = 0.0
    error: float = 0.0

    def add(self, estimate: Estimate, truth: float) -> None:
        """One interval."""
        self.of += 1
        self.held += estimate.low <= truth <= estimate.high
        self.below += estimate.high < truth
        self.width += estimate.high - estimate.low
        self.error += estimate.value - truth


def simulate_line(rng: np.random.Generator, unread: float) -> Line:
    """A line, and what a reader makes of it; `unread` is the share of unread points where it is least."""
    share = rng.dirichlet(COVERS * (1 / CORRELATION - 1))
    truth = rng.choice(len(CATEGORIES), size=POINTS, p=share)
    laws, accepted = {}, {}
    for i, z in enumerate(truth):
        if rng.random() < unread * UNREAD[z]:
            laws[i] = _law(rng, z)
        else:
            wrong = rng.random() < MISREAD
            accepted[i] = int((z + rng.integers(1, len(CATEGORIES))) % len(CATEGORIES)) if wrong else int(z)
    return Line(truth, laws, accepted)


def _law(rng: np.random.Generator, z: int) -> dict[str, float]:
    """The reader's probabilities for an unread point, from an even training mix."""
    right = rng.uniform(0.4, 0.98)
    near = (1 - right) * 0.8  # most confusion is with one other code
    confusion = np.full((len(CATEGORIES), len(CATEGORIES)), (1 - right) * 0.2 / (len(CATEGORIES) - 2))
    for a in range(len(CATEGORIES)):
        confusion[a, a], confusion[a, a ^ 1] = right, near
    seen = rng.choice(len(CATEGORIES), p=confusion[z] / confusion[z].sum())
    p = confusion[:, seen] / confusion[:, seen].sum()
    return dict(zip(CATEGORIES, p.tolist(), strict=True))


def reviewed(lines: list[Line], share: float) -> list[Line]:
    """The same lines after the weightiest `share` of their unread points was decided by a person, rightly."""
    cells = [
        CoverCell(f"{t}/{i}", law, POINTS, len(lines)) for t, line in enumerate(lines) for i, law in line.laws.items()
    ]
    first = [name for name, _ in first_to_review(cells, ())][: round(share * len(cells))]
    done = {tuple(int(n) for n in name.split("/")) for name in first}
    return [
        Line(
            line.truth,
            {i: law for i, law in line.laws.items() if (t, i) not in done},
            line.accepted | {i: int(line.truth[i]) for i in line.laws if (t, i) in done},
        )
        for t, line in enumerate(lines)
    ]


def estimates(lines: list[Line]) -> tuple[dict[str, Estimate], dict[str, Estimate]]:
    """Site covers by category: from decided points, and with unread ones counted by their probabilities."""
    decided, read = [], []
    for t, line in enumerate(lines):
        counts = dict.fromkeys(CATEGORIES, 0)
        for z in line.accepted.values():
            counts[CATEGORIES[z]] += 1
        decided.append(TransectPoints(f"T{t}", counts, len(line.accepted), POINTS, unread=len(line.laws)))
        read.append(ReadPoints(f"T{t}", tuple(line.laws.values()), POINTS, counts))
    site = {c.category: c.cover for c in site_cover(decided, categories=CATEGORIES).covers}
    expected = {c.category: c.site for c in read_cover(read, CATEGORIES)}
    return site, expected


def cover_study(rng: np.random.Generator, programmes: int, unread: float) -> dict[tuple, Tally]:
    """Coverage by (stage, transects, category, answer)."""
    out: dict[tuple, Tally] = defaultdict(Tally)
    for _ in range(programmes):
        for transects in (4, 8):
            for _ in range(4):
                lines = [simulate_line(rng, unread) for _ in range(transects)]
                for stage, share in zip(STAGES, (0.0, 0.5, 1.0), strict=True):
                    for answer, found in zip(("decided", "expected"), estimates(reviewed(lines, share)), strict=True):
                        for c, cover in zip(CATEGORIES[:4], COVERS[:4], strict=True):
                            out[stage, transects, c, answer].add(found[c], 100 * cover)
    return out


def spread_laws() -> list[Law]:
    """Negative binomial counts: the smaller k, the more the animals keep together."""
    return [
        Law(f"mean {mean:g}, k {k:g}", mean, lambda rng, n, m=mean, k=k: rng.negative_binomial(k, k / (k + m), size=n))
        for mean, k in SPREADS
    ]


def school_laws() -> list[Law]:
    """Schools are met by chance, and how many animals one has is geometric: no law that the intervals were made for."""

    def draw(rng: np.random.Generator, belts: int, mean: float, size: float) -> np.ndarray:
        return np.array([rng.geometric(1 / size, size=n).sum() for n in rng.poisson(mean / size, size=belts)])

    return [
        Law(f"mean {mean:g}, schools of {size:g}", mean, lambda rng, n, m=mean, s=size: draw(rng, n, m, s))
        for mean, size in SCHOOLS
    ]


def density_study(
    rng: np.random.Generator, programmes: int, laws: Sequence[Law]
) -> tuple[dict[tuple, Tally], dict[tuple, Tally]]:
    """Coverage of densities by (transects, law in words, answer), and of none seen, or nearly none: their limit is another.

    One tally in five is unread, one accepted in 500 is one animal out. Student's t, which the tool does not use for
    counts, is judged on the same belts.
    """
    out: dict[tuple, Tally] = defaultdict(Tally)
    none: dict[tuple, Tally] = defaultdict(Tally)
    for _ in range(programmes):
        for transects in BELTS:
            for words, mean, draw in laws:
                for _ in range(4):
                    counts = [int(n) for n in draw(rng, transects)]
                    before = [_belt(rng, f"T{t}", n) for t, n in enumerate(counts)]
                    after = [b if b.variance == 0 else BeltCount(b.transect, n, 40.0) for b, n in _both(before, counts)]
                    found = {"before review": site_density(before), "after review": site_density(after)}
                    for answer, site in found.items():
                        judged = out if site.count >= NEARLY_NONE else none
                        judged[transects, words, answer].add(site.density, 2.5 * mean)
                    t = t_mean([2.5 * b.count for b in after], cut=(0.0, math.inf))
                    if t.has_interval:
                        out[transects, words, "after review, Student's t"].add(t, 2.5 * mean)
    return out, none


def _both(belts: list[BeltCount], counts: list[int]) -> Iterator[tuple[BeltCount, int]]:
    return zip(belts, counts, strict=True)


def _belt(rng: np.random.Generator, name: str, count: int) -> BeltCount:
    if rng.random() < 0.8:
        slip = int(rng.choice((-1, 1))) if rng.random() < MISREAD else 0
        return BeltCount(name, max(0, count + slip), 40.0)
    right = rng.uniform(0.5, 0.95)
    seen = count + int(rng.choice((0, -1, 1), p=(right, (1 - right) / 2, (1 - right) / 2)))
    seen = max(0, seen)
    pmf: dict[int, float] = defaultdict(float)
    for k, p in ((seen, right), (seen + 1, (1 - right) / 2), (max(0, seen - 1), (1 - right) / 2)):
        pmf[k] += p
    mean = sum(k * p for k, p in pmf.items())
    variance = sum((k - mean) ** 2 * p for k, p in pmf.items())
    return BeltCount(name, mean, 40.0, variance=variance)


def _row(label: str, one: Tally, unit: str) -> str:
    sure = clopper_pearson(one.held, one.of)
    low, high = 100 * sure.low, 100 * sure.high
    return (
        f"| {label} | {100 * one.held / one.of:.1f} % ({low:.1f} to {high:.1f}) | {100 * one.below / one.of:.1f} % "
        f"| {one.width / one.of:.1f} {unit} | {one.error / one.of:+.2f} {unit} |"
    )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--programmes", type=int, default=1000, help="how many programmes (1000)")
    parser.add_argument("--unread", type=float, default=0.06, help="share of points unread where it is least (0.06)")
    parser.add_argument("--seed", type=int, default=20261125)
    args = parser.parse_args()
    rng = np.random.default_rng(args.seed)
    print(f"{args.programmes} programmes, seed {args.seed}, unread {args.unread:g} and {3 * args.unread:g}\n")
    _head("cover", "intervals that hold the truth")
    found = cover_study(rng, args.programmes, args.unread)
    for (stage, transects, c, answer), one in found.items():
        share = 100 * COVERS[CATEGORIES.index(c)]
        print(_row(f"{stage}, {transects} transects, {share:g} % {c}, {answer}", one, "points"))
    for laws in (spread_laws(), school_laws()):
        _densities(*density_study(rng, args.programmes, laws))


def _head(what: str, held: str) -> None:
    print(f"\n| {what} | {held} | end below it | mean width | bias |\n| --- | --- | --- | --- | --- |")


def _densities(seen: dict[tuple, Tally], none: dict[tuple, Tally]) -> None:
    _head("density", "intervals that hold the truth")
    for (transects, words, answer), one in seen.items():
        print(_row(f"{transects} belts, {words}, {answer}", one, "per 100 m2"))
    for answer in dict.fromkeys(key[-1] for key in seen):
        own = [one for key, one in seen.items() if key[-1] == answer]
        share = 100 * sum(one.held for one in own) / sum(one.of for one in own)
        print(f"| all laws and numbers of belts, {answer} | {share:.1f} % | | | |")
    _head("none seen", "upper limits that hold the truth")
    for (transects, words, answer), one in none.items():
        if one.of >= 20:
            print(_row(f"{transects} belts, {words}, {answer}", one, "per 100 m2"))


if __name__ == "__main__":
    main()
