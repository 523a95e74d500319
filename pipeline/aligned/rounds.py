"""Find the likeliest reading of a take by several searches, in as few rounds of the song as explain it."""

from dataclasses import replace

import numpy as np

from pipeline.aligned import recognise
from pipeline.aligned.playthroughs import Take, unroll
from pipeline.aligned.search.evidence import Evidence
from pipeline.aligned.search.onsets import Onsets
from pipeline.aligned.search.reading import Reading, find
from pipeline.aligned.search.tracker import Tracker

# Chosen on simulated takes where no other source is named.
CLEAN_SHARE = 0.95  # of hits used, and of onsets that sounded, from which a search needs no second try
# Other beginnings: tempo as a ratio to what is expected, wander, jitter in seconds.
OTHER_BEGINNINGS = ((0.75, 0.04, 0.007), (1.35, 0.04, 0.007), (1.0, 0.1, 0.014))
OTHER_TEMPO_SD = 0.12  # relative; the beginnings lie so close that each need not look further
OFF_CLICK = 0.1  # log of the expected tempo over the written one from which the click may count something else
NEVER = 1e-300  # probability; its logarithm is still finite
ROUND_EVIDENCE = 6.0  # nats that each further round must win over a plain repeat: odds of 400
KEPT_SHARE = 0.9  # of the hits that a reading explains, which one in fewer rounds must explain to take its place


def find_best(onsets: Onsets, own: np.ndarray, evidence: Evidence, expected: Tracker) -> Reading:
    """Return the likeliest of several searches: each cell keeps one tracker, so how the search begins can mislead it.

    Where names speak, or the first search explains nearly every hit and onset, one search is enough.

    Parameters
    ----------
    own : ndarray of bool, shape (n_members,)
        Whether the member has a microphone (or a name) of its own.
    """
    best = find(onsets, own, evidence, expected)
    if own.any() or _clean(best, onsets, evidence):
        return in_fewest_rounds(best, onsets, own, evidence)
    beginnings = list(OTHER_BEGINNINGS)
    if abs(np.log(expected.tempo)) > OFF_CLICK:
        # Nobody may have kept to the click, or it may count something else than its beats.
        beginnings.append((1 / expected.tempo, expected.wander, expected.jitter_s))
    for ratio, wander, jitter_s in beginnings:
        tempo, tempo_sd = expected.tempo * ratio, min(expected.tempo_sd, OTHER_TEMPO_SD)
        other = expected._replace(tempo=tempo, tempo_sd=tempo_sd, wander=wander, jitter_s=jitter_s)
        best = max(best, find(onsets, own, evidence, other), key=lambda reading: reading.total)
    return in_fewest_rounds(best, onsets, own, evidence)


def _clean(reading: Reading, onsets: Onsets, evidence: Evidence) -> bool:
    """Return whether the reading uses nearly every hit and leaves hardly an onset silent."""
    take = unroll(reading, onsets)
    used = len(np.unique(take.hit[take.hit >= 0]))
    return used >= CLEAN_SHARE * len(evidence) and recognise.silent_share(take, onsets) <= 1 - CLEAN_SHARE


def in_fewest_rounds(found: Reading, onsets: Onsets, own: np.ndarray, evidence: Evidence) -> Reading:
    """Return a reading in fewer rounds of the song where the song, repeating itself, explains the take as well.

    A part that the song has twice can be read as a part played twice, and one unlucky bar decides which of the two a
    search finds. So the reading is put on its nominal times, as nothing disturbed it, and read anew: where fewer rounds
    then explain it nearly as well, there was no evidence for the further ones. Fewer rounds are looked for in this
    order: one round; rounds from the top, each to the end.
    """
    take = unroll(found, onsets)
    if take.n_playthroughs == 1:
        return found
    plain = undisturbed(take, onsets, evidence, found.expected)
    least = find(onsets, own, plain, found.expected).total - ROUND_EVIDENCE * (take.n_playthroughs - 1)
    once = found.expected._replace(p_loop=NEVER, p_restart=NEVER)
    rounds = found.expected._replace(p_restart=NEVER, from_top=True)
    for fewer in (once, rounds):
        if find(onsets, own, plain, fewer).total < least:
            continue
        other = find(onsets, own, evidence, fewer)
        simpler = unroll(other, onsets)
        if simpler.n_playthroughs < take.n_playthroughs and np.sum(simpler.hit >= 0) >= KEPT_SHARE * len(plain):
            return other
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
        gaps=np.zeros(len(hit), np.int64),
    )
