"""Gather the notes of an arrangement into onsets: what one place of the barrel fires together."""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pyarrow as pa

from pipeline import tables

TOGETHER_S = 0.012  # nominal spread of notes that count as one onset; a wider one would swallow fast rows
MOST_MEMBERS = 62  # of an onset: one bit each in the search's mask of what has struck already


class Song(NamedTuple):
    """The onsets as the path search reads them.

    Members of onset i are `first[i]:first[i + 1]`. `own` says of each whether it has a microphone (or a name) of its
    own: then its silence is a miss of its own.
    """

    score_s: np.ndarray
    first: np.ndarray
    striker: np.ndarray
    own: np.ndarray


@dataclass(frozen=True)
class Onsets:
    """The heard onsets of an arrangement in order of time.

    `score_s` is the nominal time of each. The members of onset i are `member_striker[first[i]:first[i + 1]]`, each
    striker once; notes of one striker written twice at one place are one member. `note_onset` and `note_member` lead
    from a note (row of the notes table) to its onset and member, -1 when no microphone hears its striker.
    """

    score_s: np.ndarray
    first: np.ndarray
    member_striker: np.ndarray
    note_onset: np.ndarray
    note_member: np.ndarray
    note_score_s: np.ndarray
    note_striker: np.ndarray
    striker_pitch: np.ndarray  # MIDI pitch of each striker's first note; NaN: it has none here

    def __len__(self) -> int:
        return len(self.score_s)

    @property
    def onset_of_member(self) -> np.ndarray:
        """The onset of each member, shape (n_members,)."""
        return np.repeat(np.arange(len(self)), np.diff(self.first))

    def song(self, own: np.ndarray) -> Song:
        """Return the onsets for the path search; `own` has one entry a member."""
        return Song(self.score_s, self.first, self.member_striker, own)

    def backwards(self) -> tuple["Onsets", np.ndarray]:
        """Return the onsets with the score running the other way (`note_*` as they were), and the order of members."""
        sizes = np.diff(self.first)[::-1]
        first = np.concatenate(([0], np.cumsum(sizes)))
        starts = self.first[:-1][::-1]
        order = np.repeat(starts - first[:-1], sizes) + np.arange(first[-1])
        striker = self.member_striker[order]
        return replace(self, score_s=-self.score_s[::-1].copy(), first=first, member_striker=striker), order


def gather(notes: pa.Table, strikers: list[str], heard: np.ndarray) -> Onsets:
    """Gather notes within `TOGETHER_S` of the first into one onset.

    Parameters
    ----------
    notes : table of contract notes
    strikers : list of str
        Names; their places are the codes used from here on.
    heard : ndarray of bool, shape (n_strikers,)
        Whether some microphone hears the striker.
    """
    code = {name: place for place, name in enumerate(strikers)}
    note_score_s = tables.numbers(notes["score_s"])
    note_striker = np.array([code[name] for name in notes["striker"].to_pylist()], np.int64)
    n_notes = len(notes)
    striker_pitch = np.full(len(strikers), np.nan)
    striker_pitch[note_striker[::-1]] = tables.numbers(notes["pitch"])[::-1]
    note_onset, note_member = np.full(n_notes, -1), np.full(n_notes, -1)
    score_s, first, member_striker = [], [0], []
    members: dict[int, int] = {}
    for row in np.argsort(note_score_s, kind="stable"):
        if not heard[note_striker[row]]:
            continue
        if not score_s or note_score_s[row] > score_s[-1] + TOGETHER_S or len(members) >= MOST_MEMBERS:
            if score_s:
                first.append(len(member_striker))
            score_s.append(note_score_s[row])
            members = {}
        if note_striker[row] not in members:
            members[note_striker[row]] = len(members)
            member_striker.append(note_striker[row])
        note_onset[row], note_member[row] = len(score_s) - 1, members[note_striker[row]]
    if score_s:
        first.append(len(member_striker))
    return Onsets(
        np.array(score_s, float),
        np.array(first, np.int64),
        np.array(member_striker, np.int64),
        note_onset,
        note_member,
        note_score_s,
        note_striker,
        striker_pitch,
    )
