"""Test on the measured set-ups whether the loss of speed falls as 1/inertia.

In: mean logarithm of the loss in each group, with its variance; inertia of each set-up. Out: the word `sag_law`.

The speed that one strike takes falls as 1/inertia. The loss over a long loaded passage need not: it ends where the push
of the crew balances the strikes, whatever the inertia. `foreseen` counts that in; the law is what a builder expects.
"""

import numpy as np
import pandas as pd
from scipy import stats

from pipeline.trend.intervals import CONFIDENCE


def with_law(rows: list[dict], groups: pd.DataFrame) -> list[dict]:
    """Add the standard error of each measured loss and the word `sag_law`.

    Parameters
    ----------
    rows : list of dict
        Rows of the contract 'setups', of one arrangement: `setup`, `inertia_at_barrel_kg_m2` (may be missing),
        `sag_max`.
    groups : pd.DataFrame
        `group_values.spreads` of 'sag_max'.

    Returns
    -------
    list of dict
        New rows, with `sag_law`, and `sag_max_se` as far as it is known.
    """
    inertia = {row["setup"]: row.get("inertia_at_barrel_kg_m2", np.nan) for row in rows}
    groups = groups.assign(x=np.log(groups["setup"].map(inertia).astype(float)))
    takes_se = groups["size"] ** 2 * groups["variance"]
    groups, df = _between_days(groups)
    law = _law(groups.dropna(subset=["x", "variance"]), df)
    made = []
    for row in rows:
        own = groups[groups["setup"] == row["setup"]]
        row = row | {"sag_law": law}
        if len(own):
            row["sag_max_se"] = row["sag_max"] * np.sqrt(takes_se[own.index].sum(skipna=False)) / own["size"].sum()
        made.append(row)
    return made


def _between_days(groups: pd.DataFrame) -> tuple[pd.DataFrame, float]:
    """Multiply the variances by Birge's ratio, if days of one set-up differ more than their takes do.

    Birge's ratio (1932, Phys. Rev. 40) is the mean square of the groups' deviations from the mean of their set-up, over
    the variance that takes explain; at least 1. If no set-up was played in two groups it is unknown: the variances and
    the degrees of freedom are NaN.

    Returns
    -------
    groups : pd.DataFrame
    df : float
        Degrees of freedom of the ratio.
    """
    df = float(len(groups) - groups["setup"].nunique())
    if not df:
        return groups.assign(variance=np.nan), np.nan
    weight = 1 / groups["variance"]
    centre = (weight * groups["mean"]).groupby(groups["setup"]).transform("sum")
    centre /= weight.groupby(groups["setup"]).transform("sum")
    stretch = max(1.0, float((weight * (groups["mean"] - centre) ** 2).sum() / df))
    return groups.assign(variance=groups["variance"] * stretch), df


def _law(groups: pd.DataFrame, df: float) -> str:
    """Return the word of `sag_law`, by the slope of log loss over log inertia.

    The law says that the slope is −1. It is contradicted if the interval of the slope does not contain −1. It holds if
    the interval contains −1 and not 0; with both in it the law cannot be told from no effect at all.
    """
    if groups["x"].nunique() < 2:
        return "cannot tell"
    weight = 1 / groups["variance"]
    x = groups["x"] - np.average(groups["x"], weights=weight)
    slope, slope_se = (weight * x * groups["mean"]).sum() / (weight * x**2).sum(), (weight * x**2).sum() ** -0.5
    reach = stats.t.ppf(0.5 + CONFIDENCE / 2, df) * slope_se
    if abs(slope + 1) > reach:
        return "contradicted"
    return "holds" if slope < -reach else "cannot tell"
