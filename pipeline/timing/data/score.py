"""Lay out the arrangement for the fit: score time in nominal beats, knots, bars.

Score time `u_beat` runs in nominal beats of constant length, so a change of tempo that is written is no change of the
machine's speed: pins of a faster passage stand closer on the same barrel.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.bars import bar_lines

CHORD_BEAT = 0.01  # notes nearer than this share a knot (5 ms at 120 per minute)
GRID_BEAT = 0.5  # knots where nothing is written, for the tempo curve


@dataclass(frozen=True, eq=False)
class Score:
    """The arrangement.

    Parameters
    ----------
    notes : pd.DataFrame
        The notes by note_id, with the further columns `u_beat` and `knot`.
    beat_per_s : float
        Nominal beats per second of score.
    knot_u_beat : np.ndarray, shape=(n_knots,)
        Places where the machine's position is estimated: every chord and every half beat.
    grid_knot : np.ndarray of int, shape=(n_grid,)
        The knots of the half beats.
    grid_score_beat, grid_bpm : np.ndarray, shape=(n_grid,)
        Their places in the score and the written tempo there.
    bars : pd.DataFrame
        `bar, score_beat, score_s, u_beat` of every bar line, the end of the last bar included.
    """

    notes: pd.DataFrame
    beat_per_s: float
    knot_u_beat: np.ndarray
    grid_knot: np.ndarray
    grid_score_beat: np.ndarray
    grid_bpm: np.ndarray
    bars: pd.DataFrame

    @property
    def length_s(self) -> float:
        """Return the time from the start to the end of the last bar."""
        return float(self.bars["score_s"].iloc[-1])

    def turn_at(self, u_beat) -> np.ndarray:
        """Return the barrel's turn at places of the score, nominal beats; on beyond the notes at their mean speed."""
        known = self.notes[["u_beat", "barrel_turn"]].sort_values("u_beat").drop_duplicates("u_beat")
        known_beat, known_turn = known.to_numpy(dtype=float).T
        inside = np.interp(u_beat, known_beat, known_turn)
        beyond = np.asarray(u_beat) - np.clip(u_beat, known_beat[0], known_beat[-1])
        return inside + beyond * self.turn_per_beat

    @property
    def turn_per_beat(self) -> float:
        """Return the barrel's mean turns per nominal beat; 0 where all notes stand at one place."""
        span = np.ptp(self.notes["u_beat"].to_numpy())
        return float(np.ptp(self.notes["barrel_turn"].to_numpy(dtype=float)) / span) if span > 0 else 0.0

    def bar_length_s(self, bar) -> np.ndarray:
        """Return how long each of the bars `bar` is written."""
        length_s = np.diff(self.bars["score_s"].to_numpy())
        return length_s[np.clip(np.asarray(bar) - self.bars["bar"].iloc[0], 0, len(length_s) - 1)]


def score_of(notes: pa.Table) -> Score:
    """Lay out the arrangement `notes` (contract 'notes', at least one note)."""
    frame = notes.to_pandas().sort_values(["score_s", "note_id"], ignore_index=True)
    score_s, score_beat = frame["score_s"].to_numpy(), frame["score_beat"].to_numpy()
    long_s, long_beat = score_s[-1] - score_s[0], score_beat[-1] - score_beat[0]
    beat_per_s = long_beat / long_s if long_s > 0 and long_beat > 0 else 2.0
    bars = _bars(frame, beat_per_s)
    grid_score_beat = np.arange(0, max(bars["score_beat"].iloc[-1], score_beat[-1]) + GRID_BEAT / 2, GRID_BEAT)
    reach = GRID_BEAT / 2
    span_s = _score_s(frame, grid_score_beat + reach, beat_per_s) - _score_s(frame, grid_score_beat - reach, beat_per_s)
    grid_u_beat = _score_s(frame, grid_score_beat, beat_per_s) * beat_per_s
    u_beat = score_s * beat_per_s
    knot_u_beat, knot = _merged(np.concatenate([u_beat, grid_u_beat]))
    frame["u_beat"], frame["knot"] = u_beat, knot[: len(frame)]
    return Score(
        notes=frame.sort_values("note_id", ignore_index=True),
        beat_per_s=float(beat_per_s),
        knot_u_beat=knot_u_beat,
        grid_knot=knot[len(frame) :],
        grid_score_beat=grid_score_beat,
        grid_bpm=60 * 2 * reach / span_s,
        bars=bars,
    )


def _merged(u_beat):
    """Gather places nearer than CHORD_BEAT to the first of their knot; return the knots and the knot of each place."""
    order = np.argsort(u_beat, kind="stable")
    first, knot_u_beat, knot = -np.inf, [], np.empty(len(u_beat), dtype=int)
    for place in order:
        if u_beat[place] - first > CHORD_BEAT:
            first = u_beat[place]
            knot_u_beat.append(first)
        knot[place] = len(knot_u_beat) - 1
    return np.array(knot_u_beat), knot


def _score_s(frame, score_beat, beat_per_s):
    """Return the nominal time of places in the score; beyond the notes at the tempo of their nearest beats."""
    table = frame.drop_duplicates("score_beat")
    known_beat, known_s = table["score_beat"].to_numpy(), table["score_s"].to_numpy()
    if len(known_beat) < 2:
        return known_s[0] + (np.asarray(score_beat) - known_beat[0]) / beat_per_s
    inside = np.interp(score_beat, known_beat, known_s)
    pace = np.diff(known_s) / np.diff(known_beat)
    before, after = np.minimum(score_beat - known_beat[0], 0), np.maximum(score_beat - known_beat[-1], 0)
    return inside + before * pace[0] + after * pace[-1]


def _bars(frame, beat_per_s):
    """Return every bar line of the arrangement."""
    bar, score_beat = bar_lines(frame["bar"], frame["bar_start_beat"], frame["bar_beats"])
    score_s = _score_s(frame, score_beat, beat_per_s)
    return pd.DataFrame({"bar": bar, "score_beat": score_beat, "score_s": score_s, "u_beat": score_s * beat_per_s})
