"""A protocol file is understood whole, or refused with file, key, what was found and what was expected."""

from __future__ import annotations

import subprocess
import sys

import pytest
import yaml

from digitise.sheets.protocol import (
    CAPTIONS,
    BeltSpec,
    ProtocolError,
    TransectSpec,
    load_protocol,
    parse_protocol,
    shipped_names,
)
from digitise.sheets.yaml_file import MAX_BYTES

POND = """\
protocol: pond-line
version: "1"
title: Pond line
programme: Example pond group
sheets:
  pond:
    kind: line
    title: Pond line
    categories:
      - {code: AB, id: reed, label: Reeds}
      - {code: CD, id: mud, label: Mud}
  visit:
    kind: site
    title: Visit
    cautions: [Look before you step.]
    fields:
      - {id: day, label: Day, kind: date}
  birds:
    kind: belt
    title: Birds
    rows:
      - {id: heron, label: Herons}
      - {id: grebe, label: Grebes}
"""


def _swapped(old: str, new: str) -> str:
    assert POND.count(old) == 1, old
    return POND.replace(old, new)


HOSTILE = [
    pytest.param(
        _swapped("programme: Example pond group", "programme: &a Pond\nfont: *a"),
        ["line 4", "anchors and aliases are not used"],
        id="alias",
    ),
    pytest.param(
        "a: &a [x,x]\nb: &b [*a,*a]\nc: &c [*b,*b]\nd: [*c,*c]\n", ["anchors and aliases"], id="growing-aliases"
    ),
    pytest.param(
        _swapped("title: Pond line\nprog", "title: One\ntitle: Two\nprog"), ["'title' is given twice"], id="key-twice"
    ),
    pytest.param(
        _swapped("{code: AB, id: reed,", "{code: AB, code: EF, id: reed,"),
        ["line 10", "'code' is given twice"],
        id="key-twice-deep",
    ),
    pytest.param(_swapped("protocol: pond-line", "protocol: [unclosed"), ["not readable as YAML"], id="no-yaml"),
    pytest.param(
        _swapped("protocol: pond-line", "protocol: !!python/object/apply:os.getcwd []"),
        ["not readable as YAML"],
        id="python-object",
    ),
    pytest.param(_swapped("protocol: pond-line", "protocol: \x00"), ["not readable as YAML"], id="null-character"),
    pytest.param("[" * 5000, ["not readable as YAML"], id="deep-nesting"),
    pytest.param(
        _swapped("protocol: pond-line", "? [a, b]\n: c\nprotocol: pond-line"),
        ["not readable as YAML"],
        id="list-as-key",
    ),
    pytest.param(_swapped('version: "1"', "version: 2026-13-45"), ["not readable as YAML"], id="impossible-date"),
    pytest.param(_swapped('version: "1"', "version: 1" + "0" * 5000), ["not readable as YAML"], id="endless-number"),
    pytest.param(
        _swapped("title: Pond line\nprog", 'title: "Pond\\u202Eline"\nprog'),
        ["line 3: ", "(U+202E); delete it"],
        id="turned-around",
    ),
    pytest.param(
        _swapped("title: Pond line\nprog", 'title: "Pond\\uD800line"\nprog'),
        ["line 3: ", "(U+D800); delete it"],
        id="half-a-character",
    ),
    pytest.param(
        _swapped("title: Pond line\nprog", "<<: {title: Pond}\nprog"), ["line 3: merged keys"], id="merged-key"
    ),
    *(
        pytest.param(_swapped('version: "1"', f"version: {tagged}"), ["line 2: tags such as '!x'"], id=tagged)
        for tagged in ("!!timestamp x", "!!bool x", '!!int ""', "!!set {a}", "! x")
    ),
    pytest.param(POND + "2026: x\n", ["line 24: 2026: this key looks like a number"], id="number-as-key"),
    pytest.param(POND + "wait_minutes: yes\n", ["line 24: wait_minutes: found 'yes', expected a number"], id="yes"),
    pytest.param(POND + "transects: true\n", ["transects: found 'true', expected a whole number"], id="true"),
    pytest.param(POND + "wait_minutes: 1:30\n", ["wait_minutes: found '1:30', expected a number"], id="sixties"),
    pytest.param(POND + "transects: 0x10\n", ["transects: found '0x10', expected a whole number"], id="sixteens"),
    pytest.param(POND + "---\na: b\n", ["line 24: a second document"], id="two-documents"),
    pytest.param(POND + "belt:\n\twidth_m: 2\n", ["line 25: a tab; use spaces"], id="tab"),
    pytest.param(
        _swapped("{id: heron, label: Herons}", "{id: heron, label: Herons: grey}"),
        ["line 22: ", "needs quotes"],
        id="colon-in-a-value",
    ),
    pytest.param(
        _swapped("{id: heron, label: Herons}", "{id: heron, label: Herons, max: 200}"),
        ["line 22: sheets.birds.rows.0.max: found 200, expected 99 at most"],
        id="line-deep-inside",
    ),
    pytest.param("", ["found an empty file", "expected keys such as"], id="empty"),
    pytest.param("- a\n- b\n", ["found a list of 2", "expected keys such as"], id="list"),
    pytest.param("just words", ["found no keys", "expected keys such as"], id="words"),
    pytest.param(_swapped('version: "1"', "version: 1"), ["version: found 1, expected"], id="number-for-text"),
    pytest.param(_swapped('version: "1"', 'version: "a/b"'), ["version: found 'a/b', expected"], id="slash-in-version"),
    pytest.param(
        _swapped("protocol: pond-line", "protocol: Pond Line"), ["protocol: found 'Pond Line', expected"], id="spaces"
    ),
    pytest.param(_swapped("programme: Example pond group\n", ""), ["programme: missing"], id="missing"),
    pytest.param(POND + "colour: red\n", ["colour: this key is not known"], id="unknown-key"),
    pytest.param(POND + "transects: three\n", ["transects: found 'three', expected"], id="words-for-number"),
    pytest.param(POND + "transects: 0\n", ["transects: found 0, expected"], id="no-transect"),
    pytest.param(POND + "paper: A3\n", ["paper: found 'A3', expected", "'A5' or 'half-letter'"], id="paper"),
    pytest.param(POND + "transect: {length_m: -1}\n", ["transect.length_m: found -1, expected"], id="negative-length"),
    pytest.param(
        POND + "transect: {length_m: .nan}\n",
        ["line 24: transect.length_m: found '.nan', expected"],
        id="length-no-number",
    ),
    pytest.param(
        POND + "transect: {point_spacing_m: 0.01}\n", ["points on one tape: expected 200 at most"], id="many-points"
    ),
    pytest.param(
        POND + 'belt: {segments: ["0-10", "10-30"]}\n',
        ["'10-30' does not lie on the tape", "0 to 20 m"],
        id="segment-off-the-tape",
    ),
    pytest.param(POND + 'belt: {segments: ["10-0"]}\n', ["'10-0' does not lie on the tape"], id="segment-backwards"),
    pytest.param(
        POND + "captions: {tally: strokes, colour: red}\n", ["['colour'] are not used", "'tally'"], id="caption"
    ),
    pytest.param(
        _swapped("code: CD", "code: CB"),
        ["'AB' (Reeds)", "'CB' (Mud)", "differ in fewer than two letters", "digitise codes"],
        id="codes-share-second-letter",
    ),
    pytest.param(
        _swapped("code: CD", "code: AD"),
        ["'AB' (Reeds)", "'AD' (Mud)", "differ in fewer than two letters"],
        id="codes-share-first-letter",
    ),
    pytest.param(
        _swapped("code: CD", "code: cd"), ["sheets.pond.categories.1.code: found 'cd', expected"], id="small-letters"
    ),
    pytest.param(_swapped("id: mud", "id: reed"), ["category id used twice: reed"], id="category-twice"),
    pytest.param(_swapped("id: grebe", "id: heron"), ["row id used twice: heron"], id="row-twice"),
    pytest.param(_swapped("kind: line", "kind: circle"), ["sheets.pond", "circle"], id="sheet-kind"),
    pytest.param(
        _swapped("kind: date", "kind: decimal"),
        ["'day' is a decimal", "format such as '##.#'"],
        id="decimal-without-format",
    ),
    pytest.param(
        _swapped("kind: date", "kind: code, choices: [N]"), ["'day' is a code", "at least two choices"], id="one-choice"
    ),
    pytest.param(
        _swapped("kind: date", "kind: code, choices: [N, N]"), ["'day': choice used twice: N"], id="choice-twice"
    ),
    pytest.param(POND + 'belt: {segments: ["٠-١٠"]}\n', ["found '٠-١٠', expected metres"], id="other-digits"),
    pytest.param(
        _swapped("kind: date", "kind: code, choices: [N, SE]"),
        ["choices of one length", "['N', 'SE']"],
        id="choices-of-two-lengths",
    ),
    pytest.param(
        _swapped("cautions: [Look before you step.]", "cautions: []"), ["sheets.visit.cautions"], id="no-cautions"
    ),
]


@pytest.mark.parametrize(("text", "words"), HOSTILE)
def test_unusable_protocols_are_refused_by_name_and_reason(text: str, words: list[str]) -> None:
    """Every message starts with the file's name, and says which key, what stands there and what should."""
    with pytest.raises(ProtocolError) as error:
        parse_protocol(text, "pond.yaml")

    said = str(error.value)
    assert all(line.startswith("pond.yaml: ") for line in said.splitlines())
    assert [w for w in words if w not in said] == [], said


def test_words_and_numbers_are_what_stands_there() -> None:
    """YAML's older edition makes 8 of 010, and yes or no of words; a belt 10 m wide has to stay 10 m wide."""
    text = _swapped("title: Pond line\nprog", "title: no\nprog").replace('version: "1"', "version: 012")
    found = parse_protocol(text + "transects: 010\nbelt: {width_m: 010}\n", "pond.yaml")

    assert (found.title, found.version, found.transects, found.belt.width_m) == ("no", "012", 10, 10.0)


def test_message_for_a_wrong_key_stands_whole() -> None:
    """File, key, found and expected, in one line a volunteer can act on."""
    with pytest.raises(ProtocolError) as error:
        parse_protocol(POND + "transects: 99\n", "pond.yaml")

    assert str(error.value) == "pond.yaml: line 24: transects: found 99, expected 20 at most"


def test_several_faults_are_told_at_once() -> None:
    """Two wrong keys give two lines."""
    with pytest.raises(ProtocolError) as error:
        parse_protocol(POND + "transects: 0\npaper: A3\n", "pond.yaml")

    assert [line.split(": ")[1:3] for line in str(error.value).splitlines()] == [
        ["line 25", "paper"],
        ["line 24", "transects"],
    ]


def test_file_that_is_no_text_is_refused_with_the_place(tmp_path) -> None:
    """A file in Latin-1 names its first foreign byte."""
    path = tmp_path / "latin.yaml"
    path.write_bytes("title: Caf\xe9\n".encode("latin-1"))

    with pytest.raises(ProtocolError, match=r"latin\.yaml: byte 10 is not UTF-8; save the file as UTF-8 text"):
        load_protocol(path)


def test_huge_file_is_refused_unread(tmp_path) -> None:
    """A file above the limit is named with its size, without parsing it."""
    path = tmp_path / "huge.yaml"
    path.write_text("# " + "x" * MAX_BYTES, encoding="utf-8")

    with pytest.raises(
        ProtocolError, match=rf"huge\.yaml: {MAX_BYTES + 2} bytes; expected a protocol file under {MAX_BYTES}"
    ):
        load_protocol(path)


def test_missing_file_lists_what_is_shipped(tmp_path) -> None:
    with pytest.raises(
        ProtocolError,
        match=r"no such file, and no shipped protocol has that name \(shipped: lagoon-.*, reef-transect, .*\)",
    ):
        load_protocol(tmp_path / "nowhere.yaml")


@pytest.mark.parametrize("key", ["point_spacing_m: 1.0e-9", "point_spacing_m: .inf", "first_point_m: 600"])
def test_tape_without_a_sensible_number_of_points_is_refused_at_once(key: str) -> None:
    """No spacing, however small, makes the program count forever or print a sheet without points."""
    code = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_AS, (2**31, 2**31))\n"
        "from digitise.sheets.protocol import ProtocolError, parse_protocol\n"
        "try: parse_protocol(sys.stdin.read(), 'pond.yaml'); print('accepted')\n"
        "except ProtocolError as error: print('refused:', error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        input=POND + f"transect: {{{key}}}\n",
        text=True,
        timeout=20,
        capture_output=True,
        check=False,
    )

    assert done.stdout.startswith("refused: pond.yaml: "), done.stdout + done.stderr[-300:]


CLASHES = [
    pytest.param(POND + 'belt: {segments: ["0-10", "0-10"]}\n', "0-10", id="segment-twice"),
    pytest.param(POND + 'belt: {segments: ["0-10", "5-15"]}\n', "5-15", id="segments-overlap"),
    pytest.param(
        _swapped("    rows:\n", "    fields: [{id: none-seen, label: None, kind: tick}]\n    rows:\n"),
        "none-seen",
        id="none-seen-field",
    ),
    pytest.param(
        _swapped("    categories:\n", "    fields: [{id: '10', label: Ten, kind: tick}]\n    categories:\n"),
        "10",
        id="field-named-as-a-point",
    ),
    pytest.param(
        _swapped("    categories:\n", "    fields: [{id: '20', label: Last, kind: tick}]\n    categories:\n")
        + "transect: {point_spacing_m: 0.1, first_point_m: 0.1}\n",
        "20",
        id="field-named-as-a-point-of-another-page",
    ),
]


@pytest.mark.parametrize(("text", "named"), CLASHES)
def test_protocol_whose_cells_would_share_an_id_or_an_area_is_refused(text: str, named: str) -> None:
    """Two cells of one id, or a stretch of belt counted twice, would make wrong numbers silently."""
    from digitise.sheets.compose import build_layouts

    with pytest.raises(ValueError, match=named):
        build_layouts(parse_protocol(text, "pond.yaml"))


@pytest.mark.parametrize(
    "caption",
    [
        "page: 'Seite {seite}'",
        "segment: '{0} m'",
        "point: '{position'",
        "point: '{position:999999999} m'",  # a text of a gigabyte
        "point: '{position.__class__} m'",
        "point: '{position!r} m'",
    ],
)
def test_caption_with_a_wrong_place_holder_is_refused_with_a_sentence(caption: str) -> None:
    """A translated caption may get its braces wrong; that is a `ProtocolError` naming the caption."""
    from digitise.sheets.compose import build_layouts

    with pytest.raises(ProtocolError, match=caption.split(":")[0]):
        build_layouts(parse_protocol(POND + f"captions: {{{caption}}}\n", "pond.yaml"))


def test_shipped_protocol_is_known_by_name_and_by_path() -> None:
    """``reef-transect`` is shipped, with four sheets and forty points."""
    one = load_protocol("reef-transect")

    assert shipped_names() == ["lagoon-frames", "long-line", "reef-transect", "wall-segments"]
    assert list(one.sheets) == ["site", "fish", "invertebrate", "substrate"]
    assert len(one.transect.points_m) == 40
    assert one.transect.points_m[0] == 0.5
    assert one.transect.points_m[-1] == 20.0


def test_points_run_to_the_end_of_the_tape() -> None:
    """Every 0.1 m from 0 to 2 m: 21 points, the last exactly 2 in spite of binary fractions."""
    points = TransectSpec(length_m=2, point_spacing_m=0.1, first_point_m=0).points_m

    assert points == tuple(round(0.1 * i, 4) for i in range(21))


def test_segment_area_is_length_times_width() -> None:
    """10 m of a belt 2 m wide are 20 square metres."""
    assert BeltSpec(width_m=2, segments=("0-10", "12.5-20")).area_m2("0-10") == 20.0
    assert BeltSpec(width_m=2, segments=("0-10", "12.5-20")).area_m2("12.5-20") == 15.0


def test_digest_follows_content_not_spelling() -> None:
    """Comments, order of keys and YAML style change nothing; a label does."""
    plain = parse_protocol(POND, "a.yaml")
    restyled = parse_protocol("# a remark\n" + yaml.safe_dump(yaml.safe_load(POND), sort_keys=False), "b.yaml")
    relabelled = parse_protocol(POND.replace("Reeds", "Rushes"), "c.yaml")

    assert plain.digest == restyled.digest
    assert plain.digest != relabelled.digest
    assert hash(plain) == hash(restyled)


def test_captions_fall_back_to_english() -> None:
    one = parse_protocol(POND + "captions: {tally: Striche}\n", "pond.yaml")

    assert one.caption("tally") == "Striche"
    assert one.caption("total") == CAPTIONS["total"]


def test_font_is_found_beside_the_protocol(tmp_path) -> None:
    """A relative font path is taken from the protocol's folder, wherever the command runs."""
    (tmp_path / "pond.yaml").write_text(POND + "font: Own.ttf\n", encoding="utf-8")

    assert load_protocol(tmp_path / "pond.yaml").font == tmp_path / "Own.ttf"


def test_a_text_that_is_too_long_is_quoted_by_its_beginning():
    """The quotation ends where the sentence goes on."""
    with pytest.raises(ProtocolError, match=r"title: found 'Reef x{55}…', expected 200 characters at most"):
        parse_protocol(POND.replace("title: Pond line", f"title: Reef {'x' * 300}", 1), "long.yaml")
