"""Read the parts of each hit's lateness off one solution."""

from dataclasses import dataclass

import numpy as np

from pipeline.timing.fitting.prepared import Prepared
from pipeline.timing.fitting.state import State
from pipeline.timing.model import normal_equations
from pipeline.timing.model.linear_load import RECOVERY, REMAINDER
from pipeline.timing.model.solution import Solved

PACE_BEAT = 0.5  # to both sides, over which the pace at a hit is the mean: one beat in all; free: 0.001
# Of the pace over the mean of all lines: no machine plays at what lies outside. Twice as wide is free: 0.
PACE_RANGE = (0.5, 2.0)


@dataclass(frozen=True, eq=False)
class Residuals:
    """What one solution leaves of each hit, and its pins.

    Parameters
    ----------
    pin_s, pin_variance : np.ndarray, shape=(n_pins,)
        Place of each pin at the mean pace (s), and its variance (s²); 0 and NaN for pins without a place.
    rest_s : np.ndarray, shape=(n_hits,)
        Lateness less all that the model says.
    partial_s : np.ndarray, shape=(n_hits,)
        The same with the pin's part left in.
    scatter_s : np.ndarray, shape=(n_hits,)
        Standard deviation of the scatter.
    """

    pin_s: np.ndarray
    pin_variance: np.ndarray
    rest_s: np.ndarray
    partial_s: np.ndarray
    scatter_s: np.ndarray


def residuals(prepared: Prepared, solved: Solved) -> Residuals:
    """Return what the solution leaves of each hit."""
    pin_s, pin_variance = pin_estimates(prepared, solved)
    rest_s = solved.data.late_s - solved.fitted_s()
    scatter_s = np.sqrt(normal_equations.hit_variance(solved.data, solved.scales))
    return Residuals(
        pin_s, pin_variance, rest_s, rest_s + pin_s[prepared.hits.pin] * solved.data.relative_pace, scatter_s
    )


def pin_estimates(prepared: Prepared, solved: Solved) -> tuple[np.ndarray, np.ndarray]:
    """Return place (s at the mean pace) and variance (s²) of each pin; 0 and NaN for pins without a place.

    Returns
    -------
    estimate, variance : np.ndarray, shape=(n_pins,)
    """
    n_pins, border_pins = len(prepared.pins.ids), prepared.pins.border
    estimate, variance = np.zeros(n_pins), np.full(n_pins, np.nan)
    banded = solved.layout.pin_place >= 0
    estimate[banded], variance[banded] = solved.in_band(solved.layout.pin_place[banded])
    estimate[border_pins] = solved.beta("pin")
    variance[border_pins] = solved.beta_variance("pin")
    return estimate, variance


def load_s(prepared: Prepared, solved: Solved) -> np.ndarray:
    """Return what the load adds to each hit (constant and slope of each line apart), shape=(n_hits,)."""
    load = solved.load.detrended
    linear = load[:, prepared.strikers.loading] @ solved.beta("drag")
    return linear + load[:, RECOVERY] * solved.beta("recovery") + load[:, REMAINDER]


def shaft_s(solved: Solved) -> np.ndarray:
    """Return what the shafts' wobbles add to each hit (with constant and slope of each line), shape=(n_hits,)."""
    place = solved.border.places["shaft"]
    return solved.border.matrix[:, place] @ solved.solution.beta[place]


def striker_s(prepared: Prepared, state: State, solved: Solved) -> np.ndarray:
    """Return what the striker adds to each hit by delay, company and readiness, shape=(n_hits,)."""
    matrix, beta = solved.border.matrix, solved.solution.beta
    places = [solved.border.places[name] for name in ("delay", "company", "readiness", "fade")]
    by_drag, loading = state.company_by_drag, prepared.strikers.loading
    company_s = by_drag[:, loading] @ solved.beta("drag") - by_drag @ solved.load.law.drag
    return sum(matrix[:, place] @ beta[place] for place in places) + company_s


def relative_pace(prepared: Prepared, solved: Solved) -> np.ndarray:
    """Return the pace at each hit over the mean of all: that of the smooth curve over a beat around it.

    Returns
    -------
    np.ndarray, shape=(n_hits,), within PACE_RANGE
    """
    hits, beat_s = prepared.hits, prepared.lines.beat_s
    matrix, beta = solved.border.matrix, solved.solution.beta
    straight = [solved.border.places[name] for name in ("slope", "start")]
    smooth_s = solved.solution.x[solved.layout.state] + load_s(prepared, solved)
    smooth_s = smooth_s + sum(matrix[:, place] @ beta[place] for place in straight)
    rate = np.zeros(len(smooth_s))
    for one in np.unique(hits.line):
        on = np.flatnonzero(hits.line == one)
        u_beat, first = np.unique(hits.u_beat[on], return_index=True)
        ahead, behind = (np.clip(hits.u_beat[on] + side, u_beat[0], u_beat[-1]) for side in (PACE_BEAT, -PACE_BEAT))
        curve_s = smooth_s[on][first]
        passed_s = np.interp(ahead, u_beat, curve_s) - np.interp(behind, u_beat, curve_s)
        rate[on] = passed_s / np.maximum(ahead - behind, PACE_BEAT)
    pace = beat_s[hits.line] + rate
    return np.clip(pace / np.mean(beat_s[hits.line]), *PACE_RANGE)
