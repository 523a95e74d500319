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
STUDENT = log(0.375)  # normaliser of Student's t with 4 degrees of freedom
WIDEST = 100.0  # squared standard deviations that a step may be off
MIXED_MEMBER = -0.7  # log probability that a further member of a chord is heard apart by a mixed microphone
END_LOSS = 2.5  # nats of the bonus for a whole take, for each onset silent at its end
LEADERS, NEAR_JUMP = 6, 4
FIRST_HITS = 100
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
    p_loop: float = 0.003  # at the last onset; a part that lies within the song is the simpler reading
    stall_s: float = 2.0  # mean length of a stall
    beam: float = 70.0  # nats
    hits_ahead: int = 14
    onsets_ahead: int = 25
    jump_ahead: int = 40
    most_cells: int = 400  # a hit, once the first hits have said where in the song the take may be
    loops: int = 1
    turnaround_s: float = 0.0  # nominal time from the last onset to the first when the song goes round
    top_bonus: float = 8.0  # nats for beginning at the first onset, and for ending at the last
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
    tempo: np.ndarray
    tempo_var: np.ndarray


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
    begin, onset, score, back, how, member, tempo, tempo_var : as `Paths`
    last : int
        The best last cell, -1 if there is none.
    total : float
        Its log likelihood, with all strays after it.
    """
    n, m = len(score_s), len(hit_s)
    log_miss, log_strike = log(t.p_miss), log(1 - t.p_miss)
    pass_own, passed = charges(first, own, log_miss)
    strays = np.zeros(m + 1)
    strays[1:] = np.cumsum(stray)

    # What is known of this hit's cells so far, by onset.
    now_score = np.full(n, FORBIDDEN)
    now_state = np.zeros((n, 5))
    now_back = np.full(n, -1)
    now_how, now_member = np.zeros(n, np.int8), np.zeros(n, np.int8)
    now_mask = np.zeros(n, np.int64)
    touched = np.zeros(n, np.int32)

    room = 6 * m + n + 64
    begin = np.zeros(m + 1, np.int64)
    onset, nearest = np.zeros(room, np.int32), np.zeros(room, np.int32)
    score, phases = np.zeros(room), np.zeros(room)
    # Tempo, variance of the phase, covariance, variance of the tempo: half the width is enough for them.
    state = np.zeros((room, 4), np.float32)
    back, mask = np.zeros(room, np.int32), np.zeros(room, np.int64)
    how, member = np.zeros(room, np.int8), np.zeros(room, np.int8)
    n_cells = 0

    # The best cells so far with strays charged up to now: jumps start from them, however long ago they were.
    leader_cell, leader_score = np.full(LEADERS, -1), np.full(LEADERS, FORBIDDEN)
    best_ever, best_total, best_last = FORBIDDEN, FORBIDDEN, -1
    r2, q2 = t.jitter_s**2, t.wander**2
    tempo_low, tempo_high = t.tempo * 0.25, t.tempo * 4.0
    start_live = True

    for j in range(m):
        count = 0
        noise = r2 + hit_var[j]
        # No step can gain more than this over its source with the strays between.
        most = STUDENT - 0.5 * log(noise) + log_strike - log_miss + np.max(evidence[j])
        floor = best_ever + stray[j] - t.beam
        best_here = FORBIDDEN

        # 1. Steps from the cells of the hits before.
        for j0 in range(j - 1, max(-1, j - 1 - t.hits_ahead), -1):
            between = strays[j] - strays[j0 + 1]
            for cell in range(begin[j0], begin[j0 + 1]):
                source = score[cell] + between
                if source + most < floor:
                    continue
                i0 = onset[cell]
                phase, tempo = phases[cell], float(state[cell, 0])
                p00, p01, p11 = float(state[cell, 1]), float(state[cell, 2]), float(state[cell, 3])
                dt = hit_s[j] - phase
                for i in range(nearest[cell], min(n, i0 + 1 + t.onsets_ahead)):
                    du = score_s[i] - score_s[i0]
                    span = du * tempo
                    e = dt - span
                    s00 = p00 + du * (2 * p01 + du * p11) + q2 * span**3 / 3
                    s = s00 + noise
                    z2 = e * e / s
                    if z2 > WIDEST:
                        if e > 0:
                            # Too early for this hit, so for every later one.
                            if i == nearest[cell]:
                                nearest[cell] += 1
                            continue
                        break
                    if i == i0:
                        k, seen = best_member(i, mask[cell], first, members, evidence, j)
                        if k < 0:
                            continue
                        gain = log_strike - log_miss if own[k] else MIXED_MEMBER
                    else:
                        missed = passed[i] - passed[i0 + 1]
                        if source + missed + most < floor:
                            break
                        k, seen = best_member(i, 0, first, members, evidence, j)
                        if k < 0:
                            continue
                        gain = missed + enter(k, own, pass_own[i], log_miss, log_strike)
                    value = source + gain + seen + STUDENT - 0.5 * log(s) - 2.5 * log(1 + 0.25 * z2)
                    if value <= now_score[i] or value < floor:
                        continue
                    if now_score[i] == FORBIDDEN:
                        touched[count] = i
                        count += 1
                    now_score[i] = value
                    best_here = max(best_here, value)
                    # A surprise is a late strike or a jolt more often than a new tempo: the phase follows it, the
                    # tempo only as far as three standard deviations, and then less surely.
                    loose = max(1.0, z2 / 6.0)
                    s01 = p01 + du * p11 + q2 * span * span / 2
                    s11 = p11 + q2 * span
                    g1 = s01 / s
                    heed = e if z2 < 9.0 else e * 3.0 / z2**0.5
                    now_state[i, 1] = min(max(tempo + g1 * heed, tempo_low), tempo_high)
                    now_state[i, 4] = loose * max(s11 - g1 * s01, 1e-12)
                    s00 *= loose
                    g0 = s00 / (s00 + noise)
                    now_state[i, 0] = phase + span + g0 * e
                    now_state[i, 2], now_state[i, 3] = s00 * (1 - g0), s01 * (1 - g0)
                    now_back[i], now_how[i], now_member[i] = cell, STEP, k - first[i]
                    now_mask[i] = (mask[cell] if i == i0 else 0) | (1 << (k - first[i]))

        # 2. A start, as long as one could still win.
        if start_live:
            start_live = strays[j] > best_ever - t.beam - 20.0
            for i in range(1 if t.from_top else n):
                k, seen = best_member(i, 0, first, members, evidence, j)
                if k < 0:
                    continue
                value = strays[j] + enter(k, own, pass_own[i], log_miss, log_strike) + seen + log(t.rate)
                value += max(0.0, t.top_bonus - END_LOSS * i)
                if value > now_score[i] and value > floor:
                    if now_score[i] == FORBIDDEN:
                        touched[count] = i
                        count += 1
                    now_score[i] = value
                    best_here = max(best_here, value)
                    put(now_state[i], hit_s[j], t.tempo, noise, (t.tempo_sd * t.tempo) ** 2)
                    now_back[i], now_how[i], now_member[i] = -1, START, k - first[i]
                    now_mask[i] = 1 << (k - first[i])

        # 3. A jump from one of the leaders: on after a stall, round again, or once more from the top. Far jumps are
        # looked at only where nothing nearer explains the hit.
        explained = best_here > best_ever + stray[j] + 4.0
        for a in range(LEADERS):
            cell = leader_cell[a]
            if cell < 0 or leader_score[a] < best_ever - 25.0:
                continue
            i0 = onset[cell]
            phase, tempo = phases[cell], float(state[cell, 0])
            for kind in range(2):
                if kind == 0:
                    low, high = i0 + 1, min(n, i0 + 1 + (NEAR_JUMP if explained else t.jump_ahead))
                else:
                    low, high = 0, min(n, 4)
                    if t.backwards and i0 >= n - 4 and not explained:
                        high = n
                    if explained and i0 < n - 6:
                        high = 0
                for i in range(low, high):
                    k, seen = best_member(i, 0, first, members, evidence, j)
                    if k < 0:
                        continue
                    if kind == 0:
                        late = hit_s[j] - phase - tempo * (score_s[i] - score_s[i0])
                        cost = max(passed[i] - passed[i0 + 1], -16.0)
                        cost += log(t.p_stall / t.stall_s) - late / t.stall_s if late > 0 else log(t.p_skip)
                        way = STALL
                    else:
                        gap = hit_s[j] - phase
                        if gap <= 0.02:
                            continue
                        if i0 >= n - 6 and i < 4:
                            way = LOOP
                            wait = tempo * (score_s[n - 1] - score_s[i0] + score_s[i] - score_s[0])
                            around = tempo * t.turnaround_s
                            off = (gap - wait - around) / (0.05 + 0.1 * around)
                            cost = log(t.p_loop) + passed[n] - passed[i0 + 1] + passed[i]
                            cost += log(0.1 * np.exp(-gap / 8.0) / 8.0 + 0.9 * np.exp(-0.5 * off * off) + 1e-9)
                        else:
                            way = RESTART
                            cost = passed[n] - passed[i0 + 1] if t.backwards else passed[i]
                            cost += log(t.p_restart / 8.0) - gap / 8.0 - 4.0 * max(0.0, 1.5 - gap)
                    value = leader_score[a] + cost + enter(k, own, pass_own[i], log_miss, log_strike) + seen
                    if value > now_score[i] and value > floor:
                        if now_score[i] == FORBIDDEN:
                            touched[count] = i
                            count += 1
                        now_score[i] = value
                        best_here = max(best_here, value)
                        put(now_state[i], hit_s[j], tempo, noise, (0.15 * tempo) ** 2)
                        now_back[i], now_how[i], now_member[i] = cell, way, k - first[i]
                        now_mask[i] = 1 << (k - first[i])

        # 4. Keep what lies within the beam.
        best_ever = max(best_ever + stray[j], best_here)
        floor = best_ever - t.beam
        most_cells = max(n, t.most_cells) if j < FIRST_HITS else t.most_cells
        if count > most_cells:
            scores = now_score[touched[:count]]
            floor = max(floor, np.partition(scores, count - most_cells)[count - most_cells])
        if n_cells + count > room:
            room = room + room // 2 + count
            onset, nearest, score, phases = (
                longer(onset, room),
                longer(nearest, room),
                longer(score, room),
                longer(phases, room),
            )
            back, mask, how, member = longer(back, room), longer(mask, room), longer(how, room), longer(member, room)
            state = taller(state, room)
        leader_score += stray[j]
        for a in range(count):
            i = touched[a]
            value = now_score[i]
            now_score[i] = FORBIDDEN
            if value < floor:
                continue
            onset[n_cells], nearest[n_cells], score[n_cells] = i, i, value
            back[n_cells], mask[n_cells] = now_back[i], now_mask[i]
            how[n_cells], member[n_cells] = now_how[i], now_member[i]
            phases[n_cells], state[n_cells] = now_state[i, 0], now_state[i, 1:]
            if value > best_ever - 25.0:
                lead(leader_cell, leader_score, onset, n_cells, value)
            end = value + strays[m] - strays[j + 1] + max(0.0, t.top_bonus - END_LOSS * (n - 1 - i))
            if end > best_total:
                best_total, best_last = end, n_cells
            n_cells += 1
        begin[j + 1] = n_cells
    # Copies: what only the search needed goes with it.
    return (
        begin,
        onset[:n_cells].copy(),
        score[:n_cells].copy(),
        back[:n_cells].copy(),
        how[:n_cells].copy(),
        member[:n_cells].copy(),
        state[:n_cells, 0].copy(),
        state[:n_cells, 3].copy(),
        best_last,
        best_total,
    )


@compiled
def charges(first, own, log_miss):
    """Return what the own members of each onset cost if none strikes, and the running sum of what passing costs.

    Of members that only a mixed microphone hears two are charged at most: they merge into one sound.
    """
    n = len(first) - 1
    pass_own, passed = np.zeros(n), np.zeros(n + 1)
    for i in range(n):
        n_own = np.sum(own[first[i] : first[i + 1]])
        pass_own[i] = n_own * log_miss
        passed[i + 1] = passed[i] + (n_own + min(first[i + 1] - first[i] - n_own, 2)) * log_miss
    return pass_own, passed


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
def put(state, phase, tempo, var_phase, var_tempo):
    """Write a tracker that has seen one hit."""
    state[0], state[1], state[2], state[3], state[4] = phase, tempo, var_phase, 0.0, var_tempo


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
def longer(array, room):
    """Return the array with more room behind."""
    out = np.zeros(room, array.dtype)
    out[: len(array)] = array
    return out


@compiled
def taller(array, room):
    """Return the two-dimensional array with more room below."""
    out = np.zeros((room, array.shape[1]), array.dtype)
    out[: len(array)] = array
    return out
