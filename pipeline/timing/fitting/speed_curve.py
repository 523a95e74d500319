"""Read the machine's place and speed at the half beats off a solved fit, with their errors."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.timing.data.score import GRID_BEAT
from pipeline.timing.fitting import border, lateness_parts, shafts, slips
from pipeline.timing.fitting.prepared import Prepared
from pipeline.timing.fitting.state import State
from pipeline.timing.fitting.uncertainty import Posterior
from pipeline.timing.model import linear_load, straight_lines
from pipeline.timing.model.linear_load import RECOVERY, REMAINDER, START


@dataclass(frozen=True, eq=False)
class SpeedCurve:
    """The fields `grid`, `load_by_striker` and `load_mean_se` of `Fit`."""

    grid: pd.DataFrame
    load_by_striker: np.ndarray
    load_mean_se: Callable[[np.ndarray], float]


@dataclass(frozen=True, eq=False)
class Terms:
    """The terms of place and speed at half beats that are linear in the border's unknowns, and what lies beside them.

    Parameters
    ----------
    place, rate : np.ndarray, shape=(n, n_border)
        Per unit of each unknown: lateness (s); seconds more per nominal beat.
    place_beside_s, rate_beside : np.ndarray, shape=(n,)
        The load's remainder: s; s per beat.
    """

    place: np.ndarray
    rate: np.ndarray
    place_beside_s: np.ndarray
    rate_beside: np.ndarray


def speed_curve(prepared: Prepared, state: State, posterior: Posterior, use, pace) -> SpeedCurve:
    """Return the speed curve, each striker's load in it, and how well means of the load are known.

    Parameters
    ----------
    use : np.ndarray of bool, shape=(n_hits,)
        Hits that make the straight line of each line (no freak ones).
    pace : np.ndarray, shape=(n_lines,)
        Seconds per nominal second on those straight lines.
    """
    solved, beat_per_s = posterior.likeliest, prepared.score.beat_per_s
    x, beta = solved.solution.x, solved.solution.beta
    frame, unknown = _half_beats(prepared, state, use)
    line, u_beat = frame["line"].to_numpy(), frame["u_beat"].to_numpy()
    terms = _terms(prepared, state, solved, line, u_beat, frame["turned_beat"].to_numpy())
    machine_beat_s, straight_beat_s = prepared.lines.beat_s[line], pace[line] / beat_per_s
    beat_s = machine_beat_s + x[unknown + 1] + terms.rate @ beta + terms.rate_beside
    start_s = prepared.strikes.begun_s + prepared.lines.start_s
    time_s = start_s[line] + machine_beat_s * u_beat + x[unknown] + terms.place @ beta + terms.place_beside_s
    _, time_variance = posterior.mean_and_variance(lambda one: one.in_band(unknown, terms.place))
    _, rate_variance = posterior.mean_and_variance(lambda one: _mean_rate(prepared, one, unknown, terms.rate))
    of_place, of_rate = _slip_unplaced(state, solved, line, u_beat)
    time_variance, rate_variance = time_variance + of_place, rate_variance + of_rate
    load_rate = _load_rate(prepared, solved, terms, line, use)
    shaft_rate = _shaft_rate(prepared, solved, terms, line, use)
    load = np.r_[solved.border.places["drag"], solved.border.places["recovery"]]
    by_load = _against_mean(terms.rate[:, load], line) / straight_beat_s[:, None]
    grid = frame.assign(
        time_s=time_s,
        time_se=np.sqrt(time_variance),
        pace=beat_s * beat_per_s,
        speed=straight_beat_s / beat_s - 1,
        speed_se=np.sqrt(rate_variance) / straight_beat_s,
        motion=(straight_beat_s - beat_s + load_rate + shaft_rate) / straight_beat_s,
        load=-load_rate / straight_beat_s,
        load_se=_load_se(posterior, load, by_load),
        shaft=-shaft_rate / straight_beat_s,
    )
    by_striker = _load_by_striker(prepared, solved, terms, line, straight_beat_s)
    return SpeedCurve(grid, by_striker, lambda share: float(_load_se(posterior, load, share[None] @ by_load)[0]))


def _half_beats(prepared, state, use):
    """Return the half beats between the first and the last hit of every track, and the unknowns of the motion there.

    The half beats: `take, line, track, playthrough, segment, place, u_beat` (unrolled)`, turned_beat` (by how much).
    Hits of weight 0 do not make a track any longer.
    """
    score, layout = prepared.score, prepared.layout
    tracks = prepared.frame.groupby("track").first()
    ends = prepared.frame[use & (state.weight > 0)].groupby("track")["knot"].agg(["min", "max"])
    knot = score.grid_knot[layout.grid]
    low, high = ends.reindex(layout.grid_track).to_numpy().T
    inside = (knot >= low) & (knot <= high)
    grid = layout.grid[inside]
    track = tracks.loc[layout.grid_track[inside]]
    turned_beat = (track["along_s"] - track["score_s"]).to_numpy() * score.beat_per_s
    frame = track[["take", "line", "playthrough", "segment"]].reset_index()
    within_beat = score.knot_u_beat[score.grid_knot[grid]]
    frame = frame.assign(place=grid, u_beat=within_beat + turned_beat, turned_beat=turned_beat)
    return frame, layout.grid_state[inside]


def _terms(prepared, state, solved, line, u_beat, turned_beat):
    """Return the terms at places; rates of load and shafts are means over the half beat around (a strike: a step)."""
    places, row = solved.border.places, np.arange(len(line))
    place, rate = (np.zeros((len(line), len(solved.solution.beta))) for _ in range(2))
    lines, middle = border.line_places(prepared.hits)
    order = np.searchsorted(lines, line)
    place[row, places["slope"].start + order] = u_beat - middle[order]
    rate[row, places["slope"].start + order] = 1
    here, ahead, behind = (_load_at(prepared, solved, line, u_beat + side * GRID_BEAT / 2) for side in (0, 1, -1))
    for out, load_s in ((place, here), (rate, (ahead - behind) / GRID_BEAT)):
        out[row, places["start"].start + order] = load_s[:, START]
        out[:, places["drag"]] = load_s[:, prepared.strikers.loading]
        out[:, places["recovery"]] = load_s[:, [RECOVERY]]
    if state.wobbles:
        turn = [
            shafts.turn_of(prepared.score, u_beat - turned_beat + side * GRID_BEAT / 2, turned_beat)
            for side in (0, 1, -1)
        ]
        at = [np.hstack([shafts.columns_and_creep(one, line, each) for one in state.wobbles]) for each in turn]
        place[:, places["shaft"]], rate[:, places["shaft"]] = at[0], (at[1] - at[2]) / GRID_BEAT
    at = _slipped(state, line, u_beat)
    place[:, places["slip"]], rate[:, places["slip"]] = at[0], (at[1] - at[2]) / GRID_BEAT
    return Terms(place, rate, here[:, REMAINDER], (ahead - behind)[:, REMAINDER] / GRID_BEAT)


def _slipped(state, line, u_beat):
    """Return the columns of the slips at places, and half a half beat after and before them."""
    return [slips.columns(state.slips, line, u_beat + side * GRID_BEAT / 2) for side in (0, 1, -1)]


def _slip_unplaced(state, solved, line, u_beat):
    """Return the variances of place and rate at places because a slip may lie anywhere between two strikes."""
    here, ahead, behind = _slipped(state, line, u_beat)
    within, square = ahead - behind, solved.beta("slip") ** 2
    return (here * (1 - here)) @ square, (within * (1 - within)) @ square / GRID_BEAT**2


def _load_at(prepared, solved, line, u_beat):
    """Return the columns of the load at any place, detrended as those of the hits are (but for the start)."""
    hits, load = prepared.hits, solved.load
    load_s = linear_load.columns_at(prepared.strikes, load.law, line, u_beat, prepared.lines.last_u_beat)
    straight = straight_lines.trend_at(load.columns, hits.line, hits.u_beat, line, u_beat)
    straight[:, START] = 0.0
    return load_s - straight


def _mean_rate(prepared, solved, unknown, rate):
    """Return the mean rate over a half beat by one solution, and its variance.

    The mean is known better than the rate at the middle: less the variance of a Wiener path of intensity 2σ²/ℓ about
    its mean over ±h, which is that intensity × h/6.
    """
    scales, beat_s = solved.scales, np.mean(prepared.lines.beat_s)
    within = 2 * scales.speed_sd**2 / scales.speed_beats * (GRID_BEAT / 2) / 6 * beat_s**2
    middle, variance = solved.in_band(unknown + 1, rate)
    return middle, np.maximum(variance - within, variance / 2)


def _load_rate(prepared, solved, terms, line, use):
    """Return what the load adds to the seconds per beat, against the straight line of the hits in `use`."""
    hits, places, beta = prepared.hits, solved.border.places, solved.solution.beta
    load = np.r_[places["drag"], places["recovery"]]
    lines = np.unique(line)
    late_s = lateness_parts.load_s(prepared, solved)
    _, slope = straight_lines.start_and_slope(late_s, hits.line, hits.u_beat, lines, use)
    return terms.rate[:, load] @ beta[load] + terms.rate_beside - slope[np.searchsorted(lines, line)]


def _shaft_rate(prepared, solved, terms, line, use):
    """Return what the shafts add to the seconds per beat, against the straight line of the hits in `use`."""
    hits, place = prepared.hits, solved.border.places["shaft"]
    lines = np.unique(line)
    _, slope = straight_lines.start_and_slope(lateness_parts.shaft_s(solved), hits.line, hits.u_beat, lines, use)
    return terms.rate[:, place] @ solved.solution.beta[place] - slope[np.searchsorted(lines, line)]


def _load_by_striker(prepared, solved, terms, line, straight_beat_s):
    """Return the part of the relative speed by each striker's load, less its mean on each line."""
    drag = solved.border.places["drag"]
    by_striker = np.zeros((len(line), prepared.strikers.n))
    rate = terms.rate[:, drag] * solved.solution.beta[drag] / straight_beat_s[:, None]
    by_striker[:, prepared.strikers.loading] = -_against_mean(rate, line)
    return by_striker


def _load_se(posterior, load, by_load):
    """Return the error of what drags and recovery (border's unknowns `load`) together make of the speed."""
    return np.sqrt(posterior.mean_and_variance(lambda one: one.in_border(load, by_load))[1])


def _against_mean(values, line):
    """Return rows less their mean on each line."""
    against = values.copy()
    for one in np.unique(line):
        against[line == one] -= against[line == one].mean(axis=0)
    return against
