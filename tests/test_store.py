"""What is kept stays kept: photographs by content, readings for ever, entries only added."""

import hashlib
import json
import sqlite3
import threading
from contextlib import closing
from datetime import datetime, timedelta

import cv2
import numpy as np
import psycopg
import pytest
from kept import FLAGGED, NOW, PACK, keep, layout, made_result, photo_of, protocol
from stores import RAY, TOTAL, Kept, enter, fish

from digitise.reader.read import READER_VERSION
from digitise.reader.reading import PhotoResult, sentence
from digitise.store import ChangedMeanwhile, Store, StoreError
from digitise.store.findings import Findings

# Opening


def test_a_folder_that_is_a_file_is_refused_with_what_to_do(tmp_path):
    """The sentence names the folder and says to choose another."""
    (tmp_path / "taken").write_text("not a folder")

    with pytest.raises(StoreError, match=r"taken: cannot be used as a store .* choose a folder"):
        Store.open(tmp_path / "taken")


def test_another_programs_database_is_left_alone(tmp_path):
    """A digitise.db with tables of someone else's is refused, and not one table is added."""
    with closing(sqlite3.connect(tmp_path / "digitise.db")) as connection:
        connection.execute("CREATE TABLE ships (name TEXT)")
        connection.commit()

    with pytest.raises(StoreError, match="another program's database"):
        Store.open(tmp_path)

    with closing(sqlite3.connect(tmp_path / "digitise.db")) as connection:
        assert connection.execute("SELECT name FROM sqlite_master").fetchall() == [("ships",)]


def test_a_file_that_is_no_database_is_refused(tmp_path):
    """Damage is a sentence, not a traceback."""
    (tmp_path / "digitise.db").write_bytes(b"scribble" * 200)

    with pytest.raises(StoreError, match=r"digitise.db: cannot be used .*not a database"):
        Store.open(tmp_path)


def test_a_newer_store_is_not_opened_by_an_older_tool(tmp_path):
    """The sentence says to update."""
    Store.open(tmp_path).close()
    with closing(sqlite3.connect(tmp_path / "digitise.db")) as connection:
        connection.execute("PRAGMA user_version=99")

    with pytest.raises(StoreError, match=r"store version 99.*update digitise"):
        Store.open(tmp_path)


def test_a_folders_name_may_hold_any_character(tmp_path):
    """Percent signs, question marks and hashes mean nothing to the store."""
    with Store.open(tmp_path / "reef 100% #1?") as store:
        fish(store)

    assert (tmp_path / "reef 100% #1?" / "digitise.db").is_file()


def test_everything_is_there_after_reopening(where):
    """Photographs, pages, entries and progress are the same in a store opened again."""
    with where.open() as first:
        page = fish(first)
        enter(first, page)
        before = (first.photos(), first.pages(), first.readings(page), first.entries(page), first.progress())

    with where.open() as again:
        assert (again.photos(), again.pages(), again.readings(page), again.entries(page), again.progress()) == before


# Photographs


def test_a_photograph_lies_under_its_own_hash_and_cannot_be_written(store):
    """originals/ab/abcd….jpg, read-only, the same bytes."""
    digest = store.keep_photo(b"pixels", "IMG_0412.JPG", now=NOW)
    path = store.folder / "originals" / digest[:2] / f"{digest}.jpg"

    assert digest == hashlib.sha256(b"pixels").hexdigest()
    assert path.read_bytes() == store.original(digest) == b"pixels"
    assert path.stat().st_mode & 0o222 == 0


def test_the_same_photograph_twice_changes_nothing(store, where):
    """Kept and recorded again, under another name and later: no row and no file more, the first name and time stay."""
    page = fish(store)
    tables = {t: where.rows(t) for t in ("photos", "pages", "readings", "entries")}
    files = sorted(p.name for p in store.folder.rglob("*.jpg"))
    result = made_result("fish", {RAY: 6, "fish/none-seen": True, TOTAL: FLAGGED}, name="fish.jpg")

    store.keep_photo(photo_of("fish.jpg"), "copy.jpg", now=NOW + timedelta(days=1))
    again = store.record(result, protocol(), now=NOW + timedelta(days=1))

    assert again == page
    assert {t: where.rows(t) for t in tables} == tables
    assert sorted(p.name for p in store.folder.rglob("*.jpg")) == files


def test_a_changed_original_is_refused_and_keeping_it_again_mends_it(store):
    """The bytes are checked against the hash at every reading."""
    digest = store.keep_photo(b"pixels", "IMG.jpg", now=NOW)
    path = store.folder / "originals" / digest[:2] / f"{digest}.jpg"
    path.chmod(0o644)
    path.write_bytes(b"pixelz")

    with pytest.raises(ValueError, match=r"IMG.jpg: the kept photograph has been changed"):
        store.original(digest)
    store.keep_photo(b"pixels", "IMG.jpg", now=NOW)

    assert store.original(digest) == b"pixels"


def test_a_missing_original_is_a_sentence(store):
    """It says which file to bring back."""
    digest = store.keep_photo(b"pixels", "IMG.jpg", now=NOW)
    (store.folder / "originals" / digest[:2] / f"{digest}.jpg").unlink()

    with pytest.raises(ValueError, match=f"bring {digest}.jpg back"):
        store.original(digest)


@pytest.mark.parametrize("name", ["../../etc/passwd.jpg", "C:\\photos\\passwd.jpg", "pass\x00wd\n.jpg"])
def test_a_photographs_name_holds_no_folder_and_no_control_character(store, name):
    """Names come from strangers' phones."""
    store.keep_photo(b"pixels", name, now=NOW)

    assert store.photos()[0].name == "passwd.jpg"
    assert [p.parent.parent.name for p in store.folder.rglob("*.jpg")] == ["originals"]


def test_a_refused_photograph_is_listed_with_its_sentences(store, where):
    """Once, however often it is read; and it counts as refused."""
    words = sentence("blurred", "printed edges are 1.2 mm wide")
    digest = store.keep_photo(b"blur", "IMG_7.jpg", now=NOW)
    for _ in range(2):
        assert store.record(PhotoResult("IMG_7.jpg", digest, "retake", (words,)), None, now=NOW) is None

    (row,) = store.photos()
    assert (row.status, row.reasons, row.page_ids) == ("retake", (words,), ())
    assert (store.progress().photos, store.progress().refused) == (1, 1)
    assert len(where.rows("verdicts")) == 1


def test_a_photograph_refused_and_later_read_counts_as_read(store):
    """Refused while its protocol was not known; the page counts from then on."""
    digest = store.keep_photo(photo_of("fish.jpg"), "fish.jpg", now=NOW)
    store.record(PhotoResult("fish.jpg", digest, "unreadable", (sentence("no-sheet"),)), None, now=NOW)
    page = fish(store)

    assert (store.photos()[0].status, store.photos()[0].page_ids) == ("read", (page,))
    assert store.progress().refused == 0


def test_a_kept_photograph_nobody_has_read_is_waiting(store):
    """It is neither read nor refused."""
    store.keep_photo(b"pixels", "IMG.jpg", now=NOW)

    assert store.photos()[0].status == "waiting"
    assert store.progress().refused == 0


def test_a_file_that_could_not_be_opened_leaves_no_trace(store):
    """Without bytes there is no hash and nothing to keep."""
    assert store.record(PhotoResult("gone.jpg", "", "unreadable", ("no such file",)), None, now=NOW) is None
    assert store.photos() == []


def test_results_of_a_photograph_that_was_not_kept_are_refused(store):
    """No reading without its picture."""
    with pytest.raises(StoreError, match="keep the photograph before"):
        store.record(made_result("fish", {}, name="lost.jpg"), protocol(), now=NOW)
    assert store.pages() == []


def test_a_page_of_another_protocol_is_refused(store):
    """The protocol passed must be the one the sheet was printed from."""
    other = protocol().model_copy(update={"version": "2"})
    store.keep_photo(photo_of("a.jpg"), "a.jpg", now=NOW)

    with pytest.raises(StoreError, match="not a page of the protocol given"):
        store.record(made_result("fish", {}, name="a.jpg"), other, now=NOW)


# Readings and entries


def test_unflagged_readings_become_entries_by_rule(store):
    """53 cells on a fish sheet, one flagged: 52 entries with the confidence in words, from their own readings."""
    page = fish(store)
    entries = store.entries(page)
    read = {r.cell: r for r in store.readings(page)}

    assert len(read) == 53
    assert len(entries) == 52
    assert TOTAL not in entries
    (six,) = entries[RAY]
    assert (six.value, six.state, six.by, six.why) == (6, "entered", "rule", "accepted by rule: confidence 0.9993")
    assert six.reading_id == read[RAY].id
    assert entries["fish/goby/0-10/tally"][0].state == "blank"
    assert entries["fish/none-seen"][0].value is True


def test_confidence_in_words_is_never_rounded_up_to_certainty(store):
    """0.99996 is written 0.9999."""
    page = fish(store, confidence=0.99996)

    assert store.entries(page)[RAY][0].why == "accepted by rule: confidence 0.9999"


def test_values_keep_their_types(store):
    """7, 7.0, "7", True and None come back as they went in."""
    values = {"site/team": 4, "site/depth": 7.0, "site/date": "2026-03-28", "site/sun": True}
    page = keep(store, made_result("site", values, name="site.jpg", transect=0))
    read = {r.cell: r.value for r in store.readings(page)}

    assert [read[c] for c in values] == [4, 7.0, "2026-03-28", True]
    assert [type(read[c]) for c in values] == [int, float, str, bool]
    assert read["site/site"] is None
    assert read["site/rain"] is False


def test_a_cells_corners_in_the_photograph_are_kept(store):
    """The made-up photographs show 10 pixels a millimetre, so a corner in pixels is ten times that in mm."""
    reading = store.readings(fish(store))[4]
    x, y, w, h = reading.box_mm

    assert np.allclose(reading.photo_px, 10 * np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)]), atol=0.06)
    assert reading.box == pytest.approx((x / 210, y / 297, w / 210, h / 297))


def test_a_decision_says_who_when_why_and_from_which_reading(store):
    """And it is the cell's current entry."""
    page = fish(store)
    entry = enter(store, page, value="6", why="looked twice")

    assert (entry.value, entry.state, entry.by, entry.at, entry.why) == (
        6,
        "entered",
        "Anna",
        "2026-03-28T09:30:00Z",
        "looked twice",
    )
    assert entry.reading_id == next(r.id for r in store.readings(page) if r.cell == TOTAL)
    assert store.entries(page)[TOTAL][-1] == entry
    assert store.queue() == []


@pytest.mark.parametrize(
    ("sheet", "cell", "value", "stored"),
    [
        ("substrate", "substrate/10.5", "bk", "BK"),
        ("substrate", "substrate/start", "930", "09:30"),
        ("site", "site/date", "20260328", "2026-03-28"),
        ("site", "site/latitude", "7.51342", 7.51342),
        ("site", "site/depth", "6,5", 6.5),
        ("site", "site/sun", "yes", True),
        ("site", "site/site", "  Lantern   Reef ", "Lantern Reef"),
        ("fish", RAY, 75, 75),
        ("fish", TOTAL, 120, 120),
        ("invertebrate", "invertebrate/bleached-percent/0-10/percent", 100, 100),
    ],
)
def test_values_are_understood_as_typed(store, sheet, cell, value, stored):
    """Small letters, times without a colon, a decimal comma; counts may overrun their boxes."""
    page = keep(store, made_result(sheet, {}, name="a.jpg"))

    assert enter(store, page, cell, value).value == stored


@pytest.mark.parametrize(
    ("by", "sentence"),
    [
        ("", "no name is given; write who does this"),
        ("  ", "no name is given; write who does this"),
        ("rule", "'rule' stands for the program itself; write a person's name"),
        ("Rule", "'Rule' stands for the program itself; write a person's name"),
        ("x" * 81, "the name has 81 characters, expected 80 at most; say it more shortly"),
        ("bell\x07", "the name holds a character that cannot be shown; type it again by hand"),
    ],
)
def test_only_a_person_enters(store, by, sentence):
    """The rule's name cannot be borrowed; what is wrong with a name, and what to write instead."""
    page = fish(store)
    with pytest.raises(ValueError, match=f"^{sentence}$"):
        enter(store, page, by=by)


def test_a_pack_that_is_not_given_is_asked_for(store):
    page = keep(store, made_result("fish", {}, name="a.jpg", pack=None))
    with pytest.raises(ValueError, match="no pack is given; it is the 6 letters printed at the top of its sheets"):
        store.assign(page, "", 1, "Anna", NOW)


@pytest.mark.parametrize(
    ("sheet", "cell", "value", "words"),
    [
        ("substrate", "substrate/10.5", "ZZ", "10.5 m: found 'ZZ', expected one of BK, CF"),
        ("substrate", "substrate/start", "2460", "expected a time such as 09:30"),
        ("site", "site/date", "20260230", "expected a date such as 2026-03-28"),
        ("site", "site/depth", "123.4", "expected a number with 2 digits at most before the point and 1 after it"),
        ("site", "site/depth", "1.25", "expected a number with 2 digits at most"),
        ("site", "site/depth", ".", "expected a number with 2 digits at most"),
        ("site", "site/team", "12", "expected a whole number from 0 to 9"),
        ("site", "site/sun", "perhaps", "expected yes or no"),
        ("site", "site/site", "bell\x07", "holds a character that cannot be shown"),
        ("fish", RAY, -1, "expected a whole number from 0"),
        ("fish", RAY, True, "expected a whole number from 0"),
        ("fish", RAY, 2.5, "expected a whole number from 0"),
        ("fish", RAY, "", "nothing was entered; mark the cell blank or illegible"),
        ("invertebrate", "invertebrate/bleached-percent/0-10/percent", 101, "whole number from 0 to 100"),
    ],
)
def test_a_value_the_cell_cannot_hold_is_refused_in_words(store, sheet, cell, value, words):
    """And nothing is added."""
    page = keep(store, made_result(sheet, {}, name="a.jpg"))

    with pytest.raises(ValueError, match=words):
        enter(store, page, cell, value)
    assert len(store.entries(page)[cell]) == 1


def test_blank_and_illegible_hold_no_value(store):
    """A value with them is a slip; a tick box found blank is a no."""
    page = fish(store)

    with pytest.raises(ValueError, match="marked illegible holds no value"):
        enter(store, page, state="illegible")
    assert enter(store, page, value=None, state="illegible").value is None
    assert enter(store, page, "fish/none-seen", None, "blank").value is False


def test_unknown_pages_cells_and_states_are_refused(store):
    """Each with its own sentence."""
    page = fish(store)

    with pytest.raises(StoreError, match="no page 99"):
        enter(store, 99)
    with pytest.raises(StoreError, match="no cell 'fish/whale"):
        enter(store, page, "fish/whale/0-10/tally")
    with pytest.raises(ValueError, match="found state 'maybe'"):
        enter(store, page, state="maybe")


def test_a_clock_without_a_time_zone_is_refused(store):
    """Times are UTC or they are nothing."""
    with pytest.raises(ValueError, match="no time zone"):
        store.keep_photo(b"x", "x.jpg", now=datetime(2026, 3, 28))


def test_a_key_press_sent_twice_enters_once(store):
    """The same (client, seq) gives the first entry back; with another content it is refused."""
    page = fish(store)
    first = enter(store, page, client="desk", seq=7)

    assert enter(store, page, client="desk", seq=7, now=NOW + timedelta(minutes=1)) == first
    assert len(store.entries(page)[TOTAL]) == 1
    with pytest.raises(StoreError, match="already made another entry"):
        enter(store, page, value=5, client="desk", seq=7)
    assert enter(store, page, value=5, client="phone", seq=7).value == 5


def test_words_that_look_like_queries_are_only_words(store, where):
    """As a name, a reason, a browser, a pack, a sheet, a statement or a passphrase: kept as they are, or refused."""
    words = "x'); DROP TABLE entries; --"
    page = fish(store)
    entry = enter(store, page, by=words, why=words, client=words, seq=1)
    assert (entry.by, entry.why, entry.client) == (words, words, words)
    assert enter(store, page, by=words, why=words, client=words, seq=1) == entry

    for found in (store.queue(pack=words), store.queue(sheet=words), store.queue(reason=words), store.pages(words)):
        assert found == []
    assert store.open_reasons(pack=words, sheet=words) == {}
    with pytest.raises(ValueError, match="expected the pack's"):
        store.assign(page, words, 1, "Anna", NOW)
    with pytest.raises(StoreError, match="there is no cell"):
        enter(store, page, words)
    assert store.findings.accept(words, words, reason=words, by=words, now=NOW).reason == words
    assert store.people.check(words, words) is None
    assert len(where.rows("entries")) == 53


def test_an_entry_over_someone_elses_newer_one_is_refused_when_asked_for(store):
    """`last_seen` is the id of the last entry the person was shown; 0 for none."""
    page = fish(store)
    assert store.queue()[0].last_entry == 0
    anna = enter(store, page, last_seen=0)

    with pytest.raises(ChangedMeanwhile, match="Anna entered this cell meanwhile"):
        enter(store, page, value=8, by="Ben", last_seen=0)
    assert enter(store, page, value=8, by="Ben", last_seen=anna.id).value == 8


# Undo


def test_undo_opens_the_cell_again_and_deletes_nothing(store):
    """Decided, taken back: two entries, the last withdrawn, and the cell is in the queue."""
    page = fish(store)
    entry = enter(store, page)
    store.undo(page, TOTAL, by="Ben", now=NOW)

    first, last = store.entries(page)[TOTAL]
    assert first == entry
    assert (last.state, last.value, last.by, last.undoes) == ("withdrawn", None, "Ben", entry.id)
    assert [i.cell for i in store.queue()] == [TOTAL]
    assert store.queue()[0].last_entry == last.id


def test_undo_returns_to_the_entry_before(store):
    """5, then 6, taken back: 5 again, still Anna's; taken back again: open; then there is nothing to take back."""
    page = fish(store)
    enter(store, page, value=5, by="Anna")
    enter(store, page, value=6, by="Ben")

    back = store.undo(page, TOTAL, by="Ben", now=NOW)
    assert (back.value, back.state, back.by, back.decided_by) == (5, "entered", "Ben", "Anna")
    assert store.undo(page, TOTAL, by="Ben", now=NOW).state == "withdrawn"
    with pytest.raises(ValueError, match="nothing can be undone"):
        store.undo(page, TOTAL, by="Ben", now=NOW)
    assert len(store.entries(page)[TOTAL]) == 4


def test_undo_of_a_correction_returns_to_the_rule(store):
    """The cell counts as accepted by rule again."""
    page = fish(store)
    enter(store, page, RAY, 7)
    assert store.progress().decided == 1
    store.undo(page, RAY, by="Anna", now=NOW)

    now = store.current(page)[RAY]
    assert (now.value, now.by) == (6, "rule")
    assert store.progress().decided == 0


def test_taking_back_the_rules_entry_puts_the_cell_before_a_person(store):
    """The queue says why it is there although the reader was sure."""
    page = fish(store, flagged=())
    assert store.queue() == []
    store.undo(page, RAY, by="Anna", now=NOW)

    (item,) = store.queue()
    assert (item.cell, item.value) == (RAY, 6)
    assert "taken back" in item.reasons[0]


def test_an_undo_sent_twice_undoes_once(store):
    """The same (client, seq) changes nothing the second time."""
    page = fish(store)
    enter(store, page, value=5)
    enter(store, page, value=6)

    once = store.undo(page, TOTAL, by="Anna", now=NOW, client="desk", seq=3)
    assert store.undo(page, TOTAL, by="Anna", now=NOW, client="desk", seq=3) == once
    assert store.current(page)[TOTAL].value == 5


# Append only


@pytest.mark.parametrize("table", ["readings", "entries", "photos", "pages", "protocols", "layouts", "links"])
@pytest.mark.parametrize("change", ["UPDATE {t} SET {c} = {c}", "DELETE FROM {t}"])
def test_no_program_can_change_or_delete_a_row(store, where, table, change):
    """The database itself refuses, whoever opens it."""
    enter(store, fish(store))
    before = where.rows(table)
    assert before
    column = {"photos": "name", "protocols": "name", "layouts": "content"}.get(table, "id")

    with pytest.raises((sqlite3.IntegrityError, psycopg.errors.IntegrityError), match="only added to, never changed"):
        where.sql(change.format(t=table, c=column))
    assert where.rows(table) == before


def test_no_program_can_empty_a_table_at_once(store, where):
    """TRUNCATE, which only PostgreSQL knows, is refused too; SQLite does not understand it."""
    fish(store)

    with pytest.raises((sqlite3.OperationalError, psycopg.errors.IntegrityError)):
        where.sql("TRUNCATE entries CASCADE")
    assert len(where.rows("entries")) == 52


@pytest.mark.parametrize("table", ["readings", "entries"])
def test_no_program_can_replace_a_row(tmp_path, table):
    """SQLite's INSERT OR REPLACE would delete behind the trigger's back."""
    where = Kept(tmp_path)
    with where.open() as store:
        fish(store)
    before = where.rows(table)

    with pytest.raises(sqlite3.IntegrityError, match="never replaced"):
        where.sql(f"INSERT OR REPLACE INTO {table} SELECT * FROM {table} LIMIT 1")  # noqa: S608
    assert where.rows(table) == before


# Two people at once


def test_two_threads_deciding_at_once_lose_nothing(store):
    """2 x 40 decisions on one cell and on cells of their own: all are kept, in one order everybody sees."""
    page = fish(store)
    own = {"Anna": "fish/goby/0-10/tally", "Ben": "fish/goby/10-20/tally"}
    start, failed = threading.Barrier(2), []

    def work(who):
        try:
            start.wait()
            for n in range(20):
                enter(store, page, TOTAL, n, by=who, client=who, seq=2 * n)
                enter(store, page, own[who], n, by=who, client=who, seq=2 * n + 1)
        except Exception as error:
            failed.append(error)

    threads = [threading.Thread(target=work, args=(who,)) for who in own]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert failed == []
    shared = store.entries(page)[TOTAL]
    assert len(shared) == 40
    assert [e.value for e in shared if e.by == "Ben"] == list(range(20))
    assert [len(store.entries(page)[c]) for c in own.values()] == [21, 21]


def test_two_threads_recording_one_photograph_make_one_page(store, where):
    """The second finds the first's page."""
    result, found = made_result("fish", {}, name="a.jpg"), []
    store.keep_photo(photo_of("a.jpg"), "a.jpg", now=NOW)
    start = threading.Barrier(2)

    def work():
        start.wait()
        found.append(store.record(result, protocol(), now=NOW, acceptance_basis=""))

    threads = [threading.Thread(target=work) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert found == [1, 1]
    assert len(where.rows("readings")) == 53


def test_two_stores_open_on_one_folder_see_each_others_entries(store, where):
    """Two desks, one folder."""
    page = fish(store)
    with where.open() as other:
        enter(other, page)

        assert store.entries(page) == other.entries(page)
        assert store.progress().open == 0


# Queue and progress


def test_the_queue_goes_sheet_by_sheet_in_the_order_of_the_page(store):
    """Transect 2 was photographed first; transect 1 still comes first, and in it fish before substrate."""
    keep(store, made_result("fish", {TOTAL: FLAGGED}, name="t2.jpg", transect=2))
    keep(store, made_result("substrate", {"substrate/2": FLAGGED, "substrate/1": FLAGGED}, name="s1.jpg"))
    keep(store, made_result("fish", {TOTAL: FLAGGED}, name="t1.jpg"))

    assert [(i.transect, i.cell) for i in store.queue()] == [
        (1, TOTAL),
        (1, "substrate/1"),
        (1, "substrate/2"),
        (2, TOTAL),
    ]


def test_a_queue_item_says_all_a_person_needs(store):
    """Label, reason and advice in words, candidates, choices, and where the cell lies on the page."""
    keep(store, made_result("substrate", {"substrate/10.5": FLAGGED}, name="s1.jpg"))
    (item,) = store.queue()
    x, y, w, h = layout("substrate").by_id["substrate/10.5"].box_mm

    assert (item.label, item.kind, item.title, item.photo) == ("10.5 m", "code", "Substrate line", "s1.jpg")
    assert item.reasons == ("The reader is not sure enough to accept it. Compare the value with the pencil.",)
    assert (item.candidates, item.confidence) == (((None, 0.41),), 0.41)
    assert item.choices[:2] == ("BK", "CF")
    assert item.box == pytest.approx((x / 210, y / 297, w / 210, h / 297), abs=1e-4)


def test_the_queue_can_be_narrowed(store):
    """By pack, by sheet, by reason."""
    keep(store, made_result("fish", {TOTAL: FLAGGED}, name="a.jpg"))
    keep(store, made_result("fish", {TOTAL: FLAGGED, RAY: FLAGGED}, name="b.jpg", pack="WX3PLE"))

    assert len(store.queue()) == 3
    assert len(store.queue(pack="WX3PLE")) == 2
    assert store.queue(sheet="substrate") == []
    assert len(store.queue(reason="unsure")) == 3
    assert store.queue(reason="glare") == []


def test_progress_adds_up(store):
    """53 cells: 2 open, then one decided; the rest accepted by rule."""
    page = fish(store, flagged=(TOTAL, RAY))
    assert (store.progress().open, store.progress().decided, store.progress().accepted) == (2, 0, 51)
    enter(store, page)
    enter(store, page, "fish/goby/0-10/tally", 3)

    now = store.progress()
    assert (now.open, now.decided, now.accepted, now.cells) == (1, 2, 50, 53)
    assert store.progress(pack=PACK) == now
    assert store.progress(pack="WX3PLE").cells == 0


# Several photographs of one page; pages without a name


def test_of_two_photographs_of_a_page_the_surer_counts(store):
    """Both are kept; the other is superseded and leaves the queue."""
    worse = fish(store, name="worse.jpg", confidence=0.97)
    better = fish(store, name="better.jpg", confidence=0.999)

    assert {p.id: p.superseded_by for p in store.pages()} == {worse: better, better: None}
    assert [i.page_id for i in store.queue()] == [better]
    assert store.progress().cells == 53


def test_a_page_with_a_persons_entries_is_not_superseded_by_a_surer_one(store):
    """Work done is not put aside by a better picture; once taken back, it no longer weighs."""
    worse = fish(store, name="worse.jpg", confidence=0.97)
    enter(store, worse)
    better = fish(store, name="better.jpg", confidence=0.999)
    assert {p.id: p.superseded_by for p in store.pages()} == {worse: None, better: worse}

    store.undo(worse, TOTAL, by="Anna", now=NOW)
    assert {p.id: p.superseded_by for p in store.pages()} == {worse: better, better: None}


def test_the_same_photograph_read_by_a_newer_reader_is_a_new_page_beside_the_old(store):
    """The old readings stay as they were."""
    old = fish(store, confidence=0.97)
    new = fish(store, confidence=0.999, reader_version="newer")

    assert new != old
    assert {p.id: (p.reader_version, p.superseded) for p in store.pages()} == {
        old: (READER_VERSION, True),
        new: ("newer", False),
    }
    assert store.photos()[0].page_ids == (old, new)


def test_a_page_without_a_name_is_listed_and_can_be_given_one(store):
    """Its pack is None until a person assigns it; a newer reading of the same photograph has it too."""
    page = fish(store, pack=None)
    assert (store.page(page).pack, store.packs()) == (None, [])
    assert store.queue()[0].pack is None

    store.assign(page, " qh7m4k ", 2, "Anna", NOW)
    named = store.page(page)
    assert (named.pack, named.transect, named.identity_from) == (PACK, 2, "person")
    again = fish(store, pack=None, reader_version="newer", confidence=0.9999)
    assert (store.page(again).pack, store.page(page).superseded_by) == (PACK, again)


@pytest.mark.parametrize(
    ("pack", "transect", "words"),
    [("QH7M", 1, "the pack's 6 letters"), ("QH7M40", 1, "the pack's 6 letters"), (PACK, 4, "expected 1 to 3")],
)
def test_an_impossible_assignment_is_refused(store, pack, transect, words):
    """Zero is no letter of a pack, and a survey has three transects."""
    page = fish(store, pack=None)

    with pytest.raises(ValueError, match=words):
        store.assign(page, pack, transect, "Anna", NOW)
    assert store.page(page).pack is None


def test_a_page_is_read_by_the_protocol_of_its_day(store):
    """The protocol comes back from the store with the digest it went in with, and so do the cells."""
    page = fish(store)

    assert store.protocol_for(store.page(page)).digest == protocol().digest
    assert store.protocol_for(page) == protocol().model_copy(update={"font": None})
    assert [(c.id, c.kind, c.choices, c.max) for c in store.cells(page)] == [
        (c.id, c.kind, c.choices, c.max) for c in layout("fish").cells
    ]


# Pictures


def test_a_crop_is_the_cell_with_its_surroundings(store):
    """A 53 x 13 mm box and 4 mm all round, at 8 pixels a millimetre: 61 x 21 mm."""
    page = fish(store)
    crop = cv2.imdecode(np.frombuffer(store.crop(page, RAY), np.uint8), cv2.IMREAD_GRAYSCALE)

    assert crop.shape == pytest.approx((21 * 8, 61 * 8), abs=1)
    assert abs(int(np.median(crop)) - 230) <= 2


def test_a_page_picture_is_the_whole_flat_page(store):
    """210 x 297 mm at 8 pixels a millimetre."""
    image = cv2.imdecode(np.frombuffer(store.page_image(fish(store)), np.uint8), cv2.IMREAD_GRAYSCALE)

    assert image.shape == (2376, 1680)


def test_a_missing_page_picture_is_a_sentence(store):
    """Not a traceback; the readings are still there."""
    page = fish(store)
    next((store.folder / "pages").iterdir()).unlink()

    for picture in (lambda: store.page_image(page), lambda: store.crop(page, RAY)):
        with pytest.raises(ValueError, match="the flattened page cannot be opened"):
            picture()
    assert len(store.readings(page)) == 53


def test_candidates_are_stored_as_json_anyone_can_read(store, where):
    """The database is plain enough to outlive the tool."""
    fish(store)
    ((value, candidates),) = where.sql(f"SELECT value, candidates FROM readings WHERE cell = '{RAY}'")  # noqa: S608

    assert (json.loads(value), json.loads(candidates)) == (6, [[6, 0.9993]])


def test_a_finding_that_another_desk_opens_again_at_once_was_accepted(store, monkeypatch):
    """Who accepted it is told so, though it is open by now; the same again is told as the decision in force."""
    added = Findings._add

    def opened_again(findings, *args, **more):
        monkeypatch.undo()
        row = added(findings, *args, **more)
        findings.reopen(PACK, "missing/fish/2", reason="It is there.", by="Ben", now=NOW)
        return row

    monkeypatch.setattr(Findings, "_add", opened_again)
    accept = {"reason": "Nobody was there.", "by": "Anna", "now": NOW}

    assert store.findings.accept(PACK, "missing/fish/2", **accept).by == "Anna"
    assert store.findings.accepted(PACK) == {}
    assert store.findings.accept(PACK, "missing/fish/2", **accept) == store.findings.accept(
        PACK, "missing/fish/2", **accept
    )
