"""Tell the strikers of a mixed microphone apart by their sound, once a first alignment has said who is who.

Linear discriminant analysis on the levels in twelve bands (Fisher 1936), its common covariance shrunk towards the
diagonal (Friedman 1989, eq. 18, with a fixed share). Deviations: a striker with fewer than `LEAST_TAUGHT` sure hits
keeps the sound of all; the log likelihoods are halved and cut off, because a chord's sound is none of its members'.
"""

from dataclasses import replace

import numpy as np

from pipeline.aligned.confidence import Matches
from pipeline.aligned.search.evidence import FORBIDDEN, Evidence
from pipeline.aligned.search.onsets import Onsets

LEAST_TAUGHT = 5  # sure hits of a striker to know its sound by
LEVEL_VAR = 0.25  # squared dB; levels are no finer than that
SHRINK = 0.2  # share of the diagonal in the covariance
ALONE_S = 0.04  # a hit with another this near does not teach: the two sounds overlap
TEACHING_CONFIDENCE = 0.9  # confidence of the matches that teach
CAUTION = 0.5  # power of the likelihood
LEAST_GAIN, MOST_GAIN = -3.0, 3.0  # nats that a sound may count
LEAST_RIGHT = 0.5  # share of teaching hits recognised when left out, below which the sounds are not used


def learn(matches: Matches, onsets: Onsets, evidence: Evidence) -> tuple[Evidence, float] | None:
    """Return the evidence with the sounds of nameless hits added, and how well sounds are told apart.

    Returns
    -------
    None
        When there is no sound, too little to learn from, or the strikers cannot be told apart by it.
    """
    hit, striker = _lessons(matches, onsets, evidence)
    known = np.array([s for s in np.unique(striker) if np.sum(striker == s) >= LEAST_TAUGHT])
    taught = np.isin(striker, known)
    if len(known) < 2:
        return None
    hit, striker = hit[taught], striker[taught]
    sounds = evidence.bands_db[hit]
    means = np.array([sounds[striker == s].mean(axis=0) for s in known])
    place = np.searchsorted(known, striker)
    covariance = _shrunk(sounds - means[place], len(hit) - len(known))
    right = _recognised(sounds, place, means, covariance)
    if right < LEAST_RIGHT:
        return None
    nameless = np.flatnonzero((evidence.striker == -1) & np.isfinite(evidence.bands_db).all(axis=1))
    heard = evidence.bands_db[nameless]
    anyone = _log_density(heard, sounds.mean(axis=0)[None, :], _shrunk(sounds - sounds.mean(axis=0), len(hit) - 1))
    gain = np.clip(CAUTION * (_log_density(heard, means, covariance) - anyone), LEAST_GAIN, MOST_GAIN)
    by_striker = evidence.by_striker.copy()
    by_striker[np.ix_(nameless, known)] += gain
    return replace(evidence, by_striker=np.maximum(by_striker, FORBIDDEN)), right


def _lessons(matches, onsets, evidence) -> tuple[np.ndarray, np.ndarray]:
    """Return the hits that surely stand for one striker alone, and that striker."""
    take, sure = matches.take, matches.confidence
    size = np.repeat(np.diff(onsets.first), np.diff(onsets.first))
    p, k = np.nonzero((take.hit >= 0) & (np.nan_to_num(sure) >= TEACHING_CONFIDENCE) & (size == 1)[None, :])
    hit = take.hit[p, k]
    before = np.diff(evidence.hit_s, prepend=-np.inf)[hit]
    after = np.diff(evidence.hit_s, append=np.inf)[hit]
    good = (evidence.striker[hit] == -1) & np.isfinite(evidence.bands_db[hit]).all(axis=1)
    good &= (before > ALONE_S) & (after > ALONE_S)
    return hit[good], onsets.member_striker[k[good]]


def _shrunk(rest, degrees) -> np.ndarray:
    """Return the covariance of these residuals, shrunk towards its diagonal."""
    covariance = rest.T @ rest / max(degrees, 1)
    diagonal = np.diag(np.diag(covariance) + LEVEL_VAR)
    return (1 - SHRINK) * covariance + SHRINK * diagonal


def _log_density(sounds, means, covariance) -> np.ndarray:
    """Return the log density of each sound under each mean, shape (n_sounds, n_means), but for a constant."""
    factor = np.linalg.cholesky(covariance)
    white = np.linalg.solve(factor, sounds.T).T
    white_means = np.linalg.solve(factor, means.T).T
    apart = ((white[:, None, :] - white_means[None, :, :]) ** 2).sum(axis=2)
    return -0.5 * apart - np.log(np.diag(factor)).sum()


def _recognised(sounds, place, means, covariance) -> float:
    """Return the share of the teaching hits that are recognised, each left out of its own striker's mean."""
    count = np.bincount(place)[place]
    density = _log_density(sounds, means, covariance)
    # Left out, a hit lies further from its mean by n / (n - 1); the covariance hardly changes.
    own = density[np.arange(len(place)), place]
    constant = -np.log(np.diag(np.linalg.cholesky(covariance))).sum()
    density[np.arange(len(place)), place] = constant + (own - constant) * (count / (count - 1)) ** 2
    return float(np.mean(density.argmax(axis=1) == place))
