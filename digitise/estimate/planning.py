"""How large a change a design can detect, and how many transects a change needs.

`change` and `spread` are in the same unit; `spread` is the standard deviation between transects, or of the differences
when the same lines are laid again. It must come from the programme's own surveys: there is no universal value.
Two-sided t tests under normal values, noncentral t.
Cohen (1988), Statistical Power Analysis for the Behavioral Sciences, 2nd edition (from memory).
"""

from __future__ import annotations

import math

from digitise.estimate.intervals import check_share

MOST_TRANSECTS = 100_000


def power_of(change: float, spread: float, transects: float, *, paired: bool = False, alpha: float = 0.05) -> float:
    """Chance that a test finds the change, with so many transects in each survey (or so many pairs).

    `ValueError` without a spread above 0 and two transects.
    """
    check_share("alpha", alpha)
    if spread <= 0 or transects < 2:
        raise ValueError("power needs a spread above 0 and at least two transects")
    from scipy.special import stdtrit

    df = transects - 1 if paired else 2 * (transects - 1)
    shift = abs(change) / spread * math.sqrt(transects if paired else transects / 2)
    edge = float(stdtrit(df, 1 - alpha / 2))
    return 1 - _below(edge, df, shift) + _below(-edge, df, shift)


def _below(t: float, df: float, shift: float) -> float:
    """Noncentral t distribution function, 0 where it is too small for scipy to give a number."""
    from scipy.special import nctdtr

    p = float(nctdtr(df, shift, t))
    return 0.0 if math.isnan(p) else p


def detectable_change(
    transects: int, spread: float = 1.0, *, paired: bool = False, alpha: float = 0.05, power: float = 0.8
) -> float:
    """Smallest change found with probability `power`, in units of `spread`.

    >>> f"{detectable_change(4):.2f} {detectable_change(4, paired=True):.2f}"
    '2.38 2.13'
    """
    check_share("power", power)
    from scipy.optimize import brentq

    most = 4.0
    while power_of(most, 1.0, transects, paired=paired, alpha=alpha) < power:
        most *= 4
    return spread * brentq(
        lambda d: power_of(d, 1.0, transects, paired=paired, alpha=alpha) - power, 0.0, most, xtol=1e-10
    )


def transects_needed(
    change: float, spread: float, *, paired: bool = False, alpha: float = 0.05, power: float = 0.8
) -> tuple[float, int]:
    """Transects in each survey (or pairs) that find `change` with probability `power`: exact, and whole.

    A change that two transects would find gives (2.0, 2).

    Raises
    ------
    ValueError
        The change is 0, or needs more than 100 000 transects.
    """
    check_share("power", power)
    if change == 0 or spread <= 0:
        raise ValueError("a change of 0 cannot be detected, and the spread must be above 0")
    from scipy.optimize import brentq

    def lacking(n: float) -> float:
        return power_of(change, spread, n, paired=paired, alpha=alpha) - power

    if lacking(2.0) >= 0:
        return 2.0, 2
    most = 4.0
    while lacking(most) < 0:
        most *= 2
        if most > MOST_TRANSECTS:
            raise ValueError(f"more than {MOST_TRANSECTS} transects would be needed")
    exact = brentq(lacking, 2.0, most, xtol=1e-9)
    return exact, math.ceil(exact - 1e-6)
