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
124 104 7 -12 -30 -24 -30 14 11 -14 3 19 12 16 -22 -59 -32 6 -22
149 96 12 -11 -13 -35 34 -6 1 -18 28 37 -63 -82 9 -27 -4 -62 -39
88 128 -12 -38 96 3 -5 -16 63 3 -58 75 11 51 51 -48 107 1 18
152 93 17 -3 38 -23 29 3 5 -9 10 42 -54 -31 1 -27 -41 -52 -27
112 105 -9 26 10 3 -23 31 9 8 9 5 -20 43 -7 2 -7 18 -5
165 95 3 -46 49 -103 5 30 -2 -10 41 -37 48 24 50 55 5 -8 -47
448 344 78 -9 31 49 47 -5 -36 -37 34 54 -46 -21 18 -33 -13 0 -7
1468 997 16 18 26 17 32 -38 0 -7 20 -20 42 41 -29 37 -5 -8 -66
-204 285 -6 17 10 -27 25 15 -35 5 13 -13 22 -8 -5 -7 -3 -16 4
219 60 -14 25 -36 -37 2 -39 -2 4 -1 -33 -4 14 -27 14 -35 -4 -50
20 165 -21 0 -14 5 -10 -6 5 3 14 24 -18 7 2 -56 17 -2 -18
-221 94 -43 -53 -10 -15 -20 24 8 34 -52 -46 -12 -132 69 -24 21 -4 -23
-267 784 9 36 20 3 -9 24 6 -16 45 -16 -25 -33 -13 14 -21 -35 -82
-300 429 -11 -27 -10 13 19 -35 30 3 -27 17 15 -36 -11 1 3 -3 7
-208 381 38 15 2 -25 19 12 -31 16 -22 -15 -24 6 20 -21 4 11 5
-288 836 -3 26 10 -11 37 24 -7 -5 26 -15 7 6 24 -12 8 -7 16
-313 913 -9 10 -3 22 16 -12 21 -1 4 8 -4 -20 -1 7 -35 -32 -1
-210 91 21 46 -16 -11 5 13 -40 -114 -19 13 23 15 -32 -3 13 -4 -5
-190 820 -12 -2 3 24 -6 -29 43 -14 17 -1 -6 16 -9 -18 -29 -9 5
-295 432 6 -8 15 10 9 15 -3 9 -1 4 1 -4 -47 36 -52 -17 1
-172 365 51 29 0 -28 18 -24 -7 -5 6 -13 -17 7 -25 -18 49 21 -2
-225 782 5 -8 9 -18 -1 9 -6 2 -24 18 30 19 19 -7 2 -21 24
-279 881 5 28 -30 0 -13 30 -19 29 11 -22 -24 -15 15 16 -16 4 -4
41 57 50 12 39 22 36 9 -2 -9 4 77 36 4 -1 12 -49 -68 25
95 98 -24 -2 26 8 -5 5 -6 10 -11 5 -19 -9 4 15 -4 -3 -6
-500 906 22 -6 -22 -6 -21 -19 26 -55 35 -12 -46 -66 43 -1 -29 -3 -36
-1124 969 -22 30 -16 8 -41 -20 50 -16 -22 -31 22 1 -18 14 0 25 -32
2975 1297 30 20 35 30 48 -2 26 -8 -26 -7 43 29 -11 13 11 13 -21
1512 1225 25 4 20 15 24 29 25 -4 -41 15 13 -5 14 -19 12 20 30
-323 344 43 34 65 29 19 -84 86 -21 -68 72 49 53 -3 -17 -13 -67 -6
0 80 212 58 60 -148 -161 -178 -106 146 -107 -110 52 3 -52 15 -42
-57 -147 145 -160 -119 -141 -170 -98 171 159 173 -192 123 -137 -166 142 -130
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
