"""Say how loud each striker came and how it sounded, on the microphone that timed most of its strikes.

A microphone that was moved or exchanged, or a gain that was touched, shows here and not in the times.
"""

import numpy as np
import pandas as pd

from pipeline import tables
from pipeline.timing.data.takes import Take
from pipeline.timing.fitting.fit import Fit

NAMES = (
    "rig", "channel", "level_db", "level_take_sd_db", "level_common_take_sd_db", "sound_db", "sound_take_sd_db"
)  # fmt: skip
FEWEST = 5  # strikes of a take from which its median counts: of fewer, one odd strike moves it; chosen
FEWEST_STRIKERS = 3  # of a take, from which on what all have in common can be told from what one does alone
BANDS = list(range(tables.N_BANDS))


def levels(used: list[Take], fitted: Fit) -> dict[str, list]:
    """Return the columns NAMES of the table 'strikers', one entry a striker, None where nothing is known.

    Parameters
    ----------
    used : list of Take
        As fitted. A take without a rig is a list of hits: it has no microphone.
    """
    rows = fitted.strikes.rows
    alone = rows[rows["played"] & (rows["shared"] == 1)]
    heard = [_heard(take, alone[alone["take"] == number]) for number, take in enumerate(used)]
    heard = pd.concat([frame for frame in heard if len(frame)] or [pd.DataFrame(columns=["striker"])])
    names = fitted.strikes.striker_names
    places = [_place(heard[heard["striker"] == number]) for number in range(len(names))]
    medians = [_medians(heard[heard["striker"] == number], *place) for number, place in enumerate(places)]
    common = _common([one["level_db"] for one in medians if len(one)])
    found = [_of_striker(*place, one, common) for place, one in zip(places, medians, strict=True)]
    return {name: [one[name] for one in found] for name in NAMES}


def _heard(take: Take, rows: pd.DataFrame) -> pd.DataFrame:
    """Return the strikes of a take that a microphone heard: `take, striker, rig, channel, level_db` and the bands."""
    if take.rig is None or not len(rows):
        return pd.DataFrame()
    hits = take.hits.select(["hit_id", "channel"]).to_pandas()
    bands = np.stack(take.hits["bands_db"].to_pylist()).astype(float)
    hits = hits.join(pd.DataFrame(bands - bands.mean(axis=1, keepdims=True), columns=range(tables.N_BANDS)))
    mine = rows[["take", "striker", "hit_id", "level_db"]].merge(hits, on="hit_id")
    return mine.assign(rig=take.rig.name)[mine["channel"] > 0]


def _place(heard: pd.DataFrame) -> tuple[str | None, int | None]:
    """Return the rig and the channel that heard most strikes of a striker; None where none did."""
    if not len(heard):
        return None, None
    rig, channel = heard.groupby(["rig", "channel"]).size().idxmax()
    return str(rig), int(channel)


def _medians(heard: pd.DataFrame, rig, channel) -> pd.DataFrame:
    """Return the median level and bands of a striker in each take, by the take; those of which enough is known."""
    if rig is None:
        return pd.DataFrame()
    by_take = heard[(heard["rig"] == rig) & (heard["channel"] == channel)].groupby("take")
    medians = by_take[["level_db", *BANDS]].median()[by_take.size() >= FEWEST]
    return medians[np.isfinite(medians["level_db"])]


def _common(levels_db: list[pd.Series]) -> pd.Series:
    """Return by how much each take is louder at all strikers alike; 0 where too few tell."""
    if len(levels_db) < FEWEST_STRIKERS:
        return pd.Series(dtype=float)
    table = pd.concat(levels_db, axis=1)
    return (table - table.mean()).median(axis=1)[table.notna().sum(axis=1) >= FEWEST_STRIKERS]


def _of_striker(rig, channel, medians: pd.DataFrame, common: pd.Series) -> dict:
    """Return the columns of one striker."""
    known = dict.fromkeys(NAMES) | {"rig": rig, "channel": channel}
    if not len(medians):
        return known
    own = medians["level_db"] - common.reindex(medians.index).fillna(0.0)
    known |= {"level_db": float(medians["level_db"].mean()), "level_take_sd_db": _number(own.std())}
    known |= {"level_common_take_sd_db": _number(common.std())}
    sound = medians[BANDS]
    if not np.isfinite(sound.to_numpy()).all():
        return known
    sound_sd = float(np.sqrt((sound.std() ** 2).mean()))
    return known | {"sound_db": sound.mean().tolist(), "sound_take_sd_db": _number(sound_sd)}


def _number(value) -> float | None:
    return float(value) if np.isfinite(value) else None
