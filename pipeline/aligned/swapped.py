"""Find microphones exchanged in the rig: channels whose hits follow another striker's notes, in a ring.

Channel c is said to hear striker s. Of the notes of another striker t that fall well apart from those of s, c answers
hardly any by chance or leakage, while it answers most notes of s. Exchanged, it is the other way round, and so it is
for the channel said to hear t: only a closed ring of such channels counts. A dead microphone that picks up its
neighbour makes no ring, because the neighbour's own channel still follows the neighbour.
"""

from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from pipeline import tables
from pipeline.aligned import refine
from pipeline.aligned.playthroughs import Take
from pipeline.aligned.search.evidence import Evidence
from pipeline.aligned.search.onsets import Onsets
from pipeline.settings import Rig

NEAREST_S, WIDEST_S = 0.008, 0.03  # from a note's due time within which a hit answers it
WITHIN_SPREADS = 3.0  # times the spread of the take, between these two
APART_S = 0.08  # two strikers' notes that lie further apart tell their microphones apart; leakage and rests do not
LEAST_NOTES = 6  # such notes of either striker
LEAST_SHARE = 0.3  # of the other striker's notes that an exchanged channel answers, in however rough a take
TIMES_OWN = 4.0  # that share over the share of the own notes; leakage answers fewer than the own
LEAST_GAIN = 2.0  # nats that the exchanged names must win for each hit of the channels (simulated: right ones 5 to 10)


@dataclass(frozen=True)
class Follows:
    """A channel that answers the notes of another striker than the rig says.

    `n_answered` of `n_notes` are notes of `striker` apart from `said`; `own_answered` of `own_notes` the reverse.
    """

    channel: int
    said: int
    striker: int
    n_answered: int
    n_notes: int
    own_answered: int
    own_notes: int


def channels_of_one(rig: Rig | None, strikers: list[str]) -> dict[int, int]:
    """Return the channels that hear one striker alone, with the striker's code; none where two share a striker."""
    singles = {
        one.channel: strikers.index(one.hears[0])
        for one in (rig.channels if rig else ())
        if len(one.hears) == 1 and one.hears[0] in strikers
    }
    codes = list(singles.values())
    return {channel: code for channel, code in singles.items() if codes.count(code) == 1}


def rings(
    take: Take, onsets: Onsets, evidence: Evidence, channel: np.ndarray, hears: dict[int, int]
) -> list[tuple[Follows, ...]]:
    """Return the rings of exchanged channels, two or more channels each.

    Parameters
    ----------
    channel : ndarray of int, shape (n_hits,)
        Channel of each hit of the evidence.
    hears : dict
        Channel to striker, as the rig says.
    """
    due_s, _, spread_s = refine.expected(take, onsets, evidence)
    within_s = float(np.clip(WITHIN_SPREADS * spread_s, NEAREST_S, WIDEST_S))
    seen = take.reached & np.isfinite(due_s)
    whose = np.broadcast_to(onsets.member_striker, due_s.shape)[seen]
    due_s = due_s[seen]
    due = {striker: np.sort(due_s[whose == striker]) for striker in hears.values()}
    n_notes = np.bincount(whose, minlength=evidence.by_striker.shape[1])
    follows = {}
    for one, said in hears.items():
        hit_s = evidence.hit_s[channel == one]
        answered = np.bincount(whose[_distance_s(due_s, hit_s) < within_s], minlength=len(n_notes))
        likely = [other for other in hears.values() if other != said and answered[other] > LEAST_SHARE * n_notes[other]]
        clear = [other for other in (_follows(one, said, t, due, hit_s, within_s) for t in likely) if other is not None]
        if clear:
            follows[said] = max(clear, key=lambda other: other.n_answered / other.n_notes)
    return _closed(follows)


def _follows(channel, said, other, due, hit_s, within_s) -> Follows | None:
    """Return how the channel follows the other striker, None where it does not clearly."""
    theirs, own = _apart(due[other], due[said]), _apart(due[said], due[other])
    if min(len(theirs), len(own)) < LEAST_NOTES:
        return None
    answered, own_answered = (int((_distance_s(notes, hit_s) < within_s).sum()) for notes in (theirs, own))
    share, own_share = answered / len(theirs), own_answered / len(own)
    if share < LEAST_SHARE or share < TIMES_OWN * own_share:
        return None
    return Follows(channel, said, other, answered, len(theirs), own_answered, len(own))


def _apart(these_s, those_s) -> np.ndarray:
    """Return those of these times that lie apart from all of those."""
    return these_s[_distance_s(these_s, those_s) > APART_S]


def _distance_s(these_s, those_s) -> np.ndarray:
    """Return how far each of these times lies from the nearest of those."""
    padded = np.concatenate(([-np.inf], those_s, [np.inf]))
    after = np.searchsorted(padded, these_s)
    return np.minimum(padded[after] - these_s, these_s - padded[after - 1])


def _closed(follows: dict[int, Follows]) -> list[tuple[Follows, ...]]:
    """Return the rings: each channel follows the striker of another one, and so back to the first."""
    found, done = [], set()
    for first in sorted(follows, key=lambda said: follows[said].channel):
        ring, striker = [], first
        while striker in follows and striker not in done:
            done.add(striker)
            ring.append(follows[striker])
            striker = follows[striker].striker
        if ring and striker == first:
            found.append(tuple(sorted(ring, key=lambda one: one.channel)))
    return found


def rings_of_names(called: dict[str, tuple[str, int, int]]) -> list[dict[str, str]]:
    """Return the rings of strikers that a list calls by each other's names: striker to name.

    Parameters
    ----------
    called : dict
        Striker to the name that most of its notes have in the list, how many have it, and how many notes there are.
    """
    found, done = [], set()
    for first in sorted(called):
        ring, striker = {}, first
        while striker in called and striker not in ring and striker not in done:
            ring[striker] = called[striker][0]
            striker = ring[striker]
        done |= set(ring)
        if ring and striker == first:
            found.append(ring)
    return found


def sentence_of_names(ring: dict[str, str], called: dict[str, tuple[str, int, int]]) -> str:
    """Return which names of a list seem exchanged and what to do."""
    *others, last = ring
    counts = ", ".join(
        f"{called[striker][1]} of {called[striker][2]} notes of {striker} are hits that it calls {name}"
        for striker, name in ring.items()
    )
    return (
        f"names: {', '.join(others)} and {last} seem exchanged in the list: {counts}: this take is read with the names "
        "exchanged; mend the names in the list, or look whether the machine plays them on the wrong striker"
    )


def renamed(hits: pa.Table, ring: tuple[Follows, ...], strikers: list[str]) -> pa.Table:
    """Return the hits with the names that the channels of a ring follow."""
    to = {one.channel: strikers[one.striker] for one in ring}
    pairs = zip(tables.numbers(hits["channel"]).tolist(), hits["striker"].to_pylist(), strict=True)
    names = [to.get(channel, name) if name is not None else None for channel, name in pairs]
    return tables.with_column(hits, "striker", names)


def sentence(ring: tuple[Follows, ...], strikers: list[str], rig: Rig) -> str:
    """Return what was found and what to do."""
    numbers = [str(one.channel) for one in ring]
    several = f"{', '.join(numbers[:-1])} and {numbers[-1]}"
    counts = ", ".join(
        f"channel {one.channel} answers {one.n_answered} of {one.n_notes} notes of {strikers[one.striker]} and "
        f"{one.own_answered} of {one.own_notes} of {strikers[one.said]}"
        for one in ring
    )
    names = ", ".join(f"{one.channel} hears {strikers[one.striker]}" for one in ring)
    return (
        f"swapped: channels {several} seem exchanged in rig {rig.name}: {counts}; this recording is read as if the rig "
        f"said: {names}; trace the cables, then write so in the rig"
    )
