"""Lay out the unknowns of the model: which lie in the band, which in the border, and what ties each to the hits.

Band, along the score: for every track and knot the slow motion (f, v), for every pin of a song its place. Border: mean
speed of each line, delays (zero sum), drags, recovery, company, readiness, and the pins of a barrel that comes round.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.timing.data.score import Score


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
    state_track, state_knot = _states(track, knot)
    n_states = len(state_knot)
    pins, where = np.unique(pin[pin >= 0], return_index=True)
    size = np.concatenate([np.full(n_states, 2), np.ones(len(pins), dtype=int)])
    place, edges = _ordered(np.concatenate([state_knot, knot[pin >= 0][where]]), size)
    pin_place = np.full(n_pins, -1)
    pin_place[pins] = place[n_states:]
    state_of = np.full((len(score.knot_u_beat), int(track.max()) + 1), -1)
    state_of[state_knot, state_track] = place[:n_states]
    state = state_of[knot, track]
    hit_pin = np.where(pin >= 0, pin_place[np.maximum(pin, 0)], -1)
    begins, goes_on = np.r_[True, np.diff(state_track) != 0], np.flatnonzero(np.diff(state_track) == 0)
    step_from, step_to = place[goes_on], place[goes_on + 1]
    reach = np.concatenate([step_to + 1 - step_from, np.abs(hit_pin - state)[hit_pin >= 0]])
    grid_of_knot = np.full(len(score.knot_u_beat), -1)
    grid_of_knot[score.grid_knot] = np.arange(len(score.grid_knot))
    on_grid = np.flatnonzero(grid_of_knot[state_knot] >= 0)
    return Layout(
        n=int(size.sum()),
        width=int(reach.max(initial=1)),
        state=state,
        pin=hit_pin,
        pin_place=pin_place,
        first=place[np.flatnonzero(begins)],
        step_from=step_from,
        step_to=step_to,
        step_beat=np.diff(score.knot_u_beat)[state_knot[goes_on]],
        grid_track=state_track[on_grid],
        grid=grid_of_knot[state_knot[on_grid]],
        grid_state=place[on_grid],
        edges=edges,
    )


def _states(track, knot):
    """Return track and knot of every state of the motion: the knots from a track's first hit to its last."""
    tracks = np.unique(track)
    spans = [(knot[track == one].min(), knot[track == one].max()) for one in tracks]
    state_track = np.concatenate([np.full(high - low + 1, one) for one, (low, high) in zip(tracks, spans, strict=True)])
    return state_track, np.concatenate([np.arange(low, high + 1) for low, high in spans])


def _ordered(knot, size):
    """Return where each item (a state or a pin) begins in the band, by knot, and where the knots begin (and the end).

    Parameters
    ----------
    knot, size : np.ndarray of int, shape=(n_items,)
        Knot of each item; how many unknowns it has.
    """
    order = np.lexsort([np.arange(len(knot)), knot])
    place = np.empty(len(order), dtype=int)
    place[order] = np.cumsum(size[order]) - size[order]
    _, starts = np.unique(knot[order], return_index=True)
    return place, np.append(place[order][starts], size.sum())


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
        Columns of slope, delay, drag, start, recovery, company, readiness, fade, shaft, slip, pin; recovery and fade
        change the logarithms of τ and ρ.
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
