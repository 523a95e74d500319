"""Say of every played note how late it was and why: on the ruler of the song, and on the felt one.

*Song*: against the click (its mean offset apart) or the straight line of the note's own segment.

*Felt*: against the beat that the strikes before carry on (`felt`); linear, so it splits into the same parts. A match
that the alignment itself doubts has no felt lateness: what a listener hears there may be another strike.
"""

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import felt, settings, tables
from pipeline.timing.data.strikes import UNSURE
from pipeline.timing.data.takes import Take
from pipeline.timing.fitting.fit import Fit
from pipeline.timing.tables import group_keys
from pipeline.timing.tables.click import Click

PARTS = ("motion", "load", "shaft", "striker", "pin", "rest")


def rows(takes: list[Take], fitted: Fit, clicks: list[Click | None]) -> pd.DataFrame:
    """Return the fit's hits with `recording`, `late_s` and its parts, `felt_s` and its parts (`felt_motion_s`, …).

    `doubt_0_s …` and `felt_doubt_0_s …` are the columns of `Fit.load_doubt_s` on both rulers. `felt_se` is the error of
    the felt beat, `noticed_from_s` what |felt_s| must exceed to be noticed; NaN where that is
    not judged.
    """
    hits = fitted.hits.copy()
    hits["recording"] = np.array([take.recording.recording for take in takes], dtype=object)[hits["take"]]
    names = [*PARTS, *(f"doubt_{number}" for number in range(fitted.load_doubt_s.shape[1]))]
    own = np.column_stack([hits[[f"{part}_s" for part in PARTS]], fitted.load_doubt_s])
    felt_s, felt_se = np.full(own.shape, np.nan), np.full(len(hits), np.nan)
    place_s = hits["along_s"].to_numpy() * fitted.line_pace[hits["line"]]
    knot, good = hits["knot"].to_numpy(), ~hits["freak"].to_numpy()
    for line in hits["line"].unique():
        at = np.flatnonzero(hits["line"] == line)
        felt_s[at], felt_se[at] = felt.felt_of(place_s[at], knot[at], own[at], good[at], len(PARTS))
    felt_s[hits["confidence"].to_numpy() < UNSURE] = np.nan
    hits["late_s"] = hits["along_late_s"]
    for number, click in enumerate(clicks):
        if click is not None:
            on = (hits["take"] == number).to_numpy()
            against_s = hits["hit_s"].to_numpy()[on] - click.due_s
            hits.loc[on, "motion_s"] += against_s - hits["late_s"].to_numpy()[on]
            hits.loc[on, "late_s"] = against_s
    hits["felt_s"], hits["felt_se"] = felt_s[:, : len(PARTS)].sum(axis=1), felt_se
    more = {f"{name}_s": column for name, column in zip(names[len(PARTS) :], fitted.load_doubt_s.T, strict=True)}
    more |= {f"felt_{name}_s": column for name, column in zip(names, felt_s.T, strict=True)}
    hits = pd.concat([hits, pd.DataFrame(more, index=hits.index)], axis=1)
    hits["noticed_from_s"] = np.where(
        np.isnan(hits["felt_s"]), np.nan, felt.limit_s(intervals_s(hits, fitted), felt_se)
    )
    return hits


def intervals_s(hits: pd.DataFrame, fitted: Fit) -> np.ndarray:
    """Return, per strike, the time from the onset played before to its own, as written, at the line's mean tempo.

    As written, because a strike's own lateness shall not decide whether it is judged. NaN at the first onset of a line.
    """
    onset = ["line", "playthrough", "knot"]
    onsets = hits.groupby(onset, sort=False)["along_s"].min().reset_index()
    pace = fitted.line_pace[onsets["line"]]
    onsets["interval_s"] = onsets.groupby("line")["along_s"].diff() * pace
    return hits[onset].merge(onsets, on=onset, how="left")["interval_s"].to_numpy()


def lateness(group: settings.Group, fitted: Fit, late: pd.DataFrame) -> pa.Table:
    """Return the table 'lateness'."""
    columns = group_keys.of_group(group, len(late), day=False)
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
