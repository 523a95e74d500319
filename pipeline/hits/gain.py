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
SCATTER_DB, SCATTER, MOST_SCATTER_DB = 0.6, 0.12, 1.5  # of the noise on either side: least, share of the step, most
OWN = 0.6  # share of a step against the other microphones that is no step of theirs
MOST_DB = 30.0  # a larger step is no hand on a knob, and no limiter but a gate
UNLIKE_DB, UNLIKE = 2.0, 0.6  # dB or share by which they may differ: strikes are not all alike
UNSURE = 3.0  # standard errors of the strikes' level that are granted, too
LEVEL_DB, MOVED = 0.3, 0.3  # noise that is level; share of a step by which no other microphone's changes
AMONG = (0.1, 0.5, 0.9)  # quantiles of the strikes
PLUGGED_DB = 15.0  # a larger step of a microphone without strikes before it is a plug
ALONE_S, TOGETHER_S = 0.25, 0.012  # a strike alone has no other this long before; a chord is one strike
BEFORE_S, AFTER_S = ((0.16, 0.09), (0.09, 0.02)), (0.05, 0.4)  # where noise is looked at, from the strike
GUARD_S, LEAST_AFTER_S = 0.02, 0.12  # before the next strike; what must be free after one
RINGING_DB, RISING_DB = 0.5, 3.0  # by which a level falls, and rises, that is no noise
ROUNDED_DB = -97.0  # so quiet, samples of 16 bit hold no noise but their own rounding
SMOOTH = 3  # pieces
MOST = 1000  # strikes that are looked at
LOUDEST, LOUD_DB, STRIKE = 0.95, 13.0, 3  # quantile of the strikes, what is within such reach of it; pieces of one
PUMPING_DB, FEWEST_FALLS, HEARD_DB = (0.8, 2.8), 3, 1.0  # fall of the noise after half and a quarter of them


@dataclass(frozen=True)
class Step:
    """A step of the gain."""

    step_db: float
    time_s: float


def floor_db(upper_db: np.ndarray) -> np.ndarray:
    """Return what lies under the strikes of a channel, a level each PIECE_S, of its `ground.upper_db`."""
    size = round(PIECE_S / ground.PIECE_S)
    return np.quantile(ground.pieces(upper_db, size).astype(float), FLOOR_QUANTILE, axis=1)


def step(
    floor_db: np.ndarray, others_db: list[np.ndarray], hit_s: np.ndarray, level_db: np.ndarray, all_s: np.ndarray
) -> Step | None:
    """Find a step at which noise and strikes change by the same amount, at once.

    Where the noise is level before and after, and that of the other microphones does not change, few strikes will do.

    Parameters
    ----------
    floor_db, others_db : (n,) array, list of such
        `floor_db` of this channel, and of the other microphones.
    hit_s, level_db : (n_hits,) array
        Of this channel.
    all_s : array
        Times of the strikes of all channels.
    """
    if len(floor_db) < 2 * LEAST_PIECES + 2:
        return None
    found = _step(floor_db, floor_db, others_db, hit_s, level_db, all_s)
    others_db = [other for other in others_db if len(other) == len(floor_db)]
    if found is not None or not others_db:
        return found
    # Noise that all microphones hear may come and go.
    return _step(floor_db - np.median(others_db, axis=0), floor_db, others_db, hit_s, level_db, all_s)


def _step(floor_db: np.ndarray, own_db: np.ndarray, others_db: list, hit_s, level_db, all_s) -> Step | None:
    """Find a step of `floor_db` of which the channel's own level, `own_db`, shows the most."""
    best, steepest = None, 0.0
    for at in _changes(floor_db):
        near = _step_of_noise(at, floor_db)
        steepness = abs(floor_db[at + 1] - floor_db[at - 1])
        if near is None or steepness <= steepest:
            continue
        own = [_near(at, own_db, pieces) * np.sign(near) for pieces in (NEAR_PIECES, len(own_db))]
        if min(own) < OWN * abs(near):
            continue
        within = (all_s < at * PIECE_S).any() and (all_s > (at + 1) * PIECE_S).any()
        alone = within and _stands_alone(at, near, floor_db, others_db)
        if _agree(at, near, hit_s / PIECE_S, level_db) or (alone and _may_agree(at, near, hit_s / PIECE_S, level_db)):
            best, steepest = Step(near, (at + 0.5) * PIECE_S), steepness
    return best


def _changes(floor_db: np.ndarray) -> np.ndarray:
    """Return the pieces that may hold a step: around which the level changes, or too near an end to tell."""
    at = np.arange(LEAST_PIECES, len(floor_db) - LEAST_PIECES)
    middle = np.median(sliding_window_view(floor_db, NEAR_PIECES), axis=1)
    told = (at >= NEAR_PIECES) & (at < len(floor_db) - NEAR_PIECES)
    near_db = middle[np.minimum(at + 1, len(middle) - 1)] - middle[np.maximum(at - NEAR_PIECES, 0)]
    return at[~told | (np.abs(near_db) >= STEP_DB)]


def _near(at: int, floor_db: np.ndarray, pieces: int = NEAR_PIECES) -> float:
    return float(np.median(floor_db[at + 1 :][:pieces]) - np.median(floor_db[:at][-pieces:]))


def _step_of_noise(at: int, floor_db: np.ndarray) -> float | None:
    """Return the step (dB) of the noise in piece `at`, which may fall anywhere within it."""
    early, late = floor_db[:at], floor_db[at + 1 :]
    near, at_once, whole = (_near(at, floor_db, pieces) for pieces in (NEAR_PIECES, SOON_PIECES, len(floor_db)))
    sign = np.sign(near)
    if min(near * sign, whole * sign) < STEP_DB:
        return None
    # Where music or other noise hides the microphone's own, its level is not the gain's.
    hidden = max(_scatter(early), _scatter(late)) > max(SCATTER_DB, min(SCATTER * abs(near), MOST_SCATTER_DB))
    return None if hidden or at_once * sign < AT_ONCE * abs(near) or abs(near) > MOST_DB else near


def _agree(at: int, near: float, piece: np.ndarray, level_db: np.ndarray) -> bool:
    """Tell whether the strikes change as the noise does."""
    if len(piece) < FEWEST:
        return False
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
        if struck * np.sign(near) > STEP_DB and abs(near - struck) < max(UNLIKE_DB, UNLIKE * abs(near), unsure):
            return True
    return False


def _stands_alone(at: int, near: float, floor_db: np.ndarray, others_db: list[np.ndarray]) -> bool:
    """Tell whether this channel's noise is level on either side, and no other microphone's changes here."""
    level = max(_scatter(floor_db[:at]), _scatter(floor_db[at + 1 :])) < LEVEL_DB
    # A gate moves further than any noise.
    moved = [MOVED * abs(near) < abs(_near(at, other)) < MOST_DB for other in others_db if len(other) > at + 1]
    return bool(level and moved and not any(moved))


def _may_agree(at: int, near: float, piece: np.ndarray, level_db: np.ndarray) -> bool:
    """Tell whether the strikes of this channel do not speak against a step of the noise: neither the soft nor the loud.

    What leaks in may be taken for strikes, and more of it on one side than on the other.
    """
    before, after = level_db[piece < at], level_db[piece > at + 1]
    if not len(before) or not len(after):
        return abs(near) < PLUGGED_DB
    if min(len(before), len(after)) < FEWEST:
        return True
    struck = np.quantile(after, AMONG) - np.quantile(before, AMONG)
    return bool((np.abs(near - struck) < max(UNLIKE_DB, UNLIKE * abs(near))).any())


def _scatter(values: np.ndarray) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def pumping_db(upper_db: np.ndarray, all_s: np.ndarray) -> float | None:
    """Return by how much the noise is lower after loud strikes than before them, if it is.

    A body that rings can only make it higher. What was there before counts as noise where it did not fall towards the
    strike, nor rise.

    Parameters
    ----------
    upper_db : (n,) array
        `ground.upper_db` of this channel. Whoever strikes: what is loud here counts.
    all_s : array
        Times of the strikes of all channels, in order.
    """
    loud_s = _loud(upper_db, all_s)
    falls = []
    for at_s in loud_s[:: -(-len(loud_s) // MOST) or 1]:
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
        steady = -RINGING_DB < np.median(newer) - np.median(older) < RISING_DB
        fall_db = np.median(newer) - np.convolve(later, np.ones(SMOOTH) / SMOOTH, "valid").min()
        # Where a body still rings, what was turned down cannot be heard.
        if steady and np.median(newer) > ROUNDED_DB and -HEARD_DB < fall_db < MOST_DB:
            falls.append(fall_db)
    if np.sum(np.array(falls) > HEARD_DB) < FEWEST_FALLS:
        return None
    # Not all that is loud here works the limiter as hard.
    usual_db, much_db = np.quantile(falls, (0.5, 0.75))
    return float(much_db) if usual_db > PUMPING_DB[0] and much_db > PUMPING_DB[1] else None


def _loud(upper_db: np.ndarray, at_s: np.ndarray) -> np.ndarray:
    """Return the times of those strikes that are loud in a channel."""
    piece = (at_s / ground.PIECE_S).astype(int)
    inside = (piece >= 0) & (piece + STRIKE < len(upper_db))
    if not inside.any():
        return at_s[:0]
    height_db = np.max([upper_db[piece[inside] + k] for k in range(STRIKE)], axis=0).astype(float)
    return at_s[inside][height_db > np.quantile(height_db, LOUDEST) - LOUD_DB]


def _between(upper_db: np.ndarray, begin_s: float, end_s: float) -> np.ndarray:
    """Return the levels of the pieces that lie wholly between two times."""
    first, last = int(np.ceil(begin_s / ground.PIECE_S)), int(end_s / ground.PIECE_S)
    return upper_db[max(first, 0) : max(last, 0)].astype(float) if first >= 0 else np.zeros(0)
