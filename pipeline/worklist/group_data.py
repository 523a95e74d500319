"""Gather what is known of one group: its notes, strikes, pins and strikers, and what each take counts."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import hearing
from pipeline.bars import bar_lines
from pipeline.settings import Machine
from pipeline.worklist.noticed_faults import laid_out


@dataclass(frozen=True, eq=False)
class GroupData:
    """What is known of one group.

    Parameters
    ----------
    machine : Machine
    notes : pd.DataFrame
        Contract 'notes'.
    strikes : pd.DataFrame
        Contract 'lateness', as `noticed_faults.laid_out` lays them out.
    strikers, pins : pd.DataFrame
        The group's rows of the contracts; strikers with `n_notes`, what each has to play in a playthrough.
    by_take : pd.DataFrame
        `recording, striker, played, missed, extra`.
    tempo : pd.DataFrame
        Contract 'tempo', with `bar`.
    slips : pd.DataFrame or None
        The group's rows of the contract.
    """

    machine: Machine
    notes: pd.DataFrame
    strikes: pd.DataFrame
    strikers: pd.DataFrame
    pins: pd.DataFrame
    by_take: pd.DataFrame
    tempo: pd.DataFrame
    slips: pd.DataFrame | None = None

    def notes_of(self, pin_id: int) -> pd.DataFrame:
        """Return the notes that a pin plays."""
        return self.notes[self.notes["pin_id"] == pin_id]

    def surface_mm_per_s(self) -> float | None:
        """Return how fast the pins pass, from their own offsets in both units; None when no diameter is told."""
        told = self.pins[self.pins["offset_mm"].notna() & (self.pins["offset_s"] != 0)]
        return float((told["offset_mm"] / told["offset_s"]).median()) if len(told) else None

    def bars_of_change(self, without_load: float = 0.0) -> int:
        """Count the bars of all takes in which the tempo is heard to change, with a part of the load away."""
        count = 0
        for _, track in self.tempo.groupby(["recording", "playthrough", "segment"]):
            speed = track["motion"] + (1 - without_load) * track["load"] + track["shaft"]
            count += hearing.bars_of_change(speed.to_numpy(), track["bar"])
        return count


def gathered(
    machine: Machine,
    notes: pa.Table,
    lateness: pa.Table,
    aligned: dict[str, pa.Table],
    *,
    strikers: pd.DataFrame,
    pins: pd.DataFrame,
    tempo: pd.DataFrame,
    slips: pd.DataFrame | None = None,
) -> GroupData:
    """Put a group's tables together; takes that the model could not use are left out."""
    song = notes.to_pandas()
    number, beat = bar_lines(song["bar"], song["bar_start_beat"], song["bar_beats"])
    strikes = laid_out(lateness.to_pandas(), _length_s(song, beat[-1]))
    strikers = strikers.assign(n_notes=strikers["striker"].map(song["striker"].value_counts()).fillna(0))
    used = {name: table for name, table in aligned.items() if name in set(strikes["recording"])}
    bar = number[np.searchsorted(beat, tempo["score_beat"], side="right") - 1]
    return GroupData(machine, song, strikes, strikers, pins, _by_take(used), tempo.assign(bar=bar), slips)


def _length_s(song: pd.DataFrame, end_beat: float) -> float:
    """Return the time of the last bar line, the last tempo going on."""
    last = song.groupby("score_beat")["score_s"].first().iloc[-2:]
    beat_s = np.diff(last) / np.diff(last.index) if len(last) > 1 else [0.5]
    return float(last.iloc[-1] + max(end_beat - last.index[-1], 0.0) * beat_s[0])


def _by_take(aligned: dict[str, pa.Table]) -> pd.DataFrame:
    frames = [table.select(["striker", "status"]).to_pandas().assign(recording=name) for name, table in aligned.items()]
    rows = pd.concat([pd.DataFrame(columns=["striker", "status", "recording"]), *frames])
    counted = rows.groupby(["recording", "striker", "status"]).size().unstack(fill_value=0)
    return counted.reindex(columns=["played", "missed", "extra"], fill_value=0).reset_index()
