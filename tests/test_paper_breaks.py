"""On paper nothing that is a heading stands at the foot of a page without what it heads."""

import ctypes

import pypdfium2
import pytest
from pypdfium2 import raw

from digitise.report.blocks import Bullets, Facts, Findings, Heading, Notice, Paragraph, Part, Report, Table
from digitise.report.pdf import pdf_bytes

FOOT_PT = 15 * 72 / 25.4
WORDS = "Words that fill a line of the page and more than that, so that it is a paragraph. "
HEADING = "Heading to keep"


def paper(*blocks) -> pypdfium2.PdfDocument:
    part = Part((Heading(1, "First", "first"), *blocks), "first")
    return pypdfium2.PdfDocument(
        pdf_bytes(Report("T", "P", "s", Notice("done", "Signed", "x"), (("first", "First"),), (part,), "foot", "made"))
    )


def rows(name: str, many: int) -> tuple:
    return tuple(("", (f"{name} {i}", "1", "2")) for i in range(many))


def table(*lines) -> Table:
    return Table(("Name", "A", "B"), tuple(lines), "A caption that says what is in it.")


def lowest_size(page) -> float:
    """Size of the letters that stand lowest on a page, its foot left out."""
    found = []
    for one in page.get_objects(filter=[raw.FPDF_PAGEOBJ_TEXT], max_depth=4):
        size = ctypes.c_float()
        raw.FPDFTextObj_GetFontSize(one.raw, size)
        found.append((one.get_bounds()[1], size.value * abs(one.get_matrix().d)))
    return min(one for one in found if one[0] > FOOT_PT)[1]


FOLLOWS = {
    "a long table": [table(*rows("row", 60))],
    "words and a long table": [Paragraph(WORDS * 14), table(*rows("row", 60))],
    "a long list": [Bullets((WORDS * 6,) * 30)],
    "facts of two pages": [Facts(tuple((f"n{i}", f"v{i}") for i in range(200)))],
    "findings of two pages": [Findings("What to know", tuple((f"a{i}", WORDS * 2) for i in range(60)))],
}


@pytest.mark.parametrize("follows", FOLLOWS.values(), ids=FOLLOWS)
def test_a_heading_stays_with_what_follows_however_long_that_is(follows):
    """Wherever on the page it comes to stand."""
    for lines in range(26, 40):
        before = [Paragraph(f"line {i}") for i in range(lines)]
        pages = list(paper(*before, Heading(1, HEADING, "x"), *follows))
        assert all(lowest_size(page) < 10 for page in pages), lines


def test_a_heading_among_the_rows_of_a_table_stays_with_its_rows():
    groups = [line for g in range(30) for line in (("group", (f"GROUP {g}", "", "")), *rows("row", 5))]
    for lines in range(12):
        for page in paper(*(Paragraph(f"line {i}") for i in range(lines)), table(*groups)):
            found = [t for t in page.get_textpage().get_text_range().splitlines() if t.startswith(("row", "GROUP"))]
            assert not found or not found[-1].startswith("GROUP"), lines
