"""The Hand-over screen makes a package by a button, shows what was sent, and offers the correction that is due."""

import io
import subprocess
import zipfile

import kept
import screens
from screens import screen, words
from sent import OFFICE, POINT, TOTAL, sign, survey
from streamlit.testing.v1 import AppTest

from review_app import sending

store = screens.store


def opened() -> AppTest:
    return screen("handover").run()


def fill(at: AppTest, *, by="Ada Lind", to="Reserve office") -> AppTest:
    at.multiselect(key="packs").set_value([kept.PACK])
    at.text_input(key="to").input(to)
    at.text_input(key="sender").input(by)
    at.radio(key="evidence").set_value("none")
    return at


def press(at: AppTest, label: str) -> AppTest:
    return next(b for b in at.button if b.label == label).click().run()


def test_without_surveys_the_page_says_what_it_is_for(store):
    assert "Nothing to hand over yet" in words(opened())


def test_signed_surveys_are_chosen_and_go_by_one_button(store, tmp_path):
    """The package lies in the store's folder and downloads as one file that `sha256sum` finds whole."""
    survey(store)
    sign(store)
    survey(store, "K7RM4X")
    at = opened()
    assert at.multiselect(key="packs").value == [kept.PACK]
    press(fill(at), "Make the package")
    assert not at.exception
    assert "Hand-over 1 to Reserve office is made and noted" in words(at)
    (one,) = sending.sent(store)
    assert [s.pack for s in one.record.surveys] == [kept.PACK]
    assert 'href="/desk/handover/1"' in words(at)
    assert at.multiselect(key="packs").value == []  # it has gone; another press sends nothing twice
    assert opened().multiselect(key="packs").value == []
    signed = screen("signoff").run()
    assert "Handed over: see what was sent" in words(signed)
    with zipfile.ZipFile(io.BytesIO(sending.zipped(one.folder))) as archive:
        archive.extractall(tmp_path)
    done = subprocess.run(
        ["sha256sum", "--check", "--quiet", "checksums.txt"],  # noqa: S607
        cwd=tmp_path / one.folder.name,
        check=False,
    )
    assert done.returncode == 0


def test_what_a_killed_run_left_is_never_given_as_the_package(store):
    """Neither a folder of the same number that was still being written, nor a whole one that was never noted."""
    survey(store)
    folder, record, _ = sending.hand_over(store, OFFICE)
    for left in (f"{folder.name}.0a1b2c.incoming", "handover-1-2020-01-01"):
        (folder.parent / left).mkdir()
        (folder.parent / left / "checksums.txt").write_text("", encoding="utf-8")
    assert sending.package(store, record) == folder
    assert [one.folder for one in sending.sent(store)] == [folder]


def test_an_unsigned_survey_is_refused_in_words_and_nothing_is_noted(store):
    survey(store)
    at = opened()
    assert at.multiselect(key="packs").value == []
    fill(at).multiselect(key="packs").set_value([])
    press(at, "Make the package")
    assert "Choose at least one survey" in words(at)
    at.multiselect(key="packs").set_value([kept.PACK])
    press(at, "Make the package")
    assert "reviewed, not signed; sign it on the Sign-off screen" in words(at)
    assert sending.sent(store) == []


def test_what_changed_since_it_was_sent_is_shown_and_corrected(store):
    """The correction goes to the same receiver; then nothing is due."""
    pages = survey(store)
    sign(store)
    press(fill(opened()), "Make the package")
    store.decide(pages["substrate"], POINT, value="BK", state="entered", by="Anna", now=kept.NOW)
    at = opened()
    assert f"Changed since it was sent: PILOT GARDEN, 2026-03-14 (pack {kept.PACK})" in words(at)
    at.text_area(key="correct-why-1").input("A point was misread")
    at.text_input(key="correct-by-1").input("Ada Lind")
    press(at, "Make the correction")
    assert "changed since version 1 was signed; sign it" in words(at)
    at.checkbox(key="correct-unsigned-1").check()
    press(at, "Make the correction")
    assert "Hand-over 2 to Reserve office is made and noted" in words(at)
    assert "corrects hand-over 1" in words(at)
    assert "Changed since it was sent" not in words(at)


def test_changes_are_told_by_receiver(store):
    """Sent anew to one, a survey is still another's old one."""
    pages = survey(store)
    sign(store)
    press(fill(opened()), "Make the package")
    press(fill(opened(), to="Museum"), "Make the package")
    store.decide(pages["fish"], TOTAL, value=7, state="entered", by="Anna", now=kept.NOW)
    assert {s.record.recipient: s.changed for s in sending.sent(store)} == {
        "Museum": (kept.PACK,),
        "Reserve office": (kept.PACK,),
    }
    sign(store)
    press(fill(opened(), to="Museum"), "Make the package")
    assert [(s.record.number, s.changed) for s in sending.sent(store)] == [(3, ()), (2, ()), (1, (kept.PACK,))]
