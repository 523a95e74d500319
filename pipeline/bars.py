"""Lay out the bar lines of an arrangement, also of the bars in which nothing strikes."""

import numpy as np


def bar_lines(bar, bar_start_beat, bar_beats) -> tuple[np.ndarray, np.ndarray]:
    """Return the number of every bar and the place at which it begins; last, the end of the last bar.

    Bars without notes are laid evenly between their neighbours: right unless the time signature changes among them.

    Parameters
    ----------
    bar, bar_start_beat, bar_beats : (n_notes,) array_like
        Of the contract `notes`, in any order; at least one note.

    Returns
    -------
    number : (n_bars + 1,) array of int
        1, 2, …, and one more than the last bar's.
    beat : (n_bars + 1,) array
        Quarter notes from the start of the arrangement.
    """
    bar, start, end = np.asarray(bar), np.asarray(bar_start_beat), np.add(bar_start_beat, bar_beats)
    number = np.arange(1, bar.max() + 2)
    # Where a bar's end and the next one's start are both known they are the same line.
    known, first = np.unique(np.concatenate([[1], bar, bar + 1]), return_index=True)
    return number, np.interp(number, known, np.concatenate([[0.0], start, end])[first])
