"""Compare the level and the sound that each microphone gave: was it moved or exchanged, was its gain touched?

The times of a microphone that was moved cannot be compared with those of before. Its level and its sound (the level in
12 bands, less their mean) are: both vary little from take to take of one day, and that variation is the scale.
"""

import numpy as np
import pandas as pd

from pipeline.trend.changes.pairs import Pair
from pipeline.trend.changes.things import COLUMNS

# A change below it is never called: another crew, another temperature, a loose cable tie; chosen, no source.
LEAST_DB = {"level": 1.5, "sound": 2.0}


def microphones(pair: Pair, before: pd.DataFrame, now: pd.DataFrame, take_sd: dict[str, tuple]) -> pd.DataFrame:
    """Return level and sound of each channel, the middle one of its strikers.

    Parameters
    ----------
    before, now : pd.DataFrame
        The groups' rows of the contract 'strikers'.
    take_sd : dict of str to (float, float)
        For 'level' and 'sound': standard deviation between takes, dB, and its degrees of freedom.
    """
    if not len(before) or not len(now):
        return pd.DataFrame(columns=COLUMNS)
    both = before.merge(now, on=["striker", "rig", "channel"], suffixes=("_was", ""))
    both = both[both["rig"].notna() & both["level_db"].notna() & both["level_db_was"].notna()]
    rows = []
    for (rig, channel), mine in both.groupby(["rig", "channel"]):
        rows += [_row(f"{rig}, channel {int(channel)}", quantity, mine, take_sd[quantity]) for quantity in LEAST_DB]
    return pd.DataFrame(rows, columns=COLUMNS)


def take_sds(strikers: pd.DataFrame, n_takes: pd.Series) -> dict[str, tuple[float, float]]:
    """Return the standard deviations between takes, pooled over strikers and groups, with their degrees of freedom.

    All strikers of a take share its mood: their deviations are not independent, and a group counts n − 1 once.

    Parameters
    ----------
    strikers : pd.DataFrame
        Contract 'strikers'.
    n_takes : pd.Series
        Used takes of the group of each row.
    """
    pooled = {}
    for quantity in LEAST_DB:
        sd = strikers[f"{quantity}_take_sd_db"].astype(float)
        known = sd.notna() & (n_takes > 1)
        weight = (n_takes - 1)[known]
        mean = float(np.sqrt(np.average(sd[known] ** 2, weights=weight))) if known.any() else np.nan
        groups = strikers.loc[known, ["arrangement", "build_day", "session", "setup"]].drop_duplicates().index
        pooled[quantity] = mean, float(weight.reindex(groups).sum())
    return pooled


def _row(thing: str, quantity: str, mine: pd.DataFrame, take_sd: tuple[float, float]) -> dict:
    sd, df = take_sd
    row = dict.fromkeys(COLUMNS) | {"kind": "microphone", "thing": thing, "quantity": quantity, "unit": "dB"}
    row |= {"family": "microphones", "told": df > 0, "out_before": False, "out_after": False, "df": max(df, 1.0)}
    row |= {"striker": mine["striker"].iloc[0] if len(mine) == 1 else None}
    takes = 1 / mine["n_takes_was"].iloc[0] + 1 / mine["n_takes"].iloc[0]
    if quantity == "level":
        row |= {"before": mine["level_db_was"].median(), "after": mine["level_db"].median()}
        size = float((mine["level_db"] - mine["level_db_was"]).median())
    else:
        apart = [_apart_db(old, new) for old, new in zip(mine["sound_db_was"], mine["sound_db"], strict=True)]
        # Two equal sounds lie apart by their variation, too.
        size = float(np.sqrt(np.maximum(np.nanmedian(np.square(apart)) - sd**2 * takes, 0.0)))
        row |= {"before": 0.0, "after": size}
    return row | {"change": size, "change_se": sd * np.sqrt(takes), "least": LEAST_DB[quantity]}


def _apart_db(old, new) -> float:
    """Return the root mean square distance of two sounds over the bands."""
    if old is None or new is None:
        return np.nan
    return float(np.sqrt(np.mean((np.asarray(new, float) - np.asarray(old, float)) ** 2)))
