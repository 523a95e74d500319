"""List what to mend next: what could be chance goes, the rest is ranked by the noticed faults that it wins.

Only the newest group of each arrangement is looked at: what was mended since is not on the list.

False discoveries are held over the whole list. Each kind of job of each group is a family with its own q-values
(Benjamini & Hochberg 1995), and gets a share of what the list may be wrong, 1 − CERTAIN: V false among R jobs of the
list are at most the sum of V/R of the families, so the expected share of false jobs is at most the sum of the shares.
"""

from collections.abc import Callable
from functools import partial

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import tables, words
from pipeline.settings import Group, Settings
from pipeline.worklist import company, displaced, load, misplaced, missed, slips
from pipeline.worklist.candidate import CERTAIN, Candidate, Job
from pipeline.worklist.group_data import GroupData, gathered

__all__ = ["jobs", "newest"]

# What each family may be wrong, as a share of what the list may be: most to those with most candidates; our own choice.
SHARES = {
    "strikers": 0.4, "pins": 0.2, "missed pins": 0.1, "together": 0.1, "delays": 0.1, "company": 0.1, "load": 0.1,
    "slips": 0.1,
}  # fmt: skip
CLEAR_GAIN = 0.5  # noticed faults a playthrough that a pin by itself surely wins, more often than not; our own choice
LEAST_GAIN = 0.05  # noticed faults a playthrough that a job surely wins: less would read as 0.0


def jobs(
    settings: Settings,
    lateness: dict[str, pa.Table],
    tempo: dict[str, pa.Table],
    aligned: dict[str, pa.Table],
    notes: dict[str, pa.Table],
    **given,
) -> pa.Table:
    """Return the jobs of the newest groups.

    Parameters
    ----------
    settings : Settings
    lateness, tempo : dict of group id to table of the contract
        Tempo at least of the newest groups.
    aligned : dict of recording to table of the contract 'aligned'
        At least of the newest groups.
    notes : dict of arrangement to table of the contract 'notes'
    **given : tables of the contracts strikers, pins, recordings and (optional) slips

    Returns
    -------
    table of the contract 'worklist', best first
    """
    found = []
    for group in newest(settings, lateness):
        of_group = {name: tables.of_group(table.to_pandas(), group.key) for name, table in given.items()}
        takes = {one.recording: aligned[one.recording] for one in group.recordings if one.recording in aligned}
        machine, recordings = settings.machine_of(group.setup, group.arrangement), of_group.pop("recordings")
        of_group["tempo"] = tempo[group.id].to_pandas()
        heard = gathered(machine, notes[group.arrangement], lateness[group.id], takes, **of_group)
        keys = dict(zip(tables.GROUP_KEYS, group.key, strict=True)) | {"noticed_before": _before(heard, recordings)}
        found += [(keys, kind, *one) for kind, one in _families(heard).items() if one[0]]
    total = sum(SHARES[kind] for _, kind, *_ in found)
    rows = []
    for keys, kind, family, as_one in found:
        rows += [keys | row for row in _rows(family, as_one, SHARES[kind] / total)]
    rows.sort(key=lambda row: (-min(row["gain_noticed"], row["after"]), np.isfinite(row["after"]), -row["gain_s"]))
    names = tables.CONTRACTS["worklist"].schema.names
    return tables.build("worklist", _columns([row | {"rank": rank} for rank, row in enumerate(rows, 1)], names))


def newest(settings: Settings, lateness: dict[str, pa.Table]) -> list[Group]:
    """Return the last group of each arrangement in which anything was played."""
    last = {}
    for group in settings.groups():
        if len(lateness[group.id]):
            last[group.arrangement] = max(group, last.get(group.arrangement, group), key=lambda one: one.key)
    return list(last.values())


def _families(heard: GroupData) -> dict[str, tuple[list[Candidate], Callable | None]]:
    """Return each family, and what makes one job of several pins that are sure (None: each stays its own)."""
    delays = displaced.delays(heard)
    late = [one.job for one in delays if one.job is not None and one.job.gain.low >= LEAST_GAIN]
    otherwise = displaced.in_even_rows(heard, [(job.where, job.late_s) for job in late]) if late else heard
    found = {kind: (family, None) for kind, family in missed.families(heard).items()}
    found |= {"missed pins": (missed.pins(heard), partial(missed.together, heard))}
    after = min((job.gain.noticed for job in late), default=np.inf)
    found |= {"pins": (misplaced.pins(otherwise, after), partial(misplaced.together, otherwise, after=after))}
    return found | {
        "delays": (delays, None),
        "company": (company.company(heard), None),
        "load": (load.load(heard), None),
        "slips": (slips.slips(heard), None),
    }


def _rows(family: list[Candidate], as_one: Callable | None, share: float) -> list[dict]:
    """Return a row for each candidate that is surely not chance and surely wins something, or one of all its pins."""
    sure = []
    for one in family:
        certainty = 1 - min(1.0, one.q_value / share)
        if one.job is not None and certainty >= CERTAIN and one.job.gain.low >= LEAST_GAIN:
            sure.append((one, certainty))
    return [_row(one.job, certainty) for one, certainty in sure] if as_one is None else _one_row(sure, as_one)


def _one_row(sure: list[tuple[Candidate, float]], as_one: Callable) -> list[dict]:
    """Return the one row of all pins; where these do not surely win anything together, of those that win most."""
    for least in (LEAST_GAIN, CLEAR_GAIN):
        those = [(one, certainty) for one, certainty in sure if one.job.gain.low >= least]
        if those:
            job = as_one([one.pin_id for one, _ in those]) if len(those) > 1 else those[0][0].job
            if job.gain.low >= LEAST_GAIN:
                return [_row(job, min(certainty for _, certainty in those))]
    return []


def _row(job: Job, certainty: float) -> dict:
    row = {name: words.with_plain_spaces(getattr(job, name)) for name in ("part", "where", "finding", "correction")}
    row |= {name: getattr(job, name) for name in ("correction_mm", "places", "effort")}
    row["after"] = job.after
    row |= {"mends": job.mends, "late_s": job.late_s if job.mends == "delay" else None}
    if np.isfinite(job.after):
        row["finding"] += "; the gain is counted with the late rows above in time"
    row["to_be_sure"] = job.to_be_sure and words.with_plain_spaces(job.to_be_sure)
    row |= {"gain_noticed": job.gain.noticed, "gain_low": job.gain.low, "gain_high": job.gain.high}
    return row | {"gain_s": job.gain.spread_s, "gain_missed": job.gain.missed, "certainty": certainty}


def _before(heard: GroupData, recordings: pd.DataFrame) -> float | None:
    """Return the noticed faults of a playthrough, by the counts of the takes; None when none was counted."""
    n_heard = heard.strikers.loc[heard.strikers["n_played"] + heard.strikers["n_missed"] > 0, "n_notes"].sum()
    n_notes = recordings["n_notes"].sum()
    return float(recordings["n_noticed"].sum() * n_heard / n_notes) if n_notes else None


def _columns(rows: list[dict], names: list[str]) -> dict[str, list]:
    return {name: [row[name] for row in rows] for name in names}
