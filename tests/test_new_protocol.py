"""A protocol of one's own: asked for, written, explained, drawn."""

from __future__ import annotations

import io
import re
import sys

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from digitise.cli import main
from digitise.sheets.codes import MOST, choose_codes, margins
from digitise.sheets.compose import build_layouts, layout_problems
from digitise.sheets.new_protocol import MOST_CODES, QUESTIONS, identifiers, needed, protocol_yaml
from digitise.sheets.protocol import HALVES, SHIPPED, load_protocol, parse_protocol, shipped_names
from digitise.sheets.protocol_check import explain


def _usual(**given_) -> dict[str, object]:
    """The usual answers, but for those given as text."""
    answers: dict[str, object] = {}
    for question in QUESTIONS:
        if needed(question, answers):
            answers[question.key] = question.read(given_.get(question.key, question.usual))
    return answers


WISHES = [
    pytest.param({}, 40, [40.0], id="usual"),
    pytest.param({"length": "20", "belt": "2", "spacing": "0"}, None, [40.0], id="belt-only"),
    pytest.param({"segments": "0-5 5-10 10-15 15-20"}, 40, [10.0] * 4, id="four-times-five"),
    pytest.param({"length": "50", "spacing": "0.25", "belt": "0"}, 200, None, id="fifty-metres-every-25-cm"),
    pytest.param({"belt": "0", "frames": "10", "side": "0.5"}, 40, [0.25] * 10, id="frames"),
]


@pytest.mark.parametrize(("wish", "points", "areas"), WISHES)
def test_the_wished_survey_is_what_the_file_makes(wish, points, areas) -> None:
    """Points on the tape and areas counted are those asked for, and everything fits on both papers."""
    protocol = parse_protocol(protocol_yaml(_usual(**wish)), "new.yaml")

    assert layout_problems(protocol) == []
    assert ("points" in protocol.sheets) == (points is not None)
    assert "line" not in protocol.sheets  # what plans call the task of laying it
    if points is not None:
        assert len(protocol.transect.points_m) == points
    counts = [name for name, s in protocol.sheets.items() if s.kind == "belt"]
    assert [[p.area_m2 for p in protocol.parts(name)] for name in counts] == ([areas] if areas else [])


@settings(max_examples=25)
@given(
    st.lists(
        st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), min_size=1, max_size=25),
        min_size=2,
        max_size=6,
    ),
    st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), min_size=1, max_size=40),
)
def test_any_words_are_written_so_that_they_are_read_again(labels: list[str], title: str) -> None:
    """Quotes, colons, hashes, other scripts: the YAML gives back what was typed, with ids all different."""
    try:
        answers = _usual(animals=",".join(labels), title=title.strip() or "Title")
    except ValueError:
        return  # names that are only commas and spaces
    data = yaml.safe_load(protocol_yaml(answers))

    assert data["title"] == answers["title"]
    assert [row["label"] for row in data["sheets"]["belt"]["rows"]] == list(answers["animals"])
    assert len(set(identifiers(answers["animals"]))) == len(answers["animals"])
    assert all(re.fullmatch(r"[a-z0-9][a-z0-9-]{0,39}", i) for i in identifiers(answers["animals"]))


def test_an_id_does_not_hang_on_what_stands_before_it() -> None:
    """In the next edition, with a row more and in another order, each label has the id that it had: it is compared by
    that. Letters that an id cannot hold, and labels that would be one without their marks, leave none of it to chance.
    """
    labels = ("Soft coral", "Récif", "Cá mú", "Cá mũ", "Đá", "Άμμος", "Кораллы", "Рыба 2", "Краб 2")
    first = dict(zip(labels, identifiers(labels), strict=True))
    later = ("Σφουγγάρι", *reversed(labels))

    assert (first["Soft coral"], first["Récif"]) == ("soft-coral", "recif")
    assert len(set(first.values())) == len(labels)
    assert dict(zip(later, identifiers(later), strict=True)) == first | {"Σφουγγάρι": identifiers(("Σφουγγάρι",))[0]}


def test_names_that_look_like_numbers_or_dates_are_names() -> None:
    """A bay called 2026 and animals by their number on a card: the written file is one that can be used."""
    names = "12, 2026-04-11, null, 1.5, no"
    found = parse_protocol(protocol_yaml(_usual(name="2026", animals=names, categories=names)), "new.yaml")

    assert found.protocol == "2026"
    assert [row.id for row in found.sheets["belt"].rows] == ["12", "2026-04-11", "null", "1-5", "no"]
    assert [c.label for c in found.sheets["points"].categories] == ["12", "2026-04-11", "null", "1.5", "no"]


def test_nothing_to_survey_is_refused() -> None:
    with pytest.raises(ValueError, match="expected something to survey"):
        protocol_yaml(_usual(spacing="0", belt="0", frames="0"))


def test_as_many_categories_are_taken_as_there_are_codes() -> None:
    assert MOST_CODES == MOST


def test_questions_are_asked_on_standard_input_and_again_after_a_wrong_answer(tmp_path, monkeypatch, capsys) -> None:
    """A bad name is explained and asked for once more; empty lines take the usual answer."""
    monkeypatch.setattr(sys, "stdin", io.StringIO("Bad Name\nkelp-bay\n\n\nletter\n2\n" + "\n" * 20))
    out = tmp_path / "kelp.yaml"
    code = main(["protocol", "new", "--out", str(out)])
    said = capsys.readouterr()
    protocol = load_protocol(out)

    assert code == 0
    assert "found 'Bad Name', expected small letters, digits and hyphens" in said.err
    assert (protocol.protocol, protocol.paper, protocol.transects) == ("kelp-bay", "letter", 2)
    assert "kelp-bay 1 can be used: a pack has 5 pages on letter." in said.err


def test_options_answer_for_scripts_and_a_file_is_never_written_over(tmp_path, capsys) -> None:
    """--usual asks nothing; a wrong option ends with 2 and its name; a second run leaves the file as it is."""
    out = str(tmp_path / "bay.yaml")

    assert main(["protocol", "new", "--usual", "--out", out, "--name", "bay", "--frames", "4", "--side", "0.5"]) == 0
    before = (tmp_path / "bay.yaml").read_bytes()
    assert main(["protocol", "new", "--usual", "--out", out]) == 2
    comma = ["protocol", "new", "--usual", "--out", str(tmp_path / "b.yaml"), "--spacing", "0,25"]
    assert main(comma) == 2
    assert "--spacing: found '0,25', expected a number from 0 to 500, with a point: 0.25" in capsys.readouterr().err
    assert main(["protocol", "new", "--usual", "--out", str(tmp_path / "b.yaml"), "--lines", "many"]) == 2
    assert "--lines: found 'many', expected a whole number from 1 to 20" in capsys.readouterr().err
    assert (tmp_path / "bay.yaml").read_bytes() == before
    assert not (tmp_path / "b.yaml").exists()


def _whole_slots(protocol) -> set[int]:
    return {one.slot for one in build_layouts(protocol) if one.paper in HALVES}


def test_a_new_protocol_shares_no_corner_marks_with_the_shipped_ones(tmp_path) -> None:
    """Whatever its name: the file is given a shift where it needs one; there are not marks enough for small pages too."""
    shipped = {slot for name in shipped_names() for slot in _whole_slots(load_protocol(name))}
    for i in range(4):
        out = tmp_path / f"p{i}.yaml"
        assert main(["protocol", "new", "--usual", "--out", str(out), "--name", f"p{i}"]) == 0
        assert not shipped & _whole_slots(load_protocol(out))


def test_every_problem_of_a_file_is_explained_at_once(tmp_path, capsys) -> None:
    """Three wrong keys, three lines, each with file, key, found and expected; exit code 1."""
    text = (SHIPPED / "reef-transect.yaml").read_text(encoding="utf-8")
    bad = text.replace("length_m: 20", "length_m: two").replace("kind: line", "kind: lines")
    path = tmp_path / "bad.yaml"
    path.write_text(bad.replace("paper: A4", "paper: A3"), encoding="utf-8")
    code = main(["protocol", "check", str(path)])
    lines = capsys.readouterr().out.splitlines()

    assert code == 1
    assert [line.removeprefix(f"{path}: ").split(": ")[1] for line in lines] == [
        "paper",
        "transect.length_m",
        "sheets.substrate.kind",
    ]
    assert "found 'lines', expected one of site, belt, line" in lines[2]


def test_sheets_that_do_not_fit_are_told_for_each_sheet_and_words_too_long_for_each_page(tmp_path) -> None:
    """Two sheets with too much on them; then a label that its place cannot hold."""
    text = (SHIPPED / "reef-transect.yaml").read_text(encoding="utf-8")
    path = tmp_path / "full.yaml"
    path.write_text(
        text.replace("columns: 4", "columns: 6").replace("width_mm: 110", "width_mm: 190"), encoding="utf-8"
    )
    crowded = explain(path).problems
    path.write_text(text.replace("label: Rubble", "label: Rubble " + "and more " * 20), encoding="utf-8")
    wordy = explain(path).problems

    assert {p.split(": ")[1] for p in crowded} == {"sheets.site", "sheets.substrate"}
    assert any("does not fit in 1 line(s)" in p and "substrate, page 1 on A4" in p for p in wordy)


def test_a_sheet_that_no_plan_can_tell_from_laying_the_line_is_a_note(tmp_path) -> None:
    """Its briefing would say of nobody that they lay the line."""
    path = tmp_path / "line.yaml"
    path.write_text(protocol_yaml(_usual()).replace("  points:", "  line:"), encoding="utf-8")

    assert any(n.startswith("sheet 'line' has the name of a task in plans") for n in explain(path).notes)


def test_shared_marks_and_lost_fields_are_notes(tmp_path) -> None:
    """A copy under another version that clashes is told the shift that frees it; fields that checks need are named."""
    reef = load_protocol("reef-transect")
    text = (SHIPPED / "reef-transect.yaml").read_text(encoding="utf-8")
    path = tmp_path / "copy.yaml"
    text = text.replace("label: Rays}", "label: goatfish}").replace("label: Sand and silt", "label: Rubble")
    text_depth = text.replace('Depth (m), kind: decimal, format: "##.#"', "Depth (m), kind: text, width_mm: 30")
    path.write_text(text_depth.replace("{id: team,", "{id: crew,"), encoding="utf-8")
    found = explain(path, others=[reef])

    assert found.problems == ()
    assert any("no field with id 'team'" in n for n in found.notes)
    assert not any("task in plans" in n for n in found.notes)
    assert [n for n in found.notes if "are called" in n] == [
        "sheet 'fish': two rows or categories are called 'Goatfish'",
        "sheet 'substrate': two rows or categories are called 'Rubble'",
    ]
    assert "sheet 'invertebrate' has no field 'laid': its wait is not checked" in found.notes
    assert (
        "sheet 'fish': field 'depth' is of kind text, so checks and exports leave it out; they know one of kind "
        "decimal or number by this id"
    ) in found.notes
    path.write_text(
        text.replace("{id: damselfish,", "{id: damsel,").replace("protocol: reef-transect", "protocol: copy"),
        encoding="utf-8",
    )
    clash = load_protocol(path)
    wanted = next(iter(build_layouts(reef))).slot - next(iter(build_layouts(clash))).slot
    path.write_text(path.read_text(encoding="utf-8") + f"\nmarks: {wanted % 250}\n", encoding="utf-8")
    (note,) = [n for n in explain(path, others=[reef]).notes if "corner marks" in n]
    marks = int(re.search(r"'marks: (\d+)'", note)[1])
    free = type(clash).model_validate(clash.model_dump() | {"marks": marks})
    assert not _whole_slots(free) & _whole_slots(reef)


def test_previews_are_drawn_as_pdf_and_pictures_that_say_what_they_are(tmp_path) -> None:
    """Three pages of one line; the note keeps them from being taken diving."""
    import pypdfium2

    assert main(["protocol", "preview", "wall-segments", "--out", str(tmp_path)]) == 0
    pdf = pypdfium2.PdfDocument(tmp_path / "wall-segments-a4.pdf")
    texts = [page.get_textpage().get_text_range() for page in pdf]
    pdf.close()

    assert len(texts) == len(list(tmp_path.glob("*.png"))) == 3
    assert all("preview, not for use" in t for t in texts)


def test_each_code_has_a_margin_and_the_least_is_that_of_the_nearest_pair() -> None:
    """The set's nearest pair is each other's nearest, with the set's chance."""
    chosen = choose_codes(7)
    own = {m.code: m for m in margins(chosen.codes)}
    a, b = chosen.nearest

    assert set(own) == set(chosen.codes)
    assert max(m.chance for m in own.values()) == pytest.approx(chosen.chance)
    assert own[a].chance == pytest.approx(own[b].chance) == pytest.approx(chosen.chance)


def test_words_that_stay_english_and_letters_of_other_languages_are_told(tmp_path) -> None:
    """The shipped Spanish protocol leaves none; a half translated one is told what is left, in one note."""
    text = (SHIPPED / "wall-segments.yaml").read_text(encoding="utf-8")
    whole = explain(SHIPPED / "wall-segments.yaml").notes
    assert [n for n in whole if "English" in n] == []
    assert "field 'east-west': E is east, O is west, by the order of its choices" in whole
    assert not any("north-south" in n for n in whole)

    path = tmp_path / "half.yaml"
    path.write_text(text.replace("  pack: Juego\n", "").replace("  kit: Equipo\n", ""), encoding="utf-8")
    assert "2 captions will be printed in English: pack, kit" in explain(path).notes
    assert [n for n in explain(SHIPPED / "reef-transect.yaml").notes if "English" in n] == []


def test_captions_of_protocols_written_before_are_still_taken(tmp_path) -> None:
    """Words that are printed nowhere any more keep no old edition from being read."""
    text = (SHIPPED / "wall-segments.yaml").read_text(encoding="utf-8")
    path = tmp_path / "old.yaml"
    path.write_text(text.replace("  pack: Juego\n", "  pack: Juego\n  names: Nombres\n"), encoding="utf-8")
    assert explain(path).problems == ()
