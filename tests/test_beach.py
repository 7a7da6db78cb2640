"""The phones' way in without a browser: the link, pieces of photographs, verdicts, survey cards, outlines of trouble."""

import hashlib
import io
import json
import stat
import threading
import time
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace

import cv2
import kept
import numpy as np
import pillow_heif
import pytest
import screens
from asgi import Browser
from PIL import Image

from digitise.batch.batch import known_protocols
from digitise.pages.fiducials import find_marks
from digitise.pages.photo import load_photo
from digitise.pages.sight import place_words
from digitise.reader.reading import PhotoResult, Reading, sentence
from digitise.sheets.sheet import MARK_DICTIONARY
from digitise.store import Store
from review_app import intake, worklist
from review_app.beach import gate, link, parts, places, routes, verdicts
from review_app.beach.shared import Shared

store = screens.store
UPLOAD, OTHER = "ab" * 12, "cd" * 12
SAMPLES = Path(__file__).parents[1] / "sample_scans"


@pytest.fixture
def phone(store, monkeypatch):
    """(requests to the beach's own application, its address with a good link); photographs are not read meanwhile."""
    monkeypatch.setattr(intake, "start", lambda store: False)
    given = link.make(store.folder, 8600, now=worklist.utc_now())
    return Browser(routes.app()), f"/b/{given.secret}"


def send(
    browser, base, data: bytes, *, at: int = 0, upto: int | None = None, upload: str = UPLOAD, name: str = "a.jpg"
):
    piece = data[at:upto]
    return browser.post(f"{base}/part/{upload}?at={at}&size={len(data)}&name={name}", content=piece)


# The link


def test_a_link_is_good_for_its_hours_and_only_with_its_secret(tmp_path):
    given = link.make(tmp_path, 8600, now=kept.NOW)
    last = kept.NOW + timedelta(hours=link.HOURS)
    assert given.good(given.secret, now=last - timedelta(seconds=1))
    assert not given.good(given.secret, now=last)
    assert not given.good(given.secret[:-1] + "#", now=kept.NOW)
    assert link.kept(tmp_path, now=kept.NOW) == given
    assert link.kept(tmp_path, now=last) is None


def test_a_link_that_is_written_anew_is_read_whole_all_the_while(tmp_path):
    """Phones ask all the time: one that got half of the file would be told that its link has ended."""
    link.make(tmp_path, 8600, now=kept.NOW)
    with (tmp_path / "phones.json").open(encoding="utf-8") as reading:
        again = link.make(tmp_path, 8600, now=kept.NOW)
        before = json.loads(reading.read())

    assert before["secret"] != again.secret == link.kept(tmp_path, now=kept.NOW).secret
    assert stat.S_IMODE((tmp_path / "phones.json").stat().st_mode) == 0o600
    assert [p.name for p in tmp_path.iterdir()] == ["phones.json"]


def test_a_new_link_makes_the_old_one_worthless_and_ending_leaves_none(tmp_path):
    old = link.make(tmp_path, 8600, now=kept.NOW)
    new = link.make(tmp_path, 8600, now=kept.NOW)
    assert old.secret != new.secret
    assert not link.kept(tmp_path, now=kept.NOW).good(old.secret, now=kept.NOW)
    link.end(tmp_path)
    assert link.kept(tmp_path, now=kept.NOW) is None


@pytest.mark.parametrize("text", ["", "[]", "{", '{"secret": "x", "until": "2026-01-01", "port": 1}', '{"secret": 7}'])
def test_a_link_file_that_makes_no_sense_is_no_link(tmp_path, text):
    (tmp_path / "phones.json").write_text(text, "utf-8")
    assert link.kept(tmp_path, now=kept.NOW) is None


def test_the_desk_says_all_that_phones_will_see(store) -> None:
    """What a survey's card shows is named before the way in is opened."""
    said = screens.words(screens.opened("phones"))

    assert "each survey’s site, date, time and depth. Nothing else on this laptop is shown to them." in said


def test_the_network_serves_phones_and_nothing_of_the_desk(store, phone):
    """With the link: page, state, pieces, pictures. Without it, and for every address of the desk: nothing."""
    browser, base = phone
    assert browser.get(base).status_code == 200
    assert browser.get(f"{base}/state").json() == {"photos": {}, "surveys": []}
    for address in ("/desk/groups", "/desk/decisions", "/", "/b/"):
        assert browser.get(address).status_code == 404
    for address in ("", "/state", f"/part/{UPLOAD}", "/page/1"):
        assert browser.get(f"/b/{'x' * 16}{address}").status_code == 403
    link.end(store.folder)
    ended = browser.get(base)
    assert (ended.status_code, "This link has ended" in ended.text) == (403, True)
    assert send(browser, base, b"abc").status_code == 403


# Many phones at once


def test_phones_that_ask_at_once_share_one_answer_begun_after_they_asked():
    """The first is being answered when three more come: these wait, and get one answer made for all of them."""
    begun, go_on, told = threading.Event(), threading.Event(), []

    def make(_store):
        made.append(len(made) + 1)
        number = made[-1]
        begun.set()
        go_on.wait(10)
        return number

    made, folder = [], SimpleNamespace(folder="here")
    shared = Shared(make)
    first = threading.Thread(target=lambda: told.append(("first", shared.of(folder))))
    first.start()
    begun.wait(10)
    others = [threading.Thread(target=lambda: told.append(("later", shared.of(folder)))) for _ in range(3)]
    for one in others:
        one.start()
    while len(shared._turn._waiters) < 3:
        time.sleep(0.001)
    go_on.set()
    for one in (first, *others):
        one.join(10)

    assert made == [1, 2]
    assert sorted(told) == [("first", 1), ("later", 2), ("later", 2), ("later", 2)]


def test_an_answer_that_could_not_be_made_keeps_nobody_waiting():
    """The next who asks tries again."""
    answers = iter([ValueError("gone"), "made"])

    def make(_store):
        answer = next(answers)
        if isinstance(answer, ValueError):
            raise answer
        return answer

    shared, folder = Shared(make), SimpleNamespace(folder="here")
    with pytest.raises(ValueError, match="gone"):
        shared.of(folder)
    assert shared.of(folder) == "made"


# Pieces


def test_a_broken_upload_goes_on_where_it_stopped_and_is_kept_byte_for_byte(store, phone):
    browser, base = phone
    data = bytes(range(256)) * 20
    assert send(browser, base, data, upto=1000).json() == {"have": 1000, "sha256": ""}
    assert browser.get(f"{base}/part/{UPLOAD}").json() == {"have": 1000}
    assert [(p.name, p.have, p.size) for p in parts.unfinished(store)] == [("a.jpg", 1000, 5120)]
    assert send(browser, base, data, at=1000, upto=2000).json()["have"] == 2000
    assert send(browser, base, data, at=1000, upto=2000).json()["have"] == 2000  # the answer got lost, sent again
    assert send(browser, base, data, at=4000).json()["have"] == 2000  # a gap is not filled with nothing
    digest = send(browser, base, data, at=2000).json()["sha256"]
    assert store.original(digest) == data
    assert [p.name for p in store.photos()] == ["a.jpg"]
    assert parts.unfinished(store) == []
    assert list((store.folder / "phones").iterdir()) == []


def test_a_photograph_that_cannot_be_kept_is_told_and_waits_in_full(store, phone):
    """Disk or bucket refuse: a sentence for the phone, nothing lost, and the last piece sent again brings it in."""
    browser, base = phone
    digest = hashlib.sha256(b"abc").hexdigest()
    in_the_way = store.folder / "originals" / digest[:2]
    in_the_way.write_bytes(b"")
    refused = send(browser, base, b"abc")
    assert refused.status_code == 400
    assert refused.json()["sentence"].startswith(f"The laptop could not store it: {digest}.jpg: could not be written (")
    assert store.photos() == []
    in_the_way.unlink()
    assert browser.get(f"{base}/part/{UPLOAD}").json() == {"have": 3}
    assert send(browser, base, b"abc", at=0).json() == {"have": 3, "sha256": digest}
    assert store.original(digest) == b"abc"


def test_two_photographs_on_their_way_do_not_mix(store, phone):
    browser, base = phone
    one, two = b"a" * 50, b"b" * 60
    send(browser, base, one, upto=20)
    send(browser, base, two, upto=30, upload=OTHER)
    first = send(browser, base, one, at=20).json()["sha256"]
    second = send(browser, base, two, at=30, upload=OTHER).json()["sha256"]
    assert (store.original(first), store.original(second)) == (one, two)


@pytest.mark.parametrize(
    "address",
    [
        "/part/..%2F..%2Fx?at=0&size=3&name=a",
        "/part/ABCDEF?at=0&size=3&name=a",
        f"/part/{UPLOAD}?at=-1&size=3&name=a",
        f"/part/{UPLOAD}?at=0&size=0&name=a",
        f"/part/{UPLOAD}?at=0&size=900000000&name=a",
        f"/part/{UPLOAD}?size=3",
        f"/part/{UPLOAD}?at=٣&size=3",
    ],
)
def test_a_piece_that_makes_no_sense_is_refused_in_words_and_leaves_nothing(store, phone, address):
    browser, base = phone
    reply = browser.post(base + address, content=b"abc")
    assert reply.status_code in (400, 404)
    if reply.status_code == 400:
        assert reply.json()["sentence"].endswith(("page.", "taken."))
    assert not list(store.folder.rglob("*.part"))
    assert store.photos() == []


def test_a_piece_that_is_too_large_is_refused(store, phone):
    browser, base = phone
    reply = browser.post(f"{base}/part/{UPLOAD}?at=0&size=9000000&name=a", content=b"x" * (parts.MAX_PIECE + 1))
    assert (reply.status_code, parts.have(store, UPLOAD)) == (400, 0)


# Verdicts


def only(store: Store, sha256: str) -> dict:
    return verdicts.state(store, [sha256])["photos"][sha256]


def test_a_photograph_waits_until_it_is_read_and_unknown_ones_are_left_out(store):
    sha = store.keep_photo(b"not a picture", "x.jpg", now=kept.NOW)
    assert only(store, sha)["kind"] == "wait"
    assert verdicts.state(store, ["0" * 64])["photos"] == {}


def test_a_refused_photograph_whose_original_is_gone_is_told_all_the_same(store):
    """A bucket that does not answer takes the outline from the phone, not the words, nor the other photographs."""
    sha = store.keep_photo(b"not a picture", "x.jpg", now=kept.NOW)
    store.record(PhotoResult("x.jpg", sha, "unreadable", ("No sheet was found.",)), None, now=kept.NOW)
    (store.folder / "originals" / sha[:2] / f"{sha}.jpg").unlink()
    assert (only(store, sha)["kind"], only(store, sha)["lines"]) == ("bad", ["No sheet was found."])


def test_a_sheet_of_a_protocol_that_is_not_known_is_for_the_laptop_and_need_not_be_taken_again(store):
    """The volunteer has no protocol file; the same photograph is read once the laptop knows it."""
    sha = store.keep_photo(b"not a picture", "x.jpg", now=kept.NOW)
    words = sentence("other-edition", "its printed code names bay 2")
    store.record(PhotoResult("x.jpg", sha, "unreadable", (words,)), None, now=kept.NOW)
    said = only(store, sha)
    assert (said["kind"], said["title"], said["tell"]) == ("bad", "Kept, but not read", True)
    assert said["lines"] == [verdicts.OTHER_EDITION, words]


def test_a_read_sheet_is_named_with_its_transect_and_pack(store):
    page = kept.keep(store, kept.made_result("fish", {}, name="f.jpg"))
    said = only(store, store.page(page).sha256)
    assert said == {
        "kind": "good",
        "title": f"Read: Fish belt, transect 1, pack {kept.PACK}",
        "lines": [],
        "marks": [],
        "picture": f"page/{page}",
    }


def test_a_sheet_that_is_read_while_phones_ask_keeps_none_of_them_waiting(store, monkeypatch):
    """Photographs and pages are of one moment: none names a page that was not there yet."""
    made = kept.made_result("fish", {}, name="f.jpg")
    store.keep_photo(kept.photo_of("f.jpg"), "f.jpg", now=kept.NOW)
    pages = Store.pages

    def read_meanwhile(store, *pack):
        before = pages(store, *pack)
        store.record(made, kept.protocol(), now=kept.NOW, acceptance_basis="made up for a test")
        return before

    monkeypatch.setattr(Store, "pages", read_meanwhile)
    assert only(store, made.sha256)["kind"] in ("wait", "good")


def test_a_page_of_a_small_sheet_is_named_with_its_number(store):
    """The two pages of one sheet have one title, one line and one pack."""
    page = kept.keep(store, kept.made_result("fish", {}, name="f.jpg", paper="A5"))
    assert (
        only(store, store.page(page).sha256)["title"] == f"Read: Fish belt, page 1 of 2, transect 1, pack {kept.PACK}"
    )


def test_two_sheets_under_one_name_are_told_from_one_sheet_photographed_twice(store):
    """The phone that sent what does not count hears why, and that somebody at the laptop has to say whose it is."""
    rows = [r.cell for r in kept.made_result("fish", {}, name="x").readings if r.kind == "tally"][:6]
    made = (("a.jpg", 4, 0.9993), ("b.jpg", 4, 0.998), ("c.jpg", 9, 0.998))
    for name, count, confidence in made:
        kept.keep(store, kept.made_result("fish", dict.fromkeys(rows, count), name=name, confidence=confidence))
    first, again, other = (only(store, page.sha256)["lines"] for page in store.pages())

    assert (first, again) == ([], ["This sheet is in twice; the photograph that reads better counts."])
    assert other == [verdicts.TWO_SHEETS]


def test_a_phones_own_heic_file_is_read_as_any_other(store, phone):
    """Sent as a phone keeps it; the sheet in it is named, and its original is the file as it came."""
    browser, base = phone
    pillow_heif.register_heif_opener()
    packed = io.BytesIO()
    Image.open(SAMPLES / "tamarind-wall-04.jpg").save(packed, "HEIF", quality=80)
    digest = send(browser, base, packed.getvalue(), name="IMG_1.HEIC").json()["sha256"]
    intake.read_one(store, digest, "IMG_1.HEIC")

    assert store.original(digest) == packed.getvalue()
    assert only(store, digest)["title"] == "Read: Substrate line, transect 1, pack K7RM4X"


def test_hidden_boxes_are_marked_and_a_second_photograph_is_asked_for(store):
    """Two hidden boxes go to the desk; three are worth another photograph while the sheet is in hand."""

    def result(count: int) -> PhotoResult:
        made = kept.made_result("fish", {}, name=f"{count}.jpg", pack=None)
        hidden = {r.cell for r in made.readings if r.kind == "tally"}
        names = sorted(hidden)[:count]
        return replace(
            made,
            readings=tuple(
                Reading(r.cell, r.kind, None, 0.5, True, ((None, 0.5),), ("hard-to-see",), 0.5)
                if r.cell in names
                else r
                for r in made.readings
            ),
        )

    few, more = (store.page(kept.keep(store, result(n))).sha256 for n in (2, 3))
    assert (only(store, few)["kind"], only(store, few)["marks"]) == ("good", [])
    said = only(store, more)
    assert (said["kind"], len(said["marks"])) == ("look", 3)
    assert all(0 <= v <= 1 for mark in said["marks"] for point in mark for v in point)
    assert "3 boxes are hard to see" in " ".join(said["lines"])
    assert "say at the laptop which survey" in " ".join(said["lines"])


def test_a_survey_card_counts_what_is_missing_and_shows_the_site_as_read(store):
    kept.keep(
        store,
        kept.made_result(
            "site", {"site/date": "2026-03-14", "site/time": "09:40", "site/depth": 8.0}, name="s.jpg", transect=0
        ),
    )
    (card,) = verdicts.state(store, [])["surveys"]
    assert (card["pack"], card["sheets"], card["missing"]) == (kept.PACK, 10, 9)
    assert [s["here"] for row in card["rows"] for s in row["sheets"]] == [True] + [False] * 9
    texts = {b["label"]: b["text"] for b in card["basics"]}
    assert texts["Date"] == "14 March 2026"
    assert texts["Time in"] == "09:40"
    assert texts["Depth of the lines (m)"] == "8 m"


# Where the trouble is


def test_every_place_in_words_has_its_ninth_of_the_page():
    """The words that refusals use and the ninths that are marked are one list: each centre comes back."""
    size = (210.0, 297.0)
    for row in range(3):
        for column in range(3):
            x, y = (column + 0.5) * size[0] / 3, (row + 0.5) * size[1] / 3
            (zone,) = places.zones_mm(f"glare at the {place_words((x, y), size)} of it", size)
            assert np.allclose(zone.mean(axis=0), (x, y))


def test_a_covered_corner_mark_is_outlined_where_it_should_be():
    """Three marks give the place of the fourth: on a page seen straight on, its own box and nine millimetres around."""
    layout = known_protocols().layouts[0]
    scale = 5.0
    width, height = (int(v * scale) for v in layout.page_size_mm)
    gray = np.full((height, width), 255, np.uint8)
    for mark in layout.fiducials[:3]:
        x, y, w, _h = (round(v * scale) for v in mark.box_mm)
        picture = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(MARK_DICTIONARY), mark.id, w)
        gray[y : y + w, x : x + w] = picture
    (outline,) = places.outlines(gray, [layout], "found 3 of the 4 corner marks (bottom left missing)")
    x, y, w, h = layout.fiducials[3].box_mm
    expected = (
        np.array([(x - 9, y - 9), (x + w + 9, y - 9), (x + w + 9, y + h + 9), (x - 9, y + h + 9)]) / layout.page_size_mm
    )
    assert np.allclose(outline, np.clip(expected, 0.01, 0.99), atol=0.004)


def test_one_corner_mark_alone_tells_no_place():
    """A sheet seen at an angle: from its one mark the other corners would be put hundreds of pixels astray."""
    photo = load_photo(Path(__file__).parents[1] / "sample_scans" / "pilot-garden-05.jpg")
    gray, layouts = photo.gray.copy(), known_protocols().layouts
    for mark in find_marks(gray):
        if mark.corner:
            cv2.fillConvexPoly(gray, mark.corners_px.astype(int), 200)
    assert [m.corner for m in find_marks(gray)] == [0]
    assert places.outlines(gray, layouts, "top right, bottom right and bottom left missing") == ()


def test_a_picture_without_marks_has_no_outline():
    assert places.outlines(np.full((400, 300), 200, np.uint8), known_protocols().layouts, "top left missing") == ()


# The gate


def test_the_gate_opens_on_its_own_port_goes_on_after_a_restart_and_shuts(store):
    """A real server on loopback: the link's page comes, and after shutting nothing answers."""
    from urllib.error import URLError
    from urllib.request import urlopen

    given = gate.open_gate(store, now=worklist.utc_now())
    address = f"http://127.0.0.1:{given.port}/b/{given.secret}"
    try:
        assert gate.is_open(store)
        with urlopen(address, timeout=5) as page:
            assert b"Photograph the sheets" in page.read()
        assert gate.resume(store, now=worklist.utc_now())
        again = link.kept(store.folder, now=worklist.utc_now())
        assert again.secret == given.secret
        with urlopen(f"http://127.0.0.1:{again.port}/b/{again.secret}/state", timeout=5) as state:
            assert json.load(state) == {"photos": {}, "surveys": []}
    finally:
        gate.shut_gate(store)
    assert not gate.is_open(store)
    assert not gate.resume(store, now=worklist.utc_now())
    with pytest.raises(URLError):
        urlopen(address, timeout=2)


def test_a_disk_that_takes_no_link_is_told_and_stops_no_screens(store):
    """Letting phones in says why it cannot; screens that start again begin without phones."""
    link.make(store.folder, 8600, now=kept.NOW)
    (store.folder / "phones.new").mkdir()  # stands where the link is written
    with pytest.raises(ValueError, match="the link for phones could not be kept"):
        gate.open_gate(store, now=kept.NOW)
    assert gate.resume(store, now=kept.NOW) is False
    assert not gate.is_open(store)


def test_the_code_leads_to_these_screens_after_others_opened_theirs_on_the_same_store(store, monkeypatch):
    """Both share one secret, but whoever opened last wrote a port that ends with those other screens."""
    monkeypatch.setattr(gate, "addresses", lambda: ["192.0.2.7"])
    given = gate.open_gate(store, now=worklist.utc_now())
    try:
        link.make(store.folder, given.port - 1, now=worklist.utc_now(), like=given)
        said = screens.words(screens.opened("phones"))
    finally:
        gate.shut_gate(store)

    assert f"http://192.0.2.7:{given.port}/b/{given.secret}" in said
