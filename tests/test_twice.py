"""One page photographed twice: the same sheet or another, the better photograph, the differences cell by cell."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
import pytest
from kept import FLAGGED, NOW, made_result, made_sheet, photo_of
from kept import keep as keep_made

from digitise.batch.batch import known_protocols, read_before, record
from digitise.completeness.check import check_survey
from digitise.store import Store, chain, entries
from digitise.store.verify import verify
from digitise.store.write import NewPage
from digitise.surveys.survey import load_survey
from digitise.surveys.twice import compare, difference_words, photo_name, rivals, words


def _cell_ids(sheet: str = "fish") -> list[str]:
    _, cells = made_sheet(sheet, {})
    return [i for i, c in cells.items() if c.kind in ("tally", "number", "code") and "none-seen" not in i]


def _photographs(first: dict, second: dict, *, sheet: str = "fish", doubtful: dict | None = None, **second_page):
    """Two photographs of one page; `doubtful` holds reasons for cells of the second."""
    kept, kept_cells = made_sheet(sheet, first)
    other, other_cells = made_sheet(sheet, second)
    second_page = {"photo": "second.jpg", "sha256": "0" * 64} | second_page
    other = replace(other, id=kept.id + 1000, superseded_by=kept.id, **second_page)
    for cell, reasons in (doubtful or {}).items():
        other_cells[cell] = other_cells[cell]._replace(reasons=reasons)
    return replace(kept, photo="first.jpg"), kept_cells, other, other_cells


def _values(count: int, *, seed: int = 1, sheet: str = "fish") -> dict:
    """Numbers from 1 to 30 in so many cells."""
    rng = np.random.default_rng(seed)
    return {i: int(rng.integers(1, 31)) for i in _cell_ids(sheet)[:count]}


# --- the same sheet, or another --------------------------------------------------------------------------


def test_a_sheet_photographed_twice_is_the_same_sheet() -> None:
    twice = compare(*_photographs(_values(20), _values(20)))

    assert (twice.verdict, twice.compared, twice.differences, words(twice)) == ("same", 20, (), "")


def test_one_misread_cell_makes_no_other_sheet() -> None:
    """One of twenty differs: it is named with what each photograph shows."""
    first = _values(20)
    cell = _cell_ids()[3]
    twice = compare(*_photographs(first, first | {cell: 31}))

    assert twice.verdict == "same"
    assert [(d.cell, d.kept, d.other) for d in twice.differences] == [(cell, first[cell], 31)]
    assert words(twice).startswith(
        "first.jpg and second.jpg show the same sheet, but are read differently in one cell: "
    )
    assert f"(first.jpg: {first[cell]}, second.jpg: 31)" in words(twice)


def test_two_sheets_under_one_name_are_told_apart() -> None:
    """Filled in apart, they differ nearly everywhere; nothing is merged, and a person is asked."""
    twice = compare(*_photographs(_values(20), _values(20, seed=2)))

    assert twice.verdict == "another"
    assert "look like two different sheets. Only first.jpg is used and nothing is merged" in words(twice)


def test_two_photographs_that_a_phone_named_alike_are_told_apart_by_their_sha_256() -> None:
    """Where the names differ, they say enough."""
    kept, kept_cells, other, other_cells = _photographs(_values(20), _values(20, seed=2), photo="first.jpg")
    said = words(compare(kept, kept_cells, other, other_cells))

    assert said.startswith(f"first.jpg (SHA-256 {kept.sha256[:8]}) and first.jpg (SHA-256 00000000) bear the same")
    assert photo_name(replace(other, photo="second.jpg"), [kept]) == "second.jpg"


def test_a_blank_sheet_beside_a_filled_one_is_another() -> None:
    """Twelve cells written on one, none on the other."""
    assert compare(*_photographs(_values(12), {})).verdict == "another"


def test_a_sheet_that_was_written_further_is_not_clear() -> None:
    """Photographed when eight cells were written, and again with two more: a person looks."""
    twice = compare(*_photographs(_values(8), _values(10)))

    assert twice.verdict == "unclear"
    assert "it is not clear whether they show one sheet (2 of 10 written cells differ)" in words(twice)


@pytest.mark.parametrize(
    ("written", "differing", "verdict"),
    [
        (0, 0, "same"),  # nothing written on either: either will do
        (2, 0, "same"),
        (2, 1, "unclear"),
        (3, 3, "unclear"),
        (4, 4, "another"),
        (5, 1, "same"),
        (20, 2, "same"),
        (20, 3, "unclear"),
        (20, 5, "unclear"),
        (20, 6, "another"),
    ],
)
def test_verdicts_by_how_many_written_cells_differ(written: int, differing: int, verdict: str) -> None:
    """Up to one in ten (or a single one of five or more) is misreading, from three in ten it is another sheet."""
    first = _values(written)
    changed = dict.fromkeys(_cell_ids()[:differing], 31)

    assert compare(*_photographs(first, first | changed)).verdict == verdict


def test_cells_in_doubt_say_nothing() -> None:
    """What a photograph does not show clearly goes to a person anyway."""
    first, cells = _values(20), _cell_ids()
    twice = compare(
        *_photographs(first, first | dict.fromkeys(cells[:9], 31), doubtful=dict.fromkeys(cells[:9], ("unsure",)))
    )

    assert (twice.verdict, twice.compared, twice.differences) == ("same", 11, ())


def test_an_empty_tick_box_is_nothing_written() -> None:
    """Empty on both: not counted; marked on one: a difference in words."""
    first = _values(20)
    assert compare(*_photographs(first, first)).compared == 20
    twice = compare(*_photographs(first, first | {"fish/none-seen": True}))

    assert twice.compared == 21
    assert "(first.jpg: nothing, second.jpg: a mark)" in difference_words(twice)


def test_what_a_person_has_decided_is_not_asked_again() -> None:
    """The difference is known, and no longer open."""
    first, cell = _values(20), _cell_ids()[0]
    kept, kept_cells, other, other_cells = _photographs(first, first | {cell: 31})
    kept_cells[cell] = kept_cells[cell]._replace(by="Anna")
    twice = compare(kept, kept_cells, other, other_cells)

    assert [d.decided for d in twice.differences] == [True]
    assert words(twice) == ""


def test_many_differences_are_not_all_named() -> None:
    first, cells = _values(100), _cell_ids()
    count = len(first) // 10
    twice = compare(*_photographs(first, first | dict.fromkeys(cells[:count], 31)))

    assert difference_words(twice).count("first.jpg") == min(5, count)


# --- the better photograph -------------------------------------------------------------------------------


def test_the_photograph_with_fewer_hidden_cells_is_better() -> None:
    cells = _cell_ids()
    hidden = dict.fromkeys(cells[:2], ("hard-to-see",))
    twice = compare(*_photographs(_values(20), _values(20), doubtful=hidden))

    assert (twice.better, twice.why_better) == (twice.kept.id, "0 cells hidden against 2")


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"residual_mm": 0.1}, "flattened within 0.10 mm against 0.20"),
        ({"px_per_mm": 12.0}, "12.0 pixels a millimetre against 10.0"),
        ({}, "they show it equally well"),
    ],
)
def test_flatness_and_resolution_decide_among_equals(change: dict, why: str) -> None:
    twice = compare(*_photographs(_values(5), _values(5), **change))

    assert (twice.better, twice.why_better) == (twice.other.id if change else twice.kept.id, why)


def test_a_better_photograph_that_does_not_count_is_proposed() -> None:
    first, cell = _values(20), _cell_ids()[0]
    twice = compare(*_photographs(first, first | {cell: 31}, residual_mm=0.1))

    assert "second.jpg shows the sheet better (flattened within 0.10 mm against 0.20)" in words(twice)


# --- in a store ------------------------------------------------------------------------------------------


def test_a_survey_names_differences_between_two_photographs(tmp_path) -> None:
    """Only the page that counts is in the survey; what the other shows is a finding."""
    first = _values(20)
    cell = next(i for i in _cell_ids() if i.endswith("/total"))
    with Store.open(tmp_path / "store") as store:
        keep_made(store, made_result("fish", first, name="a.jpg"))
        keep_made(store, made_result("fish", first | {cell: 31}, name="b.jpg", confidence=0.9))
        survey = load_survey(store, "QH7M4K")

    assert [p.photo for p in survey.pages] == ["a.jpg"]
    found = [f for f in survey.findings if "show the same sheet" in f.text]
    assert [f.where for f in found] == ["T1, Fish belt"]
    assert f"(a.jpg: {first.get(cell, 'nothing')}, b.jpg: 31)" in found[0].text


def test_two_sheets_with_one_name_are_a_finding_and_never_merged(tmp_path) -> None:
    with Store.open(tmp_path / "store") as store:
        keep_made(store, made_result("fish", _values(20), name="a.jpg"))
        keep_made(store, made_result("fish", _values(20, seed=2), name="b.jpg", confidence=0.9))
        survey = load_survey(store, "QH7M4K")
        (checked,) = [one for one in check_survey(survey, today=NOW.date(), pages=store.pages()) if one.rule == "twice"]

    assert len(survey.pages) == 1
    assert any("two different sheets" in f.text for f in survey.findings)
    assert checked.text.startswith("photographed 2 times; a.jpg counts. a.jpg and b.jpg bear the same printed name")


def test_a_photograph_read_again_by_another_reader_is_no_second_photograph(tmp_path) -> None:
    with Store.open(tmp_path / "store") as store:
        keep_made(store, made_result("fish", _values(20), name="a.jpg"))
        keep_made(store, made_result("fish", _values(20, seed=2), name="a.jpg"), reader_version="another", now=NOW)

        assert len(store.pages()) == 2
        assert rivals(store.pages()) == []


def test_cells_for_a_person_are_no_difference(tmp_path) -> None:
    """The other photograph is unsure of a cell: nothing to say about it."""
    with Store.open(tmp_path / "store") as store:
        keep_made(store, made_result("fish", _values(20), name="a.jpg"))
        unsure = _values(20) | {_cell_ids()[0]: FLAGGED}
        keep_made(store, made_result("fish", unsure, name="b.jpg", confidence=0.9))

        assert [f for f in load_survey(store, "QH7M4K").findings if "a.jpg" in f.text] == []


def _record(store, values: dict, name: str, **extra) -> None:
    result = made_result("fish", values, name=name, **extra)
    store.keep_photo(photo_of(name), name, now=NOW)
    assert record(store, result, known_protocols(), now=NOW) == ()


def _total() -> str:
    return next(i for i in _cell_ids() if i.endswith("/total"))


def test_a_difference_puts_the_cell_back_before_a_person(store) -> None:
    """Both photographs were sure of it; the page that counts has it open again, says why, and nothing else is open."""
    first, cell = _values(20), _total()
    _record(store, first, "a.jpg")
    assert store.queue() == []
    _record(store, first | {cell: 31}, "b.jpg", confidence=0.9)

    assert [(q.cell, store.page(q.page_id).photo) for q in store.queue()] == [(cell, "a.jpg")]
    page = next(p for p in store.pages() if p.photo == "a.jpg")
    accepted, opened = store.entries(page.id)[cell]
    assert (accepted.state, opened.state, opened.by, opened.undoes) == ("entered", "withdrawn", "rule", accepted.id)
    assert opened.why == "b.jpg shows something else"
    assert page.open == 1


def test_a_difference_in_the_photograph_that_counts_from_now_on_is_opened_in_it(store) -> None:
    """The second is read more surely and counts; recorded again, nothing more happens."""
    first, cell = _values(20), _total()
    _record(store, first, "a.jpg", confidence=0.9)
    for _ in range(2):
        _record(store, first | {cell: 31}, "b.jpg")

    assert [(q.cell, store.page(q.page_id).photo) for q in store.queue()] == [(cell, "b.jpg")]
    page = next(p for p in store.pages() if p.photo == "b.jpg")
    assert [e.state for e in store.entries(page.id)[cell]] == ["entered", "withdrawn"]


def test_what_a_person_has_decided_is_not_opened_by_another_photograph(store) -> None:
    first, cell = _values(20), _total()
    _record(store, first, "a.jpg")
    page = store.pages()[0].id
    store.decide(page, cell, value=first.get(cell, 4), state="entered", by="Anna", now=NOW)
    _record(store, first | {cell: 31}, "b.jpg", confidence=0.9)

    assert store.queue() == []
    with store.database.write() as connection:
        spec = next(c for c in store.cells(page) if c.id == cell)
        assert entries.doubt(connection, page, spec, why="no", at=chain.stamp(NOW)) is None


def test_two_sheets_under_one_name_open_nothing(store) -> None:
    """Which of them belongs here is a person's question; their cells are sure."""
    _record(store, _values(20), "a.jpg")
    _record(store, _values(20, seed=2), "b.jpg", confidence=0.9)

    assert store.queue() == []


# --- real photographs ------------------------------------------------------------------------------------


def test_two_cameras_on_one_sheet_are_told_from_two_sheets(reef, photographed, layouts, tmp_path) -> None:
    """The same filled sheet from two places is the same; another filling of it under the same name is another."""
    from digitise.pages.photo import decode_photo
    from digitise.reader.read import read_decoded
    from digitise.simulate.camera import Camera

    taken = {
        "a.jpg": photographed("substrate", seed=11, camera=Camera(tilt_deg=4)),
        "b.jpg": photographed("substrate", seed=11, camera=Camera(tilt_deg=14, rotation_deg=90)),
        "c.jpg": photographed("substrate", seed=12, camera=Camera(tilt_deg=4)),
    }
    with Store.open(tmp_path / "store") as store:
        for name, one in taken.items():
            store.keep_photo(one.jpeg, name, now=NOW)
            store.record(read_decoded(decode_photo(one.jpeg, name), layouts), reef, now=NOW)
        pages = {p.photo: p for p in store.pages()}
        cells = {name: store.current(p.id) for name, p in pages.items()}
    found = {o: compare(pages["a.jpg"], cells["a.jpg"], pages[o], cells[o]).verdict for o in ("b.jpg", "c.jpg")}

    assert [a.value for a in taken["a.jpg"].answers] == [a.value for a in taken["b.jpg"].answers]
    assert found == {"b.jpg": "same", "c.jpg": "another"}


@contextmanager
def _broken_off(owner: object, name: str, *, call: int) -> Iterator[None]:
    """The program ends at a call of this function."""
    whole, calls = getattr(owner, name), []

    def broken(*args, **kwargs):
        calls.append(args)
        if len(calls) == call:
            raise KeyboardInterrupt
        return whole(*args, **kwargs)

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(owner, name, broken)
        with pytest.raises(KeyboardInterrupt):
            yield


def test_a_program_that_ends_between_a_page_and_its_differences_has_kept_neither(store) -> None:
    """Read again, both are there: the page and the cell that is open again."""
    first, cell = _values(20), _total()
    _record(store, first, "a.jpg")
    with _broken_off(entries, "doubt", call=1):
        _record(store, first | {cell: 31}, "b.jpg", confidence=0.9)

    assert [p.photo for p in store.pages()] == ["a.jpg"]
    assert [p.status for p in store.photos()] == ["read", "waiting"]
    _record(store, first | {cell: 31}, "b.jpg", confidence=0.9)
    assert [(q.cell, store.page(q.page_id).photo) for q in store.queue()] == [(cell, "a.jpg")]


def test_a_program_that_ends_between_two_sheets_of_a_photograph_has_kept_neither(store) -> None:
    """With one of them the photograph would count as read, and nobody would miss the other."""
    both = replace(made_result("fish", {}, name="two.jpg"), others=(made_result("substrate", {}, name="two.jpg"),))
    store.keep_photo(photo_of("two.jpg"), "two.jpg", now=NOW)
    with _broken_off(NewPage, "add", call=2):
        record(store, both, known_protocols(), now=NOW)

    assert read_before(store) == frozenset()
    assert [p.status for p in store.photos()] == ["waiting"]
    record(store, both, known_protocols(), now=NOW)
    assert sorted(p.sheet for p in store.pages()) == ["fish", "substrate"]
    assert [p for p in verify(store).problems if "originals" not in p] == []
