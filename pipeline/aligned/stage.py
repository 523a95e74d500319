"""Lead notes and hits of one recording through the search to the table `aligned`."""

import numpy as np
import pyarrow as pa

from pipeline import tables
from pipeline.aligned import confidence, rows
from pipeline.aligned import evidence as weighing
from pipeline.aligned import onsets as gathering
from pipeline.aligned import refine as refining
from pipeline.aligned.search import Paths, Tracker, likeliest_paths
from pipeline.aligned.take import unroll
from pipeline.settings import Machine, Recording, Rig

FEWEST_HITS = 5
P_MISS = 0.03


def align(
    notes: pa.Table, hits: pa.Table, recording: Recording, rig: Rig | None, machine: Machine
) -> tuple[pa.Table, dict]:
    """Match the hits of a recording to the notes of its arrangement.

    Parameters
    ----------
    notes, hits : tables of contracts notes and hits
    rig : Rig or None
        None for a list of hits that needs none.

    Returns
    -------
    aligned : table of contract aligned
        Without rows when refused.
    said : dict
        `score`, `n_playthroughs`, and `refused` (one sentence) when recording and arrangement do not belong together.
    """
    strikers = sorted({*(one.name for one in machine.strikers), *notes["striker"].to_pylist()})
    is_heard, mixed = weighing.heard(strikers, hits, rig)
    evidence = weighing.weigh(hits, strikers, rig, ("strike", "rebound"))
    onsets = gathering.gather(notes, strikers, is_heard)
    if len(evidence) < FEWEST_HITS or len(onsets) < 2:
        return tables.empty("aligned"), {"score": 0.0, "n_playthroughs": 0, "refused": "too few hits"}
    own = ~mixed[onsets.member_striker]
    expected = tracker(onsets, own, evidence, turnaround_s(notes))
    paths, last, total = find(onsets, own, evidence, expected)
    take = unroll(paths, last, onsets)
    take, sure = judge(take, paths, onsets, own, evidence, expected)
    table = rows.write(notes, strikers, onsets, evidence, take, sure, mixed, recording)
    null = float(np.sum(evidence.stray))
    said = {"score": (total - null) / len(evidence), "n_playthroughs": take.n_playthroughs}
    return table, said


def judge(take, paths, onsets, own, evidence, expected):
    """Return the take, refined and cleared of what nothing can decide, and how sure each match is."""
    back_score_s, back_first, order = confidence.backwards(onsets)
    mirrored = evidence.backwards()
    *cells, _, _ = likeliest_paths(
        back_score_s,
        back_first,
        onsets.member_striker[order],
        own[order],
        mirrored.hit_s,
        mirrored.hit_var,
        mirrored.by_striker,
        mirrored.stray,
        expected._replace(backwards=True),
    )
    candidates = confidence.elsewhere(paths, Paths(*cells), onsets, evidence, own, expected)
    onset_of_member = np.repeat(np.arange(len(onsets)), np.diff(onsets.first))

    def place(take):
        wanted = np.full(len(evidence), -1)
        p, k = np.nonzero(take.hit >= 0)
        wanted[take.hit[p, k]] = onset_of_member[k]
        return confidence.of_onsets(*candidates, wanted)

    before = place(take)
    refined = refining.refine(take, onsets, evidence, P_MISS)
    # A hit that refining moved or found has the place of the hits around it.
    after = np.maximum(place(refined), _smooth(before))
    due_s, scale_s, _ = refining.expected(refined, onsets, evidence)
    near = confidence.near(refined, due_s, 1.2 * scale_s, onsets, evidence, P_MISS)
    near = np.where(np.isnan(near), 0.8, near)
    sure = np.where(refined.hit >= 0, near * after[refined.hit], np.nan)
    return refined, sure


def _smooth(sure: np.ndarray) -> np.ndarray:
    """Return the running median of five, without the hits that matched nothing."""
    matched = np.flatnonzero(sure > 0)
    if not len(matched):
        return sure
    padded = np.pad(sure[matched], 2, mode="edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    return np.interp(np.arange(len(sure)), matched, middle)


def turnaround_s(notes: pa.Table) -> float:
    """Return the nominal time from the last onset to the first when the song goes round at its last bar line."""
    score_beat, score_s = notes["score_beat"].to_numpy(), notes["score_s"].to_numpy()
    bar, beat_in_bar = notes["bar"].to_numpy(), notes["beat_in_bar"].to_numpy()
    order = np.argsort(score_beat, kind="stable")
    step_beat, step_place = np.diff(score_beat[order]), np.diff(beat_in_bar[order])
    inside = (np.diff(bar[order]) == 0) & (step_place > 1e-6)
    unit_beat = np.median(step_beat[inside] / step_place[inside]) if inside.any() else 1.0
    bar_beat = score_beat - (beat_in_bar - 1) * unit_beat
    bars, first = np.unique(bar, return_index=True)
    long_beat = np.median(np.diff(bar_beat[first]) / np.diff(bars)) if len(bars) > 1 else 4 * unit_beat
    rest_beat = bar_beat[order[-1]] + long_beat - score_beat[order[-1]] + score_beat[order[0]]
    span_beat, span_s = np.ptp(score_beat), np.ptp(score_s)
    return max(float(rest_beat) * span_s / span_beat, 0.05) if span_beat > 0 else 1.0


def tracker(onsets, own, evidence, around_s) -> Tracker:
    """Return what the search expects before it has seen anything."""
    if own.any():
        return Tracker(0.012, 0.10, 1.0, 0.3, evidence.rate_hz, P_MISS, turnaround_s=around_s)
    return Tracker(
        0.007,
        0.04,
        1.0,
        0.15,
        evidence.rate_hz,
        P_MISS,
        turnaround_s=around_s,
        beam=60.0,
        hits_ahead=8,
        onsets_ahead=6,
        jump_ahead=5,
    )


def find(onsets, own, evidence, expected: Tracker) -> tuple[Paths, int, float]:
    *cells, last, total = likeliest_paths(
        onsets.score_s,
        onsets.first,
        onsets.member_striker,
        own,
        evidence.hit_s,
        evidence.hit_var,
        evidence.by_striker,
        evidence.stray,
        expected,
    )
    return Paths(*cells), last, total
