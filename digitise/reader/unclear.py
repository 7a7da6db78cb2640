"""Whether a page that was read is better photographed again, since most of its cells are not to be made out.

Shadows of the paper's own roughness in low light, and lines or old writing under the new, lie over written and empty
cells alike, and most then look crossed out. So do strokes that a moving phone smeared, and then it is blur. One writer
crosses out single cells. Cells hidden by glare or by something on the sheet tell nothing of the others.
"""

from __future__ import annotations

from collections.abc import Sequence

from digitise.pages.page import NotRegistered, Page
from digitise.reader.reading import Reading

MOST_UNCLEAR = 0.4  # of the cells that are not words; on good photographs it is a tenth, seldom a fifth
MOVED = 0.6  # contrast of print in one direction, of that in the other: below, the phone moved
FEWEST = 6  # cells that are unclear: on a page of few cells, a writer may have crossed out many
_UNCLEAR = frozenset({"crossed-out", "hard-to-see"})


def sent_back(page: Page, readings: Sequence[Reading]) -> NotRegistered | None:
    """Why a page is to be photographed again, or None when it can be kept as it was read."""
    cells = [r for r in readings if r.kind != "text" and r.cell not in page.hidden]
    unclear = sum(not _UNCLEAR.isdisjoint(r.reasons) for r in cells)
    if unclear < FEWEST or unclear <= MOST_UNCLEAR * len(cells):
        return None
    words = f"{unclear} of {len(cells)} cells look crossed out or are hard to see"
    return NotRegistered("blurred" if page.evenness < MOVED else "not-plain", words, page.layout)
