"""List what to mend next: what could be chance goes, the rest is ranked by the noticed faults that it wins.

Only the newest group of each arrangement is looked at: what was mended since is not on the list.

False discoveries are held over the whole list. Each kind of job of each group is a family with its own q-values
(Benjamini & Hochberg 1995), and gets a share of what the list may be wrong, 1 − CERTAIN: V false among R jobs of the
list are at most the sum of V/R of the families, so the expected share of false jobs is at most the sum of the shares.
"""

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import tables, words
from pipeline.settings import Group, Settings
from pipeline.worklist import displaced, load, missed
from pipeline.worklist.candidate import CERTAIN, Candidate
from pipeline.worklist.group_data import GroupData, gathered

__all__ = ["jobs", "newest"]

# What each family may be wrong, as a share of what the list may be: most to those with most candidates; our own choice.
SHARES = {"strikers": 0.4, "pins": 0.2, "missed pins": 0.1, "together": 0.1, "delays": 0.1, "load": 0.1}
LEAST_GAIN = 0.05  # noticed faults a playthrough that a job surely wins: less would read as 0.0


def jobs(
    settings: Settings, lateness: dict[str, pa.Table], aligned: dict[str, pa.Table], notes: dict[str, pa.Table], **given
) -> pa.Table:
    """Return the jobs of the newest groups.

    Parameters
    ----------
    settings : Settings
    lateness : dict of group id to table of the contract 'lateness'
    aligned : dict of recording to table of the contract 'aligned'
        At least of the newest groups.
    notes : dict of arrangement to table of the contract 'notes'
    **given : tables of the contracts strikers and pins

    Returns
    -------
    table of the contract 'worklist', best first
    """
    found = []
    for group in newest(settings, lateness):
        tables_of_group = {name: _of_group(table, group) for name, table in given.items()}
        takes = {one.recording: aligned[one.recording] for one in group.recordings if one.recording in aligned}
        machine = settings.machine_of(group.setup, group.arrangement)
        heard = gathered(machine, notes[group.arrangement], lateness[group.id], takes, **tables_of_group)
        found += [(group, SHARES[kind], family) for kind, family in _families(heard).items() if family]
    total = sum(share for _, share, _ in found)
    rows = [row for group, share, family in found for row in _rows(group, family, share / total)]
    rows.sort(key=lambda row: (-row["gain_noticed"], -row["gain_s"]))
    names = tables.CONTRACTS["worklist"].schema.names
    return tables.build("worklist", _columns([row | {"rank": rank} for rank, row in enumerate(rows, 1)], names))


def newest(settings: Settings, lateness: dict[str, pa.Table]) -> list[Group]:
    """Return the last group of each arrangement in which anything was played."""
    last = {}
    for group in settings.groups():
        if len(lateness[group.id]):
            last[group.arrangement] = max(group, last.get(group.arrangement, group), key=lambda one: one.key)
    return list(last.values())


def _families(heard: GroupData) -> dict[str, list[Candidate]]:
    delays = displaced.delays(heard)
    mended = any(one.job is not None and one.job.gain.low >= LEAST_GAIN for one in delays)
    found = {"pins": displaced.pins(heard, mended), "delays": delays, "load": load.load(heard)}
    return missed.families(heard) | found


def _rows(group: Group, family: list[Candidate], share: float) -> list[dict]:
    """Return a row for each candidate that is surely not chance and surely wins something."""
    keys = dict(zip(tables.GROUP_KEYS, group.key, strict=True))
    rows = []
    for one in family:
        certainty = 1 - min(1.0, one.q_value / share)
        if one.job is None or certainty < CERTAIN or one.job.gain.low < LEAST_GAIN:
            continue
        job, gain = one.job, one.job.gain
        row = {name: words.with_plain_spaces(getattr(job, name)) for name in ("part", "where", "finding", "correction")}
        row |= {"correction_mm": job.correction_mm, "places": job.places}
        row |= {"gain_noticed": gain.noticed, "gain_low": gain.low, "gain_high": gain.high}
        rows.append(keys | row | {"gain_s": gain.spread_s, "gain_missed": gain.missed, "certainty": certainty})
    return rows


def _of_group(table: pa.Table, group: Group) -> pd.DataFrame:
    frame = table.to_pandas()
    return frame[
        np.logical_and.reduce([frame[key] == value for key, value in zip(tables.GROUP_KEYS, group.key, strict=True)])
    ]


def _columns(rows: list[dict], names: list[str]) -> dict[str, list]:
    return {name: [row[name] for row in rows] for name in names}
