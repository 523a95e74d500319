"""Lay the click under the score: when would each note have been due?

Clicks are counted through gaps (a click may go undetected) and laid on the score so that each segment of the take is
late by less than half a click on the median; which of the clicks is beat 1 no recording can tell.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.timing.data.takes import Take
from pipeline.timing.fitting.fit import Fit

FEWEST = 8  # clicks below which there is no ruler
EVEN = 0.02  # of the interval: a click that strays less from a straight row is a metronome's


@dataclass(frozen=True, eq=False)
class Click:
    """The click of one take.

    Parameters
    ----------
    due_s : np.ndarray, shape=(n_hits_of_the_take,)
        When each hit of the take was due by the click, the mean offset included.
    offset_s : float
        Mean lateness of the take against the click.
    clock_ppm : float
        How much too fast the recorder's clock runs, in millionths (NaN: the click's true tempo is not told). A fast
        clock counts more samples in a true second: what it records seems to last longer.
    """

    due_s: np.ndarray
    offset_s: float
    clock_ppm: float


def clicks_of(takes: list[Take], fitted: Fit) -> list[Click | None]:
    """Return the click of each take; None where it has none."""
    return [_click(take, fitted, number) for number, take in enumerate(takes)]


def _click(take, fitted, number):
    at = take.hits.to_pandas()
    click_s = np.sort(at.loc[at["kind"] == "click", "hit_s"].to_numpy())
    hits = fitted.hits[fitted.hits["take"] == number]
    if len(click_s) < FEWEST or len(hits) == 0:
        return None
    channel = next((one for one in take.rig.channels if "click" in one.hears), None) if take.rig else None
    count, interval_s = _counted(click_s)
    score = fitted.score
    score_beat = np.interp(hits["score_s"], score.bars["score_s"], score.bars["score_beat"])
    along_beat = score_beat + (hits["along_s"] - hits["score_s"]) * score.beat_per_s
    even = np.std(click_s - np.polyval(np.polyfit(count, click_s, 1), count)) < EVEN * interval_s
    if even:  # a metronome knows nothing of a written change of tempo
        along_beat = hits["u_beat"]
    per_beat = _per_beat(channel, interval_s, fitted, number)
    due_count = along_beat.to_numpy() * per_beat
    hit_s = hits["hit_s"].to_numpy()
    # Which click is the score's beginning: the one that leaves the take least late; after a stall or a restart, anew.
    ahead = pd.Series(_count_at(hit_s, count, click_s, interval_s) - due_count, index=hits.index)
    shift = np.round(ahead.groupby(hits["line"]).transform("median").to_numpy())
    due_s = _time_at(due_count + shift, count, click_s, interval_s)
    ppm = np.nan
    if channel is not None and channel.bpm:
        true_s = 60 / (channel.bpm * channel.per_beat)
        ppm = (np.polyfit(count, click_s, 1)[0] / true_s - 1) * 1e6
    offset_s = float(np.mean((hit_s - due_s)[~hits["freak"].to_numpy()]))
    return Click(due_s + offset_s, offset_s, float(ppm))


def _counted(click_s):
    """Number the clicks, missing ones counted."""
    interval_s = float(np.median(np.diff(click_s)))
    steps = np.diff(click_s) / interval_s
    count = np.concatenate([[0.0], np.cumsum(np.maximum(np.round(steps), 0))])
    keep = np.concatenate([[True], np.diff(count) > 0])
    return (
        (count, interval_s) if keep.all() else (np.maximum.accumulate(count + 1e-6 * np.arange(len(count))), interval_s)
    )


def _per_beat(channel, interval_s, fitted, number):
    """Return the clicks per nominal beat: as told, unless the take says plainly otherwise."""
    told = channel.per_beat if channel is not None else 1.0
    lines = fitted.hits.loc[fitted.hits["take"] == number, "line"].unique()
    beat_s = float(np.mean(fitted.line_pace[lines])) / fitted.score.beat_per_s
    seen = beat_s / interval_s
    if abs(seen / told - 1) < 0.25:
        return told
    return round(seen) if seen >= 1 else 1 / round(1 / seen)


def _count_at(time_s, count, click_s, interval_s):
    inside = np.interp(time_s, click_s, count)
    return inside + np.minimum(time_s - click_s[0], 0) / interval_s + np.maximum(time_s - click_s[-1], 0) / interval_s


def _time_at(at, count, click_s, interval_s):
    inside = np.interp(at, count, click_s)
    return inside + np.minimum(at - count[0], 0) * interval_s + np.maximum(at - count[-1], 0) * interval_s
