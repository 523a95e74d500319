"""Assign named hits to their notes anew, each against the tempo of its neighbours, striker by striker.

The search compares a hit with the strikes before it; here each is held against both sides: a robust local line through
the neighbouring strikes (`local_lines`), the striker's own delay, and a monotone assignment of the striker's notes to
its hits (`assignment`).
"""

from dataclasses import replace
from math import log

import numpy as np

from pipeline.aligned.assignment import assign, log_density
from pipeline.aligned.local_lines import local_lines
from pipeline.aligned.playthroughs import Take
from pipeline.aligned.search.evidence import WRONG_NAME, Evidence
from pipeline.aligned.search.onsets import Onsets
from pipeline.robust import SD_OF_MAD

# Chosen on simulated takes where no other source is named.
ROUNDS = 3  # of assigning anew
DELAY_ROUNDS = 2  # of estimating the strikers' delays, each with the lines of the delays before
DELAY_HITS = 4  # a striker's delay is shrunk to 0 by so many hits, and 0 with fewer
NO_SPREAD_S = 0.02  # spread of a take in which nothing is matched
SMALLEST_SPREAD_S = 0.002  # of the lateness within a take, at least
REST_SCALE = 1.5  # of the neighbours' scatter about their line
MOST_LEVER = 24.0  # variance of a line, in units of a mean weight's, on top of the usual 1
MARGIN = 24  # members beyond both ends of a playthrough that may still have been played
FURTHEST = 2.5  # times the take's spread that a due time beyond the ends may be unsure
SEARCH_SCALE = 1.3  # times the scale of a due time: caution
P_BEYOND = 0.5  # probability that a note beyond the ends is silent
RESCUE_S = 0.03  # how far a hit with a wrong name may lie from its note
RESCUE_SCALES = 2.5  # within which a stray at a silent note speaks for wrong names
WRONG_LEAST, WRONG_MOST = 0.1 * WRONG_NAME, 2 * WRONG_NAME  # share of wrong names, estimated between these
KEYBOARD = 25  # strikers; from here on neighbouring names are neighbouring keys
WRONG_KEY = 2  # semitones: a hit so near on a keyboard is a wrong key, not a wrong name


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
    for _ in range(DELAY_ROUNDS):
        for p in range(take.n_playthroughs):
            matched = take.hit[p] >= 0
            hit_s = np.where(matched, evidence.hit_s[take.hit[p]] - delay_s[onsets.member_striker], np.nan)
            near = _reach(take.reached[p], n_members)
            due_s[p], rest_s[p], lever[p] = local_lines(score_s, hit_s, take.segment[p], near)
        due_s += delay_s[onsets.member_striker]
        late_s = np.where(take.hit >= 0, evidence.hit_s[take.hit], np.nan) - due_s
        striker = np.broadcast_to(onsets.member_striker, late_s.shape)
        for s in range(n_strikers):
            mine = late_s[(striker == s) & np.isfinite(late_s)]
            if len(mine) >= DELAY_HITS:
                delay_s[s] += np.median(mine) * len(mine) / (len(mine) + DELAY_HITS)
    late_s = late_s[np.isfinite(late_s)]
    spread_s = SD_OF_MAD * np.median(np.abs(late_s)) if len(late_s) else NO_SPREAD_S
    spread_s = max(spread_s, SMALLEST_SPREAD_S)
    # Where the tempo bends, the neighbours lie off their own line, and the note may too.
    scale_s = np.maximum(spread_s, REST_SCALE * np.nan_to_num(rest_s))
    # A line from one side only, or from few, is itself unsure at the note (its leverage, usual value taken off).
    return due_s, scale_s * np.sqrt(1 + np.clip(np.nan_to_num(lever) - 1, 0, MOST_LEVER)), spread_s


def _reach(reached, n_members):
    """Return the members reached, with some on both sides."""
    near = np.zeros(n_members, bool)
    if reached.any():
        places = np.flatnonzero(reached)
        near[max(0, places[0] - MARGIN) : places[-1] + 1 + MARGIN] = True
    return near


def _once(take: Take, onsets: Onsets, evidence: Evidence, p_miss: float) -> Take:
    """Assign the named hits anew, striker by striker, and then those with a wrong name."""
    due_s, scale_s, spread_s = expected(take, onsets, evidence)
    # Beyond the ends only what lies close to a line that is sure: further out anything would fit.
    due_s[~take.reached & (scale_s > FURTHEST * spread_s)] = np.nan
    scale_s = SEARCH_SCALE * scale_s
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
        miss = np.where(take.reached[p, k], log(p_miss), log(P_BEYOND))
        gain_match = log(1 - p_miss) + evidence.by_striker[hits, s] - evidence.stray[hits]
        match = assign(due_s[p, k], scale_s[p, k], evidence.hit_s[hits], miss, gain_match)
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
    close = np.abs(due[None, :] - evidence.hit_s[hits][:, None]) < RESCUE_SCALES * scale[None, :]
    chance = len(hits) * (2 * RESCUE_SCALES * scale).sum() / max(evidence.seconds, 1.0)
    share = np.clip((close.any(axis=1).sum() - chance) / len(evidence), WRONG_LEAST, WRONG_MOST)
    wrong = log(share) - log(max(evidence.by_striker.shape[1] - 1, 1))
    pairs = []
    for h in hits:
        for a in np.flatnonzero(np.abs(due - evidence.hit_s[h]) < RESCUE_S):
            apart = abs(onsets.striker_pitch[evidence.striker[h]] - pitch[a]) if evidence.striker[h] >= 0 else np.inf
            if len(onsets.striker_pitch) >= KEYBOARD and apart <= WRONG_KEY:
                continue
            gain = wrong + log_density(evidence.hit_s[h] - due[a], scale[a]) - evidence.stray[h] - log(p_miss)
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
