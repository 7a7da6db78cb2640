"""A report as one self-contained HTML page: no script, nothing fetched, every text escaped, plots as SVG."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape as plain

from digitise.report.blocks import (
    Block,
    Bullets,
    Cards,
    Cell,
    Facts,
    Figure,
    Findings,
    Heading,
    Notice,
    Paragraph,
    Part,
    Report,
    Table,
    heads_rows,
)
from digitise.report.drawing import svg
from digitise.report.links import pieces
from digitise.report.style import STYLE
from digitise.wording import in_order

MANY = 8  # a table with more columns is set closer
MOST_LISTED = 6  # surveys that are not folded in the contents
SHORT = 16  # a column's heading up to so many letters is not broken


def escape(text: str) -> str:
    """Words as they stand on the page."""
    return in_order(plain(text))


def html_page(report: Report) -> str:
    """The whole page."""
    return "".join(html_pieces(report))


def html_pieces(report: Report) -> Iterator[str]:
    """The page, part by part."""
    subtitle = f' <span class="date">{escape(report.subtitle)}</span>' if report.subtitle else ""
    yield (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(report.title)}</title><style>{STYLE}</style></head><body>"
        f'<header><p class="programme">{escape(report.programme)}</p><h1>{escape(report.title)}{subtitle}</h1>'
        f"{_block(report.notice)}{_contents(report)}</header><main>"
    )
    yield from map(_part, report.parts)
    yield f"</main><footer><p>{escape(report.footer)}</p></footer></body></html>\n"


def _contents(report: Report) -> str:
    """Links to all parts; the surveys, where they are many, folded at the end."""
    surveys = [one for one in report.contents if one[0].startswith("survey-")]
    folded = surveys if len(surveys) > MOST_LISTED else []
    links = _links([one for one in report.contents if one not in folded])
    if folded:
        links += f"<details><summary>{len(folded)} surveys</summary>{_links(folded)}</details>"
    return f'<nav aria-label="Contents">{links}</nav>' if report.contents else ""


def _links(contents: Sequence[tuple[str, str]]) -> str:
    items = "".join(f'<li><a href="#{anchor}">{escape(words)}</a></li>' for anchor, words in contents)
    return f'<ul class="contents">{items}</ul>'


def _part(part: Part) -> str:
    anchor = f' id="{part.anchor}"' if part.anchor else ""
    begins = " begins" if part.new_page else ""
    return f'<section class="part{begins}"{anchor}>{"".join(_block(b) for b in part.blocks)}</section>'


def _block(block: Block) -> str:
    match block:
        case Heading():
            aside = f' <span class="date">{escape(block.aside)}</span>' if block.aside else ""
            return f"<h{block.level + 1}>{escape(block.text)}{aside}</h{block.level + 1}>"
        case Paragraph():
            kind = f' class="{block.kind}"' if block.kind else ""
            return f"<p{kind}>{_linked(block.text)}</p>"
        case Cards():
            cards = (
                f'<div class="card"><span>{escape(a)}</span><b>{escape(b)}</b><span>{escape(c)}</span></div>'
                for a, b, c in block.cards
            )
            return f'<div class="cards">{"".join(cards)}</div>'
        case Facts():
            facts = (f"<div><dt>{escape(a)}</dt><dd>{_cell(b)}</dd></div>" for a, b in block.facts)
            return f'<dl class="facts">{"".join(facts)}</dl>'
        case Notice():
            return f'<p class="status {block.kind}"><strong>{escape(block.word)}.</strong> {escape(block.text)}</p>'
        case Findings():
            items = "".join(f"<li><strong>{escape(a)}</strong>: {escape(b)}.</li>" for a, b in block.items)
            return f'<div class="findings"><h3>{escape(block.title)}</h3><ul>{items}</ul></div>'
        case Bullets():
            return f"<ul>{''.join(f'<li>{_linked(item)}</li>' for item in block.items)}</ul>"
        case Figure():
            return _figure(block)
        case Table():
            return _table(block)


def _linked(text: str) -> str:
    """Escaped text in which DOIs are links."""
    return "".join(
        f'<a href="{plain(address)}">{escape(words)}</a>' if address else escape(words)
        for words, address in pieces(text)
    )


def _cell(cell: Cell) -> str:
    if isinstance(cell, str):
        return escape(cell)
    text = escape(cell.text)
    return {
        "not": f'<span class="not">{text}</span>',
        "strong": f"<strong>{text}</strong>",
        "code": f"<code>{text}</code>",
        "command": f'<code class="command">{text}</code>',
        "file": f'<a href="{plain(cell.text)}">{text}</a>',
    }.get(cell.kind, text)


def _figure(block: Figure) -> str:
    caption = f"<figcaption>{escape(block.caption)}</figcaption>" if block.caption else ""
    wide, narrow = svg(block.wide), svg(block.narrow)
    return f'<figure><div class="wide">{wide}</div><div class="narrow">{narrow}</div>{caption}</figure>'


def _table(block: Table) -> str:
    """A table that scrolls by itself; the first column names its row."""

    def aligned(i: int, text: str = "") -> str:
        kinds = [k for k, there in (("words", i in block.words), ("short", 0 < len(text) <= SHORT)) if there]
        return f' class="{" ".join(kinds)}"' if kinds else ""

    heads = "".join(f'<th scope="col"{aligned(i, h)}>{escape(h)}</th>' for i, h in enumerate(block.head))
    body = ""
    for kind, cells in block.rows:
        if heads_rows(cells):
            name = f"<span>{_cell(cells[0])}</span>"
            body += f'<tr class="{kind}"><th scope="rowgroup" colspan="{len(cells)}">{name}</th></tr>'
            continue
        rest = "".join(f"<td{aligned(i)}>{_cell(c)}</td>" for i, c in enumerate(cells[1:], start=1))
        row = f' class="{kind}"' if kind else ""
        body += f'<tr{row}><th scope="row">{_cell(cells[0])}</th>{rest}</tr>'
    label = plain(block.caption.split(".")[0] or block.folded or "Table")
    caption = f'<p class="caption">{escape(block.caption)}</p>' if block.caption else ""
    many = ' class="many"' if len(block.head) > MANY else ""
    table = (
        f'{caption}<div class="table" tabindex="0" role="region" aria-label="{label}">'
        f"<table{many}><thead><tr>{heads}</tr></thead><tbody>{body}</tbody></table></div>"
    )
    return f"<details><summary>{escape(block.folded)}</summary>{table}</details>" if block.folded else table
