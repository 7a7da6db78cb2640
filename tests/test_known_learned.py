"""What a store teaches, and what becomes of what was learned: kept, found by everything that reads, taken back."""

from __future__ import annotations

import shutil
from dataclasses import replace

import numpy as np
import pytest
from kept import NOW
from stores import decided_sheet

from digitise.adapt.evaluate import same_value
from digitise.adapt.fair_cells import fair_sample
from digitise.adapt.known_acceptance import FILE as THRESHOLDS
from digitise.adapt.known_acceptance import known_acceptance
from digitise.adapt.known_learned import FILE, adopt, go_back, known_reader
from digitise.adapt.own_cells import ReadAgain
from digitise.adapt.taught import NO_LABEL, RULED, SETTLED, page_key, seen_boxes, taught
from digitise.batch.batch import known_protocols, read_before, signature
from digitise.cli import main
from digitise.commands.reading import _own_reader
from digitise.reader.calibration import NEVER, AcceptanceError, networks_digest, shipped_acceptance
from digitise.reader.characters import DIGIT_CLASSES, feature_count
from digitise.reader.learned import SHIPPED, WRITTEN, Learned, LearnedError, OwnReader, characters_digest
from digitise.reader.read import READER_VERSION, read_page, reader_version
from digitise.store import Store
from review_app import intake


def _learned(bias: float = 0.0, **more) -> Learned:
    """A correction that prefers the digit seven by `bias`."""
    corrections = {h: np.zeros((feature_count() + 1, k), np.float32) for h, k in WRITTEN.items()}
    corrections["digit"][-1, 7] = bias
    return Learned(**corrections, network=characters_digest(), about="made up for a test", **more)


@pytest.fixture(scope="module")
def reviewed(photograph, tmp_path_factory):
    """A store with one photographed fish sheet, everything decided as it was written; a second photograph waits."""
    folder = tmp_path_factory.mktemp("whole") / "reef"
    truth = decided_sheet(folder, photograph("fish"))
    with Store.open(folder) as store:
        store.keep_photo(photograph("invertebrate").jpeg, "inverts.jpg", now=NOW)
    return folder, truth


def test_a_store_teaches_what_was_written_in_its_boxes(reviewed, registered) -> None:
    """Cells left to a person are settled by one, the others by the rule; every label is the character in its box."""
    folder, truth = reviewed
    page = registered("fish")
    with Store.open(folder) as store:
        sample = fair_sample(store)
        (row,) = sample.pages
        again = [ReadAgain(row.sha256, {row.layout_digest: seen_boxes(page)})]
        flagged = {r.cell for r in store.readings(row.id) if r.flagged}
        found = taught(sample, store, again, fewest_packs=8)

    assert len(found) > 12
    assert {c.page for c in found} == {c.group for c in found} == {page_key(row)}
    for one in found:
        digits = "".join(DIGIT_CLASSES[label] for label in one.labels if label != NO_LABEL)
        assert one.origin == (SETTLED if one.cell.id in flagged else RULED)
        assert same_value(one.value, truth[one.cell.id].value)
        if one.cell.kind == "number":
            assert digits == str(one.value)


@pytest.mark.parametrize("reason", ["crossed-out", "line-drawn", "beside"])
def test_what_a_line_runs_through_or_stands_beside_its_box_teaches_nothing(
    reviewed, registered, monkeypatch, reason: str
) -> None:
    """What a person enters is then no label of the ink in the boxes."""
    page, readings = registered("fish"), Store.readings
    with Store.open(reviewed[0]) as store:
        sample = fair_sample(store)
        (row,) = sample.pages
        again = [ReadAgain(row.sha256, {row.layout_digest: seen_boxes(page)})]
        first = taught(sample, store, again, fewest_packs=8)[0].cell.id
        marked = lambda *a: [replace(r, reasons=(reason,)) if r.cell == first else r for r in readings(*a)]  # noqa: E731
        monkeypatch.setattr(Store, "readings", marked)
        found = taught(sample, store, again, fewest_packs=8)

    assert first not in [one.cell.id for one in found]
    assert found


def test_one_page_is_too_little_to_learn_from_and_nothing_changes(reviewed, tmp_path, capsys) -> None:
    store = shutil.copytree(reviewed[0], tmp_path / "reef")

    assert main(["learn", "--store", str(store), "--jobs", "1"]) == 1
    said = capsys.readouterr()
    assert "Nothing adopted: too little to compare on: 1 pages" in said.out
    assert "This store keeps the shipped reader." in said.err
    assert not (store / FILE).exists()


def test_a_store_without_pages_and_one_that_is_not_there_are_told(tmp_path, capsys) -> None:
    Store.open(tmp_path / "empty").close()

    assert main(["learn", "--store", str(tmp_path / "empty")]) == 1
    assert "0 pages" in capsys.readouterr().out
    assert main(["learn", "--store", str(tmp_path / "nowhere")]) == 2
    assert main(["learn", "--store", str(tmp_path / "empty"), "--back"]) == 2
    assert "nothing to go back to" in capsys.readouterr().err


def test_the_screens_read_by_what_was_learned_and_note_it_with_the_page(reviewed, tmp_path) -> None:
    """A photograph that waits is read by the store's own reader; its page names what that had learned."""
    folder, learned = shutil.copytree(reviewed[0], tmp_path / "reef"), _learned()
    adopt(folder, learned)
    with Store.open(folder) as store:
        waiting = next(p for p in store.photos() if p.status == "waiting")
        assert intake.read_one(store, waiting.sha256, waiting.name) == ()
        versions = {p.sheet: p.reader_version for p in store.pages()}
        assert versions == {"fish": READER_VERSION, "invertebrate": f"{READER_VERSION}-learned-{learned.digest}"}
        assert waiting.sha256 in read_before(store)
    assert signature(known_protocols(), OwnReader(None, learned)) != signature(known_protocols())


def test_with_nothing_to_correct_every_reading_is_the_shipped_one(registered) -> None:
    """Values, flags and reasons; confidences but for the last digits."""
    shipped, own = (read_page(registered("fish"), reader) for reader in (SHIPPED, OwnReader(None, _learned())))

    assert [(r.cell, r.value, r.reasons) for r in own] == [(r.cell, r.value, r.reasons) for r in shipped]
    assert [r.confidence for r in own] == pytest.approx([r.confidence for r in shipped], abs=1e-9)


def test_a_reader_that_learned_nonsense_accepts_nothing_new(registered) -> None:
    """It takes most digits for sevens: these go to a person, and whatever is accepted is what the shipped one accepts."""
    shipped = {r.cell: r for r in read_page(registered("fish"))}
    own = read_page(registered("fish"), OwnReader(None, _learned(30.0)))
    changed = [r for r in own if r.value != shipped[r.cell].value]

    assert [
        r.cell for r in own if not r.flagged and (shipped[r.cell].flagged or r.value != shipped[r.cell].value)
    ] == []
    assert len(changed) > 5
    assert all(r.flagged for r in changed)


def test_what_is_adopted_is_found_and_what_was_before_is_kept(tmp_path) -> None:
    first = _learned(0.1)
    assert adopt(tmp_path, first) == ""
    second = _learned(0.2, before=first.digest)
    adopt(tmp_path, second)
    assert known_reader(tmp_path).learned.digest == second.digest
    assert reader_version(known_reader(tmp_path)) == f"{READER_VERSION}-learned-{second.digest}"

    earlier, _ = go_back(tmp_path)
    assert earlier.digest == known_reader(tmp_path).learned.digest == first.digest
    assert go_back(tmp_path) == (None, "")
    assert known_reader(tmp_path) == SHIPPED
    with pytest.raises(LearnedError, match="nothing to go back to"):
        go_back(tmp_path)
    assert {p.name for p in (tmp_path / "learned").iterdir()} >= {f"{first.digest}.json", f"{second.digest}.json"}


def test_a_broken_file_is_told_and_the_shipped_reader_reads(tmp_path, capsys) -> None:
    with Store.open(tmp_path / "reef") as store:
        (store.folder / FILE).write_text('{"learned_version": 1}')
        own = _own_reader(None, store)
        said = capsys.readouterr().err
    assert own.learned is None
    assert "holds nothing learned that can be used" in said
    assert "The shipped reader reads in its place" in said

    assert main(["learn", "--store", str(tmp_path / "reef"), "--back"]) == 0
    assert known_reader(tmp_path / "reef") == SHIPPED


def _own(networks: str):
    """Thresholds of a programme for some networks, with one kind that audits have stopped."""
    shipped = shipped_acceptance()
    curves = shipped.curves | {"code": replace(shipped.curves["code"], threshold=NEVER)}
    return replace(shipped, curves=curves, basis="own cells: made up", networks=networks)


def test_thresholds_of_the_shipped_reader_hold_for_what_was_learned(tmp_path) -> None:
    """It accepts only what the shipped reader accepts too."""
    own = _own(networks_digest())
    (tmp_path / THRESHOLDS).write_text(own.to_json())

    assert adopt(tmp_path, _learned(0.1)) == ""
    assert known_reader(tmp_path).acceptance == own


def test_thresholds_set_for_what_was_learned_hold_for_nothing_else(tmp_path) -> None:
    """Going back puts the shipped ones in force, but what audits had stopped stays stopped, and the file is kept."""
    learned = _learned(0.1)
    adopt(tmp_path, learned)
    own = _own(networks_digest(learned.digest))
    (tmp_path / THRESHOLDS).write_text(own.to_json())
    assert known_reader(tmp_path).acceptance == own
    with pytest.raises(AcceptanceError, match="set for other networks"):
        known_acceptance(tmp_path)

    earlier, changed = go_back(tmp_path)
    found = known_reader(tmp_path).acceptance
    assert earlier is None
    assert "stay stopped" in changed
    assert found.curves["code"].threshold == NEVER
    assert found.curves["digits"] == shipped_acceptance().curves["digits"]
    assert any(own.to_json() == p.read_text() for p in (tmp_path / "learned").iterdir())


def test_a_program_that_ends_while_it_goes_back_leaves_what_was_stopped_stopped(tmp_path, monkeypatch) -> None:
    """At every moment one file or the other holds the thresholds: without any the shipped ones would be in force."""
    learned = _learned(0.1)
    adopt(tmp_path, learned)
    own = _own(networks_digest(learned.digest))
    (tmp_path / THRESHOLDS).write_text(own.to_json())
    with monkeypatch.context() as ended:
        ended.setattr("digitise.adapt.known_learned._without_own", lambda _: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            go_back(tmp_path)

    assert known_reader(tmp_path).acceptance == own


def test_thresholds_for_a_broken_lesson_stop_reading_in_words_that_lead_on(tmp_path) -> None:
    """Neither is used in silence: the sentence says how to go back, and going back clears both."""
    learned = _learned(0.1)
    adopt(tmp_path, learned)
    (tmp_path / THRESHOLDS).write_text(_own(networks_digest(learned.digest)).to_json())
    (tmp_path / FILE).write_text("{}")

    with pytest.raises(AcceptanceError, match="digitise learn --store STORE --back"):
        known_reader(tmp_path)
    go_back(tmp_path)
    assert known_reader(tmp_path).acceptance.curves["code"].threshold == NEVER
