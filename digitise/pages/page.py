"""A photograph becomes pages: each sheet found, identified, flattened, and judged fit to be read or not."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil, floor, isinf

import cv2
import numpy as np

from digitise.pages.exposure import DARK, DIM, LEAST_PRINT, MOST_GRAIN, burnt_out, grain, print_darkness
from digitise.pages.fiducials import FoundMark, find_marks, halved, marks_in
from digitise.pages.flatten import FLAT_PX_PER_MM, Flattened, Views, flatten_views
from digitise.pages.outward import followed
from digitise.pages.pose import Pose, carried_on, poses_in, scales
from digitise.pages.rows import boxes_beyond
from digitise.pages.sight import (
    STROKE_MM,
    Unseen,
    edge_width_mm,
    edge_widths_mm,
    is_bare,
    looks_blurred,
    outside_cells,
    unseen_cells,
    where,
)
from digitise.sheets.layout import Layout
from digitise.sheets.sheet import Identity, parse_identity
from digitise.wording import listed, plural

SQUEEZED = 0.7  # of the other direction: a tilt of 45° does that, or whoever changed the picture's shape
MIN_PX_PER_MM = 3.0  # a 0.5 mm pencil stroke covers one and a half pixels; what is not sure then goes to a person
MAX_RESIDUAL_MM = 0.6  # of sheets that were read right, 99 in 100 lie within half of it
MAX_STRAIN = 0.25  # sheets curled and waved by hand reach 0.2; where a row was taken for the next it is more
OTHER_FIT = 0.5  # less of its print is seen of a page with the same marks that it is not
BOWED_MM = 3.0  # off its place by the marks: print may have been taken for the row above or below
MOST_STRAIN = 0.4  # of a sheet bowed by centimetres all of whose print lies where it should:
WHOLE_FIT, WHOLE_MM = 0.95, 0.15  # share of it that is seen, and its residual
MIN_MATCHED = 0.35
MAX_EDGE_MM = 0.85  # blur of a printed edge; a pencil stroke blurred wider than this is lost
LEAST_EVEN = 0.3  # contrast of print in the worse direction, of that in the other: below, strokes may be smeared away
SOFTER = 1.25  # times as wide as edges in the other direction: the phone moved
CODE_ASIDE_MM = 8.0  # from where the flattened page has it, a code is still looked for in the photograph
_OUTWARD = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)])  # from a box's corners
MAX_HIDDEN_SHARE = 0.33  # of the page's cells; the hidden ones of a page with fewer go to a person
MOST_OBLONG = 20  # times as long as wide: no photograph, and no part of one holds a sheet
LARGE_PX = 2400  # of a picture's longer side: of a larger one half as many pixels a millimetre show a code
ROOM = 0.3  # of a picture: smaller sheets beside a page are not looked for
MOST_SHEETS = 6  # tried in one photograph
MIRROR_PX, MIRROR_MARKS = 1600, 2  # at most so long is what is searched for a mirrored sheet; marks that make one
FAR_LESS, LESS = 4, 0.08  # so many times as much print, and this share of it, another page lacks that is told apart


@dataclass(frozen=True, slots=True, eq=False)
class Page:
    """A flattened page. `image` is (H, W) uint8 at `FLAT_PX_PER_MM`; `hidden` names cells that cannot be seen.

    `evenness` is the contrast of print in the direction in which it is paler, as a share of that in the other.
    """

    layout: Layout
    identity: Identity | None
    image: np.ndarray
    flattened: Flattened
    native_px_per_mm: float
    edge_mm: float
    hidden: frozenset[str]
    evenness: float = 1.0

    @property
    def residual_mm(self) -> float:
        """95th percentile distance of held-out printed corners from where the layout says, in mm."""
        return self.flattened.residual_mm

    @property
    def edge_strokes(self) -> float:
        """Width over which a printed edge is blurred, in widths of a pencil stroke: below 1, strokes are clear."""
        return self.edge_mm / STROKE_MM

    @property
    def hidden_share(self) -> float:
        """Share of the page's cells that cannot be seen whole."""
        return len(self.hidden) / max(1, len(self.layout.cells))


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


def _read_identity(views: Views, flattened: Flattened, layout: Layout) -> str | None:
    """Text of the page's QR code, None where it cannot be decoded.

    Little is printed around it to flatten it by: where the paper waves it is read better as it was photographed.
    """
    x, y, w, h = (int(round(v * FLAT_PX_PER_MM)) for v in layout.qr_mm)
    pad = int(2.5 * FLAT_PX_PER_MM)
    crop = flattened.image[max(0, y - pad) : y + h + pad, max(0, x - pad) : x + w + pad]
    for scale in (2.0, 1.0):
        picture = cv2.resize(crop, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC) if scale != 1 else crop
        picture = cv2.copyMakeBorder(picture, 20, 20, 20, 20, cv2.BORDER_REPLICATE)
        if text := _code_in(picture):
            return text
    x, y, w, h = layout.qr_mm
    ends = np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)]) + CODE_ASIDE_MM * _OUTWARD
    corners = flattened.warp.photo_px(ends)
    (left, top), (right, bottom) = np.maximum(corners.min(axis=0), 0).astype(int), corners.max(axis=0).astype(int)
    return _code_in(views.full[top : max(top, bottom), left : max(left, right)])


def _code_in(picture: np.ndarray) -> str | None:
    """Text of the first QR code in a picture, None where none is read."""
    import zxingcpp

    if not picture.size:
        return None
    codes = zxingcpp.read_barcodes(np.ascontiguousarray(picture), formats=zxingcpp.BarcodeFormat.QRCode)
    return next((code.text for code in codes), None)


def _too_far(px_per_mm: float, layout: Layout, homography: np.ndarray | None = None) -> NotRegistered:
    """Why a sheet is too small: it is far away, or only squeezed, which no step nearer mends."""
    needed = f"{MIN_PX_PER_MM:g} are needed"
    if homography is not None:
        less, more = scales(layout, homography)
        if more >= MIN_PX_PER_MM and less < SQUEEZED * more:
            words = f"one way it has {_tenths(less)} pixels a millimetre, the other way {_tenths(more)}; {needed}"
            return NotRegistered("squeezed", words, layout)
    return NotRegistered("too-far", f"the sheet has {_tenths(px_per_mm)} pixels a millimetre; {needed}", layout)


def _tenths(px_per_mm: float) -> str:
    return f"{floor(10 * px_per_mm) / 10:.1f}"


def _blurred(edge_mm: float, layout: Layout) -> NotRegistered:
    if isinf(edge_mm):
        return NotRegistered("blurred", "no printed edge is sharp enough to be measured", layout)
    words = f"printed edges are {ceil(10 * edge_mm) / 10:g} mm wide; {MAX_EDGE_MM:g} mm is the limit"
    return NotRegistered("blurred", words, layout)


def _judged(page: Page, cut: list[str], unseen: Unseen, edges_mm: np.ndarray) -> Page | NotRegistered:
    """The page, or why it cannot be trusted; `edges_mm` are widths by `edge_widths_mm`."""
    refused = _badly_taken(page, cut, edges_mm)
    if refused is None:
        refused = _badly_flattened(page, unseen, edges_mm)
    return page if refused is None else refused


def _badly_taken(page: Page, cut: list[str], edges_mm: np.ndarray) -> NotRegistered | None:
    """Why the photograph is no good, however flat its page: too far away, cut off, dark, veiled, or not sharp."""
    layout = page.layout
    if page.native_px_per_mm < MIN_PX_PER_MM:
        return _too_far(page.native_px_per_mm, layout, page.flattened.warp.homography)
    if cut:
        words = f"{plural(len(cut), 'cell')} at the {where(layout, cut)}"
        return NotRegistered("cut-off", words, layout)
    if (spread := grain(page.image)) > MOST_GRAIN:
        return NotRegistered("too-dark", f"grain is {100 * spread:.0f} % of the paper's light", layout)
    if isinf(page.edge_mm) and np.median(page.image[::16, ::16]) < DIM:
        return NotRegistered("too-dark", "the printed marks hardly differ from the paper", layout)
    if (black := print_darkness(page.image, layout)) < LEAST_PRINT:
        return NotRegistered("veiled", f"what is printed black takes only {100 * black:.0f} % of the light", layout)
    if page.edge_mm > MAX_EDGE_MM:
        return _blurred(page.edge_mm, layout)
    if page.evenness < LEAST_EVEN and _softer_one_way(edges_mm):
        words = f"in one direction print keeps {100 * page.evenness:.0f} % of its contrast"
        return NotRegistered("blurred", words, layout)
    return None


def _badly_flattened(page: Page, unseen: Unseen, edges_mm: np.ndarray) -> NotRegistered | None:
    """Why the flat page is not to be trusted: its print is out of place, or too much of it cannot be seen."""
    layout, hidden, flat = page.layout, list(page.hidden), page.flattened
    found = f"{100 * flat.matched:.0f} % of the printed corners were found"
    if boxes_beyond(halved(page.image), layout):
        if (spread := grain(page.image)) > MOST_GRAIN / 2:  # which makes lines where there are none
            return NotRegistered("too-dark", f"grain is {100 * spread:.0f} % of the paper's light", layout)
        return NotRegistered("not-flat", "a row of boxes lies where the sheet has none", layout)
    if page.residual_mm >= MAX_RESIDUAL_MM:
        return NotRegistered("not-flat", f"{found}, {page.residual_mm:.1f} mm from their place", layout)
    if page.hidden_share > MAX_HIDDEN_SHARE and unseen.main_reason != "not-flat":
        words = f"{len(hidden)} cells at the {where(layout, hidden)} cannot be seen"
        soft = unseen.main_reason != "glare" and (edges_mm > MAX_EDGE_MM).all(axis=1).any()
        return NotRegistered("blurred" if soft else unseen.main_reason, words, layout)
    whole = _fit(flat) >= WHOLE_FIT and page.residual_mm <= WHOLE_MM
    if flat.warp.strain(layout) > (MOST_STRAIN if whole else MAX_STRAIN):
        return NotRegistered("not-flat", "one part of the page lies a row away from the rest", layout)
    if burnt_out(page.image, layout):
        return NotRegistered("too-bright", "the paper is white all over, and pencil faint or not to be seen", layout)
    if flat.matched < MIN_MATCHED or np.isnan(page.residual_mm):
        return NotRegistered("not-flat", found, layout)
    if page.hidden_share > MAX_HIDDEN_SHARE:
        words = f"{found}; at the {where(layout, list(unseen.astray))} they are not where they should be"
        return NotRegistered("not-flat", words, layout)
    return None


def _softer_one_way(edges_mm: np.ndarray) -> bool:
    """Whether the corner marks' edges, by `edge_widths_mm`, are softer in one direction; mist leaves both alike."""
    ways = [float(np.median(own)) for own in (way[~np.isnan(way)] for way in edges_mm.T) if len(own)]
    return bool(ways) and max(ways) > SOFTER * min(ways)


def _missing_words(marks: tuple[FoundMark, ...]) -> str:
    lacking = [name for i, name in enumerate(CORNER_NAMES) if i not in {m.corner for m in marks}]
    return f"found {len(marks)} of the 4 corner marks ({listed(lacking)} missing)"


def _native_px_per_mm(flattened: Flattened, size_mm: tuple[float, float]) -> float:
    """Photo pixels a millimetre at the middle of the page, in the worse direction."""
    x, y = size_mm[0] / 2, size_mm[1] / 2
    middle, across, down = flattened.warp.photo_px(np.array([(x, y), (x + 20, y), (x, y + 20)]))
    return float(min(np.linalg.norm(across - middle), np.linalg.norm(down - middle)) / 20)


def _fit(flat: Flattened) -> float:
    """Share of a page's printed corners and places along rules that lie where they should."""
    return len(flat.found_mm) / max(1, len(flat.found_mm) + len(flat.lost_mm))


def _flattened(views: Views, pose: Pose) -> Flattened:
    """The flat page; one whose print is far from where the marks say is followed from them, where that fits better."""
    layout = pose.layout
    if len(pose.marks) < len(layout.fiducials):
        return flatten_views(views, layout, carried_on(views, pose))
    first = flatten_views(views, layout, pose.homography)
    if not OTHER_FIT < _fit(first) < WHOLE_FIT or np.abs(first.warp.shift_mm).max() < BOWED_MM:
        return first
    again = flatten_views(views, layout, pose.homography, shift_mm=followed(views, layout, pose.homography))
    return max(first, again, key=_fit)


def _try_pose(views: Views, pose: Pose) -> Page | NotRegistered:
    layout = pose.layout
    if (scale := pose.px_per_mm) < MIN_PX_PER_MM:
        return _too_far(scale, layout, pose.homography)
    if len(pose.marks) < 2:
        return NotRegistered("few-marks", _missing_words(pose.marks), layout)
    if pose.homography is None:
        return NotRegistered("few-marks", "the corner marks do not lie as on one sheet", layout)
    flattened = _flattened(views, pose)
    text = _read_identity(views, flattened, layout)
    identity = parse_identity(text) if text else None
    if identity and not _same_page(identity, layout):
        return _other_edition(identity)
    unseen, edges_mm = unseen_cells(flattened, layout), edge_widths_mm(flattened.image, layout)
    page = Page(
        layout,
        identity,
        flattened.image,
        flattened,
        _native_px_per_mm(flattened, layout.page_size_mm),
        edge_width_mm(edges_mm),
        unseen.all,
        unseen.evenness,
    )
    judged = _judged(page, outside_cells(flattened, layout, views.full.shape), unseen, edges_mm)
    lacks_marks = len(pose.marks) < len(layout.fiducials) and not flattened.matched >= WHOLE_FIT
    if not judged and judged.reason == "not-flat" and lacks_marks:
        return NotRegistered("few-marks", f"{_missing_words(pose.marks)}; {judged.detail}", layout)
    return judged


def _other_edition(identity: Identity) -> NotRegistered:
    words = f"{identity.protocol} {identity.version}, {identity.sheet} page {identity.page}, edition {identity.digest}"
    return NotRegistered("other-edition", f"its printed code names {words}")


def _unknown_editions(
    gray: np.ndarray, layouts: list[Layout], *, beside: bool = False
) -> tuple[list[NotRegistered], bool]:
    """Refusals of the pages that printed codes in a photograph name and that are none of the `layouts`.

    And whether a code names one that is. `beside` a page that is read, codes are looked for in less time: large ones.
    """
    import zxingcpp

    picture = halved(gray) if beside and max(gray.shape) > LARGE_PX else gray
    hard = {"try_invert": not beside, "try_downscale": not beside}
    found = zxingcpp.read_barcodes(np.ascontiguousarray(picture), formats=zxingcpp.BarcodeFormat.QRCode, **hard)
    named = [identity for code in found if (identity := parse_identity(code.text)) is not None]
    unknown = [one for one in named if not any(_same_page(one, layout) for layout in layouts)]
    return [_other_edition(one) for one in unknown], len(unknown) < len(named)


def _room_left(pages: list[Page], shape: tuple[int, int]) -> bool:
    """Whether so much of a picture is free of these pages that another sheet may lie there."""
    covered = 0.0
    for page in pages:
        width, height = page.layout.page_size_mm
        corners = np.array([(0, 0), (width, 0), (width, height), (0, height)], np.float32)
        covered += float(cv2.contourArea(page.flattened.warp.photo_px(corners).astype(np.float32)))
    return covered < (1 - ROOM) * shape[0] * shape[1]


def _same_page(identity: Identity, layout: Layout) -> bool:
    return identity.sheet == layout.sheet and identity.page == layout.page and identity.digest == layout.digest[:4]


def _told_apart(views: Views, page: Page, pose: Pose, poses: Iterable[Pose]) -> Page | NotRegistered:
    """The page, or why it may be another one: its code is not read, and pages with the same marks fit too."""
    if page.identity is not None:
        return page
    own = set(map(id, pose.marks))
    rivals = [p for p in poses if p.layout is not pose.layout and p.homography is not None]
    rivals = [p for p in rivals if not own.isdisjoint(map(id, p.marks))]
    lacks = 1 - _fit(page.flattened)
    for rival in rivals:
        if 1 - _fit(_flattened(views, rival)) < FAR_LESS * lacks + LESS:
            names = (f"{one.title}, page {one.page} of {one.protocol}" for one in (pose.layout, rival.layout))
            return NotRegistered("which-sheet", f"it may be {' or '.join(names)}", pose.layout)
    return page


def _nothing_known(gray: np.ndarray, marks: list[FoundMark], layouts: list[Layout]) -> NotRegistered:
    if not marks and np.median(gray[::16, ::16]) < DARK:
        return NotRegistered("too-dark", "no corner mark could be made out")
    if not marks and is_bare(gray):
        return NotRegistered("no-sheet", "it looks empty, as the back of a sheet does")
    if not marks and looks_blurred(gray):
        return NotRegistered("blurred", "no corner mark could be made out, or no sheet is in it")
    if not marks and _mirrored(gray, layouts):
        return NotRegistered("mirrored", "its corner marks are the wrong way round")
    unknown, known = _unknown_editions(gray, layouts)
    if unknown and not known:
        return unknown[0]
    if marks:
        return NotRegistered("no-sheet", f"{len(marks)} corner marks were found, of no known protocol")
    return NotRegistered("no-sheet", "no corner marks were found")


def _mirrored(gray: np.ndarray, layouts: list[Layout]) -> bool:
    """Whether a mirror's picture of the photograph shows marks of a sheet."""
    small = gray
    while max(small.shape) > MIRROR_PX and min(small.shape) > 1:
        small = halved(small)
    marks = find_marks(np.ascontiguousarray(small[:, ::-1]), {one.slot for one in layouts})
    return any(len(pose.marks) >= MIRROR_MARKS for pose in poses_in(marks, layouts))


def register_all(gray: np.ndarray, layouts: Iterable[Layout]) -> tuple[Page | NotRegistered, ...]:
    """Find, identify and flatten every sheet in a photograph.

    Parameters
    ----------
    gray : (H, W) uint8 ndarray
    layouts : iterable of Layout
        Every page that may be in the picture.

    Returns
    -------
    tuple of Page or NotRegistered
        Never empty. Pages come first, those with most marks and largest before others. Sheets that show three marks
        or more and cannot be read follow, then those whose printed code names a page that is not known; of one whose
        corner only peeps out under a page nothing is said. Without any page there is one `NotRegistered`, which is
        falsy and says why and where in words.
    """
    layouts = list(layouts)
    height, width = gray.shape
    if max(gray.shape) > MOST_OBLONG * min(gray.shape):
        return (NotRegistered("no-sheet", f"the picture is a strip of {width} x {height} pixels"),)
    views = Views(gray)
    marks = marks_in(views, {one.slot for one in layouts})
    poses = poses_in(marks, layouts)
    if not poses:
        return (_nothing_known(gray, marks, layouts),)
    pages: list[Page] = []
    failed: list[tuple[Pose, NotRegistered]] = []
    used: set[int] = set()  # marks of pages, which belong to no other
    for pose in poses[:MOST_SHEETS]:
        if used.issuperset(map(id, pose.marks)):
            continue
        page = _try_pose(views, pose)
        if page:
            page = _told_apart(views, page, pose, poses)
        if page:
            pages.append(page)
            used.update(map(id, pose.marks))
        else:
            failed.append((pose, page))
    if pages:
        left = [f for pose, f in failed if len(pose.marks) >= 3 and not used.issuperset(map(id, pose.marks))]
        beside = _unknown_editions(gray, layouts, beside=True)[0] if _room_left(pages, gray.shape) else []
        return (*pages, *left, *beside)
    unknown, known = _unknown_editions(gray, layouts)
    if unknown and not known:
        return (unknown[0],)
    first = next((f for _, f in failed if f.layout is not None), failed[0][1])
    if first.reason == "few-marks" and looks_blurred(gray):
        first = NotRegistered("blurred", first.detail, first.layout)
    return (first,)


def register(gray: np.ndarray, layouts: Iterable[Layout]) -> Page | NotRegistered:
    """The first sheet that `register_all` finds, or why there is none."""
    return register_all(gray, layouts)[0]
