"""Assign named hits to their notes anew, each against the tempo of its neighbours, striker by striker.

The search compares a hit with the strikes before it; here each is held against both sides: a robust local line through
the neighbouring strikes (Cleveland 1979, with the strike itself left out, or a wrong match would vouch for itself),
the striker's own delay, and a monotone assignment of the striker's notes to its hits.
"""

from dataclasses import replace
from math import log

import numpy as np

from pipeline.aligned.compiled import compiled
from pipeline.aligned.playthroughs import Take
from pipeline.aligned.search.evidence import WRONG_NAME, Evidence
from pipeline.aligned.search.onsets import Onsets

ROUNDS = 3
NEIGHBOURS = 7  # onsets on each side of a local line
MARGIN = 8  # onsets beyond both ends of a playthrough that may still have been played
KEYBOARD = 25  # strikers; from here on neighbouring names are neighbouring keys
FURTHEST = 2.5  # times the take's spread that a due time beyond the ends may be unsure
RESCUE_S = 0.03  # how far a hit with a wrong name may lie from its note
SMALLEST_SPREAD_S = 0.002
LEAST_WINDOW_S, WIDEST_WINDOW_S = 0.06, 0.6  # about the due time, within which a hit is looked for


def refine(take: Take, onsets: Onsets, evidence: Evidence, p_miss: float) -> Take:
    """Return the take with its named hits assigned anew, `ROUNDS` times.

    Hits without a name keep their member. A take without named hits comes back as it was.
    """
    if not (evidence.striker >= 0).any():
        return take
    for _ in range(ROUNDS):
        take = _once(take, onsets, evidence, p_miss)
    return take


def expected(take: Take, onsets: Onsets, evidence: Evidence) -> tuple[np.ndarray, np.ndarray, float]:
    """Return when each member was due, by its neighbours and its striker's delay.

    Returns
    -------
    due_s : ndarray, shape (n_playthroughs, n_members)
        NaN where nothing near was matched.
    scale_s : ndarray, shape (n_playthroughs, n_members)
        Its standard deviation: that of the take, or of the neighbours about their line where that is more.
    spread_s : float
        Robust standard deviation of hit minus due over the take.
    """
    n_members = len(onsets.member_striker)
    score_s = np.repeat(onsets.score_s, np.diff(onsets.first))
    n_strikers = evidence.by_striker.shape[1]
    delay_s = np.zeros(n_strikers)
    due_s, rest_s, lever = (np.full(take.hit.shape, np.nan) for _ in range(3))
    for _ in range(2):
        for p in range(take.n_playthroughs):
            matched = take.hit[p] >= 0
            hit_s = np.where(matched, evidence.hit_s[take.hit[p]] - delay_s[onsets.member_striker], np.nan)
            near = _reach(take.reached[p], n_members)
            due_s[p], rest_s[p], lever[p] = _local_lines(score_s, hit_s, take.segment[p], near, NEIGHBOURS)
        due_s += delay_s[onsets.member_striker]
        late_s = np.where(take.hit >= 0, evidence.hit_s[take.hit], np.nan) - due_s
        striker = np.broadcast_to(onsets.member_striker, late_s.shape)
        for s in range(n_strikers):
            mine = late_s[(striker == s) & np.isfinite(late_s)]
            if len(mine) >= 4:
                delay_s[s] += np.median(mine) * len(mine) / (len(mine) + 4)
    late_s = late_s[np.isfinite(late_s)]
    spread_s = 1.4826 * np.median(np.abs(late_s)) if len(late_s) else 0.02
    spread_s = max(spread_s, SMALLEST_SPREAD_S)
    # Where the tempo bends, the neighbours lie off their own line, and the note may too.
    scale_s = np.maximum(spread_s, 1.5 * np.nan_to_num(rest_s))
    # A line from one side only, or from few, is itself unsure at the note (its leverage, usual value taken off).
    return due_s, scale_s * np.sqrt(1 + np.clip(np.nan_to_num(lever) - 1, 0, 24)), spread_s


def _reach(reached, n_members):
    """Return the members reached, with some on both sides."""
    near = np.zeros(n_members, bool)
    if reached.any():
        places = np.flatnonzero(reached)
        near[max(0, places[0] - 3 * MARGIN) : places[-1] + 1 + 3 * MARGIN] = True
    return near


def _once(take: Take, onsets: Onsets, evidence: Evidence, p_miss: float) -> Take:
    due_s, scale_s, spread_s = expected(take, onsets, evidence)
    # Beyond the ends only what lies close to a line that is sure: further out anything would fit.
    due_s[~take.reached & (scale_s > FURTHEST * spread_s)] = np.nan
    scale_s = 1.3 * scale_s
    hit = take.hit.copy()
    named_hit = evidence.striker >= 0
    own = hit >= 0
    own[own] = named_hit[hit[own]]
    # Where nothing near can say better, the search keeps its word.
    hit[own & np.isfinite(due_s)] = -1
    open_member = (hit < 0) & np.isfinite(due_s)
    kept = np.zeros(len(evidence), bool)
    kept[hit[hit >= 0]] = True
    for s in np.unique(evidence.striker[named_hit]):
        p, k = np.nonzero(open_member & (onsets.member_striker == s)[None, :])
        order = np.argsort(due_s[p, k], kind="stable")
        p, k = p[order], k[order]
        hits = np.flatnonzero((evidence.striker == s) & ~kept)
        miss = np.where(take.reached[p, k], log(p_miss), log(0.5))
        gain_match = log(1 - p_miss) + evidence.by_striker[hits, s] - evidence.stray[hits]
        match = _assign(due_s[p, k], scale_s[p, k], evidence.hit_s[hits], miss, gain_match)
        found = match >= 0
        hit[p[found], k[found]] = hits[match[found]]
    hit = _rescue(hit, due_s, scale_s, take, onsets, evidence, p_miss)
    return _reached_anew(replace(take, hit=hit), onsets)


def _rescue(hit, due_s, scale_s, take, onsets, evidence, p_miss):
    """Give hits with a wrong name to the note that waits within `RESCUE_S`.

    On something as wide as a keyboard a name a tone or less away is no wrong name but a wrong key: it stays a stray.
    """
    free_hit = np.ones(len(evidence), bool)
    free_hit[hit[hit >= 0]] = False
    free_hit &= evidence.striker != -1
    hits = np.flatnonzero(free_hit)
    p, k = np.nonzero((hit < 0) & take.reached & np.isfinite(due_s))
    if not len(hits) or not len(p):
        return hit
    due, scale, pitch = due_s[p, k], scale_s[p, k], onsets.striker_pitch[onsets.member_striker[k]]
    # Names are trusted the more, the fewer strays lie at a silent note by more than chance.
    close = np.abs(due[None, :] - evidence.hit_s[hits][:, None]) < 2.5 * scale[None, :]
    chance = len(hits) * (5.0 * scale).sum() / max(evidence.seconds, 1.0)
    share = np.clip((close.any(axis=1).sum() - chance) / len(evidence), 0.1 * WRONG_NAME, 2 * WRONG_NAME)
    wrong = log(share) - log(max(evidence.by_striker.shape[1] - 1, 1))
    pairs = []
    for h in hits:
        for a in np.flatnonzero(np.abs(due - evidence.hit_s[h]) < RESCUE_S):
            apart = abs(onsets.striker_pitch[evidence.striker[h]] - pitch[a]) if evidence.striker[h] >= 0 else 99
            if len(onsets.striker_pitch) >= KEYBOARD and apart <= 2:
                continue
            gain = wrong + fit(evidence.hit_s[h] - due[a], scale[a]) - evidence.stray[h] - log(p_miss)
            if gain > 0:
                pairs.append((-gain, h, a))
    used_hit, used_member = set(), set()
    for _, h, a in sorted(pairs):
        if h not in used_hit and a not in used_member:
            used_hit.add(h)
            used_member.add(a)
            hit[p[a], k[a]] = h
    return hit


def _reached_anew(take: Take, onsets: Onsets) -> Take:
    """Let each playthrough reach as far as it now has hits."""
    reached = take.reached.copy()
    for p in range(take.n_playthroughs):
        places = np.flatnonzero(take.hit[p] >= 0)
        if len(places):
            onset = np.searchsorted(onsets.first, places[[0, -1]], side="right") - 1
            reached[p, onsets.first[onset[0]] : onsets.first[onset[1] + 1]] = True
    return replace(take, reached=reached)


@compiled
def fit(late_s, scale_s):
    """Return the log density of a lateness: Student's t with 4 degrees of freedom, one in 30 six times as wide."""
    z, wide = late_s / scale_s, late_s / (6 * scale_s)
    body = (1 + 0.25 * z * z) ** -2.5
    tail = (1 + 0.25 * wide * wide) ** -2.5 / 6
    return np.log(0.375 * ((1 - 1 / 30) * body + tail / 30) / scale_s)


@compiled
def _local_lines(score_s, hit_s, segment, near, neighbours):
    """Return the value at each member of a robust line through the matched onsets about it, itself left out.

    Beside it the scatter of those about the line (1.5 × the median distance, about a standard deviation), and the
    line's variance at the member in units of a mean weight's.
    """
    n = len(score_s)
    due, scatter, lever = np.full(n, np.nan), np.full(n, np.nan), np.zeros(n)
    x, y, w = np.zeros(4 * neighbours + 4), np.zeros(4 * neighbours + 4), np.zeros(4 * neighbours + 4)
    for k in range(n):
        if not near[k]:
            continue
        count = 0
        for side in (-1, 1):
            taken, last = 0, np.nan
            a = k + side
            while 0 <= a < n and taken <= neighbours and count < len(x):
                if segment[a] != segment[k]:
                    break
                if np.isfinite(hit_s[a]):
                    if score_s[a] != last:
                        taken += 1
                        last = score_s[a]
                    if taken <= neighbours:
                        x[count], y[count] = score_s[a] - score_s[k], hit_s[a]
                        count += 1
                a += side
        if count < 3:
            continue
        reach = 1e-3
        for a in range(count):
            reach = max(reach, abs(x[a]))
        reach *= 1.15
        for a in range(count):
            w[a] = (1 - abs(x[a] / reach) ** 3) ** 3
        level, slope = 0.0, 1.0
        for turn in range(3):
            sw, sx, sy, sxx, sxy = 0.0, 0.0, 0.0, 0.0, 0.0
            for a in range(count):
                sw += w[a]
                sx += w[a] * x[a]
                sy += w[a] * y[a]
                sxx += w[a] * x[a] * x[a]
                sxy += w[a] * x[a] * y[a]
            spread = sw * sxx - sx * sx
            slope = (sw * sxy - sx * sy) / spread if spread > 1e-9 * sw * sw else 1.0
            level = (sy - slope * sx) / sw
            lever[k] = sxx / spread * sw if spread > 1e-9 * sw * sw else 4.0
            if turn == 2:
                break
            rest = np.empty(count)
            for a in range(count):
                rest[a] = abs(y[a] - level - slope * x[a])
            scatter[k] = 1.5 * np.median(rest)
            scale = 6 * max(np.median(rest), 1e-3)
            for a in range(count):
                tricube = (1 - abs(x[a] / reach) ** 3) ** 3
                part = rest[a] / scale
                w[a] = tricube * ((1 - part * part) ** 2 if part < 1 else 0.0) + 1e-9
        due[k] = level
    return due, scatter, lever


@compiled
def _assign(due_s, scale_s, hit_s, miss, gain_match):
    """Return for each note of one striker its hit (-1: none): the monotone assignment of the greatest gain.

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
        window_s = min(max(LEAST_WINDOW_S, 12 * scale_s[a]), WIDEST_WINDOW_S)
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
            gain = gain_match[b] - miss[a] + fit(hit_s[b] - due_s[a], scale_s[a])
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
