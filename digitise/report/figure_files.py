"""A figure as files: SVG and PNG, with the numbers behind it as CSV."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from digitise.report.drawing import Drawing, svg
from digitise.report.paint import png


def write_figure(drawing: Drawing, data: Sequence[Sequence[object]], folder: Path) -> list[Path]:
    """Write `drawing` and its `data` (a heading, then rows) into a folder that is there; returns the three paths."""
    from digitise.exchange.package import csv_bytes

    head, *rows = data
    files = {
        "svg": svg(drawing, alone=True).encode(),
        "png": png(drawing),
        "csv": csv_bytes([str(h) for h in head], (dict(zip(head, row, strict=True)) for row in rows)),
    }
    out = []
    for kind, content in files.items():
        path = folder / f"{drawing.name}.{kind}"
        path.write_bytes(content)
        out.append(path)
    return out
