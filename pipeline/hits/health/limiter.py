"""Find a limiter, compressor or automatic gain by the noise between strikes, and estimate its gain reduction.

In: the level of a channel's high bands over time, times and levels of strikes. Out: gain reduction in dB, or None.

A limiter that a loud strike has turned down comes back exponentially in its release time, and the noise rises with it.
A body that rings can only make the noise fall after a strike. So the noise between strikes is regressed on the share of
the gain reduction that would be left, for one release time and two thresholds.
"""

import numpy as np

from pipeline.hits.health import background

LEAST_STRIKES = 8  # chosen: fewer say little of the loudest, on which the threshold rests
# A little above the rounding noise of 16 bit, -101 dB without dither. Measured: softer noise that is rounded comes and
# goes as behind a limiter (test_hits_health.py).
ROUNDED_DB = -97.0
# Noise is looked at so long after a strike and before the next. The first is measured; of the second, half and double
# change no test, but 0 makes one fail.
AFTER_STRIKE_S, BEFORE_STRIKE_S = 0.04, 0.02
STRIKE_PIECES, MOMENT_PIECES = 3, 3  # chosen: length of a strike and of a moment, in `background.LEVEL_PIECE_S`
LEAST_WINDOWS = 4  # chosen: the standard error is estimated from the windows; from fewer it is too uncertain
WINDOW_S = 2.0  # chosen: noise is compared within windows of this length, so that it may change over a take
# Measured: a level so far above the median of its window is another sound and is clipped there.
MOST_DEVIATION_DB = 2.0
# Measured: share of the pieces that may lie there; takes with a limiter reached 0.14.
MOST_DISTURBED_SHARE = 0.18
# Measured (hits_health.py): with this one, limiters of 0.15 to 0.6 s that move levels by 1 dB are found as often as
# with 0.15, 0.3 and 0.6; of those that move them less, which nobody hears, 72 of 110 instead of 77.
RELEASE_S = 0.3
LOUD_QUANTILE = 0.95  # chosen: of the strikes' levels; such a strike has all of the gain reduction
# Measured: from there down to the threshold of the limiter. With one of the two alone fewer limiters are found.
THRESHOLDS_BELOW_DB = (4.0, 12.0)
# Scatter of the level in a piece: a standard error from few windows may be too small by chance. Measured: with 0,
# hits_health.py finds limiters where there are none.
PIECE_SE_DB = 0.3
TOLD_QUANTILE = 0.98  # of the pieces' share of the gain reduction; chosen: where most of it is left
SLOPE_TO_SE, LEAST_REDUCTION_DB = 4.0, 0.5  # measured: a smaller slope is chance; a smaller reduction moves nothing


def gain_reduction_db(level_db: np.ndarray, all_s: np.ndarray, hit_s: np.ndarray, hit_db: np.ndarray) -> float | None:
    """Estimate gain reduction between strikes, dB; None if there is none for sure.

    It is less than what the limiter takes off at the strike itself, since noise is seen only some time later.

    Parameters
    ----------
    level_db : (n,) array
        `Watch.level_db` of this channel.
    all_s : (n_all,) array
        Times of the strikes of all channels, in order, from the first piece on.
    hit_s, hit_db : (n_hits,) array
        Times and levels of this channel's strikes. If they are fewer than LEAST_STRIKES, the loudness of all channels'
        strikes in this channel is taken instead.

    Returns
    -------
    float or None
        At least LEAST_REDUCTION_DB.
    """
    level_db = level_db.astype(float)
    if len(hit_s) < LEAST_STRIKES:
        hit_s, hit_db = _loudness_here(level_db, all_s)
    at = _still(level_db, all_s)
    begin, size = _windows(at)
    if len(hit_s) < LEAST_STRIKES or len(begin) < LEAST_WINDOWS or np.median(level_db[at]) < ROUNDED_DB:
        return None
    deviation_db = _deviation_db(level_db[at], begin, size)
    if np.mean(deviation_db == MOST_DEVIATION_DB) > MOST_DISTURBED_SHARE:
        return None
    best_db, surest = None, SLOPE_TO_SE
    for threshold_db in THRESHOLDS_BELOW_DB:
        left = _share_left(len(level_db), hit_s, hit_db, threshold_db)[at]
        centred = left - np.repeat(np.add.reduceat(left, begin) / size, size)
        if not centred.any():
            continue
        slope_db, slope_se_db = _slope(centred, -deviation_db, begin)
        reduction_db = slope_db * np.quantile(left, TOLD_QUANTILE)
        if reduction_db > LEAST_REDUCTION_DB and slope_db > surest * slope_se_db:
            best_db, surest = reduction_db, slope_db / slope_se_db
    return best_db


def _loudness_here(level_db: np.ndarray, at_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the times of strikes, and the level of this channel at each."""
    piece = (at_s / background.LEVEL_PIECE_S).astype(int)
    inside = (piece >= 0) & (piece + STRIKE_PIECES < len(level_db))
    piece = piece[inside]
    return at_s[inside], np.max([level_db[piece + k] for k in range(STRIKE_PIECES)], axis=0)


def _still(level_db: np.ndarray, at_s: np.ndarray) -> np.ndarray:
    """Return the pieces between strikes that come after the quietest moment of their gap: before it, bodies ring.

    The quietest moment itself is left out, too: noise alone has one, and would seem to rise from it.
    """
    start_s = np.arange(len(level_db)) * background.LEVEL_PIECE_S
    gap = np.searchsorted(at_s, start_s - AFTER_STRIKE_S, "right")
    at = np.flatnonzero(gap == np.searchsorted(at_s, start_s + background.LEVEL_PIECE_S + BEFORE_STRIKE_S, "left"))
    if len(at) < MOMENT_PIECES:
        return at[:0]
    begin = np.flatnonzero(np.diff(gap[at], prepend=-1))
    size = np.diff(begin, append=len(at))
    smooth_db = np.full(len(at), np.inf)
    smooth_db[1:-1] = np.convolve(level_db[at], np.ones(MOMENT_PIECES) / MOMENT_PIECES, "valid")
    smooth_db[begin] = smooth_db[begin + size - 1] = np.inf  # these lie in two gaps
    quietest_db = np.repeat(np.minimum.reduceat(smooth_db, begin), size)
    place = np.arange(len(at))
    quietest = np.minimum.reduceat(np.where(smooth_db == quietest_db, place, len(at)), begin)
    quietest[gap[at[begin]] == 0] = -MOMENT_PIECES  # before the first strike nothing rings
    return at[place > np.repeat(quietest, size) + MOMENT_PIECES // 2]


def _windows(at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return where in `at`, pieces in order, each window begins, and how many of the pieces it holds."""
    window = (at * background.LEVEL_PIECE_S / WINDOW_S).astype(int)
    begin = np.flatnonzero(np.diff(window, prepend=-1))
    return begin, np.diff(begin, append=len(at))


def _deviation_db(level_db: np.ndarray, begin: np.ndarray, size: np.ndarray) -> np.ndarray:
    """Return how far each level lies above the median of its window, at most MOST_DEVIATION_DB."""
    window = np.repeat(np.arange(len(begin)), size)
    middle_db = level_db[np.lexsort((level_db, window))][begin + size // 2]
    return np.minimum(level_db - middle_db[window], MOST_DEVIATION_DB)


def _share_left(n: int, hit_s: np.ndarray, hit_db: np.ndarray, threshold_db: float) -> np.ndarray:
    """Return the share of the loud strikes' gain reduction that is left in each piece, (n,) array.

    The threshold of the limiter lies `threshold_db` below the loud strikes.
    """
    share = np.clip(1 + (hit_db - np.quantile(hit_db, LOUD_QUANTILE)) / threshold_db, 1e-9, 1)
    # The strike counts of which most is left: in logarithms, the highest of parallel lines.
    line = np.full(n, -np.inf)
    piece = np.clip((hit_s / background.LEVEL_PIECE_S).astype(int), 0, n - 1)
    np.maximum.at(line, piece, np.log(share) + hit_s / RELEASE_S)
    middle_s = (np.arange(n) + 0.5) * background.LEVEL_PIECE_S
    return np.exp(np.minimum(np.maximum.accumulate(line) - middle_s / RELEASE_S, 0))


def _slope(x: np.ndarray, y: np.ndarray, begin: np.ndarray) -> tuple[float, float]:
    """Return the slope of `y` over `x` and its standard error; windows begin at `begin`, and `x` is centred in each.

    Errors within a window are correlated, so the standard error is cluster-robust, with windows as clusters (Liang &
    Zeger 1986, "Longitudinal data analysis using generalized linear models"). Deviation: PIECE_SE_DB is added, which
    keeps it from being too small by chance where few windows contribute.
    """
    products, square = np.add.reduceat(x * y, begin), np.add.reduceat(np.square(x), begin)
    total = square.sum()
    slope = products.sum() / total
    n = len(begin)
    windows_se = np.sqrt(np.square(products - slope * square).sum() * n / (n - 1)) / total
    return slope, float(np.hypot(windows_se, PIECE_SE_DB / np.sqrt(total)))
