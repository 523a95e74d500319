"""Hold what one fit of a group says."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.timing.data.score import Score
from pipeline.timing.data.strikes import Strikes
from pipeline.timing.model.normal_equations import Scales


@dataclass(frozen=True, eq=False)
class Fit:
    """What one fit of a group says.

    Parameters
    ----------
    score, strikes
        What was fitted.
    hits : pd.DataFrame
        The played notes, in the order of the strikes, with `along_late_s` (against the line's own straight line), its
        parts `motion_s, load_s, shaft_s, striker_s, pin_s, rest_s`, `company, gap_s, freak` and `weight`.
    line_pace, line_start_s : np.ndarray, shape=(n_lines,)
        The straight line of each line: hit_s = start + pace × along_s.
    grid : pd.DataFrame
        Half beats of every track: `take, line, track, playthrough, segment, place` (in the score's grid)`, u_beat,
        time_s, time_se, pace` (seconds per nominal second)`, speed` (relative to the line's mean)`, speed_se, motion,
        load, load_se, shaft`.
    delay_by_pace, delay_by_pace_se : np.ndarray, shape=(n_strikers,)
        Seconds that a striker comes later per unit of relative pace, against the mean of all: its whole `delay` if that
        is a matter of place, 0 if it takes the same time at every tempo.
    delay, delay_se, company, company_se, readiness, readiness_se, drag, drag_se : np.ndarray, shape=(n_strikers,)
        NaN where it cannot be told.
    load_by_striker : np.ndarray, shape=(n_grid_rows, n_strikers)
        Part of the relative speed by each striker's load, at the rows of `grid`.
    load_mean_se : callable
        From a share of each row of `grid`, (n_grid_rows,), to the standard error of the load's mean over them.
    load_doubt_s : np.ndarray, shape=(n_hits, n_doubts)
        What one standard error adds to `load_s` and takes from `motion_s`, in independent directions of drags and τ.
    pins : pd.DataFrame
        `pin, offset_s, offset_se, likeliest_s, likeliest_se, n_played, q_value, misplaced`; `likeliest`: by the
        likeliest scales alone, whose prior is N(0, `scales.pin_sd_s`²).
    shafts : pd.DataFrame
        Wobbles that were found: `shaft` (None: nobody named one)`, harmonic, order, creep, creep_se, amplitude_s,
        amplitude_se, phase_turn, q_value`; NaN where it does not apply.
    wobble_s : np.ndarray, shape=(n_hits, n_wobbles)
        What each row of `shafts` adds to each hit; together they are `shaft_s`.
    slips : pd.DataFrame
        Places at which the barrel fell behind or came ahead at once: `take, line, playthrough, segment, score_beat,
        bar` (of the first strike after it)`, before_s, after_s` (times of the strikes between which it lies)`, size_s,
        size_se, q_value`.
    shafts_sought : bool
        Whether wobbles were looked for: not where the barrel's turns are not told.
    least_wobble_s : float
        Amplitude from which on a wobble of the named shafts would have been found; NaN where that cannot be told.
    remainders : pd.DataFrame
        What the remainder still shows: of `remainders.found`.
    recovery_beats, recovery_log_se : float
        τ and the standard error of its logarithm.
    ready_s : float
        ρ.
    scatter_s : np.ndarray, shape=(n_strikers,)
    scales : Scales
    """

    score: Score
    strikes: Strikes
    hits: pd.DataFrame
    line_pace: np.ndarray
    line_start_s: np.ndarray
    grid: pd.DataFrame
    delay: np.ndarray
    delay_se: np.ndarray
    delay_by_pace: np.ndarray
    delay_by_pace_se: np.ndarray
    company: np.ndarray
    company_se: np.ndarray
    readiness: np.ndarray
    readiness_se: np.ndarray
    drag: np.ndarray
    drag_se: np.ndarray
    load_by_striker: np.ndarray
    load_mean_se: Callable[[np.ndarray], float]
    load_doubt_s: np.ndarray
    pins: pd.DataFrame
    shafts: pd.DataFrame
    wobble_s: np.ndarray
    slips: pd.DataFrame
    shafts_sought: bool
    least_wobble_s: float
    remainders: pd.DataFrame
    recovery_beats: float
    recovery_log_se: float
    ready_s: float
    scatter_s: np.ndarray
    scales: Scales
