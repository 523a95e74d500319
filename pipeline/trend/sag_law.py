"""Test on the measured set-ups whether the loss of speed falls as 1/inertia, and predict losses if it does.

In: mean logarithm of the loss in each group, with its variance; inertia of each set-up. Out: the word `sag_law`, and
the predicted loss of each set-up with its standard error.

The speed that one strike takes falls as 1/inertia. The loss over a long loaded passage need not: it ends where the push
of the crew balances the strikes, whatever the inertia. So the law is tested before it is used.
"""

import numpy as np
import pandas as pd
from scipy import stats

from pipeline.trend.intervals import CONFIDENCE

NORMAL = stats.norm.ppf(0.5 + CONFIDENCE / 2)  # standard errors in half of the interval that the report prints


def with_predictions(rows: list[dict], groups: pd.DataFrame) -> list[dict]:
    """Add the standard error of each measured loss, the word `sag_law` and, if it holds, the predicted losses.

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
        New rows, with `sag_law`, `sag_max_se`, `sag_max_predicted`, `sag_max_predicted_se` as far as they are known.
    """
    inertia = {row["setup"]: row.get("inertia_at_barrel_kg_m2", np.nan) for row in rows}
    groups = groups.assign(x=np.log(groups["setup"].map(inertia).astype(float)))
    takes_se = groups["size"] ** 2 * groups["variance"]
    groups, df = _between_days(groups)
    law, slope_se = _law(groups.dropna(subset=["x", "variance"]), df)
    wide = stats.t.ppf(0.5 + CONFIDENCE / 2, df) / NORMAL  # for an interval of ±1.96
    made = []
    for row in rows:
        own = groups[groups["setup"] == row["setup"]]
        others = groups[groups["setup"] != row["setup"]].dropna(subset=["x", "variance"])
        row = row | {"sag_law": law}
        if len(own):
            row["sag_max_se"] = row["sag_max"] * np.sqrt(takes_se[own.index].sum(skipna=False)) / own["size"].sum()
        if law == "holds" and len(others) and not np.isnan(inertia[row["setup"]]):
            loss, loss_se = _predicted(np.log(inertia[row["setup"]]), others, slope_se, wide)
            row |= {"sag_max_predicted": loss, "sag_max_predicted_se": loss_se}
        made.append(row)
    return made


def _predicted(x: float, others: pd.DataFrame, slope_se: float, wide: float) -> tuple[float, float]:
    """Return the loss on one more build day at log inertia `x`, and its standard error, from the other set-ups.

    Three variances add up: that of the mean of the others, that of the slope, and that of a single day. The standard
    error is multiplied by `wide`, so that ±1.96 of it is the interval of Student's t.
    """
    weight = 1 / others["variance"]
    centre, mean = (np.average(others[name], weights=weight) for name in ("x", "mean"))
    variance = 1 / weight.sum() + (slope_se * (x - centre)) ** 2 + others["variance"].mean()
    loss = np.exp(mean - (x - centre))
    return loss, loss * wide * np.sqrt(variance)


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


def _law(groups: pd.DataFrame, df: float) -> tuple[str, float]:
    """Return the word of `sag_law`, and the standard error of the slope of log loss over log inertia.

    The law says that the slope is −1. It is contradicted if the interval of the slope does not contain −1. It holds if
    the interval contains −1 and not 0; with both in it the law cannot be told from no effect at all.
    """
    if groups["x"].nunique() < 2:
        return "cannot tell", np.nan
    weight = 1 / groups["variance"]
    x = groups["x"] - np.average(groups["x"], weights=weight)
    slope, slope_se = (weight * x * groups["mean"]).sum() / (weight * x**2).sum(), (weight * x**2).sum() ** -0.5
    reach = stats.t.ppf(0.5 + CONFIDENCE / 2, df) * slope_se
    if abs(slope + 1) > reach:
        return "contradicted", slope_se
    return ("holds" if slope < -reach else "cannot tell"), slope_se
