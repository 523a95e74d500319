"""Say of every played note how late it was and why: on the ruler of the song, and on the felt one.

*Song*: against the click (its mean offset apart) or the straight line of the note's own segment. *Felt*: the strike
minus what the strikes of the bar before extrapolate to, by least squares; linear, so it splits into the same parts.
"""

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import settings, tables
from pipeline.timing import keys
from pipeline.timing.click import Click
from pipeline.timing.fit import Fit
from pipeline.timing.takes import Take

PARTS = ("motion", "load", "shaft", "striker", "pin", "rest")
# Friberg & Sundberg 1995, J. Acoust. Soc. Am. 98(5): one displaced tone in an even row is noticed from the larger of
# the two, for intervals of 100 to 1000 ms; nothing was tried outside them, so nothing is judged there.
NOTICED_S, NOTICED_RATIO = 0.006, 0.025
SHORTEST_S, LONGEST_S = 0.1, 1.0
FELT_STRIKES = 4  # fewest strikes that extrapolate
SAME_S = 1e-6  # score times nearer than this are one


def rows(takes: list[Take], fitted: Fit, clicks: list[Click | None]) -> pd.DataFrame:
    """Return the fit's hits with `recording`, `late_s` and its parts, `felt_s` and its parts (`felt_motion_s`, …).

    `noticed_from_s` is what |felt_s| must exceed to be noticed, NaN where that is not judged.
    """
    hits = fitted.hits.copy()
    hits["recording"] = np.array([take.recording.recording for take in takes], dtype=object)[hits["take"]]
    felt = np.full((len(hits), len(PARTS)), np.nan)
    own = hits[[f"{part}_s" for part in PARTS]].to_numpy()
    bar_s = fitted.score.bar_length_s(hits["bar"].to_numpy())
    for line in hits["line"].unique():
        at = np.flatnonzero(hits["line"] == line)
        felt[at] = felt_of(
            hits["along_s"].to_numpy()[at],
            own[at],
            bar_s[at],
            1 / fitted.score.beat_per_s,
            ~hits["freak"].to_numpy()[at],
        )
    hits["late_s"] = hits["along_late_s"]
    for number, click in enumerate(clicks):
        if click is not None:
            on = (hits["take"] == number).to_numpy()
            against_s = hits["hit_s"].to_numpy()[on] - click.due_s
            hits.loc[on, "motion_s"] += against_s - hits["late_s"].to_numpy()[on]
            hits.loc[on, "late_s"] = against_s
    hits["felt_s"] = felt.sum(axis=1)
    for column, part in enumerate(PARTS):
        hits[f"felt_{part}_s"] = felt[:, column]
    hits["noticed_from_s"] = np.where(hits["felt_s"].notna(), noticed_from_s(intervals_s(hits, fitted)), np.nan)
    return hits


def noticed_from_s(interval_s) -> np.ndarray:
    """Return the displacement that is just noticed after `interval_s` (s); NaN where nobody tried."""
    interval_s = np.asarray(interval_s, dtype=float)
    tried = (interval_s >= SHORTEST_S) & (interval_s <= LONGEST_S)
    return np.where(tried, np.maximum(NOTICED_S, NOTICED_RATIO * interval_s), np.nan)


def intervals_s(hits: pd.DataFrame, fitted: Fit) -> np.ndarray:
    """Return, per strike, the time from the onset played before to its own, as written, at the line's mean tempo.

    As written, because a strike's own lateness shall not decide whether it is judged. NaN at the first onset of a line.
    """
    onset = ["line", "playthrough", "knot"]
    onsets = hits.groupby(onset, sort=False)["along_s"].min().reset_index()
    pace = fitted.line_pace[onsets["line"]]
    onsets["interval_s"] = onsets.groupby("line")["along_s"].diff() * pace
    return hits[onset].merge(onsets, on=onset, how="left")["interval_s"].to_numpy()


def is_noticed(late: pd.DataFrame) -> np.ndarray:
    """Return, per strike, whether a listener notices that it is displaced."""
    return (late["felt_s"].abs() > late["noticed_from_s"]).to_numpy()


def felt_of(along_s, parts_s, bar_s, beat_s, good) -> np.ndarray:
    """Return every strike's parts minus what the strikes of the bar before it extrapolate to.

    Parameters
    ----------
    along_s : np.ndarray, shape=(n,), sorted
        Score times.
    parts_s : np.ndarray, shape=(n, k)
    bar_s : np.ndarray, shape=(n,)
        Written length of a bar, at each strike.
    beat_s : float
        Written length of a beat: what the strikes before must span.
    good : np.ndarray of bool, shape=(n,)
        Strikes that may extrapolate (no freak hits).

    Returns
    -------
    np.ndarray, shape=(n, k)
        NaN where fewer than 4 strikes, or less than a beat of them, lie in the bar before.
    """
    felt = np.full(parts_s.shape, np.nan)
    first = np.searchsorted(along_s, along_s - bar_s - SAME_S)
    last = np.searchsorted(along_s, along_s - SAME_S)
    widest = int((last - first).max(initial=0))
    if widest < FELT_STRIKES:
        return felt
    index = first[:, None] + np.arange(widest)
    inside = index < last[:, None]
    index = np.where(inside, index, 0)
    inside &= good[index]
    # Times from the strike itself, so that the extrapolation is the line's constant.
    x = np.where(inside, along_s[index] - along_s[:, None], 0.0)
    n = inside.sum(axis=1)
    low = np.where(inside, x, np.inf).min(axis=1, initial=np.inf)
    high = np.where(inside, x, -np.inf).max(axis=1, initial=-np.inf)
    enough = (n >= FELT_STRIKES) & (high - low >= beat_s - SAME_S)
    mean = x.sum(axis=1) / np.maximum(n, 1)
    centred = np.where(inside, x - mean[:, None], 0.0)
    spread = (centred**2).sum(axis=1)
    share = inside / np.maximum(n, 1)[:, None] - centred * (mean / np.where(enough, spread, 1.0))[:, None]
    extrapolated = np.einsum("iw,iwk->ik", share, parts_s[index])
    felt[enough] = (parts_s - extrapolated)[enough]
    return felt


def lateness(group: settings.Group, fitted: Fit, late: pd.DataFrame) -> pa.Table:
    """Return the table 'lateness'."""
    columns = keys.of_group(group, len(late), day=False)
    names = np.array(fitted.strikes.striker_names, dtype=object)
    columns |= {
        "pin_id": late["pin"].to_numpy(),
        "striker": names[late["striker"]],
        "level_db": late["level_db"].to_numpy(dtype=float, na_value=np.nan),
    }
    for name in tables.CONTRACTS["lateness"].schema.names:
        if name not in columns:
            columns[name] = late[name].to_numpy()
    return tables.build("lateness", columns)
