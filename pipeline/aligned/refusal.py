"""Tell a recording of this arrangement from one of another tune, from noise, from silence.

Names decide at once: a wrong tune leaves hardly more explained than strays. Without names a dense tune explains any
other tune somewhat, so the path is held against *decoys*: the same arrangement backwards, and with its intervals
shuffled. A recording that belongs prefers the arrangement to its decoys by half a nat a hit and more; one that does not
prefers neither.
"""

from dataclasses import replace

import numpy as np

from pipeline.aligned.evidence import Evidence
from pipeline.aligned.onsets import Onsets
from pipeline.aligned.search import Paths, Tracker, likeliest_paths
from pipeline.aligned.take import Take

NAMED_LEAST = 1.5  # nats a hit over strays; right takes reach 5 to 7, wrong ones stay under 0.5 (simulated)
DECOY_HITS = 400  # more would not decide better
# Log odds fitted to simulated takes, right and wrong: nats a hit over the better decoy, share of strays, share of
# misses, nats a hit over strays.
ODDS_CONSTANT, ODDS_DECOY, ODDS_STRAY, ODDS_MISS, ODDS_FIT = -3.0, 7.0, -9.0, -10.5, 0.37
# Where a decoy is nearly the arrangement itself (an even row), quality alone decides.
ALIKE = 0.1  # share of onsets that have no counterpart in the decoy


def score(
    take: Take, paths: Paths, onsets: Onsets, own: np.ndarray, evidence: Evidence, expected: Tracker, total: float
) -> float:
    """Return how clearly the recording belongs to the arrangement: positive if it does, in nats."""
    n_hits = len(evidence)
    per_hit = (total - evidence.stray.sum()) / n_hits
    if (evidence.striker >= 0).mean() > 0.5:
        return float(per_hit - NAMED_LEAST)
    few = min(n_hits, DECOY_HITS)
    ours = total if few == n_hits else _until(paths, evidence, few)
    decoys = _decoys(onsets)
    theirs = max(_explained(decoy, own, evidence, expected, few) for decoy in decoys)
    over_decoy = (ours - theirs) / few
    used = np.unique(take.hit[take.hit >= 0])
    strays = 1 - len(used) / n_hits
    onset_of_member = np.repeat(np.arange(len(onsets)), np.diff(onsets.first))
    silent = np.ones((take.n_playthroughs, len(onsets)), bool)
    p, k = np.nonzero(take.hit >= 0)
    silent[p, onset_of_member[k]] = False
    came_by = take.reached[:, onsets.first[:-1]]
    misses = (silent & came_by).sum() / max(came_by.sum(), 1)
    if min(_unlike(onsets.score_s, decoy.score_s) for decoy in decoys) < ALIKE:
        return float(10 * (0.2 - strays - misses) + min(0.0, per_hit - 1.5))
    return float(
        ODDS_CONSTANT + ODDS_DECOY * over_decoy + ODDS_STRAY * strays + ODDS_MISS * misses + ODDS_FIT * per_hit
    )


def sentence(take: Take, evidence: Evidence, named: bool) -> str:
    """Return what was found and what to do, for a recording that does not belong."""
    n_hits = len(evidence)
    matched = len(np.unique(take.hit[take.hit >= 0]))
    cure = "check the arrangement named for it in the list of recordings"
    if named:
        return (
            f"another tune or noise: only {matched} of {n_hits} hits fit the arrangement's notes by name and time; "
            f"{cure} and the rig's microphones"
        )
    return (
        f"another tune or noise: its {n_hits} hits fit the arrangement hardly better than they fit it backwards or "
        f"shuffled; {cure}, or record with a microphone on each striker"
    )


def _decoys(onsets: Onsets) -> list[Onsets]:
    span_s = onsets.score_s[0] + onsets.score_s[-1]
    sizes = np.diff(onsets.first)
    order = np.arange(len(onsets))[::-1]
    backwards = _reordered(onsets, span_s - onsets.score_s[::-1], order, sizes)
    # One fixed shuffle: the verdict on a recording must not change from run to run.
    steps = np.random.default_rng(20310503).permutation(np.diff(onsets.score_s))
    shuffled = replace(onsets, score_s=onsets.score_s[0] + np.concatenate(([0.0], np.cumsum(steps))))
    return [backwards, shuffled]


def _reordered(onsets, score_s, order, sizes):
    first = np.concatenate(([0], np.cumsum(sizes[order])))
    members = np.repeat(onsets.first[:-1][order] - first[:-1], sizes[order]) + np.arange(first[-1])
    return replace(onsets, score_s=score_s, first=first, member_striker=onsets.member_striker[members])


def _explained(decoy, own, evidence, expected, few) -> float:
    # Which members have a microphone of their own is a matter of the striker, so it moves with it.
    own_striker = np.zeros(evidence.by_striker.shape[1], bool)
    own_striker[decoy.member_striker] = own.all()
    *_, total = likeliest_paths(
        decoy.score_s,
        decoy.first,
        decoy.member_striker,
        own_striker[decoy.member_striker],
        evidence.hit_s[:few],
        evidence.hit_var[:few],
        evidence.by_striker[:few],
        evidence.stray[:few],
        expected,
    )
    return total


def _until(paths: Paths, evidence: Evidence, few: int) -> float:
    """Return the best log likelihood of the first `few` hits."""
    strays = np.concatenate(([0.0], np.cumsum(evidence.stray)))
    best = -np.inf
    for j in range(max(0, few - 40), few):
        cells = slice(paths.begin[j], paths.begin[j + 1])
        if cells.stop > cells.start:
            best = max(best, paths.score[cells].max() + strays[few] - strays[j + 1])
    return best


def _unlike(score_s, decoy_s) -> float:
    """Return the share of onsets with no counterpart within 20 ms, both beginning together."""
    ours, theirs = score_s - score_s[0], decoy_s - decoy_s[0]
    place = np.clip(np.searchsorted(theirs, ours), 1, len(theirs) - 1)
    apart = np.minimum(np.abs(theirs[place] - ours), np.abs(theirs[place - 1] - ours))
    return float(np.mean(apart > 0.02))
