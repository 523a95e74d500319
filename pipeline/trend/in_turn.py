"""Compare two set-ups that were played in turn on a day: neighbouring takes against one another, the day's drift apart.

In: takes in the order of the list. Out: the change between the set-ups, its standard error and degrees of freedom.

In turn means that the takes of the two, cut into twos, hold both in every two: A B A B, A B B A. Which days those are
is told by the list alone, before any result is seen; refused takes count. All such days of the two set-ups are taken
together, each with a mean of its own and, from three takes on, a steady drift of its own (least squares; analysis of
covariance, Fisher 1932). So a day that warms up or tires moves no verdict, where A A B B would take the drift for the
set-up. Of days with one take of each it is Student's paired t (1908); the one must have come first as often as the
other, else the drift would count for the set-up. On a day of n pairs this leaves 2n − 3 degrees of freedom, where the
paired t of its pairs has n − 1 and takes the drift within the pairs of A B A B for the set-up.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.trend import group_values
from pipeline.trend.group_values import KEYS

WITH_DRIFT = 3  # takes of a day from which on its drift is taken out


@dataclass(frozen=True)
class Turns:
    """The takes of two set-ups on the days on which they were played in turn.

    Parameters
    ----------
    takes : pd.DataFrame
        KEYS, `recording`, `place` (in the order of its day) and `side` (½: the set-up now; −½: the other).
    """

    takes: pd.DataFrame

    @property
    def n_pairs(self) -> int:
        """Count the twos."""
        return int((self.takes.groupby("build_day").size() // 2).sum())

    @property
    def n_days(self) -> int:
        return self.takes["build_day"].nunique()


def turns(listed: pd.DataFrame, now: tuple, other: tuple) -> Turns | None:
    """Return the days on which the set-ups of two groups of one day were played in turn, up to that day.

    Parameters
    ----------
    listed : pd.DataFrame
        All takes of one arrangement, refused ones too, in the order of the list.
    now, other : tuple
        The groups (KEYS).

    Returns
    -------
    Turns or None
        None where that day is not among them.
    """
    (_, day, _, setup), (_, other_day, _, other_setup) = now, other
    if day != other_day or setup == other_setup:
        return None
    ordered = listed.sort_values(["build_day", "session"], kind="stable")
    ordered = ordered.assign(place=ordered.groupby("build_day").cumcount())
    mine = ordered[ordered["setup"].isin((setup, other_setup)) & (ordered["build_day"] <= day)]
    mine = mine.assign(side=np.where(mine["setup"].eq(setup), 0.5, -0.5))
    days = [takes for _, takes in mine.groupby("build_day") if _alternate(takes["side"].to_numpy())]
    kept = _balanced(days)
    if not kept or kept[-1]["build_day"].iloc[0] != day:
        return None
    return Turns(pd.concat(kept)[[*KEYS, "recording", "place", "side"]])


def spread(turns: Turns, used: pd.DataFrame, quantity: str) -> dict:
    """Return the change of the logarithm of a spread: `estimate`, `se`, `take_se`, `df`; {} where it cannot be told.

    The variance is what the takes are off this model, pooled with what the takes of all other groups are off their
    means, as in `group_values.spreads`.
    """
    logs = group_values.logarithms(used.set_index("recording")[quantity])
    fitted = _fitted(turns, logs)
    if fitted is None:
        return {}
    takes, estimate, weight, squares, df = fitted
    others = used[~used["recording"].isin(turns.takes["recording"]) & used["recording"].isin(logs.index)]
    values = others.assign(log=logs.reindex(others["recording"]).to_numpy()).groupby(KEYS)["log"]
    squares, df = squares + float((values.var() * (values.size() - 1)).sum()), df + float((values.size() - 1).sum())
    if not df or not squares > 0:
        return {"estimate": estimate, "se": np.nan, "take_se": np.nan, "df": np.nan}
    take_se = np.sqrt(squares / df)
    variance = take_se**2 * weight @ weight
    if f"{quantity}_se" in used:
        # The takes of a group share the error of its fit.
        of_take = used.set_index("recording").reindex(takes["recording"])
        share = (of_take[f"{quantity}_se"].astype(float).fillna(0.0) / of_take[quantity].astype(float)).to_numpy()
        variance += float((takes[KEYS].assign(error=weight * share).groupby(KEYS)["error"].sum() ** 2).sum())
    return {"estimate": estimate, "se": np.sqrt(variance), "take_se": take_se, "df": df}


def rate(turns: Turns, used: pd.DataFrame, count: str, groups: pd.DataFrame) -> dict:
    """Return the change of a rate per note, as `spread`; its variance is that of `groups` (`group_values.rates`)."""
    counted = used[used["n_notes"] > 0].set_index("recording")
    fitted = _fitted(turns, (counted[count] / counted["n_notes"]).astype(float))
    if fitted is None:
        return {}
    takes, estimate, weight, *_ = fitted
    of_take = takes[KEYS].merge(groups, on=KEYS, how="left")
    own = counted["n_notes"].reindex(takes["recording"]).to_numpy(float)
    variance = of_take["variance"].to_numpy(float) * of_take["notes"].to_numpy(float) / own
    se = float(np.sqrt(weight**2 @ variance))
    return {"estimate": estimate, "se": se, "take_se": se / float(np.sqrt(weight @ weight))}


def _alternate(side: np.ndarray) -> bool:
    """Tell whether every two holds both, and more takes than two change the set-up twice: A B B does not."""
    twos = side[: len(side) // 2 * 2].reshape(-1, 2)
    changes = np.count_nonzero(np.diff(side))
    return bool(len(twos) and (twos.sum(axis=1) == 0).all() and changes >= min(2, len(side) - 1))


def _balanced(days: list[pd.DataFrame]) -> list[pd.DataFrame]:
    """Return the days, and of those of one pair as many newest ones of either order."""
    pairs = [day for day in days if len(day) < WITH_DRIFT]
    orders = [[day for day in pairs if day["side"].iloc[0] == first] for first in (-0.5, 0.5)]
    each = min(map(len, orders))
    kept = {day["build_day"].iloc[0] for order in orders for day in order[len(order) - each :]}
    return [day for day in days if len(day) >= WITH_DRIFT or day["build_day"].iloc[0] in kept]


def _fitted(turns: Turns, values: pd.Series) -> tuple | None:
    """Fit days, drifts and the change; return takes, change, the takes' weights in it, squares left and their df.

    None where no day has takes enough.
    """
    known = turns.takes[turns.takes["recording"].isin(values.index)]
    days = []
    for day, takes in known.groupby("build_day"):
        listed = int(turns.takes["build_day"].eq(day).sum())
        if takes["side"].nunique() == 2 and len(takes) >= min(listed, WITH_DRIFT):
            days.append(takes)
    days = _balanced(days)
    if not days:
        return None
    takes = pd.concat(days)
    y = values.reindex(takes["recording"]).to_numpy(float)
    design = _design(takes)
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    weights = np.linalg.pinv(design)
    left = y - design @ (weights @ y)
    return takes, float(weights[0] @ y), weights[0], float(left @ left), len(y) - design.shape[1]


def _design(takes: pd.DataFrame) -> np.ndarray:
    """Return one row a take: side, then mean and, of days with three takes or more, drift of each day."""
    columns = [takes["side"].to_numpy()]
    for day, own in takes.groupby("build_day"):
        on = takes["build_day"].eq(day).to_numpy(float)
        columns.append(on)
        if len(own) >= WITH_DRIFT:
            columns.append(on * (takes["place"] - own["place"].mean()).to_numpy(float))
    return np.column_stack(columns)
