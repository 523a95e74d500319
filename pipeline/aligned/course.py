"""Read from the table `aligned` how the machine went along the arrangement, and set rows aside that do not count."""

from typing import NamedTuple

import numpy as np
import pyarrow as pa

from pipeline import tables

NEAR_S = 0.15  # of a strike: its rebounds and its striker's own sounds lie nearer (as `timing.data.extras` has it)
NO_HIT = {"hit_id": None, "hit_s": None, "hit_se": None, "shared": 0, "confidence": None}
NAMES = tables.CONTRACTS["aligned"].schema.names
NO_NOTE = dict.fromkeys(("note_id", "pin_id", "bar", "beat_in_bar", "passage", "score_beat", "score_s"))


class Played(NamedTuple):
    """The notes that were played, in order of time; one entry each."""

    playthrough: np.ndarray
    segment: np.ndarray
    bar: np.ndarray
    score_s: np.ndarray
    hit_s: np.ndarray

    def only(self, mask: np.ndarray) -> "Played":
        """Return some of them."""
        return Played(*(column[mask] for column in self))


def played(table: pa.Table) -> Played:
    """Return what was played of a table of contract aligned."""
    columns = Played(*(tables.numbers(table[name]) for name in Played._fields))
    found = np.flatnonzero(has_status(table, "played"))
    return columns.only(found[np.argsort(columns.hit_s[found], kind="stable")])


def has_status(table: pa.Table, status: str) -> np.ndarray:
    """Return which rows have this status."""
    return np.array(table["status"].to_pylist(), object) == status


def onsets(notes: Played, round_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Return place (s of the arrangement) and time of each onset, that of its first strike, in order of place.

    Parameters
    ----------
    round_s : float
        What is added to the place with each playthrough.
    """
    place_s = notes.score_s + round_s * notes.playthrough
    order = np.lexsort((notes.hit_s, place_s))
    place_s, first = np.unique(place_s[order], return_index=True)
    return place_s, notes.hit_s[order][first]


def apart(table: pa.Table, is_hit, is_note) -> pa.Table:
    """Return the table with hits and notes taken from each other: the hits undecided, the notes outside.

    Parameters
    ----------
    table : table of contract aligned
    is_hit, is_note : callable
        Of a row as a dict: whether its hit, and whether its note, is set aside. Only notes that came by are.
    """
    made, freed = [], {}
    for row in table.to_pylist():
        if row["status"] == "extra" and is_hit(row):
            row = row | {"status": "undecided"}
        elif row["note_id"] is not None and row["status"] in ("played", "missed", "undecided"):
            hit = row["status"] == "played" and is_hit(row)
            if hit:
                freed[row["hit_id"]] = row | NO_NOTE | {"status": "undecided", "shared": 1, "confidence": None}
            if hit or is_note(row):
                row = row | NO_HIT | {"status": "outside" if is_note(row) else "undecided"}
        made.append(row)
    kept = {row["hit_id"] for row in made}
    return table_of([*made, *(row for hit_id, row in freed.items() if hit_id not in kept)])


def table_of(rows: list[dict]) -> pa.Table:
    """Make the table `aligned` of its rows."""
    return tables.build("aligned", {name: [row[name] for row in rows] for name in NAMES})
