"""Compare rates of failure: one against the others, and all against a limit; takes may vary more than chance.

Variation between takes beyond the binomial multiplies all variances by the dispersion φ: the counts are divided by it
(effective counts, Rao & Scott 1992), so they need not be whole.
"""

import numpy as np
from scipy import special, stats

from pipeline.words import SURELY

# p of X² below which takes vary more than chance. With two takes φ is hardly known: always to use it, and Student's t
# with it, hides a striker of 10 % among 3 % in a quarter of simulated groups; never to use t calls one in six falsely
# where takes do vary (our own simulation).
VARIED = 0.1


def q_values(p_values) -> np.ndarray:
    """Return the false discovery rate at which each would be called (Benjamini & Hochberg 1995)."""
    p_values = np.asarray(p_values, dtype=float)
    return stats.false_discovery_control(p_values) if len(p_values) else p_values


def dispersion(failed, expected, tried, freedom: int) -> float:
    """Return the variance of `failed` over the binomial one, at least 1; 1 without degrees of freedom.

    Pearson's X² over its degrees of freedom (McCullagh & Nelder 1989, 4.5), from memory. All three of one shape.
    """
    if freedom < 1:
        return 1.0
    variance = expected * np.maximum(1 - expected / np.maximum(tried, 1), 0)
    square = np.divide((failed - expected) ** 2, variance, out=np.zeros(variance.shape), where=variance > 0)
    return max(1.0, float(square.sum()) / freedom)


def dispersion_between(failed, tried) -> tuple[float, float]:
    """Return the dispersion when each take and each striker has its own rate, and its degrees of freedom.

    1, and no end of them, where X² does not say otherwise. Both of shape (n_takes, n_strikers).
    """
    some = failed.sum(axis=0) > 0
    failed, tried = failed[:, some], tried[:, some]
    even = tried * failed.sum(axis=0) / tried.sum(axis=0)
    expected = even * (failed.sum(axis=1) / np.maximum(even.sum(axis=1), 1e-9))[:, None]
    freedom = (failed.shape[0] - 1) * (failed.shape[1] - 1)
    phi = dispersion(failed, expected, tried, freedom)
    return (phi, float(freedom)) if stats.chi2.sf(phi * freedom, max(freedom, 1)) < VARIED else (1.0, np.inf)


def dispersion_of_takes(failed, tried) -> float:
    """Return the dispersion of the takes' totals; both of shape (n_takes,)."""
    return dispersion(failed, tried * failed.sum() / max(tried.sum(), 1), tried, len(failed) - 1)


def above_others(failed, tried, phi: float, freedom: float = np.inf) -> np.ndarray:
    """Return, for each, the chance of failing so often when it fails as often as all the others together.

    Of all failures together, the share that would be its own is that of its tries (binomial, conditional on the total;
    wider than the hypergeometric where failures are not rare). A dispersion that is itself estimated makes of the
    normal deviate a Student's t.

    Parameters
    ----------
    failed, tried : np.ndarray, shape=(n,)
    phi, freedom : float
        Dispersion and its degrees of freedom.
    """
    own, every = np.asarray(failed) / phi, np.sum(failed) / phi
    share = np.asarray(tried) / max(np.sum(tried), 1)
    chance = np.where(own > 0, special.betainc(np.maximum(own, 1e-9), every - own + 1, share), 1.0)
    return chance if np.isinf(freedom) else stats.t.sf(stats.norm.isf(chance), freedom)


def above(failed: float, tried: float, rate: float) -> float:
    """Return the chance of `failed` or more of `tried` when each fails at `rate` (binomial)."""
    return float(special.betainc(failed, tried - failed + 1, rate)) if failed > 0 else 1.0


def interval(failed: float, tried: float) -> tuple[float, float]:
    """Return the 95 % interval of a rate (Wilson 1927)."""
    rate, z2 = failed / tried, SURELY**2
    middle = (failed + z2 / 2) / (tried + z2)
    half = SURELY * np.sqrt(rate * (1 - rate) * tried + z2 / 4) / (tried + z2)
    return float(middle - half), float(middle + half)


def difference(failed: float, tried: float, failed_there: float, tried_there: float) -> tuple[float, float, float]:
    """Return one rate less another, and the 95 % interval (Newcombe 1998, method 10)."""
    one, there = failed / tried, failed_there / tried_there
    low, high = interval(failed, tried)
    low_there, high_there = interval(failed_there, tried_there)
    gap = one - there
    return (
        gap,
        gap - float(np.hypot(one - low, high_there - there)),
        gap + float(np.hypot(high - one, there - low_there)),
    )
