"""Lead notes and hits of one recording through the search to the table `aligned`."""

from collections import Counter
from dataclasses import asdict, dataclass, replace

import numpy as np
import pyarrow as pa

from pipeline import tables
from pipeline.aligned import (
    aligned_table,
    by_hand,
    clocks,
    confidence,
    pauses,
    recognise,
    run_down,
    skips,
    sound,
    swapped,
    turn_marks,
)
from pipeline.aligned.chords.told import Told
from pipeline.aligned.expectation import expect, turnaround_s
from pipeline.aligned.playthroughs import Take, unroll
from pipeline.aligned.rounds import find_best
from pipeline.aligned.search import evidence as weighing
from pipeline.aligned.search import onsets as gathering
from pipeline.aligned.search.evidence import Evidence
from pipeline.aligned.search.onsets import Onsets
from pipeline.aligned.search.reading import find
from pipeline.errors import InputError
from pipeline.settings import Channel, Machine, Recording, Rig, is_list

LEAST_HITS = 5  # fewer fit any song (chosen)
MUTE_NOTES = (
    8  # notes of a striker of which none was heard: its microphone or the striker is dead (chance: P_MISS ** 8)
)


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
        hits of a mixed microphone whose striker its sound tells; None where sound was not used), `by_hand` (how many
        hits each correction by hand took), `run_down` (only where people let the machine go at the end).
    """
    if not recording.edits:
        found = _align(_Case(notes, hits, recording, rig, machine))
    else:
        found = _align(_Case(notes, by_hand.left(hits, recording), recording, rig, machine))
        found = by_hand.corrected(*found, hits, recording)
    return _without_what_does_not_count(*found)


def _without_what_does_not_count(table: pa.Table, said: dict) -> tuple[pa.Table, dict]:
    """Return both without what is no playing of these notes, and with a sentence in `health` for each such part."""
    table, lines = skips.cut(table)
    table, found = run_down.cut(table, said["turnaround_s"])
    if found is not None:
        said, lines = said | {"run_down": asdict(found)}, [*lines, run_down.sentence(found)]
    if lines:
        said = said | {"health": [*said.get("health", []), *lines]}
    return pauses.cut(table), said


@dataclass(frozen=True)
class _Case:
    """What `align` is given."""

    notes: pa.Table
    hits: pa.Table
    recording: Recording
    rig: Rig | None
    machine: Machine

    @property
    def is_clock(self) -> bool:
        """Whether the notes are those of a clock test: none has a pitch."""
        return len(self.notes) > 0 and not tables.numbers(self.notes["pitch"]).any()


def _align(case: _Case) -> tuple[pa.Table, dict]:
    """Match the hits, and again with the channels that seem exchanged under each other's names."""
    hits, rig = case.hits, case.rig
    first = _match(case)
    if rig is None:
        return _with_names_exchanged(first, case)
    rings, strikers, n_hits = _rings(first, case)
    if not rings:
        return first.table, first.said
    for ring in rings:
        hits = swapped.renamed(hits, ring, strikers)
    again = _match(replace(case, hits=hits))
    if again.said["refused"] or again.explained - first.explained < swapped.LEAST_GAIN * n_hits:
        return first.table, first.said
    lines = [swapped.sentence(ring, strikers, rig) for ring in rings]
    return again.table, again.said | {"health": lines + again.said.get("health", [])}


def _with_names_exchanged(first: "_Match", case: _Case) -> tuple[pa.Table, dict]:
    """Return the match of a list, and matched again where it calls strikers by each other's names.

    Most of their notes are found in spite of the names; the others would be called missed.
    """
    counts = _called(first.table, case.hits)
    rings = swapped.rings_of_names(counts)
    if not rings:
        return first.table, first.said
    to = {name: striker for ring in rings for striker, name in ring.items()}
    names = case.hits["striker"].to_pylist()
    hits = tables.with_column(case.hits, "striker", [to.get(name, name) for name in names])
    again = _match(replace(case, hits=hits))
    n_hits = sum(name in to for name in names)
    if again.said["refused"] or again.explained - first.explained < swapped.LEAST_GAIN * n_hits:
        return first.table, first.said
    lines = [swapped.sentence_of_names(ring, counts) for ring in rings]
    return again.table, again.said | {"health": lines + again.said.get("health", [])}


@dataclass(frozen=True)
class _Heard:
    """The notes and hits of a case, ready for the search. `mixed` and `mute` have one entry a striker."""

    strikers: list[str]
    onsets: Onsets
    evidence: Evidence
    mixed: np.ndarray
    mute: np.ndarray

    @property
    def own(self) -> np.ndarray:
        """Whether each member has a microphone (or a name) of its own."""
        return ~self.mixed[self.onsets.member_striker]


@dataclass(frozen=True)
class _Match:
    """What one matching found; `explained` is how much likelier (nats) it makes the hits than strays."""

    table: pa.Table
    said: dict
    heard: _Heard
    take: Take | None = None
    explained: float = 0.0


def _match(case: _Case) -> _Match:
    """Match the hits by the names they carry."""
    heard = _hear(case)
    said = {"refused": "", "score": 0.0, "n_playthroughs": 0, "click_offset_s": None}
    said |= {"turnaround_s": turnaround_s(case.notes), "sounds_told_apart": None}
    if fault := _too_little(heard.onsets, heard.evidence):
        return _Match(tables.empty("aligned"), said | {"refused": fault}, heard)
    onsets, own, evidence = heard.onsets, heard.own, heard.evidence
    seen, expected = expect(case.notes, case.hits, evidence, case.rig, bool(own.any()))
    reading = find_best(onsets, own, seen, expected._replace(from_top=case.is_clock))
    take = unroll(reading, onsets)
    said |= {"score": recognise.score(take, reading, onsets, own, seen), "n_playthroughs": take.n_playthroughs}
    explained = float(reading.total - evidence.stray.sum())
    if said["score"] < 0:
        refused = said | {"refused": recognise.sentence(take, evidence)}
        return _Match(tables.empty("aligned"), refused, heard, take, explained)
    matches = confidence.judge(take, reading, onsets, own, evidence, seen)
    if (learnt := sound.learn(matches, onsets, evidence)) is not None:
        evidence, told_apart = learnt
        seen = replace(seen, by_striker=evidence.by_striker)
        reading = find(onsets, own, seen, reading.expected)
        take = unroll(reading, onsets)
        matches = confidence.judge(take, reading, onsets, own, evidence, seen)
        said |= {"sounds_told_apart": told_apart, "n_playthroughs": take.n_playthroughs}
    heard = replace(heard, evidence=evidence)
    try:
        told = _told(case, heard, matches)
    except InputError as error:
        told, said["health"] = (
            None,
            [f"chords: strikes written together are not told apart by sound: {error.faults[0]}"],
        )
    table = aligned_table.write(
        case.notes, heard.strikers, onsets, evidence, matches, told, heard.mixed, case.recording
    )
    if heard.mute.any():
        table, lines = _with_mute(table, heard, case.hits)
        said["health"] = said.get("health", []) + lines
    if case.rig is None:
        said["health"] = said.get("health", []) + _not_listed(table, case.hits) + _misnamed(table, case.hits)
    bars_per_turn = None if case.is_clock else case.machine.barrel.bars_per_turn
    if line := turn_marks.sentence(clocks.marks_s(case.hits, "index"), table, case.notes, bars_per_turn):
        said["health"] = [*said.get("health", []), line]
    said["click_offset_s"] = _click_offset_s(table, case.hits, case.rig)
    return _Match(table, said, heard, matches.take, explained)


def _hear(case: _Case) -> _Heard:
    """Weigh the hits, and gather the notes of the strikers that are heard."""
    named = case.hits["striker"].drop_null().to_pylist()
    names = {*(one.name for one in case.machine.strikers), *case.notes["striker"].to_pylist(), *named}
    strikers = sorted(names)
    is_heard, mixed = weighing.heard_strikers(strikers, case.hits, case.rig)
    evidence = by_hand.with_gaps(weighing.weigh(case.hits, strikers, case.rig, ("strike", "rebound")), case.recording)
    if case.is_clock and len(evidence) == 0:
        # A clock arm that strikes once a turn may be wired as the turn mark itself.
        arm = strikers.index(case.notes["striker"][0].as_py())
        evidence = weighing.weigh(case.hits, strikers, case.rig, ("index",)).of_one(arm)
        is_heard[:], mixed[:] = True, False
    mute = _mute(strikers, case.notes, evidence, is_heard & ~mixed, case.rig)
    return _Heard(strikers, gathering.gather(case.notes, strikers, is_heard & ~mute), evidence, mixed, mute)


def _told(case: _Case, heard: _Heard, matches: confidence.Matches) -> Told | None:
    """Return what the sound of the mixed microphones tells of each strike; None where there is none.

    A striker that several of them hear is told by the first that tells it.

    Raises
    ------
    InputError
        The recording is no longer there, or cannot be read.
    """
    if case.rig is None or case.is_clock or not len(heard.evidence) or is_list(case.recording.file):
        return None
    told = None
    for channel in case.rig.channels:
        hears = heard.strikers if channel.hears == ("everything",) else channel.hears
        mask = np.array([name in hears for name in heard.strikers])
        if mask.sum() < 2 or not (mask & heard.mixed).any():
            continue
        from pipeline.aligned.chords import telling, windows  # few jobs need it, and all would pay for its start

        of_channel = windows.sound_of(case.recording, channel)
        more = telling.tell_apart(matches, heard.onsets, heard.evidence, of_channel, mask, heard.own)
        told = more if told is None else told.or_else(more)
    return told


def _with_mute(table: pa.Table, heard: _Heard, hits: pa.Table) -> tuple[pa.Table, list[str]]:
    """Return the table with the notes of mute strikers missed, and a sentence for each of these strikers."""
    mute = [name for name, one in zip(heard.strikers, heard.mute, strict=True) if one]
    table = aligned_table.missed_throughout(table, mute)
    rated = zip(table["striker"].to_pylist(), table["status"].to_pylist(), strict=True)
    named = hits["striker"].drop_null().to_pylist()
    lost = sorted({striker for striker, status in rated if status == "missed"} - set(named))
    return table, [
        f"dead: nothing was heard of {name} though it has a microphone; look at its cable and clip, then at it"
        for name in lost
    ]


def _not_listed(table: pa.Table, hits: pa.Table) -> list[str]:
    """Return a sentence for each striker with many notes that came by and no hit in a list of named hits.

    The list does not say whether it was listened to: its notes are unheard, and nobody would see it from the counts.
    """
    named = set(hits["striker"].drop_null().to_pylist())
    silent = sorted({*table["striker"].drop_null().to_pylist()} - named) if named else []
    came_by = aligned_table.missed_throughout(table, silent)
    rated = list(zip(came_by["striker"].to_pylist(), came_by["status"].to_pylist(), strict=True))
    return [
        f"unlisted: no hit of {name} in the list, of {n} notes: counted as not heard, not as missed; if it was "
        "listened to, it never struck: look at it"
        for name in silent
        if (n := rated.count((name, "missed"))) >= MUTE_NOTES
    ]


def _misnamed(table: pa.Table, hits: pa.Table) -> list[str]:
    """Return a sentence for each striker most of whose notes were matched to hits that a list calls another's."""
    return [
        f"names: {n} of {total} notes of {striker} are hits that the list calls {name}; mend the names in "
        "the list, or look whether the machine plays them on the wrong striker"
        for striker, (name, n, total) in _called(table, hits).items()
    ]


def _called(table: pa.Table, hits: pa.Table) -> dict[str, tuple[str, int, int]]:
    """Return, of each such striker, the name, how many of its notes are called so, and how many notes there are."""
    called = dict(zip(tables.numbers(hits["hit_id"]).tolist(), hits["striker"].to_pylist(), strict=True))
    rows = zip(*(table[name].to_pylist() for name in ("striker", "status", "hit_id")), strict=True)
    played = [(striker, called.get(hit)) for striker, status, hit in rows if status == "played"]
    found = {}
    for striker in sorted({striker for striker, _ in played}):
        names = [name for mine, name in played if mine == striker]
        name, n = Counter(names).most_common(1)[0]
        if name not in (None, striker) and n >= MUTE_NOTES and 2 * n > len(names):
            found[striker] = (name, n, len(names))
    return found


def _rings(first: _Match, case: _Case) -> tuple[list, list[str], int]:
    """Return the rings of channels that seem exchanged, the strikers' names, and how many hits those channels have."""
    guide = first
    hears = swapped.channels_of_one(case.rig, first.heard.strikers)
    if len(hears) > 1 and first.said["refused"] and first.take is not None:
        # Where most names are wrong only the rhythm can tell which notes were struck.
        everything = Rig(case.rig.name, (Channel(1, ("everything",)),))
        guide = _match(replace(case, hits=_nameless(case.hits), rig=everything))
        hears = swapped.channels_of_one(case.rig, guide.heard.strikers)
    if len(hears) < 2 or guide.take is None or guide.said["refused"]:
        return [], first.heard.strikers, 0
    evidence = guide.heard.evidence
    channel = tables.numbers(case.hits["channel"])[evidence.row]
    rings = swapped.rings(guide.take, guide.heard.onsets, evidence, channel, hears)
    n_hits = np.isin(channel, [one.channel for ring in rings for one in ring]).sum()
    return rings, guide.heard.strikers, int(n_hits)


def _nameless(hits: pa.Table) -> pa.Table:
    """Return the hits as one microphone would hear them: without names, on channel 1."""
    nameless = tables.with_column(hits, "striker", [None] * len(hits))
    return tables.with_column(nameless, "channel", np.ones(len(hits), np.int64))


def _mute(strikers: list[str], notes, evidence: Evidence, own: np.ndarray, rig: Rig | None) -> np.ndarray:
    """Return which strikers have a microphone and many notes and were heard not once.

    The search goes without them, as many silent notes would drive it elsewhere in the song; they are missed even so.
    """
    written = notes["striker"].to_pylist()
    many = np.array([rig is not None and written.count(name) >= MUTE_NOTES for name in strikers])
    return own & many & ~np.isin(np.arange(len(strikers)), evidence.striker)


def _too_little(onsets: Onsets, evidence: Evidence) -> str:
    """Return why nothing can be matched at all, '' if something can."""
    if len(evidence) == 0:
        return "silence: no hit was found; check that the machine was recorded and its channel is named in the rig"
    if len(onsets) == 0:
        return (
            "no microphone of the rig hears a striker of the arrangement; check `hears` of the rig against the strikers"
        )
    if len(evidence) < LEAST_HITS:
        return (
            f"too few hits: found {len(evidence)}, expected at least {LEAST_HITS}; check level and sensitivity, or "
            "record a longer take"
        )
    if len(onsets) < 2:
        return "the arrangement has only one heard onset; expected at least two; check the arrangement"
    return ""


def _click_offset_s(table: pa.Table, hits: pa.Table, rig: Rig | None) -> float | None:
    """Return the mean lateness of the played notes against the click; None without one."""
    played = np.array(table["status"].to_pylist(), object) == "played"
    score_beat = tables.numbers(table["score_beat"])[played]
    hit_s = tables.numbers(table["hit_s"])[played]
    per_beat = clocks.clicks_per_beat(rig)
    return clocks.click_offset_s(clocks.marks_s(hits, "click"), per_beat, score_beat, hit_s)
