"""Judge the candidates of a microphone that hears many by what stands around them.

What rings, beats or comes back from the room raises the bands again, beside something likelier; in a dense row of
strikes each raises them little, and all do. So what is told at first sight is weighed with what the nearest likely ones
before and after tell, with how much strikes beside, and with how loud and sharp the channel's sure strikes are: a net
with one hidden layer beside a logistic regression (Bishop 2006, ch. 5.1). `tests/benchmarks/hits_fit.py` fits and
prints its numbers.
"""

import numpy as np

from pipeline.hits import rise

LIKELY, AS_LIKELY = 0.2, 0.7  # probability at first sight of a neighbour that counts, and its share of one's own
NEAREST_S, FARTHEST_S = 0.004, 0.4  # nearer ones are the same strike, farther ones tell nothing
# Within these what strikes is counted. Wider ones, and how loud or sharp a recording is as a whole, tell recordings
# apart, not strikes: with them whole recordings went wrong.
AROUND_S = (0.012, 0.05)
SURE, FEW = 0.8, 4  # a sure strike; when there are fewer, the likeliest are taken for it
CLEAR, QUIET = 0.05, 5  # what may be a strike, and the percentile of the noise before such that is noise alone
WIDEST = 5.0  # standard deviations: what lies farther off tells no more
UNIT = 0.01  # of the numbers below
# One line a feature: its mean, its standard deviation, its weight beside the net, and one in each hidden unit. Then the
# units' offsets and the units' weights, each after the offset of all.
NET = """
123 106 21 4 34 19 -26 -25 31 24 -22 -4 -47 -1 14
147 97 42 10 42 -77 -8 -70 31 -26 43 -39 -41 -73 -73
88 129 10 45 14 10 115 19 -131 62 28 -55 -70 -17 60
149 95 7 -3 66 -42 -37 -18 -30 11 26 -33 0 -77 -32
110 108 -33 -15 -13 -21 -9 5 -1 31 -14 -5 -2 2 54
165 95 20 -44 -73 40 -31 -88 -79 28 12 70 -53 -7 10
445 345 76 -76 32 -18 -19 12 6 34 -30 -87 45 -38 -5
1542 1058 34 1 -75 49 -9 -74 -36 -4 10 24 41 -8 41
-184 279 1 -25 -4 10 0 -10 -7 -32 5 5 -18 -18 -6
219 61 -17 8 -11 -7 -18 -23 31 52 -7 38 -12 15 14
22 165 -3 -7 25 -22 15 -4 12 8 2 -40 -17 15 2
-200 96 -17 6 41 1 27 -9 13 -48 -14 49 -14 -14 -107
-262 845 19 -14 -36 -44 -22 -69 -13 22 -14 1 21 -45 -13
-286 433 -16 58 9 24 11 -3 13 -44 4 -19 -8 3 -37
-197 378 -8 -68 0 -10 -10 15 -9 -9 -2 12 -9 -21 1
-283 881 17 -6 -26 -6 15 18 -17 -9 -5 33 -28 4 -2
-302 961 28 24 12 -17 -27 15 -6 -26 27 -11 0 -15 8
-191 92 42 -15 -2 2 24 3 30 82 20 18 -14 0 22
-185 877 15 33 -16 12 -18 21 -8 -7 12 -27 -2 3 14
-279 433 4 44 -19 -3 -42 11 -2 -37 -2 -11 20 -24 -3
-159 358 10 -19 13 -1 47 -16 7 16 -61 4 -17 -7 22
-217 826 -5 -15 -6 40 5 13 -16 37 31 -9 -9 -16 4
-273 929 -12 -34 -14 -48 -26 -13 25 -11 6 47 -6 23 -10
41 58 67 -10 -32 27 -36 37 -79 15 89 -86 -7 -9 8
83 94 -37 4 1 -36 -12 -2 5 26 -8 7 35 -20 -19
-618 1020 94 81 6 -92 -40 -41 7 -54 38 21 -2 23 -108
-1250 1102 18 27 -27 11 5 -5 7 5 -4 6 17 87 40
2927 1389 -7 15 -38 56 12 -16 -39 2 -14 7 19 -1 28
1391 1244 -36 14 23 21 19 44 -14 6 -25 -13 -14 6 -4
-326 351 96 161 30 81 11 17 -37 36 127 -50 -17 -35 17
0 -208 -66 -95 2 -25 -225 161 -74 -92 19 -31 -56
-81 -227 169 212 -198 -168 -191 114 -146 -130 -142 152 -220
"""


def features(candidates: np.ndarray, of_rise: np.ndarray, first: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return what is told of the candidates of one channel, which come in the order of time.

    Parameters
    ----------
    candidates : (n,) array of candidate.DTYPE
        One or more.
    of_rise : (n, n_rise) array
        `judge.features` of them.
    first : (n,) array
        Probability at first sight.
    rate_hz : int

    Returns
    -------
    features : (n, n_rise + 19) array
        `of_rise`; of the nearest likely one before, then after: logarithm of the time apart, and how far it is passed
        in level (dB), log odds, logarithm of the likelihood gained, sharp and broad rise (0 when none is near); how
        many others strike within AROUND_S; level against the channel's usual strike, its loud ones and its noise, what
        rings before against its noise (dB), logarithm of the likelihood gained against the usual.
    """
    at_s = candidates["at"] / rate_hz
    peak_db, noise_db = (20 * np.log10(candidates[name] + 1e-9) for name in ("peak", "noise"))
    gain = np.log(candidates["gain"] + 1.0)
    chance = first.clip(1e-3, 1 - 1e-3)
    rises = candidates["rise"][:, [rise.SHARP, rise.BROAD]]
    told = np.column_stack([peak_db, np.log(chance / (1 - chance)), gain, rises])
    beside = [_beside(at_s, first, told, step) for step in (-1, 1)]
    return np.column_stack([of_rise, *beside, _around(at_s, first), _usual(first, peak_db, noise_db, gain)])


def probability(features: np.ndarray) -> np.ndarray:
    """Return the probability that something struck, (n,) array, from (n, n_features) ones."""
    numbers = [np.array(line.split(), float) * UNIT for line in NET.strip().splitlines()]
    mean, sd, weight, *hidden = np.array(numbers[:-2]).T
    offset, out = numbers[-2], numbers[-1]
    seen = ((features - mean) / sd).clip(-WIDEST, WIDEST)
    score = out[0] + seen @ weight + np.tanh(offset[1:] + seen @ np.array(hidden).T) @ out[1:]
    return 1 / (1 + np.exp(-score.clip(-50, 50)))


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
