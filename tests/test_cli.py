"""The command: exit codes, what goes where, and messages that say what to do."""

from __future__ import annotations

import argparse
import errno
import hashlib
import json
import os
import re
import shlex
import subprocess
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import pytest

from digitise import __version__
from digitise.cli import _parser, main

ROOT = Path(__file__).parents[1]
HEAVY = {"streamlit", "pytesseract", "torch", "scipy", "pandas", "matplotlib", "cv2", "sqlalchemy", "sklearn"}
HEAVY |= {"openpyxl", "reportlab"}
CALCULATORS = "digitise.estimate.cover, digitise.estimate.density, digitise.estimate.multinomial"
STAGES = "digitise.results, digitise.report, digitise.exchange.write, digitise.earlier, digitise.surveys.survey"


def _commands() -> dict[str, argparse.ArgumentParser]:
    actions = [a for a in _parser()._actions if isinstance(a, argparse._SubParsersAction)]
    return dict(actions[0].choices)


COMMANDS = sorted(_commands())


@pytest.fixture(scope="module")
def site_jpg(tmp_path_factory, photograph) -> Path:
    path = tmp_path_factory.mktemp("one") / "site.jpg"
    path.write_bytes(photograph("site").jpeg)
    return path


# --- help ------------------------------------------------------------------------------------------------


def test_commands_are_plain_words_and_each_has_a_help_line() -> None:
    """Nobody has to guess what a command is for."""
    assert sorted(set(COMMANDS)) == COMMANDS
    assert all(name.isalpha() and name.islower() for name in COMMANDS)


@pytest.mark.parametrize("command", COMMANDS)
def test_help_ends_in_an_example_that_parses(command: str, capsys) -> None:
    """The last words of ``--help`` are a command that the program itself understands."""
    with pytest.raises(SystemExit) as end:
        main([command, "--help"])
    words = " ".join(capsys.readouterr().out.split())
    example = words.rpartition("Example: ")[2]

    assert end.value.code == 0
    assert shlex.split(example)[:2] == ["digitise", command]
    assert _parser().parse_args(shlex.split(example)[1:]).command == command


def test_version_is_the_packages(capsys) -> None:
    with pytest.raises(SystemExit) as end:
        main(["--version"])

    assert end.value.code == 0
    assert capsys.readouterr().out.strip() == f"digitise {__version__}"


def test_the_module_runs_as_the_command_does() -> None:
    """``python -m digitise`` is the same program."""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-m", "digitise", "--version"],
        text=True,
        capture_output=True,
        timeout=60,
        check=False,
    )

    assert (done.returncode, done.stdout.strip()) == (0, f"digitise {__version__}")


@pytest.mark.parametrize(
    ("module", "may"), [("digitise", set()), ("digitise.cli", set()), (CALCULATORS, set()), (STAGES, {"cv2"})]
)
def test_import_loads_nothing_heavy(module: str, may: set[str]) -> None:
    """A fresh process that imports the package, its command line or whole stages stays light until they are used."""
    code = f"import sys, {module}; print(*sorted({HEAVY - may!r} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], text=True, capture_output=True, timeout=60, check=True)

    assert done.stdout.strip() == ""


def test_reading_a_photograph_never_loads_what_only_others_need(site_jpg) -> None:
    """Reading needs neither the review screens, nor a learning framework, nor scipy, nor a database."""
    code = (
        f"import sys; from digitise.cli import main; main(['read', {str(site_jpg)!r}, '--json', '-'])\n"
        "print(*sorted({'streamlit', 'torch', 'scipy', 'sklearn', 'sqlalchemy'} & set(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], text=True, capture_output=True, timeout=120, check=True)

    assert done.stderr.splitlines()[-1] == ""


# --- unusable arguments ----------------------------------------------------------------------------------


USAGE = [
    pytest.param([], "required: COMMAND", id="nothing"),
    pytest.param(["swim"], "digitise: there is no command 'swim'. 'digitise --help' says more.", id="unknown-command"),
    pytest.param(["reed"], "there is no command 'reed'; did you mean read? 'digitise --help'", id="command-nearly"),
    pytest.param(
        ["protocol", "chek", "x"],
        "there is no part 'chek'; did you mean check? 'digitise protocol --help'",
        id="part-nearly",
    ),
    pytest.param(["read"], "required: PHOTO_OR_FOLDER", id="no-photo"),
    pytest.param(
        ["read", "x.jpg", "--loud"],
        "digitise read: there is no option --loud. 'digitise read --help'",
        id="unknown-option",
    ),
    pytest.param(["read", "x.jpg", "--jsom=f"], "there is no option --jsom; did you mean --json?", id="option-nearly"),
    pytest.param(
        ["--sore", "s", "check"],
        "digitise: options go behind the command, and --sore stands before it.",
        id="option-before-the-command",
    ),
    pytest.param(
        ["people", "--add", "Mira", "Tole"],
        "'Tole' is one thing too many here; a name of several",
        id="name-without-quotes",
    ),
    pytest.param(["sheets", "reef-transect"], "required: --out", id="no-folder"),
    pytest.param(
        ["sheets", "reef-transect", "--out", "o", "--packs", "0"],
        "found '0', expected a whole number from 1 to 1000",
        id="no-packs",
    ),
    pytest.param(["codes", "61"], "found '61', expected a whole number from 2 to 60", id="too-many-codes"),
    pytest.param(["codes", "0"], "found '0', expected a whole number from 2 to 60", id="no-codes"),
    pytest.param(
        ["sheets", "reef-transect", "--out", "o", "--packs", "some"],
        "found 'some', expected a whole number",
        id="packs-in-words",
    ),
    pytest.param(
        ["sheets", "reef-transect", "--out", "o", "--paper", "A3"], "found 'A3', expected one of A4, ", id="paper"
    ),
    pytest.param(
        ["sheets", "reef-transect", "--out", "o", "--paper", "leter"], "did you mean letter?", id="paper-nearly"
    ),
    pytest.param(
        ["review", "--port", "80000"], "--port: found '80000', expected a whole number from 1 to 65535", id="port"
    ),
    pytest.param(["compare", "--detect", "much"], "--detect: found 'much', expected a change in percent", id="percent"),
    pytest.param(["codes", "many"], "count", id="codes-in-words"),
    pytest.param(["evaluate", "x.jpg"], "required: --truth", id="no-truth"),
]


@pytest.mark.parametrize(("arguments", "words"), USAGE)
def test_unusable_arguments_end_with_two(arguments: list[str], words: str, capsys) -> None:
    """Code 2, what was found and what is near, usage on standard error, nothing on standard output."""
    with pytest.raises(SystemExit) as end:
        main(arguments)
    said = capsys.readouterr()

    assert end.value.code == 2
    assert words in said.err
    assert said.out == ""


REFUSED = [
    pytest.param(
        ["read", "{tmp}/nowhere.jpg"], r"digitise read: .*nowhere\.jpg: no such file or folder", id="photo-missing"
    ),
    pytest.param(["read", "{tmp}"], "digitise read: no photographs found in ", id="folder-empty"),
    pytest.param(
        ["read", "{site}", "--protocol", "{tmp}/nowhere.yaml"], r"nowhere\.yaml: no such file", id="protocol-missing"
    ),
    pytest.param(["read", "{site}", "--json", "{tmp}"], "--json .*: this is a folder; name a file", id="json-folder"),
    pytest.param(
        ["read", "{site}", "--json", "{tmp}/no/such/folder/out.json"], "no folder to put it into", id="json-nowhere"
    ),
    pytest.param(["read", "{site}", "--store", "{site}"], r"site\.jpg", id="store-is-a-file"),
    pytest.param(
        ["sheets", "no-such-protocol", "--out", "{tmp}/o"],
        r"no shipped protocol has that name \(shipped: .*reef-transect.*\)",
        id="sheets-unknown",
    ),
    pytest.param(
        ["report", "--store", "{tmp}/nowhere", "--out", "{tmp}/o"],
        "no store is here; make one with: digitise read PHOTOS --store",
        id="report-without-store",
    ),
    pytest.param(
        ["export", "--store", "{tmp}/nowhere", "--out", "{tmp}/o"],
        "no store is here; make one with",
        id="export-without-store",
    ),
    pytest.param(["evaluate", "{site}", "--truth", "{site}"], r"site\.jpg: not a manifest", id="truth-is-a-photo"),
    pytest.param(
        ["demo", "--photos", "{tmp}/nowhere", "--out", "{tmp}/demo", "--no-app"], "nowhere", id="demo-without-photos"
    ),
]


@pytest.mark.parametrize(("arguments", "words"), REFUSED)
def test_what_cannot_be_done_ends_with_two_and_one_sentence(arguments, words, tmp_path, site_jpg, capsys) -> None:
    """The command's name, what is wrong and where; never a traceback, nothing on standard output."""
    code = main([a.format(tmp=tmp_path, site=site_jpg) for a in arguments])
    said = capsys.readouterr()

    assert code == 2
    assert re.search(words, said.err)
    assert f"digitise {arguments[0]}: " in said.err
    assert "Traceback" not in said.err
    assert said.out == ""


# --- reading ---------------------------------------------------------------------------------------------


def test_all_read_ends_with_nought_and_json_on_standard_output(site_jpg, capsys) -> None:
    """``--json -``: standard output is one JSON document and nothing else; talk goes to standard error."""
    code = main(["read", str(site_jpg), "--json", "-"])
    said = capsys.readouterr()
    data = json.loads(said.out)

    assert code == 0
    assert list(data) == ["result_version", "photos"]
    assert [(p["file"], p["status"], p["sheet"], len(p["readings"])) for p in data["photos"]] == [
        ("site.jpg", "read", "site", 23)
    ]
    assert "site.jpg: Site sheet, pack QH7M4K" in said.err
    assert said.err.strip().endswith("1 photograph: 1 read, 0 to take again, 0 unreadable.")


def test_one_broken_file_ends_with_one_and_the_rest_is_read(site_jpg, photograph, tmp_path, capsys) -> None:
    """A folder with a text among the photographs: the others are read, the text is told, the file is whole."""
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "1.jpg").write_bytes(photograph("site").jpeg)
    (tmp_path / "in" / "2.jpg").write_text("not a photograph", encoding="utf-8")
    (tmp_path / "in" / "3.jpg").write_bytes(photograph("fish").jpeg)
    code = main(["read", str(tmp_path / "in"), "--json", str(tmp_path / "out.json")])
    said = capsys.readouterr()
    data = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))

    assert code == 1
    assert said.out == ""
    assert [(p["file"], p["status"]) for p in data["photos"]] == [
        ("1.jpg", "read"),
        ("2.jpg", "unreadable"),
        ("3.jpg", "read"),
    ]
    assert data["photos"][1]["readings"] == []
    assert "2.jpg: unreadable. The file is not a photograph" in said.err
    assert "3 photographs: 2 read, 0 to take again, 1 unreadable." in said.err


def test_a_missing_file_among_others_is_told(site_jpg, tmp_path, capsys) -> None:
    """One name mistyped: the other photograph is read, and the code is 1."""
    code = main(["read", str(tmp_path / "mistyped.jpg"), str(site_jpg)])

    assert code == 1
    assert "mistyped.jpg: unreadable." in capsys.readouterr().err


def test_without_json_or_store_the_summary_is_all(site_jpg, capsys) -> None:
    """The command says so at once, and ends well."""
    code = main(["read", str(site_jpg)])
    said = capsys.readouterr()

    assert code == 0
    assert said.out == ""
    assert said.err.startswith("Neither --json nor --store given: readings are shown in summary only.")


def test_a_given_protocol_is_read_beside_the_shipped_ones(reef, site_jpg, tmp_path, capsys) -> None:
    """A second protocol named on the command line does not push out the shipped one."""
    pond = (
        'protocol: pond\nversion: "1"\ntitle: Pond\nprogramme: Example pond group\nsheets:\n  pond:\n    kind: line\n    title: Pond\n'
        "    categories:\n      - {code: AB, id: a, label: A}\n      - {code: CD, id: c, label: C}\n"
    )
    (tmp_path / "pond.yaml").write_text(pond, encoding="utf-8")

    assert main(["read", str(site_jpg), "--protocol", str(tmp_path / "pond.yaml"), "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["photos"][0]["protocol"] == "reef-transect"


def test_a_protocol_that_the_store_keeps_needs_no_naming(tmp_path, capsys) -> None:
    """`prepare --store` keeps a programme's own protocol; its sheets are then read as the shipped one's are."""
    from PIL import Image

    from digitise.sheets.protocol import load_protocol
    from digitise.sheets.sheet import pack_pages, rasterise, sheet_pdf

    assert main(["protocol", "new", "--usual", "--name", "cove-lines", "--out", str(tmp_path / "cove.yaml")]) == 0
    plan = "plan: day\nprotocol: cove.yaml\nsites: [{name: Cove, code: CV}]\nsurveys: [{site: CV, transects: 1}]\n"
    (tmp_path / "day.yaml").write_text(plan)
    where = ["--out", str(tmp_path / "prints"), "--store", str(tmp_path / "store")]
    assert main(["prepare", str(tmp_path / "day.yaml"), *where]) == 0
    protocol = load_protocol(tmp_path / "cove.yaml")
    page = pack_pages(protocol, "A4", "QH7M4K")[0]
    paper = Image.fromarray(rasterise(sheet_pdf(protocol, [page]), 9.0))
    photo = Image.new("L", (paper.width + 300, paper.height + 300), 90)
    photo.paste(paper.point(lambda grey: int(0.9 * grey)), (150, 150))
    photo.save(tmp_path / "site.jpg")
    assert main(["read", str(tmp_path / "site.jpg"), "--store", str(tmp_path / "store")]) == 0
    assert "site.jpg: Site sheet, pack QH7M4K" in capsys.readouterr().err


def test_read_into_a_store_twice_keeps_one_page(site_jpg, tmp_path, capsys) -> None:
    """The photograph and its page are in the store once, whatever is typed again; and results are ready."""
    from digitise.results.kept import KeptTables
    from digitise.store import Store

    for _ in range(2):
        assert main(["read", str(site_jpg), "--store", str(tmp_path / "store")]) == 0
    with Store.open(tmp_path / "store") as store:
        assert [(p.sheet, p.pack) for p in store.pages()] == [("site", "QH7M4K")]
        assert len(store.photos()) == 1
        assert KeptTables(store).waiting == 0
    capsys.readouterr()


def test_an_original_that_is_gone_is_put_back_by_its_photograph(site_jpg, tmp_path, capsys) -> None:
    """Once, with a sentence; its page is not read a second time. One that a policy removed stays away."""
    from digitise.store import Store

    reading = ["read", str(site_jpg), "--store", str(tmp_path / "store"), "--jobs", "1"]
    assert main(reading) == 0
    (kept,) = (p for p in (tmp_path / "store" / "originals").rglob("*") if p.is_file())
    kept.unlink()
    capsys.readouterr()
    said = [(main(reading), capsys.readouterr().err) for _ in range(2)]

    assert kept.read_bytes() == site_jpg.read_bytes()
    assert [(code, "the store's original was gone; it was put back." in text) for code, text in said] == [
        (0, True),
        (0, False),
    ]
    with Store.open(tmp_path / "store") as store:
        (photo,) = store.photos()
        assert len(store.pages()) == 1
        store.thinned.note(photo.sha256, policy="Tests go at once.", by="Mira Tole", now=datetime.now(UTC))
        store.remove_original(photo.sha256)
    assert main(reading) == 0
    assert "put back" not in capsys.readouterr().err
    assert not kept.exists()


# --- the other commands ----------------------------------------------------------------------------------


def test_sheets_are_written_and_the_printing_is_explained(tmp_path, capsys) -> None:
    """One pack on the protocol's paper: ten pages, one PDF to print them all, at 100 %."""
    code = main(["sheets", "reef-transect", "--out", str(tmp_path / "sheets")])
    said = capsys.readouterr().err

    assert code == 0
    assert (
        len(list((tmp_path / "sheets").glob("*.pdf"))) == len(list((tmp_path / "sheets").glob("*.layout.json"))) == 10
    )
    assert (tmp_path / "sheets" / "print" / "a4.pdf").is_file()
    assert said.startswith("10 pages in 1 pack on A4 written to ")
    assert "Print at 100 % (actual size)." in said


def test_packs_printed_before_are_not_written_over(tmp_path, capsys) -> None:
    """The second printing says where to go; packs on another paper may lie in the same folder."""
    printing = ["sheets", "reef-transect", "--out", str(tmp_path / "sheets"), "--paper"]
    assert main([*printing, "A4"]) == 0
    before = {p: p.read_bytes() for p in tmp_path.rglob("*.pdf")}
    assert main([*printing, "all"]) == 2
    said = capsys.readouterr().err
    after = {p: p.read_bytes() for p in tmp_path.rglob("*.pdf")}

    assert f"{tmp_path / 'sheets' / 'print' / 'a4.pdf'} holds packs printed before" in said
    assert "choose another folder with --out" in said
    assert after == before
    assert main([*printing, "letter"]) == 0


def test_a_pack_on_every_paper_is_a_pack_for_each(tmp_path, capsys) -> None:
    """Each has a name of its own: sheets on two papers belong to no one survey."""
    assert main(["sheets", "long-line", "--out", str(tmp_path), "--paper", "all"]) == 0
    packs = {path.name[:6] for path in tmp_path.glob("*.pdf")}

    assert len(packs) == 4
    assert " pages in 4 packs on A4, letter, A5 and half-letter written to " in capsys.readouterr().err


def test_codes_are_printed_one_a_line(capsys) -> None:
    """Nine codes on standard output, the nearest pair on standard error."""
    code = main(["codes", "9"])
    said = capsys.readouterr()

    assert code == 0
    assert re.fullmatch(r"([A-Z]{2}\n){9}", said.out)
    assert re.search(
        r"(?s)9 codes, any two differ in two letters or more\..*Nearest pair [A-Z]{2} and [A-Z]{2}: .* 1 time in [\d,]+",
        said.err,
    )


def test_evaluation_compares_with_the_truth(photograph, site_jpg, tmp_path, capsys) -> None:
    """Nought when every photograph ended as it should, one when not; the table is on standard output."""
    taken = photograph("site")
    digest = hashlib.sha256(taken.jpeg).hexdigest()
    cells = {a.cell: {"value": a.value, "mark": a.mark, "must_flag": a.must_flag} for a in taken.answers}
    for expect, code in (("read", 0), ("retake", 1)):
        (tmp_path / "truth.json").write_text(
            json.dumps({"photos": [{"sha256": digest, "expect": expect, "cells": cells}]}), encoding="utf-8"
        )
        assert main(["evaluate", str(site_jpg), "--truth", str(tmp_path / "truth.json")]) == code
        said = capsys.readouterr().out
        assert said.startswith("1 photograph: 1 read, 0 to take again, 0 unreadable")
        assert re.search(r"all cells +23 ", said)
        assert f"{1 - code} of 1 photograph ended as they should" in said


def test_evaluation_counts_nothing_as_right_that_it_cannot_judge(photograph, site_jpg, tmp_path, capsys) -> None:
    """A sheet taken for another has other cells, all of them perhaps right; of a file that is not opened none is known."""
    digest = hashlib.sha256(photograph("site").jpeg).hexdigest()
    truth, broken = tmp_path / "truth.json", tmp_path / "broken.zip"
    broken.write_bytes(b"PK\3\4 and no more")
    for cell, good in (("site/day", 0), (None, 1)):
        cells = {cell: {"value": 1}} if cell else {}
        truth.write_text(json.dumps({"photos": [{"sha256": digest, "cells": cells}]}), encoding="utf-8")
        assert main(["evaluate", str(site_jpg), "--truth", str(truth)]) == 1 - good
        assert f"{good} of 1 photograph ended as they should" in capsys.readouterr().out

    assert main(["evaluate", str(site_jpg), str(broken), "--truth", str(truth)]) == 1
    assert (
        "1 file could not be opened or read to the end: nobody knows what they should give." in capsys.readouterr().err
    )


@pytest.mark.parametrize("command", ["check", "season", "verify", "compare", "doctor"])
def test_a_folder_that_is_no_store_stays_as_it_is(command, tmp_path, capsys):
    """A slip in `--store` is told, and makes no empty store among somebody's files."""
    (tmp_path / "dive.jpg").write_bytes(b"a picture")
    assert main([command, "--store", str(tmp_path)]) in (1, 2)
    told = capsys.readouterr()
    assert (
        f"{tmp_path}: no store is here; make one with: digitise read PHOTOS --store {tmp_path}" in told.err + told.out
    )
    assert [p.name for p in tmp_path.iterdir()] == ["dive.jpg"]


def test_what_the_disk_refuses_is_a_sentence(tmp_path, monkeypatch, capsys):
    """No error number: what, and what to do."""
    (tmp_path / "taken").write_text("somebody's notes")
    assert main(["sheets", "reef-transect", "--out", str(tmp_path / "taken" / "sheets")]) == 2
    assert "a part of this path is a file" in capsys.readouterr().err

    def full(*_args, **_options):
        raise OSError(errno.ENOSPC, "No space left on device", "sheets/print")

    monkeypatch.setattr(Path, "mkdir", full)
    assert main(["sheets", "reef-transect", "--out", str(tmp_path / "sheets")]) == 2
    assert capsys.readouterr().err.endswith("sheets/print: the disk is full; make room, then try again\n")


def test_a_full_disk_that_is_not_named_may_be_the_one_for_temporary_files(tmp_path, monkeypatch, capsys):
    """Writing into an open file does not tell which disk is full; an export lays much down in temporary files."""

    def full(*_args, **_options):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "mkdir", full)
    assert main(["sheets", "reef-transect", "--out", str(tmp_path / "sheets")]) == 2
    told = capsys.readouterr().err
    assert "the disk is full; make room, then try again. If there is room, it is the disk of " in told
    assert told.endswith(f"{tempfile.gettempdir()} that is full: TMPDIR names another\n")


def test_a_shipped_protocol_is_checked_by_its_name(capsys):
    assert main(["protocol", "check", "reef-transect"]) == 0
    assert "reef-transect 1 can be used" in capsys.readouterr().err


def test_letters_that_a_locale_lacks_end_no_command(site_jpg, tmp_path):
    """Output into a file or pipe is UTF-8 everywhere; a photograph keeps its name."""
    bare = {k: v for k, v in os.environ.items() if not k.startswith(("LC_", "LANG", "PYTHON"))}
    plain = bare | {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "PYTHONPATH": str(ROOT)}
    (tmp_path / "plongée 日本.jpg").write_bytes(site_jpg.read_bytes())
    said = []
    for words in (["read", "plongée 日本.jpg", "--store", "kept"], ["check", "--store", "kept"]):
        command = [sys.executable, "-m", "digitise.cli", *words]
        done = subprocess.run(command, capture_output=True, env=plain, cwd=tmp_path)
        said += [done.stdout.decode(), done.stderr.decode()]
    assert said[1].startswith("plongée 日本.jpg: Site sheet")
    assert said[2].startswith("Pack ")
    assert "codec" not in said[3]


def test_a_name_that_is_no_text_stops_no_run(site_jpg, tmp_path):
    photo = os.fsencode(tmp_path) + b"/dive-\xe9.jpg"
    Path(os.fsdecode(photo)).write_bytes(site_jpg.read_bytes())
    assert main(["read", os.fsdecode(photo), "--json", str(tmp_path / "out.json")]) == 0
    (one,) = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))["photos"]
    assert one["file"] == "dive-\ufffd.jpg"


def test_output_that_nobody_reads_further_is_no_error():
    """As with `| head`, which leaves when it has seen enough."""
    reads, writes = os.pipe()
    os.close(reads)
    command = [sys.executable, "-m", "digitise.cli", "codes", "9"]
    done = subprocess.run(command, stdout=writes, stderr=subprocess.PIPE, cwd=ROOT)
    os.close(writes)
    assert (done.returncode, b"ipe" in done.stderr) == (141, False)


def _parsers() -> list[argparse.ArgumentParser]:
    """Of every command and of the parts that some have."""
    found = [_parser()]
    for one in found:
        for action in one._actions:
            if isinstance(action, argparse._SubParsersAction):
                found += action.choices.values()
    return found


def test_help_says_what_everything_is_and_its_example_can_be_copied(monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    for one in _parsers():
        untold = [a.dest for a in one._actions if not a.help and not isinstance(a, argparse._SubParsersAction)]
        assert untold == []
        if "Example:" in (one.epilog or ""):
            assert one.epilog.splitlines()[-1] in one.format_help().splitlines()
