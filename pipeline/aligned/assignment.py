"""Hold hits against the times that notes were due: assign them in order, and weigh each match against its rivals.

All functions that call each other compiled are in this file (see `compiled`).
"""

from typing import NamedTuple

import numpy as np

from pipeline.aligned.compiled import compiled

# Chosen on simulated takes where no other source is named.
LEAST_WINDOW_S, WIDEST_WINDOW_S = 0.06, 0.6  # about the due time, within which a hit is looked for
WINDOW_SCALES = 12.0  # the window between these two
REACH_SCALES, REACH_S = 8.0, 0.01  # from the due time, within which hits and notes compete; further out nothing counts
MOST_LOG_ODDS = 50.0  # keeps the exponential finite


class Due(NamedTuple):
    """Members in order of when they were due, one entry each."""

    due_s: np.ndarray
    scale_s: np.ndarray  # standard error of `due_s`
    hit: np.ndarray  # -1: none
    striker: np.ndarray
    place: np.ndarray  # number of the onset, counted through all playthroughs
    reached: np.ndarray


@compiled
def assign(due_s, scale_s, hit_s, miss, gain_match):
    """Return for each note of one striker its hit (-1: none): the monotone assignment of the greatest gain.

    Parameters
    ----------
    due_s, scale_s : ndarray, shape (n_notes,)
        When each note was due, in order, and the standard error.
    hit_s : ndarray, shape (n_hits,)
        In order.
    miss : ndarray, shape (n_notes,)
        Log probability that the note is silent.
    gain_match : ndarray, shape (n_hits,)
        Log likelihood of the hit as a strike over that as a stray, but for its time.

    Notes
    -----
    `best[b]` is the greatest gain with hits up to b; `node` remembers the matches that lead to it.
    """
    n, m = len(due_s), len(hit_s)
    match = np.full(n, -1)
    best = np.zeros(m + 1)
    node = np.full(m + 1, -1)
    room = 64 + 4 * (n + m)
    node_note, node_hit, node_back = np.zeros(room, np.int64), np.zeros(room, np.int64), np.zeros(room, np.int64)
    n_nodes, low, top = 0, 0, 0
    for a in range(n):
        window_s = min(max(LEAST_WINDOW_S, WINDOW_SCALES * scale_s[a]), WIDEST_WINDOW_S)
        while low > 0 and hit_s[low - 1] > due_s[a] - window_s:
            low -= 1
        while low < m and hit_s[low] < due_s[a] - window_s:
            low += 1
        high = low
        while high < m and hit_s[high] <= due_s[a] + window_s:
            high += 1
        while top < high:
            best[top + 1], node[top + 1] = best[top], node[top]
            top += 1
        for b in range(high - 1, low - 1, -1):
            gain = gain_match[b] - miss[a] + log_density(hit_s[b] - due_s[a], scale_s[a])
            if gain <= 0:
                continue
            value = best[b] + gain
            if value <= best[b + 1]:
                continue
            if n_nodes == room:
                room *= 2
                node_note = np.concatenate((node_note, np.zeros(room // 2, np.int64)))
                node_hit = np.concatenate((node_hit, np.zeros(room // 2, np.int64)))
                node_back = np.concatenate((node_back, np.zeros(room // 2, np.int64)))
            node_note[n_nodes], node_hit[n_nodes], node_back[n_nodes] = a, b, node[b]
            c = b + 1
            while c <= top and best[c] < value:
                best[c], node[c] = value, n_nodes
                c += 1
            n_nodes += 1
    at = node[top]
    while at >= 0:
        match[node_note[at]] = node_hit[at]
        at = node_back[at]
    return match


@compiled
def compete(due, hits, log_miss, log_strike, log_wrong):
    """Return the probability of each member's hit against a miss and a stray, other free hits and other free notes.

    Parameters
    ----------
    due : Due
    hits : evidence.WeighedHits
    log_miss, log_strike : float
        Log probability that a note is silent, that it strikes.
    log_wrong : float
        Log probability that a hit carries this one wrong name.
    """
    n, m = len(due.due_s), len(hits.hit_s)
    due_s, scale_s, hit_s, by_striker = due.due_s, due.scale_s, hits.hit_s, hits.by_striker
    taken = np.full(m, -1)
    for a in range(n):
        if due.hit[a] >= 0:
            taken[due.hit[a]] = a
    out = np.full(n, np.nan)
    for a in range(n):
        j = due.hit[a]
        if j < 0:
            continue
        seen = max(by_striker[j, due.striker[a]], log_wrong)
        right = log_density(hit_s[j] - due_s[a], scale_s[a]) + log_strike + seen
        others = np.exp(hits.stray[j] + log_miss - right)
        reach = max(REACH_SCALES * scale_s[a], abs(hit_s[j] - due_s[a])) + REACH_S
        for b in range(np.searchsorted(hit_s, due_s[a] - reach), m):
            if hit_s[b] > due_s[a] + reach:
                break
            if b == j or taken[b] >= 0:
                continue
            fits = log_density(hit_s[b] - due_s[a], scale_s[a]) + log_strike
            instead = fits + by_striker[b, due.striker[a]] + hits.stray[j] - hits.stray[b]
            others += np.exp(min(instead - right, MOST_LOG_ODDS))
        for b in range(np.searchsorted(due_s, hit_s[j] - reach), n):
            if due_s[b] > hit_s[j] + reach:
                break
            # Which of a chord's members a nameless hit is makes no difference to it.
            if due.place[b] == due.place[a] or due.hit[b] >= 0 or not due.reached[b]:
                continue
            instead = log_density(hit_s[j] - due_s[b], scale_s[b]) + log_strike + by_striker[j, due.striker[b]]
            others += np.exp(min(instead - right, MOST_LOG_ODDS))
        out[a] = 1 / (1 + others)
    return out


@compiled
def log_density(late_s, scale_s):
    """Return the log density of a lateness: Student's t with 4 degrees of freedom, one in 30 six times as wide."""
    z, wide = late_s / scale_s, late_s / (6 * scale_s)
    body = (1 + 0.25 * z * z) ** -2.5
    tail = (1 + 0.25 * wide * wide) ** -2.5 / 6
    return np.log(0.375 * ((1 - 1 / 30) * body + tail / 30) / scale_s)
