"""Hold the turn marks against the bars that the configuration gives a turn of the barrel.

In: times of turn marks, the played notes. Out: a sentence where they plainly disagree. Between two marks the score goes
on by as many beats as the barrel has on its way round, whatever the tempo.
"""

import numpy as np
import pyarrow as pa

from pipeline import tables

LEAST_TURNS = 3  # chosen: fewer may be a slip of the arm
# Chosen: share of a turn by which the middle one must differ, and within which most turns must agree with one another.
PLAINLY_OTHER, ALIKE = 0.05, 0.02
LEAST_ALIKE = 0.6  # share of the turns; chosen: a mark that was missed makes two turns one


def sentence(mark_s: np.ndarray, aligned: pa.Table, notes: pa.Table, bars_per_turn: float | None) -> str:
    """Say that the turn marks come at other distances than configured; '' where they do not, or nothing can tell.

    Parameters
    ----------
    mark_s : array
        Times of the marks, in order.
    aligned, notes : tables of contracts aligned and notes
    bars_per_turn : float or None
        None: not known.
    """
    if not bars_per_turn or len(mark_s) <= LEAST_TURNS or not len(aligned):
        return ""
    turn_bars = _beats_between(mark_s, aligned) / float(notes["bar_beats"][0].as_py())
    if len(turn_bars) < LEAST_TURNS:
        return ""
    middle = float(np.median(turn_bars))
    alike = np.mean(np.abs(turn_bars - middle) <= ALIKE * middle)
    if alike < LEAST_ALIKE or abs(middle / bars_per_turn - 1) <= PLAINLY_OTHER:
        return ""
    times = bars_per_turn / middle
    if round(times) > 1 and abs(times - round(times)) <= PLAINLY_OTHER:
        cure = f"is the barrel's turn {middle:.2f} bars, or are there {round(times)} marks on it? mend one of them"
    else:
        cure = "mend bars_per_turn, or name the channel of the turn mark"
    return f"turn marks: they come every {middle:.2f} bars, where bars_per_turn says {bars_per_turn:g}; {cure}"


def _beats_between(mark_s: np.ndarray, aligned: pa.Table) -> np.ndarray:
    """Return by how many beats the score goes on from mark to mark, within stretches without a stall or restart."""
    played = np.array(aligned["status"].to_pylist(), object) == "played"
    names = ("hit_s", "score_beat", "playthrough", "segment")
    hit_s, beat, playthrough, segment = (tables.numbers(aligned[name])[played] for name in names)
    stretch = playthrough * (len(aligned) + 1) + segment
    found = []
    for one in np.unique(stretch):
        mine = np.flatnonzero(stretch == one)
        mine = mine[np.argsort(hit_s[mine], kind="stable")]
        inside = mark_s[(mark_s >= hit_s[mine[0]]) & (mark_s <= hit_s[mine[-1]])]
        found.append(np.diff(np.interp(inside, hit_s[mine], beat[mine])))
    return np.concatenate(found) if found else np.zeros(0)
