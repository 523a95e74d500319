"""Lead notes and hits of one recording through the search to the table `aligned`."""

import numpy as np
import pyarrow as pa

from pipeline import tables
from pipeline.aligned import evidence as weighing
from pipeline.aligned import onsets as gathering
from pipeline.aligned import refine as refining
from pipeline.aligned import rows
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
    paths, last, total = find(onsets, own, evidence, tracker(onsets, own, evidence))
    take = unroll(paths, last, onsets)
    take = refining.refine(take, onsets, evidence, P_MISS)
    confidence = np.where(take.hit >= 0, 0.95, np.nan)
    table = rows.write(notes, strikers, onsets, evidence, take, confidence, mixed, recording)
    null = float(np.sum(evidence.stray))
    said = {"score": (total - null) / len(evidence), "n_playthroughs": take.n_playthroughs}
    return table, said


def tracker(onsets, own, evidence) -> Tracker:
    """Return what the search expects before it has seen anything."""
    if own.any():
        return Tracker(0.012, 0.10, 1.0, 0.3, evidence.rate_hz, P_MISS)
    return Tracker(
        0.007, 0.04, 1.0, 0.15, evidence.rate_hz, P_MISS, beam=60.0, hits_ahead=8, onsets_ahead=6, jump_ahead=5
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
