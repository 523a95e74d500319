"""Test whether something (a miss, a rebound) happens at a pin more often than chance allows at its striker's rate.

In: counts and numbers of strikes, and the striker, of each pin. Out: false discovery rate of each pin.

By chance the count at a pin is beta-binomial (Skellam 1948): the rate of a striker is known from its other pins, and a
beta prior says how much strikers of the group differ. Pins that are called do not inform the rates in the next round.
False discoveries are controlled over all pins of the group (Benjamini & Hochberg 1995).
"""

import numpy as np
from scipy import stats

CALLED_Q = 0.05  # false discovery rate of the calls
ROUNDS = 5  # of calling; calls that still change then are kept as they are


def q_values(count: np.ndarray, total: np.ndarray, striker: np.ndarray) -> np.ndarray:
    """Return the false discovery rate at which each pin would be called.

    Parameters
    ----------
    count, total : np.ndarray of int, shape=(n_pins,)
        How often it happened, of how many strikes.
    striker : np.ndarray of int, shape=(n_pins,)
    """
    q = np.ones(len(count))
    called = np.zeros(len(count), dtype=bool)
    for _ in range(ROUNDS if len(count) else 0):
        q = stats.false_discovery_control(_by_chance(count, total, striker, ~called))
        if ((q < CALLED_Q) == called).all():
            break
        called = q < CALLED_Q
    return q


def _by_chance(count, total, striker, ordinary):
    """Return the chance of `count` or more at each pin, by the rate at the `ordinary` others of its striker.

    One more is added to what the others have: without a prior the chance is then that of Fisher's exact test
    (hypergeometric). Of the only miss of a machine, the others alone would say that it cannot be chance.
    """
    n = striker.max() + 1
    seen, of = (np.bincount(striker, one * ordinary, n) for one in (count, total))
    mean, weight = _prior(seen, of)
    others, of_others = seen[striker] - count * ordinary, of[striker] - total * ordinary
    yes, no = others + 1 + weight * mean, of_others - others + weight * (1 - mean)
    return np.minimum(1.0, stats.betabinom.sf(count - 1, total, yes, no))


def _prior(seen, of):
    """Return the mean of the strikers' rates and how many strikes it is worth (Pearson's dispersion, by moments).

    At most all strikes of the group, when the strikers are alike; at least one, as when there is one striker only.
    """
    mean = (seen.sum() + 0.5) / (of.sum() + 1)
    has = of > 0
    if has.sum() < 2:
        return mean, 1.0
    excess = ((seen - of * mean)[has] ** 2 / (of[has] * mean * (1 - mean))).sum() - (has.sum() - 1)
    alike = excess / max((of[has] - 1).sum(), 1.0)
    return mean, float(np.clip(1 / max(alike, 1e-9) - 1, 1.0, max(of.sum(), 1.0)))
