"""A demonstration season: one command makes a store of an invented programme, so that every screen shows something.

One survey day is read from the sample photographs as any other; of the rest there are sheets set in type that say so,
with what a reader that is never wrong would have read. People decided, audited, signed and handed over.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from digitise.batch.batch import keep, known_protocols, read_batch
from digitise.completeness import check_store
from digitise.estimate.audit import sizes_for_bound
from digitise.handover.package import KEPT, make_handover
from digitise.handover.prepared import Wishes, prepare_handover
from digitise.prepare.prepare import plan_yaml
from digitise.reader.reading import PhotoResult
from digitise.sheets.layout import Layout
from digitise.sheets.protocol import Protocol, load_protocol
from digitise.sheets.sheet import Identity, pack_pages
from digitise.simulate.programme import Visit, plans, visits
from digitise.simulate.samples import REEFS
from digitise.simulate.slips import DOUBTS, IN_REVIEW, USUAL_DOUBT, of_visit, reading_of, visit_sheets
from digitise.simulate.typed import typed_page
from digitise.store import Store
from digitise.surveys.known_plan import keep_plan, known_plan

SEED = 20240309
READER = "invented"
BASIS = "invented for the demonstration season: values set in type, read by no reader"
CLERK, SCIENTIST, SENDER = "Nika Dorr", "Sanna Ruo", "Olin Fesk"
OFFICE = "Reserve office of Orrin Shoals"
UNSIGNED = {("GS", "2025-03"): True, ("CB", "2025-03"): True}  # before 2026, these wait for an answer
AUDITED, AUDIT_RATE = (("TW", "2024"), ("LR", "2025-03")), 0.05  # to show that fewer are wrong
MISREAD = ("LR", "2025-03")  # found only after the hand-over
LET_BE = {("NS", "2024"): ("wait", "The line was laid on the dive before; the team asked the leader.")}
MARK = "INVENTED.txt"
ABOUT = """Everything in this folder is invented: programme, sites, people, surveys and numbers.

digitise demo --season made it. Sheets set in type say so; the photographs of one survey day are simulated.
"""
JPEG = [cv2.IMWRITE_JPEG_QUALITY, 60]


@dataclass(frozen=True, slots=True)
class Season:
    """What was made: the store's folder, how many surveys and pages are in it, and the package handed over."""

    store: Path
    surveys: int
    pages: int
    package: Path


def build_season(
    out: Path, *, photos: Path, say: Callable[[str], None], every: Sequence[Visit] | None = None
) -> Season:
    """Make the store ``out/store`` (an older one there is replaced), with a package that was handed over.

    `every` are the visits to make, all of the programme's when None.

    Raises
    ------
    ValueError
        The sample photographs are missing, or `out` holds a store that is no demonstration.
    """
    sample = _day_of_photographs(photos)
    if (out / "store").exists() and not (out / MARK).is_file():
        raise ValueError(
            f"{out / 'store'}: is there already and was not made by digitise demo --season; name another folder with "
            "--out"
        )
    shutil.rmtree(out / "store", ignore_errors=True)
    out.mkdir(parents=True, exist_ok=True)
    (out / MARK).write_text(ABOUT, encoding="utf-8")
    protocol, every = load_protocol("reef-transect"), list(visits(SEED) if every is None else every)
    rng = np.random.default_rng([SEED, 1])
    with Store.open(out / "store", now=_evening(every[0].day)) as store:
        _keep_plans(store, out)
        folder: Path | None = None
        for i, visit in enumerate(every):
            if folder is None and visit.day.year == every[-1].day.year:
                folder = _hand_over(store, every, _evening(every[i - 1].day) + dt.timedelta(days=30), say)
                _found_later(store, every, _evening(visit.day) - dt.timedelta(days=20))
            say(f"   {visit.day}  {visit.place.name}")
            if visit.pack == REEFS[0].pack:
                _read(store, sample, _evening(visit.day))
            else:
                _typed(store, protocol, visit, rng)
            _settle(store, visit, rng)
        pages = store.pages()
        return Season(out / "store", len(store.packs()), len(pages), folder)


def _day_of_photographs(photos: Path) -> list[Path]:
    """The sample photographs of one survey day."""
    manifest = photos / "manifest.json"
    if not manifest.is_file():
        raise ValueError(f"{photos}: the sample photographs are not here; name their folder with --photos")
    rows = json.loads(manifest.read_text(encoding="utf-8"))["photos"]
    return [photos / row["file"] for row in rows if row["pack"] == REEFS[0].pack]


def _evening(day: dt.date) -> dt.datetime:
    return dt.datetime(day.year, day.month, day.day, 17, tzinfo=dt.UTC)


def _keep_plans(store: Store, out: Path) -> None:
    (out / "plans").mkdir(exist_ok=True)
    for plan in plans(SEED):
        path = out / "plans" / f"{plan.plan}.yaml"
        path.write_text(plan_yaml(plan), encoding="utf-8")
        keep_plan(store.folder, path)


def _read(store: Store, files: list[Path], now: dt.datetime) -> None:
    """Photographs, read as always."""
    known = known_protocols(store=store)
    for taken in read_batch(files, known, wanted=True):
        keep(store, taken, known, now=now)


def _typed(store: Store, protocol: Protocol, visit: Visit, rng: np.random.Generator) -> None:
    """Sheets set in type, with what a reader that is never wrong would have read."""
    sheets, now = visit_sheets(protocol, visit, rng), _evening(visit.day)
    doubt = of_visit(DOUBTS, visit, USUAL_DOUBT)
    for layout, identity in pack_pages(protocol, "A4", visit.pack):
        values = sheets.get((identity.transect, layout.sheet))
        if values is not None:
            result, data = _result(protocol, layout, identity, values, rng, doubt=doubt)
            store.keep_photo(data, result.file, now=now)
            store.record(result, protocol, now=now, reader_version=READER, acceptance_basis=BASIS)


def _result(
    protocol: Protocol, layout: Layout, identity: Identity, values: dict, rng: np.random.Generator, *, doubt: float
) -> tuple[PhotoResult, bytes]:
    page = typed_page(protocol, layout, identity, values)
    data = cv2.imencode(".jpg", page.image, JPEG)[1].tobytes()
    name = f"invented-{identity.pack}-{layout.sheet}{f'-t{identity.transect}' if identity.transect else ''}.jpg"
    readings = reading_of(layout, values, rng, doubt=doubt)
    return PhotoResult(name, hashlib.sha256(data).hexdigest(), "read", (), page, None, readings), data


def _settle(store: Store, visit: Visit, rng: np.random.Generator) -> None:
    """What people did with a survey: decided, let be, audited, signed."""
    if visit.pack == REEFS[0].pack or of_visit({IN_REVIEW: True}, visit):
        return
    now = _evening(visit.day) + dt.timedelta(days=2)
    for page in store.pages(visit.pack):
        for reading in store.readings(page.id):
            if reading.flagged:
                store.decide(page.id, reading.cell, value=reading.value, state="entered", by=CLERK, now=now)
    if (let := of_visit(LET_BE, visit)) is not None:
        _let_be(store, visit.pack, *let, now=now)
    if visit.place.code in {c for c, _ in AUDITED} and of_visit(dict.fromkeys(AUDITED, True), visit):
        _audit(store, visit.pack, rng, now + dt.timedelta(days=1))
    if visit.day.year < dt.date(2026, 1, 1).year and not of_visit(UNSIGNED, visit):
        words = "I have compared the doubtful entries with the sheets."
        digest = store.signoffs.digest(visit.pack)
        store.signoffs.sign(visit.pack, statement=words, by=SCIENTIST, now=now + dt.timedelta(days=3), digest=digest)


def _let_be(store: Store, pack: str, rule: str, reason: str, *, now: dt.datetime) -> None:
    (check,) = check_store(store, today=now.date(), plan=known_plan(store.folder), packs=[pack])
    for fault in check.faults:
        if fault.rule == rule:
            store.findings.accept(pack, fault.name, reason=reason, by=SCIENTIST, now=now)


def _audit(store: Store, pack: str, rng: np.random.Generator, now: dt.datetime) -> None:
    """A sample of accepted cells keyed anew; the typed sheets were read without fault, so nothing differs."""
    lots = {name: cells for name, cells in store.audits.strata(pack=pack).items() if name != "person"}
    sizes = dict(zip(lots, sizes_for_bound(list(lots.values()), AUDIT_RATE), strict=True))
    audit = store.audits.draw_strata(sizes, by=SCIENTIST, now=now, rng=rng, pack=pack)
    for cell in store.audits.cells(audit.id):
        kept = store.current(cell.page_id)[cell.cell]
        store.audits.answer(cell.id, value=kept.value, state=kept.state, by=SCIENTIST, now=now)


def _hand_over(store: Store, every: Sequence[Visit], now: dt.datetime, say: Callable[[str], None]) -> Path:
    """The signed surveys of the year before, to the reserve's office."""
    own = [v.pack for v in every if v.day.year == now.year]
    packs = tuple(p for p in own if (signed := store.signoffs.of(p)) and signed[-1].current)
    say(f"   {now.date()}  hand-over of {len(packs)} signed surveys")
    wishes = Wishes(OFFICE, SENDER, reason="Invented, like everything in this programme.", packs=packs, evidence="none")
    return make_handover(store, store.folder / KEPT, prepare_handover(store, wishes, now=now), now=now)[0]


def _found_later(store: Store, every: Sequence[Visit], now: dt.datetime) -> None:
    """One point was misread, and put right after the package had left: a correction is due."""
    visit = next(v for v in every if of_visit({MISREAD: True}, v))
    page = next(p for p in store.pages(visit.pack) if p.sheet == "substrate" and p.transect == 1)
    name = next(k for k, c in store.current(page.id).items() if c.kind == "code" and c.value == "BK")
    store.decide(
        page.id, name, value="MW", state="entered", by=CLERK, now=now, why="dead and bare; the diver confirmed it"
    )
