"""Fit one model to all takes of a group: motion + load + shafts + striker + pin + scatter.

For take r and line g (a segment of it), at the score time u in nominal beats,

    t = T_g + u/ω_g + f_g(u) + Σ (d_s τ/ω)(1 − e^(−(u−u')/τ)) + L_s + C_s company + R_s e^(−gap/ρ) + P_pin ω̄/ω(u) + e

(the load to the first order; `load` tells the whole law). The fit goes round: solve everything linear about the last
solution (Gauss-Newton: load, recovery, company, ρ); call pins misplaced; give freak hits less weight; find the scales
anew. At the end `doubt` carries what is not known of the scales into the errors.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.timing.fitting import readout, uncertainty
from pipeline.timing.fitting.step import Work
from pipeline.timing.model import variance_components
from pipeline.timing.model.normal_equations import Scales
from pipeline.timing.score import Score
from pipeline.timing.strikes import Strikes

ROUNDS = (4, 4, 3)  # solutions before the first, before the second and after the second look for the scales


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
    delay, delay_se, company, company_se, readiness, readiness_se, drag, drag_se : np.ndarray, shape=(n_strikers,)
        NaN where it cannot be told.
    load_by_striker : np.ndarray, shape=(n_grid_rows, n_strikers)
        Part of the relative speed by each striker's load, at the rows of `grid`.
    load_mean_se : callable
        From a share of each row of `grid`, (n_grid_rows,), to the standard error of the load's mean over them.
    pins : pd.DataFrame
        `pin, offset_s, offset_se, n_played, q_value, misplaced`.
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
    company: np.ndarray
    company_se: np.ndarray
    readiness: np.ndarray
    readiness_se: np.ndarray
    drag: np.ndarray
    drag_se: np.ndarray
    load_by_striker: np.ndarray
    load_mean_se: Callable[[np.ndarray], float]
    pins: pd.DataFrame
    recovery_beats: float
    recovery_log_se: float
    ready_s: float
    scatter_s: np.ndarray
    scales: Scales


def fit(score: Score, gathered: Strikes) -> Fit:
    """Fit the model to the strikes of a group."""
    work = Work(score, gathered)
    found = variance_components.USUAL
    for number, rounds in enumerate(ROUNDS):
        if number:
            found = work.find_scales(found)
        for _ in range(rounds):
            work.learn(found, work.solve(found))
    best = uncertainty.likeliest(work, found)
    return Fit(score=score, strikes=gathered, scales=found, **readout.read(work, best, uncertainty.around(work, best)))
