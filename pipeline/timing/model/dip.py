"""Test whether numbers have more than one hump: the dip of Hartigan & Hartigan (1985, Ann. Stat. 13, 70).

The dip is the greatest distance between the empirical distribution and the unimodal one that lies nearest. Heavy tails
and skewness do not raise it. Chance is that of even numbers, the worst case.
"""

import numpy as np

# sqrt(n) × dip that even numbers exceed with these chances, n = 72 000: the quantiles of 10⁶ simulations by M. Maechler
# (R package diptest 0.75, table qDiptab, as the package diptest 0.12 on PyPI holds it). Fewer numbers exceed them less.
CHANCES = (1, 0.9, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001, 0.0005, 0.0002, 0.0001, 5e-05, 2e-05, 1e-05)
LEVELS = (
    *(0.1729, 0.2938, 0.3785, 0.4552, 0.5026, 0.5452, 0.5966, 0.6327, 0.6664),
    *(0.7090, 0.7386, 0.7676, 0.8015, 0.8300, 0.8585, 0.8927, 0.9105),
)


def dip(values) -> float:
    """Return the dip; 0 for fewer than four values, of which any may be unimodal.

    The modal interval is narrowed as in section 4 of the paper: left of it the distribution is compared with its
    greatest convex minorant, right of it with its least concave majorant. Equal values are one jump, which raises the
    dip.
    """
    x = np.sort(np.asarray(values, dtype=float))
    if len(x) < 4 or x[0] == x[-1]:
        return 0.0
    place, last = np.unique(x, return_index=True)
    below = last / len(x)
    upto = np.append(last[1:], len(x)) / len(x)
    low, high, found = 0, len(place) - 1, 1 / len(x)
    while True:
        inside = slice(low, high + 1)
        convex = _hull(place[inside], below[inside])
        concave = -_hull(place[inside], -upto[inside])
        touch_low = np.flatnonzero(convex >= below[inside] - 1e-12)
        touch_high = np.flatnonzero(concave <= upto[inside] + 1e-12)
        apart = concave - convex
        at = np.union1d(touch_low, touch_high)
        widest = at[np.argmax(apart[at])]
        if apart[widest] <= found + 1e-12:
            return found / 2
        # The modal interval ends where each curve touches the distribution around the widest place.
        first = touch_low[touch_low <= widest].max()
        end = touch_high[touch_high >= widest].min()
        left = (upto[inside] - convex)[: first + 1].max()
        right = (concave - below[inside])[end:].max()
        found = max(found, left, right)
        if first == 0 and end == high - low:
            return found / 2
        low, high = low + first, low + end


def chance(size: float, n: int) -> float:
    """Return how probable so large a dip of `n` even numbers is, from the table; at least its smallest chance."""
    level = np.sqrt(n) * size
    return float(np.exp(np.interp(level, LEVELS, np.log(CHANCES))))


def _hull(x, y) -> np.ndarray:
    """Return the greatest convex function below the points (x sorted), at x."""
    corners = []
    for k in range(len(x)):
        while len(corners) > 1:
            i, j = corners[-2:]
            if (y[j] - y[i]) * (x[k] - x[i]) >= (y[k] - y[i]) * (x[j] - x[i]):
                corners.pop()
            else:
                break
        corners.append(k)
    return np.interp(x, x[corners], y[corners])
