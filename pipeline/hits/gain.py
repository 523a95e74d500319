"""Tell from noise and strikes whether somebody or something turned the gain during a take."""

from dataclasses import dataclass

import numpy as np

from pipeline.hits import ground

FEWEST = 8  # strikes from which anything is told
PIECE_S = 1.0
FLOOR_QUANTILE = 0.2  # of a piece's levels: what lies under its strikes
NEAR_PIECES = 8  # on either side of a step
LEAST_PIECES = 3
AT_ONCE = 0.6  # of a step comes within two pieces
STEP_DB = 2.0  # the least of the steps of noise and strikes
UNLIKE_DB, UNLIKE = 2.0, 0.45  # dB or share by which they may differ: strikes are not all alike
UNSURE = 3.0  # standard errors of the strikes' level that are granted, too
CROWD_S = 0.34  # gaps between strikes that are long enough to see the noise come back
EARLY_S, LATE_S = 0.06, (0.10, 0.03)  # from the strike on; before the next
SMOOTH = 3  # pieces
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
    best = None
    for at in range(LEAST_PIECES, n - LEAST_PIECES):
        found = _step_at(at, floor_db, hit_s / PIECE_S, level_db)
        if found is not None and (best is None or abs(found) > abs(best.step_db)):
            best = Step(found, at * PIECE_S)
    return best


def _step_at(at: int, floor_db: np.ndarray, piece: np.ndarray, level_db: np.ndarray) -> float | None:
    """Return the step (dB) in piece `at`, which may fall anywhere within it."""
    early, late = floor_db[:at], floor_db[at + 1 :]
    near = np.median(late[:NEAR_PIECES]) - np.median(early[-NEAR_PIECES:])
    whole = np.median(late) - np.median(early)
    at_once = np.median(late[:LEAST_PIECES]) - np.median(early[-LEAST_PIECES:])
    before, after = level_db[piece < at], level_db[piece > at + 1]
    if min(len(before), len(after)) < FEWEST // 2:
        return None
    # The upper quarter: what leaks in is softer than strikes.
    struck = np.quantile(after, 0.75) - np.quantile(before, 0.75)
    sign, sizes = np.sign(struck), np.array([near, whole, struck])
    least = (sizes * sign).min()
    scatter = max(_scatter(early), _scatter(late))
    # Of few strikes the level is known less well.
    unsure = UNSURE * np.hypot(*(_scatter(side) / np.sqrt(len(side)) for side in (before, after)))
    if (
        least < STEP_DB
        or abs(near - struck) > max(UNLIKE_DB, UNLIKE * abs(near), unsure)
        or at_once * sign < AT_ONCE * least
        or scatter > least / 2
    ):
        return None
    return float(near)


def _scatter(values: np.ndarray) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def pumping_db(upper_db: np.ndarray, mine_s: np.ndarray, all_s: np.ndarray) -> float | None:
    """Return by how much the noise is lower after this channel's strikes than before the next, if it is.

    A body that rings, and a neighbour's leak, can only make it higher.

    Parameters
    ----------
    mine_s, all_s : array
        Times of this channel's strikes, and of those of all channels, in order.
    """
    after = np.searchsorted(all_s, mine_s + 1e-3)
    after = after[after < len(all_s)]
    mine_s = mine_s[: len(after)]
    rises = []
    for begin_s, end_s in zip(mine_s, all_s[after], strict=True):
        if end_s - begin_s < CROWD_S:
            continue
        end_s = min(end_s, begin_s + 3.0)
        first, last = int((begin_s + EARLY_S) / ground.PIECE_S) + 1, int((end_s - LATE_S[0]) / ground.PIECE_S)
        late_db = upper_db[last : int((end_s - LATE_S[1]) / ground.PIECE_S)].astype(float)
        early_db = upper_db[first:last].astype(float)
        if len(early_db) < 2 * SMOOTH or not len(late_db):
            continue
        smooth = np.convolve(early_db, np.ones(SMOOTH) / SMOOTH, "valid")
        rises.append(np.median(late_db) - smooth.min())
    if len(rises) < FEWEST or np.median(rises) < PUMPING_DB or np.mean(np.array(rises) > 1) < 0.8:
        return None
    return float(np.median(rises))
