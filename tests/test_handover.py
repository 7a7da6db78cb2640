"""A hand-over holds what it says, refuses what nobody vouched for, is noted, and can be corrected with every change."""

import csv
import json
import os
import re
import subprocess
from dataclasses import replace

import numpy as np
import pypdfium2
import pytest
from kept import FLAGGED, NOW, PACK, keep, layout, made_result, protocol
from sent import OFFICE, POINT, RAY, SITE, TOTAL, covering_note, handed, noted, sign, survey

from digitise.cli import main
from digitise.commands.common import DEFAULT_STORE
from digitise.exchange.bag import faults
from digitise.exchange.evidence import take_in
from digitise.handover.changes import changed_cells, changed_numbers, changed_photographs
from digitise.handover.checking import check_package
from digitise.handover.package import make_handover, record_of
from digitise.handover.prepared import prepare_handover
from digitise.handover.readiness import NotReady
from digitise.store import ChangedMeanwhile, Store
from digitise.store.keyed import Sheet
from digitise.store.signoffs import FrozenCell

OTHER = "K7RM4X"


def rows(path) -> list[dict]:
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


@pytest.fixture
def kept(tmp_path):
    with Store.open(tmp_path / "store") as store:
        yield store


def test_a_survey_that_is_not_signed_is_refused_and_named(kept, tmp_path):
    """What to do stands in the sentence; nothing is written and nothing noted."""
    survey(kept)
    with pytest.raises(NotReady, match=rf"PILOT GARDEN, 2026-03-14 \(pack {PACK}\): reviewed, not signed; sign it"):
        handed(kept, tmp_path / "out", with_unsigned=False)
    assert not (tmp_path / "out").exists()
    assert kept.handovers.all() == []


def test_waiting_cells_are_refused_even_where_unsigned_surveys_may_go(kept, tmp_path):
    """One is no leave for the other; asked for, the note says so in its first lines."""
    survey(kept, fish={TOTAL: FLAGGED})
    with pytest.raises(NotReady, match="1 cell nobody has decided; review them"):
        handed(kept, tmp_path / "out")
    folder, record = handed(kept, tmp_path / "out", with_unsigned=False, with_unreviewed=True)
    assert "Provisional" in covering_note(folder)
    assert "1 cell nobody has decided" in covering_note(folder)
    assert (record.surveys[0].state, record.surveys[0].unread) == ("unreviewed", 1)


def test_commands_to_copy_stand_on_a_line_of_their_own(kept, tmp_path):
    """On the page no browser breaks them at a hyphen, and on paper they are whole."""
    survey(kept)
    folder, _ = handed(kept, tmp_path / "out")
    paper = pypdfium2.PdfDocument((folder / "covering-note.pdf").read_bytes())
    lines = [line for page in paper for line in page.get_textpage().get_text_range().splitlines()]
    for command in ("sha256sum --check checksums.txt", "shasum -a 256 -c checksums.txt"):
        assert f'<code class="command">{command}</code>' in covering_note(folder)
        assert command in lines
    assert ".command{white-space:nowrap}" in covering_note(folder)


def test_a_signed_survey_goes_without_asking_and_its_version_is_noted(kept, tmp_path):
    """Who signed, which version, whom it went to and when; the note says Signed."""
    survey(kept)
    sign(kept)
    folder, record = handed(kept, tmp_path / "out", with_unsigned=False)
    assert "<strong>Signed.</strong>" in covering_note(folder)
    assert "version 1, signed by Sanna Ruo on 2026-03-28" in covering_note(folder)
    (sent,) = record.surveys
    assert (record.number, record.recipient, record.by, record.at) == (
        1,
        "Reserve office",
        "Ada Lind",
        "2026-03-28T09:30:00Z",
    )
    assert (sent.pack, sent.site, sent.state, sent.version) == (PACK, "PILOT GARDEN", "signed", 1)
    assert sent.digest == kept.signoffs.digest(PACK)


@pytest.mark.parametrize(
    ("evidence", "positions", "told"),
    [
        ("shared", False, "Copies of photographs hold no position"),
        ("shared", True, "Photographs are the files as they came"),
        ("whole", False, "Photographs are the files as they came"),
        ("none", True, ""),
    ],
)
def test_the_note_says_what_photographs_tell_of_the_phone(kept, tmp_path, evidence, positions, told):
    """The whole store has every file as it came, whatever else was asked for; without pictures nothing is said of them."""
    survey(kept)
    folder, _ = handed(kept, tmp_path / "out", evidence=evidence, positions=positions)
    said = [
        s
        for s in ("Copies of photographs hold no position", "Photographs are the files as they came")
        if s in covering_note(folder)
    ]
    assert said == ([told] if told else [])


def test_a_survey_changed_since_its_signature_is_refused_as_changed(kept, tmp_path):
    pages = survey(kept)
    sign(kept)
    kept.decide(pages["fish"], TOTAL, value=7, state="entered", by="Anna", now=NOW)
    with pytest.raises(NotReady, match="changed since version 1 was signed; sign it"):
        handed(kept, tmp_path / "out", with_unsigned=False)


def test_the_package_proves_itself_and_the_store_knows_it(kept, tmp_path):
    """`sha256sum --check` agrees with our own check; a changed, added or missing file is named."""
    survey(kept)
    folder, record = handed(kept, tmp_path / "out", evidence="shared")
    done = subprocess.run(["sha256sum", "--check", "--quiet", "checksums.txt"], cwd=folder, check=False)  # noqa: S607
    assert done.returncode == 0
    assert check_package(folder, kept.handovers.all()) == ([], record)
    assert {p.name for p in folder.iterdir()} == {
        "covering-note.html", "covering-note.pdf", "report", "exchange", "evidence", "handover.json", "checksums.txt",
    }  # fmt: skip
    assert faults(folder / "evidence") == []

    (folder / "exchange" / "sites.geojson").write_text("{}")
    (folder / "more.txt").write_text("added")
    (folder / "covering-note.pdf").unlink()
    wrong, known = check_package(folder, kept.handovers.all())
    assert known == record
    assert sorted(w.split(":")[0] for w in wrong) == ["covering-note.pdf", "exchange/sites.geojson", "more.txt"]


def test_a_package_of_another_store_is_told_apart(kept, tmp_path):
    survey(kept)
    folder, _ = handed(kept, tmp_path / "out")
    wrong, record = check_package(folder, [])
    assert record is None
    assert wrong == ["checksums.txt: is not the list of any hand-over that this store knows"]


def test_a_receiver_without_the_store_checks_a_package_by_its_own_list(kept, tmp_path, capsys, monkeypatch):
    """They are told what to compare with the letter; a store that was named and is none is refused all the same."""
    survey(kept)
    folder, record = handed(kept, tmp_path / "out", evidence="none")
    monkeypatch.chdir(tmp_path)
    capsys.readouterr()
    assert main(["handover", "--check", str(folder)]) == 0
    assert record.digest in capsys.readouterr().err
    assert main(["handover", "--check", str(folder), "--store", "elsewhere"]) == 2
    (folder / "covering-note.html").write_text("another")
    assert main(["handover", "--check", str(folder)]) == 1
    assert not (tmp_path / DEFAULT_STORE).exists()


def test_a_correction_says_every_cell_and_figure_that_changed_and_nothing_else(kept, tmp_path):
    """One point of sand is coral after all: 11 of 40 points instead of 10, so 27.5 % instead of 25.0 %."""
    pages = survey(kept)
    survey(kept, OTHER)
    first = noted(kept)
    kept.decide(pages["substrate"], POINT, value="BK", state="entered", by="Anna", now=NOW, why="misread")
    folder, second = handed(kept, tmp_path / "out", recipient="", corrects=1, reason="One point was misread")

    assert folder.name == "handover-2-corrects-1-2026-03-28"
    assert (second.corrects, second.kind, second.recipient) == (1, "correction", "Reserve office")
    assert [s.pack for s in second.surveys] == [PACK]
    assert rows(folder / "changes" / "cells.csv") == [
        {
            "pack": PACK,
            "cell": "T1, Substrate line, 20 m",
            "sent": "YB",
            "now": "BK",
            "by": "Anna, 2026-03-28",
            "why": "misread",
        }
    ]
    figures = {r["figure"].partition(": ")[2]: (r["sent"], r["now"]) for r in rows(folder / "changes" / "figures.csv")}
    assert set(figures) == {"Hard coral", "Total live cover", "Branching hard coral", "Sand and silt"}
    assert figures["Branching hard coral"] == ("25.0 %", "27.5 %")
    assert figures["Sand and silt"] == ("75.0 %", "72.5 %")
    assert "Why: One point was misread" in covering_note(folder)
    assert first.survey(PACK).numbers != second.survey(PACK).numbers
    assert kept.handovers.cells(first, PACK) != kept.handovers.cells(second, PACK)


def test_a_correction_never_names_whom_the_hand_over_did_not(kept):
    """Names stay replaced without anybody asking again; those that were given may be replaced later."""
    pages = survey(kept)
    assert noted(kept, pseudonyms=True).pseudonyms
    noted(kept, recipient="Museum")
    kept.decide(pages["fish"], TOTAL, value=7, state="entered", by="Anna", now=NOW)
    assert noted(kept, corrects=1, reason="A total").pseudonyms
    assert not noted(kept, corrects=2, reason="A total").pseudonyms


def test_there_is_nothing_to_correct_while_all_is_as_it_was_sent(kept):
    """A cell confirmed with the same value is no change, nor is one already corrected."""
    pages = survey(kept)
    noted(kept)
    kept.decide(pages["fish"], TOTAL, value=6, state="entered", by="Anna", now=NOW)
    with pytest.raises(ValueError, match="nothing to correct: every survey of hand-over 1 is as it was last sent"):
        noted(kept, corrects=1, reason="?")
    kept.decide(pages["fish"], TOTAL, value=7, state="entered", by="Anna", now=NOW)
    noted(kept, corrects=1, reason="A total")
    with pytest.raises(ValueError, match="nothing to correct"):
        noted(kept, corrects=1, reason="A total")


@pytest.mark.parametrize(
    ("wishes", "sentence"),
    [
        ({"corrects": 9, "reason": "x"}, "there is no hand-over 9"),
        ({"corrects": 1}, "a correction needs a reason"),
        ({"corrects": 1, "reason": "x", "packs": ("WX3PLE",)}, "pack WX3PLE was not part of hand-over 1"),
        ({"recipient": "  "}, "recipient"),
        ({"by": ""}, "no name is given; write who does this"),
        ({"packs": ("WX3PLE",)}, "no sheet of pack WX3PLE"),
        ({"evidence": "whole", "pseudonyms": True}, "whole evidence is the whole store"),
    ],
)
def test_wishes_that_cannot_be_met_are_refused_in_words(kept, wishes, sentence):
    survey(kept)
    noted(kept)
    with pytest.raises(ValueError, match=sentence):
        noted(kept, **wishes)
    assert len(kept.handovers.all()) == 1


def test_each_survey_tells_who_changed_its_own_cells(kept, tmp_path):
    """Two surveys have the same cells: who decided one's is never told of the other's, in the note as in the files."""
    changed = {PACK: "Anna", OTHER: "Bes Hallor"}
    pages = {pack: survey(kept, pack)["fish"] for pack in changed}
    handed(kept, tmp_path)
    for pack, who in changed.items():
        kept.decide(pages[pack], TOTAL, value=7, state="entered", by=who, now=NOW)

    folder, _ = handed(kept, tmp_path)

    by = {pack: f"{who}, {NOW.date()}" for pack, who in changed.items()}
    assert {row["pack"]: row["by"] for row in rows(folder / "changes" / "cells.csv")} == by
    told = re.sub(r"(<[^>]+>)+", "|", covering_note(folder)).partition("|What changed|Since")[2]
    for pack in by:
        of_one = told.partition(f"(pack {pack})|")[2].partition("(pack ")[0]
        assert f"|6|7|{by[pack]}|" in of_one


def test_changes_are_told_to_each_receiver_since_their_own_last_package(kept, tmp_path):
    """The office has seen the first state, the museum nothing; a survey no longer sent is named."""
    pages = survey(kept)
    survey(kept, OTHER, site={"site/site": "TAMARIND WALL"})
    noted(kept)
    kept.decide(pages["fish"], RAY, value=5, state="entered", by="Anna", now=NOW)
    museum, _ = handed(kept, tmp_path / "out", recipient="Museum")
    office, _ = handed(kept, tmp_path / "out", recipient="reserve  OFFICE", packs=(PACK,))

    assert "This is the first package for Museum." in covering_note(museum)
    assert not (museum / "changes").exists()
    assert "Since hand-over 1 of 2026-03-28: 1 survey changed, 0 unchanged, 0 new." in covering_note(office)
    assert "Sent before, not in this package" in covering_note(office)
    assert "TAMARIND WALL, 2026-03-14 (pack K7RM4X)" in covering_note(office)
    assert [r["cell"] for r in rows(office / "changes" / "cells.csv")] == ["T1, Fish belt, Rays, 0-10 m: tally"]


def test_what_was_sent_is_read_from_history_and_never_changes(kept):
    """Whatever is entered, undone or photographed again later, the state of then comes back cell by cell."""
    pages = survey(kept, fish={TOTAL: FLAGGED})
    kept.decide(pages["fish"], TOTAL, value=6, state="entered", by="Anna", now=NOW)
    before = kept.signoffs.cells(PACK)
    record = noted(kept)
    kept.undo(pages["fish"], TOTAL, by="Anna", now=NOW)
    kept.decide(pages["substrate"], POINT, value=None, state="illegible", by="Anna", now=NOW)
    again = keep(kept, made_result("site", SITE | {"site/site": "ELSEWHERE"}, name="new.jpg", confidence=0.99999))
    assert kept.page(pages["site"]).superseded_by == again

    assert kept.handovers.cells(record, PACK) == before
    assert kept.signoffs.cells(PACK) != before


def test_a_sheet_given_to_another_transect_since_is_told_cell_by_cell(kept, tmp_path):
    """What was sent stays where it was then, and the note does not say that only the tool is another."""
    pages = survey(kept)
    before = kept.signoffs.cells(PACK)
    record = noted(kept)
    kept.assign(pages["fish"], PACK, 2, "Anna", NOW)

    assert kept.handovers.cells(record, PACK) == before
    folder, _ = handed(kept, tmp_path / "out", corrects=1, reason="It is of transect 2")
    cells = {r["cell"]: (r["sent"], r["now"]) for r in rows(folder / "changes" / "cells.csv")}
    assert cells["T2, Fish belt, Rays, 0-10 m: tally"] == ("not in the survey", "6")
    assert "No cell changed" not in covering_note(folder)


def test_a_sheet_given_up_since_is_still_what_was_sent(kept):
    """Begun by hand, handed over undecided, then set aside: the record can still be read."""
    sha256 = kept.keep_photo(b"a refused photograph", "refused.png", now=NOW)
    place = Sheet(sha256, layout("invertebrate"), protocol(), PACK, 1)
    page = kept.by_hand.begin(place, np.full((40, 30), 200, np.uint8), by="Anna", now=NOW)
    before = kept.signoffs.cells(PACK)
    record = noted(kept, with_unreviewed=True)
    kept.by_hand.set_aside(page, by="Anna", now=NOW)

    assert kept.handovers.cells(record, PACK) == before


def test_a_sheet_photographed_again_is_told_as_such(kept, tmp_path):
    survey(kept)
    noted(kept)
    keep(kept, made_result("fish", {RAY: 6, TOTAL: 6}, name="better.jpg", confidence=0.99999))
    folder, _ = handed(kept, tmp_path / "out", corrects=1, reason="A better photograph")
    assert "Read from another photograph: T1, fish." in covering_note(folder)
    assert rows(folder / "changes" / "cells.csv") == []


def test_an_entry_made_while_the_package_is_written_stops_the_hand_over(kept, tmp_path):
    """Nothing is noted, nothing left behind, and the next try works."""
    pages = survey(kept)
    prepared = prepare_handover(kept, OFFICE, now=NOW)
    kept.decide(pages["fish"], TOTAL, value=7, state="entered", by="Anna", now=NOW)
    with pytest.raises(ChangedMeanwhile, match=f"pack {PACK} was changed while the package was written"):
        make_handover(kept, tmp_path / "out", prepared, now=NOW)
    assert list((tmp_path / "out").iterdir()) == []
    assert noted(kept).number == 1


def test_of_two_hand_overs_made_at_once_one_stands_and_the_other_is_told(kept, tmp_path):
    """Neither spoils the other's files; what a killed run left is swept away after a day."""
    survey(kept)
    out = tmp_path / "out"
    first, second = (prepare_handover(kept, OFFICE, now=NOW) for _ in range(2))

    def meanwhile(part):
        if part == "note":
            made.append(make_handover(kept, out, second, now=NOW))

    made = []
    with pytest.raises(ChangedMeanwhile, match="another hand-over was made"):
        make_handover(kept, out, first, now=NOW, tick=meanwhile)
    ((folder, record),) = made
    assert check_package(folder, kept.handovers.all()) == ([], record)


def test_what_a_killed_hand_over_left_goes_after_a_day_and_nobody_elses_folder(kept, tmp_path):
    """Only names that the program gives itself are its own."""
    survey(kept)
    out = tmp_path / "out"
    own = [f"handover-9{what}-2026-03-01.abcdef.incoming" for what in ("", "-corrects-4")]
    others = ["handover-notes.incoming", "handover-9-2026-03-01.incoming", "handover-9-2026-03-01.my-own.incoming"]
    for name in (*own, *others):
        (out / name).mkdir(parents=True)
        os.utime(out / name, (0, 0))
    folder, _ = handed(kept, out)
    assert {p.name for p in out.iterdir()} == {folder.name, *others}


def test_work_on_other_surveys_does_not_stop_a_hand_over(kept):
    """Clerks go on elsewhere; what was sent comes back from history without their entries."""
    survey(kept)
    other = survey(kept, OTHER)
    prepared = prepare_handover(kept, replace(OFFICE, packs=(PACK,)), now=NOW)
    kept.decide(other["fish"], TOTAL, value=7, state="entered", by="Anna", now=NOW)
    record = kept.handovers.add(record_of(prepared, "0" * 64), now=NOW)
    assert kept.handovers.cells(record, PACK) == kept.signoffs.cells(PACK)


def test_two_hand_overs_at_once_do_not_take_one_number(kept, tmp_path):
    survey(kept)
    prepared = prepare_handover(kept, OFFICE, now=NOW)
    noted(kept)
    with pytest.raises(ChangedMeanwhile, match="another hand-over was made meanwhile"):
        make_handover(kept, tmp_path / "two", prepared, now=NOW)


def test_a_record_is_part_of_the_audit_trail_and_of_evidence(kept, tmp_path):
    """A record changed behind the tool's back is found; a store made from whole evidence knows what was sent."""
    from digitise.store.verify import verify

    survey(kept)
    noted(kept)
    folder, _ = handed(kept, tmp_path / "out", evidence="whole")
    assert verify(kept).problems == ()
    with take_in(folder / "evidence", tmp_path / "second", now=NOW) as second:
        assert second.handovers.all() == kept.handovers.all()[:1]
        assert second.handovers.cells(second.handovers.get(1), PACK) == kept.signoffs.cells(PACK)


def test_handover_json_says_it_for_programs(kept, tmp_path):
    survey(kept)
    folder, _ = handed(kept, tmp_path / "out", reason="Yearly")
    found = json.loads((folder / "handover.json").read_text(encoding="utf-8"))
    assert (found["number"], found["corrects"], found["recipient"], found["reason"]) == (
        1,
        None,
        "Reserve office",
        "Yearly",
    )
    (one,) = found["surveys"]
    assert (one["pack"], one["state"], one["change"], one["undecided_cells"]) == (PACK, "unsigned", "new", 0)


# What is different, by hand


def cell(name: str, value, state="entered", sha="a", sheet="fish", transect=1) -> FrozenCell:
    return FrozenCell(sha, sheet, 1, transect, name, state, value, "rule", 1)


def test_changed_cells_are_those_with_another_state_or_value_whatever_the_photograph():
    then = [cell("a", 1), cell("b", None, "blank"), cell("c", 5), cell("d", True)]
    now = [cell("a", 1, sha="b"), cell("b", None, "illegible", "b"), cell("d", 1, sha="b"), cell("e", 2, sha="b")]
    found = changed_cells(then, now)
    assert [(p.place.cell, p.then and p.then.state, p.now and p.now.state) for p in found] == [
        ("b", "blank", "illegible"),
        ("d", "entered", "entered"),
        ("e", None, "entered"),
        ("c", "entered", None),
    ]
    assert changed_photographs(then, now) == (("fish", 1, 1),)


def test_a_state_has_no_changes_against_itself_and_swapping_the_two_swaps_every_pair():
    then, now = [cell("a", 1), cell("b", 2)], [cell("a", 3), cell("c", 2)]
    assert changed_cells(then, then) == ()
    there, back = changed_cells(then, now), changed_cells(now, then)
    assert {(p.then, p.now) for p in there} == {(p.now, p.then) for p in back}


def test_changed_numbers_hold_values_that_differ_and_those_without_a_value():
    then = [("cover", 25.0, None, None, "%"), ("gone", 1.0, 0.5, 2.0, "%"), ("same", 3.0, 1.0, 4.0, "%")]
    now = [("cover", 27.5, None, None, "%"), ("same", 3.0 + 1e-12, 1.0, 4.0, "%"), ("new", None, None, None, "%")]
    assert [(n.name, n.then, n.now) for n in changed_numbers(then, now)] == [
        ("cover", (25.0, None, None), (27.5, None, None)),
        ("new", None, (None, None, None)),
        ("gone", (1.0, 0.5, 2.0), None),
    ]


# The command


def test_the_command_makes_lists_checks_and_corrects(kept, capsys):
    """Exit 1 and the names of what is not ready; then 0, the list, and a check of the folder."""
    pages = survey(kept)
    base = ["handover", "--store", str(kept.folder)]
    send = [*base, "--to", "Reserve office", "--by", "Ada Lind", "--evidence", "none"]
    assert main(send) == 1
    said = capsys.readouterr().err
    assert f"PILOT GARDEN, 2026-03-14 (pack {PACK}): reviewed, not signed" in said
    assert "To leave these out: --signed. To let them in as they are: --with-unsigned" in said
    assert main([*send, "--pack", PACK]) == 1
    assert "--signed" not in capsys.readouterr().err
    assert main([*send, "--signed"]) == 2
    assert "no survey is signed as it is now" in capsys.readouterr().err
    assert main([*send, "--signed", "--pack", PACK]) == 2
    sign(kept)
    assert main([*send, "--signed", "--dry-run"]) == 0
    assert main([*send, "--dry-run"]) == 0
    assert kept.handovers.all() == []
    assert main(send) == 0
    kept.decide(pages["fish"], TOTAL, value=7, state="entered", by="Anna", now=NOW)
    fix = [*base, "--correct", "1", "--by", "Ada Lind", "--reason", "A total"]
    assert main([*fix, "--with-unsigned", "--evidence", "none"]) == 0
    capsys.readouterr()
    assert main([*base, "--list"]) == 0
    listed = capsys.readouterr().out
    assert "to Reserve office, by Ada Lind: 1 survey" in listed
    assert "to Reserve office, by Ada Lind: corrects 1" in listed
    assert kept.handovers.get(2).digest in listed
    (folder,) = (kept.folder / "handovers").glob("handover-2-*")
    assert main([*base, "--check", str(folder)]) == 0
    (folder / "covering-note.html").write_text("another")
    assert main([*base, "--check", str(folder)]) == 1
    assert "covering-note.html: has been changed" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--by", "A", "--out", "x"], "name who receives it with --to"),
        (["--to", "A", "--out", "x"], "name who hands it over with --by"),
        (["--to", "A", "--correct", "1", "--by", "B", "--out", "x"], "leave --to out"),
    ],
)
def test_arguments_that_cannot_be_used_end_with_code_2(kept, capsys, arguments, sentence):
    survey(kept)
    assert main(["handover", "--store", str(kept.folder), *arguments]) == 2
    assert sentence in capsys.readouterr().err
