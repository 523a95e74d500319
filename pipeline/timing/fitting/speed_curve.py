"""Read the machine's place and speed at the half beats off a solved fit, with their errors."""

from collections.abc import Callable

import numpy as np
import pandas as pd

from pipeline.timing.fitting import uncertainty
from pipeline.timing.fitting.step import BENT, RECOVERY, START, Work
from pipeline.timing.fitting.uncertainty import Possible
from pipeline.timing.model import design
from pipeline.timing.score import GRID_BEAT


def curve(
    work: Work, best: Possible, possible: list[Possible], use, pace
) -> tuple[pd.DataFrame, np.ndarray, Callable[[np.ndarray], float]]:
    """Return the speed curve, each striker's load in it, and how well means of the load are known.

    Parameters
    ----------
    best, possible
        The likeliest solution, and all that the errors are told over.
    use : np.ndarray of bool, shape=(n_hits,)
        Hits that make the straight line of each line (no freak ones).
    pace : np.ndarray, shape=(n_lines,)
        Seconds per nominal second on those straight lines.

    Returns
    -------
    curve : pd.DataFrame
        `Fit.grid`.
    load_by_striker : np.ndarray, shape=(n, n_strikers)
        Part of the relative speed, less its mean on each line.
    load_mean_se : callable
        `Fit.load_mean_se`.
    """
    frame, state = _places(work, use)
    line, u_beat = frame["line"].to_numpy(), frame["u_beat"].to_numpy()
    solved = best.solved
    at, rate, bent_s, bent_rate = _columns(work, solved, line, u_beat)
    x, beta, places = solved.solution.x, solved.solution.beta, solved.border.places
    of_load = np.r_[places["drag"], places["recovery"]]
    machine_beat_s, straight_beat_s = work.beat_s[line], pace[line] / work.score.beat_per_s
    beat_s = machine_beat_s + x[state + 1] + rate @ beta + bent_rate
    time_se = np.sqrt(uncertainty.variance(possible, x[state] + at @ beta, lambda one: _place_of(one, state, at)))
    rate_se = np.sqrt(
        uncertainty.variance(possible, x[state + 1] + rate @ beta, lambda one: _rate_of(work, one, state, rate))
    )
    load_s = rate[:, of_load] @ beta[of_load] + bent_rate - _load_slope(work, solved, line, use)
    by_load = _against_mean(rate[:, of_load], line) / straight_beat_s[:, None]
    frame = frame.assign(
        time_s=(work.strikes.begun_s + work.start_s)[line] + machine_beat_s * u_beat + x[state] + at @ beta + bent_s,
        time_se=time_se,
        pace=beat_s * work.score.beat_per_s,
        speed=straight_beat_s / beat_s - 1,
        speed_se=rate_se / straight_beat_s,
        motion=(straight_beat_s - beat_s + load_s) / straight_beat_s,
        load=-load_s / straight_beat_s,
        load_se=_load_se(best, possible, by_load, of_load),
        shaft=0.0,
    )
    by_striker = np.zeros((len(frame), work.n_strikers))
    of_drag = rate[:, places["drag"]] * beta[places["drag"]] / straight_beat_s[:, None]
    by_striker[:, work.loading] = -_against_mean(of_drag, line)
    return frame, by_striker, lambda share: float(_load_se(best, possible, share[None] @ by_load, of_load)[0])


def _places(work, use):
    """Return the half beats between the first and the last hit of every track, and the unknowns of the motion there.

    The half beats: `take, line, track, playthrough, segment, place, u_beat` (unrolled). Hits that inform nothing do not
    make a track any longer.
    """
    tracks = work.hits.groupby("track").first()
    ends = work.hits[use & (work.weight > 0)].groupby("track")["knot"].agg(["min", "max"])
    knot = work.score.grid_knot[work.layout.grid]
    low, high = ends.reindex(work.layout.grid_track).to_numpy().T
    inside = (knot >= low) & (knot <= high)
    grid_track, grid = work.layout.grid_track[inside], work.layout.grid[inside]
    track = tracks.loc[grid_track]
    turned_beat = (track["along_s"] - track["score_s"]).to_numpy() * work.score.beat_per_s
    frame = track[["take", "line", "playthrough", "segment"]].reset_index()
    frame = frame.assign(place=grid, u_beat=work.score.knot_u_beat[work.score.grid_knot[grid]] + turned_beat)
    return frame, work.layout.grid_state[inside]


def _columns(work, solved, line, u_beat):
    """Return what one unit of each of the border's unknowns adds to the time, and to the rate per beat, at places.

    And what lies beside the linear. The rate of the load is its mean over the half beat around the place: at a strike
    it has a step.
    """
    places, row = solved.border.places, np.arange(len(line))
    at, rate = np.zeros((len(line), len(solved.solution.beta))), np.zeros((len(line), len(solved.solution.beta)))
    lines = np.unique(work.line)
    middle = np.array([work.u_beat[work.line == one].mean() for one in lines])
    order = np.searchsorted(lines, line)
    at[row, places["slope"].start + order] = u_beat - middle[order]
    rate[row, places["slope"].start + order] = 1
    here, ahead, behind = (_load_at(work, line, u_beat + side * GRID_BEAT / 2) for side in (0, 1, -1))
    for out, load_s in ((at, here), (rate, (ahead - behind) / GRID_BEAT)):
        out[row, places["start"].start + order] = load_s[:, START]
        out[:, places["drag"]], out[:, places["recovery"]] = load_s[:, work.loading], load_s[:, [RECOVERY]]
    return at, rate, here[:, BENT], (ahead - behind)[:, BENT] / GRID_BEAT


def _load_at(work, line, u_beat):
    """Return the columns of `Work.load_at` at any place, stripped as those of the hits are (but for the start)."""
    load_s = work.load_at(line, u_beat)
    straight = design.projected(work.load, work.line, work.u_beat, line, u_beat)
    straight[:, START] = 0.0
    return load_s - straight


def _load_slope(work, solved, line, use):
    """Return the slope per beat of the load's lateness over the hits in `use`, at places on `line`."""
    lines = np.unique(line)
    ends = np.repeat([0.0, 1.0], len(lines))
    straight = design.projected(work.load_s(solved), work.line, work.u_beat, np.tile(lines, 2), ends, use)
    return (straight[len(lines) :] - straight[: len(lines)])[np.searchsorted(lines, line)]


def _place_of(one, state, at):
    """Return the place that one solution says, beside the line, and its variance."""
    return one.solved.solution.x[state] + at @ one.solved.solution.beta, one.covariance.variance(state, at)


def _rate_of(work, one, state, rate):
    """Return the mean rate over a half beat that one solution says, and its variance.

    The mean is known better than the rate at the middle: less the variance of a Wiener path of intensity 2σ²/ℓ about
    its mean over ±h, which is that intensity × h/6.
    """
    within = 2 * one.scales.speed_sd**2 / one.scales.speed_beats * (GRID_BEAT / 2) / 6 * np.mean(work.beat_s) ** 2
    variance = one.covariance.variance(state + 1, rate)
    middle = one.solved.solution.x[state + 1] + rate @ one.solved.solution.beta
    return middle, np.maximum(variance - within, variance / 2)


def _against_mean(values, line):
    """Return rows less their mean on each line."""
    against = values.copy()
    for one in np.unique(line):
        against[line == one] -= against[line == one].mean(axis=0)
    return against


def _load_se(best, possible, by_load, of_load):
    """Return the error of what drags and recovery together make of the speed; `by_load` is what a unit of each does."""

    def estimate_of(one):
        covariance = one.solved.solution.beta_covariance[np.ix_(of_load, of_load)]
        own = np.einsum("im,mk,ik->i", by_load, covariance, by_load, optimize=True)
        return by_load @ one.solved.solution.beta[of_load], np.maximum(own, 0.0)

    return np.sqrt(uncertainty.variance(possible, estimate_of(best)[0], estimate_of))
