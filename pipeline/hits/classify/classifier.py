"""Give each candidate the probability that something struck, and that it was this channel's own strike.

Fitted to real percussion sounds at known places: logistic regressions and small nets (`net`), whose numbers lie in
`weights`. At first sight: how far the bands rise, how surprising the samples are and how loud it is, one net for a
microphone on one striker and one for a microphone that hears many. At the second look, for a microphone on one striker
whose sound is known by then: how like it the candidate is, or what the filter of `faint` found of it; for one that
hears many: what stands around it (`among`). And where there are neighbours: how far it stands above what leaks in.
"""

import numpy as np

from pipeline.hits.classify import net, surroundings, weights
from pipeline.hits.search.second_pass import Seen

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
    return _by_parts(lambda part: _first(candidates[part], mixed[part]), len(candidates))


def _by_parts(judged, n: int) -> np.ndarray:
    return np.concatenate([judged(slice(begin, begin + _AT_ONCE)) for begin in range(0, max(n, 1), _AT_ONCE)])


def known(candidates: np.ndarray, seen: Seen) -> np.ndarray:
    """Return the probability that something struck a microphone on one striker, with its known sound, (n,) array."""
    of_rise = features(candidates)
    probability = net.probability(of_rise, weights.FIRST_OWN)
    told = np.column_stack([of_rise, sound_features(seen)])
    probability[seen.known] = net.probability(told[seen.known], weights.KNOWN)
    return probability


def struck(candidates: np.ndarray, seen: Seen) -> np.ndarray:
    """Return the same as `known`, with what the filter of `faint` says too."""
    probability = known(candidates, seen)
    unfound, found = seen.sought[:, 0] < 0, seen.sought[:, 0] > 0
    probability[unfound] = net.probability(log_odds(probability[unfound]), weights.UNFOUND)
    probability[found] = net.probability(found_features(seen)[found], weights.FOUND)
    return apart_of(log_odds(probability), seen, weights.APART_STRUCK)


def among_many(candidates: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return what is told of the candidates of one microphone that hears many, (n, n_features) array."""
    of_rise, order = features(candidates), np.argsort(candidates["at"], kind="stable")
    chance = net.probability(of_rise[order], weights.FIRST_MANY)
    told = np.column_stack([of_rise[order], surroundings.features(candidates[order], chance, rate_hz)])
    return told[np.argsort(order)]


def second(candidates: np.ndarray, mixed: np.ndarray, seen: Seen, rate_hz: int) -> np.ndarray:
    """Return the probability that the channel's own struck, (n,) array."""
    probability, mixed = np.zeros(len(candidates)), np.broadcast_to(mixed, len(candidates))
    for channel in np.unique(candidates["channel"][mixed]):
        mine = np.flatnonzero(mixed & (candidates["channel"] == channel))
        probability[mine] = net.probability(among_many(candidates[mine], rate_hz), weights.MANY)
    own = np.flatnonzero(~mixed)
    if len(own):
        probability[own] = _own(candidates[own], seen.part(own))
    return probability


def _own(candidates: np.ndarray, seen: Seen) -> np.ndarray:
    both = _by_parts(lambda part: _struck_here(candidates[part], seen.part(part)), len(candidates))
    if not _shared(seen).any():
        return both[:, 1]
    columns = np.column_stack([log_odds(both[:, 1]), np.full(len(both), leaking(both))])
    return apart_of(columns, seen, weights.APART_OWN)


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


def _struck_here(candidates: np.ndarray, seen: Seen) -> np.ndarray:
    """Return the probabilities that something struck and, as far as neighbours tell, that it was the own, (n, 2)."""
    probability = struck(candidates, seen)
    own, shared, found = probability.copy(), _shared(seen), seen.sought[:, 0] > 0
    of_neighbours, of_peaks = neighbour_features(seen, probability), peak_features(seen)
    for mine, columns, its in (
        (shared & ~seen.known & ~found, [of_neighbours, of_peaks], weights.ABOVE),
        (shared & seen.known & ~found, [of_neighbours, of_peaks, sound_features(seen)], weights.ABOVE_KNOWN),
        (shared & found, [of_neighbours, found_features(seen)], weights.ABOVE_FOUND),
    ):
        own[mine] *= net.probability(np.column_stack([column[mine] for column in columns]), its)
    return np.column_stack([probability, own])


def apart_of(columns: np.ndarray, seen: Seen, numbers) -> np.ndarray:
    """Return how often what stands apart from likelier candidates is right, (n,) array; `numbers` (3, 1 + n_columns):
    where `faint` did not search, found it, did not find it."""
    its = np.asarray(numbers)[np.sign(seen.sought[:, 0]).astype(int)]
    return net.logistic(its[:, 0] + (columns * its[:, 1:]).sum(axis=1))


def _first(candidates: np.ndarray, mixed: np.ndarray) -> np.ndarray:
    of_rise, probability = features(candidates), np.zeros(len(candidates))
    for mine, its in ((mixed, weights.FIRST_MANY), (~mixed, weights.FIRST_OWN)):
        if mine.any():
            probability[mine] = net.probability(of_rise[mine], its)
    return probability
