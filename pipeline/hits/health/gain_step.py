"""Tell from noise and strikes whether somebody or something turned the gain during a take."""

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from pipeline.hits.health import background

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
ROUNDED_DB = -97.0  # so quiet, samples of 16 bit hold no noise but their own rounding
AWAY_S = (0.04, 0.02)  # noise is looked at so long after a strike and before the next
STRIKE, SMOOTH, LEAST_GAP = 3, 3, 5  # pieces: of a strike, of a moment, of a gap
LEAST_STILL, LEAST_WINDOWS = 20, 4
WINDOW_S = 2.0  # within which noise is compared
OFF_DB = (-12.0, 2.0)  # from the middle of a window: beyond it, another strike or a gate
RELEASES_S = (0.15, 0.3, 0.6)
LOUDEST, REACHES_DB = 0.95, (4.0, 12.0)  # quantile of the strikes; so far below, nothing is turned down any more
PIECE_DB = 0.3  # scatter of a piece's noise
LEAST_HELD, MOST_HELD = 0.1, 0.98  # squares that tell anything; quantile of the pieces at which the fall is told
SURE, LEAST_FALL_DB = 4.0, 0.5  # standard errors; a fall so small moves nothing
DISTURBED = 0.18  # share of the pieces that may be louder than noise; what was found under limiters reached 0.14


@dataclass(frozen=True)
class Step:
    """A step of the gain."""

    step_db: float
    time_s: float


def floor_db(upper_db: np.ndarray) -> np.ndarray:
    """Return what lies under the strikes of a channel, a level each PIECE_S, of its `ground.upper_db`."""
    size = round(PIECE_S / background.PIECE_S)
    return np.quantile(background.pieces(upper_db, size).astype(float), FLOOR_QUANTILE, axis=1)


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
    if not others_db or (found is not None and not _everywhere(found, others_db)):
        return found
    # Noise that all microphones hear may come and go.
    return _step(floor_db - np.median(others_db, axis=0), floor_db, others_db, hit_s, level_db, all_s)


def _everywhere(found: Step, others_db: list[np.ndarray]) -> bool:
    """Tell whether all microphones become louder or softer with this one: so does a machine that strikes harder."""
    moved = [_near(int(found.time_s / PIECE_S), other) * np.sign(found.step_db) for other in others_db]
    return all(MOVED * abs(found.step_db) < one < MOST_DB for one in moved)


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


def pumping_db(upper_db: np.ndarray, all_s: np.ndarray, hit_s: np.ndarray, hit_db: np.ndarray) -> float | None:
    """Return by how much noise between strikes falls with what a limiter would still be turned down, if it does.

    A limiter that a loud strike has turned down comes back like a capacitor's charge, and the noise rises with it. A
    body that rings can only make the noise fall. Noise is compared within WINDOW_S, so that it may change over a take.

    Parameters
    ----------
    upper_db : (n,) array
        `ground.upper_db` of this channel.
    all_s : array
        Times of the strikes of all channels, in order.
    hit_s, hit_db : (n_hits,) array
        Times and levels of this channel's strikes. Where they are few, whatever is loud here counts.
    """
    level_db = upper_db.astype(float)
    if len(hit_s) < FEWEST:
        hit_s, hit_db = _heights(level_db, all_s)
    at = _still(level_db, all_s)
    if len(hit_s) < FEWEST or len(at) < LEAST_STILL or np.median(level_db[at]) < ROUNDED_DB:
        return None
    window = (at * background.PIECE_S / WINDOW_S).astype(int)
    begin = np.flatnonzero(np.diff(window, prepend=-1))
    size = np.diff(begin, append=len(at))
    if len(begin) < LEAST_WINDOWS:
        return None
    middle_db = level_db[at][np.lexsort((level_db[at], window))][begin + size // 2]
    off_db = np.clip(level_db[at] - np.repeat(middle_db, size), *OFF_DB)
    if np.mean(off_db == OFF_DB[1]) > DISTURBED:
        return None
    best_db, surest = None, SURE
    for release_s, reach_db in product(RELEASES_S, REACHES_DB):
        held = _held(len(level_db), hit_s, hit_db, release_s, reach_db)[at]
        centred = held - np.repeat(np.add.reduceat(held, begin) / size, size)
        if np.square(centred).sum() < LEAST_HELD:
            continue
        per_held_db, its_se_db = _slope(centred, -off_db, begin)
        fall_db = per_held_db * np.quantile(held, MOST_HELD)
        if fall_db > LEAST_FALL_DB and per_held_db > surest * its_se_db:
            best_db, surest = fall_db, per_held_db / its_se_db
    return best_db


def _heights(level_db: np.ndarray, at_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the times of the strikes, and how loud each is in a channel."""
    piece = (at_s / background.PIECE_S).astype(int)
    inside = (piece >= 0) & (piece + STRIKE < len(level_db))
    piece = piece[inside]
    return at_s[inside], np.max([level_db[piece + k] for k in range(STRIKE)], axis=0)


def _still(level_db: np.ndarray, at_s: np.ndarray) -> np.ndarray:
    """Return the pieces between strikes that come after the quietest moment there: before it, bodies ring.

    The quietest moment itself is left out, too, for noise alone has one.
    """
    start_s = np.arange(len(level_db)) * background.PIECE_S
    gap = np.searchsorted(at_s, start_s - AWAY_S[0], "right")
    at = np.flatnonzero(gap == np.searchsorted(at_s, start_s + background.PIECE_S + AWAY_S[1], "left"))
    if len(at) < LEAST_STILL:
        return at[:0]
    begin = np.flatnonzero(np.diff(gap[at], prepend=-1))
    size = np.diff(begin, append=len(at))
    smooth_db = np.full(len(at), np.inf)
    smooth_db[1:-1] = np.convolve(level_db[at], np.ones(SMOOTH) / SMOOTH, "valid")
    smooth_db[begin] = smooth_db[begin + size - 1] = np.inf  # these lie in two gaps
    quietest_db = np.repeat(np.minimum.reduceat(smooth_db, begin), size)
    place = np.arange(len(at))
    quietest = np.minimum.reduceat(np.where(smooth_db == quietest_db, place, len(at)), begin)
    quietest[gap[at[begin]] == 0] = -SMOOTH  # before the first strike nothing rings
    return at[(place > np.repeat(quietest, size) + SMOOTH // 2) & (np.repeat(size, size) >= LEAST_GAP)]


def _held(n: int, hit_s: np.ndarray, hit_db: np.ndarray, release_s: float, reach_db: float) -> np.ndarray:
    """Return which share of what the loudest strikes turn down is left in each piece, where `reach_db` below them
    nothing is turned down, (n,) array."""
    share = np.clip(1 + (hit_db - np.quantile(hit_db, LOUDEST)) / reach_db, 1e-9, 1)
    # Of several strikes that which is left the most of counts: the highest of parallel lines, in logarithms.
    line = np.full(n, -np.inf)
    piece = np.clip((hit_s / background.PIECE_S).astype(int), 0, n - 1)
    np.maximum.at(line, piece, np.log(share) + hit_s / release_s)
    middle_s = (np.arange(n) + 0.5) * background.PIECE_S
    return np.exp(np.minimum(np.maximum.accumulate(line) - middle_s / release_s, 0))


def _slope(x: np.ndarray, y: np.ndarray, begin: np.ndarray) -> tuple[float, float]:
    """Return the slope of `y` over `x` and its standard error, from windows that begin there; in each, `x` is centred.

    What is odd about a window is odd in all its pieces, so windows are counted (Liang & Zeger 1986, "Longitudinal data
    analysis using generalized linear models"), and pieces only where few windows have a say.
    """
    product_, square = np.add.reduceat(x * y, begin), np.add.reduceat(np.square(x), begin)
    total = square.sum()
    slope = product_.sum() / total
    n = len(begin)
    windows_se = np.sqrt(np.square(product_ - slope * square).sum() * n / (n - 1)) / total
    return slope, float(np.hypot(windows_se, PIECE_DB / np.sqrt(total)))
