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
hit, forward, and keeps only cells within a beam of the best.

All functions that call each other compiled, and their records, are in this file (see `compiled`).
"""

from math import log
from typing import NamedTuple

import numpy as np

from pipeline.aligned.compiled import compiled, inlined
from pipeline.aligned.search.evidence import FORBIDDEN

STEP, START, STALL, LOOP, RESTART = 0, 1, 2, 3, 4  # how a cell was reached; a skip counts as a stall
STUDENT = log(0.375)  # log of the normaliser of Student's t with 4 degrees of freedom (derived)
MIXED_MEMBER = -0.7  # log probability (a half) that a mixed microphone hears a further member of a chord apart
MIXED_CHARGED = 2  # silent members of a chord charged at most where a mixed microphone hears them: they merge
LEAST_TEMPO_VAR = 1e-12  # keeps a variance positive in spite of rounding
LEADERS = 6  # cells that jumps start from, one an onset (chosen: time grows with them)
NEAR_JUMP = 4  # onsets that a jump may pass where the hit is explained already
TOP = 4  # first onsets at which a further round or a restart may begin (running backwards: last ones)
TAIL = 6  # last onsets from which the song may go round
LEAST_LIKELY = 1e-9  # added to a density before its log is taken
CELLS_PER_HIT = 24  # room to begin with; more is made where needed. What is not written to takes no memory


# Records, one array of each: a hundred loose arrays handed from function to function cost half of the speed.
ONSET = np.dtype(  # one more than there are onsets: the last holds what comes after all
    [
        ("score_s", np.float64),
        ("first", np.int64),  # its first member
        ("passed", np.float64),  # log likelihood of passing all onsets before it
        ("all_silent", np.float64),  # log likelihood that none of its own members strikes
    ],
    align=True,
)
MEMBER = np.dtype([("striker", np.int64), ("own", np.bool_)], align=True)
HIT = np.dtype(  # one more than there are hits
    [
        ("hit_s", np.float64),
        ("var", np.float64),
        ("stray", np.float64),
        ("gaps", np.int64),  # stretches before it that nobody listened to
        ("strays", np.float64),  # log likelihood that all hits before it are strays
    ],
    align=True,
)
# A cell carries its tracker: phase (when its onset was due), tempo, their variances and covariance.
REACHED = np.dtype(  # the best cell found so far for an onset and the hit being worked at
    [
        ("score", np.float64),  # FORBIDDEN: not reached
        ("struck", np.int64),  # bit k: member k of the onset has struck
        ("phase_s", np.float64),
        ("tempo", np.float64),
        ("phase_var", np.float64),
        ("covariance", np.float64),
        ("tempo_var", np.float64),
        ("back", np.int32),
        ("how", np.int8),
        ("member", np.int8),
    ],
    align=True,
)
CELL = np.dtype(  # a kept cell; half the width is enough for most of the tracker
    [
        ("score", np.float64),
        ("struck", np.int64),
        ("phase_s", np.float64),
        ("tempo", np.float32),
        ("phase_var", np.float32),
        ("covariance", np.float32),
        ("tempo_var", np.float32),
        ("onset", np.int32),
        ("nearest", np.int32),  # first onset that a step may still lead to
        ("back", np.int32),
        ("how", np.int8),
        ("member", np.int8),
    ],
    align=True,
)


class Problem(NamedTuple):
    """Song and hits, with running sums of what passing them costs (log likelihood)."""

    onsets: np.ndarray  # of ONSET
    members: np.ndarray  # of MEMBER
    hits: np.ndarray  # of HIT
    by_striker: np.ndarray  # (n_hits, n_strikers)
    log_miss: float
    log_strike: float


class Belief(NamedTuple):
    """The tracker of a cell."""

    phase_s: float
    tempo: float
    phase_var: float
    covariance: float
    tempo_var: float


class Reached(NamedTuple):
    """What is known of the cells of the hit being worked at."""

    by_onset: np.ndarray  # of REACHED
    onset: np.ndarray  # onsets reached, in the order found: the first `n_reached[0]`
    n_reached: np.ndarray  # (1,)
    best: np.ndarray  # (1,) highest score


class Leaders(NamedTuple):
    """The best cells so far, strays charged up to now: jumps start from them, however long ago they were."""

    cell: np.ndarray  # (LEADERS,), -1: none
    score: np.ndarray


class Jump(NamedTuple):
    """A jump from the cell `back`; `source` is that cell's score with the jump's cost."""

    back: int
    how: int
    source: float
    tempo: float


class Present(NamedTuple):
    """The hit being worked at."""

    j: int
    noise: float  # variance of its time about the tracker's phase
    most: float  # log likelihood that no step to it can gain more than
    best: float  # highest score of all cells before it, strays charged up to it
    floor: float  # log likelihood that a cell must have to be kept


class Paths(NamedTuple):
    """Every kept cell, in order of hits; cells of hit j are `begin[j]:begin[j + 1]`."""

    begin: np.ndarray  # (n_hits + 1,)
    onset: np.ndarray
    score: np.ndarray  # log likelihood of the best path up to the cell
    back: np.ndarray  # the cell before it on that path, -1: none
    how: np.ndarray  # STEP, START, STALL, LOOP or RESTART
    member: np.ndarray  # number within the onset
    tempo: np.ndarray
    tempo_var: np.ndarray


@compiled
def likeliest_paths(song, hits, t):
    """Return every kept cell and the best last cell.

    Parameters
    ----------
    song : onsets.Song
    hits : evidence.WeighedHits
        In order of time.
    t : tracker.Tracker

    Returns
    -------
    paths : Paths
    last : int
        The best last cell, -1 if there is none.
    total : float
        Its log likelihood, with all strays after it.
    """
    problem = _problem(song, hits, t)
    n, m = len(song.score_s), len(hits.hit_s)
    begin, cells = np.zeros(m + 1, np.int64), np.empty(CELLS_PER_HIT * m + n, CELL)
    reached = Reached(np.zeros(n, REACHED), np.zeros(n, np.int32), np.zeros(1, np.int64), np.zeros(1))
    for i in range(n):
        reached.by_onset[i].score = FORBIDDEN
    leaders = Leaders(np.full(LEADERS, -1), np.full(LEADERS, FORBIDDEN))
    best, may_start = FORBIDDEN, True
    for j in range(m):
        noise = t.jitter_s**2 + hits.hit_var[j]
        most = STUDENT - 0.5 * log(noise) + problem.log_strike - problem.log_miss + np.max(hits.by_striker[j])
        now = Present(j, noise, most, best, best + hits.stray[j] - t.beam)
        reached.best[0] = FORBIDDEN
        _step(problem, t, begin, cells, reached, now)
        if may_start:
            may_start = problem.hits[j].strays > best - t.beam - t.start_beam
            _start(problem, t, reached, now)
        _jump(problem, t, cells, reached, leaders, now)
        best = max(best + hits.stray[j], reached.best[0])
        leaders.score[:] += hits.stray[j]
        if begin[j] + reached.n_reached[0] > len(cells):
            cells = _longer(cells, len(cells) + n)
        begin[j + 1] = _keep_within_beam(t, begin[j], cells, reached, leaders, j, best)
    last, total = _best_last(problem, t, begin, cells)
    return _paths(begin, cells[: begin[m]]), last, total


@compiled
def _problem(song, hits, t):
    """Return song and hits as records, with the running sums."""
    log_miss, log_strike = log(t.p_miss), log(1 - t.p_miss)
    n, m = len(song.score_s), len(hits.hit_s)
    onsets, members = np.zeros(n + 1, ONSET), np.zeros(len(song.striker), MEMBER)
    for k in range(len(song.striker)):
        members[k].striker, members[k].own = song.striker[k], song.own[k]
    for i in range(n):
        onset = onsets[i]
        onset.score_s, onset.first, following = song.score_s[i], song.first[i], song.first[i + 1]
        n_own = np.sum(song.own[onset.first : following])
        onset.all_silent = n_own * log_miss
        n_mixed = following - onset.first - n_own
        onsets[i + 1].first = following
        onsets[i + 1].passed = onset.passed + (n_own + min(n_mixed, MIXED_CHARGED)) * log_miss
    strays, out = np.cumsum(hits.stray), np.zeros(m + 1, HIT)
    for j in range(m):
        out[j].hit_s, out[j].var, out[j].stray = hits.hit_s[j], hits.hit_var[j], hits.stray[j]
        out[j].gaps = hits.gaps[j]
        out[j + 1].strays = strays[j]
    return Problem(onsets, members, out, hits.by_striker, log_miss, log_strike)


@compiled
def _step(problem, t, begin, cells, reached, now):
    """Reach the present hit by steps from the cells of earlier hits: the hits between are strays, the onsets missed."""
    onsets, j = problem.onsets, now.j
    n, hit, wander_var = len(onsets) - 1, problem.hits[j], t.wander**2
    for j0 in range(j - 1, max(-1, j - 1 - t.hits_ahead), -1):
        between = hit.strays - problem.hits[j0 + 1].strays
        # Where nobody listened, onsets may be passed at no cost, however many.
        deaf = problem.hits[j0].gaps != hit.gaps
        for c in range(begin[j0], begin[j0 + 1]):
            cell = cells[c]
            source = cell.score + between
            if source + now.most < now.floor:
                continue
            i0, before = cell.onset, _belief(cell)
            for i in range(cell.nearest, n if deaf else min(n, i0 + 1 + t.onsets_ahead)):
                nominal_s = onsets[i].score_s - onsets[i0].score_s
                late_s = hit.hit_s - before.phase_s - nominal_s * before.tempo
                var = _phase_var(before, nominal_s, wander_var) + now.noise
                surprise = late_s * late_s / var
                if surprise > t.most_surprise:
                    if late_s < 0:
                        break
                    # The onset was due too early for this hit, so for every later one.
                    if i == cell.nearest:
                        cell.nearest += 1
                    continue
                missed = 0.0 if deaf else onsets[i].passed - onsets[i0 + 1].passed
                if i > i0 and source + missed + now.most < now.floor:
                    break
                struck = cell.struck if i == i0 else 0
                k, seen = _best_member(problem, i, struck, j)
                if k < 0:
                    continue
                if i > i0:
                    gain = missed + _entered(problem, i, k)
                else:
                    gain = problem.log_strike - problem.log_miss if problem.members[k].own else MIXED_MEMBER
                value = source + gain + seen + STUDENT - 0.5 * log(var) - 2.5 * log(1 + 0.25 * surprise)
                if value <= reached.by_onset[i].score or value < now.floor:
                    continue
                _reach(reached, i, value, c, STEP, k - onsets[i].first, struck)
                _follow(reached.by_onset[i], before, nominal_s, late_s, now.noise, t)


@compiled
def _start(problem, t, reached, now):
    """Let the take begin with the present hit, all hits before it strays."""
    hit = problem.hits[now.j]
    for i in range(1 if t.from_top else len(problem.onsets) - 1):
        k, seen = _best_member(problem, i, 0, now.j)
        if k < 0:
            continue
        value = hit.strays + _entered(problem, i, k) + seen + log(t.rate_hz)
        value += max(0.0, t.top_bonus - t.end_loss * i)
        if value > reached.by_onset[i].score and value > now.floor:
            _reach(reached, i, value, -1, START, k - problem.onsets[i].first, 0)
            _begin(reached.by_onset[i], hit.hit_s, t.tempo, now.noise, (t.tempo_sd * t.tempo) ** 2)


@compiled
def _jump(problem, t, cells, reached, leaders, now):
    """Reach the present hit by jumps from the leaders: on after a stall or skip, round again, or from the top anew.

    Far jumps are tried only where nothing nearer explains the hit.
    """
    n, hit = len(problem.onsets) - 1, problem.hits[now.j]
    explained = reached.best[0] > now.best + hit.stray + t.explained
    for a in range(LEADERS):
        c, score = leaders.cell[a], leaders.score[a]
        if c < 0 or score < now.best - t.leader_beam:
            continue
        i0, before = cells[c].onset, _belief(cells[c])
        for i in range(i0 + 1, min(n, i0 + 1 + (NEAR_JUMP if explained else t.jump_ahead))):
            source = score + _stall_cost(problem.onsets, t, before, i0, i, hit.hit_s)
            _land(problem, t, reached, now, i, Jump(c, STALL, source, before.tempo))
        gap_s = hit.hit_s - before.phase_s
        if gap_s <= t.least_gap_s:
            continue
        high = min(n, TOP)
        if t.backwards and i0 >= n - TOP and not explained:
            high = n
        if explained and i0 < n - TAIL:
            high = 0
        for i in range(high):
            if i0 >= n - TAIL and i < TOP:
                how, cost = LOOP, _loop_cost(problem.onsets, t, before.tempo, i0, i, gap_s)
            else:
                how, cost = RESTART, _restart_cost(problem.onsets, t, i0, i, gap_s)
            _land(problem, t, reached, now, i, Jump(c, how, score + cost, before.tempo))


@inlined
def _stall_cost(onsets, t, before, i0, i, hit_s):
    """Return the log likelihood of standing still (exponential), or of skipping where the hit comes too early."""
    late_s = hit_s - before.phase_s - before.tempo * (onsets[i].score_s - onsets[i0].score_s)
    cost = max(onsets[i].passed - onsets[i0 + 1].passed, -t.most_passed)
    return cost + (log(t.p_stall / t.stall_s) - late_s / t.stall_s if late_s > 0 else log(t.p_skip))


@inlined
def _loop_cost(onsets, t, tempo, i0, i, gap_s):
    """Return the log likelihood of going round: most times in tempo, else after a pause (exponential).

    Deviation: the peak in tempo is 1 high however wide it is, not a density.
    """
    n = len(onsets) - 1
    nominal_s = onsets[n - 1].score_s - onsets[i0].score_s + onsets[i].score_s - onsets[0].score_s
    around_s = tempo * t.turnaround_s
    off = (gap_s - tempo * nominal_s - around_s) / (t.turnaround_sd_s + t.turnaround_sd * around_s)
    in_tempo, paused = np.exp(-0.5 * off * off), np.exp(-gap_s / t.pause_s) / t.pause_s
    cost = log(t.p_loop) + onsets[n].passed - onsets[i0 + 1].passed + onsets[i].passed
    return cost + log(t.p_pause * paused + (1 - t.p_pause) * in_tempo + LEAST_LIKELY)


@inlined
def _restart_cost(onsets, t, i0, i, gap_s):
    """Return the log likelihood of beginning anew after a pause (exponential, but seldom a quick one)."""
    # Backwards, the onsets that the earlier playthrough did not come to lie after it.
    cost = onsets[len(onsets) - 1].passed - onsets[i0 + 1].passed if t.backwards else onsets[i].passed
    too_quick_s = max(0.0, t.quick_s - gap_s)
    return cost + (log(t.p_restart / t.pause_s) - gap_s / t.pause_s - t.quick_loss * too_quick_s)


@inlined
def _land(problem, t, reached, now, i, jump):
    """Reach onset i by a jump."""
    k, seen = _best_member(problem, i, 0, now.j)
    if k < 0:
        return
    value = jump.source + _entered(problem, i, k) + seen
    if value > reached.by_onset[i].score and value > now.floor:
        _reach(reached, i, value, jump.back, jump.how, k - problem.onsets[i].first, 0)
        tempo_var = (t.jump_tempo_sd * jump.tempo) ** 2
        _begin(reached.by_onset[i], problem.hits[now.j].hit_s, jump.tempo, now.noise, tempo_var)


@inlined
def _best_member(problem, i, struck, j):
    """Return the member of onset i that hit j is likeliest to be, of those that have not struck yet (-1: none)."""
    best, seen, first = -1, FORBIDDEN / 2, problem.onsets[i].first
    for k in range(first, problem.onsets[i + 1].first):
        if struck & (1 << (k - first)):
            continue
        value = problem.by_striker[j, problem.members[k].striker]
        if value > seen:
            best, seen = k, value
    return best, seen


@inlined
def _entered(problem, i, k):
    """Return the log likelihood of an onset entered by its member k, the other own members still to come."""
    silent = problem.log_miss if problem.members[k].own else 0.0
    return problem.onsets[i].all_silent + problem.log_strike - silent


@inlined
def _reach(reached, i, value, back, how, member, struck):
    """Write a better cell for onset i, all but its tracker; `struck` are the members that struck before."""
    cell = reached.by_onset[i]
    if cell.score == FORBIDDEN:
        reached.onset[reached.n_reached[0]] = i
        reached.n_reached[0] += 1
    reached.best[0] = max(reached.best[0], value)
    cell.score, cell.back, cell.how, cell.member = value, back, how, member
    cell.struck = struck | (1 << member)


@inlined
def _belief(cell):
    """Return the tracker of a kept cell."""
    return Belief(cell.phase_s, float(cell.tempo), float(cell.phase_var), float(cell.covariance), float(cell.tempo_var))


@inlined
def _phase_var(before, nominal_s, wander_var):
    """Return the variance of the phase so much later (Kalman prediction; the tempo is a random walk)."""
    span_s = nominal_s * before.tempo
    var = before.phase_var + nominal_s * (2 * before.covariance + nominal_s * before.tempo_var)
    return var + wander_var * span_s**3 / 3


@inlined
def _follow(cell, before, nominal_s, late_s, noise, t):
    """Write the tracker after a step (Kalman update).

    Deviation: a surprise is a late strike or a jolt more often than a new tempo. The phase follows it, the tempo only
    as far as `heeded_sd`; both are then less sure.
    """
    span_s, wander_var = nominal_s * before.tempo, t.wander**2
    phase_var = _phase_var(before, nominal_s, wander_var)
    var = phase_var + noise
    surprise = late_s * late_s / var
    loose = max(1.0, surprise / t.loose_surprise)
    covariance = before.covariance + nominal_s * before.tempo_var + wander_var * span_s * span_s / 2
    tempo_var = before.tempo_var + wander_var * span_s
    gain = covariance / var
    heeded_s = late_s if surprise < t.heeded_sd * t.heeded_sd else late_s * t.heeded_sd / surprise**0.5
    cell.tempo = min(max(before.tempo + gain * heeded_s, t.tempo / t.tempo_range), t.tempo * t.tempo_range)
    cell.tempo_var = loose * max(tempo_var - gain * covariance, LEAST_TEMPO_VAR)
    phase_var *= loose
    gain = phase_var / (phase_var + noise)
    cell.phase_s = before.phase_s + span_s + gain * late_s
    cell.phase_var, cell.covariance = phase_var * (1 - gain), covariance * (1 - gain)


@inlined
def _begin(cell, phase_s, tempo, phase_var, tempo_var):
    """Write the tracker after one hit."""
    cell.phase_s, cell.tempo = phase_s, tempo
    cell.phase_var, cell.covariance, cell.tempo_var = phase_var, 0.0, tempo_var


@compiled
def _longer(cells, more):
    """Return the cells with room for more."""
    out = np.empty(len(cells) + more, CELL)
    out[: len(cells)] = cells
    return out


@compiled
def _keep_within_beam(t, c, cells, reached, leaders, j, best):
    """Write what was reached and lies within the beam from cell c on, forget the rest, return the next free cell."""
    count, floor = reached.n_reached[0], best - t.beam
    most_cells = max(len(reached.onset), t.most_cells) if j < t.first_hits else t.most_cells
    if count > most_cells:
        scores = np.zeros(count)
        for a in range(count):
            scores[a] = reached.by_onset[reached.onset[a]].score
        floor = max(floor, np.partition(scores, count - most_cells)[count - most_cells])
    for a in range(count):
        i = reached.onset[a]
        found, cell = reached.by_onset[i], cells[c]
        value = found.score
        found.score = FORBIDDEN
        if value < floor:
            continue
        cell.onset, cell.nearest, cell.score = i, i, value
        cell.back, cell.how, cell.member, cell.struck = found.back, found.how, found.member, found.struck
        cell.phase_s, cell.tempo, cell.phase_var = found.phase_s, found.tempo, found.phase_var
        cell.covariance, cell.tempo_var = found.covariance, found.tempo_var
        if value > best - t.leader_beam:
            _lead(leaders, cells, c)
        c += 1
    reached.n_reached[0] = 0
    return c


@inlined
def _lead(leaders, cells, c):
    """Put a cell among the leaders; one leader per onset."""
    place = 0
    for a in range(LEADERS):
        if leaders.cell[a] >= 0 and cells[leaders.cell[a]].onset == cells[c].onset:
            place = a
            break
        if leaders.score[a] < leaders.score[place]:
            place = a
    if cells[c].score > leaders.score[place]:
        leaders.cell[place], leaders.score[place] = c, cells[c].score


@compiled
def _best_last(problem, t, begin, cells):
    """Return the cell that the likeliest path ends with, and the log likelihood of all hits."""
    n, m = len(problem.onsets) - 1, len(problem.hits) - 1
    last, total = -1, FORBIDDEN
    for j in range(m):
        for c in range(begin[j], begin[j + 1]):
            bonus = max(0.0, t.top_bonus - t.end_loss * (n - 1 - cells[c].onset))
            value = cells[c].score + problem.hits[m].strays - problem.hits[j + 1].strays + bonus
            if value > total:
                last, total = c, value
    return last, total


@compiled
def _paths(begin, cells):
    """Return copies of what others read of the cells: what only the search needed is freed."""
    n = len(cells)
    onset, back = np.zeros(n, np.int32), np.zeros(n, np.int32)
    how, member = np.zeros(n, np.int8), np.zeros(n, np.int8)
    score, tempo, tempo_var = np.zeros(n), np.zeros(n, np.float32), np.zeros(n, np.float32)
    for c in range(n):
        cell = cells[c]
        onset[c], score[c], back[c], how[c], member[c] = cell.onset, cell.score, cell.back, cell.how, cell.member
        tempo[c], tempo_var[c] = cell.tempo, cell.tempo_var
    return Paths(begin, onset, score, back, how, member, tempo, tempo_var)
