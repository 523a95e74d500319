"""Find where a take was not played from this version of the arrangement: it leaps, or plays what is not written.

In: the rows of `aligned`. Out: those rows with the notes and hits there set aside, and a new segment after a leap. A
barrel cannot leap: bars were inserted since, or the recording lost some seconds. Without a new segment the leap bends
the tempo, and pins of the bars around seem out of place. Where bars were deleted since, the take seems to stand while
strikes go on; those are no double ones.
"""

import numpy as np
import pyarrow as pa

from pipeline import tables
from pipeline.aligned import course
from pipeline.robust import SD_OF_MAD

# Chosen on simulated takes (tests/test_skips.py).
NEIGHBOURS = 8  # onsets on each side that say where the machine is
LEAST_S = 0.4  # what is gained; less may be a slip, or the crew
TIMES = 6.0  # standard deviations of what neighbours differ by elsewhere in the take
LEAST_SHARE = 0.2  # of the way between that is gained; less is another tempo
FEWEST_UNWRITTEN = 3  # strikes in a stall: more than a jolt makes
FITS_S = 0.08  # an onset that lies nearer to the course of one side belongs to it
CURE = "if the arrangement was edited since, give the edited one its own name and this take the older file"


def cut(table: pa.Table) -> tuple[pa.Table, list[str]]:
    """Return the table with the notes that a take leaps over outside of what was played, and what is said of it.

    Parameters
    ----------
    table : table of contract aligned

    Returns
    -------
    aligned : table of contract aligned
        A new segment begins after a leap. Hits between, which fit neither side, are undecided.
    lines : list of str
        A sentence for each leap, and for each stall with strikes in it that are not written; `pauses` leaves those
        open.
    """
    notes, lines = course.played(table), []
    extra_s = tables.numbers(table["hit_s"])[course.has_status(table, "extra")]
    for number in np.unique(notes.playthrough):
        mine = notes.only(notes.playthrough == number)
        for last_s, first_s, gained_s in find(*course.onsets(mine, 0.0)):
            ends = [mine.only(mine.score_s == at_s) for at_s in (last_s, first_s)]
            table = _without(table, number, *ends)
            lines.append(_leapt(*ends, gained_s))
    for k in _stalls(notes):
        from_s, to_s = notes.hit_s[k] + course.NEAR_S, notes.hit_s[k + 1] - course.NEAR_S
        n_more = int(((extra_s > from_s) & (extra_s < to_s)).sum())
        if n_more >= FEWEST_UNWRITTEN:
            lines.append(_unwritten(*notes.bar[k : k + 2], from_s, to_s, n_more))
    return table, lines


def find(place_s: np.ndarray, time_s: np.ndarray) -> list[tuple[float, float, float]]:
    """Return each leap: place of the last onset before it and of the first after it, and the time gained.

    Parameters
    ----------
    place_s, time_s : (n,) arrays
        Onsets in the order of the arrangement.
    """
    if len(place_s) < 4 * NEIGHBOURS:
        return []
    pace = np.median(np.diff(time_s) / np.diff(place_s))
    late_s = time_s - pace * place_s
    side = np.lib.stride_tricks.sliding_window_view(late_s, NEIGHBOURS)
    level_s = np.median(side, axis=1)
    step_s = level_s[NEIGHBOURS + 1 :] - level_s[: -NEIGHBOURS - 1]  # across the onset at NEIGHBOURS + k
    usual_s = SD_OF_MAD * np.median(np.abs(step_s - np.median(step_s)))
    leaps = []
    while len(step_s) and step_s.min() < -max(LEAST_S, TIMES * usual_s):
        k = int(step_s.argmin())
        middle = NEIGHBOURS + k
        last_s, first_s, gained_s = _seam(place_s, time_s, middle)
        if gained_s > max(LEAST_S, LEAST_SHARE * pace * (first_s - last_s)):
            leaps.append((last_s, first_s, gained_s))
        step_s[max(0, k - 2 * NEIGHBOURS) : k + 2 * NEIGHBOURS + 1] = 0.0
    return sorted(leaps)


def _seam(place_s, time_s, middle) -> tuple[float, float, float]:
    """Return the last onset that fits the course before, the first that fits the one after, and the time gained."""
    before = slice(max(0, middle - 2 * NEIGHBOURS), middle - NEIGHBOURS // 2)
    after = slice(middle + 1 + NEIGHBOURS // 2, middle + 1 + 2 * NEIGHBOURS)
    near = np.arange(before.start, min(after.stop, len(place_s)))
    lines = [_line(place_s[side], time_s[side]) for side in (before, after)]
    strays_s = [np.abs(time_s[near] - np.polyval(line, place_s[near])) for line in lines]
    first = near[(strays_s[1] < FITS_S) & (strays_s[1] < strays_s[0])]
    last = near[(strays_s[0] < FITS_S) & (strays_s[0] < strays_s[1])]
    last = last[last < (first.max() if len(first) else near[-1])]
    last = int(last.max()) if len(last) else middle - 1
    first = int(first[first > last].min()) if (first > last).any() else middle + 1
    at_s = (place_s[last] + place_s[first]) / 2
    return place_s[last], place_s[first], float(np.polyval(lines[0], at_s) - np.polyval(lines[1], at_s))


def _line(place_s, time_s):
    """Return a straight line that single stray onsets do not bend (Siegel 1982)."""
    slopes = (time_s[:, None] - time_s) / (place_s[:, None] - place_s + np.eye(len(place_s)))
    slopes[np.eye(len(place_s), dtype=bool)] = np.nan
    slope = np.median(np.nanmedian(slopes, axis=1))
    return np.array([slope, np.median(time_s - slope * place_s)])


def _without(table: pa.Table, playthrough: int, last: course.Played, first: course.Played) -> pa.Table:
    """Return the table without what lies between two onsets; a new segment begins with the second."""
    last_s, first_s = last.hit_s[0], first.hit_s[0]

    def between(row):
        if row["note_id"] is None:
            return last_s < row["hit_s"] < first_s
        return row["playthrough"] == playthrough and last.score_s[0] < row["score_s"] < first.score_s[0]

    def after(row):
        if row["note_id"] is None:
            return row["hit_s"] >= first_s
        return (row["playthrough"], row["score_s"]) >= (playthrough, first.score_s[0])

    table = course.apart(table, between, between)
    segments = [row["segment"] + after(row) for row in table.to_pylist()]
    return tables.with_column(table, "segment", segments)


def _stalls(notes: course.Played) -> list[int]:
    """Return the last strike before each stall within a playthrough."""
    same = np.diff(notes.playthrough) == 0
    return np.flatnonzero(same & (np.diff(notes.segment) > 0)).tolist()


def _leapt(last: course.Played, first: course.Played, gained_s: float) -> str:
    return (
        f"other version: between bar {last.bar[0]:.0f} and bar {first.bar[0]:.0f} ({last.hit_s[0]:.1f} to "
        f"{first.hit_s[0]:.1f} s) the take leaps {gained_s:.1f} s ahead; {CURE}; else the recording lost something "
        "there"
    )


def _unwritten(bar: float, next_bar: float, from_s: float, to_s: float, n: int) -> str:
    return (
        f"other version: between bar {bar:.0f} and bar {next_bar:.0f} ({from_s:.1f} to {to_s:.1f} s) are {n} strikes "
        f"that are not written; {CURE}; else the machine stood and somebody tried it"
    )
