"""Compute beat, bar, length and turns of the barrel from a table of notes."""

import numpy as np
import pyarrow as pa

from pipeline.settings import Machine

UNTOLD_TURN_S = 20.0  # length of a turn, if the machine has no bars_per_turn


def beat_s(notes: pa.Table) -> float:
    """Return the mean length of a quarter note at the written tempo, s; 0.5 with fewer than two onsets."""
    beat, score_s = notes["score_beat"].to_numpy(), notes["score_s"].to_numpy()
    return float((score_s[-1] - score_s[0]) / (beat[-1] - beat[0])) if len(beat) > 1 and beat[-1] > beat[0] else 0.5


def beats_per_bar(notes: pa.Table) -> float:
    """Return quarter notes per bar (of a constant meter), by least squares from bar, beat in bar and beat."""
    bar, beat = notes["bar"].to_numpy(), notes["score_beat"].to_numpy()
    if len(bar) == 0 or bar.max() == bar.min():
        return 4.0
    columns = np.stack([bar - 1.0, notes["beat_in_bar"].to_numpy() - 1.0], axis=1)
    return round(float(np.linalg.lstsq(columns, beat, rcond=None)[0][0]), 6)


def length_s(notes: pa.Table) -> float:
    """Return the length of the arrangement to the end of its last bar, s."""
    return float(notes["bar"].to_numpy().max() * beats_per_bar(notes) * beat_s(notes))


def turn_per_s(notes: pa.Table) -> float:
    """Return turns of the barrel per second at the written tempo."""
    turn, score_s = notes["barrel_turn"].to_numpy(), notes["score_s"].to_numpy()
    if len(turn) < 2 or not np.isfinite(turn).all() or turn[-1] == turn[0]:
        return 1 / UNTOLD_TURN_S
    return float((turn[-1] - turn[0]) / (score_s[-1] - score_s[0]))


def names_of(machine: Machine) -> np.ndarray:
    """Return the names of the strikers in the machine's order."""
    return np.array([striker.name for striker in machine.strikers], dtype=object)


def column_of(machine: Machine, notes: pa.Table) -> np.ndarray:
    """Return the index of each note's striker in the order of the machine, shape=(n_notes,)."""
    index = {striker.name: i for i, striker in enumerate(machine.strikers)}
    return np.array([index[name] for name in notes["striker"].to_pylist()], dtype=np.int64)
