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
117 103 8 -4 -12 -67 9 27 0 -1 -5 11 3 17 -12 -21 -45 27 -61
142 95 25 7 -9 -33 -22 0 1 45 10 22 -59 -60 -16 -47 -5 -33 -72
80 126 -25 3 94 -53 -46 -72 -2 -52 -69 58 8 57 -16 -8 102 -39 38
144 93 22 28 42 10 -14 11 1 7 -23 32 -40 -33 -22 -69 -17 -18 -59
103 105 -4 -18 16 5 12 54 -1 -22 17 18 -23 40 -20 6 7 13 -58
160 93 -25 -16 102 -86 -8 -16 -4 -22 83 -56 57 -1 -32 68 3 45 -32
427 337 60 6 15 64 -34 6 8 -13 10 71 -19 -12 23 -42 4 69 10
1448 962 -4 -7 34 32 18 -24 -1 -31 36 -16 47 42 11 46 -11 7 -26
-187 282 -4 6 8 -21 -2 8 1 15 4 4 4 -4 24 10 7 23 -2
216 59 -20 -3 -38 -22 12 -4 -6 -33 20 -48 -4 -18 -25 21 -45 -11 -9
13 161 10 8 -12 -8 11 -1 3 -4 -5 36 -26 6 22 -33 8 4 2
-205 98 -31 44 -15 -17 -91 -22 -5 96 -12 -40 31 -66 -15 -20 30 4 -16
-232 748 30 33 14 14 3 25 2 10 57 0 -29 -29 -32 24 -24 6 -59
-268 420 -8 -22 -19 -8 -5 8 -3 31 -37 5 21 -42 -16 -2 7 -63 1
-183 366 17 81 5 -1 -19 1 2 -16 -11 -5 -2 1 35 13 -7 36 1
-255 799 19 26 13 -6 7 7 3 12 34 -5 -7 19 -1 12 8 29 -1
-276 873 8 -13 13 12 6 -19 1 15 -15 4 -22 17 -11 -15 -34 -26 -18
-195 93 47 8 -24 -14 42 19 4 -44 -19 6 5 -20 4 10 26 13 -2
-170 783 3 -29 4 19 9 -24 0 -21 -4 13 -9 12 -17 18 -27 -27 4
-263 422 -8 -7 13 20 24 15 -4 6 8 -8 0 -1 -16 -8 -42 -51 -4
-151 350 29 31 -11 -32 38 -1 3 -30 11 9 -14 -1 26 0 41 29 13
-199 750 8 12 10 -14 4 12 1 -6 -21 3 27 -13 10 1 11 3 2
-246 844 7 9 -28 -9 -18 30 1 17 12 -27 -21 -18 8 26 -17 16 5
38 56 47 3 84 -3 8 30 6 4 34 85 24 25 12 41 -40 -20 22
85 98 -42 24 -8 36 -9 1 -4 -12 -11 27 -17 -25 -13 2 1 3 -37
-561 977 38 17 -38 2 -28 -112 2 56 22 -34 -75 -74 16 -25 -26 -75 2
-1177 1069 36 22 3 0 -4 31 1 8 -2 1 24 39 -32 20 -3 -5 -38
2749 1305 7 -1 43 12 12 -16 1 -11 -6 2 54 46 -7 32 4 -4 -8
1307 1207 13 5 20 -12 -2 2 2 13 -33 15 22 13 -16 -5 10 -7 12
-322 346 35 50 56 -16 55 -80 4 -37 -62 49 64 12 63 3 -6 -193 8
0 147 251 14 -17 -81 -30 -140 -92 122 -95 -53 35 64 -23 194 -32
-30 -132 179 -138 -155 -169 15 -128 162 108 166 -208 130 -145 -152 248 -121
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
