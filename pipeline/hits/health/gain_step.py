"""Find a gain that somebody changed during a take: a step of noise and strikes by the same amount, at once.

In: noise floors of all microphones, a level a second; times and levels of strikes. Out: `Step` or None.
"""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from pipeline import robust
from pipeline.hits.health import background

FLOOR_PIECE_S = 1.0  # chosen: the noise floor is followed in such pieces; below, "piece" means one of these
FLOOR_QUANTILE = 0.2  # measured: of a piece's levels; strikes leave that much of it
LEAST_STRIKES = 8  # chosen: fewer say little of a channel's level
NEAR_PIECES = 8  # measured: on either side of a step, in which levels are compared
LEAST_PIECES, SOON_PIECES = 6, 3  # measured: on either side of a step, at least; in which it has to be seen
SUDDEN_SHARE = 0.6  # measured: of a step that comes within SOON_PIECES
LEAST_STEP_DB = 2.0  # measured: of noise and of strikes
MOST_STEP_DB = 30.0  # chosen: no hand turns a knob further; a noise that steps further was gated
SCATTER_SHARE = 0.12  # measured: scatter of the noise on either side that is allowed, as a share of the step
OWN_SHARE = 0.6  # measured: of a step against the other microphones' noise that the channel's own noise has to show
UNLIKE_SHARE = 0.6  # measured: difference of noise and strikes that is allowed, as a share of the step; strikes vary
LEVEL_SCATTER_DB = 0.3  # measured: noise that scatters less is level, and then few strikes will do
MOVED_SHARE = 0.3  # measured: of a step; by less, another microphone's noise does not change
STRIKE_QUANTILE = 0.75  # chosen: of the strikes' levels, above the leakage, which is softer
STRIKE_QUANTILES = (0.1, 0.5, 0.9)  # chosen: soft, middle and loud strikes
PLUGGED_DB = 15.0  # measured: a larger step of a microphone without strikes before it is a cable plugged in


@dataclass(frozen=True)
class Step:
    """A step of the gain: its size, positive where louder, and its time from the first piece on."""

    step_db: float
    time_s: float


def noise_floor_db(level_db: np.ndarray) -> np.ndarray:
    """Return the noise floor of a channel, a level each FLOOR_PIECE_S, (n,) array, from its `Watch.level_db`."""
    size = round(FLOOR_PIECE_S / background.LEVEL_PIECE_S)
    return np.quantile(background.pieces(level_db, size).astype(float), FLOOR_QUANTILE, axis=1)


def find(
    floor_db: np.ndarray, others_db: list[np.ndarray], hit_s: np.ndarray, level_db: np.ndarray, all_s: np.ndarray
) -> Step | None:
    """Find the steepest step at which noise and strikes change by the same amount, at once.

    If the noise is level before and after, and that of the other microphones does not change, few strikes will do.

    Parameters
    ----------
    floor_db, others_db : (n,) array, list of such
        `noise_floor_db` of this channel, and of the other microphones.
    hit_s, level_db : (n_hits,) array
        Times, from the first piece on, and levels of this channel's strikes.
    all_s : (n_all,) array
        Times of the strikes of all channels.

    Returns
    -------
    Step or None
        None, too, of a recording of fewer than `2 * LEAST_PIECES + 2` pieces.
    """
    if len(floor_db) < 2 * LEAST_PIECES + 2:
        return None
    found = _steepest_step(floor_db, floor_db, others_db, hit_s, level_db, all_s)
    others_db = [other for other in others_db if len(other) == len(floor_db)]
    if not others_db or (found is not None and not _is_common(found, others_db)):
        return found
    # Noise that all microphones hear may come and go.
    return _steepest_step(floor_db - np.median(others_db, axis=0), floor_db, others_db, hit_s, level_db, all_s)


def _is_common(found: Step, others_db: list[np.ndarray]) -> bool:
    """Tell whether all microphones become louder or softer with this one, as when the machine strikes harder."""
    moved = [_change_db(int(found.time_s / FLOOR_PIECE_S), other) * np.sign(found.step_db) for other in others_db]
    return all(MOVED_SHARE * abs(found.step_db) < one < MOST_STEP_DB for one in moved)


def _steepest_step(floor_db: np.ndarray, own_db: np.ndarray, others_db: list, hit_s, level_db, all_s) -> Step | None:
    """Find the steepest step of `floor_db`; the channel's own noise floor, `own_db`, has to show most of it."""
    best, steepest = None, 0.0
    for at in _changes(floor_db):
        step_db = _step_of_noise(at, floor_db)
        steepness = abs(floor_db[at + 1] - floor_db[at - 1])
        if step_db is None or steepness <= steepest:
            continue
        if _change_db(at, own_db, len(own_db)) * np.sign(step_db) < OWN_SHARE * abs(step_db):
            continue
        within = (all_s < at * FLOOR_PIECE_S).any() and (all_s > (at + 1) * FLOOR_PIECE_S).any()
        alone = within and _is_alone(at, step_db, floor_db, others_db)
        piece = hit_s / FLOOR_PIECE_S
        if _strikes_agree(at, step_db, piece, level_db) or (alone and _strikes_may_agree(at, step_db, piece, level_db)):
            best, steepest = Step(step_db, (at + 0.5) * FLOOR_PIECE_S), steepness
    return best


def _changes(floor_db: np.ndarray) -> np.ndarray:
    """Return the pieces that may hold a step, to save time: the level changes there, or an end is too near to tell."""
    at = np.arange(LEAST_PIECES, len(floor_db) - LEAST_PIECES)
    middle = np.median(sliding_window_view(floor_db, NEAR_PIECES), axis=1)
    told = (at >= NEAR_PIECES) & (at < len(floor_db) - NEAR_PIECES)
    near_db = middle[np.minimum(at + 1, len(middle) - 1)] - middle[np.maximum(at - NEAR_PIECES, 0)]
    return at[~told | (np.abs(near_db) >= LEAST_STEP_DB)]


def _change_db(at: int, floor_db: np.ndarray, pieces: int = NEAR_PIECES) -> float:
    """Return the change of the median from the pieces before `at` to those after it."""
    return float(np.median(floor_db[at + 1 :][:pieces]) - np.median(floor_db[:at][-pieces:]))


def _step_of_noise(at: int, floor_db: np.ndarray) -> float | None:
    """Return the step (dB) of the noise in piece `at`, which may fall anywhere within it."""
    early, late = floor_db[:at], floor_db[at + 1 :]
    step_db, at_once, whole = (_change_db(at, floor_db, pieces) for pieces in (NEAR_PIECES, SOON_PIECES, len(floor_db)))
    sign = np.sign(step_db)
    if min(step_db * sign, whole * sign) < LEAST_STEP_DB:
        return None
    # Where music or other noise hides the microphone's own, its level is not the gain's.
    hidden = max(_scatter(early), _scatter(late)) > SCATTER_SHARE * abs(step_db)
    return None if hidden or at_once * sign < SUDDEN_SHARE * abs(step_db) or abs(step_db) > MOST_STEP_DB else step_db


def _strikes_agree(at: int, step_db: float, piece: np.ndarray, level_db: np.ndarray) -> bool:
    """Tell whether the strikes change as the noise does."""
    if len(piece) < LEAST_STRIKES:
        return False
    # Strikes may grow over a song, so those near the step tell more; where there are too few, all of them.
    for reach in (NEAR_PIECES, np.inf):
        before = level_db[(piece < at) & (piece > at - reach)]
        after = level_db[(piece > at + 1) & (piece < at + 1 + reach)]
        if not len(before) or not len(after):
            continue
        struck_db = np.quantile(after, STRIKE_QUANTILE) - np.quantile(before, STRIKE_QUANTILE)
        if abs(step_db - struck_db) < UNLIKE_SHARE * abs(step_db) and struck_db * np.sign(step_db) > LEAST_STEP_DB:
            return True
    return False


def _is_alone(at: int, step_db: float, floor_db: np.ndarray, others_db: list[np.ndarray]) -> bool:
    """Tell whether this channel's noise is level on either side, and no other microphone's changes here."""
    level = max(_scatter(floor_db[:at]), _scatter(floor_db[at + 1 :])) < LEVEL_SCATTER_DB
    # A gate moves further than any noise.
    moved_db = [abs(_change_db(at, other)) for other in others_db if len(other) > at + 1]
    moved = [MOVED_SHARE * abs(step_db) < one < MOST_STEP_DB for one in moved_db]
    return bool(level and moved and not any(moved))


def _strikes_may_agree(at: int, step_db: float, piece: np.ndarray, level_db: np.ndarray) -> bool:
    """Tell whether soft, middle or loud strikes of this channel change as the noise does, or are too few to tell.

    Leakage may be taken for strikes, and more of it on one side than on the other: one of the three is enough.
    """
    before, after = level_db[piece < at], level_db[piece > at + 1]
    if not len(before) or not len(after):
        return abs(step_db) < PLUGGED_DB
    if min(len(before), len(after)) < LEAST_STRIKES:
        return True
    struck_db = np.quantile(after, STRIKE_QUANTILES) - np.quantile(before, STRIKE_QUANTILES)
    return bool((np.abs(step_db - struck_db) < UNLIKE_SHARE * abs(step_db)).any())


def _scatter(values: np.ndarray) -> float:
    """Return the standard deviation of normal values that have this median absolute deviation."""
    return robust.SD_OF_MAD * float(np.median(np.abs(values - np.median(values))))
