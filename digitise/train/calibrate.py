"""Set probabilities and thresholds on photographs by writers that training never saw."""

from __future__ import annotations

import csv
import itertools
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, fields, replace
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np

from digitise.adapt.evaluate import same_value
from digitise.estimate.acceptance import design_effect_of_pages, fixed_sequence, upper_error_bound
from digitise.pages.page import register
from digitise.reader.calibration import (
    DELTA,
    DOUBTFUL,
    LEAST_SCORE,
    NEVER,
    TARGETS,
    Acceptance,
    Curve,
    fit_curve,
    read_acceptance,
)
from digitise.reader.read import decode_page
from digitise.sheets.compose import whole_layouts
from digitise.sheets.protocol import Protocol
from digitise.simulate.answers import Mess, random_answers
from digitise.simulate.camera import hard_camera, ordinary_camera
from digitise.simulate.hand import Hand
from digitise.simulate.take import any_hand, take
from digitise.train.sheets import practice_layout

# Shares of a group's readings accepted at each threshold tried, one after the other until one fails (fixed sequence).
# Where no target can be shown in the first sequence, the next is tried.
SHARES = (
    (0.95, 0.96, 0.97, 0.98, 0.985, 0.99, 0.995, 1.0),
    (0.85, 0.88, 0.9, 0.92, 0.94),
    (0.7, 0.75, 0.8),
    (0.5, 0.6),
)
UNUSUAL = 0.2  # of the pages are filled in by somebody who tallies, ticks and crosses out as few people do
LEAST_SURE = 0.98  # a reading less sure than this goes to a person, however few of its group are wrong
MESS = Mess(  # totals are left out more often than by divers, so that strokes by themselves are seen often enough
    struck=0.012,
    overwritten=0.01,
    erased_rewritten=0.02,
    ditto=0.004,
    unreadable=0.004,
    overrun=0.03,
    total_blank=0.3,
)


@dataclass(frozen=True, slots=True)
class Row:
    """One decoded cell beside its truth."""

    group: str
    kind: str
    score: float
    right: bool
    reasons: tuple[str, ...]
    page: int


def sample_page(protocol: Protocol, hands: Mapping[str, Hand], seed: int, *, tallies: bool = False) -> list[Row]:
    """Decode one random photograph: five in six of the protocol's own sheets, else a practice sheet.

    Practice sheets add digits in every grammar; their random codes are no programme's and are left out. With `tallies`
    all are the protocol's sheets with tallies, and more than half of the totals are left out: for what is counted.
    """
    cv2.setNumThreads(1)
    rng = np.random.default_rng(seed)
    layouts = whole_layouts(protocol)
    practice = not tallies and rng.random() < 1 / 6
    if practice:
        layouts = [practice_layout(protocol, rng)]
    if tallies:
        layouts = [one for one in layouts if any(cell.kind == "tally" for cell in one.cells)]
    layout = layouts[int(rng.integers(len(layouts)))]
    camera = (hard_camera if rng.random() < 0.4 else ordinary_camera)(rng)
    answers = random_answers(layout.to_json(), rng, mess=replace(MESS, total_blank=0.55) if tallies else MESS)
    hand, unusual = any_hand(hands, rng, drawn=0.05), bool(rng.random() < UNUSUAL)
    taken = take(protocol, layout, answers, hand, rng, camera=camera, unusual=unusual)
    page = register(taken.gray(), layouts)
    if not page:
        return []
    truth = {a.cell: a for a in answers}
    rows = []
    for cell_id, (group, decoded) in decode_page(page).items():
        if practice and group == "code":
            continue
        answer = truth[cell_id]
        right = same_value(decoded.value, answer.value) and (not answer.must_flag or bool(decoded.reasons))
        rows.append(Row(group, layout.by_id[cell_id].kind, decoded.score, right, decoded.reasons, seed))
    return rows


def _sample(protocol: Protocol, hands: Mapping[str, Hand], seeds: list[int], tallies: bool) -> list[Row]:
    return [row for seed in seeds for row in sample_page(protocol, hands, seed, tallies=tallies)]


def _curve(rows: list[Row], *, target: float, delta: float, shares: tuple[float, ...] = ()) -> Curve:
    """Calibrate, and set the threshold by fixed-sequence testing.

    The thresholds tried accept fixed shares of the readings by score, right or not. Cells of a page are
    not independent: accepted ones are divided by the design effect of all the group's errors, which lie together more
    than the few among accepted readings do. Wrong ones count in full: hands lie together more than pages do.
    """
    knots, probability = fit_curve(np.array([r.score for r in rows]), np.array([r.right for r in rows]))
    blank = Curve(knots, probability, NEVER, target, delta, 0, 0, 1.0)
    if not shares:
        return blank
    effect = design_effect_of_pages([r.page for r in rows], [not r.right for r in rows])
    blank = replace(blank, design_effect=round(effect, 3))
    rows = sorted(rows, key=lambda r: -r.score)
    confidence = np.array([blank.confidence(r.score) if r.score >= LEAST_SCORE else 0.0 for r in rows])
    wrong = ~np.array([r.right for r in rows])
    wrong_so_far = np.cumsum(wrong)

    levels = sorted({max(LEAST_SURE, float(confidence[int(s * len(rows)) - 1])) for s in shares}, reverse=True)
    accepted = [int((confidence >= t).sum()) for t in levels]
    errors = [int(wrong_so_far[n - 1]) for n in accepted]
    step = fixed_sequence(levels, [int(n / effect) for n in accepted], errors, target, delta).chosen
    if step is None:
        return blank
    at = levels.index(step.threshold)
    return replace(blank, threshold=step.threshold, accepted=accepted[at], errors=errors[at], bound=step.upper)


def fit_acceptance(rows: list[Row], basis: str) -> Acceptance:
    """Curves and thresholds for every group; where the target cannot be shown, the nearest that can."""
    curves: dict[str, Curve] = {}
    for group in sorted({r.group for r in rows}):
        plain = [r for r in rows if r.group == group and not r.reasons]
        doubt = [r for r in rows if r.group == group and r.reasons]
        if len(plain) >= 20:
            for target, shares in itertools.product(TARGETS, SHARES):
                curves[group] = _curve(plain, target=target, delta=DELTA, shares=shares)
                if curves[group].threshold < NEVER:
                    break
        if len(doubt) >= 20:
            curves[group + DOUBTFUL] = _curve(doubt, target=TARGETS[0], delta=DELTA)
    return Acceptance(curves, basis)


def with_earlier(acceptance: Acceptance, earlier: Acceptance, rows: list[Row]) -> Acceptance:
    """The same, but with an earlier run's threshold where it accepts more of these readings and is shown by both runs.

    It was fixed before these readings were looked at, so those that it accepts are added to what it rested on, each
    run's divided by its own design effect, and wrong ones in full. It is a second try beside these readings' own: the
    risk that a bound does not hold may be twice `DELTA`. Both runs need the same networks.
    """
    curves = dict(acceptance.curves)
    for group, before in earlier.curves.items():
        plain = [r for r in rows if r.group == group and not r.reasons]
        taken = [r for r in plain if before.accepts(r.score)]
        if group not in curves or not taken or len(taken) <= curves[group].accepted:
            continue
        effect = design_effect_of_pages([r.page for r in plain], [not r.right for r in plain])
        accepted, errors = before.accepted + len(taken), before.errors + sum(not r.right for r in taken)
        tell = before.accepted / before.design_effect + len(taken) / effect
        bound = upper_error_bound(errors, int(tell), before.delta)
        if bound <= before.target:
            shared = {
                "accepted": accepted,
                "errors": errors,
                "bound": bound,
                "design_effect": round(accepted / tell, 3),
            }
            curves[group] = replace(before, **shared)
    return replace(acceptance, curves=curves)


def calibrate(
    protocol: Protocol, hands: Mapping[str, Hand], out: Path, *, pages: int, jobs: int, seed: int, tallies: bool
) -> None:
    """Photograph pages, fit, and write `out`; prints each group's figures."""
    seeds = np.array_split(np.arange(seed, seed + pages), max(jobs * 4, 1))
    with ProcessPoolExecutor(jobs, mp_context=get_context("fork")) as pool:
        work = [pool.submit(_sample, protocol, hands, [int(s) for s in part], tallies) for part in seeds]
        rows = [row for w in work for row in w.result()]
    basis = (
        f"simulated photographs: {len({r.page for r in rows})} pages read of {pages}, by {len(hands)} writers that "
        f"training never saw, {len(rows)} cells"
    )
    write_rows(rows, out.with_suffix(".csv"))
    set_acceptance(rows, basis, out)


def write_rows(rows: list[Row], path: Path) -> None:
    """Keep the rows, so that thresholds can be set again without new photographs."""
    with path.open("w", newline="", encoding="utf-8") as table:
        writer = csv.writer(table)
        writer.writerow([f.name for f in fields(Row)])
        writer.writerows([r.group, r.kind, r.score, int(r.right), " ".join(r.reasons), r.page] for r in rows)


def read_rows(path: Path) -> list[Row]:
    """Rows kept by `write_rows`."""
    with path.open(newline="", encoding="utf-8") as table:
        return [
            Row(
                r["group"], r["kind"], float(r["score"]), r["right"] == "1", tuple(r["reasons"].split()), int(r["page"])
            )
            for r in csv.DictReader(table)
        ]


def set_acceptance(
    rows: list[Row], basis: str, out: Path, *, earlier: Acceptance | None = None, groups: Sequence[str] = ()
) -> None:
    """Fit, write `out`, print each group's figures; `earlier` thresholds are kept as `with_earlier` says.

    With `groups` only these are set, and `out` keeps its others: for networks that read nothing else.
    """
    acceptance = fit_acceptance(rows, basis)
    if earlier is not None:
        acceptance = with_earlier(acceptance, earlier, rows)
    if groups:
        before = read_acceptance(out)
        mine = {k: curve for k, curve in acceptance.curves.items() if k.removesuffix(DOUBTFUL) in groups}
        basis = f"{before.basis}; {', '.join(groups)}: {basis}"
        acceptance = replace(before, curves=before.curves | mine, basis=basis)
    out.write_text(acceptance.to_json())
    print(basis)
    for group, curve in acceptance.curves.items():
        own = [r for r in rows if r.group + (DOUBTFUL if r.reasons else "") == group]
        print(
            f"{group:22} n={len(own):6d} right={np.mean([r.right for r in own]):.4f} threshold={curve.threshold:.5f} "
            f"target={curve.target} accepted={curve.accepted} errors={curve.errors} bound={curve.bound:.5f} "
            f"design={curve.design_effect}"
        )
