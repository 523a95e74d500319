"""Tell misplaced pins from the many that are only scattered, and freak hits from both.

Pins come in two parts: most are N(0, σ_P²), a few are far out. A pin is called on its standardised estimate, with the
false discovery rate held (Benjamini & Hochberg 1995), and only when its strikes agree; called ones are not shrunk.
"""

import numpy as np
from scipy import special

MISPLACED_Q = 0.01  # false discovery rate of the calls
CANDIDATE = 2.5  # standard deviations from which a pin's strikes are looked at one by one
AGREE = 4.0  # standard deviations of scatter within which two strikes of one pin agree
FRESH = 20  # one pin in so many of a striker is newly called in a round, at least one
AROUND_BEAT = 2.0  # calls nearer than this come one after the other
OUTLYING = 3.0  # standard deviations from which a hit weighs less, as (3/z)²


def q_values(z: np.ndarray, testable: np.ndarray) -> np.ndarray:
    """Return the false discovery rate at which each pin would be called; 1 where it cannot be tested."""
    q = np.ones(len(z))
    at = np.flatnonzero(testable)
    if len(at) == 0:
        return q
    p = special.erfc(np.abs(z[at]) / np.sqrt(2))
    order = np.argsort(p)
    ranked = p[order] * len(at) / np.arange(1, len(at) + 1)
    q[at[order]] = np.minimum(np.minimum.accumulate(ranked[::-1])[::-1], 1.0)
    return q


def standardised(estimate, variance, loose, pin_sd_s) -> np.ndarray:
    """Return how many standard deviations of an ordinary pin each estimate lies out.

    A shrunk estimate of an ordinary pin has the variance σ_P² − V, V its posterior variance; one that nothing holds
    has V + σ_P².
    """
    shrunk = np.maximum(pin_sd_s**2 - variance, 1e-4 * pin_sd_s**2)
    return estimate / np.sqrt(np.where(loose, variance + pin_sd_s**2, shrunk))


def agreeing(pins, pin, partial_s, scatter_s) -> np.ndarray:
    """Return whether the strikes of each pin in `pins` agree that it is out of place.

    One strike says nothing. Two agree when they are no further apart than scatter allows; of more, their median must
    say what their mean says.

    Parameters
    ----------
    pin : np.ndarray of int, shape=(n_hits,)
    partial_s, scatter_s : np.ndarray, shape=(n_hits,)
        Lateness less everything but the pin; standard deviation of the scatter.
    """
    order = np.argsort(pin, kind="stable")
    begin, end = np.searchsorted(pin[order], pins), np.searchsorted(pin[order], pins, side="right")
    agree = np.zeros(len(pins), dtype=bool)
    for place, (first, last) in enumerate(zip(begin, end, strict=True)):
        mine = partial_s[order[first:last]]
        if len(mine) == 2:
            agree[place] = abs(mine[0] - mine[1]) <= AGREE * np.sqrt(2) * scatter_s[order[first]]
        elif len(mine) > 2:
            agree[place] = abs(np.median(mine)) > 0.6 * abs(np.mean(mine))
    return agree


def middles(loose, pin, partial_s, trust) -> np.ndarray:
    """Return where the strikes of each pin in `loose` stand: their median, weighted by `trust`; 0 for the others.

    What nothing holds follows its strikes: weighed by their distance from a mean that one wrong strike has drawn to
    itself, the right ones would be called freaks.

    Parameters
    ----------
    loose : np.ndarray of bool, shape=(n_pins,)
    pin : np.ndarray of int, shape=(n_hits,)
    partial_s, trust : np.ndarray, shape=(n_hits,)
        Lateness less everything but the pin; what each strike counts.
    """
    middle_s = np.zeros(len(loose))
    for one in np.flatnonzero(loose):
        mine = np.flatnonzero(pin == one)
        mine = mine[np.argsort(partial_s[mine], kind="stable")]
        total = np.cumsum(trust[mine])
        if total[-1] > 0:
            # Halfway between the two in the middle where they count the same.
            low, high = (np.searchsorted(total, 0.5 * total[-1], side=side) for side in ("left", "right"))
            middle_s[one] = partial_s[mine[[low, min(high, len(mine) - 1)]]].mean()
    return middle_s


def minority(called, before, z, striker, u_beat) -> np.ndarray:
    """Return the calls that can stand: some at a time, and never half of a striker's pins.

    When most of a row is out, it is the row (its delay) that is out. And one pin far out draws the delay and the motion
    to itself until it is called, so that its innocent neighbours seem out the other way: the furthest out go first.

    Parameters
    ----------
    called, before : np.ndarray of bool, shape=(n_pins,)
        Calls of this round, and those that stood in the last.
    z : np.ndarray, shape=(n_pins,)
    striker : np.ndarray of int, shape=(n_pins,)
    u_beat : np.ndarray, shape=(n_pins,)
        Where it is written.
    """
    called = called & (before | _furthest_around(called & ~before, z, u_beat))
    kept = np.zeros(len(called), dtype=bool)
    for one in np.unique(striker):
        mine = np.flatnonzero(striker == one)
        out = mine[called[mine]]
        fresh = max(1, len(mine) // FRESH)
        most = min((len(mine) - 1) // 2, fresh + int(before[mine].sum()))
        kept[out[np.argsort(-np.abs(z[out]), kind="stable")][:most]] = True
    return kept


def _furthest_around(fresh, z, u_beat):
    """Return which of the `fresh` calls have none further out within AROUND_BEAT."""
    first = np.zeros(len(fresh), dtype=bool)
    for pin in sorted(np.flatnonzero(fresh), key=lambda one: -abs(z[one])):
        first[pin] = not (np.abs(u_beat[first] - u_beat[pin]) < AROUND_BEAT).any()
    return first


def weights(rest_s, scatter_s, freak_s: float) -> np.ndarray:
    """Return the weight of each hit by its distance from the model: 1, then (3/z)², 0 for a freak."""
    z = np.abs(rest_s) / scatter_s
    weight = np.minimum(1.0, (OUTLYING / np.maximum(z, OUTLYING)) ** 2)
    return np.where((np.abs(rest_s) > freak_s) & (z > 10), 0.0, weight)
