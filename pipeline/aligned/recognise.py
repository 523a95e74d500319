"""Tell a recording of this arrangement from one of another tune, from noise, from silence.

Names decide at once: a wrong tune leaves hardly more explained than strays. Without names a dense tune explains any
other tune somewhat, so the hits are held against *decoys*: the same arrangement backwards, and with its intervals
shuffled. How much better than the better decoy the arrangement explains the hits is set against how much better it
explains its own perfect performance: about 1 for a clean take, .4 for a rough one, 0 for another tune or noise.
"""

from dataclasses import replace

import numpy as np

from pipeline.aligned.playthroughs import Take
from pipeline.aligned.search.evidence import Evidence, perfect
from pipeline.aligned.search.onsets import Onsets
from pipeline.aligned.search.path_search import Paths
from pipeline.aligned.search.reading import Reading, find
from pipeline.aligned.search.tracker import Tracker

# nats a hit over strays: right takes reach 4 to 7, noise stays under 0.5, a wrong tune of the same strikers on the same
# grid of beats comes to 2 (simulated).
NAMED_LEAST = 2.4
MOST_TOLD_AS_FEW = 0.7  # of the hits, for the message only; chosen
NAMED_SHARE = 0.5  # of the hits, above which names can decide (chosen: most of them)
FEWEST_NAMES = 2.5  # effective number of strikers from which names decide
DECOY_HITS = 200  # more would not decide better
DECOY_BEAM = 25.0  # nats; nothing stands out in a decoy, so a wide beam would keep everything
# Log odds fitted to simulated takes, 240 right and 240 wrong: constant, share of the perfect lead over the decoys,
# share of strays, share of silent onsets.
ODDS = (-4.2, 15.0, -2.7, -5.0)
# An even row is its own decoy: where even a perfect take would lead by less than this (nats a hit), only strays and
# silent onsets tell, and these shares of both together are let pass.
LEAST_LEAD = 0.25
MOST_WRONG = 0.25
MOST_WRONG_CLOCK = 0.5  # a clock test has one striker and long gaps, in which many strays may gather
# No wrong tune of so many hits came near this share of strays and silent onsets together (least of 240 simulated: .12).
CLEAN_SHARE, CLEAN_HITS = 0.05, 60
SHARE_NATS = 10.0  # a score from shares alone, on the scale of the other scores; its sign decides, not its size
LATEST_END = 40  # hits before the last in which a path over the first few hits may end (chosen)
SHUFFLE_SEED = 20310503  # one fixed shuffle: the verdict on a recording must not change from run to run


def score(take: Take, reading: Reading, onsets: Onsets, own: np.ndarray, evidence: Evidence) -> float:
    """Return how clearly the recording belongs to the arrangement, in nats: positive if it does.

    Parameters
    ----------
    take : Take
        `reading`, unrolled.
    own : ndarray of bool, shape (n_members,)
        Whether the member has a microphone (or a name) of its own.
    evidence : Evidence
        As the search saw it.
    """
    n_hits, expected, total = len(evidence), reading.expected, reading.total
    per_hit = (total - evidence.stray.sum()) / n_hits
    if names_tell(evidence):
        return float(per_hit - NAMED_LEAST)
    # A hit that was perhaps none at all is no reproach.
    unused = np.ones(n_hits, bool)
    unused[take.hit[take.hit >= 0]] = False
    strays = float(evidence.probability[unused].sum() / evidence.probability.sum())
    silent = silent_share(take, onsets)
    if strays + silent < CLEAN_SHARE and n_hits >= CLEAN_HITS:
        return float(SHARE_NATS * (MOST_WRONG - strays - silent))
    few = min(n_hits, DECOY_HITS)
    ours = total if few == n_hits else _until(reading.paths, evidence, few)
    decoys = _decoys(onsets)
    own_striker = np.zeros(evidence.by_striker.shape[1], bool)
    own_striker[onsets.member_striker] = own
    leads = [ours - explained(decoy, own_striker, evidence, expected, few) for decoy in decoys]
    ideal = perfect(_came_by(take, onsets, few), len(own_striker))
    if len(ideal) < 2:
        return -MOST_WRONG * SHARE_NATS
    paced = expected._replace(rate_hz=ideal.rate_hz)
    best = explained(onsets, own_striker, ideal, paced, len(ideal))
    perfect_leads = [best - explained(decoy, own_striker, ideal, paced, len(ideal)) for decoy in decoys]
    per_hit_leads = np.array(leads) / few
    per_hit_perfect = np.array(perfect_leads) / len(ideal)
    if per_hit_perfect.min() < LEAST_LEAD:
        return float(SHARE_NATS * ((MOST_WRONG_CLOCK if expected.from_top else MOST_WRONG) - strays - silent))
    share = np.min(per_hit_leads / per_hit_perfect)
    return float(ODDS[0] + ODDS[1] * share + ODDS[2] * strays + ODDS[3] * silent)


def names_tell(evidence: Evidence) -> bool:
    """Return whether most hits carry names, of enough strikers that names alone tell tunes apart.

    The effective number of strikers is the exponential of the entropy of their shares.
    """
    named = evidence.striker[evidence.striker >= 0]
    if len(named) <= NAMED_SHARE * len(evidence):
        return False
    share = np.bincount(named)[np.unique(named)] / len(named)
    return bool(np.exp(-(share * np.log(share)).sum()) >= FEWEST_NAMES)


def sentence(take: Take, evidence: Evidence) -> str:
    """Return what was found and what to do, for a recording that does not belong."""
    n_hits = len(evidence)
    matched = len(np.unique(take.hit[take.hit >= 0]))
    cure = "check the arrangement named for it in the list of recordings"
    if names_tell(evidence):
        found = f"only {matched} of {n_hits} hits fit the arrangement's notes by name and time"
        if matched > MOST_TOLD_AS_FEW * n_hits:
            found = f"{matched} of {n_hits} hits could be notes of the arrangement, but their times do not follow it"
        return f"another tune or noise: {found}; {cure} and the rig's microphones"
    return (
        f"another tune or noise: its {n_hits} hits fit the arrangement hardly better than they fit it backwards or "
        f"shuffled; {cure}, or record with a microphone on each striker"
    )


def _decoys(onsets: Onsets) -> list[Onsets]:
    """Return the song backwards, and with its intervals shuffled."""
    span_s = onsets.score_s[0] + onsets.score_s[-1]
    sizes = np.diff(onsets.first)
    order = np.arange(len(onsets))[::-1]
    backwards = _reordered(onsets, span_s - onsets.score_s[::-1], order, sizes)
    steps = np.random.default_rng(SHUFFLE_SEED).permutation(np.diff(onsets.score_s))
    shuffled = replace(onsets, score_s=onsets.score_s[0] + np.concatenate(([0.0], np.cumsum(steps))))
    return [backwards, shuffled]


def _reordered(onsets, score_s, order, sizes):
    """Return the onsets in another order at other times."""
    first = np.concatenate(([0], np.cumsum(sizes[order])))
    members = np.repeat(onsets.first[:-1][order] - first[:-1], sizes[order]) + np.arange(first[-1])
    return replace(onsets, score_s=score_s, first=first, member_striker=onsets.member_striker[members])


def explained(decoy: Onsets, own_striker: np.ndarray, evidence: Evidence, expected: Tracker, few: int) -> float:
    """Return the log likelihood of the first `few` hits under a decoy.

    Parameters
    ----------
    own_striker : ndarray of bool, shape (n_strikers,)
        Which strikers have a microphone of their own: it moves with them, so song and decoy are charged alike.
    """
    own = own_striker[decoy.member_striker]
    return find(decoy, own, evidence.cut(few), expected._replace(beam=DECOY_BEAM)).total


def _until(paths: Paths, evidence: Evidence, few: int) -> float:
    """Return the best log likelihood of the first `few` hits."""
    strays = np.concatenate(([0.0], np.cumsum(evidence.stray)))
    best = -np.inf
    for j in range(max(0, few - LATEST_END), few):
        cells = slice(paths.begin[j], paths.begin[j + 1])
        if cells.stop > cells.start:
            best = max(best, paths.score[cells].max() + strays[few] - strays[j + 1])
    return best


def silent_share(take: Take, onsets: Onsets) -> float:
    """Return the share of the onsets the take came by of which nothing was heard."""
    sounded = np.add.reduceat(take.hit >= 0, onsets.first[:-1], axis=1) > 0
    came_by = take.reached[:, onsets.first[:-1]]
    return float((came_by & ~sounded).sum() / max(came_by.sum(), 1))


def _came_by(take: Take, onsets: Onsets, few: int) -> np.ndarray:
    """Return the nominal times of the onsets that the first `few` hits came by, playthrough after playthrough."""
    onset_of_member = onsets.onset_of_member
    times = [np.zeros(0)]
    round_s = onsets.score_s[-1] - onsets.score_s[0] + take.turnaround_s
    for p in range(take.n_playthroughs):
        places = onset_of_member[np.flatnonzero((take.hit[p] >= 0) & (take.hit[p] < few))]
        if len(places):
            times.append(onsets.score_s[places[0] : places[-1] + 1] + p * round_s)
    return np.concatenate(times)
