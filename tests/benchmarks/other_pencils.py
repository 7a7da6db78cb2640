"""What becomes of pencil on a sheet before it is photographed, and how it takes the light: changes of the filled page.

A change takes the filled page and the same page as printed, both (H, W) uint8 at `PX_PER_MM`, its layout and a generator. It
hands back the page as it is then, and the ids of cells in which nothing is meant any more. Strengths are drawn from harmless
to far too much.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from digitise.sheets.layout import Layout
from digitise.simulate.pencil import erase
from digitise.simulate.take import PX_PER_MM

Emptied = frozenset[str]
PencilChange = Callable[[np.ndarray, np.ndarray, Layout, np.random.Generator], tuple[np.ndarray, Emptied]]
FEWEST_MM2, SEVERAL = 4.0, 8  # of pencil in a cell that is rubbed out, and how many cells are


def _pencil(page: np.ndarray, bare: np.ndarray) -> np.ndarray:
    """The share of the paper's light that pencil takes."""
    return 1 - np.minimum(page / np.maximum(bare, 1).astype(np.float32), 1)


def _with(bare: np.ndarray, pencil: np.ndarray) -> np.ndarray:
    return np.clip(np.rint(bare * (1 - pencil)), 0, 255).astype(np.uint8)


def _places(shape: tuple[int, int], rng: np.random.Generator, *, soft: float) -> np.ndarray:
    """One to three round places on the page, in [0, 1]."""
    y, x = np.mgrid[0 : shape[0] : 8, 0 : shape[1] : 8].astype(np.float32)
    found = np.zeros(y.shape, np.float32)
    for _ in range(int(rng.integers(1, 4))):
        at, radius = rng.uniform(0.15, 0.85, 2) * shape, rng.uniform(25, 70) * PX_PER_MM
        away = np.hypot(y - at[0], x - at[1]) / radius - 1
        found = np.maximum(found, 1 / (1 + np.exp(np.clip(soft * away, -50, 50))))
    return cv2.resize(found, shape[::-1])


def shining(page: np.ndarray, bare: np.ndarray, layout: Layout, rng: np.random.Generator) -> tuple[np.ndarray, Emptied]:
    """Graphite reflects a low sun in places: paler, as pale as the paper, or brighter."""
    lit = 1 - rng.uniform(0.6, 1.5) * _places(page.shape, rng, soft=10)
    return _with(np.minimum(bare, 225), _pencil(page, bare) * lit), frozenset()


def faint(page: np.ndarray, bare: np.ndarray, layout: Layout, rng: np.random.Generator) -> tuple[np.ndarray, Emptied]:
    """A pencil so hard that it takes a tenth of the light, more or less."""
    pencil = _pencil(page, bare)
    usual = float(np.percentile(pencil[pencil > 0.1], 75)) if (pencil > 0.1).any() else 1.0
    return _with(bare, np.minimum(pencil * rng.uniform(0.06, 0.2) / usual, 1)), frozenset()


def worn(page: np.ndarray, bare: np.ndarray, layout: Layout, rng: np.random.Generator) -> tuple[np.ndarray, Emptied]:
    """Rubbed in a pocket: in places half and more of the graphite is gone, unevenly."""
    few = rng.random((page.shape[0] // 4, page.shape[1] // 4), np.float32)
    kept = 1 - rng.uniform(0.5, 0.95) * _places(page.shape, rng, soft=5) * (
        0.6 + 0.8 * cv2.resize(few, page.shape[::-1])
    )
    return _with(bare, _pencil(page, bare) * np.clip(kept, 0, 1)), frozenset()


def smudged(page: np.ndarray, bare: np.ndarray, layout: Layout, rng: np.random.Generator) -> tuple[np.ndarray, Emptied]:
    """A wet hand was drawn across it."""
    pencil, place = _pencil(page, bare), rng.uniform(0.2, 0.7) * _places(page.shape, rng, soft=6)
    reach, way = int(rng.uniform(4, 15) * PX_PER_MM), rng.uniform(0, np.pi)
    kernel, half = np.zeros((2 * reach + 1,) * 2, np.float32), reach * np.array([np.cos(way), np.sin(way)])
    cv2.line(kernel, *((np.rint(reach + sign * half)).astype(int).tolist() for sign in (-1, 1)), 1.0, 6)
    drawn = cv2.filter2D(pencil, -1, kernel / kernel.sum())
    return _with(bare, np.clip(pencil * (1 - place) + 2.5 * place * drawn, 0, 0.95)), frozenset()


def badly_rubbed_out(
    page: np.ndarray, bare: np.ndarray, layout: Layout, rng: np.random.Generator
) -> tuple[np.ndarray, Emptied]:
    """Cells rubbed out with an eraser that leaves a fifth to three fifths, and nothing written again."""
    page, least, pencil = page.copy(), rng.uniform(0.2, 0.55), _pencil(page, bare) > 0.2

    def written_mm2(box: tuple[float, ...]) -> float:
        x, y, w, h = (round(v * PX_PER_MM) for v in box)
        return np.count_nonzero(pencil[y : y + h, x : x + w]) / PX_PER_MM**2

    written = [c for c in layout.cells if c.kind not in ("text", "tick") and written_mm2(c.box_mm) > FEWEST_MM2]
    some = [written[i] for i in rng.permutation(len(written))[:SEVERAL]]
    for cell in some:
        erase(page, cell.box_mm, clean=bare, px_per_mm=PX_PER_MM, rng=rng, ghost=(least, least + 0.05))
    return page, frozenset(c.id for c in some)


CHANGES: dict[str, PencilChange] = {
    f.__name__.replace("_", " "): f for f in (shining, faint, worn, smudged, badly_rubbed_out)
}
