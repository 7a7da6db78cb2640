"""What leaves a store: photographs without a phone's data, names replaced and covered where asked for, nothing else lost."""

import io
import re
import zipfile

import cv2
import kept
import numpy as np
import pypdfium2
import pytest
from kept import NOW, PACK
from PIL import Image

from digitise.exchange.content import gather
from digitise.exchange.pseudonyms import Pseudonyms, covered, pseudonyms_of
from digitise.exchange.shared import COVER_GREY, Sharing, write_shared
from digitise.exchange.write import write_export
from digitise.handover.package import make_handover
from digitise.handover.prepared import Wishes, prepare_handover
from digitise.reader.reading import PhotoResult
from digitise.sheets.sheet import identity_for
from digitise.simulate.typed import typed_page
from digitise.store import Store

SITE = {
    "site/date": "2026-03-14",
    "site/site": "PILOT GARDEN",
    "site/leader": "MIRA TOLE",
    "site/pair-1": "KEO VARN, ADA LIND",
    "site/remarks": "ASK MIRA, NOT KEO VARN",
}
FISH = {"fish/observer": "KEO VARN", "fish/ray/0-10/tally": 6, "fish/ray/0-10/total": 6}
NAMES = ("mira", "tole", "keo", "varn", "ada lind", "sanna", "ruo", "anna")


def gps(image: np.ndarray) -> bytes:
    """A JPEG as a phone makes it: position, device, and turned by a tag."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0112] = "A phone", 1
    exif.get_ifd(0x8825).update({1: "N", 2: (5.0, 24.0, 44.3), 3: "W", 4: (161.0, 12.0, 12.2)})
    out = io.BytesIO()
    Image.fromarray(image).save(out, "JPEG", quality=92, exif=exif)
    return out.getvalue()


def add(store, sheet: str, values: dict) -> tuple[int, str]:
    """A typed sheet with a phone's data in its photograph: (page, SHA-256)."""
    one = kept.layout(sheet)
    made = typed_page(kept.protocol(), one, identity_for(one, PACK, int(one.per_transect)), values)
    name = f"{sheet}.jpg"
    sha256 = store.keep_photo(gps(made.image), name, now=NOW)
    readings = kept.made_result(sheet, values, name=name).readings
    result = PhotoResult(name, sha256, "read", (), made, None, readings)
    return store.record(result, kept.protocol(), now=NOW, acceptance_basis="made up for a test"), sha256


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """A site and a fish sheet; one entry by a person, whose reason names another; a photograph that was refused."""
    with Store.open(tmp_path_factory.mktemp("kept") / "store") as opened:
        add(opened, "site", SITE)
        page, _ = add(opened, "fish", FISH)
        opened.decide(
            page, "fish/goby/0-10/tally", value=2, state="entered", by="Anna", now=NOW, why="Keo Varn said so"
        )
        sha256 = opened.keep_photo(b"no picture", "refused.jpg", now=NOW)
        opened.record(PhotoResult("refused.jpg", sha256, "unreadable", ("Blurred.",)), None, now=NOW)
        opened.signoffs.sign(PACK, statement="Seen.", by="Sanna Ruo", now=NOW, digest=opened.signoffs.digest(PACK))
        yield opened


def shared(store, folder, sharing):
    write_shared(store, gather(store, now=NOW, with_unreviewed=True, names=sharing.names), folder, sharing)
    return folder / "data"


def photo_rows(data) -> dict[str, str]:
    lines = (data / "photographs.csv").read_text(encoding="utf-8").splitlines()[1:]
    return {line.split(",")[0]: line.partition(line.split(",")[2] + ",")[2].strip('"') for line in lines}


def test_copies_hold_no_position_time_or_device_and_the_original_keeps_all(store, tmp_path):
    """Not one tag is left in a copy; the store's own file is untouched; the picture is the same."""
    data = shared(store, tmp_path / "e", Sharing())
    copies = sorted((data / "photographs").iterdir())
    assert len(copies) == 2
    for path in copies:
        original = store.original(path.stem)
        with Image.open(io.BytesIO(original)) as image:
            assert dict(image.getexif().get_ifd(0x8825))[1] == "N"
        assert b"Exif" in original
        with Image.open(path) as copy:
            assert not copy.getexif()
            assert b"Exif" not in path.read_bytes()
            gray = np.asarray(copy.convert("L"), int)
        before = cv2.imdecode(np.frombuffer(original, np.uint8), cv2.IMREAD_GRAYSCALE).astype(int)
        assert np.abs(gray - before).mean() < 2
    assert "left out" in photo_rows(data)["refused.jpg"]


def test_files_go_as_they_came_only_where_positions_are_wanted(store, tmp_path):
    data = shared(store, tmp_path / "e", Sharing(positions=True))
    for path in (data / "photographs").iterdir():
        assert path.read_bytes() == store.original(path.stem)
    assert "as it came" in photo_rows(data)["fish.jpg"]


def test_boxes_for_words_are_covered_in_photograph_and_page_and_nothing_else_is(store, tmp_path):
    """Every words box but the site's is one grey; every other cell is as it was; there is no crop of words."""
    data = shared(store, tmp_path / "e", Sharing(pseudonyms_of(store, now=NOW)))
    for page in store.pages():
        before = cv2.imdecode(np.frombuffer(store.page_image(page.id), np.uint8), cv2.IMREAD_GRAYSCALE).astype(int)
        for name in (f"pages/page-{page.id}.jpg", f"photographs/{page.sha256}.jpg"):
            after = cv2.imread(str(data / name), cv2.IMREAD_GRAYSCALE).astype(int)
            for cell in store.cells(page.id):
                x, y, w, h = (round(8 * v) for v in cell.box_mm)
                box = after[y : y + h, x : x + w]
                if covered(cell.id, cell.kind):
                    assert np.abs(box - COVER_GREY).max() <= 6, cell.id
                else:
                    inner = (slice(y + 16, y + h - 16), slice(x + 16, x + w - 16))
                    assert np.abs(after[inner] - before[inner]).mean() < 3, cell.id
    crops = [p.name for p in (data / "crops").rglob("*.png")]
    assert crops == ["fish_goby_0-10_tally.png"]


def every_text(folder) -> dict[str, str]:
    """All text in a package, in whatever file it stands."""
    out = {}
    for path in (p for p in folder.rglob("*") if p.is_file()):
        if path.suffix in (".xlsx", ".zip"):
            with zipfile.ZipFile(path) as archive:
                for name in archive.namelist():
                    out[f"{path.name}/{name}"] = archive.read(name).decode("utf-8", errors="replace")
        elif path.suffix == ".pdf":
            document = pypdfium2.PdfDocument(path)
            out[path.name] = " ".join(page.get_textpage().get_text_range() for page in document)
        elif path.suffix not in (".jpg", ".png"):
            out[path.relative_to(folder).as_posix()] = path.read_text(encoding="utf-8")
    return out


def test_no_file_of_a_package_with_pseudonyms_names_anybody_but_its_sender(store, tmp_path):
    """Report, tables, workbook, archive, evidence and note are searched for every name and part of a name."""
    wishes = Wishes("Reserve office", "Olin Fesk", pseudonyms=True)
    folder, _ = make_handover(store, tmp_path, prepare_handover(store, wishes, now=NOW), now=NOW)
    found = [
        f"{name}: {word}"
        for name, text in every_text(folder).items()
        for word in NAMES
        if re.search(rf"(?<![a-z]){word}(?![a-z])", text.lower())
    ]
    assert found == []
    cells = (folder / "evidence" / "data" / "cells.csv").read_text(encoding="utf-8")
    names = pseudonyms_of(store, now=NOW)
    assert names.of("Keo Varn") in cells
    assert f"ASK {names.of('MIRA TOLE')}, NOT {names.of('Keo Varn')}" in cells
    assert f"{names.of('Keo Varn')} said so" in cells
    assert "PILOT GARDEN" in cells


def test_without_pseudonyms_names_are_as_they_were_written(store, tmp_path):
    data = shared(store, tmp_path / "e", Sharing())
    assert "MIRA TOLE" in (data / "cells.csv").read_text(encoding="utf-8")
    assert Sharing().sentences[0].startswith("Names of people are as they were written.")


def test_a_pseudonym_stays_the_same_however_the_name_is_written_and_is_another_in_another_store(store, tmp_path):
    names = pseudonyms_of(store, now=NOW)
    again = pseudonyms_of(store, now=NOW)
    assert names.of("Keo Varn") == again.of("KEO  VARN") == names.of("Kéo Varn")
    assert re.fullmatch("P-[A-HJ-NP-RT-Y346789]{5}", names.of("Keo Varn"))
    assert len({names.of(n) for n in ("Keo Varn", "Ada Lind", "Mira Tole", "Varn Keo")}) == 4
    assert (names.of("rule"), names.of("")) == ("rule", "")
    with Store.open(tmp_path / "other") as other:
        assert pseudonyms_of(other, now=NOW).of("Keo Varn") != names.of("Keo Varn")


def test_only_words_are_changed_and_site_names_are_not_people():
    names = Pseudonyms(b"secret", ["Pilot Varn"])
    assert names.value("substrate/1", "code", "BK") == "BK"
    assert names.value("site/site", "text", "PILOT GARDEN") == "PILOT GARDEN"
    assert names.value("site/remarks", "text", "PILOT WAVES") == f"{names.of('Pilot Varn')} WAVES"
    assert names.value("site/remarks", "text", "PÎLÔT WAVES") == f"{names.of('Pilot Varn')} WAVES"
    accented = Pseudonyms(b"secret", ["Zoé Hallor"])
    assert accented.text("Élan: ZOE SAW IT, Zoe\u0301 too") == "Élan: {0} SAW IT, {0} too".format(
        accented.of("Zoé Hallor")
    )
    assert names.value("fish/observer", "text", "A, B") == f"{names.of('A')}, {names.of('B')}"
    assert names.value("fish/observer", "text", None) is None


def test_a_cell_without_names_keeps_state_confidence_and_place(store):
    names = pseudonyms_of(store, now=NOW)
    cells = [cell for page in store.pages() for cell in store.current(page.id).values()]
    assert any(names.cell(cell) != cell for cell in cells)
    for cell in cells:
        same = {f: getattr(cell, f) for f in ("value", "read_value", "candidates", "by", "why")}
        assert names.cell(cell)._replace(**same) == cell


def test_an_export_names_nobody_where_names_are_replaced_and_refuses_evidence_then(store, tmp_path):
    """Tables, workbook and archive are searched; evidence is the store as it is."""
    write_export(store, tmp_path / "out", now=NOW, pseudonyms=True)
    found = [n for n, text in every_text(tmp_path / "out").items() if re.search("mira|tole|varn|anna", text.lower())]
    assert found == []
    with pytest.raises(ValueError, match="the evidence is the store as it is, with the names in it"):
        write_export(store, tmp_path / "out", now=NOW, formats=("evidence",), pseudonyms=True)
