"""Say which group each group is compared with, and what of the two may be compared.

In: settings, recordings, notes. Out: a `Pair` for each group that has one before it.

The group before is that of the same arrangement. The first group of an arrangement is compared with the last group of
an older arrangement if at least half of its notes are found there: then the arrangement was edited.
"""

from dataclasses import dataclass

import pandas as pd

from pipeline.settings import Group, Settings
from pipeline.trend.changes import matching

LEAST_MATCHED = 0.5  # of the notes of the shorter arrangement, from which on it is the other one edited; chosen


@dataclass(frozen=True, eq=False)
class Pair:
    """A group and the one before.

    Parameters
    ----------
    before, now : Group
    slower : float
        Time that the machine takes now for what took 1 before; NaN where a tempo is not known.
    same_rig : bool
        The two have a microphone set-up in common.
    pin_of : dict of int to int
        Which pin of the arrangement now is which pin of the one before.
    is_clock : bool
        A clock test without a song.
    """

    before: Group
    now: Group
    slower: float
    same_rig: bool
    pin_of: dict[int, int]
    is_clock: bool = False


def compared(settings: Settings, recordings: pd.DataFrame, songs: dict[str, pd.DataFrame]) -> list[Pair]:
    """Return the pairs, by the group now.

    Parameters
    ----------
    recordings : pd.DataFrame
        Contract 'recordings': those that are used.
    songs : dict of str to pd.DataFrame
        Contract 'notes' of each arrangement.
    """
    tempo = recordings.groupby(["arrangement", "build_day", "session", "setup"])["tempo_bpm"].mean()
    groups = sorted((group for group in settings.groups() if group.key in tempo.index), key=lambda group: group.key)
    is_clock = {one.name: one.clock is not None for one in settings.arrangements}
    made = []
    for place, now in enumerate(groups):
        own = [one for one in groups[:place] if one.arrangement == now.arrangement]
        before, pin_of = (own[-1], None) if own else _of_another(is_clock, groups, now, songs)
        if before is None:
            continue
        if pin_of is None:
            pin_of = {int(pin): int(pin) for pin in songs[now.arrangement]["pin_id"].unique()}
        slower = float(tempo[before.key]) / float(tempo[now.key])
        rigs = ({take.rig for take in one.recordings} for one in (before, now))
        made.append(Pair(before, now, slower, bool(set.intersection(*rigs)), pin_of, is_clock[now.arrangement]))
    return made


def _of_another(is_clock, groups, now, songs) -> tuple[Group | None, dict | None]:
    """Return the last older group of the arrangement that is most like this one, and the pins that they share."""
    older = [one for one in groups if one.arrangement != now.arrangement and one.key[1:3] < now.key[1:3]]
    best, shared = None, {}
    for name in sorted({one.arrangement for one in older if not is_clock[one.arrangement]}):
        pins = matching.pins(songs[name], songs[now.arrangement])
        needed = LEAST_MATCHED * min(songs[one]["pin_id"].nunique() for one in (name, now.arrangement))
        if not is_clock[now.arrangement] and len(pins) >= max(needed, len(shared) + 1):
            best, shared = max((one for one in older if one.arrangement == name), key=lambda one: one.key), pins
    return best, shared or None
