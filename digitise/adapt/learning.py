"""Learning a programme's hands without a deep-learning framework: the last layer of the character network, refitted.

The network's other layers stay. To the logits of digits and of letters a linear function of what the last layer sees
is added, fitted by multinomial logistic regression on the boxes of decided cells, with a ridge penalty on the added
weights: so it is pulled towards the shipped weights, and few examples move it little (a Gaussian prior around them;
Bishop 2006, Pattern Recognition and Machine Learning, section 4.3, from memory). The strength of the penalty is chosen
by cross-validation over whole pages or packs, inside the pages that a comparison does not leave out.

What is learned is compared on pages left out of learning; digits or letters that lose there stay as they were. It is
adopted only where the loss of the right characters falls beyond noise, fewer characters are wrong, and of wrong cells
and their order by doubt one gets better and none worse. The interval takes pages, not boxes, as independent: the ratio
estimator's linearised variance with Student's t (Cochran 1977, Sampling Techniques, section 6.4, from memory). Cells
that nobody looked at count as read rightly there, so a change of mind about them is held against what was learned.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from digitise.adapt.evaluate import same_value
from digitise.adapt.taught import NO_LABEL, SEEN, SETTLED, Taught
from digitise.reader.fields import decode_cell
from digitise.reader.learned import LARGEST, TINY, WRITTEN, Learned, characters_digest

FEWEST_GROUPS, FEWEST_SETTLED = 8, 20  # pages (or packs) compared, and characters settled by people on them
FOLDS, INNER_FOLDS = 5, 3
STRENGTHS = (30.0, 10.0, 3.0, 1.0, 0.3)  # from hardly moved on; the features' mean square is 1
LEVEL = 0.95


@dataclass(frozen=True, slots=True, eq=False)
class Boxes:
    """Labelled boxes of one head: `features` (N, F), `base` (N, K) logarithms of the shipped chances of characters.

    `labels` (N,) are indices among the K characters, `groups` (N,) numbers of what is left out together.
    """

    features: np.ndarray
    base: np.ndarray
    labels: np.ndarray
    groups: np.ndarray

    def of(self, mine: np.ndarray) -> Boxes:
        """Those at a mask (N,)."""
        return Boxes(self.features[mine], self.base[mine], self.labels[mine], self.groups[mine])


@dataclass(frozen=True, slots=True)
class Comparison:
    """Old and new reader on pages that the new one did not learn from (and the old one neither).

    Losses are natural logarithms a character; `change` bounds that of the loss at `LEVEL`; errors count
    characters and whole cells; areas are those under the risk-coverage curve of cells.
    """

    groups: int
    boxes: int
    settled: int
    cells: int
    loss: tuple[float, float]
    change: tuple[float, float]
    wrong_boxes: tuple[int, int]
    wrong_cells: tuple[int, int]
    area: tuple[float, float]

    @property
    def better(self) -> bool:
        """Whether the new reader is better beyond noise, nowhere worse, and so that somebody notices."""
        (c0, c1), (a0, a1) = self.wrong_cells, self.area
        noticed = c1 < c0 or a1 < a0
        return self.change[1] < 0 and self.wrong_boxes[1] < self.wrong_boxes[0] and noticed and c1 <= c0 and a1 <= a0

    def words(self) -> str:
        """The figures in a sentence for people."""
        (l0, l1), (b0, b1), (c0, c1), (a0, a1) = self.loss, self.wrong_boxes, self.wrong_cells, self.area
        return (
            f"{self.boxes} characters in {self.cells} cells of {self.groups} pages or packs left out, {self.settled} "
            f"characters settled by people: wrong characters {b0} before, {b1} after; wrong cells {c0} and {c1}; loss "
            f"a character {l0:.4f} and {l1:.4f} ({LEVEL:.0%} of its change: {self.change[0]:+.4f} to "
            f"{self.change[1]:+.4f}); area under the risk-coverage curve {1000 * a0:.2f} and {1000 * a1:.2f} of 1,000"
        )


@dataclass(frozen=True, slots=True)
class Lesson:
    """What came of learning: `learned` is None where nothing is to be adopted, and `words` say why."""

    learned: Learned | None
    words: str
    comparison: Comparison | None = None


def learn(
    cells: Sequence[Taught],
    old: Learned | None,
    *,
    about: str,
    rng: np.random.Generator,
    tell: Callable[[], None] = lambda: None,
) -> Lesson:
    """Learn from decided cells, compare on what was left out, and hand over what is better than the `old` reader.

    `tell` is called after each of `FOLDS` + 1 rounds.
    """
    known = frozenset(old.pages if old else ())
    fresh = [c for c in cells if c.origin != SEEN and c.page not in known]
    groups = len({c.group for c in fresh})
    settled = _settled(fresh)
    if groups < FEWEST_GROUPS or settled < FEWEST_SETTLED:
        return Lesson(None, _too_few(groups, settled, again=bool(known)))
    number = {g: i for i, g in enumerate(rng.permutation(sorted({c.group for c in cells})))}
    held_out = _held_out(cells, number, tell)
    new = [held_out[number[c.group] % FOLDS] for c in fresh]
    worse = [
        head for head in WRITTEN if not _gains([(c, n) for c, n in zip(fresh, new, strict=True) if c.head == head], old)
    ]
    comparison = compare(fresh, [old] * len(fresh), [_without(n, worse, old) for n in new])
    if not comparison.better:
        return Lesson(None, f"not better beyond noise: {comparison.words()}", comparison)
    kept = known if worse else frozenset()  # pages behind what stays as it was
    words, pages = comparison.words(), tuple(sorted(kept.union(c.page for c in cells)))
    before = old.digest if old else ""
    final = Learned(
        **_fitted(cells, number), network=characters_digest(), about=about, figures=words, pages=pages, before=before
    )
    tell()
    return Lesson(_without(final, worse, old), f"better: {words}", comparison)


def _gains(pairs: Sequence[tuple[Taught, Learned]], old: Learned | None) -> bool:
    """Whether cells of one answer, each with a reader that did not learn from it, have less loss and no more errors."""
    if not pairs:
        return False
    found = compare([c for c, _ in pairs], [old] * len(pairs), [n for _, n in pairs])
    return found.loss[1] < found.loss[0] and found.wrong_boxes[1] <= found.wrong_boxes[0]


def _without(new: Learned, heads: Sequence[str], old: Learned | None) -> Learned:
    """Something learned, with the corrections of these answers as they were before."""
    return replace(new, **{h: getattr(old, h) if old else np.zeros_like(getattr(new, h)) for h in heads})


def _settled(cells: Sequence[Taught]) -> int:
    """Characters that people settled."""
    return sum(label != NO_LABEL for c in cells if c.origin == SETTLED for label in c.labels)


def _too_few(groups: int, settled: int, *, again: bool) -> str:
    new = " that the present reader has not learned from" if again else ""
    return (
        f"too little to compare on: {groups} pages or packs{new} (of {FEWEST_GROUPS} needed) with {settled} written "
        f"characters settled by people (of {FEWEST_SETTLED}); review more pages, answer audits, and try again"
    )


def _held_out(cells: Sequence[Taught], number: dict[str, int], tell: Callable[[], None]) -> list[Learned]:
    """For each fold, what is learned from the other folds."""
    out = []
    for fold in range(FOLDS):
        rest = [c for c in cells if number[c.group] % FOLDS != fold]
        out.append(Learned(**_fitted(rest, number), network=characters_digest()))
        tell()
    return out


def _fitted(cells: Sequence[Taught], number: dict[str, int]) -> dict[str, np.ndarray]:
    """Corrections of both answers, each with the strength that its own groups choose."""
    out = {}
    for head in WRITTEN:
        boxes = boxes_of(cells, head, number)
        strength = chosen_strength(boxes)
        none = np.zeros((_width(cells) + 1, WRITTEN[head]), np.float32)
        out[head] = none if strength is None else fit(boxes, strength).astype(np.float32)
    return out


def _width(cells: Sequence[Taught]) -> int:
    return next(len(one.features) for c in cells for one in c.evidence if one.features is not None)


def boxes_of(cells: Sequence[Taught], head: str, number: dict[str, int]) -> Boxes:
    """The labelled boxes of one head."""
    written = WRITTEN[head]
    rows = [
        (one.features, np.log(np.maximum(getattr(one, head)[:written], TINY)), label, number[c.group])
        for c in cells
        if c.head == head
        for one, label in zip(c.evidence, c.labels, strict=True)
        if label != NO_LABEL
    ]
    if not rows:
        return Boxes(np.zeros((0, 1)), np.zeros((0, written)), np.zeros(0, int), np.zeros(0, int))
    features, base, labels, groups = zip(*rows, strict=True)
    return Boxes(np.array(features, np.float64), np.array(base, np.float64), np.array(labels), np.array(groups))


def fit(boxes: Boxes, strength: float, start: np.ndarray | None = None) -> np.ndarray:
    """Correction (F + 1, K) that minimises the boxes' loss and half the `strength` times its squared length.

    Features count as divided by the root of their mean squared length, and a bias as a feature of one. `start` is a
    correction to begin from. No example of a character leaves its weights near zero.
    """
    from scipy.optimize import minimize

    scale = np.sqrt(max(float((boxes.features**2).sum(axis=1).mean()), TINY))
    x = np.column_stack([boxes.features / scale, np.ones(len(boxes.labels))])
    rows, shape = np.arange(len(x)), (x.shape[1], boxes.base.shape[1])
    scales = np.append(np.full(shape[0] - 1, scale), 1.0)[:, None]

    def loss(flat: np.ndarray) -> tuple[float, np.ndarray]:
        weights = flat.reshape(shape)
        logits = boxes.base + x @ weights
        logits -= logits.max(axis=1, keepdims=True)
        chances = np.exp(logits)
        sums = chances.sum(axis=1)
        value = float((np.log(sums) - logits[rows, boxes.labels]).sum())
        chances /= sums[:, None]
        chances[rows, boxes.labels] -= 1
        return value + 0.5 * strength * float(flat @ flat), (x.T @ chances + strength * weights).ravel()

    first = np.zeros(shape) if start is None else start * scales
    found = minimize(loss, first.ravel(), jac=True, method="L-BFGS-B", options={"maxiter": 200, "gtol": 1e-3})
    return np.clip(found.x.reshape(shape) / scales, -LARGEST, LARGEST)


def losses(boxes: Boxes, correction: np.ndarray | None) -> np.ndarray:
    """Minus the logarithm of the probability of each box's own character, among characters, (N,)."""
    logits = boxes.base if correction is None else boxes.base + boxes.features @ correction[:-1] + correction[-1]
    top = logits.max(axis=1)
    total = top + np.log(np.exp(logits - top[:, None]).sum(axis=1))
    return total - logits[np.arange(len(logits)), boxes.labels]


def chosen_strength(boxes: Boxes) -> float | None:
    """The strength with the least loss on groups left out; None where leaving the shipped weights alone is best."""
    if len(np.unique(boxes.groups)) < INNER_FOLDS:
        return None
    fold = np.searchsorted(np.unique(boxes.groups), boxes.groups) % INNER_FOLDS
    total = np.zeros(len(STRENGTHS))
    for out in range(INNER_FOLDS):
        correction, left, rest = None, boxes.of(fold == out), boxes.of(fold != out)
        for i, strength in enumerate(STRENGTHS):
            correction = fit(rest, strength, correction)
            total[i] += losses(left, correction).sum()
    best = int(total.argmin())
    return STRENGTHS[best] if total[best] < losses(boxes, None).sum() else None


def compare(cells: Sequence[Taught], old: Sequence[Learned | None], new: Sequence[Learned | None]) -> Comparison:
    """Two readers on the same cells, a reader for each cell (None for the shipped one)."""
    names = sorted({c.group for c in cells})
    loss, count = np.zeros((len(names), 2)), np.zeros(len(names))
    wrong, judged = np.zeros(2, int), []
    for cell, *readers in zip(cells, old, new, strict=True):
        at = names.index(cell.group)
        count[at] += sum(label != NO_LABEL for label in cell.labels)
        seen = [tuple(map(r.see, cell.evidence)) if r else cell.evidence for r in readers]
        for i, evidence in enumerate(seen):
            told, missed = _told(cell, evidence)
            loss[at, i] += told
            wrong[i] += missed
        judged.append([_judged(cell, evidence) for evidence in seen])
    n, (scores, right) = count.sum(), np.array(judged).transpose(2, 0, 1)  # (value, cell, reader)
    return Comparison(
        groups=len(names),
        boxes=int(n),
        settled=_settled(cells),
        cells=len(cells),
        loss=tuple((loss.sum(axis=0) / n).tolist()),
        change=ratio_interval(loss[:, 1] - loss[:, 0], count),
        wrong_boxes=tuple(wrong.tolist()),
        wrong_cells=tuple((right == 0).sum(axis=0).tolist()),
        area=tuple(area_under_risk(scores[:, i], right[:, i] > 0) for i in (0, 1)),
    )


def _told(cell: Taught, evidence: Sequence) -> tuple[float, int]:
    """(loss of a cell's characters, how many were read as another one)."""
    written = WRITTEN[cell.head]
    loss, wrong = 0.0, 0
    for one, label in zip(evidence, cell.labels, strict=True):
        if label != NO_LABEL:
            chances = getattr(one, cell.head)[:written]
            loss -= float(np.log(max(chances[label] / max(chances.sum(), TINY), TINY)))
            wrong += int(chances.argmax()) != label
    return loss, wrong


def _judged(cell: Taught, evidence: Sequence) -> tuple[float, bool]:
    """(score of a cell's value, whether it is right); a value with a reason for review comes last."""
    decoded = decode_cell(cell.cell, evidence)
    return (-1.0 if decoded.reasons else decoded.score), same_value(decoded.value, cell.value)


def ratio_interval(change: np.ndarray, count: np.ndarray) -> tuple[float, float]:
    """Interval at `LEVEL` of a sum of changes by a sum of counts, (G,) each, where groups are independent."""
    from scipy.stats import t

    groups, rate = len(count), change.sum() / count.sum()
    if groups < 2:
        return -np.inf, np.inf
    spread = np.sqrt(((change - rate * count) ** 2).sum() / (groups - 1) * groups) / count.sum()
    reach = float(t.ppf((1 + LEVEL) / 2, groups - 1) * spread)
    return float(rate - reach), float(rate + reach)


def area_under_risk(scores: np.ndarray, right: np.ndarray) -> float:
    """Mean share of wrong cells among the surest 1, 2 ... N, 0 to 1; cells of one score count as their mean.

    `scores`, the larger the surer, and `right`, bool, are of shape (N,), N at least 1.
    """
    order = np.argsort(-scores, kind="stable")
    _, same = np.unique(-scores[order], return_inverse=True)
    wrong = (~right[order]).astype(np.float64)
    wrong = (np.bincount(same, wrong) / np.bincount(same))[same]
    return float((np.cumsum(wrong) / np.arange(1, len(wrong) + 1)).mean())
