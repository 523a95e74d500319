"""Draw the speed of every take along the score, with the slow motion and the load in it."""

import numpy as np
import pyarrow as pa

from pipeline import settings, tables
from pipeline.timing.data.takes import Take
from pipeline.timing.fitting.fit import Fit
from pipeline.timing.tables import group_keys


def tempo(group: settings.Group, takes: list[Take], fitted: Fit) -> pa.Table:
    """Return the table 'tempo'.

    The tempo is that of the half beat around each place. `motion`, `load` and `shaft` are parts of the relative speed
    against the mean of the segment; constants belong to that mean.
    """
    grid = fitted.grid
    place = grid["place"].to_numpy()
    tempo_bpm = fitted.score.grid_bpm[place] / grid["pace"].to_numpy()
    columns = group_keys.of_group(group, len(grid), day=False)
    columns |= {
        "recording": np.array([take.recording.recording for take in takes], dtype=object)[grid["take"]],
        "score_beat": fitted.score.grid_score_beat[place],
        "tempo_bpm": tempo_bpm,
        "tempo_se": tempo_bpm * grid["speed_se"].to_numpy(),
    }
    for name in ("playthrough", "segment", "time_s", "motion", "load", "load_se", "shaft"):
        columns[name] = grid[name].to_numpy()
    return tables.build("tempo", columns)
