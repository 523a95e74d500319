"""Say how loud each striker came and how it sounded, on the microphone that timed most of its strikes.

A microphone that was moved or exchanged, or a gain that was touched, shows here and not in the times.
"""

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import tables
from pipeline.timing.data.takes import Take
from pipeline.timing.fitting.fit import Fit

NAMES = ("rig", "channel", "level_db", "level_take_sd_db", "sound_db", "sound_take_sd_db")
FEWEST = 5  # strikes of a take from which its median counts: of fewer, one odd strike moves it; chosen


def levels(used: list[Take], fitted: Fit) -> dict[str, pa.Array]:
    """Return the columns NAMES of the table 'strikers', one entry a striker, null where nothing is known.

    Parameters
    ----------
    used : list of Take
        As fitted. A take without a rig is a list of hits: it has no microphone.
    """
    rows = fitted.strikes.rows
    alone = rows[rows["played"] & (rows["shared"] == 1)]
    heard = [_heard(take, alone[alone["take"] == number]) for number, take in enumerate(used)]
    heard = pd.concat([frame for frame in heard if len(frame)] or [pd.DataFrame(columns=["striker"])])
    found = [_of_striker(heard[heard["striker"] == place]) for place in range(len(fitted.strikes.striker_names))]
    fields = {name: tables.CONTRACTS["strikers"].schema.field(name).type for name in NAMES}
    return {name: pa.array([one[name] for one in found], kind) for name, kind in fields.items()}


def _heard(take: Take, rows: pd.DataFrame) -> pd.DataFrame:
    """Return the strikes of a take that a microphone heard: `take, striker, rig, channel, level_db` and the bands."""
    if take.rig is None or not len(rows):
        return pd.DataFrame()
    hits = take.hits.select(["hit_id", "channel"]).to_pandas()
    bands = np.stack(take.hits["bands_db"].to_pylist()).astype(float)
    hits = hits.join(pd.DataFrame(bands - bands.mean(axis=1, keepdims=True), columns=range(tables.N_BANDS)))
    mine = rows[["take", "striker", "hit_id", "level_db"]].merge(hits, on="hit_id")
    return mine.assign(rig=take.rig.name)[mine["channel"] > 0]


def _of_striker(heard: pd.DataFrame) -> dict:
    """Return the columns of one striker."""
    nothing = dict.fromkeys(NAMES)
    if not len(heard):
        return nothing
    rig, channel = heard.groupby(["rig", "channel"]).size().idxmax()
    heard = heard[(heard["rig"] == rig) & (heard["channel"] == channel)]
    by_take = heard.groupby("take")
    medians = by_take[["level_db", *range(tables.N_BANDS)]].median()[by_take.size() >= FEWEST]
    known = nothing | {"rig": str(rig), "channel": int(channel)}
    if not len(medians) or not np.isfinite(medians["level_db"]).all():
        return known
    sd = medians.std()
    known |= {"level_db": float(medians["level_db"].mean()), "level_take_sd_db": _number(sd["level_db"])}
    sound = medians[list(range(tables.N_BANDS))]
    if not np.isfinite(sound.to_numpy()).all():
        return known
    sound_sd = float(np.sqrt((sd[list(range(tables.N_BANDS))] ** 2).mean()))
    return known | {"sound_db": sound.mean().tolist(), "sound_take_sd_db": _number(sound_sd)}


def _number(value) -> float | None:
    return float(value) if np.isfinite(value) else None
