"""What people add in the screens: kept at once, read in the background, and told when it needs nothing more."""

from __future__ import annotations

import hashlib
import threading
import time
from dataclasses import replace
from urllib.parse import urlencode

import kept
import numpy as np
import pytest
from damage import encoded, seeds
from PIL import Image
from screens import opened, words

from digitise.batch.batch import known_protocols, read_before
from digitise.pages.page import NotRegistered
from digitise.reader.reading import PhotoResult, sentence
from digitise.reader.reasons import REASONS
from digitise.sheets.new_protocol import QUESTIONS, protocol_yaml
from digitise.sheets.protocol import parse_protocol
from digitise.sheets.sheet import pack_pages, rasterise, sheet_pdf
from digitise.store import Store, StoreError
from digitise.surveys.known_protocol import keep_protocol
from review_app import intake, keying, worklist
from review_app.beach import verdicts

LAYOUTS = known_protocols().layouts


@pytest.fixture
def store(tmp_path, monkeypatch):
    monkeypatch.setenv(worklist.FOLDER_VARIABLE, str(tmp_path))
    yield worklist.open_store()
    for thread in threading.enumerate():
        if thread.name == "intake":
            thread.join(30)


def _names(store: Store) -> list[str]:
    return sorted(p.name for p in store.photos())


def _read_all(store: Store) -> None:
    assert intake.start(store)
    for thread in threading.enumerate():
        if thread.name == "intake":
            thread.join(60)


def _refused(store: Store, name: str, sheet: str) -> None:
    """A photograph of a known sheet that has to be taken again."""
    digest = store.keep_photo(kept.photo_of(name), name, now=kept.NOW)
    failure = NotRegistered("blurred", "", kept.layout(sheet))
    store.record(PhotoResult(name, digest, "retake", (sentence("blurred"),), failure=failure), None, now=kept.NOW)


def _shown(screen: str = "survey") -> str:
    at = opened(screen)
    assert not at.exception
    return words(at)


# --- added files -----------------------------------------------------------------------------------------


def test_a_photograph_is_kept_as_it_is(store) -> None:
    """Whatever it is: reading it will say."""
    assert intake.accept(store, b"no pixels", "a.jpg") == []
    assert store.original(store.photos()[0].sha256) == b"no pixels"


def test_what_cannot_be_kept_is_told_and_can_be_added_again(store) -> None:
    """Disk or bucket refuse: a sentence for whoever added it, in place of a broken page."""
    digest = hashlib.sha256(b"no pixels").hexdigest()
    in_the_way = store.folder / "originals" / digest[:2]
    in_the_way.write_bytes(b"")
    (told,) = intake.accept(store, b"no pixels", "a.jpg")
    in_the_way.unlink()

    assert told.startswith(f"a.jpg: {digest}.jpg: could not be written (")
    assert store.photos() == []
    assert intake.accept(store, b"no pixels", "a.jpg") == []
    assert [p.sha256 for p in store.photos()] == [digest]


def test_a_photograph_of_an_unknown_protocol_is_read_as_soon_as_the_store_knows_it(store) -> None:
    """A phone sent it before the protocol was given: nobody has the file to add it once more, and that would not help.

    While nothing else is known it is tried once.
    """
    text = protocol_yaml({q.key: q.read(q.usual) for q in QUESTIONS} | {"name": "cove-lines"})
    own = parse_protocol(text, "own.yaml")
    paper = Image.fromarray(rasterise(sheet_pdf(own, [pack_pages(own, "A4", "QH7M4K")[0]]), 9.0))
    photo = Image.new("L", (paper.width + 300, paper.height + 300), 90)
    photo.paste(paper.point(lambda grey: int(0.9 * grey)), (150, 150))
    assert intake.accept(store, encoded(photo, "JPEG"), "site.jpg") == []
    _read_all(store)
    (refused,) = store.photos()
    assert refused.status == "unreadable"
    assert intake.of_unknown_protocol(refused)
    assert not intake.start(store)

    keep_protocol(store.folder, text.encode(), "own.yaml")
    _read_all(store)
    assert [(p.status, len(p.page_ids), p.beside) for p in store.photos()] == [("read", 1, ())]
    assert not intake.start(store)


def test_a_sheet_of_an_unknown_protocol_beside_one_that_is_read_is_read_later_too(store, reef) -> None:
    """The photograph counts as read by then: the phone is told, and it is read again once the protocol is known."""
    text = protocol_yaml({q.key: q.read(q.usual) for q in QUESTIONS} | {"name": "cove-lines"})
    own = parse_protocol(text, "own.yaml")
    photo = Image.new("L", (4200, 3000), 90)
    for protocol, left in ((reef, 120), (own, 2180)):
        paper = Image.fromarray(rasterise(sheet_pdf(protocol, [pack_pages(protocol, "A4", "QH7M4K")[0]]), 9.0))
        photo.paste(paper.point(lambda grey: int(0.9 * grey)), (left, 150))
    assert intake.accept(store, encoded(photo, "JPEG"), "two.jpg") == []
    _read_all(store)
    (one,) = store.photos()
    told = verdicts.state(store, [one.sha256])["photos"][one.sha256]

    assert (one.status, len(one.page_ids)) == ("read", 1)
    assert one.sha256 not in read_before(store)
    assert told["kind"] == "look"
    assert REASONS["other-edition"].short in told["lines"][0]
    assert not intake.start(store)
    intake.progress(store).failed.clear()  # as when the program starts again
    again = verdicts.state(store, [one.sha256])["photos"][one.sha256]
    assert (again["kind"], again["lines"][0]) == ("look", one.beside[0])

    keep_protocol(store.folder, text.encode(), "own.yaml")
    _read_all(store)
    (one,) = store.photos()
    assert len(one.page_ids) == 2
    assert (one.beside, one.sha256 in read_before(store)) == ((), True)
    assert not intake.start(store)


def test_every_page_of_a_pdf_is_kept_by_itself(store) -> None:
    assert intake.accept(store, seeds()["pdf"], "scans.pdf") == []
    assert _names(store) == ["scans.pdf#page=1", "scans.pdf#page=2"]


def test_a_file_is_unpacked_whatever_it_is_called(store) -> None:
    """No file can be named so on this machine."""
    assert intake.accept(store, seeds()["pdf"], "scans.p\0df") == []
    assert len(store.photos()) == 2


def test_every_photograph_in_an_archive_is_kept_by_itself(store) -> None:
    assert intake.accept(store, seeds()["zip"], "dive.zip") == []
    assert _names(store) == [
        "dive.zip:a.jpg", "dive.zip:c.png", "dive.zip:more:b.pdf#page=1", "dive.zip:more:b.pdf#page=2",
    ]  # fmt: skip


def test_pictures_of_an_archive_are_held_one_at_a_time(store, monkeypatch) -> None:
    """Those of a long scan would fill the memory: where the store takes no second one, no third is made."""
    made, keep_photo = [], Store.keep_photo
    monkeypatch.setattr(intake.Reader, "original", lambda *a, ask=intake.Reader.original: made.append(a) or ask(*a))

    def full(store, *photo, **more):
        if len(made) == 2:
            raise StoreError("the disk is full")
        return keep_photo(store, *photo, **more)

    monkeypatch.setattr(Store, "keep_photo", full)
    assert intake.accept(store, seeds()["zip"], "dive.zip") == [
        "dive.zip: the disk is full. Add it again; what is kept already is not kept twice."
    ]
    assert (len(made), _names(store)) == (2, ["dive.zip:a.jpg"])


def test_what_cannot_be_taken_from_an_archive_is_told(store) -> None:
    """By its own name, beside what was taken."""
    import io
    import zipfile

    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("a.jpg", seeds()["jpeg"])
        archive.writestr("inner.zip", seeds()["zip"])
    told = intake.accept(store, packed.getvalue(), "dive.zip")

    assert _names(store) == ["dive.zip:a.jpg"]
    assert len(told) == 1
    assert told[0].startswith("dive.zip:inner.zip: The archive, or this file in it, is not opened")


def test_a_file_with_nothing_to_read_is_kept_and_refused_in_words(store) -> None:
    """A torn archive is not lost: it is there, with what to do."""
    assert intake.accept(store, seeds()["zip"][:300], "torn.zip") == []
    (photo,) = store.photos()

    assert (photo.name, photo.status) == ("torn.zip", "unreadable")
    assert photo.reasons[0].startswith("The file is damaged or cut short: the archive cannot be opened")
    assert store.original(photo.sha256) == seeds()["zip"][:300]


@pytest.mark.parametrize("way", ["laptop", "phone"])
def test_a_raw_picture_is_told_by_its_name_and_not_offered_for_keying(store, photograph, way) -> None:
    """What looks like a TIFF inside is a small copy; nothing of it is read, whichever way it came."""
    data = encoded(Image.fromarray(photograph("site").gray()), "TIFF")
    if way == "laptop":
        assert intake.accept(store, data, "IMG_1.DNG") == []
    else:
        store.keep_photo(data, "IMG_1.DNG", now=kept.NOW)
        assert intake.read_one(store, hashlib.sha256(data).hexdigest(), "IMG_1.DNG") == ()
    (photo,) = store.photos()

    assert (photo.status, store.pages()) == ("unreadable", [])
    assert photo.reasons[0].startswith("The file is a camera's raw picture. Take the JPEG or HEIC")
    assert store.original(photo.sha256) == data
    assert keying.refused(store) == []


@pytest.mark.parametrize("kind", ["pdf", "zip", "tiff-pages"])
def test_a_file_of_several_from_a_phone_is_told_where_it_is_taken(store, kind) -> None:
    """Phones send one photograph at a time; what holds several is kept, and its sheets are not lost without a word."""
    digest = store.keep_photo(seeds()[kind], f"dive.{kind}", now=kept.NOW)
    intake.read_one(store, digest, f"dive.{kind}")
    (photo,) = store.photos()

    assert photo.status == "unreadable"
    assert "it may hold several; add it on the screen Survey instead" in photo.reasons[0]
    assert store.original(digest) == seeds()[kind]
    assert intake.accept(store, seeds()[kind], f"dive.{kind}") == []
    assert len(store.photos()) > 1


def test_pages_of_an_added_pdf_are_read(store, photograph) -> None:
    """A scan of a filled sheet goes the whole way, in the reading process."""
    scan = encoded(Image.fromarray(photograph("site").gray()), "PDF")
    intake.accept(store, scan, "scan.pdf")
    assert intake.start(store)
    for thread in threading.enumerate():
        if thread.name == "intake":
            thread.join(60)

    assert [(p.photo, p.sheet, p.pack) for p in store.pages()] == [("scan.pdf#page=1", "site", "QH7M4K")]


def _read(store) -> bool:
    started = intake.start(store)
    for thread in threading.enumerate():
        if thread.name == "intake":
            thread.join(60)
    return started


def test_what_the_store_could_not_take_is_read_again_without_a_restart(store, photograph, monkeypatch) -> None:
    """Something is in the way of its page, as on a full disk; others are read, and a minute later so is this one."""
    intake.accept(store, photograph("site").jpeg, "site.jpg")
    intake.accept(store, b"no pixels", "text.jpg")
    intake.accept(store, b"gone", "gone.jpg")
    gone = next((store.folder / "originals").glob(f"*/{hashlib.sha256(b'gone').hexdigest()}.jpg"))
    gone.unlink()
    pages = store.folder / "pages"
    pages.rmdir()
    pages.write_bytes(b"")
    assert _read(store)
    told = sorted(intake.progress(store).failed.values())
    assert not _read(store)

    state = lambda: {p.name: p.status for p in store.photos()}  # noqa: E731
    assert state() == {"site.jpg": "waiting", "text.jpg": "unreadable", "gone.jpg": "waiting"}
    assert [one.partition(": ")[0] for one in told] == [
        f"{n} is kept but not read yet" for n in ("gone.jpg", "site.jpg")
    ]
    assert all(one.endswith(" It is read again in a minute.") for one in told)

    pages.unlink()
    pages.mkdir()
    intake.accept(store, b"gone", "gone.jpg")
    monkeypatch.setattr(intake.time, "monotonic", lambda now=time.monotonic: now() + intake.AGAIN_SECONDS)
    assert _read(store)
    assert state() == {"site.jpg": "read", "text.jpg": "unreadable", "gone.jpg": "unreadable"}
    assert intake.progress(store).failed == {}


def test_a_sheet_that_cannot_be_read_beside_one_that_is_read_is_told(store, monkeypatch) -> None:
    """Its photograph counts as read, so nobody would miss it."""
    name = "two.jpg"
    store.keep_photo(kept.photo_of(name), name, now=kept.NOW)
    read = kept.made_result("fish", {}, name=name)
    failure = NotRegistered("blurred", "", kept.layout("substrate"))
    other = PhotoResult(name, read.sha256, "retake", (sentence("blurred"),), failure=failure)
    monkeypatch.setattr(intake._reader, "call", lambda *_: replace(read, others=(other,)))

    assert _read(store)
    assert [p.status for p in store.photos()] == ["read"]
    assert intake.progress(store).failed == {read.sha256: f"two.jpg: {sentence('blurred')}"}
    phone = verdicts.state(store, [read.sha256])["photos"][read.sha256]
    assert (phone["kind"], phone["lines"][0]) == ("look", f"two.jpg: {sentence('blurred')}")


# --- refused, and taken again ----------------------------------------------------------------------------


def _keep(store: Store, sheet: str, transect: int, **values) -> None:
    kept.keep(store, kept.made_result(sheet, values, name=f"{sheet}{transect}.jpg", transect=transect))


def test_a_refused_photograph_is_done_with_when_its_page_is_in_everywhere(store) -> None:
    """Its transect is not known: only when the fish sheets of all three transects are in needs nobody to act."""
    _refused(store, "blurred.jpg", "fish")
    for transect in (1, 2):
        _keep(store, "fish", transect)
    assert worklist.taken_again(store, [kept.PACK]) == {}
    (refused,) = [p for p in store.photos() if p.status == "retake"]
    phone = lambda: verdicts.state(store, [refused.sha256])["photos"][refused.sha256]  # noqa: E731
    assert "Needs something from you" in _shown()
    assert (phone()["kind"], phone()["title"]) == ("bad", "Photograph it again")

    _keep(store, "fish", 3)
    assert (phone()["kind"], phone()["title"], phone()["lines"]) == ("aside", "Taken again since", [])
    assert worklist.taken_again(store, [kept.PACK]) == {
        refused.sha256: "Every sheet 'Fish belt' of the surveys here is in, so this one was taken again."
    }
    page = _shown()
    assert "Refused, and taken again since" in page
    assert "Needs something from you" not in page
    assert "blurred.jpg" in page
    assert "so this one was taken again." in _shown("key")


def test_a_mark_that_other_protocols_use_too_is_that_of_the_sheets_here(store) -> None:
    """A blurred photograph is told by one mark alone, and the reader takes another protocol's page that has the same."""
    here = kept.layout("substrate")
    other = next(one for one in LAYOUTS if one.slot == here.slot and one.digest != here.digest)
    digest = store.keep_photo(kept.photo_of("blurred.jpg"), "blurred.jpg", now=kept.NOW)
    failure = NotRegistered("blurred", "", other)
    store.record(PhotoResult("", digest, "retake", (sentence("blurred"),), failure=failure), None, now=kept.NOW)
    for transect in (1, 2):
        _keep(store, "substrate", transect)
    assert worklist.taken_again(store, [kept.PACK]) == {}
    _keep(store, "substrate", 3)
    assert list(worklist.taken_again(store, [kept.PACK])) == [digest]


def test_a_refused_photograph_of_another_sheet_still_needs_somebody(store) -> None:
    _refused(store, "blurred.jpg", "substrate")
    for transect in (1, 2, 3):
        _keep(store, "fish", transect)

    assert worklist.taken_again(store, [kept.PACK]) == {}


# --- photographed twice ----------------------------------------------------------------------------------


def _counts(seed: int) -> dict:
    rng = np.random.default_rng(seed)
    cells = [c.id for c in kept.layout("fish").cells if c.kind in ("tally", "number")]
    return {i: int(rng.integers(1, 31)) for i in cells[:12]}


def test_a_second_photograph_that_differs_is_told_on_its_card(store) -> None:
    first = _counts(1)
    changed = first | {next(iter(first)): 31}
    kept.keep(store, kept.made_result("fish", first, name="a.jpg"))
    kept.keep(store, kept.made_result("fish", changed, name="b.jpg", confidence=0.9))

    page = _shown()

    cards = page[page.index("Needs something from you") :]
    assert "a.jpg and b.jpg show the same sheet, but are read differently in one cell" in cards
    way = urlencode({"page": store.pages()[0].id, "cell": next(iter(first))}).replace("&", "&amp;")
    assert f'href="whole?{way}"' in cards


def test_a_second_sheet_under_one_name_is_to_be_given_its_own(store) -> None:
    """Either of the two; the name that both bear is no answer."""
    first = kept.keep(store, kept.made_result("fish", _counts(1), name="a.jpg"))
    other = kept.keep(store, kept.made_result("fish", _counts(2), name="b.jpg", confidence=0.9))
    at = opened("survey")

    assert "two different sheets bear this name, " in words(at)
    assert "they look like two different sheets" in words(at)
    at.radio(f"which-{other}").set_value(first)
    at.text_input(f"pack-{other}").set_value(kept.PACK)
    at.text_input(f"by-{other}").set_value("Mira Tole")
    at = next(b for b in at.button if b.label == "Save").click().run()
    assert [e.value for e in at.error] == [
        "This sheet has that pack and transect already. Enter those that it is really from."
    ]
    at.number_input(f"transect-{other}").set_value(2)
    at = next(b for b in at.button if b.label == "Save").click().run()

    assert {p.id: p.transect for p in store.pages() if not p.superseded} == {first: 2, other: 1}
    assert "two different sheets" not in words(at)
