"""Originals go by a stated policy, only of surveys somebody vouched for; everything else stays, and the trail tells."""

import datetime as dt
import json

import pytest
from damage import seeds
from kept import FLAGGED, NOW, PACK, keep, made_result, photo_of
from sent import TOTAL, noted, sign, survey

from digitise.cli import main
from digitise.exchange.bag import seal
from digitise.exchange.evidence import take_in
from digitise.exchange.write import write_export
from digitise.reader.reading import PhotoResult
from digitise.store import Store, StoreError
from digitise.store.backup import backup, restore
from digitise.store.retention import Policy, PolicyError, due, load_policy, thin
from digitise.store.verify import verify

LATER = NOW + dt.timedelta(days=3 * 366)
POLICY = Policy(policy="Photographs", keep_years=2)


@pytest.fixture
def kept(tmp_path):
    """One survey, signed."""
    with Store.open(tmp_path / "store") as store:
        survey(store)
        sign(store)
        yield store


def names(found) -> list[str]:
    return sorted(one.photo.name for one in found)


def originals(store) -> list[str]:
    return sorted(p.name for p in (store.folder / "originals").rglob("*") if p.is_file())


def test_photographs_go_when_old_enough_signed_and_handed_over_and_not_before(kept):
    """Three conditions, each of which alone keeps them; what stays says why."""
    _, stay = due(kept, POLICY, now=LATER)
    assert {one.why for one in stay} == {f"pack {PACK} was not handed over as it is"}
    noted(kept)
    assert due(kept, POLICY, now=NOW + dt.timedelta(days=700)) == ([], [])
    go, stay = due(kept, POLICY, now=LATER)
    assert names(go) == ["qh7m4k-fish.jpg", "qh7m4k-line.jpg", "qh7m4k-site.jpg"]
    assert stay == []
    page = next(p for p in kept.pages() if p.sheet == "fish")
    kept.decide(page.id, TOTAL, value=7, state="entered", by="Anna", now=NOW)
    go, stay = due(kept, POLICY, now=LATER)
    assert go == []
    assert {one.why for one in stay} == {f"pack {PACK} is not signed as it is"}


def test_a_survey_with_a_waiting_cell_or_a_page_without_a_pack_keeps_its_photographs(kept):
    keep(kept, made_result("fish", {TOTAL: FLAGGED}, name="more.jpg", transect=2))
    keep(kept, made_result("fish", {}, name="stray.jpg", pack=None))
    go, stay = due(kept, POLICY, now=LATER)
    assert go == []
    assert {one.photo.name: one.why for one in stay}["more.jpg"] == f"pack {PACK}: 1 cell waits for a person"
    assert {one.photo.name: one.why for one in stay}["stray.jpg"] == "a page is in no survey"


def test_what_was_never_read_stays_and_refused_ones_go_only_where_the_policy_says_so(kept):
    kept.keep_photo(photo_of("waiting"), "waiting.jpg", now=NOW)
    sha256 = kept.keep_photo(photo_of("refused"), "refused.jpg", now=NOW)
    kept.record(PhotoResult("refused.jpg", sha256, "retake", ("Blurred.",)), None, now=NOW)
    assert "refused.jpg" not in names(due(kept, POLICY, now=LATER)[0])
    go, _ = due(kept, Policy(policy="Photographs", keep_years=2, refused_years=1), now=LATER)
    assert names(go) == ["refused.jpg"]


@pytest.mark.parametrize("kind", ["pdf", "zip", "tiff-pages"])
def test_a_file_whose_pages_were_never_looked_at_stays_until_a_person_sets_it_aside(kept, kind):
    """Phones send one photograph at a time: what holds several is kept unread, and is no photograph without a page."""
    refusing = Policy(policy="Photographs", keep_years=2, refused_years=0)
    files = {f"dive.{kind}": seeds()[kind], "text.jpg": b"no picture"}
    for name, data in files.items():
        sha256 = kept.keep_photo(data, name, now=NOW)
        kept.record(PhotoResult(name, sha256, "unreadable", ("Not read.",)), None, now=NOW)
    go, stay = due(kept, refusing, now=NOW + dt.timedelta(days=1))
    assert names(go) == ["text.jpg"]
    assert [(one.photo.name, "may hold sheets" in one.why) for one in stay] == [(f"dive.{kind}", True)]

    photo = next(p for p in kept.photos() if p.name == f"dive.{kind}")
    kept.strangers.set_aside(photo, reason="A timetable", by="Mira Tole", now=NOW)
    assert names(due(kept, refusing, now=NOW + dt.timedelta(days=1))[0]) == sorted(files)


def test_a_refused_file_that_cannot_be_looked_into_stays_and_is_told(kept):
    refusing = Policy(policy="Photographs", keep_years=2, refused_years=0)
    sha256 = kept.keep_photo(seeds()["pdf"], "dive.pdf", now=NOW)
    kept.record(PhotoResult("dive.pdf", sha256, "unreadable", ("Not read.",)), None, now=NOW)
    next(p for p in (kept.folder / "originals").rglob(f"{sha256}*")).unlink()
    go, stay = due(kept, refusing, now=LATER)

    assert names(go) == []
    assert any(one.photo.name == "dive.pdf" and "cannot be opened" in one.why for one in stay)


def thinned(store) -> Store:
    noted(store)
    go, _ = due(store, POLICY, now=LATER)
    assert len(list(thin(store, go, POLICY, by="Sanna Ruo", now=LATER))) == 3
    return store


def test_only_the_originals_go_and_the_trail_says_by_what_policy_by_whom_and_when(kept):
    """Pages, readings, entries, hashes and results are as they were; the store is whole, and says what is gone."""
    before = (kept.photos(), kept.pages(), kept.signoffs.cells(PACK))
    thinned(kept)
    assert originals(kept) == []
    assert (kept.photos(), kept.pages(), kept.signoffs.cells(PACK)) == before
    assert kept.page_image(kept.pages()[0].id)
    (one, *_) = kept.thinned.all().values()
    assert (one.policy, one.by, one.at[:10]) == (POLICY.sentence, "Sanna Ruo", LATER.date().isoformat())
    found = verify(kept)
    assert found.problems == ()
    assert "3 original photographs were removed by the policy; their flattened pages are here" in found.notes
    with pytest.raises(StoreError, match=r"was removed on 2029-.* by the policy; the flattened page is kept"):
        kept.original(kept.photos()[0].sha256)


def test_a_file_is_never_removed_without_its_note(kept):
    with pytest.raises(StoreError, match="was not thinned, so its file stays"):
        kept.remove_original(kept.photos()[0].sha256)
    assert len(originals(kept)) == 3


def test_a_run_that_was_stopped_between_note_and_file_is_finished_by_the_next(kept):
    noted(kept)
    photo = kept.photos()[0]
    kept.thinned.note(photo.sha256, policy="Photographs", by="Sanna Ruo", now=LATER)
    assert len(originals(kept)) == 3
    list(thin(kept, due(kept, POLICY, now=LATER)[0], POLICY, by="Sanna Ruo", now=LATER))
    assert originals(kept) == []


def test_the_same_photograph_added_again_stays_away(kept):
    thinned(kept)
    photo = kept.photos()[0]
    assert kept.keep_photo(photo_of(photo.name), photo.name, now=LATER) == photo.sha256
    assert originals(kept) == []


def test_backups_evidence_and_stores_made_from_them_are_whole_without_the_originals(kept, tmp_path):
    thinned(kept)
    made = backup(kept, tmp_path / "backup", now=LATER)
    assert made.problems == ()
    assert restore(tmp_path / "backup", tmp_path / "restored", now=LATER).problems == ()
    write_export(kept, tmp_path / "export", now=LATER, formats=("evidence",))
    with take_in(tmp_path / "export" / "evidence", tmp_path / "second", now=LATER) as second:
        assert second.thinned.all() == kept.thinned.all()
        assert second.signoffs.cells(PACK) == kept.signoffs.cells(PACK)
        assert verify(second).problems == ()


def test_a_hand_over_in_evidence_that_is_not_of_our_making_is_refused(kept, tmp_path):
    noted(kept)
    write_export(kept, tmp_path / "export", now=NOW, formats=("evidence",))
    path = tmp_path / "export" / "evidence" / "data" / "store" / "handovers.jsonl"
    row = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps(row | {"content": '{"surveys": [{}]}'}) + "\n", encoding="utf-8")
    seal(tmp_path / "export" / "evidence", {})
    with pytest.raises(StoreError, match="handovers, line 1, content: not the content of a hand-over"):
        take_in(tmp_path / "export" / "evidence", tmp_path / "second", now=NOW)


def test_a_policy_in_words_has_one_year_or_several():
    assert (
        "go after 2.5 years, refused ones after 1 year; flat"
        in Policy(policy="Photographs", keep_years=2.5, refused_years=1).sentence
    )


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("policy: Photographs\n", "keep_years: missing"),
        ("policy: x\nkeep_years: 2\n", "line 1: policy: found 'x', expected at least 3 characters"),
        ("policy: Photographs\nkeep_years: -1\n", "keep_years: found -1"),
        ("policy: Photographs\nkeep_years: '0,5'\n", "keep_years: found '0,5', expected a number such as 0.5"),
        ("policy: Photographs\nkeep_years: 2\nforever: true\n", "forever: this key is not known"),
        ("- 2\n", "expected keys such as 'policy:'"),
    ],
)
def test_a_policy_that_cannot_be_used_is_explained(tmp_path, text, sentence):
    path = tmp_path / "keep.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(PolicyError, match=sentence):
        load_policy(path)
    with pytest.raises(PolicyError, match="no such file"):
        load_policy(tmp_path / "none.yaml")


def test_the_command_lists_first_and_removes_only_in_somebodys_name(kept, tmp_path, capsys):
    noted(kept)
    path = tmp_path / "keep.yaml"
    path.write_text("policy: Photographs\nkeep_years: 0\n", encoding="utf-8")
    base = ["thin", "--store", str(kept.folder), "--policy", str(path)]
    assert main(base) == 2
    assert main([*base, "--dry-run"]) == 0
    told = capsys.readouterr()
    assert "3 photographs, 0.0 MB, would go." in told.err
    assert "qh7m4k-fish.jpg" in told.out
    assert len(originals(kept)) == 3
    path.write_text("policy: Photographs\nkeep_years: 200\n", encoding="utf-8")
    assert main([*base, "--dry-run"]) == 0
    assert "3 photographs stay: not that old yet" in capsys.readouterr().err
    path.write_text("policy: Photographs\nkeep_years: 0\n", encoding="utf-8")
    assert main([*base, "--by", "Sanna Ruo"]) == 0
    assert originals(kept) == []
    assert main([*base, "--dry-run"]) == 0
    assert "stay:" not in capsys.readouterr().err
    assert (kept.folder / "retention.yaml").read_text(encoding="utf-8").startswith("policy: Photographs")
