"""Compare the level and the sound that each microphone gave: was it moved or exchanged, was its gain touched?

The times of a microphone that was moved cannot be compared with those of before. Its level and its sound (the level in
12 bands, less their mean) are: both vary little from take to take of one day, and that variation is the scale.
"""

import numpy as np
import pandas as pd
from scipy import stats

from pipeline.trend.changes.before_and_now import COLUMNS

# A change below it is never called: another crew, another temperature, a loose cable tie; chosen, no source.
LEAST_DB = {"level": 1.5, "sound": 1.0}
TOUCHED = 4.0  # times the middle standard deviation between takes: of chance in 1 of 10 000 (normal, two takes)
FEWEST_CHANNELS = 3  # of a rig, from which on what all have in common can be told from what one does alone


def microphones(before: pd.DataFrame, now: pd.DataFrame, scale: dict[str, tuple]) -> pd.DataFrame:
    """Return level and sound of each channel, the middle one of its strikers, and the level of each rig as a whole.

    Where a rig has FEWEST_CHANNELS or more, a channel's level is told against the middle change of all: what all have
    in common is the crew's, or the gain of all, and stands in the row of the rig.

    Parameters
    ----------
    before, now : pd.DataFrame
        The groups' rows of the contract 'strikers', with `n_takes`.
    scale : dict of str to (float, float)
        Of `take_sds`.
    """
    if not len(before) or not len(now):
        return pd.DataFrame(columns=COLUMNS)
    both = before.merge(now, on=["striker", "rig", "channel"], suffixes=("_was", ""))
    both = both[both["rig"].notna() & both["level_db"].notna() & both["level_db_was"].notna()]
    rows = []
    for rig, of_rig in both.groupby("rig"):
        louder = (of_rig["level_db"] - of_rig["level_db_was"]).groupby(of_rig["channel"]).median()
        whole = len(louder) >= FEWEST_CHANNELS
        common = float(louder.median()) if whole else 0.0
        if whole:
            rows.append(_whole(rig, of_rig, common, scale))
        for channel, mine in of_rig.groupby("channel"):
            thing = f"{rig}, channel {int(channel)}"
            rows.append(_level(thing, mine, louder[channel] - common, scale["level" if whole else "raw"]))
            rows.append(_sound(thing, mine, scale["sound"]))
    return pd.DataFrame(rows, columns=COLUMNS)


def take_sds(strikers: pd.DataFrame) -> dict[str, tuple[float, float]]:
    """Return standard deviations between takes, over strikers and groups, with their degrees of freedom.

    The middle one of all strikers and groups counts: a gain that was touched between two takes is none of chance. It
    is as good as a mean square of about half as many (efficiency of a median of squares, 0.4 to 0.6).

    Parameters
    ----------
    strikers : pd.DataFrame
        Contract 'strikers', with `n_takes`: used takes of the group of each row.

    Returns
    -------
    dict of str to (float, float)
        'level' of a channel against the others, 'sound', 'common' to all channels, and 'raw': level with the common.
    """
    several = strikers[strikers["n_takes"] > 1]
    of_group = several.drop_duplicates(["arrangement", "build_day", "session", "setup"])
    level = _middle(several, "level_take_sd_db")
    common = _middle(of_group, "level_common_take_sd_db")
    raw = np.hypot(level[0], np.nan_to_num(common[0])), common[1] if np.isfinite(common[0]) else level[1]
    return {"level": level, "sound": _middle(several, "sound_take_sd_db"), "common": common, "raw": raw}


def _middle(rows: pd.DataFrame, name: str) -> tuple[float, float]:
    known = rows[rows[name].notna()]
    if not len(known):
        return np.nan, 0.0
    df = (known["n_takes"] - 1).to_numpy(float)
    variances = known[name].to_numpy(float) ** 2 * df / stats.chi2.median(df)
    return float(np.sqrt(np.median(variances))), max(1.0, df.sum() / 2)


def _whole(rig: str, of_rig: pd.DataFrame, common: float, scale: dict) -> dict:
    sd, df = scale["common"]
    row = _row(f"{rig}, all channels", "level", of_rig, sd, df)
    return row | {"before": of_rig["level_db_was"].median(), "after": of_rig["level_db"].median(), "change": common}


def _level(thing: str, mine: pd.DataFrame, louder: float, scale: tuple[float, float]) -> dict:
    sd, df = scale
    own = [*mine["level_take_sd_db"].astype(float).dropna(), *mine["level_take_sd_db_was"].astype(float).dropna()]
    # A channel whose gain was touched between two takes of a day is judged by its own takes.
    sd = max([sd, *(one for one in own if one > TOUCHED * sd)])
    row = _row(thing, "level", mine, sd, df)
    return row | {"before": mine["level_db_was"].median(), "after": mine["level_db"].median(), "change": louder}


def _sound(thing: str, mine: pd.DataFrame, scale: tuple[float, float]) -> dict:
    sd, df = scale
    row = _row(thing, "sound", mine, sd, df)
    apart = [_apart_db(old, new) for old, new in zip(mine["sound_db_was"], mine["sound_db"], strict=True)]
    apart = [one for one in apart if np.isfinite(one)]
    if not apart or not np.isfinite(sd):
        return row | {"told": False}
    size = float(np.median(apart))
    return row | {"before": 0.0, "after": size, "change": size}


def _row(thing: str, quantity: str, mine: pd.DataFrame, sd: float, df: float) -> dict:
    row = dict.fromkeys(COLUMNS) | {"kind": "microphone", "thing": thing, "quantity": quantity, "unit": "dB"}
    row |= {"family": "microphones", "told": df > 0, "out_before": False, "out_after": False, "df": max(df, 1.0)}
    takes = 1 / mine["n_takes_was"].iloc[0] + 1 / mine["n_takes"].iloc[0]
    row |= {"striker": mine["striker"].iloc[0] if len(mine) == 1 else None, "least": LEAST_DB[quantity]}
    return row | {"change_se": sd * np.sqrt(takes)}


def _apart_db(old, new) -> float:
    """Return the root mean square distance of two sounds over the bands."""
    if old is None or new is None:
        return np.nan
    return float(np.sqrt(np.mean((np.asarray(new, float) - np.asarray(old, float)) ** 2)))
