"""Say how sure each match is: against the other places in the song, and against what lies near.

Elsewhere: the search runs once more with time reversed. A cell's score from the left plus its score from the right is
the log likelihood of the best whole path through it (the max-marginal of Viterbi's programme; two-filter form after
Fraser & Potter 1969). Deviation: the two trackers are joined by their tempo alone, and sums of paths are replaced by
the best one; therefore the logs are divided by `TEMPER`, fitted on simulated takes.

Near: the residual against the tempo of the neighbours, the strike itself left out, competes with a miss and a stray,
and with the other hits and notes within reach.
"""

import numpy as np

from pipeline.aligned.compiled import compiled
from pipeline.aligned.playthroughs import Take
from pipeline.aligned.refine import fit
from pipeline.aligned.search.evidence import WRONG_NAME, Evidence
from pipeline.aligned.search.onsets import Onsets
from pipeline.aligned.search.path_search import Paths
from pipeline.aligned.search.tracker import Tracker

TEMPER = 2.5
DECIDED = 0.6  # probability of its place below which a stretch is undecided
ALONE = 0.8  # confidence in a hit with nothing near to compare it with
STRETCH = 9  # hits whose median says how well a stretch is placed


def elsewhere(
    forward: Paths, backward: Paths, onsets: Onsets, evidence: Evidence, own: np.ndarray, expected: Tracker
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return for each hit how probable each onset is, given that it is some onset's.

    Returns
    -------
    begin : ndarray of int, shape (n_hits + 1,)
    onset : ndarray of int
        Candidates of hit j: onset[begin[j]:begin[j + 1]].
    probability : ndarray
    """
    return _join(
        forward.begin,
        forward.onset,
        forward.score,
        forward.member,
        forward.tempo,
        forward.tempo_var,
        backward.begin,
        backward.onset,
        backward.score,
        backward.tempo,
        backward.tempo_var,
        onsets.first,
        onsets.member_striker,
        own,
        evidence.by_striker,
        np.log(1 - expected.p_miss),
        np.log(expected.p_miss),
        TEMPER,
    )


@compiled
def _join(
    begin,
    onset,
    score,
    member,
    tempo,
    tempo_var,
    begin_b,
    onset_b,
    score_b,
    tempo_b,
    tempo_var_b,
    first,
    members,
    own,
    evidence,
    strike,
    miss,
    temper,
):
    n, m = len(first) - 1, len(begin) - 1
    place = np.full(n, -1)
    out_begin = np.zeros(m + 1, np.int64)
    out_onset = np.zeros(len(onset), np.int32)
    out_log = np.zeros(len(onset))
    count = 0
    for j in range(m):
        low, high = begin_b[m - 1 - j], begin_b[m - j]
        for b in range(low, high):
            place[n - 1 - onset_b[b]] = b
        best = -1e300
        for a in range(begin[j], begin[j + 1]):
            b = place[onset[a]]
            if b < 0:
                continue
            i = onset[a]
            k = first[i] + member[a]
            once = strike + evidence[j, members[k]]
            for q in range(first[i], first[i + 1]):
                if own[q] and (q != k):
                    once += miss
            var = tempo_var[a] + tempo_var_b[b] + 1e-8
            apart = tempo[a] - tempo_b[b]
            value = score[a] + score_b[b] - once - 0.5 * np.log(var) - 2.5 * np.log1p(0.25 * apart * apart / var)
            out_onset[count], out_log[count] = i, value
            best = max(best, value)
            count += 1
        for b in range(low, high):
            place[n - 1 - onset_b[b]] = -1
        total = 0.0
        for c in range(out_begin[j], count):
            out_log[c] = np.exp((out_log[c] - best) / temper)
            total += out_log[c]
        for c in range(out_begin[j], count):
            out_log[c] /= total
        out_begin[j + 1] = count
    return out_begin, out_onset[:count], out_log[:count]


@compiled
def of_onsets(begin, onset, probability, wanted):
    """Return the probability of the onset `wanted[j]` for each hit j (0 where it is no candidate; -1: none wanted)."""
    out = np.zeros(len(wanted))
    for j in range(len(wanted)):
        for c in range(begin[j], begin[j + 1]):
            if onset[c] == wanted[j]:
                out[j] = probability[c]
    return out


def around(sure: np.ndarray) -> np.ndarray:
    """Return how well the stretch about each hit is placed: the running median over matched hits."""
    matched = np.flatnonzero(sure > 0)
    if not len(matched):
        return np.zeros(len(sure))
    padded = np.pad(sure[matched], STRETCH // 2, mode="edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, STRETCH), axis=1)
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
    sure = _compete(
        due_s[p, k],
        scale_s[p, k],
        take.hit[p, k],
        onsets.member_striker[k],
        p * len(onsets) + onset_of_member[k],
        take.reached[p, k],
        evidence.hit_s,
        evidence.by_striker,
        evidence.stray,
        np.log(p_miss),
        np.log(1 - p_miss),
        np.log(WRONG_NAME / max(evidence.by_striker.shape[1] - 1, 1)),
    )
    out = np.full(due_s.shape, np.nan)
    out[p, k] = sure
    return out


@compiled
def _compete(due, scale, hit, striker, place, reached, hit_s, by_striker, stray, miss, strike, wrong):
    n, m = len(due), len(hit_s)
    taken = np.full(m, -1)
    for a in range(n):
        if hit[a] >= 0:
            taken[hit[a]] = a
    out = np.full(n, np.nan)
    for a in range(n):
        j = hit[a]
        if j < 0:
            continue
        seen = max(by_striker[j, striker[a]], wrong)
        right = fit(hit_s[j] - due[a], scale[a]) + strike + seen
        others = np.exp(stray[j] + miss - right)
        reach = max(8 * scale[a], abs(hit_s[j] - due[a])) + 0.01
        low = np.searchsorted(hit_s, due[a] - reach)
        for b in range(low, m):
            if hit_s[b] > due[a] + reach:
                break
            if b == j or taken[b] >= 0:
                continue
            instead = fit(hit_s[b] - due[a], scale[a]) + strike + by_striker[b, striker[a]] + stray[j] - stray[b]
            others += np.exp(min(instead - right, 50.0))
        low = np.searchsorted(due, hit_s[j] - reach)
        for b in range(low, n):
            if due[b] > hit_s[j] + reach:
                break
            # Which of a chord's members a nameless hit is makes no difference to it.
            if place[b] == place[a] or hit[b] >= 0 or not reached[b]:
                continue
            instead = fit(hit_s[j] - due[b], scale[b]) + strike + by_striker[j, striker[b]]
            others += np.exp(min(instead - right, 50.0))
        out[a] = 1 / (1 + others)
    return out
