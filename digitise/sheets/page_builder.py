"""The parts of a page while it is laid out: headings, fields, boxes to write in.

Lengths are millimetres on the printed page, origin top left, y down. Nothing here measures text or touches files.
"""

from __future__ import annotations

from dataclasses import replace

from digitise.sheets.layout import RULE_MM, Box, Cell, Layout, Rule, Text
from digitise.sheets.protocol import HALVES, PAPERS_MM, FieldSpec, Protocol

MARK_MM = 12.0  # corner fiducial: 8 x 8 modules of 1.5 mm
MARK_INSET_MM = 8.0  # from the paper's edges, inside what printers can reach
SIDE_MM, SMALL_SIDE_MM = 12.0, 8.0  # body's left and right margin; a small page's ends under its marks
BODY_TOP_MM = 25.0
FOOT_MM = 22.5  # height kept free at the bottom
CHAR_W_MM, CHAR_H_MM = 9.0, 10.5
POINT_GAP_MM = 4.0  # room for the printed decimal point
GROUP_GAP_MM = 3.0  # between year, month and day; hours and minutes
FIELD_ROW_MM = 17.0
COMB_MM = 0.25
# Printed corners that a page needs, since every fifth measures how well it was flattened. On whole paper as many do as
# pages had to have before there were any at the edges: those printed then are read still.
LEAST_CORNERS, LEAST_WHOLE_CORNERS = 40, 20
EDGE_MM = 4.4  # of extra corners from the paper's edge
EDGE_ARM_MM, EDGE_IN_MM = 3.0, 2.4  # their length along the edge, and inward, where boxes are near
EDGE_FREE_MM, EDGE_STEP_MM = 26.0, 7.5
EDGE_SHIFTS_MM = (0.0, 1.6, -1.6)  # so that a row of them, one further along, does not fit


def is_small(paper: str) -> bool:
    """Whether two pages of this size lie side by side on a whole sheet."""
    return paper in HALVES.values()


def side_mm(paper: str) -> float:
    """The body's left and right margin."""
    return SMALL_SIDE_MM if is_small(paper) else SIDE_MM


def _grown(box: Box, by: float) -> Box:
    x, y, w, h = box
    return (x - by, y - by, w + 2 * by, h + 2 * by)


class PageBuilder:
    """Collects one page's parts while it is laid out."""

    def __init__(self, protocol: Protocol, name: str, title: str, paper: str, *, number: int, per_transect: bool):
        self.protocol, self.name, self.title, self.paper, self.number = protocol, name, title, paper, number
        self.size = PAPERS_MM[paper]
        self.per_transect = per_transect
        self.cells: list[Cell] = []
        self.texts: list[Text] = []
        self.rules: list[Rule] = []
        self.dots: list[tuple[float, float]] = []
        width = self.size[0]
        self.small = is_small(paper)
        self.left, self.right = side_mm(paper), width - side_mm(paper)
        self.bottom = self.size[1] - FOOT_MM
        self.qr = (width - MARK_INSET_MM - MARK_MM - 4.0 - 18.0, 5.0, 18.0, 18.0)

    def rect(self, box: Box, width_mm: float = RULE_MM) -> None:
        """A frame of rules just outside a box."""
        x, y, w, h = _grown(box, width_mm / 2)
        self.rules += [
            Rule(x, y, x + w, y, width_mm),
            Rule(x, y + h, x + w, y + h, width_mm),
            Rule(x, y, x, y + h, width_mm),
            Rule(x + w, y, x + w, y + h, width_mm),
        ]

    def open_box(self, cell: Cell) -> None:
        """A plain box: tally or tick."""
        self.cells.append(cell)
        self.rect(cell.box_mm)

    def line_box(self, cell: Cell) -> None:
        """A writing line with short ends."""
        self.cells.append(cell)
        x, y, w, h = _grown(cell.box_mm, RULE_MM / 2)
        self.rules += [Rule(x, y + h, x + w, y + h), Rule(x, y + h - 3, x, y + h), Rule(x + w, y + h - 3, x + w, y + h)]

    def comb(self, cell: Cell, groups: tuple[int, ...]) -> None:
        """Character boxes: a frame round each group, short teeth between its characters."""
        self.cells.append(cell)
        first = 0
        for count in groups:
            boxes = cell.characters_mm[first : first + count]
            x, y, _, h = boxes[0]
            self.rect((x, y, boxes[-1][0] + boxes[-1][2] - x, h))
            for bx, by, _, bh in boxes[1:]:
                tooth = 0.2 * bh
                self.rules += [Rule(bx, by, bx, by + tooth, COMB_MM), Rule(bx, by + bh - tooth, bx, by + bh, COMB_MM)]
            first += count

    def finish(self, pages: int) -> Layout:
        """The frozen layout, headings and footings added."""
        p = self.protocol
        width, height = self.size
        head = MARK_INSET_MM + MARK_MM + 3.5
        room = self.qr[0] - head - 3
        self.texts += [
            Text(head, 12.5, self.title, 15, room, bold=True),
            Text(head, 16.8, p.programme, 8, room),
            Text(width / 2, height - 15.5, p.caption("how_photo"), 8, width - 2 * head, align="centre"),
            Text(
                width / 2,
                height - 11,
                f"{p.protocol} {p.version} · {self.name} · " + p.caption("page").format(page=self.number, pages=pages),
                6.5,
                width - 2 * head,
                align="centre",
            ),
        ]
        made = Layout(
            protocol=p.protocol,
            protocol_version=p.version,
            sheet=self.name,
            title=self.title,
            page=self.number,
            pages=pages,
            paper=self.paper,
            page_size_mm=self.size,
            per_transect=self.per_transect,
            cells=tuple(self.cells),
            texts=tuple(self.texts),
            rules=tuple(self.rules),
            dots_mm=tuple(self.dots),
            qr_mm=self.qr,
        )
        if len(made.corners_mm) >= (LEAST_CORNERS if self.small else LEAST_WHOLE_CORNERS):
            return made
        return replace(made, rules=(*made.rules, *self._edge_corners()))

    def _edge_corners(self) -> list[Rule]:
        """Small corners down both edges: a page with few cells could not be flattened by what else is printed."""
        width, height = self.size
        out = []
        count = int((height - 2 * EDGE_FREE_MM) / EDGE_STEP_MM)
        for i in range(count + 1):
            y = EDGE_FREE_MM + i * (height - 2 * EDGE_FREE_MM) / count + EDGE_SHIFTS_MM[i % len(EDGE_SHIFTS_MM)]
            for x, way in ((EDGE_MM, 1), (width - EDGE_MM, -1)):
                inner = x + way * EDGE_IN_MM
                out += [Rule(x, y, inner, y), Rule(x, y, x, y + EDGE_ARM_MM)]
        return out


def _character_groups(spec: FieldSpec) -> tuple[int, ...]:
    if spec.kind == "date":
        return (4, 2, 2)
    if spec.kind == "time":
        return (2, 2)
    if spec.kind == "decimal":
        return tuple(len(part) for part in spec.format.split("."))
    if spec.kind == "number":
        return (spec.digits,)
    return (len(spec.choices[0]),) if spec.kind == "code" else ()


def _group_gap(kind: str) -> float:
    return POINT_GAP_MM if kind == "decimal" else GROUP_GAP_MM


def _field_width(page: PageBuilder, spec: FieldSpec) -> float:
    if spec.kind == "text":
        return min(spec.width_mm, page.right - page.left) if page.small else spec.width_mm
    if spec.kind == "tick":
        return CHAR_W_MM
    groups = _character_groups(spec)
    return sum(groups) * CHAR_W_MM + (len(groups) - 1) * _group_gap(spec.kind)


def character_boxes(x: float, y: float, groups: tuple[int, ...], gap: float, w: float, h: float) -> tuple[Box, ...]:
    """Boxes `w` by `h` in a row from (x, y), `gap` between groups of so many."""
    boxes = []
    for count in groups:
        boxes += [(x + i * w, y, w, h) for i in range(count)]
        x += count * w + gap
    return tuple(boxes)


def span_of(boxes: tuple[Box, ...]) -> Box:
    """The box round a row of boxes."""
    x, y, _, h = boxes[0]
    last = boxes[-1]
    return (x, y, last[0] + last[2] - x, h)


def _place_field(page: PageBuilder, spec: FieldSpec, x: float, y: float) -> None:
    """Label at the top of a field row, its cell below."""
    room = max(_field_width(page, spec), 2.1 * len(spec.label))
    page.texts.append(Text(x, y + 3.2, spec.label, 8, room, bold=True))
    top = y + 4.6
    cell = Cell(
        f"{page.name}/{spec.id}",
        spec.kind,
        (x, top, _field_width(page, spec), CHAR_H_MM),
        spec.label,
        choices=spec.choices,
        format=spec.format,
    )
    if spec.kind == "text":
        page.line_box(cell)
    elif spec.kind == "tick":
        page.open_box(cell)
    else:
        groups = _character_groups(spec)
        boxes = character_boxes(x, top, groups, _group_gap(spec.kind), CHAR_W_MM, CHAR_H_MM)
        page.comb(replace(cell, box_mm=span_of(boxes), characters_mm=boxes), groups)
        if spec.kind == "decimal":
            page.dots.append((x + groups[0] * CHAR_W_MM + POINT_GAP_MM / 2, top + CHAR_H_MM - 1.2))
        hints = {"date": "date_hint", "time": "time_hint"}
        if spec.kind in hints:
            letters = page.protocol.caption(hints[spec.kind]).split()
            for letter, (bx, by, bw, bh) in zip(letters, boxes, strict=False):
                page.texts.append(Text(bx + bw / 2, by + bh + 2.5, letter, 5, bw, align="centre"))


def field_rows(page: PageBuilder, specs: tuple[FieldSpec, ...]) -> list[list[tuple[float, FieldSpec]]]:
    """Fields from left to right in rows, each with its x; `ValueError` in words for a field wider than the paper."""
    x, rows = page.left, []
    for spec in specs:
        slot = max(_field_width(page, spec), 2.1 * len(spec.label)) + 6.0
        if slot - 6.0 > page.right - page.left + 0.01:
            raise ValueError(
                f"{page.name}: field '{spec.id}' needs {slot - 6.0:.0f} mm, {page.paper} paper has "
                f"{page.right - page.left:.0f} mm; expected a narrower field or a shorter label"
            )
        if not rows or spec.new_line or x + slot - 6.0 > page.right + 0.01:
            x = page.left
            rows.append([])
        rows[-1].append((x, spec))
        x += slot
    return rows


def place_row(page: PageBuilder, row: list[tuple[float, FieldSpec]], y: float) -> float:
    """One row of fields; returns the y below it."""
    for x, spec in row:
        _place_field(page, spec, x, y)
    return y + FIELD_ROW_MM


def place_fields(page: PageBuilder, specs: tuple[FieldSpec, ...], y: float) -> float:
    """All rows of fields; returns the y below them."""
    for row in field_rows(page, specs):
        y = place_row(page, row, y)
    return y


def place_instructions(page: PageBuilder, text: str) -> float:
    """The sheet's instructions, in two lines at most, three on a small page; returns the y below them."""
    if not text:
        return BODY_TOP_MM + 1
    lines = 3 if page.small else 2
    page.texts.append(Text(page.left, BODY_TOP_MM + 3, text, 8, page.right - page.left, lines=lines))
    return BODY_TOP_MM + 9 + 3.4 * (lines - 2)
