"""Make the table 'changes': what became of each pin, striker, shaft and microphone since the group before.

`pairs` says which groups are compared, `matching` finds the pins of an edited arrangement again, `before_and_now` and
`microphones` set the values beside one another, `verdicts` tells a change from chance over the whole barrel, `fates`
says what became of what the last work list asked.
"""

import pandas as pd
import pyarrow as pa

from pipeline import tables
from pipeline.settings import Settings
from pipeline.trend import group_values
from pipeline.trend.changes import before_and_now, fates, matching, microphones, pairs
from pipeline.trend.changes.pairs import Pair
from pipeline.trend.changes.verdicts import with_verdicts

__all__ = ["changes"]

KEYS_BEFORE = ("before_arrangement", "before_day", "before_session", "before_setup")


def changes(settings: Settings, songs: dict[str, pa.Table], asked: pa.Table, **given: pa.Table) -> pa.Table:
    """Return what became of each thing, for each group that has one before.

    Parameters
    ----------
    settings : Settings
    songs : dict of str to pa.Table
        Contract 'notes' of each arrangement.
    asked : pa.Table
        Contract 'asked': earlier work lists.
    **given : pa.Table
        Contracts recordings, pins, strikers, shafts and budget.

    Returns
    -------
    pa.Table
        Contract 'changes'.
    """
    used = group_values.used_takes(given.pop("recordings"))
    frames = {name: table.to_pandas() for name, table in given.items()}
    n_takes = used.groupby(group_values.KEYS).size()
    of_rows = pd.MultiIndex.from_frame(frames["strikers"][group_values.KEYS])
    frames["strikers"]["n_takes"] = n_takes.reindex(of_rows).fillna(0).astype(int).to_numpy()
    notes = {name: table.to_pandas() for name, table in songs.items()}
    scale = microphones.take_sds(frames["strikers"])
    jobs, made = asked.to_pandas(), []
    dispersion = {name: _dispersion(of_song) for name, of_song in used.groupby("arrangement")}
    of_groups = _Groups(frames)
    for pair in pairs.compared(settings, used, notes):
        listed = fates.Asked(tables.of_group(jobs, pair.before.key), notes[pair.before.arrangement])
        made.append(_of_pair(pair, of_groups, dispersion[pair.now.arrangement], scale, listed))
    names = tables.CONTRACTS["changes"].schema.names
    every = pd.concat([pd.DataFrame(columns=names), *made]).reindex(columns=names)
    return tables.build("changes", {name: _values(every[name]) for name in names})


class _Groups:
    """The rows of each group, divided once: to look through all rows for each of hundreds of groups takes long."""

    def __init__(self, frames: dict[str, pd.DataFrame]):
        self._whole = frames
        self._parts = {name: dict(iter(frame.groupby(group_values.KEYS))) for name, frame in frames.items()}

    def of(self, key: tuple) -> dict[str, pd.DataFrame]:
        """Return the rows of one group, by table."""
        found = {name: parts.get(key, self._whole[name].iloc[:0]) for name, parts in self._parts.items()}
        return {name: frame.reset_index(drop=True) for name, frame in found.items()}


def _dispersion(takes: pd.DataFrame) -> dict[str, float]:
    return {name: group_values.dispersion(takes, f"n_{name}")[0] for name in ("missed", "extra")}


def _of_pair(pair: Pair, groups: _Groups, dispersion: dict[str, float], scale, listed) -> pd.DataFrame:
    before, now = groups.of(pair.before.key), groups.of(pair.now.key)
    heard = microphones.microphones(before["strikers"], now["strikers"], scale)
    heard = with_verdicts(heard.assign(asked=False)) if len(heard) else heard
    least = tuple(float(one["budget"]["detectable_s"].astype(float).max()) for one in (before, now))
    parts = [before_and_now.shafts(pair, before["shafts"], now["shafts"], least)]
    # A clock test has one arm: neither pins nor strikers to compare.
    if not pair.is_clock:
        edited = pair.before.arrangement == pair.now.arrangement
        new_bars = frozenset(matching.new_bars(before["pins"], now["pins"]) if edited else ())
        parts += [
            before_and_now.pins(pair, before["pins"], now["pins"], new_bars),
            before_and_now.pins_missed(pair, before["pins"], now["pins"], listed.missing(pair.pin_of)),
            before_and_now.strikers(pair, before["strikers"], now["strikers"], _moved(heard, now["strikers"])),
            before_and_now.strikers_rates(before["strikers"], now["strikers"], dispersion, not new_bars),
        ]
    parts = [frame for frame in parts if len(frame)]
    if parts:
        rest = listed.joined(pd.concat(parts, ignore_index=True), pair.pin_of)
        parts = [with_verdicts(rest)]
    parts += [heard] if len(heard) else []
    if not parts:
        return pd.DataFrame()
    keys = dict(zip(tables.GROUP_KEYS, pair.now.key, strict=True))
    keys |= dict(zip(KEYS_BEFORE, pair.before.key, strict=True))
    return fates.told(pd.concat(parts, ignore_index=True)).assign(**keys)


def _moved(heard: pd.DataFrame, strikers: pd.DataFrame) -> set[str]:
    """Return the strikers whose microphone sounds different: its times are not those of before."""
    if not len(heard):
        return set()
    channels = heard.loc[heard["verdict"].eq("moved") & heard["quantity"].eq("sound"), "thing"]
    on = strikers["rig"].fillna("") + ", channel " + strikers["channel"].fillna(0).astype(int).astype(str)
    return set(strikers.loc[on.isin(channels), "striker"])


def _values(column: pd.Series) -> list:
    return [None if value is None or value != value else value for value in column.to_list()]
