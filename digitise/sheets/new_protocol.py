"""Write a protocol from a few answers: a commented YAML file to print from, and to change by hand later."""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass

from digitise.sheets.captions import CAUTIONS

MOST_CODES = 60  # as `digitise.sheets.codes.MOST`, which this module need not import numpy for
SEGMENT = re.compile(r"^\d+(\.\d+)?-\d+(\.\d+)?$")


@dataclass(frozen=True, slots=True)
class Question:
    """One thing to ask. `read` makes the answer's value, or raises `ValueError` with what was expected."""

    key: str
    text: str
    usual: str
    read: Callable[[str], object]


def _name(text: str) -> str:
    if not re.fullmatch(r"[a-z0-9][a-z0-9-]{0,39}", text):
        raise ValueError(f"found '{text[:40]}', expected small letters, digits and hyphens, such as bay-survey")
    return text


def _words(text: str) -> str:
    if not 1 <= len(text) <= 80:
        raise ValueError(f"found {len(text)} characters, expected 1 to 80")
    return text


def _paper(text: str) -> str:
    papers = {"a4": "A4", "letter": "letter"}
    if text.lower() not in papers:
        raise ValueError(f"found '{text[:20]}', expected A4 or letter")
    return papers[text.lower()]


def _between(low: float, high: float, *, whole: bool = False) -> Callable[[str], float | int]:
    def read(text: str) -> float | int:
        try:
            value = int(text) if whole else float(text)
        except ValueError:
            value = None
        if value is None or not low <= value <= high:
            kind = "a whole number" if whole else "a number"
            point = f", with a point: {text.replace(',', '.')[:20]}" if re.fullmatch(r"\d+,\d+", text) else ""
            raise ValueError(f"found '{text[:20]}', expected {kind} from {low:g} to {high:g}{'' if whole else point}")
        return value

    return read


def _segments(text: str) -> tuple[str, ...]:
    found = tuple(text.replace(",", " ").split())
    wrong = [s for s in found if not SEGMENT.match(s)]
    if wrong:
        raise ValueError(f"found '{wrong[0][:20]}', expected segments such as 0-10 10-20")
    return found


def _list(least: int, most: int) -> Callable[[str], tuple[str, ...]]:
    def read(text: str) -> tuple[str, ...]:
        found = tuple(dict.fromkeys(w.strip() for w in text.split(",") if w.strip()))
        if not least <= len(found) <= most:
            raise ValueError(f"found {len(found)} names, expected {least} to {most}, with commas between them")
        if any(len(w) > 60 for w in found):
            raise ValueError("a name is longer than 60 characters; expected shorter ones")
        return found

    return read


QUESTIONS = (
    Question("name", "A short name, printed on every page", "my-survey", _name),
    Question("title", "Title of the survey", "Reef survey", _words),
    Question("programme", "Your programme", "Our survey group", _words),
    Question("paper", "Paper: A4 or letter", "A4", _paper),
    Question("lines", "Lines laid in one survey", "3", _between(1, 20, whole=True)),
    Question("length", "Length of the tape, in metres", "20", _between(1, 500)),
    Question("segments", "Segments of the tape that are sampled, such as 0-5 6-11 (empty: all of it)", "", _segments),
    Question("spacing", "A point under the tape every so many metres (0: no points)", "0.5", _between(0, 500)),
    Question(
        "categories",
        "What may lie under a point, with commas between",
        "Hard coral, Soft coral, Seaweed, Rock, Sand",
        _list(2, MOST_CODES),
    ),
    Question("belt", "Width of the belt that is counted, in metres (0: no belt)", "2", _between(0, 50)),
    Question("frames", "Frames counted along each line (0: none)", "0", _between(0, 40, whole=True)),
    Question("side", "Side of a frame, in metres", "1", _between(0.05, 20)),
    Question("animals", "What is counted, with commas between", "Damselfish, Surgeonfish, Gobies", _list(1, 60)),
    Question("wait", "Minutes to wait between laying the line and counting", "15", _between(0, 240)),
)


def needed(question: Question, answers: dict[str, object]) -> bool:
    """Whether a question matters after the answers so far."""
    if question.key == "categories":
        return bool(answers["spacing"])
    if question.key == "side":
        return bool(answers["frames"])
    if question.key in ("animals", "wait"):
        return bool(answers["belt"] or answers["frames"])
    return True


def protocol_yaml(answers: dict[str, object]) -> str:
    """The commented YAML of a protocol.

    Raises
    ------
    ValueError
        Neither points nor counts are wanted, so that there would be nothing to survey.
    """
    if not (answers["spacing"] or answers["belt"] or answers["frames"]):
        raise ValueError("no points, no belt and no frames: expected something to survey")
    parts = [_head(answers), _SITE]
    if answers["belt"]:
        parts.append(_belt(answers, frames=False))
    if answers["frames"]:
        parts.append(_belt(answers, frames=True))
    if answers["spacing"]:
        parts.append(_line(answers))
    return "\n".join(parts)


def identifiers(labels: tuple[str, ...]) -> list[str]:
    """A short id for each label, all different: "Soft coral" gives soft-coral.

    It comes from the label alone, whatever stands before it: the next edition may have more rows, or another order,
    and must not give one row's id to another. So letters that an id cannot hold leave a sum of the label in it.
    """
    plain = ["".join(c for c in unicodedata.normalize("NFKD", w) if not unicodedata.combining(c)) for w in labels]
    stems = [re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:34] for text in plain]
    out: list[str] = []
    for label, text, stem in zip(labels, plain, stems, strict=True):
        found, i = stem, 2
        if not stem or not text.isascii() or stems.count(stem) > 1:
            total = hashlib.sha256(unicodedata.normalize("NFC", label).encode()).hexdigest()
            stem = found = f"{stem[:28] or 'row'}-{total[:5]}"
        while found in out:
            found, i = f"{stem}-{i}", i + 1
        out.append(found)
    return out


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _bare(name: str) -> str:
    """A short name, in quotes where YAML takes it for a number, a date or nothing."""
    return _quoted(name) if name[0].isdigit() or name == "null" else name


def _head(a: dict[str, object]) -> str:
    segments = a["segments"]
    spacing = a["spacing"] or 0.5
    shown = ", ".join(_quoted(s) for s in segments or (f"0-{a['length']:g}",))
    lines = [
        "# Written by 'digitise protocol new'. Change it, check it with 'digitise protocol check', print again.",
        f"protocol: {_bare(a['name'])}",
        'version: "1"             # change it with every change of the content',
        f"title: {_quoted(a['title'])}",
        f"programme: {_quoted(a['programme'])}",
        f"paper: {a['paper']}",
        f"transects: {a['lines']}             # lines laid in one survey",
        f"wait_minutes: {a.get('wait', 0):g}         # from laying the line to the start of a count",
        "marks: 0                 # keeps the corner marks apart from those of other protocols",
        "",
        "transect:",
        f"  length_m: {a['length']:g}",
        f"  point_spacing_m: {spacing:g}",
        f"  first_point_m: {spacing:g}     # from the start of the tape, or of each segment",
    ]
    if segments:
        lines.append(f"  segments: [{shown}]")
    lines += [
        "",
        "belt:",
        f"  width_m: {a['belt'] or 2:g}             # both sides of the tape together",
        f"  segments: [{shown}]   # each has its own column of boxes",
        "",
        "# checks:               # rules of the completeness check that shall differ, such as",
        '#   depths: {severity: question, limit: 2, sentence: "Depths of one line lie within {limit:g} m."}',
        "",
        "sheets:",
    ]
    return "\n".join(lines)


_SITE = """\
  site:
    kind: site
    title: Site sheet
    instructions: One a survey. Fill in before the dive; the person on shore keeps it.
    fields:               # the check for completeness knows these ids: keep them, change the labels
      - {id: date, label: Date, kind: date}
      - {id: time, label: Time in, kind: time}
      - {id: site, label: Site name, kind: text, width_mm: 110, new_line: true}
      - {id: team, label: Divers, kind: number, digits: 1}
      - {id: latitude, label: Latitude (degrees), kind: decimal, format: "##.#####", new_line: true}
      - {id: north-south, label: N or S, kind: code, choices: [N, S]}
      - {id: longitude, label: Longitude (degrees), kind: decimal, format: "###.#####", new_line: true}
      - {id: east-west, label: E or W, kind: code, choices: [E, W]}
      - {id: depth, label: Depth of the lines (m), kind: decimal, format: "##.#", new_line: true}
      - {id: leader, label: Licensed dive leader, kind: text, width_mm: 88, new_line: true}
      - {id: cover, label: Shore cover, kind: text, width_mm: 88}
      - {id: pair-1, label: Buddy pair 1, kind: text, width_mm: 88, new_line: true}
      - {id: pair-2, label: Buddy pair 2, kind: text, width_mm: 88}
      - {id: pair-3, label: Buddy pair 3, kind: text, width_mm: 88, new_line: true}
      - {id: remarks, label: Remarks, kind: text, width_mm: 88}
    cautions:             # printed on the site sheet and the briefing; add your own
""" + "".join(f"      - {caution}\n" for caution in CAUTIONS)


_TALLY = "One stroke for each animal {where}; the fifth stroke goes across four. Write the total beside it."
_POINTS = (
    "Every {spacing:g} m, write the code of what lies exactly under the tape. Leave a point you could not see blank."
)


def _belt(a: dict[str, object], *, frames: bool) -> str:
    animals = a["animals"]
    where = "inside the frame" if frames else f"within {a['belt'] / 2:g} m either side"
    lines = [
        f"  {'frames' if frames else 'belt'}:",
        "    kind: belt",
        f"    title: {'Counts in frames' if frames else 'Counts in the belt'}",
        f"    instructions: {_TALLY.format(where=where)}",
    ]
    if frames:
        lines.append(f"    quadrats: {{count: {a['frames']}, width_m: {a['side']:g}, length_m: {a['side']:g}}}")
    lines += ["    fields:", "      - {id: start, label: Count started, kind: time}"]
    if a["wait"]:
        lines.append("      - {id: laid, label: Line laid, kind: time}")
    lines += [
        '      - {id: depth, label: Depth (m), kind: decimal, format: "##.#"}',
        f"      - {{id: observer, label: Observer, kind: text, width_mm: {55 if a['wait'] else 88}}}",
        "    rows:",
        *(
            f"      - {{id: {_bare(i)}, label: {_quoted(label)}}}"
            for i, label in zip(identifiers(animals), animals, strict=True)
        ),
    ]
    return "\n".join(lines) + "\n"


def _line(a: dict[str, object]) -> str:
    from digitise.sheets.codes import choose_codes

    labels = a["categories"]
    codes = choose_codes(len(labels)).codes
    lines = [
        "  points:",
        "    kind: line",
        "    title: What lies under the tape",
        f"    instructions: {_POINTS.format(spacing=a['spacing'])}",
        "    columns: 4",
        "    fields:",
        "      - {id: start, label: Started, kind: time}",
        '      - {id: depth, label: Depth (m), kind: decimal, format: "##.#"}',
        "      - {id: observer, label: Observer, kind: text, width_mm: 88}",
        f"    categories:           # codes chosen as by: digitise codes {len(labels)}",
        *(
            f"      - {{code: {_quoted(code)}, id: {_bare(i)}, label: {_quoted(label)}}}"
            for code, i, label in zip(codes, identifiers(labels), labels, strict=True)
        ),
    ]
    return "\n".join(lines) + "\n"
