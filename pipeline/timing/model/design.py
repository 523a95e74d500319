"""Lay out the unknowns of the model: which lie in the band, which in the border, and what ties each to the hits.

Band, along the score: for every track and knot the slow motion (f, v), for every pin of a song its place. Border: mean
speed of each line, delays (zero sum), drags, recovery, company, readiness, and the pins of a barrel that comes round.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.timing.score import Score

DRAG_SD = 0.05  # weak prior: a strike that takes a tenth of the speed would stop the machine
RECOVERY_BEATS = 6.0  # centre of the weak prior of the recovery, sd of its logarithm 1
START_SD = 0.1  # prior of the relative speed that a line starts with, over its own mean
READY_S = 0.15  # centre of the weak prior of ρ, how long a striker is not ready, sd of its logarithm READY_LOG_SD
READY_LOG_SD = 0.7
READY_RANGE_S = (0.02, 2.0)
EFFECT_SD_S = 0.001  # of company and of readiness over the strikers, to begin with
RECOVERY_RANGE = (0.5, 100.0)
LOOSE = 1.0  # prior precision (s, s per beat) of what is all but free: sd 1 s
COMPANY_SPREAD = 0.2  # spread of company (mean strikes) below which it cannot be told from the delay
EFFECT_PINS = 4.0  # pins (each as far as it weighs) below which an effect cannot be told from their places
FADE_SPREAD = 0.05  # spread of e^(−gap/ρ) below which readiness cannot be told from the delay


@dataclass(frozen=True, eq=False)
class Layout:
    """Where the banded unknowns lie.

    Parameters
    ----------
    n : int
        Number of banded unknowns.
    width : int
        Furthest coupling.
    state : np.ndarray of int, shape=(n_hits,)
        Unknown f of each hit's track and knot (v is the next).
    pin : np.ndarray of int, shape=(n_hits,)
        Unknown of each hit's pin; −1: none in the band.
    pin_place : np.ndarray of int, shape=(n_pins,)
        Unknown of each pin; −1: none in the band.
    first : np.ndarray of int
        Unknown f at the first knot of each track.
    step_from, step_to : np.ndarray of int
        Unknowns f at both ends of each step along a track.
    step_beat : np.ndarray
        Its length.
    grid_track, grid, grid_state : np.ndarray of int
        Half beats within the tracks: track, place in the score's grid, unknown f.
    edges : np.ndarray of int
        Where the blocks (knots) begin, and `n`.
    """

    n: int
    width: int
    state: np.ndarray
    pin: np.ndarray
    pin_place: np.ndarray
    first: np.ndarray
    step_from: np.ndarray
    step_to: np.ndarray
    step_beat: np.ndarray
    grid_track: np.ndarray
    grid: np.ndarray
    grid_state: np.ndarray
    edges: np.ndarray


def layout_of(score: Score, track, knot, pin, n_pins: int) -> Layout:
    """Order the banded unknowns along the score.

    Parameters
    ----------
    track, knot : np.ndarray of int, shape=(n_hits,)
    pin : np.ndarray of int, shape=(n_hits,)
        Pin of each hit where it lies in the band, else −1.
    """
    tracks = np.unique(track)
    spans = [(knot[track == one].min(), knot[track == one].max()) for one in tracks]
    state_track = np.concatenate([np.full(high - low + 1, one) for one, (low, high) in zip(tracks, spans, strict=True)])
    state_knot = np.concatenate([np.arange(low, high + 1) for low, high in spans])
    pins, where = np.unique(pin[pin >= 0], return_index=True)
    pin_knot = knot[pin >= 0][where]
    all_knot = np.concatenate([state_knot, pin_knot])
    size = np.concatenate([np.full(len(state_knot), 2), np.ones(len(pins), dtype=int)])
    order = np.lexsort([np.arange(len(all_knot)), all_knot])
    place = np.empty(len(order), dtype=int)
    place[order] = np.cumsum(size[order]) - size[order]
    n = int(size.sum())
    table = np.full((len(score.knot_u_beat), int(tracks.max()) + 1), -1)
    table[state_knot, state_track] = place[: len(state_knot)]
    pin_place = np.full(n_pins, -1)
    pin_place[pins] = place[len(state_knot) :]
    lows = np.flatnonzero(np.r_[True, np.diff(state_track) != 0])
    here = np.flatnonzero(np.diff(state_track) == 0)
    step_from, step_to = place[here], place[here + 1]
    hit_pin = np.where(pin >= 0, pin_place[np.maximum(pin, 0)], -1)
    state = table[knot, track]
    on_pin = hit_pin >= 0
    width = max(
        int((step_to + 1 - step_from).max(initial=1)), int(np.abs(hit_pin[on_pin] - state[on_pin]).max(initial=1))
    )
    grid_of_knot = np.full(len(score.knot_u_beat), -1)
    grid_of_knot[score.grid_knot] = np.arange(len(score.grid_knot))
    on_grid = np.flatnonzero(grid_of_knot[state_knot] >= 0)
    _, starts = np.unique(all_knot[order], return_index=True)
    return Layout(
        n=n,
        width=width,
        state=state,
        pin=hit_pin,
        pin_place=pin_place,
        first=place[lows],
        step_from=step_from,
        step_to=step_to,
        step_beat=np.diff(score.knot_u_beat)[state_knot[here]],
        grid_track=state_track[on_grid],
        grid=grid_of_knot[state_knot[on_grid]],
        grid_state=place[on_grid],
        edges=np.append(place[order][starts], n),
    )


@dataclass(frozen=True, eq=False)
class Border:
    """The border's columns.

    Parameters
    ----------
    matrix : np.ndarray, shape=(n_hits, m)
        What one unit of each unknown adds to each hit's time.
    precision, pull : np.ndarray, shape=(m,)
        Prior precision of each unknown, and precision × prior mean.
    places : dict of str to slice
        Columns of slope, delay, drag, start, recovery, company, readiness, fade, pin; recovery and fade change the
        logarithms of τ and ρ.
    """

    matrix: np.ndarray
    precision: np.ndarray
    pull: np.ndarray
    places: dict


def contrasts(n: int) -> np.ndarray:
    """Return an orthonormal basis of the vectors of `n` numbers that sum to zero, shape=(n, n − 1) (Helmert)."""
    basis = np.zeros((n, max(n - 1, 0)))
    for k in range(1, n):
        basis[:k, k - 1], basis[k, k - 1] = 1, -k
        basis[:, k - 1] /= np.sqrt(k * (k + 1))
    return basis


def stripped(values, line, along, use=None) -> np.ndarray:
    """Return `values` less their constant and slope against `along` on each line (least squares over `use`).

    Parameters
    ----------
    values : np.ndarray, shape=(n,) or (n, k)
    """
    return values - projected(values, line, along, line, along, use)


def projected(values, line, along, at_line, at_along, use=None) -> np.ndarray:
    """Return the straight line of each line through `values`, at the places `at_along`; 0 on a line with no hit."""
    out = np.zeros((len(at_line), *values.shape[1:]))
    for one in np.unique(at_line):
        on = (line == one) if use is None else (line == one) & use
        if not on.any():
            continue
        middle = along[on].mean()
        centred = along[on] - middle
        spread = centred @ centred
        constant = values[on].mean(axis=0)
        slope = centred @ (values[on] - constant) / spread if spread > 1e-12 else 0.0 * constant
        at = at_line == one
        out[at] = constant + np.multiply.outer(at_along[at] - middle, slope)
    return out
