"""Predict each strike from its neighbours: a robust local line through their times (Cleveland 1979).

Deviation: the strike itself is left out, or a wrong match would vouch for itself. All functions that call each other
compiled are in this file (see `compiled`).
"""

import numpy as np

from pipeline.aligned.compiled import compiled

# Chosen on simulated takes where no other source is named.
NEIGHBOURS = 7  # onsets on each side of a local line
REACH = 1.15  # times the furthest neighbour's distance, so that its weight is not 0
LEAST_SCATTER_S = 1e-3  # of the neighbours, for the robust weights
UNTOLD_LEVER = 4.0  # leverage of a line whose slope its points do not tell


@compiled
def local_lines(score_s, hit_s, segment, near):
    """Return the value at each member of a robust line through the matched onsets about it, itself left out.

    Beside it the scatter of those about the line, and the line's variance at the member in units of a mean weight's.
    NaN and 0 for members that are not `near` or have fewer than three neighbours.

    Parameters
    ----------
    score_s, hit_s : ndarray, shape (n_members,)
        Nominal time in order, and time of its hit (NaN: none).
    segment : ndarray of int, shape (n_members,)
        No line crosses from one segment into another.
    near : ndarray of bool, shape (n_members,)
        Which members to predict.

    Returns
    -------
    due, scatter, lever : ndarray, shape (n_members,)
    """
    n, most = len(score_s), 4 * NEIGHBOURS + 4
    due, scatter, lever = np.full(n, np.nan), np.full(n, np.nan), np.zeros(n)
    x, y = np.zeros(most), np.zeros(most)
    for k in range(n):
        if not near[k]:
            continue
        count = _neighbours(score_s, hit_s, segment, k, x, y)
        if count >= 3:
            due[k], scatter[k], lever[k] = _robust_line(x[:count], y[:count])
    return due, scatter, lever


@compiled
def _neighbours(score_s, hit_s, segment, k, x, y):
    """Write how far the matched members about member k lie from it (nominal) and when they struck; return how many."""
    count = 0
    for side in (-1, 1):
        n_onsets, last = 0, np.nan
        a = k + side
        while 0 <= a < len(score_s) and n_onsets <= NEIGHBOURS and count < len(x):
            if segment[a] != segment[k]:
                break
            if np.isfinite(hit_s[a]):
                if score_s[a] != last:
                    n_onsets += 1
                    last = score_s[a]
                if n_onsets <= NEIGHBOURS:
                    x[count], y[count] = score_s[a] - score_s[k], hit_s[a]
                    count += 1
            a += side
    return count


@compiled
def _robust_line(x, y):
    """Return value at 0, scatter and leverage of a line with tricube weights, made robust twice (Cleveland 1979)."""
    count = len(x)
    reach = 1e-3
    for a in range(count):
        reach = max(reach, abs(x[a]))
    reach *= REACH
    w, rest = np.empty(count), np.empty(count)
    for a in range(count):
        w[a] = (1 - abs(x[a] / reach) ** 3) ** 3
    level, slope, lever = _line(x, y, w)
    scatter = np.nan
    for _ in range(2):
        for a in range(count):
            rest[a] = abs(y[a] - level - slope * x[a])
        middle = np.median(rest)
        scatter = 1.5 * middle  # about a standard deviation
        scale = 6 * max(middle, LEAST_SCATTER_S)  # Cleveland's six medians
        for a in range(count):
            tricube = (1 - abs(x[a] / reach) ** 3) ** 3
            part = rest[a] / scale
            w[a] = tricube * ((1 - part * part) ** 2 if part < 1 else 0.0) + 1e-9
        level, slope, lever = _line(x, y, w)
    return level, scatter, lever


@compiled
def _line(x, y, w):
    """Return value at 0, slope and leverage at 0 of the weighted line; slope 1 where the points do not tell it."""
    sw, sx, sy, sxx, sxy = 0.0, 0.0, 0.0, 0.0, 0.0
    for a in range(len(x)):
        sw += w[a]
        sx += w[a] * x[a]
        sy += w[a] * y[a]
        sxx += w[a] * x[a] * x[a]
        sxy += w[a] * x[a] * y[a]
    spread = sw * sxx - sx * sx
    tells = spread > 1e-9 * sw * sw
    slope = (sw * sxy - sx * sy) / spread if tells else 1.0
    return (sy - slope * sx) / sw, slope, sxx / spread * sw if tells else UNTOLD_LEVER
