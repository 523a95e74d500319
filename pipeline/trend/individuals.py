"""Put all takes of an arrangement on one individuals chart: which take stands apart from those around it?

In: the table of recordings and the table 'trend'. Out: the table 'takes'.

The limits are those of the individuals chart (NIST/SEMATECH e-Handbook 6.3.2.2; Shewhart 1931): mean ± 2.66 × mean
moving range. Two deviations. Spreads are charted by their logarithms, as they are compared in 'trend'. And where a
build day changed the quantity for better or worse, a new stretch begins with a mean of its own, and no moving range
reaches over that border: else a mended machine would make all takes before it stand apart.
"""

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import tables
from pipeline.settings import Settings
from pipeline.trend import group_values
from pipeline.trend.group_values import KEYS

QUANTITIES = ("felt_sd_s", "steady_1")
OF_MOVING_RANGE = 2.66  # 3 / 1.128, three standard deviations by the mean range of two (NIST/SEMATECH 6.3.2.2)
FEWEST_RANGES = 6  # moving ranges from which on there are limits: of fewer the mean is too uncertain; chosen
FEWEST_TAKES = 4  # of a stretch: a take among fewer pulls the mean to itself; chosen


def takes(settings: Settings, recordings: pa.Table, trend: pa.Table) -> pa.Table:
    """Return each used take with the limits of its stretch, and what sets it apart where it lies outside.

    Parameters
    ----------
    settings : Settings
        Says who played and with which microphones.
    recordings, trend : pa.Table
        Contracts of these names.

    Returns
    -------
    pa.Table
        Contract 'takes'; no row of a quantity without limits.
    """
    told = {take.recording: (place, take) for place, take in enumerate(settings.recordings)}
    used = group_values.used_takes(recordings)
    used = used.assign(place=used["recording"].map(lambda name: told[name][0]))
    compared = trend.to_pandas()
    made = [pd.DataFrame(columns=tables.CONTRACTS["takes"].schema.names)]
    for (_, quantity), of_song in _charts(used):
        changed = compared[compared["quantity"].eq(quantity) & compared["against"].eq("previous")]
        rows = _charted(of_song, quantity, changed)
        if len(rows):
            made.append(rows.assign(sets_apart=[_sets_apart(row, rows, told) for row in rows.itertuples()]))
    every = pd.concat(made)
    return tables.build("takes", {name: every[name].to_list() for name in made[0].columns})


def limits(values: np.ndarray, stretch: np.ndarray) -> tuple[np.ndarray, float]:
    """Return the mean of each value's stretch, and 2.66 × the mean moving range within the stretches.

    Parameters
    ----------
    values : np.ndarray, shape=(n,)
        In the order in which they came.
    stretch : np.ndarray of int, shape=(n,)

    Returns
    -------
    mean : np.ndarray, shape=(n,)
    reach : float
        NaN with fewer than FEWEST_RANGES ranges, or where all are 0.
    """
    of_stretch = pd.Series(values).groupby(stretch)
    ranges = of_stretch.diff().abs().dropna()
    reach = OF_MOVING_RANGE * ranges.mean() if len(ranges) >= FEWEST_RANGES and ranges.any() else np.nan
    return of_stretch.transform("mean").to_numpy(), float(reach)


def _charts(used: pd.DataFrame):
    """Yield (arrangement, quantity) and the takes in which it is known, in their order."""
    for arrangement, of_song in used.groupby("arrangement"):
        for quantity in QUANTITIES:
            known = of_song.loc[group_values.logarithms(of_song[quantity]).index]
            yield (arrangement, quantity), known.sort_values(["build_day", "session", "place"])


def _charted(takes: pd.DataFrame, quantity: str, changed: pd.DataFrame) -> pd.DataFrame:
    values = np.log(takes[quantity].astype(float).to_numpy())
    begun = {tuple(row) for row in changed.loc[changed["verdict"].isin(["better", "worse"]), KEYS].to_numpy()}
    groups = [tuple(row) for row in takes[KEYS].to_numpy()]
    new = [k > 0 and group != groups[k - 1] and group in begun for k, group in enumerate(groups)]
    stretch = np.cumsum(new)
    mean, reach = limits(values, stretch)
    if not np.isfinite(reach):
        return pd.DataFrame()
    few = np.bincount(stretch)[stretch] < FEWEST_TAKES
    made = takes[[*KEYS, "recording", "health"]].assign(quantity=quantity, stretch=stretch + 1, value=np.exp(values))
    made = made.assign(middle=np.exp(mean), limit_low=np.exp(mean - reach), limit_high=np.exp(mean + reach))
    return made.assign(apart=(np.abs(values - mean) > reach) & ~few, place=np.arange(len(takes)))


def _sets_apart(row, rows: pd.DataFrame, told: dict) -> list[str]:
    """Return what this take has and fewer than half of its stretch: crew, microphones, first of its day, faults.

    A crew or a microphone set-up that the list does not tell is not another one. The first of a day is that of all
    takes in the list, those too that were refused or played something else.
    """
    if not row.apart:
        return []
    others = rows[(rows["stretch"] == row.stretch) & (rows["recording"] != row.recording)]
    mine, theirs = told[row.recording][1], [told[name][1] for name in others["recording"]]
    found = [what for what, of in (("crew", "crew"), ("microphones", "rig")) if _is_another(mine, theirs, of)]
    of_day = [(take.session, place) for place, take in told.values() if take.build_day == mine.build_day]
    if (mine.session, told[row.recording][0]) == min(of_day):
        found.append("first of the day")
    faults = [_fault_names(health) for health in others["health"]]
    return found + [
        f"fault: {name}" for name in _fault_names(row.health) if np.mean([name in one for one in faults]) < 0.5
    ]


def _is_another(mine, theirs, of: str) -> bool:
    value, known = getattr(mine, of), [getattr(take, of) for take in theirs if getattr(take, of)]
    return bool(value and known) and np.mean([one == value for one in known]) < 0.5


def _fault_names(health) -> list[str]:
    return list(dict.fromkeys(one.partition(":")[0] for one in health))
