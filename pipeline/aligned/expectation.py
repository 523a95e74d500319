"""Say what the search shall expect of a recording: its tempo from turn marks or click, its own time, its turnaround."""

from dataclasses import replace

import numpy as np
import pyarrow as pa

from pipeline import tables
from pipeline.aligned import clocks
from pipeline.aligned.search.evidence import Evidence
from pipeline.aligned.search.tracker import Tracker
from pipeline.settings import Rig

P_MISS = 0.03  # a note does not strike, or is not heard (chosen on simulated takes)
# Jitter (s), wander, relative standard deviation of the tempo: names bear with a rough take, without them only what is
# near counts, or anything would fit (chosen on simulated takes).
NAMED, NAMELESS = (0.012, 0.10, 0.3), (0.007, 0.04, 0.15)
NAMELESS_EFFORT = {"beam": 45.0, "hits_ahead": 8, "onsets_ahead": 6, "jump_ahead": 5}
CLOCKED_TEMPO_SD = 0.12  # relative, where turn marks or a click say the tempo (chosen)
LEAST_TURNAROUND_S = 0.05


def expect(
    notes: pa.Table, hits: pa.Table, evidence: Evidence, rig: Rig | None, named: bool
) -> tuple[Evidence, Tracker]:
    """Return the hits in the time that the search shall see, and what it shall expect.

    Parameters
    ----------
    notes, hits : tables of contracts notes and hits
    named : bool
        Whether some striker has a microphone (or a name) of its own.
    """
    jitter_s, wander, tempo_sd = NAMED if named else NAMELESS
    around_s = turnaround_s(notes)
    expected = Tracker(jitter_s, wander, 1.0, tempo_sd, evidence.rate_hz, P_MISS, turnaround_s=around_s)
    if not named:
        expected = expected._replace(**NAMELESS_EFFORT)
    turn, score_s = tables.numbers(notes["barrel_turn"]), tables.numbers(notes["score_s"])
    mark_s = clocks.marks_s(hits, "index")
    angle = clocks.turn_at(mark_s, evidence.hit_s) if np.ptp(turn) >= 1 and len(mark_s) < len(evidence) else None
    if angle is not None:
        # The marks carry the slow changes of tempo; what is left to follow happens within a turn. They count turns in
        # seconds of the usual turn, and say the tempo unless the barrel has several marks or another gearing than told.
        usual_s = float(np.median(np.diff(mark_s)))
        ratio = usual_s * np.ptp(turn) / np.ptp(score_s)
        seen = replace(evidence, hit_s=np.maximum.accumulate(angle * usual_s))
        if 1 / clocks.MARK_RATIO < ratio < clocks.MARK_RATIO:
            expected = expected._replace(tempo=float(ratio), tempo_sd=CLOCKED_TEMPO_SD)
        return seen, expected
    beat_s = clocks.click_beat_s(hits, rig)
    span_beat = np.ptp(tables.numbers(notes["score_beat"]))
    ratio = beat_s * span_beat / np.ptp(score_s) if beat_s is not None and np.ptp(score_s) > 0 else 0.0
    if 1 / clocks.CLICK_RATIO < ratio < clocks.CLICK_RATIO:
        return evidence, expected._replace(tempo=ratio, tempo_sd=CLOCKED_TEMPO_SD)
    return evidence, expected


def turnaround_s(notes: pa.Table) -> float:
    """Return the nominal time from the last onset to the first when the song goes round at its last bar line."""
    if len(notes) < 2:
        return 1.0
    score_beat, score_s = tables.numbers(notes["score_beat"]), tables.numbers(notes["score_s"])
    last = np.argmax(score_beat)
    end_beat = tables.numbers(notes["bar_start_beat"])[last] + tables.numbers(notes["bar_beats"])[last]
    rest_beat = end_beat - score_beat[last] + score_beat.min()
    span_beat, span_s = np.ptp(score_beat), np.ptp(score_s)
    return max(float(rest_beat * span_s / span_beat), LEAST_TURNAROUND_S) if span_beat > 0 else 1.0
