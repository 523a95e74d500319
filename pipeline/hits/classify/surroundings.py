"""Tell what stands around the candidates of a channel.

What rings, beats or comes back from the room raises the bands again, beside something likelier; in a dense row of
strikes each raises them little, and all do. So `judge` weighs what is told at first sight with what the nearest likely
ones before and after tell, with how much strikes beside, and with how loud and sharp the channel's sure strikes are.
"""

import numpy as np

from pipeline.hits.signal import flux

LIKELY, AS_LIKELY = 0.2, 0.7  # probability at first sight of a neighbour that counts, and its share of one's own
NEAREST_S, FARTHEST_S = 0.004, 0.4  # nearer ones are the same strike, farther ones tell nothing
# Within these what strikes is counted. Wider ones, and how loud or sharp a recording is as a whole, tell recordings
# apart, not strikes: with them whole recordings went wrong.
AROUND_S = (0.012, 0.05)
SURE, FEW = 0.8, 4  # a sure strike; when there are fewer, the likeliest are taken for it
CLEAR, QUIET = 0.05, 5  # what may be a strike, and the percentile of the noise before such that is noise alone


def features(candidates: np.ndarray, first: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return what is told of the candidates of one channel, which come in the order of time.

    Parameters
    ----------
    candidates : (n,) array of candidate.DTYPE
        One or more.
    first : (n,) array
        Probability at first sight.
    rate_hz : int

    Returns
    -------
    features : (n, 19) array
        Of the nearest likely one before, then after: logarithm of the time apart, and how far it is passed in level
        (dB), log odds, logarithm of the likelihood gained, sharp and broad rise (0 when none is near); how many others
        strike within AROUND_S; level against the channel's usual strike, its loud ones and its noise, what rings before
        against its noise (dB), logarithm of the likelihood gained against the usual.
    """
    at_s = candidates["at"] / rate_hz
    peak_db, noise_db = (20 * np.log10(candidates[name] + 1e-9) for name in ("peak", "noise"))
    gain = np.log(candidates["gain"] + 1.0)
    chance = first.clip(1e-3, 1 - 1e-3)
    rises = candidates["rise"][:, [flux.SHARP, flux.BROAD]]
    told = np.column_stack([peak_db, np.log(chance / (1 - chance)), gain, rises])
    beside = [_beside(at_s, first, told, step) for step in (-1, 1)]
    return np.column_stack([*beside, _around(at_s, first), _usual(first, peak_db, noise_db, gain)])


def _beside(at_s: np.ndarray, first: np.ndarray, told: np.ndarray, step: int) -> np.ndarray:
    """Return what the nearest likely one before (`step` -1) or after (1) tells of each, (n, 1 + n_told) array."""
    n, number = len(at_s), np.arange(len(at_s))
    nearest, least = np.full(n, -1), np.maximum(LIKELY, AS_LIKELY * first)
    for far in range(1, n):
        other = np.clip(number + step * far, 0, n - 1)
        apart_s = np.abs(at_s - at_s[other])
        looking = (nearest < 0) & (other == number + step * far) & (apart_s < FARTHEST_S)
        if not looking.any():
            break
        looking &= (apart_s > NEAREST_S) & (first[other] > least)
        nearest[looking] = other[looking]
    none = nearest < 0
    apart_s = np.where(none, FARTHEST_S, np.abs(at_s - at_s[nearest]))
    return np.column_stack([np.log(apart_s), np.where(none[:, None], 0.0, told - told[nearest])])


def _around(at_s: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Return how many others strike within each of AROUND_S, (n, 2) array."""
    total = np.concatenate([[0.0], np.cumsum(first)])
    within = [
        total[np.searchsorted(at_s, at_s + reach_s)] - total[np.searchsorted(at_s, at_s - reach_s, side="right")]
        for reach_s in AROUND_S
    ]
    return np.stack(within, axis=1) - first[:, None]


def _usual(first: np.ndarray, peak_db: np.ndarray, noise_db: np.ndarray, gain: np.ndarray) -> np.ndarray:
    """Return how each stands against the channel's sure strikes and its noise, (n, 5) array."""
    sure = first > SURE
    if sure.sum() < FEW:
        sure = first >= np.sort(first)[-min(FEW, len(first))]
    clear = (first > CLEAR) | sure
    usual_db, loud_db = np.percentile(peak_db[sure], [50, 95])
    quiet_db = np.percentile(noise_db[clear], QUIET)
    return np.stack(
        [
            (peak_db - usual_db).clip(-50.0, 30.0),
            (peak_db - loud_db).clip(-60.0, 10.0),
            (peak_db - quiet_db).clip(0.0, 90.0),
            (noise_db - quiet_db).clip(-5.0, 70.0),
            gain - np.median(gain[sure]),
        ],
        axis=1,
    )
