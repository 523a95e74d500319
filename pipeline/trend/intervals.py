"""Give changes their simultaneous 95 % intervals, and the verdicts that follow.

In: changes with standard errors and degrees of freedom. Out: interval, detectable change, verdict.

The quantities of one comparison are tested together. With a 95 % interval for each, one of the seven would too often be
called changed by chance. So each interval is made so wide that all of them hold the true values at once in 95 of 100
comparisons (Bonferroni's inequality, Dunn 1961, J. Am. Stat. Assoc. 56). A quantity is better or worse exactly where
that interval does not contain 0.
"""

from functools import cache

import numpy as np
import pandas as pd
from scipy import optimize, stats

from pipeline.trend.group_values import KEYS

# That all intervals of a comparison hold the true value, and that a detectable change is detected. Chosen: by custom.
CONFIDENCE = 0.95
NORMAL = stats.norm.ppf(0.5 + CONFIDENCE / 2)  # standard errors in half of the interval that the report prints
MOST_TAKES = 20  # of each of two set-ups played in turn: more is no day's work


def takes_needed(estimate, take_se, n_looks: int) -> float:
    """Return how many takes of each of two set-ups, played in turn on one day, would show a change of that size.

    Parameters
    ----------
    estimate : float
        The true change that is hoped for.
    take_se : float
        Standard deviation of one take.
    n_looks : int
        Quantities that are compared at once.

    Returns
    -------
    float
        The smallest n with a verdict in 95 of 100; NaN where not even MOST_TAKES would do, or nothing is known.
    """
    if not (np.isfinite(estimate) and np.isfinite(take_se) and estimate):
        return np.nan
    enough = _seen_by_takes(int(n_looks)) * take_se <= abs(estimate)
    return float(np.argmax(enough) + 2) if enough.any() else np.nan


@cache
def _seen_by_takes(n_looks: int) -> np.ndarray:
    """Return the change that 2, 3, ... MOST_TAKES takes of each would show, in standard deviations of a take."""
    found = []
    for number in range(2, MOST_TAKES + 1):
        # As `in_turn` compares A B A B ... of one day, without the other days' takes: its drift costs one more degree
        # of freedom, and the part 3/(4n² − 1) of what A and B tell (squared correlation of set-up and order).
        df, told = 2 * number - 3, 1 - 3 / (4 * number**2 - 1)
        limit = stats.t.isf((1 - CONFIDENCE) / (2 * n_looks), df)
        # Student's t of a true change of c standard errors is non-central t with c (Johnson & Welch 1940).
        away = optimize.brentq(lambda c, limit=limit, df=df: stats.nct.sf(limit, df, c) - CONFIDENCE, 0, 60 * limit)
        found.append(away * np.sqrt(2 / (number * told)))
    return np.array(found)


def with_intervals(made: pd.DataFrame) -> pd.DataFrame:
    """Add the simultaneous intervals of each comparison, the detectable change and the verdict.

    Parameters
    ----------
    made : pd.DataFrame
        One row a quantity of a comparison: KEYS, `against`, `estimate` (change; of a logarithm where `reference` is
        known), `se` (its standard error; NaN: no verdict), `df` (degrees of freedom of `se`), `reference` (value
        compared with, for logarithms; else NaN), `take_se` (standard deviation of one take).

    Returns
    -------
    pd.DataFrame
        The same rows with `change_low`, `change_high`, `detectable`, `takes_needed` (null: above 20) and `verdict`.
        A true change of the size `detectable` gets a verdict with the probability CONFIDENCE or more, for the better
        and for the worse. (For a spread the change for the worse is the larger one and is given.)
    """
    estimate, se, reference, df = (made[name].astype(float) for name in ("estimate", "se", "reference", "df"))
    n_looks = se.groupby([made[key] for key in (*KEYS, "against")]).transform("count").clip(lower=1)
    reach = stats.t.ppf(1 - (1 - CONFIDENCE) / (2 * n_looks), df) * se
    seen = reach + stats.t.ppf(CONFIDENCE, df) * se

    def on_scale(change):
        return (reference * np.expm1(change)).where(reference.notna(), change)

    low, high = on_scale(estimate - reach), on_scale(estimate + reach)
    words = np.select([high < 0, low > 0, se.notna()], ["better", "worse", "no clear change"], "")
    made = made.assign(takes_needed=_takes_needed(made, n_looks))
    return made.assign(change_low=low, change_high=high, detectable=on_scale(seen), verdict=words)


def _takes_needed(made: pd.DataFrame, n_looks: pd.Series) -> list[float]:
    columns = (made[name].astype(float) for name in ("estimate", "take_se"))
    return [takes_needed(*one) for one in zip(*columns, n_looks, strict=True)]
