"""Surveys put away on disk while they are exported, so that memory holds one of them at a time, however many there are.

Results go without the points and counts that they were made of; nothing that is exported needs those.
"""

from __future__ import annotations

import io
import marshal
import pickle  # only what was written a moment ago into a file without a name  # nosec B403
import tempfile
import zlib
from collections.abc import Callable, Hashable, Sequence
from dataclasses import fields, is_dataclass, replace
from functools import cache
from operator import attrgetter

from digitise.results import SurveyResults
from digitise.sheets.protocol import Protocol
from digitise.store import CellNow

_FAST = 1  # zlib's level: a third of the room for a millisecond a survey


class _Pickler(pickle.Pickler):
    """Looks up the fields of a dataclass once, not for every object: results have thousands."""

    def reducer_override(self, value: object) -> object:
        if not is_dataclass(value) or isinstance(value, type):
            return NotImplemented
        return _made, (type(value), *_fields(type(value))(value))


@cache
def _names(kind: type) -> tuple[str, ...]:
    return tuple(f.name for f in fields(kind))


@cache
def _fields(kind: type) -> Callable[[object], tuple]:
    names = _names(kind)
    return attrgetter(*names) if len(names) > 1 else lambda value: tuple(getattr(value, n) for n in names)


def _made(kind: type, *values: object) -> object:
    """The object with these fields, as it was: nothing is checked again."""
    made = object.__new__(kind)
    for name, value in zip(_names(kind), values, strict=True):
        object.__setattr__(made, name, value)
    return made


class Spool:
    """Values by key in a temporary file, which goes with this object."""

    def __init__(self) -> None:
        self._file = tempfile.TemporaryFile(prefix="digitise-export-")  # noqa: SIM115 - closed with this object
        self._places: dict[Hashable, tuple[int, int]] = {}
        self._protocols: dict[str, Protocol] = {}  # by pack; few are different

    def __del__(self) -> None:
        self._file.close()

    def put(self, key: Hashable, data: bytes) -> None:
        """Put bytes away."""
        packed = zlib.compress(data, _FAST)
        self._places[key] = (self._file.seek(0, io.SEEK_END), len(packed))
        self._file.write(packed)

    def get(self, key: Hashable) -> bytes:
        """The same bytes."""
        start, many = self._places[key]
        self._file.seek(start)
        return zlib.decompress(self._file.read(many))

    def put_object(self, key: Hashable, value: object) -> None:
        """Put any object away."""
        out = io.BytesIO()
        _Pickler(out, pickle.HIGHEST_PROTOCOL).dump(value)
        self.put(key, out.getvalue())

    def get_object(self, key: Hashable) -> object:
        """An equal object."""
        return pickle.loads(self.get(key))  # noqa: S301 - see above  # nosec B301

    def put_cells(self, key: Hashable, cells: Sequence[CellNow]) -> None:
        """Put cells away: plain values, in a fifth of the time of objects."""
        self.put(("cells", key), marshal.dumps([tuple(cell) for cell in cells]))

    def cells(self, key: Hashable) -> tuple[CellNow, ...]:
        """The same cells."""
        rows = marshal.loads(self.get(("cells", key)))  # noqa: S302 - see above  # nosec B302
        return tuple(map(CellNow._make, rows))

    def put_results(self, results: SurveyResults) -> None:
        """Put a survey's results away, and its cells."""
        survey = results.survey
        light = tuple(replace(t, points={}, counts=()) for t in survey.transects)
        self._protocols[survey.pack] = survey.protocol
        survey_light = replace(survey, cells=(), transects=light, protocol=None)
        self.put_object(("results", survey.pack), replace(results, survey=survey_light))
        self.put_cells(survey.pack, survey.cells)

    def results(self, pack: str) -> SurveyResults:
        """The results of a pack's survey."""
        found = self.get_object(("results", pack))
        survey = replace(found.survey, cells=self.cells(pack), protocol=self._protocols[pack])
        return replace(found, survey=survey)
