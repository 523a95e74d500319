"""Lead notes and hits of one recording through the search to the table `aligned`."""

from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa

from pipeline import tables
from pipeline.aligned import aligned_table, clocks, confidence, recognise, segments, sound, swapped
from pipeline.aligned import refine as refining
from pipeline.aligned.playthroughs import Take, unroll, with_ends
from pipeline.aligned.rounds import find, find_best
from pipeline.aligned.search import evidence as weighing
from pipeline.aligned.search import onsets as gathering
from pipeline.aligned.search.evidence import Evidence
from pipeline.aligned.search.onsets import Onsets
from pipeline.aligned.search.path_search import Paths, likeliest_paths
from pipeline.aligned.search.tracker import Tracker
from pipeline.settings import Channel, Machine, Recording, Rig

FEWEST_HITS = 5
MUTE_NOTES = 8  # notes of a striker of which none was heard: its microphone or the striker is dead
P_MISS = 0.03
BACK_BEAM = 40.0  # nats; the way back only weighs what the way there has found


def align(
    notes: pa.Table, hits: pa.Table, recording: Recording, rig: Rig | None, machine: Machine
) -> tuple[pa.Table, dict]:
    """Match the hits of a recording to the notes of its arrangement.

    Parameters
    ----------
    notes, hits : tables of contracts notes and hits
    recording : Recording
        Its arrangement, session and set-up are written into every row.
    rig : Rig or None
        None for a list of hits that needs none.
    machine : Machine
        In the recording's set-up.

    Returns
    -------
    aligned : table of contract aligned
        Without rows when refused.
    said : dict
        `refused` ('' or one sentence), `score` (how clearly the recording belongs to the arrangement: positive if it
        does), `n_playthroughs`, `click_offset_s` (mean lateness against the click; None without one), `turnaround_s`
        (nominal time from the last onset to the first when the song goes round), `sounds_told_apart` (share of sure
        hits of a mixed microphone whose striker its sound tells; None where sound was not used).
    """
    first = _match(notes, hits, recording, rig, machine)
    rings, strikers, n_hits = _rings(first, notes, hits, recording, rig, machine)
    if not rings:
        return first.table, first.said
    for ring in rings:
        hits = swapped.renamed(hits, ring, strikers)
    again = _match(notes, hits, recording, rig, machine)
    if again.said["refused"] or again.explained - first.explained < swapped.LEAST_GAIN * n_hits:
        return first.table, first.said
    lines = [swapped.sentence(ring, strikers, rig) for ring in rings]
    return again.table, again.said | {"health": lines + again.said.get("health", [])}


@dataclass(frozen=True)
class _Match:
    """What one matching found; `explained` is how much likelier (nats) it makes the hits than strays."""

    table: pa.Table
    said: dict
    strikers: list[str]
    onsets: Onsets
    evidence: Evidence
    take: Take | None = None
    explained: float = 0.0


def _match(notes: pa.Table, hits: pa.Table, recording: Recording, rig: Rig | None, machine: Machine) -> _Match:
    """Match the hits by the names they carry."""
    is_clock = len(notes) > 0 and not tables.numbers(notes["pitch"]).any()
    named = hits["striker"].drop_null().to_pylist()
    strikers = sorted({*(one.name for one in machine.strikers), *notes["striker"].to_pylist(), *named})
    is_heard, mixed = weighing.heard_strikers(strikers, hits, rig)
    evidence = weighing.weigh(hits, strikers, rig, ("strike", "rebound"))
    if is_clock and len(evidence) == 0:
        # A clock arm that strikes once a turn may be wired as the turn mark itself.
        evidence = weighing.weigh(hits, strikers, rig, ("index",)).of_one(strikers.index(notes["striker"][0].as_py()))
        is_heard[:], mixed[:] = True, False
    mute = _mute(strikers, notes, evidence, is_heard & ~mixed, rig)
    onsets = gathering.gather(notes, strikers, is_heard & ~mute)
    around_s = turnaround_s(notes)
    said = {"refused": "", "score": 0.0, "n_playthroughs": 0}
    said |= {"click_offset_s": None, "turnaround_s": around_s, "sounds_told_apart": None}
    if fault := _too_little(onsets, evidence):
        return _Match(tables.empty("aligned"), said | {"refused": fault}, strikers, onsets, evidence)
    own = ~mixed[onsets.member_striker]
    seen, expected = _expectation(notes, hits, onsets, own, evidence, rig, around_s)
    expected = expected._replace(from_top=is_clock)
    paths, last, total, expected = find_best(onsets, own, seen, expected)
    take = unroll(paths, last, onsets, around_s)
    said["score"] = recognise.score(take, paths, onsets, own, seen, expected, total)
    said["n_playthroughs"] = take.n_playthroughs
    explained = float(total - evidence.stray.sum())
    if said["score"] < 0:
        refused = said | {"refused": recognise.sentence(take, evidence)}
        return _Match(tables.empty("aligned"), refused, strikers, onsets, evidence, take, explained)
    take, sure, doubt = judge(take, paths, onsets, own, evidence, seen, expected)
    if (learnt := sound.listen(take, sure, onsets, evidence)) is not None:
        evidence, said["sounds_told_apart"] = learnt
        seen = replace(seen, by_striker=evidence.by_striker)
        paths, last, _ = find(onsets, own, seen, expected)
        take, sure, doubt = judge(unroll(paths, last, onsets, around_s), paths, onsets, own, evidence, seen, expected)
        said["n_playthroughs"] = take.n_playthroughs
    table = aligned_table.write(notes, strikers, onsets, evidence, take, sure, doubt, mixed, recording)
    if mute.any():
        table = aligned_table.missed_throughout(table, [name for name, one in zip(strikers, mute, strict=True) if one])
        rated = zip(table["striker"].to_pylist(), table["status"].to_pylist(), strict=True)
        lost = sorted({striker for striker, status in rated if status == "missed"} - set(named))
        said["health"] = [
            f"dead: nothing was heard of {name} though it has a microphone; look at its cable and clip, then at it"
            for name in lost
        ]
    said["click_offset_s"] = _click_offset_s(table, hits, rig)
    return _Match(table, said, strikers, onsets, evidence, take, explained)


def _rings(first: _Match, notes, hits, recording, rig, machine) -> tuple[list, list[str], int]:
    """Return the rings of channels that seem exchanged, the strikers' names, and how many hits those channels have."""
    guide = first
    hears = swapped.channels_of_one(rig, first.strikers)
    if len(hears) > 1 and first.said["refused"] and first.take is not None:
        # Where most names are wrong only the rhythm can tell which notes were struck.
        everything = Rig(rig.name, (Channel(1, ("everything",)),))
        guide = _match(notes, _nameless(hits), recording, everything, machine)
        hears = swapped.channels_of_one(rig, guide.strikers)
    if len(hears) < 2 or guide.take is None or guide.said["refused"]:
        return [], first.strikers, 0
    channel = tables.numbers(hits["channel"])[guide.evidence.row]
    rings = swapped.rings(guide.take, guide.onsets, guide.evidence, channel, hears)
    return rings, guide.strikers, int(np.isin(channel, [one.channel for ring in rings for one in ring]).sum())


def _nameless(hits: pa.Table) -> pa.Table:
    """Return the hits as one microphone would hear them: without names, on channel 1."""
    names = hits.set_column(hits.column_names.index("striker"), "striker", tables.arrow([None] * len(hits)))
    return names.set_column(names.column_names.index("channel"), "channel", tables.arrow(np.ones(len(hits), np.int64)))


def _mute(strikers: list[str], notes, evidence: Evidence, own: np.ndarray, rig: Rig | None) -> np.ndarray:
    """Return which strikers have a microphone and many notes and were heard not once.

    The search goes without them, as many silent notes would drive it elsewhere in the song; they are missed even so.
    """
    written = notes["striker"].to_pylist()
    many = np.array([rig is not None and written.count(name) >= MUTE_NOTES for name in strikers])
    return own & many & ~np.isin(np.arange(len(strikers)), evidence.striker)


def judge(
    take: Take,
    paths: Paths,
    onsets: Onsets,
    own: np.ndarray,
    evidence: Evidence,
    seen: Evidence,
    expected: Tracker,
) -> tuple[Take, np.ndarray, np.ndarray]:
    """Return the take, refined, how sure each match is, and the hits whose place nothing can decide.

    Parameters
    ----------
    evidence, seen : Evidence
        The hits in the recording's time, and in the time the search saw (by the turn marks, if there are any).

    Returns
    -------
    take : Take
    sure : ndarray, shape (n_playthroughs, n_members)
    doubt : ndarray of bool, shape (n_hits,)
    """
    mirrored, order = onsets.backwards()
    back = expected._replace(backwards=True, from_top=False, beam=min(expected.beam, BACK_BEAM))
    backward, _, _ = likeliest_paths(mirrored.song(own[order]), seen.backwards().all(), back)
    candidates = confidence.elsewhere(paths, backward, onsets, evidence, own, expected)
    before = confidence.of_onsets(*candidates, take.onset_of_hit(onsets, len(evidence)))
    around = confidence.around(before)
    if expected.from_top:
        # Every strike of a clock test is like every other; counting from the first is what it means.
        around = np.ones_like(around)
    take = refining.refine(segments.mark(take, onsets, evidence), onsets, evidence, P_MISS)
    take = with_ends(segments.mark(take, onsets, evidence), onsets, evidence)
    # A hit that refining moved or found is as well placed as the hits around it.
    after = confidence.of_onsets(*candidates, take.onset_of_hit(onsets, len(evidence)))
    place = np.maximum(after, around)
    due_s, scale_s, _ = refining.expected(take, onsets, evidence)
    near = confidence.near(take, due_s, 1.2 * scale_s, onsets, evidence, P_MISS)
    near = np.where(np.isnan(near), confidence.ALONE, near)
    sure = np.where(take.hit >= 0, near * place[take.hit], np.nan)
    return take, sure, around < confidence.DECIDED


def turnaround_s(notes: pa.Table) -> float:
    """Return the nominal time from the last onset to the first when the song goes round at its last bar line."""
    if len(notes) < 2:
        return 1.0
    score_beat, score_s = tables.numbers(notes["score_beat"]), tables.numbers(notes["score_s"])
    last = np.argmax(score_beat)
    end_beat = tables.numbers(notes["bar_start_beat"])[last] + tables.numbers(notes["bar_beats"])[last]
    rest_beat = end_beat - score_beat[last] + score_beat.min()
    span_beat, span_s = np.ptp(score_beat), np.ptp(score_s)
    return max(float(rest_beat * span_s / span_beat), 0.05) if span_beat > 0 else 1.0


def _expectation(notes, hits, onsets, own, evidence, rig, around_s) -> tuple[Evidence, Tracker]:
    """Return the hits in the time that the search shall see, and what it expects."""
    if own.any():
        expected = Tracker(0.012, 0.10, 1.0, 0.3, evidence.rate_hz, P_MISS, turnaround_s=around_s)
    else:
        expected = Tracker(0.007, 0.04, 1.0, 0.15, evidence.rate_hz, P_MISS, turnaround_s=around_s)
        expected = expected._replace(beam=45.0, hits_ahead=8, onsets_ahead=6, jump_ahead=5)
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
            expected = expected._replace(tempo=float(ratio), tempo_sd=0.12)
        return seen, expected
    beat_s = clocks.click_beat_s(hits, rig)
    span_beat = np.ptp(tables.numbers(notes["score_beat"]))
    ratio = beat_s * span_beat / np.ptp(score_s) if beat_s is not None and np.ptp(score_s) > 0 else 0.0
    if 1 / clocks.CLICK_RATIO < ratio < clocks.CLICK_RATIO:
        return evidence, expected._replace(tempo=ratio, tempo_sd=0.12)
    return evidence, expected


def _too_little(onsets: Onsets, evidence: Evidence) -> str:
    """Return why nothing can be matched at all, '' if something can."""
    if len(evidence) == 0:
        return "silence: no hit was found; check that the machine was recorded and its channel is named in the rig"
    if len(onsets) == 0:
        return (
            "no microphone of the rig hears a striker of the arrangement; check `hears` of the rig against the strikers"
        )
    if len(evidence) < FEWEST_HITS:
        return (
            f"too few hits: found {len(evidence)}, expected at least {FEWEST_HITS}; check level and sensitivity, or "
            "record a longer take"
        )
    if len(onsets) < 2:
        return "the arrangement has only one heard onset; expected at least two; check the arrangement"
    return ""


def _click_offset_s(table: pa.Table, hits: pa.Table, rig: Rig | None) -> float | None:
    played = np.array(table["status"].to_pylist(), object) == "played"
    score_beat = tables.numbers(table["score_beat"])[played]
    hit_s = tables.numbers(table["hit_s"])[played]
    per_beat = clocks.clicks_per_beat(rig)
    return clocks.click_offset_s(clocks.marks_s(hits, "click"), per_beat, score_beat, hit_s)
