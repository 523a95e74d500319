"""Say where on the barrel the pins of a job stand, in the order in which one walks round it."""

import json

import pandas as pd

from pipeline.worklist.group_data import GroupData


def places(heard: GroupData, pins: pd.DataFrame, moved: bool) -> str:
    """Return the JSON list of the notes that `pins` play, see the contract 'worklist'.

    Parameters
    ----------
    pins : pd.DataFrame
        Some rows of `heard.pins`.
    moved : bool
        Whether the pins are to be moved.
    """
    rows = [row for pin in pins.itertuples() for row in _of_pin(heard, pin, moved)]
    rows.sort(key=lambda row: (row["index_deg"] or 0.0, row["turn"] or 0, row["row"], row["score_beat"]))
    return json.dumps(rows)


def _of_pin(heard: GroupData, pin, moved: bool) -> list[dict]:
    names = [striker.name for striker in heard.machine.strikers]
    has_turns = heard.machine.barrel.bars_per_turn is not None
    return [
        {
            "score_beat": note.score_beat,
            "striker": note.striker,
            "row": names.index(note.striker) + 1,
            "bar": int(note.bar),
            "beat_in_bar": round(note.beat_in_bar, 4),
            "turn": int(note.barrel_turn + 1e-9) + 1 if has_turns else None,
            "index_deg": _rounded(pin.index_deg, 2),
            "index_mm": _rounded(pin.index_mm, 1),
            "move_mm": _rounded(pin.offset_mm, 3) if moved else None,
        }
        for note in heard.notes_of(pin.pin_id).itertuples()
    ]


def _rounded(number, digits: int) -> float | None:
    return None if pd.isna(number) else round(float(number), digits)
