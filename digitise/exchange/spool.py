"""Surveys put away on disk while they are exported, so that memory holds one of them at a time, however many there are.

Results go without the points and counts that they were made of; nothing that is exported needs those.
"""

from __future__ import annotations

import marshal
from collections.abc import Callable, Hashable, Sequence
from dataclasses import replace
from typing import overload

from digitise.results import SurveyResults
from digitise.sheets.protocol import Protocol
from digitise.spool import Spool
from digitise.store import CellNow
from digitise.surveys.survey import without_marks


class SurveySpool(Spool):
    """Cells by any key, and results by pack."""

    def __init__(self) -> None:
        super().__init__()
        self._protocols: dict[str, Protocol] = {}  # by pack; few are different

    def put_cells(self, key: Hashable, cells: Sequence[CellNow]) -> None:
        """Put cells away: plain values, in a fifth of the time of objects."""
        self.put(("cells", key), marshal.dumps([tuple(cell) for cell in cells]))

    def cells(self, key: Hashable) -> tuple[CellNow, ...]:
        """The same cells."""
        rows = marshal.loads(self.get(("cells", key)))  # noqa: S302 - written a moment ago  # nosec B302
        return tuple(map(CellNow._make, rows))

    def put_results(self, results: SurveyResults) -> None:
        """Put a survey's results away, and its cells."""
        survey = results.survey
        self._protocols[survey.pack] = survey.protocol
        light = replace(without_marks(survey), cells=(), protocol=None)
        self.put_object(("results", survey.pack), replace(results, survey=light))
        self.put_cells(survey.pack, survey.cells)

    def results(self, pack: str) -> SurveyResults:
        """The results of a pack's survey."""
        found = self.get_object(("results", pack))
        survey = replace(found.survey, cells=self.cells(pack), protocol=self._protocols[pack])
        return replace(found, survey=survey)


class SpooledResults(Sequence[SurveyResults]):
    """Results of these packs in a spool, loaded one at a time, each time they are looked at; `tick` is called then."""

    def __init__(self, spool: SurveySpool, packs: Sequence[str], tick: Callable[[], None] = lambda: None) -> None:
        self._spool, self._packs, self._tick = spool, tuple(packs), tick

    def __len__(self) -> int:
        return len(self._packs)

    @overload
    def __getitem__(self, place: int) -> SurveyResults: ...
    @overload
    def __getitem__(self, place: slice) -> Sequence[SurveyResults]: ...
    def __getitem__(self, place: int | slice) -> SurveyResults | Sequence[SurveyResults]:
        if isinstance(place, slice):
            return [self[i] for i in range(len(self))[place]]
        self._tick()
        return self._spool.results(self._packs[place])
