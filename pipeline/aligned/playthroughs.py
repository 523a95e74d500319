"""Unroll a path into a take: which member of which onset each hit is, playthrough by playthrough."""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.aligned.search.evidence import Evidence
from pipeline.aligned.search.onsets import Onsets
from pipeline.aligned.search.path_search import LOOP, RESTART, STALL, START
from pipeline.aligned.search.reading import Reading

ENDS = 3  # onsets at the top and at the end that may be silent in a whole take (chosen)
LEAST_SONG = 10 * ENDS  # onsets; in a shorter song the ends are too large a share of it to take for granted
FIRST_PACE = 12  # hits that say when the top must have been (chosen)


@dataclass(frozen=True)
class Take:
    """Every heard member of every playthrough, in order of playthrough and score.

    `hit` is the row of its hit in the evidence (-1: none), `reached` whether the playthrough came by it, `segment`
    (from 1) the stretch without a stall or restart. `shape` is (n_playthroughs, n_members).
    """

    hit: np.ndarray
    segment: np.ndarray
    reached: np.ndarray
    how: tuple[int, ...]  # how each playthrough began
    turnaround_s: float = 0.0  # nominal time from the last onset to the first when the song goes round

    @property
    def n_playthroughs(self) -> int:
        return len(self.hit)

    def onset_of_hit(self, onsets: Onsets, n_hits: int) -> np.ndarray:
        """Return the onset that each hit was matched to, -1 for none."""
        onset_of_member = onsets.onset_of_member
        out = np.full(n_hits, -1)
        p, k = np.nonzero(self.hit >= 0)
        out[self.hit[p, k]] = onset_of_member[k]
        return out


def unroll(reading: Reading, onsets: Onsets) -> Take:
    """Return the take along the likeliest path; where nothing matched, one playthrough that reached nothing."""
    cells, paths = reading.cells, reading.paths
    onset = paths.onset[cells].astype(np.int64)
    member = onsets.first[onset] + paths.member[cells] if len(cells) else cells
    hit = np.searchsorted(paths.begin, cells, side="right") - 1
    how = paths.how[cells]
    again = np.isin(how, (LOOP, RESTART))
    playthrough = np.cumsum(again)
    broken = np.cumsum(np.isin(how, (STALL, RESTART, LOOP)))
    n_playthroughs = int(playthrough[-1]) + 1 if len(cells) else 1
    n_members, n_onsets = len(onsets.member_striker), len(onsets)
    take_hit = np.full((n_playthroughs, n_members), -1)
    segment = np.ones((n_playthroughs, n_members), np.int64)
    reached = np.zeros((n_playthroughs, n_members), bool)
    take_hit[playthrough, member] = hit
    ways = [START]
    for p in range(n_playthroughs):
        mine = np.flatnonzero(playthrough == p)
        if not len(mine):
            continue
        # What lies between two steps belongs to the stretch that leads up to it.
        low = onset[mine[0]] if p == 0 else 0
        high = onset[mine[-1]] if p == n_playthroughs - 1 or how[mine[-1] + 1] == RESTART else n_onsets - 1
        reached[p, onsets.first[low] : onsets.first[high + 1]] = True
        for cell in mine:
            segment[p, onsets.first[onset[cell]] :] = broken[cell] + 1
        segment[p, : onsets.first[onset[mine[0]]]] = broken[mine[0]] + 1
        if p:
            ways.append(int(how[mine[0]]))
    return Take(take_hit, segment, reached, tuple(ways), reading.expected.turnaround_s)


def with_ends(take: Take, onsets: Onsets, evidence: Evidence) -> Take:
    """Return the take with its first and last few onsets reached, though silent.

    A take that begins within the first `ENDS` onsets began at the top, if the recording ran long enough before its
    first hit; one that ends within the last `ENDS` played to the end. What is silent there was missed, not left out.
    """
    reached = take.reached.copy()
    matched = np.flatnonzero(take.hit[0] >= 0)
    if len(onsets) < LEAST_SONG or not len(matched):
        return take
    onset = np.searchsorted(onsets.first, matched, side="right") - 1
    nominal_s = onsets.score_s[onset]
    hit_s = evidence.hit_s[take.hit[0][matched]]
    if onset[0] <= ENDS:
        # The pace of the first hits says when the top must have been.
        few = slice(0, min(len(onset), FIRST_PACE))
        span_s = np.ptp(nominal_s[few])
        pace = np.ptp(hit_s[few]) / span_s if span_s > 0 else 1.0
        if hit_s[0] - pace * (nominal_s[0] - onsets.score_s[0]) > 0:
            reached[0, : onsets.first[onset[0]]] = True
    last = np.flatnonzero(take.hit[-1] >= 0)
    if len(last):
        end = np.searchsorted(onsets.first, last[-1], side="right") - 1
        if end >= len(onsets) - 1 - ENDS:
            reached[-1, onsets.first[end] :] = True
    return replace(take, reached=reached)
