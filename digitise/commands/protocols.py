"""``digitise protocol``: make a protocol of your own, have it checked, look at its sheets."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from digitise.commands.common import Adder, UsageError, say
from digitise.wording import plural

PREVIEW_NOTE = "preview, not for use"
PX_PER_MM = 6.0
KEYS = """\
Files to copy come with the program: reef-transect, lagoon-frames, wall-segments (in Spanish) and long-line.
At the top of a protocol file stand:

  protocol, version   a short name and a version, both printed on every page; change the version with every change
  title, programme    as they are printed
  paper               A4, letter, A5 or half-letter
  transects           how many lines are laid in one survey
  wait_minutes        from laying a line to counting along it
  transect            the tape: 'length_m', 'point_spacing_m' and 'first_point_m', and 'segments' where points lie only
                      in these stretches of it (the grid begins anew in each)
  belt                'width_m' and 'segments' of the strip along the tape in which animals are counted
  sheets              each by a name, as told below
  captions            words that the tool prints, in your language
  font                a font file, for scripts that the built-in font lacks
  checks              changes to rules of the completeness check, by a rule's name: 'severity' (missing, contradiction,
                      question or off), 'limit' and 'sentence'
  marks               a number that shifts the corner marks away from another protocol's; 'protocol check' proposes it

A sheet has a 'title', 'instructions' for the divers and a 'kind': site (filled in once a survey; its 'cautions' must
not be empty), belt (counts) or line (codes of what lies under the tape). Then:

  fields      of any sheet: each an 'id', a 'label' and a 'kind': date, time, number (with 'digits'), decimal (with a
              'format' such as "##.#"), code (with 'choices'), tick or text (with 'width_mm'); 'new_line' puts it on a
              new line. For north or south and for east or west, give two choices in your language, north or east
              first (N, S, E and W are known in any order).
  rows        of a belt: what is counted, each with an 'id' and a 'label'. It gets a box for strokes and one for the
              total in every segment; 'max' is the largest count believed, 'note' is printed beside the label.
  impacts     of a belt, under the heading 'impacts_title': as rows, with a 'kind': count, percent (three digits) or
              tick (one box).
  quadrats    of a belt: counts in frames along the line ('count', 'width_m', 'length_m') in place of its segments.
  categories  of a line, whose points are printed in so many 'columns': each a 'code' (see 'digitise codes'), 'id' and
              'label', a 'group' such as hard coral that is reported as a whole, and wider 'totals' such as all live
              cover.
"""


def add_commands(command: Adder) -> None:
    """Add the parsers."""
    from digitise.sheets.new_protocol import QUESTIONS

    group = command(
        "protocol",
        None,
        "make a protocol of your own, check it, preview its sheets",
        "digitise protocol new",
        file=KEYS,
    )
    parts = Adder(group.add_subparsers(dest="part", required=True, metavar="PART", help="new, check or preview"))

    one = parts("new", _new, "ask a few questions and write a protocol file", "digitise protocol new --out bay.yaml")
    one.add_argument("--out", type=Path, metavar="FILE", help="file to write (default: the short name, .yaml)")
    one.add_argument("--usual", action="store_true", help="ask nothing: the usual answer where none is given")
    for question in QUESTIONS:
        one.add_argument(f"--{question.key}", metavar="TEXT", help=f"{question.text} (usual: {question.usual or '-'})")

    one = parts("check", _check, "explain every problem of a protocol file", "digitise protocol check bay.yaml")
    one.add_argument("file", type=Path, help="protocol file, or the name of a shipped one")

    one = parts("preview", _preview, "draw the sheets as PDF and PNG", "digitise protocol preview bay.yaml --out look")
    one.add_argument("file", help="protocol file, or the name of a shipped one")
    one.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write into")
    papers = ("A4", "letter", "A5", "half-letter")
    one.add_argument("--paper", choices=papers, help="paper (default: the protocol's)")


def _new(args: argparse.Namespace) -> int:
    from digitise.sheets.new_protocol import QUESTIONS, needed, protocol_yaml

    answers: dict[str, object] = {}
    for question in QUESTIONS:
        if not needed(question, answers):
            continue
        given = getattr(args, question.key)
        if given is not None:
            try:
                answers[question.key] = question.read(given.strip())
            except ValueError as error:
                raise UsageError(f"--{question.key}: {error}") from None
        elif args.usual:
            answers[question.key] = question.read(question.usual)
        else:
            answers[question.key] = _asked(question)
    out = args.out or Path(f"{answers['name']}.yaml")
    if out.exists():
        raise UsageError(f"{out} is there already; choose another file with --out")
    out.write_text(protocol_yaml(answers), encoding="utf-8")
    _settle_marks(out)
    say(f"Written: {out}. It is meant to be changed by hand; 'digitise protocol preview {out}' shows its sheets.")
    return _check(argparse.Namespace(file=out))


def _asked(question) -> object:
    """Ask until the answer can be used; an empty line, or the end of input, takes the usual one."""
    while True:
        print(f"{question.text} [{question.usual}]: ", end="", file=sys.stderr, flush=True)
        line = sys.stdin.readline()
        text = line.strip() or question.usual
        try:
            return question.read(text)
        except ValueError as error:
            say(f"  {error}")
            if not line:
                raise UsageError(f"{question.key}: no more answers") from None


def _shipped() -> list:
    from digitise.sheets.protocol import load_protocol, shipped_names

    return [load_protocol(name) for name in shipped_names()]


def _settle_marks(path: Path) -> None:
    """Keep a new protocol's corner marks apart from those of the shipped ones, where that is possible."""
    from digitise.sheets.compose import free_marks, layout_problems
    from digitise.sheets.protocol import load_protocol

    protocol = load_protocol(path)
    marks = None if layout_problems(protocol) else free_marks(protocol, _shipped())
    if marks:
        text = path.read_text(encoding="utf-8")
        path.write_text(text.replace("marks: 0 ", f"marks: {marks} ", 1), encoding="utf-8")


def _check(args: argparse.Namespace) -> int:
    from digitise.sheets.protocol import shipped_names
    from digitise.sheets.protocol_check import explain

    if args.file.is_dir():
        raise UsageError(f"{args.file}: this is a folder; name a protocol file")
    if not args.file.is_file() and str(args.file) not in shipped_names():
        raise UsageError(f"{args.file}: no such file, and no shipped protocol has that name")
    found = explain(args.file, others=_shipped())
    for problem in found.problems:
        print(problem)
    if found.problems:
        say(f"{plural(len(found.problems), 'problem')}; nothing can be printed from it yet.")
        return 1
    for note in found.notes:
        print(f"Note: {note}.")
    protocol = found.protocol
    pages = plural(found.pages, "page")
    say(f"{protocol.protocol} {protocol.version} can be used: a pack has {pages} on {protocol.paper}.")
    return 0


def _preview(args: argparse.Namespace) -> int:
    import cv2

    from digitise.sheets.protocol import load_protocol
    from digitise.sheets.protocol_check import SAMPLE_PACK
    from digitise.sheets.sheet import pack_pages, rasterise, sheet_pdf

    protocol = load_protocol(args.file)
    paper = args.paper or protocol.paper
    pages = [(one, who) for one, who in pack_pages(protocol, paper, SAMPLE_PACK) if who.transect <= 1]
    pdf = sheet_pdf(protocol, pages, note=PREVIEW_NOTE)
    args.out.mkdir(parents=True, exist_ok=True)
    path = args.out / f"{protocol.protocol}-{paper.lower()}.pdf"
    path.write_bytes(pdf)
    for i, (layout, _) in enumerate(pages):
        picture = path.with_name(f"{path.stem}-{layout.sheet}-{layout.page}.png")
        cv2.imwrite(str(picture), rasterise(pdf, PX_PER_MM, i))
    say(f"{plural(len(pages), 'page')} drawn: {path}, and each as a PNG picture beside it.")
    return 0
