"""Make the table 'setups': what each set-up did, and the loss of speed predicted for set-ups not yet played.

In: recordings, notes, the machine in each set-up. Out: one row a set-up: inertia, energy, rim speed, measured spread,
steadiness and loss of speed, predicted loss.
"""

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import flywheel, tables
from pipeline.settings import Machine, Settings
from pipeline.trend import group_values, sag_law


def setups(recordings: pa.Table, songs: dict[str, pa.Table], settings: Settings) -> pa.Table:
    """Return what each set-up did, and the loss of speed predicted for it from the others.

    The loss is predicted only if the measured set-ups agree with a loss that falls as 1/inertia (`sag_law`). Spread and
    steadiness do not follow from the inertia alone: their predictions are null.

    Parameters
    ----------
    recordings : pa.Table
        Contract 'recordings'.
    songs : dict of str to pa.Table
        Contract 'notes', of each arrangement: how far the barrel turns in a beat.
    settings : Settings

    Returns
    -------
    pa.Table
        Contract 'setups'.
    """
    used = group_values.used_takes(recordings)
    rows = []
    for arrangement in sorted(used["arrangement"].unique()):
        of_song = used[used["arrangement"] == arrangement]
        names = sorted({"", *(name for name, _ in settings.setups), *of_song["setup"]})
        turns_per_beat = _turns_per_beat(songs[arrangement])
        found = [_of_setup(of_song, arrangement, name, settings, turns_per_beat) for name in names]
        # The machine without a set-up gets a row only if it was recorded so.
        found = [row for row in found if row["n_recordings"] or row["setup"]]
        rows += sag_law.with_predictions(found, group_values.spreads(of_song, "sag_max")[0])
    made = pd.DataFrame(rows, columns=tables.CONTRACTS["setups"].schema.names)
    return tables.build("setups", {name: made[name].to_list() for name in made})


def _of_setup(used: pd.DataFrame, arrangement: str, setup: str, settings: Settings, turns_per_beat: float) -> dict:
    """Return the row of one set-up, without errors and predictions."""
    takes = used[used["setup"] == setup]
    row = {"arrangement": arrangement, "setup": setup, "n_recordings": len(takes)}
    for name in ("sag_max", "felt_sd_s", "steady_1"):
        logs = group_values.logarithms(takes[name])
        row[name] = float(np.exp(logs.mean())) if len(logs) else np.nan
    machine = settings.machine_of(setup)
    # Energy and rim speed of a set-up that was never played are given at the mean tempo of all takes.
    tempo_bpm = (takes if len(takes) else used)["tempo_bpm"].mean()
    barrel_hz = tempo_bpm / 60 * turns_per_beat
    inertia = flywheel.inertia_at_barrel_kg_m2(machine)
    if inertia is not None:
        row |= {"inertia_at_barrel_kg_m2": inertia, "energy_j": flywheel.energy_j(inertia, barrel_hz)}
    if diameter_mm := _rim_mm(machine):
        row["rim_m_per_s"] = flywheel.surface_mm_per_s(diameter_mm, barrel_hz * flywheel.ratio(machine)) / 1000
    return row


def _rim_mm(machine: Machine) -> float:
    """Return the diameter of the largest rim on the flywheel's shaft (mm); 0 if the configuration gives none."""
    if machine.flywheel is None:
        return 0.0
    return max([machine.flywheel.diameter_mm or 0.0, *(wheel.outer_mm for wheel in machine.flywheel.wheels)])


def _turns_per_beat(song: pa.Table) -> float:
    """Return the turns of the barrel per quarter note; NaN for a song of fewer than two onsets."""
    beat, turn = song["score_beat"].to_numpy(), song["barrel_turn"].to_numpy()
    return (turn[-1] - turn[0]) / (beat[-1] - beat[0]) if len(song) and beat[-1] > beat[0] else np.nan
