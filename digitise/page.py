"""A photograph becomes a page: found, identified, flattened, and judged fit to be read or not."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np

from digitise.fiducials import FoundMark, find_marks
from digitise.flatten import FLAT_PX_PER_MM, Flattened, flatten
from digitise.layout import Box, Layout
from digitise.sheet import Identity, parse_identity

MIN_PX_PER_MM = 3.6  # a 0.5 mm pencil stroke covers almost two pixels
MAX_RESIDUAL_MM = 0.9
MIN_MATCHED = 0.35
MAX_EDGE_MM = 0.85  # blur of a printed edge; a pencil stroke blurred wider than this is lost
MAX_HIDDEN_SHARE = 0.25  # of the page's cells


@dataclass(frozen=True, slots=True, eq=False)
class Page:
    """A flattened page. `image` is (H, W) uint8 at `FLAT_PX_PER_MM`; `hidden` names cells that cannot be seen."""

    layout: Layout
    identity: Identity | None
    image: np.ndarray
    flattened: Flattened
    native_px_per_mm: float
    edge_mm: float
    hidden: frozenset[str]

    @property
    def residual_mm(self) -> float:
        """95th percentile distance of held-out printed corners from where the layout says, in mm."""
        return self.flattened.residual_mm


@dataclass(frozen=True, slots=True)
class NotRegistered:
    """Why no page can be read: a reason's name, where and what in words. Falsy.

    `layout` is the page that was recognised, when one was.
    """

    reason: str
    detail: str
    layout: Layout | None = None

    def __bool__(self) -> bool:
        return False


CORNER_NAMES = ("top left", "top right", "bottom right", "bottom left")


def place_words(box_or_point: tuple[float, ...], size_mm: tuple[float, float]) -> str:
    """Where on the page, in words: "upper left", "middle right", "centre"."""
    x, y = box_or_point[:2]
    if len(box_or_point) == 4:
        x, y = x + box_or_point[2] / 2, y + box_or_point[3] / 2
    across = ("left", "", "right")[min(2, max(0, int(3 * x / size_mm[0])))]
    down = ("upper", "middle", "lower")[min(2, max(0, int(3 * y / size_mm[1])))]
    return f"{down} {across}" if across else {"middle": "centre"}.get(down, f"{down} middle")


def _sheets_seen(marks: list[FoundMark], layouts: Iterable[Layout]) -> list[tuple[Layout, list[FoundMark]]]:
    """Known layouts with their marks, most marks and largest first; the largest of repeated marks is taken."""
    by_slot: dict[int, dict[int, FoundMark]] = {}
    for mark in marks:
        by_slot.setdefault(mark.slot, {}).setdefault(mark.corner, mark)
    seen = [(one, list(by_slot[one.slot].values())) for one in layouts if one.slot in by_slot]
    return sorted(seen, key=lambda pair: (-len(pair[1]), -sum(m.side_px for m in pair[1])))


def _homography(layout: Layout, marks: list[FoundMark]) -> np.ndarray | None:
    flat = np.array([c for m in marks for c in layout.fiducials[m.corner].corners_mm], np.float64)
    seen = np.vstack([m.corners_px for m in marks])
    homography, _ = cv2.findHomography(flat, seen, 0)
    if homography is None or not np.all(np.isfinite(homography)):
        return None
    back = cv2.perspectiveTransform(flat.reshape(-1, 1, 2), homography).reshape(-1, 2)
    if np.abs(back - seen).max() > 0.35 * max(m.side_px for m in marks):
        return None
    return homography


def _read_identity(image: np.ndarray, layout: Layout) -> str | None:
    """Text of the page's QR code, None where it cannot be decoded."""
    import zxingcpp

    x, y, w, h = (int(round(v * FLAT_PX_PER_MM)) for v in layout.qr_mm)
    pad = int(2.5 * FLAT_PX_PER_MM)
    crop = image[max(0, y - pad) : y + h + pad, max(0, x - pad) : x + w + pad]
    for scale in (2.0, 1.0):
        picture = cv2.resize(crop, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC) if scale != 1 else crop
        picture = cv2.copyMakeBorder(picture, 20, 20, 20, 20, cv2.BORDER_REPLICATE)
        for code in zxingcpp.read_barcodes(picture, formats=zxingcpp.BarcodeFormat.QRCode):
            return code.text
    return None


def _edge_width_mm(image: np.ndarray, layout: Layout) -> float:
    """Median width, in mm, of the outer edges of the corner marks in the flat page."""
    widths = []
    scale = FLAT_PX_PER_MM
    for mark in layout.fiducials:
        x, y, w, h = mark.box_mm
        for horizontal in (True, False):
            for low in (True, False):
                if horizontal:
                    centre = (x if low else x + w) * scale
                    rows = image[int((y + 2) * scale) : int((y + h - 2) * scale), int(centre - 10) : int(centre + 10)]
                else:
                    centre = (y if low else y + h) * scale
                    rows = image[int(centre - 10) : int(centre + 10), int((x + 2) * scale) : int((x + w - 2) * scale)].T
                if rows.size and rows.shape[1] >= 20:
                    width = _rise(rows.mean(axis=0), falling=low)
                    if width is not None:
                        widths.append(width / scale)
    return float(np.median(widths)) if widths else float("inf")


def _rise(profile: np.ndarray, *, falling: bool) -> float | None:
    """Width of a step in samples: its height over its steepest slope (2.5 sigma of a Gaussian blur); None if faint."""
    values = profile[::-1] if falling else profile
    height = float(np.median(values[-5:]) - np.median(values[:5]))
    if height < 25:
        return None
    return height / max(float(np.diff(values).max()), 1e-3)


def _outside(flattened: Flattened, layout: Layout, shape: tuple[int, int]) -> list[str]:
    """Ids of cells whose corners lie outside the photograph."""
    height, width = shape
    corners = np.array(
        [[(x, y), (x + w, y), (x + w, y + h), (x, y + h)] for x, y, w, h in (c.box_mm for c in layout.cells)],
        np.float32,
    )
    px = flattened.warp.photo_px(corners.reshape(-1, 2)).reshape(-1, 4, 2)
    inside = (px >= 0).all(axis=2) & (px[:, :, 0] <= width - 1) & (px[:, :, 1] <= height - 1)
    return [c.id for c, ok in zip(layout.cells, inside.all(axis=1), strict=True) if not ok]


def _rule_contrast(image: np.ndarray, box: Box) -> float:
    """How dark the printed frame of a cell is against the paper beside it, in [0, 1]; low under glare or water."""
    scale = FLAT_PX_PER_MM
    x0, x1, y1 = (int(round(v * scale)) for v in (box[0], box[0] + box[2], box[1] + box[3]))
    reach, pad = int(0.6 * scale), int(1.2 * scale)
    below = image[max(0, y1 - pad) : y1 + pad, x0:x1]
    if below.size == 0:
        return 0.0
    paper = np.percentile(below, 85, axis=0)
    line = image[max(0, y1 - reach) : y1 + reach + 1, x0:x1].min(axis=0)
    drop = 1.0 - line / np.maximum(paper, 1)
    return float(np.percentile(drop, 12))


def _hidden_cells(image: np.ndarray, layout: Layout) -> list[str]:
    """Cells where the printed frame has faded far below the page's usual contrast."""
    contrast = np.array([_rule_contrast(image, c.box_mm) for c in layout.cells])
    usual = float(np.median(contrast))
    return [c.id for c, value in zip(layout.cells, contrast, strict=True) if value < 0.3 * usual or value < 0.05]


def _where(layout: Layout, ids: list[str]) -> str:
    words = [place_words(layout.by_id[i].box_mm, layout.page_size_mm) for i in ids]
    return " and ".join(sorted(set(words), key=lambda w: -words.count(w))[:2])


def _judged(page: Page, layout: Layout, cut: list[str]) -> Page | NotRegistered:
    """The page, or why it cannot be trusted."""
    if page.native_px_per_mm < MIN_PX_PER_MM:
        return NotRegistered(
            "too-far",
            f"the sheet has {page.native_px_per_mm:.1f} pixels a millimetre; {MIN_PX_PER_MM:g} are needed",
            layout,
        )
    if cut:
        return NotRegistered(
            "cut-off", f"{len(cut)} cells at the {_where(layout, cut)} lie outside the picture", layout
        )
    if page.edge_mm > MAX_EDGE_MM:
        return NotRegistered(
            "blurred", f"printed edges are {page.edge_mm:.1f} mm wide; {MAX_EDGE_MM:g} mm is the limit", layout
        )
    if len(page.hidden) > MAX_HIDDEN_SHARE * len(layout.cells):
        return NotRegistered(
            "glare", f"{len(page.hidden)} cells at the {_where(layout, sorted(page.hidden))} cannot be seen", layout
        )
    if page.flattened.matched < MIN_MATCHED or not page.residual_mm < MAX_RESIDUAL_MM:
        return NotRegistered(
            "not-flat",
            f"{100 * page.flattened.matched:.0f} % of the printed corners were found, "
            f"{page.residual_mm:.1f} mm from their place",
            layout,
        )
    return page


def _looks_blurred(gray: np.ndarray) -> bool:
    """Whether nothing in the picture is sharp: even its steepest edges rise over many pixels."""
    scale = min(1.0, 1600 / max(gray.shape))
    small = cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA).astype(np.float32)
    if small.shape[1] <= 8:
        return False
    near = np.abs(small[:, 1:] - small[:, :-1])
    far = np.abs(small[:, 8:] - small[:, :-8])
    contrast = float(np.percentile(far, 99.8))
    return contrast > 20 and float(np.percentile(near, 99.8)) < 0.3 * contrast


def _missing_words(marks: list[FoundMark]) -> str:
    lacking = [name for i, name in enumerate(CORNER_NAMES) if i not in {m.corner for m in marks}]
    return f"found {len(marks)} of the 4 corner marks ({' and '.join(lacking)} missing)"


def _try_layout(gray: np.ndarray, layout: Layout, marks: list[FoundMark]) -> Page | NotRegistered:
    if len(marks) < 2:
        return NotRegistered("few-marks", _missing_words(marks), layout)
    homography = _homography(layout, marks)
    if homography is None:
        return NotRegistered("few-marks", "the corner marks do not lie as on one sheet", layout)
    flattened = flatten(gray, layout, homography)
    x, y = layout.page_size_mm[0] / 2, layout.page_size_mm[1] / 2
    steps = flattened.warp.photo_px(np.array([(x, y), (x + 20, y), (x, y + 20)]))
    scale = min(np.linalg.norm(steps[1] - steps[0]), np.linalg.norm(steps[2] - steps[0])) / 20
    text = _read_identity(flattened.image, layout)
    identity = parse_identity(text) if text else None
    if identity and not _same_page(identity, layout):
        return NotRegistered(
            "other-edition",
            f"its printed code names {identity.protocol} {identity.version}, "
            f"{identity.sheet} page {identity.page}, edition {identity.digest}",
            None,
        )
    page = Page(
        layout,
        identity,
        flattened.image,
        flattened,
        float(scale),
        _edge_width_mm(flattened.image, layout),
        frozenset(_hidden_cells(flattened.image, layout)),
    )
    return _judged(page, layout, _outside(flattened, layout, gray.shape))


def _same_page(identity: Identity, layout: Layout) -> bool:
    return identity.sheet == layout.sheet and identity.page == layout.page and identity.digest == layout.digest[:4]


def register(gray: np.ndarray, layouts: Iterable[Layout]) -> Page | NotRegistered:
    """Find, identify and flatten the sheet in a photograph.

    Parameters
    ----------
    gray : (H, W) uint8 ndarray
    layouts : iterable of Layout
        Every page that may be in the picture.

    Returns
    -------
    Page or NotRegistered
        The latter is falsy and says why and where in words.
    """
    marks = find_marks(gray)
    seen = _sheets_seen(marks, layouts)
    if not seen:
        if not marks and _looks_blurred(gray):
            return NotRegistered("blurred", "no corner mark could be made out")
        if marks:
            return NotRegistered("no-sheet", f"{len(marks)} corner marks were found, of no known protocol")
        return NotRegistered("no-sheet", "no corner marks were found")
    failed: list[NotRegistered] = []
    for layout, own in seen[:4]:
        page = _try_layout(gray, layout, own)
        if page:
            return page
        if page.reason == "few-marks" and _looks_blurred(gray):
            page = NotRegistered("blurred", page.detail, page.layout)
        failed.append(page)
    return next((f for f in failed if f.layout is not None), failed[0])
