"""Read what the workflow has found and lay it out by group, the group that leads the page first."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline import tables
from pipeline.bars import bar_lines
from pipeline.settings import Group, Machine, Settings

KEYS = list(tables.GROUP_KEYS)  # a list: pandas takes a tuple for one name
_OF_GROUPS = (
    "recordings",
    "passages",
    "strikers",
    "pins",
    "shafts",
    "slips",
    "budget",
    "remainders",
    "trend",
    "changes",
    "worklist",
)


@dataclass(frozen=True)
class Found:
    """Everything that was found about one group; each table holds this group's rows only."""

    group: Group
    machine: Machine
    is_clock: bool  # a clock test without a song
    before: Group | None  # the group of this arrangement just before
    n_fewest: int  # used takes of this group or of the one before, whichever has fewer
    notes: pd.DataFrame
    lateness: pd.DataFrame
    tempo: pd.DataFrame
    recordings: pd.DataFrame
    passages: pd.DataFrame
    strikers: pd.DataFrame
    pins: pd.DataFrame
    shafts: pd.DataFrame
    slips: pd.DataFrame
    budget: pd.DataFrame
    remainders: pd.DataFrame
    trend: pd.DataFrame
    changes: pd.DataFrame
    worklist: pd.DataFrame
    slips_before: pd.DataFrame | None = None  # of the group before

    @property
    def used(self) -> pd.DataFrame:
        """Return the recordings that were used."""
        return self.recordings[self.recordings["status"] == "used"]

    @property
    def felt_sd_s(self) -> float:
        """Return the spread around the felt beat, the same number wherever the page says it."""
        return self.value("felt_sd_s")[0]

    @property
    def felt_sd_se(self) -> float:
        """Return its standard error, NaN while takes cannot be compared."""
        return self.value("felt_sd_s")[1]

    def value(self, quantity: str) -> tuple[float, float]:
        """Return a quantity of the group and its standard error: as tables/trend has it, else pooled over its takes."""
        rows = self.trend[self.trend["quantity"] == quantity]
        if len(rows):
            return float(rows["value"].iloc[0]), float(rows["value_se"].astype(float).iloc[0])
        takes = self.used[quantity].dropna().to_numpy(float)
        return (float(np.sqrt(np.mean(takes**2))) if len(takes) else np.nan), np.nan


@dataclass(frozen=True)
class Results:
    """All that the report is made of."""

    settings: Settings
    recordings: pd.DataFrame  # all, refused ones too
    trend: pd.DataFrame  # all groups
    takes: pd.DataFrame
    setups: pd.DataFrame
    worklist: pd.DataFrame
    sections: tuple[Found, ...]  # the newest groups of each arrangement, the leading one first
    unheard: tuple[Group, ...]  # groups newer than those, of which nothing could be used


def read(settings: Settings) -> Results:
    """Read the tables of a project.

    The arrangement with most notes leads, songs before clock tests; of each arrangement all groups of its newest
    build day that has a used recording are laid out, the newest first.

    Raises
    ------
    InputError
        A table is missing or of another version.
    """
    frames = {name: _frame(settings, name) for name in (*_OF_GROUPS, "setups", "takes")}
    recordings = frames["recordings"]
    used = recordings[recordings["status"] == "used"]
    songs = {name: _frame(settings, "notes", arrangement=name) for name in sorted(set(recordings["arrangement"]))}
    is_clock = {one.name: one.clock is not None for one in settings.arrangements}
    order = sorted(songs, key=lambda name: (is_clock[name], -len(songs[name]), name))
    heard = {tuple(row) for row in used[KEYS].itertuples(index=False)}
    groups = sorted(settings.groups(), key=lambda group: group.key)
    sections, unheard = [], []
    for arrangement in order:
        of_song = [group for group in groups if group.arrangement == arrangement]
        good = [group for group in of_song if group.key in heard]
        newest = good[-1].build_day if good else None
        unheard += [group for group in of_song if group.key not in heard and (not good or group.key > good[-1].key)]
        for place in reversed(range(len(good))):
            if good[place].build_day == newest:
                before = good[place - 1] if place else None
                sections.append(
                    _found(settings, good[place], before, songs[arrangement], is_clock[arrangement], frames)
                )
    kept = {name: frames[name] for name in ("recordings", "trend", "takes", "setups", "worklist")}
    return Results(settings, sections=tuple(sections), unheard=tuple(unheard), **kept)


def bar_starts(notes: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return the bars of an arrangement and the score beats at which they begin."""
    bars, beats = bar_lines(notes["bar"], notes["bar_start_beat"], notes["bar_beats"])
    return bars[:-1], beats[:-1]


def runs_of_passages(notes: pd.DataFrame) -> list[tuple[str, int]]:
    """Return the passages in the order in which they come, each with its first bar."""
    runs, last = [], None
    for note in notes.sort_values("score_beat", kind="stable")[["passage", "bar"]].itertuples(index=False):
        if note.passage != last:
            runs.append((note.passage, int(note.bar)))
            last = note.passage
    return runs


def bars_of(notes: pd.DataFrame, passage: str) -> list[tuple[int, int]]:
    """Return the first and the last bar of each run of a passage: a refrain comes more than once."""
    runs = runs_of_passages(notes)
    ends = [first - 1 for _, first in runs[1:]] + [int(notes["bar"].max())]
    return [(first, max(first, end)) for (name, first), end in zip(runs, ends, strict=True) if name == passage]


def _of_group(frame: pd.DataFrame, group: Group) -> pd.DataFrame:
    mask = np.ones(len(frame), bool)
    for name, value in zip(KEYS, group.key, strict=True):
        mask &= (frame[name] == value).to_numpy(bool)
    return frame[mask].reset_index(drop=True)


def _found(settings, group, before, notes, is_clock, frames) -> Found:
    at = {"build_day": group.build_day, "group": group.id}
    of_group = {name: _of_group(frames[name], group) for name in _OF_GROUPS}
    if is_clock:
        # One arm and no song: nothing but its steadiness has a meaning.
        of_group["trend"] = of_group["trend"][of_group["trend"]["quantity"].str.startswith("steady_")]
    return Found(
        group=group,
        machine=settings.machine_of(group.setup),
        is_clock=is_clock,
        before=before,
        n_fewest=min(_n_used(frames["recordings"], one) for one in (before, group) if one is not None),
        notes=notes,
        lateness=_frame(settings, "lateness", **at),
        tempo=_frame(settings, "tempo", **at),
        slips_before=None if before is None else _of_group(frames["slips"], before),
        **of_group,
    )


def _n_used(recordings: pd.DataFrame, group: Group) -> int:
    return int((_of_group(recordings, group)["status"] == "used").sum())


def _frame(settings: Settings, name: str, **keys) -> pd.DataFrame:
    return tables.read(tables.path(settings.results, name, **keys), name).to_pandas()
