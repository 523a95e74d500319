"""Flag misplaced pins among the many that are only scattered.

Pins come in two parts: most are N(0, σ_P²), a few are far out. A pin is flagged on its standardised estimate, with the
false discovery rate held (Benjamini & Hochberg 1995), and only when its strikes agree. Flagged pins have no prior.
"""

from dataclasses import replace

import numpy as np
from scipy import special, stats

from pipeline.timing.fitting import lateness_parts
from pipeline.timing.fitting.lateness_parts import Residuals
from pipeline.timing.fitting.prepared import Prepared
from pipeline.timing.fitting.state import State
from pipeline.timing.model.solution import Solved

MISPLACED_Q = 0.01  # false discovery rate: of a hundred flagged pins one may stand right; free: 0.002
CANDIDATE_Z = 2.5  # standard deviations from which a pin's strikes are compared; free: 0
AGREE_Z = 4.0  # standard deviations of scatter within which two strikes of one pin agree; free: 0
AGREE_SHARE = 0.6  # of the mean of three strikes or more that their median must be; half is free: 0; 1 is all there is
# One pin in so many of a striker is newly flagged in a round, at least one. 40 is free: 0; 10 moves estimates by 0.15.
NEW_SHARE = 20
AROUND_BEAT = 2.0  # flags nearer than this come one after the other; free: 0.001
MOST_WITHDRAWN = 2  # withdrawn flags after which a pin is not flagged any more: ends a coming and going; free: 0
LEAST_VARIANCE = 1e-4  # of σ_P², for an estimate that the prior alone makes: keeps z finite; free: 0


def flag(prepared: Prepared, state: State, residuals: Residuals, pin_sd_s: float) -> State:
    """Return the state with new flags."""
    hits, pins = prepared.hits, prepared.pins
    z, q = _tested(prepared, state.flagged, residuals.pin_s, residuals.pin_variance, pin_sd_s)
    candidates = np.flatnonzero(pins.testable & (np.abs(z) > CANDIDATE_Z))
    agree = agreeing(candidates, hits.pin, residuals.partial_s, residuals.scatter_s)
    q[candidates[~agree]] = 1.0
    wanted = (q < MISPLACED_Q) & (state.n_withdrawn < MOST_WITHDRAWN)
    flagged = minority(wanted, state.flagged, z, pins.striker, pins.u_beat)
    return replace(state, flagged=flagged, n_withdrawn=state.n_withdrawn + (state.flagged & ~flagged), pin_q=q)


def withdraw(prepared: Prepared, state: State, solved: Solved) -> State:
    """Return the state without the flags that are not significant now that no flagged pin has a prior.

    The flags of some pins in a row can each be significant only because of the others.
    """
    _, q = _tested(prepared, state.flagged, *lateness_parts.pin_estimates(prepared, solved), solved.scales.pin_sd_s)
    flagged = state.flagged & (q < MISPLACED_Q)
    return replace(state, flagged=flagged, pin_q=q, company_variance=np.where(flagged, state.company_variance, 0.0))


def _tested(prepared, flagged, estimate, variance, pin_sd_s):
    """Return standardised estimate and false discovery rate of each pin."""
    z = standardised(estimate, np.nan_to_num(variance), flagged, pin_sd_s)
    return z, q_values(z, prepared.pins.testable)


def q_values(z, testable) -> np.ndarray:
    """Return the false discovery rate at which each pin would be flagged (Benjamini & Hochberg 1995).

    Parameters
    ----------
    z : np.ndarray, shape=(n_pins,)
        Standardised estimates.
    testable : np.ndarray of bool, shape=(n_pins,)

    Returns
    -------
    np.ndarray, shape=(n_pins,), 0 to 1
        1 where a pin cannot be tested.
    """
    q = np.ones(len(z))
    if testable.any():
        q[testable] = stats.false_discovery_control(special.erfc(np.abs(z[testable]) / np.sqrt(2)))
    return q


def standardised(estimate, variance, flagged, pin_sd_s) -> np.ndarray:
    """Return how many standard deviations of an ordinary pin each estimate lies out.

    The estimate of a pin with its prior has the variance σ_P² − V, V its posterior variance; of one without, V + σ_P².

    Parameters
    ----------
    estimate, variance : np.ndarray, shape=(n_pins,)
    flagged : np.ndarray of bool, shape=(n_pins,)
        Pins without a prior.
    pin_sd_s : float
        σ_P.
    """
    shrunk = np.maximum(pin_sd_s**2 - variance, LEAST_VARIANCE * pin_sd_s**2)
    return estimate / np.sqrt(np.where(flagged, variance + pin_sd_s**2, shrunk))


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
            agree[place] = abs(mine[0] - mine[1]) <= AGREE_Z * np.sqrt(2) * scatter_s[order[first]]
        elif len(mine) > 2:
            agree[place] = abs(np.median(mine)) > AGREE_SHARE * abs(np.mean(mine))
    return agree


def minority(wanted, before, z, striker, u_beat) -> np.ndarray:
    """Return the flags to set: some new ones at a time, and never half of a striker's pins.

    When most pins of a striker are out, it is its delay that is out. And one pin far out pulls the delay and the motion
    to itself until it is flagged, so that its neighbours seem out to the other side: the furthest out is flagged first.

    Parameters
    ----------
    wanted, before : np.ndarray of bool, shape=(n_pins,)
        Pins that are significant in this round, and those that are flagged already.
    z : np.ndarray, shape=(n_pins,)
    striker : np.ndarray of int, shape=(n_pins,)
    u_beat : np.ndarray, shape=(n_pins,)
        Where it is written, nominal beats.
    """
    wanted = wanted & (before | _furthest_around(wanted & ~before, z, u_beat))
    kept = np.zeros(len(wanted), dtype=bool)
    for one in np.unique(striker):
        mine = np.flatnonzero(striker == one)
        out = mine[wanted[mine]]
        n_new = max(1, len(mine) // NEW_SHARE)
        most = min((len(mine) - 1) // 2, n_new + int(before[mine].sum()))
        kept[out[np.argsort(-np.abs(z[out]), kind="stable")][:most]] = True
    return kept


def _furthest_around(new, z, u_beat):
    """Return which of the `new` flags have none further out within AROUND_BEAT."""
    first = np.zeros(len(new), dtype=bool)
    for pin in sorted(np.flatnonzero(new), key=lambda one: -abs(z[one])):
        first[pin] = not (np.abs(u_beat[first] - u_beat[pin]) < AROUND_BEAT).any()
    return first
