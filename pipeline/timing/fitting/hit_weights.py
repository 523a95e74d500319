"""Weigh the hits by how far from the model they lie, and find which strikers scatter more than others."""

from dataclasses import replace

import numpy as np

from pipeline.timing.data import strikes
from pipeline.timing.fitting.lateness_parts import Residuals
from pipeline.timing.fitting.prepared import Prepared
from pipeline.timing.fitting.state import State

# Standard deviations from which a hit weighs less, as (3/z)²: one normal hit in 370. With heavy tails (Student's t of 3
# degrees of freedom) 1.5 makes the errors of delays .65 as large, 6 those of pins 1.2 as large (timing_constants).
OUTLYING_Z = 3.0
FREAK_Z = 10.0  # standard deviations that a hit must lie out to be another strike, besides `strikes.FREAK_S`; free: 0
FIRST_SCATTERS = 2.0  # by which the first of several notes must come before the next, to be told
SCATTER_DF = 30.0  # weight of the common scatter against a striker's own, in strikes; free: 0.04


def weigh(prepared: Prepared, state: State, residuals: Residuals) -> State:
    """Return the state with new weights of the hits and new scatter of the strikers."""
    hits = prepared.hits
    full_weight = hits.full_weight * is_first(hits.arrival, residuals.rest_s, residuals.scatter_s)
    trust = full_weight * hits.confidence
    middle_s = middles(state.flagged, hits.pin, residuals.partial_s, trust)
    away_s = np.where(state.flagged[hits.pin], residuals.partial_s - middle_s[hits.pin], residuals.rest_s)
    weight = full_weight * outlier_weights(away_s, residuals.scatter_s, strikes.FREAK_S)
    weight = never_all_zero(weight, hits.track, hits.share)
    scatter = scatter_over_common(hits.striker, weight, residuals.rest_s, prepared.strikers.n)
    return replace(state, weight=weight, scatter=scatter)


def is_first(arrival, rest_s, scatter_s) -> np.ndarray:
    """Return which strikes a hit tells of: all of their own, and of notes that share one that which came first.

    Where two of them are due so close together that either may have been first, it tells of none: their scatter would
    make both seem early.

    Parameters
    ----------
    arrival : np.ndarray of int, shape=(n_hits,)
        As in `Hits`.
    rest_s, scatter_s : np.ndarray, shape=(n_hits,)
        Lateness less all that the model says: of notes that share a hit, the one with most of it is due first.
    """
    first = arrival < 0
    order = np.lexsort([-rest_s, arrival])
    order = order[arrival[order] >= 0]
    begins = np.flatnonzero(np.diff(arrival[order], prepend=-1))
    ends = np.append(begins[1:], len(order)) - 1
    one, other = order[begins], order[np.minimum(begins + 1, ends)]
    first[one] = (one == other) | (rest_s[one] - rest_s[other] > FIRST_SCATTERS * scatter_s[one])
    return first


def never_all_zero(weight, track, share) -> np.ndarray:
    """Return the weights; if every hit of a track has weight 0, use them all with `share`.

    Parameters
    ----------
    weight, share : np.ndarray, shape=(n_hits,)
    track : np.ndarray of int, shape=(n_hits,)
    """
    weighed = np.unique(track[weight != 0])
    return np.where(np.isin(track, weighed), weight, share)


def outlier_weights(rest_s, scatter_s, freak_s: float) -> np.ndarray:
    """Return the weight of each hit by its distance from the model: 1, then (3/z)², 0 for a freak.

    Parameters
    ----------
    rest_s, scatter_s : np.ndarray, shape=(n_hits,)
        Distance; standard deviation of the scatter.
    freak_s : float
        Distance beyond which a hit can be a freak (another strike).
    """
    z = np.abs(rest_s) / scatter_s
    weight = np.minimum(1.0, (OUTLYING_Z / np.maximum(z, OUTLYING_Z)) ** 2)
    return np.where(is_freak(rest_s, scatter_s, freak_s), 0.0, weight)


def is_freak(rest_s, scatter_s, freak_s: float) -> np.ndarray:
    """Return which hits lie so far out that they are another strike; parameters as in `outlier_weights`."""
    return (np.abs(rest_s) > freak_s) & (np.abs(rest_s) / scatter_s > FREAK_Z)


def middles(flagged, pin, partial_s, trust) -> np.ndarray:
    """Return the median of the strikes of each flagged pin, weighted by `trust`; 0 for the others.

    A flagged pin has no prior, so its estimate follows its strikes. If its strikes were weighed by their distance from
    a mean that one wrong strike has pulled to itself, the right ones would be taken for freaks.

    Parameters
    ----------
    flagged : np.ndarray of bool, shape=(n_pins,)
    pin : np.ndarray of int, shape=(n_hits,)
    partial_s, trust : np.ndarray, shape=(n_hits,)
        Lateness less everything but the pin; what each strike counts.
    """
    middle_s = np.zeros(len(flagged))
    for one in np.flatnonzero(flagged):
        mine = np.flatnonzero(pin == one)
        mine = mine[np.argsort(partial_s[mine], kind="stable")]
        total = np.cumsum(trust[mine])
        if total[-1] > 0:
            # Halfway between the two in the middle where they count the same.
            low, high = (np.searchsorted(total, 0.5 * total[-1], side=side) for side in ("left", "right"))
            middle_s[one] = partial_s[mine[[low, min(high, len(mine) - 1)]]].mean()
    return middle_s


def scatter_over_common(striker, weight, rest_s, n_strikers: int) -> np.ndarray:
    """Return each striker's scatter over the common one, shrunk towards 1 by SCATTER_DF strikes.

    Parameters
    ----------
    striker : np.ndarray of int, shape=(n_hits,)
    weight, rest_s : np.ndarray, shape=(n_hits,)

    Returns
    -------
    np.ndarray, shape=(n_strikers,)
    """
    left = weight > 0
    squares = np.bincount(striker[left], (weight * rest_s**2)[left], n_strikers)
    count = np.bincount(striker[left], minlength=n_strikers)
    common = squares.sum() / max(count.sum(), 1)
    if common <= 0:
        return np.ones(n_strikers)
    return np.sqrt((squares / common + SCATTER_DF) / (count + SCATTER_DF))
