"""Estimate each group's value of a quantity, and its variance, from the takes of the group.

In: the table of recordings. Out: one row a group. The variance between takes is pooled over all groups of an
arrangement that have two takes or more, so that a day with one take can be compared, too. Takes of a clock test and of
a song vary by different amounts, so each arrangement has a pool of its own. Without a pool there is no verdict.
"""

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import tables

KEYS = list(tables.GROUP_KEYS)  # a list: pandas takes a tuple for one name


def used_takes(recordings: pa.Table) -> pd.DataFrame:
    """Return the rows of the table 'recordings' that are not refused."""
    frame = recordings.to_pandas()
    return frame[frame["status"] == "used"]


def logarithms(values: pd.Series) -> pd.Series:
    """Return the logarithms of the values that are known and above 0, (n,) series."""
    return np.log(values.astype(float).where(values > 0)).dropna()


def spreads(takes: pd.DataFrame, quantity: str) -> tuple[pd.DataFrame, float]:
    """Return the mean logarithm of a spread or loss in each group, and its variance.

    Parameters
    ----------
    takes : pd.DataFrame
        Of one arrangement; rows of the contract 'recordings'. A value of 0 or below is left out.
    quantity : str
        Column of `takes`. If there is a column `<quantity>_se`, it is added to the variance: all takes of a group share
        one fit, so its error neither shows between them nor averages out.

    Returns
    -------
    groups : pd.DataFrame
        One row a group: KEYS, `mean` (of the logarithms), `variance` (of that mean; NaN without a pool), `size`
        (takes), `of_takes` (the part of the variance that takes make), `value` (geometric mean, in the unit of the
        quantity), `value_se`.
    df : float
        Degrees of freedom of the pooled variance; NaN without a pool.
    """
    logs = logarithms(takes[quantity])
    groups = (
        takes.loc[logs.index, KEYS].assign(log=logs).groupby(KEYS)["log"].agg(["mean", "var", "size"]).reset_index()
    )
    several = groups[groups["size"] > 1]
    df = float((several["size"] - 1).sum())
    pooled = float(((several["size"] - 1) * several["var"]).sum() / df) if df else 0.0
    # Takes that are equal to the last digit are copies of one take: they tell nothing of the variation between takes.
    df, pooled = (df, pooled) if pooled > 0 else (np.nan, np.nan)
    groups["value"], groups["variance"] = np.exp(groups["mean"]), pooled / groups["size"]
    groups["of_takes"] = groups["variance"]
    if f"{quantity}_se" in takes:
        error = takes.loc[logs.index, [*KEYS, f"{quantity}_se"]].groupby(KEYS)[f"{quantity}_se"].mean().reset_index()
        groups["variance"] += (error[f"{quantity}_se"].fillna(0.0).astype(float) / groups["value"]) ** 2
    return groups.assign(value_se=groups["value"] * np.sqrt(groups["variance"])), df


def rates(takes: pd.DataFrame, count: str) -> tuple[pd.DataFrame, float]:
    """Return the rate of an event per note in each group, and its variance.

    Counts vary between takes as a Poisson variable does, or more: the variance is multiplied by the dispersion pooled
    over the groups, at least 1 (Wedderburn 1974, Biometrika 61).

    Parameters
    ----------
    takes : pd.DataFrame
        Of one arrangement; rows of the contract 'recordings'. A take without notes is left out.
    count : str
        Column of `takes` that counts the event.

    Returns
    -------
    groups : pd.DataFrame
        One row a group: KEYS, `value` (events per note), `variance` (of it; NaN without a pool), `value_se`, `n`
        (events), `notes`, `size` (takes).
    df : float
        Degrees of freedom of the dispersion; NaN without a pool.
    """
    summed, varied = _summed(takes, count), dispersion(takes, count)
    df = varied[1] or float((summed["size"] - 1).sum())
    summed["value"] = summed["n"] / summed["notes"]
    # Half an event more, so that a group without any does not have the variance 0.
    summed["variance"] = varied[0] * (summed["n"] + 0.5) / summed["notes"] ** 2 if df else np.nan
    return summed.assign(value_se=np.sqrt(summed["variance"])), df or np.nan


def dispersion(takes: pd.DataFrame, count: str) -> tuple[float, float]:
    """Return by how much counts vary more between the takes of a group than Poisson variables, at least 1.

    Parameters
    ----------
    takes, count
        As of `rates`.

    Returns
    -------
    dispersion : float
        Pooled over the groups; 1 where nothing tells.
    df : float
        Its degrees of freedom.
    """
    summed = _summed(takes, count)
    of_group = takes[takes["n_notes"] > 0].merge(summed, on=KEYS)
    expected = of_group["n"] / of_group["notes"] * of_group["n_notes"]
    misfit = ((of_group[count] - expected) ** 2 / expected)[expected > 0].sum()
    # A group without any event tells nothing of the dispersion.
    df = float((summed["size"] - 1)[summed["n"] > 0].sum())
    return (max(1.0, misfit / df) if df else 1.0), df


def _summed(takes: pd.DataFrame, count: str) -> pd.DataFrame:
    """Return events, notes and takes of each group."""
    groups = takes[takes["n_notes"] > 0].groupby(KEYS)
    return groups.agg(n=(count, "sum"), notes=("n_notes", "sum"), size=("n_notes", "size")).reset_index()
