"""Find the likeliest path through onsets × hits: dynamic time warping over events with a tempo tracker in its cells.

A cell (onset i, hit j) says that hit j is a member of onset i. A step leads to a later hit of the same onset, or over
missed onsets and stray hits to a later onset:

    onset ^            . (i', j')     i' > i: onsets between are missed
          |       . '                 j' > j: hits between are strays
          |  (i, j) - - (i, j')       i' = i: another member of the same chord
          +--------------------> hit

Sakoe & Chiba (1978) sum a local cost along such a path. Deviation: the cost of a step is the log likelihood of its
*interval* under a two-state Kalman filter (phase in seconds, tempo in seconds per nominal second) that each cell
carries along its own best path, with a heavy-tailed innovation; what is passed over is charged. The search goes hit by
hit and keeps only cells within a beam of the best.
"""

from math import log
from typing import NamedTuple

import numpy as np

from pipeline.aligned.compiled import compiled

FORBIDDEN = -1e30  # log likelihood of what cannot be
STEP, START, STALL, LOOP, RESTART = 0, 1, 2, 3, 4  # how a cell was reached


class Tracker(NamedTuple):
    """What the search expects of machine and crew; times in seconds, rates per second, probabilities from 0 to 1."""

    jitter_s: float  # scatter of one strike
    wander: float  # standard deviation of the relative tempo change after one second
    tempo: float  # expected seconds per nominal second
    tempo_sd: float  # its relative standard deviation
    rate: float  # hits per second
    p_miss: float
    p_stall: float = 1 / 1000  # per hit
    p_skip: float = 1 / 20000
    p_restart: float = 1 / 30000
    stall_s: float = 2.0  # mean length of a stall
    beam: float = 70.0  # nats
    hits_ahead: int = 14
    onsets_ahead: int = 25
    jump_ahead: int = 40
    most_cells: int = 2000
    loops: int = 1
    turnaround_s: float = 0.0  # nominal time from the last onset to the first when the song goes round
    top_bonus: float = 2.0  # nats for beginning at the first onset, and for ending at the last
    from_top: bool = False  # a take can only begin at the first onset
    backwards: bool = False  # time and score run backwards


class Paths(NamedTuple):
    """Every kept cell, in order of hits; cells of hit j are `begin[j]:begin[j + 1]`."""

    begin: np.ndarray
    onset: np.ndarray
    score: np.ndarray
    back: np.ndarray
    how: np.ndarray
    member: np.ndarray
    state: np.ndarray  # phase, tempo, variance of the tempo


@compiled
def likeliest_paths(score_s, first, members, own, hit_s, hit_var, evidence, stray, t):
    """Return every kept cell and the best last cell.

    Parameters
    ----------
    score_s : ndarray, shape (n_onsets,)
    first, members : ndarray of int64
        Strikers of onset i: members[first[i]:first[i + 1]].
    own : ndarray of bool, shape (n_members,)
        Whether the member has a microphone (or a name) of its own: then its silence is a miss of its own.
    hit_s, hit_var : ndarray, shape (n_hits,)
        Time and variance of each hit.
    evidence : ndarray, shape (n_hits, n_strikers)
        Log likelihood of each hit, were it that striker's.
    stray : ndarray, shape (n_hits,)
        Log likelihood of each hit, were it nobody's.
    t : Tracker

    Returns
    -------
    begin, onset, score, back, how, member, state : as `Paths`
    last : int
        The best last cell, -1 if there is none.
    total : float
        Its log likelihood, with all strays after it.
    """
    n, m = len(score_s), len(hit_s)
    ahead = t.hits_ahead
    ring = ahead + 1
    log_miss, log_strike = log(t.p_miss), log(1 - t.p_miss)
    # What passing over an onset costs, and what entering it costs before its members are found.
    pass_own = np.zeros(n)
    pass_all = np.zeros(n + 1)
    for i in range(n):
        n_own, n_mixed = 0, 0
        for k in range(first[i], first[i + 1]):
            if own[k]:
                n_own += 1
            else:
                n_mixed += 1
        pass_own[i] = n_own * log_miss
        pass_all[i + 1] = pass_all[i] + (n_own + min(n_mixed, 2)) * log_miss
    strays = np.zeros(m + 1)
    for j in range(m):
        strays[j + 1] = strays[j] + stray[j]

    ring_score = np.full((ring, n), FORBIDDEN)
    ring_state = np.zeros((ring, n, 5))
    ring_back = np.full((ring, n), -1)
    ring_how = np.zeros((ring, n), np.int8)
    ring_member = np.zeros((ring, n), np.int8)
    ring_mask = np.zeros((ring, n), np.int64)
    touched = np.zeros((ring, n), np.int32)
    n_touched = np.zeros(ring, np.int64)

    room = 16 * m + 4 * n + 64
    begin = np.zeros(m + 1, np.int64)
    onset = np.zeros(room, np.int32)
    score = np.zeros(room)
    back = np.zeros(room, np.int64)
    how = np.zeros(room, np.int8)
    member = np.zeros(room, np.int8)
    state = np.zeros((room, 3))
    n_cells = 0

    # The best cells so far with strays charged up to now: jumps start from them, however long ago they were.
    n_leaders = 6
    leader_cell = np.full(n_leaders, -1)
    leader_score = np.full(n_leaders, FORBIDDEN)
    best_ever = FORBIDDEN
    best_total, best_last = FORBIDDEN, -1

    r2 = t.jitter_s**2
    q2 = t.wander**2
    student = log(0.375)  # normaliser of Student's t with 4 degrees of freedom
    tempo_low, tempo_high = t.tempo * 0.25, t.tempo * 4.0
    start_live = True

    for j in range(m):
        slot = j % ring
        # 1. Ways into this hit that do not come from a near hit: a start, or a jump from one of the leaders.
        if start_live:
            if strays[j] < best_ever - t.beam - 20.0:
                start_live = False
            for i in range(1 if t.from_top else n):
                k, seen = best_member(i, 0, first, members, evidence, j)
                if k < 0:
                    continue
                value = strays[j] + enter(k, own, pass_own[i], log_miss, log_strike) + seen
                value += log(t.rate)
                if i == 0:
                    value += t.top_bonus
                if value > ring_score[slot, i]:
                    if ring_score[slot, i] == FORBIDDEN:
                        touched[slot, n_touched[slot]] = i
                        n_touched[slot] += 1
                    ring_score[slot, i] = value
                    put(ring_state[slot, i], hit_s[j], t.tempo, r2 + hit_var[j], 0.0, (t.tempo_sd * t.tempo) ** 2)
                    ring_back[slot, i], ring_how[slot, i] = -1, START
                    ring_member[slot, i] = k - first[i]
                    ring_mask[slot, i] = 1 << (k - first[i])
        for a in range(n_leaders):
            cell = leader_cell[a]
            if cell < 0 or leader_score[a] < best_ever - 25.0:
                continue
            i0 = onset[cell]
            phase, tempo = state[cell, 0], state[cell, 1]
            for kind in range(2):
                # kind 0: on from a stall, forward; kind 1: round again or from the top.
                low = i0 + 1 if kind == 0 else 0
                high = min(n, i0 + 1 + t.jump_ahead) if kind == 0 else min(n, 4)
                if kind == 1 and t.backwards and i0 >= n - 4:
                    high = n
                if kind == 1 and t.loops == 0:
                    continue
                for i in range(low, high):
                    k, seen = best_member(i, 0, first, members, evidence, j)
                    if k < 0:
                        continue
                    if kind == 0:
                        late = hit_s[j] - phase - tempo * (score_s[i] - score_s[i0])
                        skipped = pass_all[i] - pass_all[i0 + 1]
                        way = STALL
                        if late > 0:
                            cost = log(t.p_stall / t.stall_s) - late / t.stall_s + max(skipped, -16.0)
                        else:
                            cost = log(t.p_skip) + max(skipped, -16.0)
                    else:
                        gap = hit_s[j] - phase
                        if gap <= 0.02:
                            continue
                        before = pass_all[n] - pass_all[i0 + 1] + pass_all[i]
                        if i0 >= n - 6 and i < 4:
                            way = LOOP
                            wait = tempo * (score_s[n - 1] - score_s[i0] + score_s[i] - score_s[0])
                            off = (gap - wait - tempo * t.turnaround_s) / (0.05 + 0.1 * tempo * t.turnaround_s)
                            cost = log(0.2) + before
                            cost += log(0.1 * np.exp(-gap / 8.0) / 8.0 + 0.9 * np.exp(-0.5 * off * off) + 1e-9)
                        else:
                            way = RESTART
                            passed = pass_all[n] - pass_all[i0 + 1] if t.backwards else pass_all[i]
                            cost = log(t.p_restart) + passed - log(8.0) - gap / 8.0 - 4.0 * max(0.0, 1.5 - gap)
                    value = leader_score[a] + cost + enter(k, own, pass_own[i], log_miss, log_strike) + seen
                    if value > ring_score[slot, i]:
                        if ring_score[slot, i] == FORBIDDEN:
                            touched[slot, n_touched[slot]] = i
                            n_touched[slot] += 1
                        ring_score[slot, i] = value
                        put(ring_state[slot, i], hit_s[j], tempo, r2 + hit_var[j], 0.0, (0.15 * tempo) ** 2)
                        ring_back[slot, i], ring_how[slot, i] = cell, way
                        ring_member[slot, i] = k - first[i]
                        ring_mask[slot, i] = 1 << (k - first[i])

        # 2. Keep what lies within the beam.
        best_here = FORBIDDEN
        count = n_touched[slot]
        for a in range(count):
            best_here = max(best_here, ring_score[slot, touched[slot, a]])
        best_ever = max(best_ever + stray[j], best_here)
        floor = best_ever - t.beam
        if count > t.most_cells:
            scores = np.empty(count)
            for a in range(count):
                scores[a] = ring_score[slot, touched[slot, a]]
            floor = max(floor, np.partition(scores, count - t.most_cells)[count - t.most_cells])
        if n_cells + count > room:
            room = 2 * room + count
            onset, score, back, how, member, state = grow(onset, score, back, how, member, state, room)
        for a in range(n_leaders):
            leader_score[a] += stray[j]
        for a in range(count):
            i = touched[slot, a]
            value = ring_score[slot, i]
            ring_score[slot, i] = FORBIDDEN
            if value < floor:
                continue
            cell = n_cells
            n_cells += 1
            onset[cell], score[cell], back[cell] = i, value, ring_back[slot, i]
            how[cell], member[cell] = ring_how[slot, i], ring_member[slot, i]
            state[cell, 0], state[cell, 1], state[cell, 2] = (
                ring_state[slot, i, 0],
                ring_state[slot, i, 1],
                ring_state[slot, i, 4],
            )
            if value > best_ever - 25.0:
                lead(leader_cell, leader_score, onset, cell, value)
            end = value + strays[m] - strays[j + 1] + (t.top_bonus if i == n - 1 else 0.0)
            if end > best_total:
                best_total, best_last = end, cell

            # 3. Step on from it.
            phase, tempo = ring_state[slot, i, 0], ring_state[slot, i, 1]
            p00, p01, p11 = ring_state[slot, i, 2], ring_state[slot, i, 3], ring_state[slot, i, 4]
            mask = ring_mask[slot, i]
            nearest = i
            for j2 in range(j + 1, min(m, j + 1 + ahead)):
                slot2 = j2 % ring
                dt = hit_s[j2] - phase
                passed_hits = strays[j2] - strays[j + 1]
                for i2 in range(nearest, min(n, i + 1 + t.onsets_ahead)):
                    du = score_s[i2] - score_s[i]
                    span = du * tempo
                    s00 = p00 + du * (2 * p01 + du * p11) + q2 * span**3 / 3
                    s = s00 + r2 + hit_var[j2]
                    e = dt - span
                    z2 = e * e / s
                    if z2 > 100.0:
                        if e > 0:
                            # This onset is too early for every hit from here on.
                            if i2 == nearest and i2 > i:
                                nearest += 1
                            continue
                        break
                    if i2 == i:
                        k, seen = best_member(i2, mask, first, members, evidence, j2)
                        if k < 0:
                            continue
                        gain = log_strike - log_miss if own[k] else -0.7
                    else:
                        k, seen = best_member(i2, 0, first, members, evidence, j2)
                        if k < 0:
                            continue
                        gain = enter(k, own, pass_own[i2], log_miss, log_strike) + pass_all[i2] - pass_all[i + 1]
                    value2 = value + passed_hits + gain + seen + student - 0.5 * log(s) - 2.5 * log(1 + 0.25 * z2)
                    if value2 > ring_score[slot2, i2] and value2 > floor + passed_hits:
                        if ring_score[slot2, i2] == FORBIDDEN:
                            touched[slot2, n_touched[slot2]] = i2
                            n_touched[slot2] += 1
                        ring_score[slot2, i2] = value2
                        # A surprise is a late strike or a jolt more often than a new tempo: the phase follows it, the
                        # tempo only as far as three standard deviations, and then less surely.
                        loose = max(1.0, z2 / 6.0)
                        s01 = p01 + du * p11 + q2 * span * span / 2
                        s11 = p11 + q2 * span
                        g1 = s01 / s
                        heed = e if z2 < 9.0 else e * 3.0 / z2**0.5
                        new_tempo = min(max(tempo + g1 * heed, tempo_low), tempo_high)
                        s11 = loose * max(s11 - g1 * s01, 1e-12)
                        s00 *= loose
                        s = s00 + r2 + hit_var[j2]
                        g0 = s00 / s
                        put(
                            ring_state[slot2, i2],
                            phase + span + g0 * e,
                            new_tempo,
                            s00 * (1 - g0),
                            s01 * (1 - g0),
                            s11,
                        )
                        ring_back[slot2, i2], ring_how[slot2, i2] = cell, STEP
                        ring_member[slot2, i2] = k - first[i2]
                        ring_mask[slot2, i2] = (mask if i2 == i else 0) | (1 << (k - first[i2]))
        n_touched[slot] = 0
        begin[j + 1] = n_cells
    return (
        begin,
        onset[:n_cells],
        score[:n_cells],
        back[:n_cells],
        how[:n_cells],
        member[:n_cells],
        state[:n_cells],
        best_last,
        best_total,
    )


@compiled
def best_member(i, mask, first, members, evidence, j):
    """Return the member of onset i that hit j is likeliest to be, of those that have not struck yet (-1: none)."""
    best, seen = -1, FORBIDDEN / 2
    for k in range(first[i], first[i + 1]):
        if mask & (1 << (k - first[i])):
            continue
        value = evidence[j, members[k]]
        if value > seen:
            best, seen = k, value
    return best, seen


@compiled
def enter(k, own, pass_own, log_miss, log_strike):
    """Return the log likelihood of an onset entered by its member k, the other own members still to come."""
    return pass_own + log_strike - (log_miss if own[k] else 0.0)


@compiled
def put(state, phase, tempo, p00, p01, p11):
    """Write the tracker's state into its place."""
    state[0], state[1], state[2], state[3], state[4] = phase, tempo, p00, p01, p11


@compiled
def lead(leader_cell, leader_score, onset, cell, value):
    """Put a cell among the leaders; one leader per onset."""
    place = 0
    for a in range(len(leader_cell)):
        if leader_cell[a] >= 0 and onset[leader_cell[a]] == onset[cell]:
            place = a
            break
        if leader_score[a] < leader_score[place]:
            place = a
    if value > leader_score[place]:
        leader_cell[place], leader_score[place] = cell, value


@compiled
def grow(onset, score, back, how, member, state, room):
    """Return the arrays of cells with more room."""
    n = len(onset)
    onset2, score2, back2 = np.zeros(room, np.int32), np.zeros(room), np.zeros(room, np.int64)
    how2, member2, state2 = np.zeros(room, np.int8), np.zeros(room, np.int8), np.zeros((room, 3))
    onset2[:n], score2[:n], back2[:n], how2[:n], member2[:n], state2[:n] = onset, score, back, how, member, state
    return onset2, score2, back2, how2, member2, state2
