"""A store in a notebook: results as pandas frames whose column names carry their units.

``digitise.open("survey-store")`` gives a `Programme`. Nothing is computed before it is asked for.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from digitise.exchange.guard import guarded
from digitise.results.columns import COLUMNS
from digitise.results.compare import Compared, SiteTrend, SurveySample, compare_pairs, latest_pairs, trends
from digitise.results.groups import SURVEY_COLUMNS, group_table, group_values
from digitise.results.kept import KeptTables
from digitise.results.results import SurveyResults, survey_results
from digitise.results.samples import COVER_COLUMNS, DENSITY_COLUMNS, samples_of
from digitise.store import Store, StoreError, holds_store, no_store
from digitise.surveys.known_plan import grouped_sites
from digitise.surveys.roster import site_key
from digitise.surveys.survey import iter_surveys
from digitise.wording import in_line, plural

if TYPE_CHECKING:
    import pandas as pd

PER_100_M2 = {
    name: f"{name}_per_100m2"
    for name in ("density", "low", "high", "se", "floor_low", "floor_high", "expected", "expected_low", "expected_high")
}
GROUP_COVER = {"value": "cover_percent", "low": "low_percent", "high": "high_percent", "se": "se_percent"}
GROUP_DENSITY = {"value": PER_100_M2["density"]}


class Programme:
    """The surveys of one store, and frames made from them. A context manager; `close` lets go of the store.

    Frames come from tables that are kept beside the store and made again only for surveys on which something was
    entered since (`digitise.results.kept`). All belong to the moment of the first question: open the store again to see
    entries made since.

    Wherever a method takes `site`, `date` or `pack`, only surveys with this name (in any letter case, or as a CSV file
    has it), date (ISO 8601) or pack are used; none given uses all. `level` keeps only rows of this level ("site",
    "transect", "belt", "segment"); "group" gives groups of sites instead, which pool whole groups and so take no site,
    date or pack.
    """

    def __init__(self, store: Store, *, level: float = 0.95) -> None:
        self._store, self._level = store, level
        self._kept = KeptTables(store, level=level)

    def __enter__(self) -> Programme:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the store."""
        self._kept.close()
        self._store.close()

    def results(
        self, site: str | None = None, date: str | None = None, pack: str | None = None
    ) -> Iterator[SurveyResults]:
        """Results of the surveys asked for as objects, by date, one after another; computed anew each time.

        Raises
        ------
        ValueError
            There is no such survey; the message names what there is.
        """
        packs = list(self._surveys(site, date, pack)["pack"])
        return (survey_results(s, level=self._level) for s in iter_surveys(self._store, packs))

    def surveys(self, site: str | None = None, date: str | None = None, pack: str | None = None) -> pd.DataFrame:
        """One row a survey: pack, site, date, transects, cells, how many of them are unread, sheets missing."""
        return self._surveys(site, date, pack).drop(columns="first_page")

    def _surveys(self, site: str | None = None, date: str | None = None, pack: str | None = None) -> pd.DataFrame:
        found = self._kept.read("surveys")
        for name, value in (("site", site), ("date", date), ("pack", pack)):
            if value is not None:
                known = sorted(filter(None, set(found[name])))
                told = site_key if name == "site" else str
                meant = found[name].map(told) == told(value)
                if name == "site" and not meant.any():  # copied from a CSV file
                    meant = found[name].map(lambda text: site_key(str(guarded(text)))) == site_key(value)
                found = found[meant]
                if found.empty:
                    there = ", ".join(map(in_line, known)) or "none entered yet"
                    raise ValueError(f"no survey with {name} '{value}'; there are: {there}")
        return found.reset_index(drop=True)

    def _table(
        self, name: str, site: str | None, date: str | None, pack: str | None, *, level: str | None = None
    ) -> pd.DataFrame:
        if level is not None and level not in (known := COLUMNS[name]["level"].choices):
            raise ValueError(f"found level '{level}', expected one of {', '.join((*known, 'group'))}")
        every = site is None and date is None and pack is None
        packs = None if every else list(self._surveys(site, date, pack)["pack"])
        return self._kept.read(name, packs=packs, level=level)

    def cover(
        self, site: str | None = None, date: str | None = None, pack: str | None = None, *, level: str | None = None
    ) -> pd.DataFrame:
        """Percent cover of every category and group, for each transect and the site; see `cover_table`.

        Of groups of sites with ``level="group"``, one row a calendar year; see `group_table`.
        """
        if level == "group":
            return self._groups("cover", (site, date, pack)).rename(columns=GROUP_COVER)
        return self._table("cover", site, date, pack, level=level)

    def density(
        self, site: str | None = None, date: str | None = None, pack: str | None = None, *, level: str | None = None
    ) -> pd.DataFrame:
        """Densities per 100 m2 and per hectare, for each belt, segment and the site; see `density_table`.

        Of groups of sites with ``level="group"``, one row a calendar year; see `group_table`.
        """
        if level == "group":
            return self._groups("density", (site, date, pack)).rename(columns=PER_100_M2 | GROUP_DENSITY)
        found = self._table("density", site, date, pack, level=level)
        return found.drop(columns="unit").rename(columns=PER_100_M2)

    def _groups(self, quantity: str, asked: tuple[str | None, ...]) -> pd.DataFrame:
        if any(one is not None for one in asked):
            raise ValueError("level 'group' pools whole groups of sites: expected no site, date or pack beside it")
        places = grouped_sites(self._store.folder)
        if not places:
            raise ValueError(
                "no site has a group: write 'group: NAME' at sites of a plan, and have the store keep it with "
                "'digitise check --store STORE --plan FILE'"
            )
        surveys = self._kept.read("surveys", columns=SURVEY_COLUMNS)
        cover, density = (self._kept.read(name, level="site") for name in ("cover", "density"))
        found = group_values(places, surveys, cover, density, level=self._level)
        return group_table([v for v in found if v.quantity == quantity]).drop(columns=["quantity", "unit"])

    def impacts(self, site: str | None = None, date: str | None = None, pack: str | None = None) -> pd.DataFrame:
        """Percentages and ticks, one row a segment; see `impact_table`."""
        return self._table("impacts", site, date, pack)

    def occurrence(self, site: str | None = None, date: str | None = None, pack: str | None = None) -> pd.DataFrame:
        """On how many transects each row was seen, and how unevenly; see `occurrence_table`."""
        return self._table("occurrence", site, date, pack)

    def lines(
        self,
        site: str | None = None,
        date: str | None = None,
        pack: str | None = None,
        *,
        interval: str = "goodman",
    ) -> pd.DataFrame:
        """Covers of each line with intervals of that line alone, were its points independent; see `line_table`.

        `interval` is "goodman" (all categories together), "wilson", "clopper-pearson" or "jeffreys".
        """
        from digitise.results.asked import line_table

        cover = self._table("cover", site, date, pack, level="transect")
        return line_table(cover, interval=interval, level=self._level)

    def bootstrap(self, site: str | None = None, *, packs: Sequence[str] = (), seed: int = 1) -> pd.DataFrame:
        """Means over ten transects or more with bootstrap intervals, beside those of `cover` and `density`.

        See `bootstrap_table`. The same `seed` gives the same limits, also when fewer surveys are asked for.
        """
        from digitise.results.asked import bootstrap_table

        samples = self.samples([site] if site else [], packs=packs)
        return bootstrap_table(samples, seed, level=self._level)

    def community(self, site: str | None = None, date: str | None = None, pack: str | None = None) -> pd.DataFrame:
        """Richness, Shannon, Simpson, evenness, rarefied richness; see `community_table`."""
        from digitise.results.change_tables import community_table

        return community_table(self._table("pooled", site, date, pack))

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

    def samples(self, sites: Iterable[str] = (), *, packs: Sequence[str] = ()) -> list[SurveySample]:
        """Surveys of these sites, or these packs (every one when none is named), as comparisons take them."""
        import pandas as pd

        named = {site_key(name): name for name in sites}.values()
        asked = [self._surveys(name) for name in named] + [self._surveys(pack=p) for p in packs]
        surveys = pd.concat(asked).drop_duplicates("pack") if asked else self._surveys()
        wanted = list(surveys["pack"]) if asked else None
        cover = self._kept.read("cover", packs=wanted, columns=COVER_COLUMNS)
        density = self._kept.read("density", packs=wanted, columns=DENSITY_COLUMNS)
        return samples_of(surveys, cover, density)

    def pairs(self, sites: Sequence[str] = (), packs: Sequence[str] = ()) -> list[tuple[SurveySample, SurveySample]]:
        """The two packs, or the last survey of each of the last two dates of these sites (of all if none is named).

        Raises
        ------
        ValueError
            One pack is named twice, or not two of them are named.
        """
        if packs:
            if len(packs) != 2:
                raise ValueError(f"{plural(len(packs), 'pack')} named; expected two, the earlier one first")
            if packs[0] == packs[1]:
                raise ValueError(f"pack {packs[0]} is named twice; a survey is compared with another")
            first, second = self.samples(packs=packs)
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
        """Every variable of every pair, adjusted for all of them together."""
        rest = {"paired": paired, "headlines": headlines, "detect_percent": detect_percent, "level": self._level}
        return compare_pairs(pairs, **rest)

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
    if not holds_store(folder):
        raise StoreError(no_store(folder))
    return Programme(Store.open(folder), level=level)
