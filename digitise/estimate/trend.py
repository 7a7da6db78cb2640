"""Trends over years, the unit being the survey: one value a survey, not one a transect.

Three answers: least squares, Theil-Sen with Mann-Kendall (no distribution assumed), and a generalised linear model that
keeps covers between 0 and 100 % and densities above 0. Serial correlation between years makes every p too small, and
seasons must be alike. Under `FEWEST` surveys no test is given: draw the points.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations
from statistics import median
from typing import TYPE_CHECKING

from digitise.estimate.intervals import Estimate, check_share

if TYPE_CHECKING:
    import numpy as np

FEWEST = 5
EXACT_UP_TO = 10
MOST_LOG = 700.0  # of a factor: larger ones are beyond all numbers
TOO_FEW = f"under {FEWEST} surveys: no test"
IN_A_LINE = "all surveys in a line: no interval"


@dataclass(frozen=True, slots=True)
class Trend:
    """A slope per year with its interval, and the p beside it; None where there is none."""

    slope: Estimate
    p: float | None


@dataclass(frozen=True, slots=True)
class MannKendall:
    """Mann-Kendall statistic ``s``, its variance, ``z`` (continuity corrected), Kendall's ``tau`` and two-sided ``p``.

    ``exact`` when p comes from all orders (no ties, up to ten surveys), else from the normal law.
    """

    s: int
    variance: float
    z: float
    tau: float
    p: float
    exact: bool


def _told(values: Sequence[float]) -> list[float]:
    """The values to twelve digits: means of one sum in other parts differ in the last ones, which is no change."""
    return [float(f"{value:.12g}") for value in values]


def _check(years: Sequence[float], values: Sequence[float]) -> int:
    if len(years) != len(values):
        raise ValueError(f"{len(years)} years and {len(values)} values: one value a survey is needed")
    return len(set(years))


def least_squares(years: Sequence[float], values: Sequence[float], *, unit: str = "", level: float = 0.95) -> Trend:
    """Slope per year of a straight line through the surveys, with t interval (n - 2 degrees of freedom).

    Under three surveys, or all in one year, there is none; no interval and no p where all lie in a line.
    """
    check_share("level", level)
    n, method, values = len(years), "least squares over surveys", _told(values)
    if _check(years, values) < 2 or n < 3:
        return _none(n, method, unit, "under three surveys: no slope", level)
    from scipy.special import stdtr, stdtrit

    x, y = math.fsum(years) / n, math.fsum(values) / n
    sxx = math.fsum((a - x) ** 2 for a in years)
    slope = math.fsum((a - x) * (b - y) for a, b in zip(years, values, strict=True)) / sxx
    rest = [b - y - slope * (a - x) for a, b in zip(years, values, strict=True)]
    if max(map(abs, rest)) <= 1e-10 * max(1.0, abs(y)):  # rounding only
        note = IN_A_LINE if n >= FEWEST else TOO_FEW
        return Trend(_slope(slope, None, None, n, method, unit, note=note, level=level), None)
    se = math.sqrt(math.fsum(r * r for r in rest) / (n - 2) / sxx)
    half = float(stdtrit(n - 2, 0.5 + level / 2)) * se
    p = 2 * float(stdtr(n - 2, -abs(slope) / se)) if n >= FEWEST else None
    note = "" if n >= FEWEST else TOO_FEW
    return Trend(_slope(slope, slope - half, slope + half, n, method, unit, note=note, level=level, se=se), p)


def _slope(
    value: float,
    low: float | None,
    high: float | None,
    n: int,
    method: str,
    unit: str,
    *,
    note: str,
    level: float,
    se: float | None = None,
) -> Estimate:
    return Estimate(value, low, high, n, method, f"{unit} a year", note, "between surveys", level, se)


def _none(n: int, method: str, unit: str, note: str, level: float) -> Trend:
    return Trend(Estimate(None, None, None, n, method, f"{unit} a year", note, level=level), None)


def theil_sen(years: Sequence[float], values: Sequence[float], *, unit: str = "", level: float = 0.95) -> Trend:
    """Median of the slopes between all pairs of surveys, with Sen's interval and the Mann-Kendall p.

    The interval takes the ordered slopes on either side of the middle by the normal law of Kendall's S; so few
    surveys that they run out give no interval. Surveys of one year are not compared with each other.

    Sen (1968), doi:10.1080/01621459.1968.10480934.
    """
    check_share("level", level)
    n, method, values = len(years), "Theil-Sen over surveys", _told(values)
    if _check(years, values) < 2:
        return _none(n, method, unit, "under two years: no slope", level)
    from scipy.special import ndtri

    order = sorted(range(n), key=years.__getitem__)
    pairs = [(i, j) for i, j in combinations(order, 2) if years[i] != years[j]]
    slopes = sorted((values[j] - values[i]) / (years[j] - years[i]) for i, j in pairs)
    slope = median(slopes)
    if n < FEWEST:
        return Trend(_slope(slope, None, None, n, method, unit, note=TOO_FEW, level=level), None)
    test = mann_kendall([values[i] for i in order], [years[i] for i in order])
    width = float(ndtri(0.5 + level / 2)) * math.sqrt(test.variance)
    below, above = round((len(slopes) - width) / 2) - 1, round((len(slopes) + width) / 2)
    flat = slopes[0] == slopes[-1]
    if below < 0 or above >= len(slopes) or flat:
        note = IN_A_LINE if flat else "too few surveys for an interval"
        return Trend(_slope(slope, None, None, n, method, unit, note=note, level=level), test.p)
    return Trend(_slope(slope, slopes[below], slopes[above], n, method, unit, note="", level=level), test.p)


def mann_kendall(values: Sequence[float], years: Sequence[float] | None = None) -> MannKendall:
    """Test for a monotone trend of values in the order of time, at least two.

    `ValueError` for fewer values.

    Values of one time are not compared with each other; without `years` each is of a time of its own. Exact for up to
    ten values without ties, else the normal law with correction for ties and continuity.

    Mann (1945), doi:10.2307/1907187; Kendall (1975), Rank Correlation Methods, 4th edition (from memory).
    """
    n, values = len(values), _told(values)
    if n < 2:
        raise ValueError("a trend needs at least two values")
    times = range(n) if years is None else years
    pairs = combinations(zip(values, times, strict=True), 2)
    s = sum((b > a) - (b < a) for (a, before), (b, after) in pairs if before != after)
    ties, visits = Counter(values).values(), Counter(times).values()
    variance = _variance(n, ties, visits)
    z = (s - (s > 0) + (s < 0)) / math.sqrt(variance) if variance > 0 else 0.0
    tau = s / (n * (n - 1) / 2)
    if max(*ties, *visits) == 1 and n <= EXACT_UP_TO:
        from scipy.stats import kendalltau

        return MannKendall(s, variance, z, tau, float(kendalltau(range(n), values, method="exact").pvalue), True)
    from scipy.special import ndtr

    return MannKendall(s, variance, z, tau, 2 * float(ndtr(-abs(z))) if variance > 0 else 1.0, False)


def _variance(n: int, ties: Iterable[int], visits: Iterable[int]) -> float:
    """Variance of S for n values, so many alike each and so many of one time each; 0 exactly where all are alike."""

    def both(power: Callable[[int], int]) -> int:
        return sum(map(power, ties)) * sum(map(power, visits))

    one = n * (n - 1) * (2 * n + 5) - sum(t * (t - 1) * (2 * t + 5) for t in (*ties, *visits))
    two, three = both(lambda t: t * (t - 1)), both(lambda t: t * (t - 1) * (t - 2))
    rest = Fraction(three, 9 * n * (n - 1) * (n - 2)) if three else 0
    return float(Fraction(one, 18) + Fraction(two, 2 * n * (n - 1)) + rest)


def smallest_p_mann_kendall(n: int) -> float:
    """Smallest two-sided p of the exact test with n surveys: 2 / n!."""
    return 2 / math.factorial(n)


def model_trend(
    years: Sequence[float],
    hits: Sequence[float],
    sizes: Sequence[float],
    *,
    kind: str = "cover",
    level: float = 0.95,
) -> Trend:
    """Change a year from a generalised linear model over surveys, as a factor: 0.93 is 7 % less every year.

    `ValueError` for another `kind`.

    Parameters
    ----------
    hits, sizes : per survey, points of the category and legible points (`kind` "cover": the factor is of the odds), or
        animals and area (`kind` "density": the factor is of the density)

    Quasi-binomial with logit link, or quasi-Poisson with log link and the area as offset. The spread between surveys
    (Pearson chi-square over n - 2, never under 1) widens the interval, which takes t with n - 2 degrees of freedom, so
    that neither points nor animals are taken as independent. None when under five surveys, when none was ever seen, or
    when a steeper line always fits better, as where it was seen in the last survey alone.

    McCullagh & Nelder (1989), Generalized Linear Models, 2nd edition (from memory).
    """
    check_share("level", level)
    n, unit = len(years), "factor of the odds" if kind == "cover" else "factor of the density"
    method = "quasi-binomial model over surveys" if kind == "cover" else "quasi-Poisson model over surveys"
    if kind not in ("cover", "density"):
        raise ValueError(f"kind must be cover or density, got {kind!r}")
    if (times := _check(years, hits)) < 3 or n < FEWEST:
        return _none(n, method, unit, TOO_FEW if n < FEWEST else f"surveys at {times} times: no model", level)
    if math.fsum(hits) == 0 or (kind == "cover" and math.fsum(hits) >= math.fsum(sizes)):
        return _none(n, method, unit, "never seen, or nothing else was: no model", level)
    if _parted(years, hits, sizes, kind=kind):
        note = "seen at the first or the last time alone, or nothing else was then: no model"
        return _none(n, method, unit, note, level)
    found, se = _fitted(years, hits, sizes, kind=kind)
    from scipy.special import stdtr, stdtrit

    half = float(stdtrit(n - 2, 0.5 + level / 2)) * se
    if not abs(found) + half <= MOST_LOG:
        note = "surveys too close in time, or counts too uneven, for a factor a year"
        return _none(n, method, unit, note, level)
    slope = _slope(*(math.exp(v) for v in (found, found - half, found + half)), n, method, unit, note="", level=level)
    return Trend(slope, 2 * float(stdtr(n - 2, -abs(found) / se)))


def _parted(years: Sequence[float], hits: Sequence[float], sizes: Sequence[float], *, kind: str) -> bool:
    """Whether time parts the surveys in which it was seen from all else, so that the slope has no largest likelihood.

    Albert & Anderson (1984), Biometrika 71, 1-10.
    """
    seen = {year for year, k in zip(years, hits, strict=True) if k > 0}
    if kind == "density":
        return len(seen) == 1 and not min(years) < min(seen) < max(years)
    rest = {year for year, k, n in zip(years, hits, sizes, strict=True) if k < n}
    return max(rest) <= min(seen) or max(seen) <= min(rest)


def _fitted(years: Sequence[float], hits: Sequence[float], sizes: Sequence[float], *, kind: str) -> tuple[float, float]:
    """Slope of the linear predictor and its standard error, widened by the spread between surveys."""
    import numpy as np

    x, k, n = (np.asarray(values, dtype=float) for values in (years, hits, sizes))
    slope, se, chi2 = (_logistic if kind == "cover" else _log_linear)(x - x.mean(), k, n)
    return slope, se * math.sqrt(max(1.0, chi2 / (len(x) - 2)))


def _logistic(x: np.ndarray, k: np.ndarray, n: np.ndarray) -> tuple[float, float, float]:
    """Slope of the log odds, its binomial standard error, and Pearson's chi-square."""
    import warnings

    import numpy as np
    import statsmodels.api as sm

    model = sm.GLM(np.column_stack([k, n - k]), sm.add_constant(x), family=sm.families.Binomial())
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # surveys that all agree are fitted without rest, which is no fault
        fit = model.fit(scale=1.0)
        return float(fit.params[1]), float(fit.bse[1]), float(fit.pearson_chi2)


def _log_linear(x: np.ndarray, k: np.ndarray, n: np.ndarray) -> tuple[float, float, float]:
    """Slope of the log density, its Poisson standard error, and Pearson's chi-square.

    The likelihood is largest where the fitted counts have the mean time of those that were seen, which one root tells.
    Reweighted least squares, the usual way, run away from counts as uneven as those of schools.
    """
    import numpy as np
    from scipy.optimize import brentq

    total = k.sum()
    seen = (k * x).sum() / total

    def counts(slope: float) -> np.ndarray:
        log = np.log(n) + slope * x
        share = np.exp(log - log.max())
        return total * share / share.sum()

    def late(slope: float) -> float:
        return float((counts(slope) * x).sum() / total - seen)

    edge = 1.0
    while late(-edge) > 0 or late(edge) < 0:
        edge *= 2
    slope = brentq(late, -edge, edge, xtol=1e-12)
    fitted = counts(slope)
    with np.errstate(divide="ignore", invalid="ignore"):
        chi2 = np.nansum((k - fitted) ** 2 / fitted)
    return slope, 1 / math.sqrt((fitted * (x - seen) ** 2).sum()), float(chi2)
