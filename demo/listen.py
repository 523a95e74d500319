"""Make the list of hits that a detector would find in a take, without audio."""

import zlib
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from demo.machine import Take
from pipeline import tables


@dataclass(frozen=True)
class Ear:
    """What a detector does to the truth: errors, misses, false hits."""

    place_s: float = 0.00005  # standard error of a hit's time
    missed: float = 0.0  # rate of strikes that it does not find
    false_per_min: float = 0.0  # false hits; they have a low probability
    wrong_names: float = 0.0  # rate of strikes under another striker's name
    rebounds_called: float = 0.8  # share of the rebounds that get the kind 'rebound'
    fuse_s: float = 0.0  # hits nearer than this become one, at the time of the first (mixed microphone: 0.012)
    bands_sd_db: float = 3.0  # of a striker's sound from hit to hit


def hits_table(
    take: Take, strikers: tuple[str, ...], seed: int, named: bool = True, ear: Ear = Ear(), marks: bool = True
) -> pa.Table:
    """Return the take under the contract 'hits'.

    Parameters
    ----------
    take : Take
    strikers : tuple of str
        Those a microphone hears, in the order of their channels (named), e.g. `[s.name for s in machine.strikers]`.
    seed : int
    named : bool
        One microphone a striker; else one mixed microphone (channel 1), where hits carry no name.
    ear : Ear
    marks : bool
        With the turn mark and the click as further channels (when the take has them).
    """
    chance = np.random.default_rng([seed, 20])
    time_s, striker, kind, level_db = _struck(take, strikers, ear, chance)
    n_false = chance.poisson(ear.false_per_min * take.length_s / 60)
    time_s = np.concatenate([time_s, chance.uniform(0, take.length_s, n_false)])
    who = np.concatenate([striker, chance.integers(len(strikers), size=n_false)])
    kind = np.concatenate([kind, np.full(n_false, "strike", dtype=object)])
    level_db = np.concatenate([level_db, chance.uniform(-50, -30, n_false)])
    true = np.arange(len(time_s)) < len(time_s) - n_false
    probability = np.where(true, chance.beta(30, 1, len(time_s)), chance.uniform(0.05, 0.6, len(time_s)))
    bands_db = level_db[:, None] + _bands(strikers)[who] + chance.normal(0, ear.bands_sd_db, (len(who), tables.N_BANDS))
    name = np.array(strikers, dtype=object)[who]
    swapped = chance.random(len(who)) < ear.wrong_names
    name[swapped] = np.array(strikers, dtype=object)[chance.integers(len(strikers), size=int(swapped.sum()))]
    channel = np.array([strikers.index(one) + 1 for one in name], dtype=int) if named else np.ones(len(who), dtype=int)
    if not named:
        name = np.full(len(who), None, dtype=object)
    time_s = time_s + chance.normal(0, ear.place_s, len(time_s))
    columns = [time_s, channel, name, kind, level_db, probability, bands_db]
    columns = _fused(columns, ear.fuse_s)
    if marks:
        first = (len(strikers) if named else 1) + 1
        columns = _with_marks(columns, take.index_s, "index", first)
        columns = _with_marks(columns, take.click_s, "click", first + (len(take.index_s) > 0))
    return _table(columns, take, ear)


def _struck(take, strikers, ear, chance):
    """Return the strikes that are found: time, index of the striker, kind, level."""
    played = ~take.strikes.missed
    time_s = np.concatenate([take.strikes.strike_s[played], take.extras.strike_s])
    name = np.concatenate([take.strikes.striker[played], take.extras.striker])
    level_db = np.concatenate([take.strikes.level_db[played], take.extras.level_db])
    called = (take.extras.kind == "rebound") & (chance.random(len(take.extras.kind)) < ear.rebounds_called)
    kind = np.concatenate(
        [np.full(int(played.sum()), "strike", dtype=object), np.where(called, "rebound", "strike").astype(object)]
    )
    number = {one: i for i, one in enumerate(strikers)}
    who = np.array([number.get(one, -1) for one in name], dtype=int)
    found = (who >= 0) & (chance.random(len(who)) >= ear.missed)
    return time_s[found], who[found], kind[found], level_db[found]


def _bands(strikers):
    """Return the sound of each striker, shape=(n, N_BANDS), dB; it depends on the name only."""
    return np.array(
        [np.random.default_rng(zlib.crc32(one.encode())).normal(-6, 8, tables.N_BANDS) for one in strikers]
    ).reshape(-1, tables.N_BANDS)


def _fused(columns, fuse_s):
    order = np.argsort(columns[0], kind="stable")
    columns = [column[order] for column in columns]
    if not fuse_s or not len(order):
        return columns
    keep, last = [], -np.inf
    for i, time_s in enumerate(columns[0]):
        if time_s - last >= fuse_s:
            keep.append(i)
            last = time_s
    return [column[keep] for column in columns]


def _with_marks(columns, marks_s, kind, channel):
    n = len(marks_s)
    marks = [
        np.asarray(marks_s),
        np.full(n, channel),
        np.full(n, None, dtype=object),
        np.full(n, kind, dtype=object),
        np.full(n, -6.0),
        np.ones(n),
        np.full((n, tables.N_BANDS), -20.0),
    ]
    return [np.concatenate([column, mark]) for column, mark in zip(columns, marks, strict=True)]


def _table(columns, take, ear):
    time_s, channel, name, kind, level_db, probability, bands_db = columns
    inside = (time_s >= 0) & (time_s < take.length_s)
    order = np.lexsort((channel[inside], time_s[inside]))
    pick = np.flatnonzero(inside)[order]
    bands = pa.FixedSizeListArray.from_arrays(pa.array(bands_db[pick].astype(np.float32).ravel()), tables.N_BANDS)
    return tables.build(
        "hits",
        {
            "hit_id": np.arange(len(pick)),
            "channel": channel[pick],
            "hit_s": time_s[pick],
            "hit_se": np.full(len(pick), max(ear.place_s, 1e-6)),
            "level_db": level_db[pick],
            "snr_db": level_db[pick] + 60,
            "probability": probability[pick],
            "striker": pa.array(name[pick].tolist(), pa.string()),
            "kind": pa.array(kind[pick].tolist(), pa.string()),
            "bands_db": bands,
        },
    )
