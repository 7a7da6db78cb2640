"""Whether a page that was read is better photographed again, since most of its cells are not to be made out.

Shadows of the paper's own roughness in low light, and lines or old writing under the new, lie over written and empty
cells alike, and most then look crossed out. So do strokes that a moving phone smeared, and then it is blur. One writer
crosses out single cells, and one whose letters look crossed out leaves other cells plain and the paper between them
bare. Cells hidden by glare or by something on the sheet tell nothing of the others.
"""

from __future__ import annotations

from collections.abc import Sequence

from digitise.pages.page import NotRegistered, Page
from digitise.reader.characters import ink_threshold
from digitise.reader.ink import extract_ink
from digitise.reader.reading import Reading
from digitise.reader.stray import inked_paper

MOST_UNCLEAR = 0.4  # of the cells that are not words; on good photographs it is a tenth, seldom a fifth
MOVED = 0.6  # contrast of print in one direction, of that in the other: below, the phone moved
PLAIN, INKED = 0.15, 0.01  # share of cells without a doubt, where a hand looks so; of bare paper half as dark as ink
FEWEST = 6  # cells that are unclear: on a page of few cells, a writer may have crossed out many
_UNCLEAR = frozenset({"crossed-out", "hard-to-see"})


def sent_back(page: Page, readings: Sequence[Reading]) -> NotRegistered | None:
    """Why a page is to be photographed again, or None when it can be kept as it was read."""
    cells = [r for r in readings if r.kind != "text" and r.cell not in page.hidden]
    unclear = sum(not _UNCLEAR.isdisjoint(r.reasons) for r in cells)
    if unclear < FEWEST or unclear <= MOST_UNCLEAR * len(cells):
        return None
    moved = page.evenness < MOVED
    if not moved and _so_written(page, cells):
        return None
    words = f"{unclear} of {len(cells)} cells look crossed out or are hard to see"
    return NotRegistered("blurred" if moved else "not-plain", words, page.layout)


def _so_written(page: Page, cells: Sequence[Reading]) -> bool:
    """Whether cells look crossed out since somebody writes so, and nothing lies over the paper."""
    plain = sum(not r.flagged for r in cells)
    hard = sum("hard-to-see" in r.reasons for r in cells)
    if hard >= FEWEST or plain <= PLAIN * len(cells):
        return False
    ink = extract_ink(page.image, page.layout)
    return inked_paper(ink, page.layout, ink_threshold(ink) / 2) < INKED
