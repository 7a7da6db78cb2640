"""Rows of a table in Parquet files, and rows of many files as one table again.

Each column is filled file by file, so that memory holds it once; words that rows share are held once too. Rows of one
``level`` lie together in a file, so that whoever asks for those does not read the others.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    import pyarrow as pa

ROW = "row"  # a column in the files alone: where each row was in its table
MIXED = ("value", "counts")  # kept as JSON: numbers or words, and lists


def write_rows(frame: pd.DataFrame, file: Path) -> None:
    """A table as a file, text as the different words and which of them each row has."""
    import pyarrow.parquet as pq

    frame = frame.assign(**{ROW: range(len(frame))})
    with pq.ParquetWriter(file, _as_words(frame.iloc[:0]).schema, compression="zstd") as writer:
        for level in frame["level"].unique() if len(frame) and "level" in frame else [None]:
            writer.write_table(_as_words(frame if level is None else frame[frame["level"] == level]))


def _as_words(frame: pd.DataFrame) -> pa.Table:
    import pyarrow as pa

    text = (pa.string(), pa.large_string())
    columns = {name: pa.array(values) for name, values in frame.items()}
    return pa.table({n: c.dictionary_encode() if c.type in text else c for n, c in columns.items()})


def read_rows(
    files: Mapping[Path, Collection[str]],
    rank: Mapping[str, int],
    *,
    level: str | None = None,
    columns: Sequence[str] | None = None,
) -> pd.DataFrame:
    """Rows of one table: those of some packs in each of these files, of one ``level``, and some `columns` of them.

    Packs come by their `rank`, a pack's rows as they were in its file.

    Raises
    ------
    FileNotFoundError
        A file is not there.
    """
    import numpy as np
    import pandas as pd

    pieces = [piece for file, packs in files.items() for piece in _pieces(file, packs, rank, level)]
    order = np.lexsort([np.concatenate([getattr(p, key) for p in pieces]) for key in ("rows", "ranks")])
    places = np.empty(len(order), dtype=np.intp)
    places[order] = np.arange(len(order))
    types: dict[str, np.dtype] = {}
    for piece in pieces:
        for name, kind in piece.types.items():
            types[name] = np.result_type(kind, types.get(name, kind))
    names = list(types if columns is None else columns)
    out = {name: np.empty(len(places), types[name]) for name in names}
    known: dict[str, str] = {}
    first = 0
    for piece in (p for p in pieces if len(p.rows)):
        own = places[first : first + len(piece.rows)]
        first += len(piece.rows)
        for name, values in piece.columns(names, known):
            out[name][own] = values
    return pd.DataFrame({name: _column(name, values) for name, values in out.items()}, columns=names, copy=False)


def _column(name: str, values: np.ndarray) -> pd.Series:
    import pandas as pd

    if name in MIXED:
        return pd.Series([json.loads(one) for one in values], dtype=object)
    if values.dtype != object:
        return pd.Series(values, copy=False)
    with pd.option_context("mode.string_storage", "python"):  # rows point to their words: there is no copy for each
        return pd.Series(values, dtype=object, copy=False).astype("str")


@dataclass(frozen=True, slots=True)
class _Piece:
    """Rows of a file that lie together: which of them are wanted, the ranks of their packs, and where they were."""

    file: Path
    group: int
    types: Mapping[str, np.dtype]
    wanted: np.ndarray
    ranks: np.ndarray
    rows: np.ndarray

    def columns(self, names: Sequence[str], known: dict[str, str]) -> Iterator[tuple[str, np.ndarray]]:
        """These columns of the wanted rows; words that are `known` are taken from there."""
        table = _read(self.file, self.group, names)
        for name in names:
            yield name, _values(table[name], known)[self.wanted]


def _pieces(file: Path, packs: Collection[str], rank: Mapping[str, int], level: str | None) -> Iterator[_Piece]:
    import numpy as np
    import pyarrow as pa
    import pyarrow.parquet as pq

    about = pq.read_metadata(file)
    schema = about.schema.to_arrow_schema()
    types = {f.name: np.dtype(object if pa.types.is_dictionary(f.type) else f.type.to_pandas_dtype()) for f in schema}
    del types[ROW]
    nothing = np.array([], dtype=np.int64)
    for group in range(about.num_row_groups):
        if level is not None:
            of = about.row_group(group).column(schema.get_field_index("level")).statistics
            if of is None or of.min != level:
                yield _Piece(file, group, types, nothing, nothing, nothing)
                continue
        keys = _read(file, group, ["pack", ROW])
        own = _values(keys["pack"], {})
        wanted = np.flatnonzero([pack in packs for pack in own])
        ranks = np.array([rank[pack] for pack in own[wanted]], dtype=np.int64)
        yield _Piece(file, group, types, wanted, ranks, _values(keys[ROW], {})[wanted])


def _read(file: Path, group: int, names: Sequence[str]) -> pa.Table:
    import pyarrow.parquet as pq

    with pq.ParquetFile(file) as opened:
        return opened.read_row_group(group, columns=list(names), use_threads=False)


def _values(column: pa.ChunkedArray, known: dict[str, str]) -> np.ndarray:
    import numpy as np
    import pyarrow as pa

    whole = column.combine_chunks()
    if not pa.types.is_dictionary(whole.type):
        return whole.to_numpy(zero_copy_only=False)
    words = np.array([known.setdefault(word, word) for word in whole.dictionary.to_pylist()], dtype=object)
    return words[whole.indices.to_numpy()]
