"""Tables with a column for each transect, where there are more than a page is wide."""

from __future__ import annotations

from dataclasses import replace

from digitise.report.blocks import Table

MOST_PLACES = 8  # columns for transects, or their segments, that stand beside others


def in_two(table: Table, first: int, many: int, caption: str) -> list[Table]:
    """The table; or, where its `many` columns from `first` on are too many beside the others, these in one below."""
    if many <= MOST_PLACES:
        return [table]
    stop = first + many
    rest = [(kind, (*cells[:first], *cells[stop:])) for kind, cells in table.rows]
    lines = [(kind, (cells[0], *cells[first:stop])) for kind, cells in table.rows]
    return [
        replace(table, head=(*table.head[:first], *table.head[stop:]), rows=tuple(rest)),
        Table((table.head[0], *table.head[first:stop]), tuple(lines), caption),
    ]
