"""Read the barrel's angle from its turn marks and the crew's tempo from the click, before any note is matched."""

import numpy as np
import pyarrow as pa

from pipeline import tables
from pipeline.settings import Rig

SAME_MARK_S = 0.02  # no barrel and no click comes round so fast
CLICK_RATIO = 4.0  # of the written tempo, either way; beyond it the click does not count beats
MARK_RATIO = 1.8  # of the written pace, either way; beyond it a mark is no whole turn
DOUBLE_TURN = 0.4  # of the usual time for a turn: a mark that comes sooner is the same one twice
ODD_TURN = 0.3  # log of the pace against the usual beyond which a turn was no plain turn
WHOLE_TURN_ERROR = 0.12  # how near a long gap must lie to whole turns for marks to count as lost in it


def marks_s(hits: pa.Table, kind: str) -> np.ndarray:
    """Return the times of the marks (index) or clicks, in order; what comes within `SAME_MARK_S` is one."""
    wanted = np.array(hits["kind"].to_pylist(), object) == kind
    times_s = np.sort(tables.numbers(hits["hit_s"])[wanted])
    return times_s[np.diff(times_s, prepend=-np.inf) > SAME_MARK_S]


def turn_at(mark_s: np.ndarray, time_s: np.ndarray) -> np.ndarray | None:
    """Return the barrel's angle in turns at each time, 0 at the first mark; None with fewer than three marks.

    Straight between marks, and on at the pace of the nearest turn beyond both ends. A mark that comes twice is taken
    once; where one or more were lost (a gap of whole turns) they are put in. A turn much slower or faster than usual
    holds a stall or a barrel turned back by hand: it is passed at the usual pace, so that only its pause stands out.
    """
    if len(mark_s) < 3:
        return None
    usual_s = np.median(np.diff(mark_s))
    kept = [mark_s[0]]
    for one_s in mark_s[1:]:
        if one_s - kept[-1] >= DOUBLE_TURN * usual_s:
            kept.append(one_s)
    kept = np.array(kept)
    if len(kept) < 3:
        return None
    gap_s = np.diff(kept)
    gap = gap_s / np.median(gap_s)
    turns = np.where(np.abs(gap - np.round(gap)) < WHOLE_TURN_ERROR, np.maximum(np.round(gap), 1.0), 1.0)
    pace = turns / gap_s
    usual = np.median(pace)
    pace = np.where(np.abs(np.log(pace / usual)) > ODD_TURN, usual, pace)
    angle = np.concatenate(([0.0], np.cumsum(pace * gap_s)))
    before = np.minimum(time_s - kept[0], 0.0) * pace[0]
    after = np.maximum(time_s - kept[-1], 0.0) * pace[-1]
    return np.interp(time_s, kept, angle) + before + after


def click_beat_s(hits: pa.Table, rig: Rig | None) -> float | None:
    """Return the seconds of a quarter note by the click; None without one."""
    click_s = marks_s(hits, "click")
    if len(click_s) < 4:
        return None
    return float(np.median(np.diff(click_s))) * clicks_per_beat(rig)


def clicks_per_beat(rig: Rig | None) -> float:
    """Return how many clicks a quarter note has, by the rig."""
    for channel in rig.channels if rig else ():
        if channel.hears == ("click",):
            return channel.per_beat
    return 1.0


def click_offset_s(click_s: np.ndarray, per_beat: float, score_beat: np.ndarray, hit_s: np.ndarray) -> float | None:
    """Return the mean lateness of hits against the nearest click that their beat could mean; None without a click.

    Positive: the hits come after the click. The mean is taken round the circle of one click, so it lies within half
    a click; hits before the first and after the last click do not count.
    """
    within = (hit_s >= click_s[0]) & (hit_s <= click_s[-1]) if len(click_s) > 3 else np.zeros(len(hit_s), bool)
    if not within.any():
        return None
    count = np.interp(hit_s[within], click_s, np.arange(len(click_s)))
    off = 2j * np.pi * (count - score_beat[within] * per_beat)
    return float(np.angle(np.exp(off).mean()) / (2 * np.pi) * np.median(np.diff(click_s)))
