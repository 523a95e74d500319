"""Give each candidate the probability that something struck, and that it was this channel's own strike.

Logistic regressions, fitted to real percussion sounds at known places (`tests/benchmarks/hits_fit.py` fits and prints
the numbers; every second sound is kept for tests). At first sight: how far the bands rise, how surprising the samples
are and how loud it is, one set for a microphone on one striker and one for a microphone that hears many. At the second
look, for a microphone on one striker whose sound is known by then: how like it the candidate is; for one that hears
many: what stands around it (`among`). And where there are neighbours: how far it stands above what leaks in; what that
means hangs on the rest, so that a few bent units (tanh) stand beside the straight weights there.
"""

import numpy as np

from pipeline.hits import among
from pipeline.hits.again import Seen

# Offset, then one weight per feature of `features`,
OWN = (-13.729, 2.806, 1.221, 1.174, 1.622, 0.046, 1.896, 0.185, 0.372, 0.258, 0.355, -0.007)
MIXED = (-7.360, 0.147, 1.757, -0.413, 0.938, -0.341, 1.916, 0.612, 0.038, 0.132, 0.022, 0.197)
# then of `sound_features`.
KNOWN = (
    *(-14.335, 3.07, 1.281, 1.649, 2.603, -1.81, 0.104, 0.037, 0.406, 0.299, -0.711, -0.07, 1.451, 0.339),
    *(3.061, 0.049),
)
# Offset, then one weight per feature of `neighbour_features` and `peak_features`, and where the sound is known of
# `sound_features`; of what `faint` found: of `neighbour_features` and `found_features`.
ABOVE = (7.428, 0.709, 0.447, -0.215, -0.374, 0.184, 0.114, 0.238, 0.105, 0.494, 0.223, -0.872)
ABOVE_KNOWN = (
    *(4.615, 0.282, 0.291, 0.109, 0.271, 0.09, 0.35, 0.137, 0.031, 0.094, 0.023, 0.616, -0.367, 1.472, 0.914),
    *(0.019,),
)
# Of each bent unit that adds to the first two: how much it adds, offset, weights.
BENT = (
    (4.172, -0.55, -0.204, -0.539, 0.165, 0.05, -0.064, -0.131, 0.019, -0.076, -0.032, 0.195, -0.294),
    (5.429, -0.141, 0.124, 0.032, -0.017, -0.018, 0.152, 18.275, 0.1, -0.027, -0.002, 0.016, 0.066),
    (-4.863, -0.675, 0.1, 0.028, -0.06, -0.203, 0.126, -0.177, 0.022, 0.015, 0.091, 0.085, -0.301),
    (1.082, -4.007, -0.443, 0.218, 0.151, -0.225, 0.213, 6.729, 0.188, 0.041, 0.177, -0.093, 0.024),
)
BENT_KNOWN = (
    (
        *(-5.294, -0.767, -0.08, -0.08, 0.094, 0.235, 0.004, 0.102, -0.073, -0.041, -0.199, -0.028, 0.071, -0.619),
        *(0.639, -0.622, 0.041),
    ),
    (
        *(4.096, -3.968, -0.168, 0.074, 0.034, -0.18, 0.135, 0.16, 0.05, -0.042, 0.017, 0.043, -0.48, 0.419),
        *(-0.712, 0.138, -0.013),
    ),
    (
        *(3.284, 0.596, 0.108, 0.043, -0.05, -0.023, 0.164, 5.417, 0.041, -0.094, -0.02, 0.011, -0.049, -0.74),
        *(0.821, 1.705, 0.249),
    ),
    (
        *(-3.561, 0.776, 0.255, 0.706, -0.225, -0.056, 0.137, 0.193, -0.026, 0.061, 0.004, -0.088, -0.044, -0.057),
        *(0.024, -0.261, 0.006),
    ),
)
ABOVE_FOUND = (-23.473, 0.141, 0.073, -0.098, 0.046, 0.188, -0.748, 8.903, 0.425, 0.192, -0.469, -0.047, 0.248, 9.551)
# What the filter of `faint` found: offset, then one weight per feature of `found_features`.
FOUND = (-13.456, 4.264, 2.153, -0.0, 0.458, 0.234, 0.287, 7.902)
# And what it did not find though the first look did: offset, then the weight of what was known before.
UNFOUND = (-2.363, 0.941)

# What stands apart from likelier candidates is right more often, or less, than the above says: offset and weight of the
# log odds that something struck a microphone on one striker, that it was its own, there with the weight of how much is
# `leaking` (each where `faint` did not search, found it, did not find it), and of one that hears many.
APART_STRUCK = ((-1.556, 1.008), (-0.428, 1.024), (0.11, 0.996))
APART_OWN = ((0.707, 0.899, -0.357), (-0.853, 0.957, -0.674), (-1.651, 0.768, 0.0))
APART_MIXED = (0.030, 1.034)

_AT_ONCE = 8192  # candidates: all features of a long recording would be much
HALF_ALIKE = 0.5  # where no sound is known, nothing is said by the likeness to one
STRUCK, ELSEWHERE = 0.5, 0.1  # over and below: probability that something struck, that it was the own
PLAIN = 3.5  # logarithm of a matched filter's output over the noise: more tells no more


def features(candidates: np.ndarray) -> np.ndarray:
    """Return the features of candidates at first sight.

    Returns
    -------
    features : (n, 11) array
        Logarithms of the six measures of rise and of the likelihood gained, peak over noise (dB), level against the
        loudest around (dB), logarithms of the strongest and of the middle band's rise.
    """
    return np.column_stack(
        [
            np.log(candidates["rise"] + 0.3),
            np.log(candidates["gain"] + 1.0),
            20 * np.log10((candidates["peak"] + 1e-9) / (candidates["noise"] + 1e-9)).clip(max=80.0),
            candidates["below"],
            np.log(candidates["strongest"] + 1.0),
            np.log(candidates["middle"] + 0.1),
        ]
    )


def sound_features(seen: Seen) -> np.ndarray:
    """Return what the known sound says, (n, 4) array: matched filter (and its upper part), likeness, beside."""
    matched = np.log(np.clip(seen.matched, 1.0, np.exp(PLAIN)))
    return np.column_stack([matched, np.maximum(matched - 2.0, 0.0), seen.alike, seen.beside_db.clip(-30.0, 0.0)])


def neighbour_features(seen: Seen, struck: np.ndarray) -> np.ndarray:
    """Return what the neighbours say, (n, 6) array: dB above leakage (below 0, over 0, with more time), level against
    the usual (all, and what is 6 dB below), logarithm of the probability `struck`."""
    above_db, usual_db = seen.above_db.clip(-12.0, 8.0), seen.usual_db.clip(-30.0, 10.0)
    return np.column_stack(
        [
            np.minimum(above_db, 0.0),
            np.maximum(above_db, 0.0),
            seen.late_db.clip(-10.0, 20.0),
            usual_db,
            (usual_db + 6.0).clip(-20.0, 0.0),
            np.log(struck + 1e-3),
        ]
    )


def peak_features(seen: Seen) -> np.ndarray:
    """Return what peaks say beside those of the neighbours, (n, 5) array: dB above leakage (below 0, over 0), peak
    against the loud ones (all, what is 6 and what is 12 dB below)."""
    above_db, loud_db = seen.peak_above_db.clip(-12.0, 8.0), seen.loud_db.clip(-30.0, 5.0)
    return np.column_stack(
        [
            np.minimum(above_db, 0.0),
            np.maximum(above_db, 0.0),
            loud_db,
            (loud_db + 6.0).clip(-20.0, 0.0),
            (loud_db + 12.0).clip(-20.0, 0.0),
        ]
    )


def found_features(seen: Seen) -> np.ndarray:
    """Return what the filter of `faint` tells of what it found, (n, 7) array.

    Logarithm of the height over the noise (and its upper part), dB against the usual (below and above -6 dB) and over
    what others ring (below and above 0 dB), likeness of the first milliseconds (`HALF_ALIKE` where no sound is known).
    """
    noise, usual, ring = np.log(np.maximum(seen.sought, 1e-3)).T
    usual_db, ring_db = 8.686 * usual, 8.686 * ring
    return np.column_stack(
        [
            noise.clip(1.0, 2.0),
            noise.clip(2.0, 3.0),
            usual_db.clip(-20.0, -6.0),
            usual_db.clip(-6.0, 3.0),
            ring_db.clip(-12.0, 0.0),
            ring_db.clip(0.0, 12.0),
            np.where(seen.known, seen.alike, HALF_ALIKE),
        ]
    )


def log_odds(probability: np.ndarray) -> np.ndarray:
    """Return the logarithm of the odds, (n, 1) array."""
    probability = probability.clip(1e-6, 1 - 1e-6)
    return np.log(probability / (1 - probability))[:, None]


def first(candidates: np.ndarray, mixed: np.ndarray) -> np.ndarray:
    """Return the probability that something struck, (n,) array; `mixed` tells the microphones that hear many, of each
    candidate or of all."""
    mixed = np.broadcast_to(mixed, len(candidates))
    return _by_parts(lambda part: _first(features(candidates[part]), mixed[part]), len(candidates))


def _by_parts(judged, n: int) -> np.ndarray:
    return np.concatenate([judged(slice(begin, begin + _AT_ONCE)) for begin in range(0, max(n, 1), _AT_ONCE)])


def struck(candidates: np.ndarray, mixed: np.ndarray, seen: Seen | None) -> np.ndarray:
    """Return the probability that something struck, (n,) array, with the known sound where `seen` is given."""
    mixed, of_rise = np.broadcast_to(mixed, len(candidates)), features(candidates)
    probability = _first(of_rise, mixed)
    if seen is not None:
        told = seen.known & ~mixed
        probability[told] = _logistic(np.column_stack([of_rise, sound_features(seen)])[told], KNOWN)
        unfound, found = seen.sought[:, 0] < 0, seen.sought[:, 0] > 0
        probability[unfound] = _logistic(log_odds(probability[unfound]), UNFOUND)
        probability[found] = _logistic(found_features(seen)[found], FOUND)
        probability[~mixed] = apart_of(log_odds(probability), seen, APART_STRUCK)[~mixed]
    return probability


def among_many(candidates: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return what is told of the candidates of one microphone that hears many, (n, n_features) array."""
    of_rise, order = features(candidates), np.argsort(candidates["at"], kind="stable")
    told = among.features(candidates[order], of_rise[order], _logistic(of_rise[order], MIXED), rate_hz)
    return told[np.argsort(order)]


def second(candidates: np.ndarray, mixed: np.ndarray, seen: Seen, rate_hz: int) -> np.ndarray:
    """Return the probability that the channel's own struck, (n,) array."""
    n, mixed = len(candidates), np.broadcast_to(mixed, len(candidates))
    of_many = np.zeros(n)
    for channel in np.unique(candidates["channel"][mixed]):
        mine = np.flatnonzero(mixed & (candidates["channel"] == channel))
        chance = among.probability(among_many(candidates[mine], rate_hz))
        of_many[mine] = _logistic(log_odds(chance), APART_MIXED)
    both = _by_parts(lambda part: _second(candidates[part], mixed[part], seen.part(part), of_many[part]), n)
    probability, of_own = both[:, 1].copy(), ~mixed & (_shared(seen) & ~mixed).any()
    columns = np.column_stack([log_odds(probability), np.full(len(both), leaking(both[~mixed]))])
    probability[of_own] = apart_of(columns, seen, APART_OWN)[of_own]
    return probability


def leaking(both: np.ndarray) -> float:
    """Return how much leaks in a recording: logarithm of the share of what struck that plainly struck elsewhere.

    Parameters
    ----------
    both : (n, 2) array
        Probability that something struck, and that it was the channel's own.

    Returns
    -------
    leaking : float
        -2.1 (nothing does) to 2.5 (all).
    """
    own = both[both[:, 0] > STRUCK, 1]
    return float(np.log((own < ELSEWHERE).sum() / (len(own) + 1.0) + 0.01) + 2.5)


def _shared(seen: Seen) -> np.ndarray:
    """Return which candidates a neighbour may explain."""
    by_level = np.isfinite(seen.above_db)
    return np.where(seen.sought[:, 0] > 0, by_level, by_level | np.isfinite(seen.peak_above_db))


def _second(candidates: np.ndarray, mixed: np.ndarray, seen: Seen, of_many: np.ndarray) -> np.ndarray:
    """Return the probabilities that something struck and, as far as neighbours tell, that it was the own, (n, 2)."""
    probability = np.where(mixed, of_many, struck(candidates, mixed, seen))
    own, shared = probability.copy(), _shared(seen)
    told, found = seen.known & ~mixed, seen.sought[:, 0] > 0
    of_neighbours, of_peaks = neighbour_features(seen, probability), peak_features(seen)
    for mine, columns, weights, bent in (
        (shared & ~told & ~found, [of_neighbours, of_peaks], ABOVE, BENT),
        (shared & told & ~found, [of_neighbours, of_peaks, sound_features(seen)], ABOVE_KNOWN, BENT_KNOWN),
        (shared & found, [of_neighbours, found_features(seen)], ABOVE_FOUND, ()),
    ):
        own[mine] *= _logistic(np.column_stack([column[mine] for column in columns]), weights, bent)
    return np.column_stack([probability, own])


def apart_of(columns: np.ndarray, seen: Seen, weights) -> np.ndarray:
    """Return how often what stands apart is right, (n,) array; `weights` (3, 1 + n_columns): where `faint` did not
    search, found it, did not find it."""
    return _logistic(columns, np.asarray(weights)[np.sign(seen.sought[:, 0]).astype(int)])


def _first(of_rise: np.ndarray, mixed: np.ndarray) -> np.ndarray:
    return _logistic(of_rise, np.where(mixed[:, None], MIXED, OWN))


def _logistic(seen: np.ndarray, weights, bent=()) -> np.ndarray:
    seen = np.column_stack([np.ones(len(seen)), seen])
    score = (seen * np.asarray(weights)).sum(axis=1)
    for adds, *bends in bent:
        score += adds * np.tanh((seen * np.asarray(bends)).sum(axis=1))
    return 1 / (1 + np.exp(-np.clip(score, -50, 50)))
