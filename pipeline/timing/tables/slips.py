"""List the slips: places at which the barrel fell behind, or came ahead, at once; and whether the click did so too.

A block of samples that a recording loses or doubles moves all later strikes as a slip does, and the click with them; a
slip of the machine leaves the click alone.
"""

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import settings, tables
from pipeline.timing.data.takes import Take
from pipeline.timing.fitting.fit import Fit
from pipeline.timing.tables import group_keys

AROUND = 12  # clicks to either side that tell whether the click steps
FEWEST = 3  # to either side
EVEN = 0.02  # of the interval: clicks that stray more from their straight row are no metronome's
SAME_BEAT = 2.0  # between slips of takes at one place: a rest may hide where one lies (`slip_search.LONGEST_BEAT`)
TELLS = 4.0  # by how much the error of the click's step must be smaller than the slip


def slips(group: settings.Group, takes: list[Take], fitted: Fit) -> pa.Table:
    """Return the table 'slips'. Their part of the lateness is with the motion."""
    found = fitted.slips
    if not len(found):
        return tables.empty("slips")
    step_s = np.array([_told_step_s(takes[row.take], row) for row in found.itertuples()])
    columns = {name: found[name].to_numpy() for name in found if name not in ("take", "line")}
    columns |= {
        "recording": [takes[number].recording.recording for number in found["take"]],
        "click_step_s": step_s,
        "common_place": _common_places(found, fitted.hits),
        "cause": [_cause(size_s, one) for size_s, one in zip(found["size_s"], step_s, strict=True)],
    }
    return tables.build("slips", group_keys.of_group(group, len(found)) | columns)


def _common_places(found: pd.DataFrame, hits: pd.DataFrame) -> list[int | None]:
    """Return the number of the place of each slip at which every take slips the same way; None for the others.

    Parameters
    ----------
    found : pd.DataFrame
        `Fit.slips`.
    hits : pd.DataFrame
        `Fit.hits`: a take that never comes by a place says nothing of it.
    """
    ends = hits.groupby("take")["score_beat"].agg(["min", "max"])
    order = np.lexsort([found["score_beat"], found["size_s"] > 0])
    beat, way = found["score_beat"].to_numpy()[order], (found["size_s"] > 0).to_numpy()[order]
    apart = (np.diff(beat) > SAME_BEAT) | (np.diff(way.astype(int)) != 0)
    number, places = 0, [None] * len(found)
    for rows in np.split(order, np.flatnonzero(apart) + 1):
        mine = found.iloc[rows]
        by = ends[(ends["min"] < mine["score_beat"].min()) & (ends["max"] >= mine["score_beat"].max())]
        if len(by) > 1 and set(by.index) <= set(mine["take"]):
            number += 1
            for row in rows:
                places[row] = number
    return places


def click_step_s(click_s, before_s: float, after_s: float) -> tuple[float, float]:
    """Return by how much later the click comes from between two times on, and its standard error; NaN if nobody knows.

    Least squares of a straight row and a step, through the clicks around; missing ones are counted.

    Parameters
    ----------
    click_s : np.ndarray, shape=(n,), sorted
    before_s, after_s : float
        A click between them may lie to either side of the step and is left out.
    """
    early = click_s[click_s <= before_s][-AROUND:]
    late = click_s[click_s >= after_s][:AROUND]
    if min(len(early), len(late)) < FEWEST:
        return np.nan, np.nan
    near_s = np.concatenate([early, late])
    interval_s = np.median(np.diff(near_s))
    count = np.concatenate([[0.0], np.cumsum(np.round(np.diff(near_s) / interval_s))])
    row = np.column_stack([np.ones(len(count)), count, near_s >= after_s])
    found, *_ = np.linalg.lstsq(row, near_s, rcond=None)
    rest_s = near_s - row @ found
    spread_s = np.sqrt(rest_s @ rest_s / max(len(near_s) - 3, 1))
    if spread_s > EVEN * interval_s:
        return np.nan, np.nan
    return float(found[2]), float(spread_s * np.sqrt(np.linalg.inv(row.T @ row)[2, 2]))


def _told_step_s(take, slip):
    """Return the click's step at a slip; NaN where no click tells it well enough."""
    hits = take.hits.select(["hit_s", "kind"]).to_pandas()
    click_s = np.sort(hits.loc[hits["kind"] == "click", "hit_s"].to_numpy())
    step_s, error_s = click_step_s(click_s, slip.before_s, slip.after_s)
    return step_s if error_s * TELLS < abs(slip.size_s) else np.nan


def _cause(size_s, step_s):
    if abs(step_s - size_s) < abs(size_s) / 2:
        return "recording"
    return "machine" if abs(step_s) < abs(size_s) / 2 else "unknown"
