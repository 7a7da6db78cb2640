"""A sheet written all over in pencil so pale that it hardly stands out from the paper."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.pages.page import Page
from digitise.reader.characters import ink_threshold
from digitise.reader.ink import PALEST, extract_ink
from digitise.reader.read import read_page
from digitise.reader.stray import rubbed_out

CODES = ("BK", "CF", "FA", "KL")


@pytest.fixture(scope="module")
def pale(written, printed):
    """``pale(sheet, values, share)``: a page that is written on, its pencil taken down to this share of itself."""

    def make(sheet: str, values: dict, share: float) -> Page:
        page, bare = written(sheet, values), printed(sheet).astype(np.float32)
        darker = np.maximum(bare - page.image, 0)
        return replace(page, image=np.round(bare - share * darker).astype(np.uint8))

    return make


def _codes(layout) -> dict[str, str]:
    return {c.id: CODES[i % len(CODES)] for i, c in enumerate(c for c in layout.cells if c.kind == "code")}


def test_pale_pencil_was_not_rubbed_out_all_over_the_page(pale, layout) -> None:
    """Each entry is as dark as the others, though all are paler than any pencil the networks know."""
    codes = _codes(layout("substrate"))
    page = pale("substrate", codes, 0.14)
    ink = extract_ink(page.image, page.layout)

    assert 0.07 < ink.core < PALEST == ink.pencil
    assert not any(rubbed_out(ink, page.layout.by_id[i].box_mm, ink_threshold(ink)) for i in codes)


def test_an_entry_far_fainter_than_the_other_pale_ones_was_rubbed_out(pale, layout) -> None:
    codes = _codes(layout("substrate"))
    page = pale("substrate", codes, 0.16)
    ink = extract_ink(page.image, page.layout)
    one, *others = (page.layout.by_id[i].box_mm for i in codes)
    ink.crop(one)[:] *= 0.65

    assert rubbed_out(ink, one, ink_threshold(ink))
    assert not any(rubbed_out(ink, box, ink_threshold(ink)) for box in others)


def test_entries_too_pale_to_be_read_are_not_taken_for_nothing(pale, layout) -> None:
    """Most strokes and totals are seen as marks, none is read; blank rows may hold what is paler still."""
    rows = [c.id for c in layout("fish").cells if c.kind == "tally"][:16]
    values = dict.fromkeys(rows, 4) | {i.replace("/tally", "/total"): 4 for i in rows}
    readings = read_page(pale("fish", values, 0.05))

    assert not [r.cell for r in readings if r.kind in ("tally", "number") and not r.flagged]


def test_blank_rows_beside_a_few_pale_marks_are_blank(pale, layout) -> None:
    """Three faint totals do not put the whole page in doubt."""
    rows = [c.id for c in layout("fish").cells if c.kind == "tally"]
    totals = [i.replace("/tally", "/total") for i in rows]
    readings = {r.cell: r for r in read_page(pale("fish", dict.fromkeys(totals[:3], 4), 0.05))}

    assert all(readings[i].flagged for i in totals[:3])
    assert not any(readings[i].flagged for i in (*rows, *totals[3:]))


def test_nothing_is_blank_where_only_marks_too_pale_to_be_read_and_a_few_drops_are_seen(pale, layout) -> None:
    """The drops are darker than any pencil on the page: by them, its pencil is not pale."""
    sheet = layout("substrate")
    codes = _codes(sheet)
    page = pale("substrate", dict(list(codes.items())[:20]), 0.05)
    for name in list(codes)[-3:]:
        x, y, w, h = sheet.by_id[name].box_mm
        middle = round((x + w / 4) * FLAT_PX_PER_MM), round((y + h / 2) * FLAT_PX_PER_MM)
        cv2.circle(page.image, middle, 12, 170, 6)
    assert extract_ink(page.image, sheet).core > PALEST
    readings = read_page(page)

    assert [r.cell for r in readings if r.kind == "code" and not r.flagged] == []


def test_blank_rows_stay_blank_beside_faint_marks_where_other_rows_are_read(pale, written, layout) -> None:
    """Six entries stand plainly, five others are as faint as what an eraser leaves; the rest is empty."""
    rows = [c.id for c in layout("fish").cells if c.kind == "tally"]
    faint = [i.replace("/tally", "/total") for i in rows[12:17]]
    dark, ghosts = written("fish", dict.fromkeys(rows[:6], 4)), pale("fish", dict.fromkeys(faint, 4), 0.12)
    page = replace(dark, image=np.minimum(dark.image, ghosts.image))
    readings = {r.cell: r for r in read_page(page)}

    assert all(readings[i].flagged for i in faint)
    assert not any(readings[i].flagged for i in rows[17:])
