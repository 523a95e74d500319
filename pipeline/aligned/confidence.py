"""Say how sure each match is: against the other places in the song, and against what lies near.

Elsewhere: the search runs once more with time reversed. A cell's score from the left plus its score from the right is
the log likelihood of the best whole path through it (the max-marginal of Viterbi's programme; two-filter form after
Fraser & Potter 1969). Deviation: the two trackers are joined by their tempo alone, and sums of paths are replaced by
the best one; therefore the logs are divided by `TEMPER`, fitted on simulated takes.

Near: the residual against the tempo of the neighbours, the strike itself left out, competes with a miss and a stray,
and with the other hits and notes within reach.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pipeline.aligned import refine, segments
from pipeline.aligned.assignment import Due, compete
from pipeline.aligned.compiled import compiled
from pipeline.aligned.playthroughs import Take, with_ends
from pipeline.aligned.search.evidence import WRONG_NAME, Evidence
from pipeline.aligned.search.onsets import Onsets
from pipeline.aligned.search.reading import Reading, find

TEMPER = 2.5  # divides the log likelihoods: fitted on simulated takes, so that confidences hold as often as they say
BACK_BEAM = 40.0  # nats; the way back only weighs what the way there has found
LEAST_TEMPO_VAR = 1e-8  # of two trackers together: standard deviation a hundredth of a percent
DECIDED = 0.6  # probability of its place below which a stretch is undecided (chosen)
ALONE = 0.8  # confidence in a hit with nothing near to compare it with (chosen)
STRETCH_HITS = 9  # whose median says how well a stretch is placed (chosen)
NEAR_SCALE = 1.2  # times the scale of a due time: caution (chosen)


@dataclass(frozen=True)
class Matches:
    """A take with how sure its matches are.

    `confidence` has the shape (n_playthroughs, n_members), the probability that the member's hit is right, NaN without
    a hit. `undecided` has the shape (n_hits,): hits whose place in the song nothing can decide.
    """

    take: Take
    confidence: np.ndarray
    undecided: np.ndarray


class Candidates(NamedTuple):
    """For each hit, how probable each onset is, given that it is some onset's.

    Candidates of hit j are `begin[j]:begin[j + 1]` of the two others.
    """

    begin: np.ndarray
    onset: np.ndarray
    probability: np.ndarray


def judge(take: Take, reading: Reading, onsets: Onsets, own: np.ndarray, evidence: Evidence, seen: Evidence) -> Matches:
    """Return the take, refined, with how sure each match is.

    Parameters
    ----------
    own : ndarray of bool, shape (n_members,)
        Whether the member has a microphone (or a name) of its own.
    evidence, seen : Evidence
        The hits in the recording's time, and in the time the search saw (by the turn marks, if there are any).
    """
    expected = reading.expected
    candidates = elsewhere(reading, onsets, evidence, own, seen)
    before = of_onsets(candidates, take.onset_of_hit(onsets, len(evidence)))
    # Every strike of a clock test is like every other; counting from the first is what it means.
    stretch = np.ones(len(evidence)) if expected.from_top else around(before)
    take = refine.refine(segments.mark(take, onsets, evidence), onsets, evidence, expected.p_miss)
    take = with_ends(segments.mark(take, onsets, evidence), onsets, evidence)
    # A hit that refining moved or found is as well placed as the hits around it.
    place = np.maximum(of_onsets(candidates, take.onset_of_hit(onsets, len(evidence))), stretch)
    due_s, scale_s, _ = refine.expected(take, onsets, evidence)
    close = near(take, due_s, NEAR_SCALE * scale_s, onsets, evidence, expected.p_miss)
    close = np.where(np.isnan(close), ALONE, close)
    return Matches(take, np.where(take.hit >= 0, close * place[take.hit], np.nan), stretch < DECIDED)


def elsewhere(reading: Reading, onsets: Onsets, evidence: Evidence, own: np.ndarray, seen: Evidence) -> Candidates:
    """Return for each hit the onsets it may be, from the search and one more that runs backwards.

    Parameters
    ----------
    own : ndarray of bool, shape (n_members,)
    evidence, seen : Evidence
        As for `judge`.
    """
    expected = reading.expected
    mirrored, order = onsets.backwards()
    back = expected._replace(backwards=True, from_top=False, beam=min(expected.beam, BACK_BEAM))
    backward = find(mirrored, own[order], seen.backwards(), back).paths
    log_strike, log_miss = np.log(1 - expected.p_miss), np.log(expected.p_miss)
    return _join(reading.paths, backward, onsets.song(own), evidence.by_striker, log_strike, log_miss)


@compiled
def _join(forward, backward, song, by_striker, log_strike, log_miss):
    """Return the candidates from the scores of both searches."""
    begin, onset, first = forward.begin, forward.onset, song.first
    n, m = len(first) - 1, len(begin) - 1
    place = np.full(n, -1)
    out_begin = np.zeros(m + 1, np.int64)
    out_onset = np.zeros(len(onset), np.int32)
    out_log = np.zeros(len(onset))
    count = 0
    for j in range(m):
        low, high = backward.begin[m - 1 - j], backward.begin[m - j]
        for b in range(low, high):
            place[n - 1 - backward.onset[b]] = b
        best = -1e300
        for a in range(begin[j], begin[j + 1]):
            b = place[onset[a]]
            if b < 0:
                continue
            i = onset[a]
            k = first[i] + forward.member[a]
            # Both scores hold the hit and its onset's silent members; they count once.
            twice = log_strike + by_striker[j, song.striker[k]]
            for q in range(first[i], first[i + 1]):
                if song.own[q] and (q != k):
                    twice += log_miss
            var = forward.tempo_var[a] + backward.tempo_var[b] + LEAST_TEMPO_VAR
            apart = forward.tempo[a] - backward.tempo[b]
            value = forward.score[a] + backward.score[b] - twice
            value = value - 0.5 * np.log(var) - 2.5 * np.log1p(0.25 * apart * apart / var)  # Student's t, 4 degrees
            out_onset[count], out_log[count] = i, value
            best = max(best, value)
            count += 1
        for b in range(low, high):
            place[n - 1 - backward.onset[b]] = -1
        total = 0.0
        for c in range(out_begin[j], count):
            out_log[c] = np.exp((out_log[c] - best) / TEMPER)
            total += out_log[c]
        for c in range(out_begin[j], count):
            out_log[c] /= total
        out_begin[j + 1] = count
    return Candidates(out_begin, out_onset[:count], out_log[:count])


@compiled
def of_onsets(candidates, wanted):
    """Return the probability of the onset `wanted[j]` for each hit j (0 where it is no candidate; -1: none wanted).

    Parameters
    ----------
    candidates : Candidates
    wanted : ndarray of int, shape (n_hits,)
    """
    out = np.zeros(len(wanted))
    for j in range(len(wanted)):
        for c in range(candidates.begin[j], candidates.begin[j + 1]):
            if candidates.onset[c] == wanted[j]:
                out[j] = candidates.probability[c]
    return out


def around(sure: np.ndarray) -> np.ndarray:
    """Return how well the stretch about each hit is placed: the running median over matched hits."""
    matched = np.flatnonzero(sure > 0)
    if not len(matched):
        return np.zeros(len(sure))
    padded = np.pad(sure[matched], STRETCH_HITS // 2, mode="edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, STRETCH_HITS), axis=1)
    return np.interp(np.arange(len(sure)), matched, middle)


def near(
    take: Take, due_s: np.ndarray, scale_s: np.ndarray, onsets: Onsets, evidence: Evidence, p_miss: float
) -> np.ndarray:
    """Return for each matched member how probable its hit is, among what lies near.

    Parameters
    ----------
    due_s, scale_s : ndarray, shape (n_playthroughs, n_members)
        When each was due, and its standard error. NaN: nothing to compare with.
    """
    p, k = np.nonzero(np.isfinite(due_s))
    order = np.argsort(due_s[p, k], kind="stable")
    p, k = p[order], k[order]
    onset_of_member = onsets.onset_of_member
    due = Due(
        due_s[p, k],
        scale_s[p, k],
        take.hit[p, k],
        onsets.member_striker[k],
        p * len(onsets) + onset_of_member[k],
        take.reached[p, k],
    )
    log_wrong = np.log(WRONG_NAME / max(evidence.by_striker.shape[1] - 1, 1))
    out = np.full(due_s.shape, np.nan)
    out[p, k] = compete(due, evidence.weighed(), np.log(p_miss), np.log(1 - p_miss), log_wrong)
    return out
