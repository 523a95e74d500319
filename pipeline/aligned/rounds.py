"""Find the likeliest reading of a take by several searches, in as few rounds of the song as explain it."""

from dataclasses import replace

import numpy as np

from pipeline.aligned import recognise
from pipeline.aligned.playthroughs import Take, unroll
from pipeline.aligned.search.evidence import Evidence
from pipeline.aligned.search.onsets import Onsets
from pipeline.aligned.search.path_search import Paths, likeliest_paths
from pipeline.aligned.search.tracker import Tracker

CLEAN = 0.95  # share of hits used, and of onsets that sounded, from which a search needs no second try
# Other beginnings: tempo as a ratio to what is expected, wander, jitter in seconds.
OTHER_BEGINNINGS = ((0.75, 0.04, 0.007), (1.35, 0.04, 0.007), (1.0, 0.1, 0.014))
NEVER = 1e-300  # probability; its logarithm is still finite
EVIDENCE = 6.0  # nats that each further round must win over a plain repeat: odds of 400
KEPT = 0.9  # of the hits that a reading explains, which one in fewer rounds must explain to take its place


def find(onsets: Onsets, own: np.ndarray, evidence: Evidence, expected: Tracker) -> tuple[Paths, int, float]:
    """Return the kept cells, the last cell of the likeliest path and its log likelihood."""
    return likeliest_paths(onsets.song(own), evidence.all(), expected)


def find_best(
    onsets: Onsets, own: np.ndarray, evidence: Evidence, expected: Tracker
) -> tuple[Paths, int, float, Tracker]:
    """Return the likeliest of several searches: each cell keeps one tracker, so how the search begins can mislead it.

    Where names speak, or the first search explains nearly every hit and onset, one search is enough.
    """
    best = (*find(onsets, own, evidence, expected), expected)
    if own.any() or _clean(best, onsets, evidence):
        return in_fewest_rounds(best, onsets, own, evidence)
    beginnings = list(OTHER_BEGINNINGS)
    if abs(np.log(expected.tempo)) > 0.1:
        # Nobody may have kept to the click, or it may count something else than its beats.
        beginnings.append((1 / expected.tempo, expected.wander, expected.jitter_s))
    for tempo, wander, jitter_s in beginnings:
        other = expected._replace(
            tempo=expected.tempo * tempo, tempo_sd=min(expected.tempo_sd, 0.12), wander=wander, jitter_s=jitter_s
        )
        found = find(onsets, own, evidence, other)
        if found[2] > best[2]:
            best = (*found, other)
    return in_fewest_rounds(best, onsets, own, evidence)


def _clean(found, onsets: Onsets, evidence: Evidence) -> bool:
    take = unroll(found[0], found[1], onsets)
    used = len(np.unique(take.hit[take.hit >= 0]))
    return used >= CLEAN * len(evidence) and recognise.silent_share(take, onsets) <= 1 - CLEAN


def in_fewest_rounds(
    found: tuple[Paths, int, float, Tracker], onsets: Onsets, own: np.ndarray, evidence: Evidence
) -> tuple[Paths, int, float, Tracker]:
    """Return a reading in fewer rounds of the song where the song, repeating itself, explains the take as well.

    A part that the song has twice can be read as a part played twice, and one unlucky bar decides which of the two a
    search finds. So the reading is put on its nominal times, as nothing disturbed it, and read anew: where fewer rounds
    then explain it nearly as well, there was no evidence for the further ones. Fewer rounds are looked for in this
    order: one round; rounds from the top, each to the end.
    """
    paths, last, _, expected = found
    take = unroll(paths, last, onsets)
    if take.n_playthroughs == 1:
        return found
    plain = undisturbed(take, onsets, evidence, expected)
    least = find(onsets, own, plain, expected)[2] - EVIDENCE * (take.n_playthroughs - 1)
    once = expected._replace(p_loop=NEVER, p_restart=NEVER)
    rounds = expected._replace(p_restart=NEVER, from_top=True)
    for fewer in (once, rounds):
        if find(onsets, own, plain, fewer)[2] < least:
            continue
        other = find(onsets, own, evidence, fewer)
        simpler = unroll(other[0], other[1], onsets)
        if simpler.n_playthroughs < take.n_playthroughs and np.sum(simpler.hit >= 0) >= KEPT * len(plain):
            return (*other, fewer)
    return found


def undisturbed(take: Take, onsets: Onsets, evidence: Evidence, expected: Tracker) -> Evidence:
    """Return the hits that a take matched, at the nominal times of its onsets.

    A round begins where the next onset would have come had the one before gone on, so no pause speaks for either.
    """
    onset_of_member = onsets.onset_of_member
    score_s = np.append(onsets.score_s, onsets.score_s[-1] + expected.turnaround_s) - onsets.score_s[0]
    hits, times, start_s = [], [], 0.0
    for mine in take.hit:
        member = np.flatnonzero(mine >= 0)
        if len(member):
            member = member[np.argsort(mine[member])]
            onset = onset_of_member[member]
            hits.append(mine[member])
            times.append(start_s + score_s[onset])
            start_s += score_s[onset[-1] + 1]
    hit = np.concatenate(hits)
    return replace(
        evidence,
        hit_s=expected.tempo * np.concatenate(times),
        hit_var=evidence.hit_var[hit],
        by_striker=evidence.by_striker[hit],
        stray=evidence.stray[hit],
    )
