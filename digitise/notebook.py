"""A store in a notebook: results as pandas frames whose column names carry their units.

``digitise.open("survey-store")`` gives a `Programme`. Nothing is computed before it is asked for; results of a survey
are kept, so open the store again to see entries made since.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from digitise.results.compare import Compared, SiteTrend, SurveySample, compare, latest_pairs, sample_of, trends
from digitise.results.results import SurveyResults, survey_results
from digitise.store import Store, StoreError
from digitise.survey import load_surveys

if TYPE_CHECKING:
    import pandas as pd

PER_100_M2 = {
    name: f"{name}_per_100m2"
    for name in ("density", "low", "high", "se", "floor_low", "floor_high", "expected", "expected_low", "expected_high")
}


class Programme:
    """The surveys of one store, and frames made from them. A context manager; `close` lets go of the store.

    Wherever a method takes `site`, `date` or `pack`, only surveys with exactly this name, date (ISO 8601) or pack are
    used; none given uses all.
    """

    def __init__(self, store: Store, *, level: float = 0.95) -> None:
        self._store, self._level = store, level
        self._results: tuple[SurveyResults, ...] | None = None

    def __enter__(self) -> Programme:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the store."""
        self._store.close()

    def results(
        self, site: str | None = None, date: str | None = None, pack: str | None = None
    ) -> tuple[SurveyResults, ...]:
        """Results of the surveys asked for, by date.

        Raises
        ------
        ValueError
            There is no such survey; the message names what there is.
        """
        if self._results is None:
            self._results = tuple(survey_results(s, level=self._level) for s in load_surveys(self._store))
        wanted = {"site": site, "date": date, "pack": pack}
        found = self._results
        for name, value in wanted.items():
            if value is not None:
                known = {str(getattr(r.survey, name) or "") for r in found}
                found = tuple(r for r in found if getattr(r.survey, name) == value)
                if not found:
                    there = ", ".join(sorted(filter(None, known))) or "none entered yet"
                    raise ValueError(f"no survey with {name} '{value}'; there are: {there}")
        return found

    def surveys(self) -> pd.DataFrame:
        """One row a survey: pack, site, date, transects, cells, and how many of them are unread."""
        import pandas as pd

        rows = [
            {
                "pack": r.survey.pack,
                "site": r.survey.site or "",
                "date": r.survey.date or "",
                "transects": len(r.survey.transects),
                "cells": len(r.survey.cells),
                "unread": len(r.survey.unread),
                "sheets_missing": len(r.survey.missing),
            }
            for r in self.results()
        ]
        return pd.DataFrame(rows, columns=["pack", "site", "date", "transects", "cells", "unread", "sheets_missing"])

    def cover(self, site: str | None = None, date: str | None = None, pack: str | None = None) -> pd.DataFrame:
        """Percent cover of every category and group, for each transect and the site; see `cover_table`."""
        from digitise.results.tables import cover_table

        return cover_table(self.results(site, date, pack))

    def density(self, site: str | None = None, date: str | None = None, pack: str | None = None) -> pd.DataFrame:
        """Densities per 100 m2 and per hectare, for each belt, segment and the site; see `density_table`."""
        from digitise.results.belt_tables import density_table

        return density_table(self.results(site, date, pack)).drop(columns="unit").rename(columns=PER_100_M2)

    def impacts(self, site: str | None = None, date: str | None = None, pack: str | None = None) -> pd.DataFrame:
        """Percentages and ticks, one row a segment; see `impact_table`."""
        from digitise.results.belt_tables import impact_table

        return impact_table(self.results(site, date, pack))

    def occurrence(self, site: str | None = None, date: str | None = None, pack: str | None = None) -> pd.DataFrame:
        """On how many transects each row was seen, and how unevenly; see `occurrence_table`."""
        from digitise.results.belt_tables import occurrence_table

        return occurrence_table(self.results(site, date, pack))

    def community(self, site: str | None = None, date: str | None = None, pack: str | None = None) -> pd.DataFrame:
        """Richness, Shannon, Simpson, evenness, rarefied richness; see `community_table`."""
        from digitise.results.change_tables import community_table

        return community_table(self.results(site, date, pack))

    def changes(
        self,
        site: str | None = None,
        packs: Sequence[str] = (),
        *,
        paired: bool = False,
        headlines: Collection[str] = (),
        detect_percent: float = 20.0,
    ) -> pd.DataFrame:
        """What changed between the last two dates at each site, or between two packs; see `change_table`.

        `paired` when the same marked lines were laid again, `headlines` ids of variables named in advance.
        """
        from digitise.results.change_tables import change_table

        pairs = self.pairs([site] if site else [], packs)
        return change_table(self.compared(pairs, paired=paired, headlines=headlines, detect_percent=detect_percent))

    def trends(self, site: str | None = None, *, headlines: Collection[str] = ()) -> pd.DataFrame:
        """Trends at every site with three dated surveys or more; see `trend_table`."""
        from digitise.results.change_tables import trend_table

        return trend_table(self.found_trends([site] if site else [], headlines=headlines))

    def samples(self, sites: Iterable[str] = ()) -> list[SurveySample]:
        """Surveys of these sites (of every one when empty), as comparisons take them."""
        chosen = [r for name in sites for r in self.results(name)] or self.results()
        return [sample_of(r) for r in chosen]

    def pairs(self, sites: Sequence[str] = (), packs: Sequence[str] = ()) -> list[tuple[SurveySample, SurveySample]]:
        """The two packs, or the last two dated surveys of each of these sites (of every site when none is named)."""
        if packs:
            first, second = (sample_of(self.results(pack=p)[0]) for p in packs)
            return [(first, second)]
        return latest_pairs(self.samples(sites))

    def compared(
        self,
        pairs: Iterable[tuple[SurveySample, SurveySample]],
        *,
        paired: bool = False,
        headlines: Collection[str] = (),
        detect_percent: float = 20.0,
    ) -> tuple[Compared, ...]:
        """Every variable of every pair."""
        rest = {"paired": paired, "headlines": headlines, "detect_percent": detect_percent, "level": self._level}
        return tuple(c for before, after in pairs for c in compare(before, after, **rest))

    def found_trends(self, sites: Sequence[str] = (), *, headlines: Collection[str] = ()) -> tuple[SiteTrend, ...]:
        """Trends of these sites (of every site when none is named)."""
        return trends(self.samples(sites), headlines=headlines, level=self._level)


def open_programme(folder: Path | str, *, level: float = 0.95) -> Programme:
    """The programme in a store's folder; `level` is the confidence of its intervals.

    Raises
    ------
    StoreError
        There is no such folder, or it holds no store.
    """
    folder = Path(folder)
    if not (folder / "digitise.db").is_file():
        raise StoreError(f"{folder}: no store is here; make one with: digitise read PHOTOS --store {folder}")
    return Programme(Store.open(folder), level=level)
