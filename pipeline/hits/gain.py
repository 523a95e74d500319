"""Tell from noise and strikes whether somebody or something turned the gain during a take."""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from pipeline.hits import ground

FEWEST, FEWEST_SIDE = 8, 2  # strikes from which anything is told; before and after a step
PIECE_S = 1.0
FLOOR_QUANTILE = 0.2  # of a piece's levels: what lies under its strikes
NEAR_PIECES = 8  # on either side of a step
LEAST_PIECES, SOON_PIECES = 6, 3
AT_ONCE = 0.6  # of a step comes within two pieces
STEP_DB = 2.0  # the least of the steps of noise and strikes
SCATTER_DB, MOST_DB = 0.6, 30.0  # of the noise on either side; a larger step is no hand on a knob
UNLIKE_DB, UNLIKE = 2.0, 0.6  # dB or share by which they may differ: strikes are not all alike
UNSURE = 3.0  # standard errors of the strikes' level that are granted, too
ALONE_S, TOGETHER_S = 0.25, 0.012  # a strike alone has no other this long before; a chord is one strike
BEFORE_S, AFTER_S = ((0.16, 0.09), (0.09, 0.02)), (0.05, 0.4)  # where noise is looked at, from the strike
GUARD_S, LEAST_AFTER_S = 0.02, 0.12  # before the next strike; what must be free after one
RINGING_DB = 0.5  # by which a level falls that is no noise
SMOOTH = 3  # pieces
MOST = 1000  # strikes that are looked at
PUMPING_DB = 2.5


@dataclass(frozen=True)
class Step:
    """A step of the gain."""

    step_db: float
    time_s: float


def step(upper_db: np.ndarray, hit_s: np.ndarray, level_db: np.ndarray) -> Step | None:
    """Find a step at which noise and strikes change by the same amount, at once.

    Parameters
    ----------
    upper_db : (n,) array
        `ground.upper_db`, one after the other from the first sample.
    hit_s, level_db : (n_hits,) array
        Of this channel.
    """
    size = round(PIECE_S / ground.PIECE_S)
    n = len(upper_db) // size
    if n < 2 * LEAST_PIECES + 2 or len(hit_s) < FEWEST:
        return None
    floor_db = np.quantile(upper_db[: n * size].reshape(n, size).astype(float), FLOOR_QUANTILE, axis=1)
    best, steepest = None, 0.0
    for at in _changes(floor_db):
        found = _step_at(at, floor_db, hit_s / PIECE_S, level_db)
        steepness = abs(floor_db[at + 1] - floor_db[at - 1])
        if found is not None and steepness > steepest:
            best, steepest = Step(found, (at + 0.5) * PIECE_S), steepness
    return best


def _changes(floor_db: np.ndarray) -> np.ndarray:
    """Return the pieces that may hold a step: around which the level changes, or too near an end to tell."""
    at = np.arange(LEAST_PIECES, len(floor_db) - LEAST_PIECES)
    middle = np.median(sliding_window_view(floor_db, NEAR_PIECES), axis=1)
    told = (at >= NEAR_PIECES) & (at < len(floor_db) - NEAR_PIECES)
    near_db = middle[np.minimum(at + 1, len(middle) - 1)] - middle[np.maximum(at - NEAR_PIECES, 0)]
    return at[~told | (np.abs(near_db) >= STEP_DB)]


def _step_at(at: int, floor_db: np.ndarray, piece: np.ndarray, level_db: np.ndarray) -> float | None:
    """Return the step (dB) in piece `at`, which may fall anywhere within it."""
    early, late = floor_db[:at], floor_db[at + 1 :]
    near = np.median(late[:NEAR_PIECES]) - np.median(early[-NEAR_PIECES:])
    whole = np.median(late) - np.median(early)
    at_once = np.median(late[:SOON_PIECES]) - np.median(early[-SOON_PIECES:])
    scatter = max(_scatter(early), _scatter(late))
    sign = np.sign(near)
    if min(near * sign, whole * sign) < STEP_DB or at_once * sign < AT_ONCE * abs(near):
        return None
    # Where music or other noise hides the microphone's own, its level is not the gain's.
    if scatter > SCATTER_DB or abs(near) > MOST_DB:
        return None
    # Strikes may grow over a song, so those near the step tell more; where there are too few, all of them.
    for reach in (NEAR_PIECES, np.inf):
        before = level_db[(piece < at) & (piece > at - reach)]
        after = level_db[(piece > at + 1) & (piece < at + 1 + reach)]
        if min(len(before), len(after)) < FEWEST_SIDE:
            continue
        # The upper quarter: what leaks in is softer than strikes.
        struck = np.quantile(after, 0.75) - np.quantile(before, 0.75)
        # Of few strikes the level is known less well.
        spread_db = max(_scatter(before), _scatter(after))
        unsure = UNSURE * spread_db * np.sqrt(1 / len(before) + 1 / len(after))
        if struck * sign > STEP_DB and abs(near - struck) < max(UNLIKE_DB, UNLIKE * abs(near), unsure):
            return float(near)
    return None


def _scatter(values: np.ndarray) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def pumping_db(upper_db: np.ndarray, mine_s: np.ndarray, all_s: np.ndarray) -> float | None:
    """Return by how much the noise is lower after this channel's strikes than before them, if it is.

    A body that rings, and a neighbour's leak, can only make it higher. What was there before counts as noise where it
    did not fall towards the strike.

    Parameters
    ----------
    mine_s, all_s : array
        Times of this channel's strikes, and of those of all channels, in order.
    """
    falls = []
    for at_s in mine_s[:: -(-len(mine_s) // MOST) or 1]:
        place = np.searchsorted(all_s, at_s - 1e-3)
        last_s = all_s[place - 1] if place else -np.inf
        after = np.searchsorted(all_s, at_s + TOGETHER_S)
        next_s = all_s[after] if after < len(all_s) else np.inf
        until_s = min(AFTER_S[1], next_s - at_s - GUARD_S)
        if at_s - last_s < ALONE_S or until_s < LEAST_AFTER_S:
            continue
        older, newer = (_between(upper_db, at_s - begin, at_s - end) for begin, end in BEFORE_S)
        later = _between(upper_db, at_s + AFTER_S[0], at_s + until_s)
        if not len(older) or len(later) < SMOOTH:
            continue
        if np.median(newer) > np.median(older) - RINGING_DB:
            falls.append(np.median(newer) - np.convolve(later, np.ones(SMOOTH) / SMOOTH, "valid").min())
    if len(falls) < FEWEST or np.median(falls) < PUMPING_DB or np.mean(np.array(falls) > 1) < 0.8:
        return None
    return float(np.median(falls))


def _between(upper_db: np.ndarray, begin_s: float, end_s: float) -> np.ndarray:
    """Return the levels of the pieces that lie wholly between two times."""
    first, last = int(np.ceil(begin_s / ground.PIECE_S)), int(end_s / ground.PIECE_S)
    return upper_db[max(first, 0) : max(last, 0)].astype(float) if first >= 0 else np.zeros(0)
