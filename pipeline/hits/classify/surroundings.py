"""Make the features that describe what stands around the candidates of a channel that hears many strikers.

In: the candidates of one channel and their first probabilities. Out: a table of features. What rings, beats or comes
back from the room raises the bands, near something likelier; in a dense row of strikes each raises them little, and all
do. So the net is shown how a candidate compares with the nearest likely ones before and after it, how much strikes
around it, and how it compares with the sure strikes and the noise of its channel.
"""

import numpy as np

from pipeline.hits.signal import flux

NAMES = (
    *(
        f"{side}_{name}"
        for side in ("before", "after")
        for name in (
            "log_gap_s",
            "passed_db",
            "log_odds",
            "log_likelihood_gain",
            "rise_sharp_db",
            "rise_broad_db",
            "low_departure_db",
        )
    ),
    "strikes_within_12_ms",
    "strikes_within_50_ms",
    "to_usual_db",
    "to_loud_db",
    "to_noise_db",
    "ring_to_noise_db",
    "log_likelihood_gain_to_usual",
)
# First probability of a neighbour that counts, and its share of the candidate's own.
NEIGHBOUR_PROBABILITY, NEIGHBOUR_SHARE = 0.2, 0.7
NEAREST_S, FARTHEST_S = 0.004, 0.4  # nearer ones are the same strike, farther ones do not count
# Within these, strikes are counted. Wider ones, and how loud or sharp a recording is as a whole, separate
# recordings, not strikes: with them whole recordings went wrong.
AROUND_S = (0.012, 0.05)
SURE_PROBABILITY, LEAST_SURE = 0.8, 4  # of sure strikes; where there are fewer, the likeliest are taken for them
# What may be a strike, and the percentile of the noise before such candidates that is noise alone, no ring.
CLEAR_PROBABILITY, NOISE_PERCENTILE = 0.05, 5
USUAL_PERCENTILE, LOUD_PERCENTILE = 50, 95  # of the peaks of sure strikes
LEAST_PROBABILITY = 1e-3  # so that odds stay within ± 6.9


def features(rows: np.ndarray, at_first: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return the features of the candidates of one channel.

    Parameters
    ----------
    rows : (n,) array of DTYPE
        One or more, in the order of time.
    at_first : (n,) array
        Probability by the first pass.
    rate_hz : int

    Returns
    -------
    features : (n, 21) array
        In the order of `NAMES`: by how much the candidate passes the nearest likely one before and after it (0 when
        none is near), how many others strike within `AROUND_S`, how it compares with its channel's usual strike, its
        loud ones and its noise, and what rings before it with the noise.
    """
    at_s = rows["at"] / rate_hz
    peak_db, noise_db = (20 * np.log10(rows[name] + 1e-9) for name in ("peak", "noise"))
    gain = np.log(rows["gain"] + 1.0)
    probability = at_first.clip(LEAST_PROBABILITY, 1 - LEAST_PROBABILITY)
    rises = rows["rise"][:, [flux.SHARP, flux.BROAD]]
    odds = np.log(probability / (1 - probability))
    values = np.column_stack([peak_db, odds, gain, rises, rows["low"][:, 0]])
    passed = [_passed(at_s, at_first, values, step) for step in (-1, 1)]
    return np.column_stack([*passed, _around(at_s, at_first), _to_usual(at_first, peak_db, noise_db, gain)])


def _passed(at_s: np.ndarray, at_first: np.ndarray, values: np.ndarray, step: int) -> np.ndarray:
    """Return the logarithm of the time to the nearest likely one before (`step` -1) or after (1), and by how much each
    value passes it, (n, 1 + n_values) array."""
    n, number = len(at_s), np.arange(len(at_s))
    nearest, least = np.full(n, -1), np.maximum(NEIGHBOUR_PROBABILITY, NEIGHBOUR_SHARE * at_first)
    for far in range(1, n):
        other = np.clip(number + step * far, 0, n - 1)
        apart_s = np.abs(at_s - at_s[other])
        looking = (nearest < 0) & (other == number + step * far) & (apart_s < FARTHEST_S)
        if not looking.any():
            break
        looking &= (apart_s > NEAREST_S) & (at_first[other] > least)
        nearest[looking] = other[looking]
    none = nearest < 0
    apart_s = np.where(none, FARTHEST_S, np.abs(at_s - at_s[nearest]))
    return np.column_stack([np.log(apart_s), np.where(none[:, None], 0.0, values - values[nearest])])


def _around(at_s: np.ndarray, at_first: np.ndarray) -> np.ndarray:
    """Return how many others strike within each of `AROUND_S`, (n, 2) array."""
    total = np.concatenate([[0.0], np.cumsum(at_first)])
    within = [
        total[np.searchsorted(at_s, at_s + reach_s)] - total[np.searchsorted(at_s, at_s - reach_s, side="right")]
        for reach_s in AROUND_S
    ]
    return np.stack(within, axis=1) - at_first[:, None]


def _to_usual(at_first: np.ndarray, peak_db: np.ndarray, noise_db: np.ndarray, gain: np.ndarray) -> np.ndarray:
    """Return how each compares with the channel's sure strikes and its noise, (n, 5) array."""
    sure = at_first > SURE_PROBABILITY
    if sure.sum() < LEAST_SURE:
        sure = at_first >= np.sort(at_first)[-min(LEAST_SURE, len(at_first))]
    clear = (at_first > CLEAR_PROBABILITY) | sure
    usual_db, loud_db = np.percentile(peak_db[sure], [USUAL_PERCENTILE, LOUD_PERCENTILE])
    quiet_db = np.percentile(noise_db[clear], NOISE_PERCENTILE)
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
