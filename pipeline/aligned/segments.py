"""Divide a take into stretches without a stall or restart: only within one does a tempo mean anything."""

from dataclasses import replace

import numpy as np

from pipeline.aligned.playthroughs import Take
from pipeline.aligned.search.evidence import Evidence
from pipeline.aligned.search.onsets import Onsets
from pipeline.aligned.search.path_search import RESTART
from pipeline.robust import SD_OF_MAD

# Chosen on simulated takes.
NEIGHBOURS = 12  # steps on each side that say what pace is usual
LEAST_STEPS = 3  # of them; with fewer no pace is known
LEAST_STALL_S = 0.25  # a shorter delay may be a slow bar
STALL_SCALES = 8.0  # times the scatter of steps: a longer delay is a stall
LEAST_SCATTER_S, SCATTER_SHARE = 0.01, 0.05  # added to the scatter: so much, and a share of the step's own length
STOOD_TIMES = 1.25  # the time to come round, at the pace before: a longer one holds a stop


def mark(take: Take, onsets: Onsets, evidence: Evidence) -> Take:
    """Return the take with `segment` counted anew from what was matched.

    A new segment begins where the machine stood (a step longer than its neighbours' pace by `LEAST_STALL_S` and by
    `STALL_SCALES` times their scatter), and after a restart. Going round without a stop does not begin one.
    """
    onset_of_member = onsets.onset_of_member
    p, k = np.nonzero(take.hit >= 0)
    if len(p) < 3:
        return replace(take, segment=np.ones_like(take.segment))
    hit_s = evidence.hit_s[take.hit[p, k]]
    # One point for each onset that struck: its first hit.
    place, first = np.unique(p * len(onsets) + onset_of_member[k], return_index=True)
    time_s = np.minimum.reduceat(hit_s, first)
    score_s = onsets.score_s[place % len(onsets)]
    playthrough = place // len(onsets)
    step_s, written_s = np.diff(time_s), np.diff(score_s)
    same = np.diff(playthrough) == 0
    late_s = np.zeros(len(step_s))
    stalled = np.zeros(len(step_s), bool)
    for a in np.flatnonzero(same & (step_s > LEAST_STALL_S)):
        near = slice(max(0, a - NEIGHBOURS), a + NEIGHBOURS + 1)
        counts = same[near].copy()
        counts[a - near.start] = False
        if counts.sum() < LEAST_STEPS:
            continue
        pace = np.median(step_s[near][counts] / written_s[near][counts])
        rest_s = step_s[near][counts] - pace * written_s[near][counts]
        scatter_s = SD_OF_MAD * np.median(np.abs(rest_s)) + LEAST_SCATTER_S + SCATTER_SHARE * pace * written_s[a]
        late_s[a] = step_s[a] - pace * written_s[a]
        stalled[a] = late_s[a] > max(LEAST_STALL_S, STALL_SCALES * scatter_s)
    breaks = stalled.copy()
    for a in np.flatnonzero(~same):
        breaks[a] = take.how[playthrough[a + 1]] == RESTART or _stood(step_s, written_s, same, a, onsets, take)
    number = np.concatenate(([1], 1 + np.cumsum(breaks)))
    segment = np.ones_like(take.segment)
    # A silent member belongs to the stretch before it; what comes before the first hit, to the first.
    where = np.searchsorted(place, np.arange(take.n_playthroughs * len(onsets)), side="right") - 1
    by_onset = number[np.maximum(where, 0)].reshape(take.n_playthroughs, len(onsets))
    for q in range(take.n_playthroughs):
        mine = np.flatnonzero(playthrough == q)
        if len(mine):
            by_onset[q, : place[mine[0]] % len(onsets)] = number[mine[0]]
        segment[q] = by_onset[q][onset_of_member]
    return replace(take, segment=segment)


def _stood(step_s, written_s, same, a, onsets, take) -> bool:
    """Return whether the machine stood between two playthroughs: longer than coming round takes at the pace before."""
    near = slice(max(0, a - NEIGHBOURS), a)
    counts = same[near]
    if counts.sum() < LEAST_STEPS or take.turnaround_s <= 0:
        return True
    pace = np.median(step_s[near][counts] / written_s[near][counts])
    wait_s = pace * (take.turnaround_s + max(0.0, onsets.score_s[-1] - onsets.score_s[0] + written_s[a]))
    return bool(step_s[a] > STOOD_TIMES * wait_s + LEAST_STALL_S)
