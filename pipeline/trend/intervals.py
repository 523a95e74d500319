"""Give changes their simultaneous 95 % intervals, and the verdicts that follow.

In: changes with standard errors and degrees of freedom. Out: interval, detectable change, verdict.

The quantities of one comparison are tested together. With a 95 % interval for each, one of the seven would too often be
called changed by chance. So each interval is made so wide that all of them hold the true values at once in 95 of 100
comparisons (Bonferroni's inequality, Dunn 1961, J. Am. Stat. Assoc. 56). A quantity is better or worse exactly where
that interval does not contain 0.
"""

import numpy as np
import pandas as pd
from scipy import stats

from pipeline.trend.group_values import KEYS

# That all intervals of a comparison hold the true value, and that a detectable change is detected. Chosen: by custom.
CONFIDENCE = 0.95
NORMAL = stats.norm.ppf(0.5 + CONFIDENCE / 2)  # standard errors in half of the interval that the report prints


def with_intervals(made: pd.DataFrame) -> pd.DataFrame:
    """Add the simultaneous intervals of each comparison, the detectable change and the verdict.

    Parameters
    ----------
    made : pd.DataFrame
        One row a quantity of a comparison: KEYS, `against`, `estimate` (change; of a logarithm where `reference` is
        known), `se` (its standard error; NaN: no verdict), `df` (degrees of freedom of `se`), `reference` (value
        compared with, for logarithms; else NaN).

    Returns
    -------
    pd.DataFrame
        The same rows with `change_low`, `change_high`, `detectable`, `verdict`. A true change of the size `detectable`
        gets a verdict with the probability CONFIDENCE or more, for the better and for the worse. (For a spread the
        change for the worse is the larger one and is given.)
    """
    estimate, se, reference, df = (made[name].astype(float) for name in ("estimate", "se", "reference", "df"))
    n_looks = se.groupby([made[key] for key in (*KEYS, "against")]).transform("count").clip(lower=1)
    reach = stats.t.ppf(1 - (1 - CONFIDENCE) / (2 * n_looks), df) * se
    seen = reach + stats.t.ppf(CONFIDENCE, df) * se

    def on_scale(change):
        return (reference * np.expm1(change)).where(reference.notna(), change)

    low, high = on_scale(estimate - reach), on_scale(estimate + reach)
    words = np.select([high < 0, low > 0, se.notna()], ["better", "worse", "no clear change"], "")
    return made.assign(change_low=low, change_high=high, detectable=on_scale(seen), verdict=words)
