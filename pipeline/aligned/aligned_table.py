"""Write a take as the table `aligned`: every note once per playthrough, every hit once."""

import numpy as np
import pyarrow as pa

from pipeline import tables
from pipeline.aligned.chords.told import Told
from pipeline.aligned.confidence import Matches
from pipeline.aligned.search.evidence import Evidence
from pipeline.aligned.search.onsets import Onsets
from pipeline.settings import Recording

HARDLY_HEARD = 0.5  # probability of a hit below which it may be none (by the meaning of a probability)
SHARED_RIGHT = 0.97  # share of the silent notes of an onset that did strike, with the one heard: 1 - `stage.P_MISS`
MOST_UNDECIDED = 0.5  # share of the hits; with more it is open, too, which notes the take came by (chosen)


def write(
    notes: pa.Table,
    strikers: list[str],
    onsets: Onsets,
    evidence: Evidence,
    matches: Matches,
    told: Told | None,
    mixed: np.ndarray,
    recording: Recording,
) -> pa.Table:
    """Return the table of contract aligned.

    Undecided hits and their notes are called so, apart from each other.

    Parameters
    ----------
    notes : table of contract notes
    strikers : list of str
        Names, in the order of the codes.
    told : Told or None
        What the sound tells of the strikes of chords.
    mixed : ndarray of bool, shape (n_strikers,)
        Strikers whose hits cannot be told from others': a note of theirs shares a hit of its onset.
    """
    n_notes, take, doubt = len(notes), matches.take, matches.undecided
    blocks = [_playthrough(p, onsets, evidence, matches, mixed, n_notes) for p in range(take.n_playthroughs)]
    hit, status, sure, segment = (np.concatenate(parts) for parts in zip(*blocks, strict=True))
    playthrough = np.repeat(np.arange(1, take.n_playthroughs + 1), n_notes)
    note_row = np.tile(np.arange(n_notes), take.n_playthroughs)
    own_s, own_se, right, silent = _by_sound(told, onsets, take.n_playthroughs, n_notes)
    silent &= status == "played"
    status[silent], hit[silent], sure[silent] = "missed", -1, np.nan
    undecided = (hit >= 0) & doubt[hit]
    status[undecided] = "undecided"
    if doubt.mean() > MOST_UNDECIDED:
        status[np.isin(status, ("outside", "missed"))] = "undecided"
    hit[undecided], sure[undecided] = -1, np.nan
    count = np.bincount(hit[hit >= 0], minlength=len(evidence))
    by_sound = (hit >= 0) & np.isfinite(own_s)
    # A note that is left of a chord still only shares its hit: the first of all struck it.
    shared = np.where(hit >= 0, np.where(by_sound, 1, count[hit]), 0)
    sure = np.where(by_sound, sure * right, sure)

    stray = np.flatnonzero(count == 0)
    # Of what fits no note and was hardly heard, nothing tells whether it was a strike at all.
    open_stray = doubt[stray] | (evidence.probability[stray] < HARDLY_HEARD)
    stray_playthrough, stray_segment = _where(stray, take, evidence)
    hit = np.concatenate((hit, stray))
    played = hit >= 0
    hit_s, hit_se = (
        column[hit] if len(evidence) else hit * 1.0 for column in (evidence.hit_s, np.sqrt(evidence.hit_var))
    )
    hit_s[: len(own_s)][by_sound], hit_se[: len(own_s)][by_sound] = own_s[by_sound], own_se[by_sound]
    columns = {
        "arrangement": tables.arrow([recording.arrangement] * len(hit)),
        "session": np.full(len(hit), recording.session),
        "setup": tables.arrow([recording.setup] * len(hit)),
        "playthrough": np.concatenate((playthrough, stray_playthrough)),
        "segment": np.concatenate((segment, stray_segment)),
        "status": tables.arrow([*status, *np.where(open_stray, "undecided", "extra")]),
        "hit_id": tables.arrow(evidence.hit_id[hit] if len(evidence) else hit, ~played),
        "hit_s": tables.arrow(hit_s, ~played),
        "hit_se": tables.arrow(hit_se, ~played),
        "shared": np.concatenate((shared, np.ones(len(stray), np.int64))),
        "confidence": np.concatenate((sure, np.full(len(stray), np.nan))),
    }
    of_note = tables.arrow(
        np.concatenate((note_row, np.zeros(len(stray), np.int64))), np.arange(len(hit)) >= len(note_row)
    )
    for name in ("note_id", "pin_id", "bar", "beat_in_bar", "passage", "score_beat", "score_s"):
        columns[name] = notes[name].combine_chunks().take(of_note)
    names = notes["striker"].to_pylist() * take.n_playthroughs
    names += [strikers[s] if s >= 0 else None for s in evidence.striker[stray]]
    columns["striker"] = tables.arrow(names)
    return tables.build("aligned", columns)


def _by_sound(told: Told | None, onsets: Onsets, n_playthroughs: int, n_notes: int):
    """Return `hit_s`, `hit_se`, `right` and `silent` of `Told` for each note of each playthrough in turn."""
    nothing = np.full(n_playthroughs * n_notes, np.nan)
    if told is None or not len(onsets):
        return nothing, nothing, nothing, np.zeros(len(nothing), bool)
    heard = onsets.note_member >= 0
    member = np.where(heard, onsets.first[onsets.note_onset] + onsets.note_member, 0)
    times = (np.where(heard, column[:, member], np.nan).ravel() for column in (told.hit_s, told.hit_se, told.right))
    return *times, (heard & told.silent[:, member]).ravel()


def missed_throughout(table: pa.Table, names: list[str]) -> pa.Table:
    """Call the unheard notes of `names` missed where their playthrough came by, outside elsewhere."""
    status = np.array(table["status"].to_pylist(), object)
    playthrough = tables.numbers(table["playthrough"])
    score_s = np.array(table["score_s"].to_pylist(), float)
    silent = np.isin(np.array(table["striker"].to_pylist(), object), names) & (status == "unheard")
    for number in np.unique(playthrough[silent]):
        came_by = score_s[(playthrough == number) & np.isin(status, ("played", "missed"))]
        mine = silent & (playthrough == number)
        reached = (score_s >= came_by.min(initial=np.inf)) & (score_s <= came_by.max(initial=-np.inf))
        status[mine & reached], status[mine & ~reached] = "missed", "outside"
    return tables.with_column(table, "status", status.tolist())


def _playthrough(p, onsets, evidence, matches, mixed, n_notes):
    """Return hit, status, confidence and segment of each note in playthrough p."""
    if not len(onsets):
        silent = np.full(n_notes, "unheard", object)
        return np.full(n_notes, -1), silent, np.full(n_notes, np.nan), np.ones(n_notes, int)
    take, confidence = matches.take, matches.confidence
    heard = onsets.note_member >= 0
    # A member's place among all members is first[onset] + its number within the onset.
    member = np.where(heard, onsets.first[onsets.note_onset] + onsets.note_member, 0)
    hit = np.where(heard, take.hit[p][member], -1)
    sure = np.where(hit >= 0, confidence[p][member], np.nan)
    # A silent note of a mixed microphone shares the first hit of its onset.
    nameless = (
        np.where(take.hit[p] >= 0, evidence.striker[take.hit[p]] == -1, False) if len(evidence) else take.hit[p] > 0
    )
    first_hit = np.full(len(onsets), len(evidence))
    onset_of_member = onsets.onset_of_member
    np.minimum.at(first_hit, onset_of_member[nameless], take.hit[p][nameless])
    lends = heard & (hit < 0) & mixed[onsets.note_striker]
    lends &= np.where(heard, first_hit[onsets.note_onset] < len(evidence), False)
    hit = np.where(lends, first_hit[onsets.note_onset], hit)
    if lends.any():
        by_hit = np.full(len(evidence), np.nan)
        by_hit[take.hit[p][take.hit[p] >= 0]] = confidence[p][take.hit[p] >= 0]
        sure = np.where(lends, SHARED_RIGHT * by_hit[hit], sure)
    status = np.where(hit >= 0, "played", np.where(take.reached[p][member], "missed", "outside")).astype(object)
    status[~heard] = "unheard"
    return hit, status, sure, take.segment[p][member]


def _where(stray, take, evidence):
    """Return playthrough and segment in which each stray hit fell."""
    p, k = np.nonzero(take.hit >= 0)
    if not len(p):
        return np.ones(len(stray), np.int64), np.ones(len(stray), np.int64)
    hit = take.hit[p, k]
    order = np.argsort(hit, kind="stable")
    place = np.maximum(np.searchsorted(hit[order], stray) - 1, 0)
    return p[order][place] + 1, take.segment[p, k][order][place]
