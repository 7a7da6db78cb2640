"""The parts about how far the data can be trusted: cells, photographs, methods with their sources, provenance."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING

from digitise.provenance import Provenance
from digitise.report.audit_blocks import audit_blocks
from digitise.report.blocks import Block, Bullets, Cell, Facts, Figure, Heading, Paragraph, Part, Table, Text
from digitise.report.change_part import change_methods
from digitise.report.drawing import INK, RULE, Drawing, Item, Words, box
from digitise.report.group_part import group_methods
from digitise.report.plots import NARROW, WIDE
from digitise.report.references import cited
from digitise.report.survey_part import date_words
from digitise.report.together import KINDS, POINTS, Together
from digitise.report.words import methods
from digitise.results import SurveyResults
from digitise.results.groups import GroupValue
from digitise.store import NO_SHEET, PageRow, PhotoRow
from digitise.wording import plural, thousands

if TYPE_CHECKING:
    from digitise.results.compare import Compared
    from digitise.store.audits import Audit

SHARES = (("#0b5d8c", "accepted by rule"), ("#dcebf3", "decided by a person"), ("#d08a12", "unread"))


def quality_part(told: Together, origin: Provenance, photos: Sequence[PhotoRow], audits: Sequence[Audit] = ()) -> Part:
    """Who decided the cells, sheet by sheet; what audits of accepted cells showed; what became of every photograph."""
    sums = dict(zip(KINDS, map(sum, zip(*told.sheets.values(), strict=True)), strict=True))
    blocks: list[Block] = [Heading(1, "Data quality", "data-quality"), Paragraph(_cells_words(sums), "lead")]
    if sums["cells"]:
        data = (("decided", "cells"), *((w, sums[k]) for (_, w), k in zip(SHARES, KINDS[2:5], strict=True)))
        blocks.append(Figure(_shares(sums, WIDE), _shares(sums, NARROW), data=data))
    blocks.append(_cells_table(told.sheets, sums))
    if (points := told.points).get("planned"):
        parts = (f"{points[k]} {k}" for k in POINTS[:-1])
        blocks.append(Paragraph(f"Substrate points: {', '.join(parts)} of {points['planned']} planned.", "small"))
    blocks += audit_blocks(audits, {v.pack for v in told.visits})
    return Part((*blocks, *_photographs(set(origin.photo_sha256), photos)), "data-quality", new_page=True)


def _cells_words(sums: dict[str, int]) -> str:
    cells = max(sums["cells"], 1)
    return (
        f"{plural(sums['photos'], 'page')} gave {plural(sums['cells'], 'cell')}: "
        f"{100 * sums['by_rule'] / cells:.1f} % accepted by rule, "
        f"{100 * sums['by_person'] / cells:.1f} % decided by a person, "
        f"{100 * sums['unread'] / cells:.1f} % unread."
    )


def _shares(sums: dict[str, int], width: float) -> Drawing:
    """One bar of all cells; every share with its number, so that no colour has to be told from another."""
    items: list[Item] = []
    x = 0.0
    for n, ((color, words), key) in enumerate(zip(SHARES, KINDS[2:5], strict=True)):
        wide = width * sums[key] / sums["cells"]
        if wide:
            items.append(box(x, 0, max(wide - 1.5, 1), 18, fill=color, stroke=RULE, line_width=0.7))
        x += wide
        left, top = (0, 34 + 16 * n) if width < 500 else (n * width / 3, 34)
        items += [
            box(left, top - 9, 12, 10, fill=color, stroke=RULE, line_width=0.7),
            Words(left + 18, top, f"{thousands(sums[key])} {words}", 10, INK),
        ]
    height = 74 if width < 500 else 42
    return Drawing(
        "cells",
        "Cells by who decided them: "
        + ", ".join(f"{sums[k]} {w}" for (_, w), k in zip(SHARES, KINDS[2:5], strict=True)),
        width,
        height,
        tuple(items),
    )


def _cells_table(sheets: Mapping[str, Sequence[int]], sums: Mapping[str, int]) -> Table:
    head = ("Sheet", "Pages", "Cells", "By rule", "By a person", "Unread", "Illegible", "Blank")
    rows = [("", (title, *map(thousands, values))) for title, values in sheets.items()]
    rows.append(("group", ("All sheets", *(thousands(sums[k]) for k in KINDS))))
    caption = "Cells of the pages that count. Illegible and blank cells are among those accepted or decided."
    return Table(head, tuple(rows), caption)


def _photographs(used: Collection[str], photos: Sequence[PhotoRow]) -> list[Block]:
    refused = [p for p in photos if p.status in ("retake", "unreadable")]
    aside = [p for p in photos if p.status == NO_SHEET]
    waiting = [p for p in photos if p.status == "waiting"]
    others = sum(p.status == "read" and p.sha256 not in used for p in photos)
    words = [f"{plural(len(photos), 'photograph')} kept", f"{len(used)} used here", f"{len(refused)} refused"]
    if aside:
        words.append(f"{len(aside)} set aside by a person as no survey sheet")
    if others:
        words.append(f"{others} read but not used here (another photograph of the page counts, or of another pack)")
    if waiting:
        words.append(f"{len(waiting)} not read yet")
    out: list[Block] = [Heading(2, "Photographs"), Paragraph(f"{'; '.join(words)}.")]
    if refused or aside:
        lines = [f"Refused: {p.name}. {' '.join(p.reasons)}" for p in refused]
        out.append(Bullets((*lines, *(f"{p.name}. {' '.join(p.reasons)}" for p in aside))))
    return out


def methods_part(
    told: Together,
    origin: Provenance,
    audits: Sequence[Audit] = (),
    changes: Sequence[Compared] = (),
    groups: Sequence[GroupValue] = (),
) -> Part:
    """What was done, in the steps that ran, and the works these steps rest on."""
    texts = methods(told, origin, audited=any(a.pack in (None, *origin.packs) and not a.whole_page for a in audits))
    texts += change_methods(changes) + group_methods(groups)
    blocks: list[Block] = [Heading(1, "Methods", "methods"), *(Paragraph(t) for t in texts)]
    works = cited(texts)
    if works:
        blocks += [Heading(2, "Sources"), Bullets(works)]
    return Part(tuple(blocks), "methods", new_page=True)


def origin_part(results: Sequence[SurveyResults], origin: Provenance) -> Part:
    """Versions, protocols, packs and digests; every photograph with what was read on it."""
    facts = _origin_facts(origin, ", ".join(origin.packs))
    blocks = (Heading(1, "Provenance", "provenance"), facts, _photographs_table(results))
    return Part(blocks, "provenance", new_page=True)


def origin_of_volumes(origin: Provenance) -> Part:
    """The same where surveys are in volumes, which name their packs and photographs."""
    facts = _origin_facts(origin, f"{thousands(len(origin.packs))}, named in the volumes with their photographs")
    return Part((Heading(1, "Provenance", "provenance"), facts), "provenance", new_page=True)


def photographs_part(results: Sequence[SurveyResults]) -> Part:
    """Every photograph behind some of the surveys."""
    return Part((Heading(1, "Photographs", "photographs"), _photographs_table(results)), "photographs", new_page=True)


def _origin_facts(origin: Provenance, packs: str) -> Facts:
    return Facts(
        (
            ("Made", origin.created_at),
            ("By", f"{origin.tool} {origin.tool_version}"),
            ("Reader", ", ".join(origin.reader_versions)),
            ("Packs", packs),
            ("Photographs", str(len(origin.photo_sha256))),
            *((f"Protocol {n} {v}, SHA-256", Text(d, "code")) for n, v, d in origin.protocols),
            ("Data, SHA-256 (equal digests mean equal photographs and entries)", Text(origin.digest, "code")),
        )
    )


def _photographs_table(results: Sequence[SurveyResults]) -> Table:
    rows: list[tuple[str, tuple[Cell, ...]]] = []
    head = ("Photograph", "Sheet", "Transect", "Confidence", "Error, mm", "SHA-256")
    for r in results:
        named = ", ".join((r.name, date_words(r), *([f"pack {r.survey.pack}"] if r.survey.site else ())))
        rows.append(("group", (named, *[""] * (len(head) - 1))))
        rows += [("", _photograph(p)) for p in r.survey.pages]
    caption = (
        "Every photograph behind these numbers. Confidence is the mean over cells; the error is the 95th percentile "
        "distance of printed corners held out of the flattening."
    )
    return Table(head, tuple(rows), caption, folded="All photographs, with their hashes", words=(0, 1, 5))


def _photograph(p: PageRow) -> tuple[Cell, ...]:
    return (
        p.photo,
        p.page_title,
        f"T{p.transect}" if p.transect else "–",
        "keyed by hand" if p.keyed else f"{p.mean_confidence:.3f}",
        f"{p.residual_mm:.2f}" if p.residual_mm >= 0 else "–",
        Text(p.sha256, "code"),
    )
