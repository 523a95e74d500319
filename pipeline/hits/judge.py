"""Give each candidate the probability that something struck, and that it was this channel's own strike.

Logistic regressions, fitted to real percussion sounds at known places (`tests/benchmarks/hits_fit.py` fits and prints
the numbers; every second sound is kept for tests). At first sight: how far the bands rise, how surprising the samples
are and how loud it is, one set for a microphone on one striker and one for a microphone that hears many. At the second
look, for a microphone on one striker whose sound is known by then: how like it the candidate is; for one that hears
many: what stands around it (`among`). And where there are neighbours: how far it stands above what leaks in.
"""

import numpy as np

from pipeline.hits import among
from pipeline.hits.again import Seen

# Offset, then one weight per feature of `features`,
OWN = (-13.460, 2.672, 1.261, 1.115, 1.496, 0.171, 1.805, 0.207, 0.358, 0.245, 0.388, -0.005)
MIXED = (-7.360, 0.147, 1.757, -0.413, 0.938, -0.341, 1.916, 0.612, 0.038, 0.132, 0.022, 0.197)
# then of `sound_features`.
KNOWN = (
    *(-13.740, 2.756, 1.200, 1.412, 2.453, -1.910, 0.150, 0.020, 0.329, 0.284, -0.596, -0.012),
    *(1.874, -0.117, 2.569, 0.053),
)
# Offset, then one weight per feature of `neighbour_features`; where the sound is known, then of `sound_features`,
# and of what `faint` found of `found_features`.
ABOVE = (2.203, 0.038, -0.157, 0.346, 0.554, -0.347, 1.206)
ABOVE_KNOWN = (-3.256, -0.026, -0.079, 0.359, 0.392, -0.221, 2.042, 0.438, 2.518, 0.280, -0.015)
ABOVE_FOUND = (
    *(-16.341, 0.158, -0.507, 0.233, -0.274, -0.618, 1.867),
    *(8.198, 3.113, 1.330, -0.491, 0.071, 0.122, 4.294),
)
# What the filter of `faint` found: offset, then one weight per feature of `found_features`.
FOUND = (-18.701, 4.899, 3.473, 0.307, -0.312, -0.038, 0.299, 3.879)
# And what it did not find though the first look did: offset, then the weight of what was known before.
UNFOUND = (-2.520, 0.882)

# What stands apart from likelier candidates is right more often, or less, than the above says: offset and weight of the
# log odds that something struck a microphone on one striker, that it was its own, and of one that hears many.
APART_STRUCK, APART_OWN, APART_MIXED = (-0.733, 1.208), (0.054, 1.199), (0.030, 1.034)

USUAL_RATE_HZ = 48_000
_AT_ONCE = 8192  # candidates: all features of a long recording would be much
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


def found_features(seen: Seen) -> np.ndarray:
    """Return what the filter of `faint` tells of what it found, (n, 7) array.

    Logarithm of the height over the noise (and its upper part), dB against the usual (below and above -6 dB) and over
    what others ring (below and above 0 dB), likeness of the first milliseconds.
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
            seen.alike,
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
    parts = [judged(slice(begin, begin + _AT_ONCE)) for begin in range(0, n, _AT_ONCE)]
    return np.concatenate(parts) if parts else np.zeros(0)


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
        probability[~mixed] = _logistic(log_odds(probability[~mixed]), APART_STRUCK)
    return probability


def among_many(candidates: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return what is told of the candidates of one microphone that hears many, (n, n_features) array."""
    of_rise, order = features(candidates), np.argsort(candidates["at"], kind="stable")
    told = among.features(candidates[order], of_rise[order], _logistic(of_rise[order], MIXED), rate_hz)
    return told[np.argsort(order)]


def second(candidates: np.ndarray, mixed: np.ndarray, seen: Seen, rate_hz: int = USUAL_RATE_HZ) -> np.ndarray:
    """Return the probability that the channel's own struck, (n,) array."""
    n, mixed = len(candidates), np.broadcast_to(mixed, len(candidates))
    of_many = np.zeros(n)
    for channel in np.unique(candidates["channel"][mixed]):
        mine = np.flatnonzero(mixed & (candidates["channel"] == channel))
        chance = among.probability(among_many(candidates[mine], rate_hz))
        of_many[mine] = _logistic(log_odds(chance), APART_MIXED)
    return _by_parts(lambda part: _second(candidates[part], mixed[part], seen.part(part), of_many[part]), n)


def _second(candidates: np.ndarray, mixed: np.ndarray, seen: Seen, of_many: np.ndarray) -> np.ndarray:
    probability = np.where(mixed, of_many, struck(candidates, mixed, seen))
    shared = np.isfinite(seen.above_db)
    told = seen.known & ~mixed
    found = seen.sought[:, 0] > 0
    of_neighbours, of_sound = neighbour_features(seen, probability), sound_features(seen)
    for mine, columns, weights in (
        (shared & ~told & ~found, [of_neighbours], ABOVE),
        (shared & told & ~found, [of_neighbours, of_sound], ABOVE_KNOWN),
        (shared & found, [of_neighbours, found_features(seen)], ABOVE_FOUND),
    ):
        probability[mine] *= _logistic(np.column_stack([column[mine] for column in columns]), weights)
    of_own = shared & ~mixed
    probability[of_own] = _logistic(log_odds(probability[of_own]), APART_OWN)
    return probability


def _first(of_rise: np.ndarray, mixed: np.ndarray) -> np.ndarray:
    return _logistic(of_rise, np.where(mixed[:, None], MIXED, OWN))


def _logistic(seen: np.ndarray, weights) -> np.ndarray:
    score = (np.column_stack([np.ones(len(seen)), seen]) * np.asarray(weights)).sum(axis=1)
    return 1 / (1 + np.exp(-np.clip(score, -50, 50)))
