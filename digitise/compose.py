"""Compose pages: a protocol becomes layouts, every page of every sheet on every paper.

Lengths are millimetres on the printed page, origin top left, y down. Nothing here measures text or touches files.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache

from digitise.layout import RULE_MM, Box, Cell, Fiducial, Layout, Rule, Text
from digitise.protocol import PAPERS_MM, BeltSheet, FieldSpec, LineSheet, Protocol, RowSpec, SiteSheet

MARK_MM = 12.0  # corner fiducial: 8 x 8 modules of 1.5 mm
MARK_INSET_MM = 8.0  # from the paper's edges, inside what printers can reach
SIDE_MM = 12.0  # body's left and right margin
BODY_TOP_MM = 25.0
FOOT_MM = 22.5  # height kept free at the bottom
CHAR_W_MM, CHAR_H_MM = 9.0, 10.5
POINT_GAP_MM = 4.0  # room for the printed decimal point
GROUP_GAP_MM = 3.0  # between year, month and day; hours and minutes
FIELD_ROW_MM = 17.0
COMB_MM = 0.25
SLOTS = 250  # page identities a set of four corner marks can carry


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
        self.left, self.right = SIDE_MM, width - SIDE_MM
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
        ids = [c.id for c in self.cells]
        twice = sorted({i for i in ids if ids.count(i) > 1})
        if twice:
            raise ValueError(f"two cells would be called '{twice[0]}'; expected another id for one of them")
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
        return Layout(
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


def _field_width(spec: FieldSpec) -> float:
    if spec.kind == "text":
        return spec.width_mm
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
    room = max(_field_width(spec), 2.1 * len(spec.label))
    page.texts.append(Text(x, y + 3.2, spec.label, 8, room, bold=True))
    top = y + 4.6
    cell = Cell(
        f"{page.name}/{spec.id}",
        spec.kind,
        (x, top, _field_width(spec), CHAR_H_MM),
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


def _place_fields(page: PageBuilder, specs: tuple[FieldSpec, ...], y: float) -> float:
    """Fields from left to right in rows; returns the y below them."""
    x, placed = page.left, False
    for spec in specs:
        slot = max(_field_width(spec), 2.1 * len(spec.label)) + 6.0
        if slot - 6.0 > page.right - page.left + 0.01:
            raise ValueError(
                f"{page.name}: field '{spec.id}' needs {slot - 6.0:.0f} mm, {page.paper} paper has "
                f"{page.right - page.left:.0f} mm; expected a narrower field or a shorter label"
            )
        if placed and (spec.new_line or x + slot - 6.0 > page.right + 0.01):
            x, y = page.left, y + FIELD_ROW_MM
        _place_field(page, spec, x, y)
        x, placed = x + slot, True
    return y + FIELD_ROW_MM if placed else y


def _instructions(page: PageBuilder, text: str) -> float:
    if not text:
        return BODY_TOP_MM + 1
    page.texts.append(Text(page.left, BODY_TOP_MM + 3, text, 8, page.right - page.left, lines=2))
    return BODY_TOP_MM + 9


def _site_pages(protocol: Protocol, name: str, sheet: SiteSheet, paper: str) -> list[PageBuilder]:
    page = PageBuilder(protocol, name, sheet.title, paper, number=1, per_transect=False)
    y = _place_fields(page, sheet.fields, _instructions(page, sheet.instructions)) + 3
    page.rules.append(Rule(page.left, y, page.right, y))
    page.texts.append(Text(page.left, y + 5.5, protocol.caption("cautions"), 10, page.right - page.left, bold=True))
    y += 10.5
    for caution in sheet.cautions:
        page.texts.append(Text(page.left, y, "•", 8, 4))
        page.texts.append(Text(page.left + 4, y, caution, 8, page.right - page.left - 4, lines=2))
        y += 7.6
    _fits(y - 6, page, "site sheet's fields and cautions")
    return [page]


def _fits(y: float, page: PageBuilder, what: str) -> None:
    if y > page.bottom + 0.01:
        raise ValueError(
            f"{page.name}: the {what} need {y - page.bottom:.0f} mm more than {page.paper} paper has; "
            "expected fewer or shorter entries"
        )


def _belt_columns(page: PageBuilder, segments: tuple[str, ...]) -> tuple[float, list[tuple[float, float]]]:
    """Label width, and x and tally width of each segment's pair of boxes."""
    total = 2 * CHAR_W_MM
    label = 36.0
    per = (page.right - page.left - label) / len(segments)
    tally = per - total - 4.0
    if tally < 24.0:
        raise ValueError(
            f"{page.name}: {len(segments)} belt segments leave {tally:.0f} mm for a tally box on {page.paper} "
            "paper; expected 24 mm or more, so fewer segments"
        )
    return label, [(page.left + label + i * per, tally) for i in range(len(segments))]


def _place_belt_row(page: PageBuilder, row: RowSpec, y: float, pitch: float) -> None:
    _, columns = _belt_columns(page, page.protocol.belt.segments)
    height = min(pitch - 1.8, 13.0)
    mid = y + height / 2
    page.texts.append(Text(page.left, mid + (0.2 if row.note else 1.2), row.label, 9.5, 34, bold=True))
    if row.note:
        page.texts.append(Text(page.left, mid + 3.6, row.note, 6.5, 34))
    for segment, (x, tally_w) in zip(page.protocol.belt.segments, columns, strict=True):
        stem = f"{page.name}/{row.id}/{segment}"
        label = f"{row.label}, {segment} m"
        boxes = character_boxes(x + tally_w + 1.5, y, (2,), 0, CHAR_W_MM, height)
        if row.kind == "count":
            page.open_box(Cell(f"{stem}/tally", "tally", (x, y, tally_w, height), label, max=row.max))
            page.comb(Cell(f"{stem}/total", "number", span_of(boxes), label, characters_mm=boxes, max=99), (2,))
        elif row.kind == "percent":
            boxes = character_boxes(x, y, (3,), 0, CHAR_W_MM, height)
            page.comb(Cell(f"{stem}/percent", "number", span_of(boxes), label, characters_mm=boxes, max=100), (3,))
            page.texts.append(Text(x + 3 * CHAR_W_MM + 1.5, mid + 1.3, page.protocol.caption("percent"), 9, 8))
        else:
            page.open_box(Cell(f"{stem}/tick", "tick", (x, y, CHAR_W_MM, height), label))


def _belt_heading(page: PageBuilder, y: float) -> float:
    _, columns = _belt_columns(page, page.protocol.belt.segments)
    caption = page.protocol.caption
    for segment, (x, tally_w) in zip(page.protocol.belt.segments, columns, strict=True):
        page.texts += [
            Text(x, y + 3.6, caption("segment").format(segment=segment.replace("-", "–")), 9.5, 24, bold=True),
            Text(x + tally_w, y + 3.6, caption("tally"), 7, 20, align="right"),
            Text(x + tally_w + 1.5 + CHAR_W_MM, y + 3.6, caption("total"), 7, 18, align="centre"),
        ]
    return y + 5.2


def _belt_pages(protocol: Protocol, name: str, sheet: BeltSheet, paper: str) -> list[PageBuilder]:
    pages: list[PageBuilder] = []
    queue: list[RowSpec | None] = [*sheet.rows, *([None] if sheet.impacts else []), *sheet.impacts]
    while queue:
        page = PageBuilder(protocol, name, sheet.title, paper, number=len(pages) + 1, per_transect=True)
        y = _instructions(page, sheet.instructions)
        if not pages:
            y = _place_fields(page, sheet.fields, y)
        y = _belt_heading(page, y + 1.5)
        room = page.bottom - y - (12.0 if not pages else 0.0)
        if room < 11.0:
            raise ValueError(f"{name}: the fields leave no room for rows on {paper} paper; expected fewer fields")
        title_mm = 7.0
        pitch = min(16.0, max(11.0, (room - title_mm * (None in queue)) / len(queue)))
        while queue and room >= (title_mm + pitch if queue[0] is None else pitch) - 0.01:
            row = queue.pop(0)
            step = title_mm if row is None else pitch
            if row is None:
                page.texts.append(Text(page.left, y + 5.2, sheet.impacts_title, 10, 120, bold=True))
            else:
                _place_belt_row(page, row, y, pitch)
            y, room = y + step, room - step
        if not pages:
            box = (page.left, y + 1.0, CHAR_W_MM, 9.0)
            page.open_box(Cell(f"{name}/none-seen", "tick", box, protocol.caption("none_seen")))
            page.texts.append(Text(page.left + 12, y + 6.8, protocol.caption("none_seen"), 9, 150, bold=True))
        pages.append(page)
    return pages


def _line_pages(protocol: Protocol, name: str, sheet: LineSheet, paper: str) -> list[PageBuilder]:
    pages: list[PageBuilder] = []
    points = list(protocol.transect.points_m)
    codes = tuple(c.code for c in sheet.categories)
    while points:
        page = PageBuilder(protocol, name, sheet.title, paper, number=len(pages) + 1, per_transect=True)
        y = _instructions(page, sheet.instructions)
        if not pages:
            y = _place_fields(page, sheet.fields, y)
        y = _legend(page, sheet, y + 1.5) + 3
        column_mm = (page.right - page.left) / sheet.columns
        if column_mm < 17 + 2 * 10:
            raise ValueError(f"{name}: {sheet.columns} columns of points do not fit {paper} paper; expected fewer")
        deepest = int((page.bottom - y) / 11.5)
        rows = min(deepest, -(-len(points) // sheet.columns))
        pitch = min(18.5, (page.bottom - y) / rows)
        height = min(pitch - 2.2, 13.0)
        for column in range(sheet.columns):
            for row in range(rows):
                if not points:
                    break
                _place_point(page, points.pop(0), codes, (page.left + column * column_mm, y + row * pitch), height)
        pages.append(page)
    return pages


def _place_point(
    page: PageBuilder, position: float, codes: tuple[str, ...], at: tuple[float, float], height: float
) -> None:
    x, y = at
    label = page.protocol.caption("point").format(position=f"{position:g}")
    page.texts.append(Text(x + 14.5, y + height / 2 + 1.4, label, 10, 15, bold=True, align="right"))
    boxes = character_boxes(x + 17, y, (2,), 0, 10.0, height)
    page.comb(
        Cell(f"{page.name}/{position:g}", "code", span_of(boxes), label, characters_mm=boxes, choices=codes), (2,)
    )


def _legend(page: PageBuilder, sheet: LineSheet, y: float) -> float:
    """The codes and what they mean, three to a row."""
    width = (page.right - page.left) / 3
    rows = -(-len(sheet.categories) // 3)
    for i, category in enumerate(sheet.categories):
        x, line = page.left + (i // rows) * width, y + 4 + (i % rows) * 5.0
        page.texts += [
            Text(x, line, category.code, 11, 10, bold=True),
            Text(x + 9, line, category.label, 9, width - 10),
        ]
    return y + rows * 5.0 + 1


def _laid_out(protocol: Protocol, paper: str) -> Iterator[Layout]:
    makers = {"site": _site_pages, "belt": _belt_pages, "line": _line_pages}
    for name, sheet in protocol.sheets.items():
        pages = makers[sheet.kind](protocol, name, sheet, paper)
        for page in pages:
            yield page.finish(len(pages))


def with_marks(layout: Layout, slot: int) -> Layout:
    """The layout with the four corner marks of a slot."""
    width, height = layout.page_size_mm
    far_x, far_y = width - MARK_INSET_MM - MARK_MM, height - MARK_INSET_MM - MARK_MM
    places = ((MARK_INSET_MM, MARK_INSET_MM), (far_x, MARK_INSET_MM), (far_x, far_y), (MARK_INSET_MM, far_y))
    marks = tuple(Fiducial(4 * slot + i, i, (x, y, MARK_MM, MARK_MM)) for i, (x, y) in enumerate(places))
    return replace(layout, slot=slot, fiducials=marks)


@lru_cache(maxsize=64)
def build_layouts(protocol: Protocol) -> tuple[Layout, ...]:
    """Every page of every sheet on every paper.

    Each page's corner marks carry a slot made from its digest, so a protocol edited without a new version
    prints other marks; two pages of one protocol never share a slot.

    Raises
    ------
    ValueError
        Something does not fit on the paper; the text names the sheet and what to shorten.
    """
    taken: set[int] = set()
    out = []
    for paper in PAPERS_MM:
        for layout in _laid_out(protocol, paper):
            if len(taken) == SLOTS:
                raise ValueError(
                    f"{protocol.protocol}: more than {SLOTS} pages on all papers; expected fewer, since the "
                    "corner marks tell no more apart"
                )
            slot = int(layout.digest, 16) % SLOTS
            while slot in taken:
                slot = (slot + 1) % SLOTS
            taken.add(slot)
            out.append(with_marks(layout, slot))
    return tuple(out)
