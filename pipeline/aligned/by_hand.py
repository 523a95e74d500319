"""Apply a recording's corrections by hand: hits that do not count, notes that nobody could hear, a hit's own note.

What is ignored or no strike is taken out before the search; after it the table is corrected. The rest stays as found.
"""

from dataclasses import replace

import numpy as np
import pyarrow as pa

from pipeline.aligned import course
from pipeline.aligned.search.evidence import Evidence
from pipeline.settings import EXTRA, IGNORE, NOTE, Edit, Recording

# s; a note due so near an ignored stretch may have been struck in it. Chosen: strikes are seldom so early or late, and
# a note called undecided that was missed does less harm than one called missed that was not heard.
MARGIN_S = 0.05
FURTHEST_S = 1.0  # a hit so far from where its note is due is another's: a slip in the list (chosen)
PACE_ONSETS = 12  # that say the tempo before the first and after the last of them (chosen)
STRIKES = ("strike", "rebound")  # kinds of hits that may be notes


def left(hits: pa.Table, recording: Recording) -> pa.Table:
    """Return the hits that may be matched: without those of ignored stretches, and without strikes that are extras."""
    extra = [edit for edit in recording.edits if edit.action == EXTRA]
    out = [
        recording.ignores(hit_s) or (kind in STRIKES and any(edit.holds(hit_s) for edit in extra))
        for hit_s, kind in zip(hits["hit_s"].to_pylist(), hits["kind"].to_pylist(), strict=True)
    ]
    return hits.filter(pa.array([not one for one in out], pa.bool_())) if any(out) else hits


def with_gaps(evidence: Evidence, recording: Recording) -> Evidence:
    """Return the hits with how many ignored stretches lie before each."""
    ends_s = sorted(edit.to_s for edit in recording.edits if edit.action == IGNORE)
    return replace(evidence, gaps=np.searchsorted(ends_s, evidence.hit_s, side="right"))


def corrected(table: pa.Table, said: dict, hits: pa.Table, recording: Recording) -> tuple[pa.Table, dict]:
    """Return the table and what was said of it, corrected by hand.

    Parameters
    ----------
    table : table of contract aligned
        Found with the hits that were `left`.
    said : dict
    hits : table of contract hits
        All hits of the recording.

    Returns
    -------
    aligned : table of contract aligned
        Notes due in an ignored stretch are undecided where they would be missed; hits that are no strikes are extras;
        a hit has the note that it was given, the note that had it before is missed, and a hit that the note had before
        is an extra.
    said : dict
        With `by_hand`, how many strikes each correction took, and a fault in `health` for each that could not be done.
    """
    struck = [hit for hit in hits.to_pylist() if hit["kind"] in STRIKES]
    strikes = {edit: [hit for hit in struck if edit.holds(hit["hit_s"])] for edit in recording.edits}
    taken = {edit: len(of_one) for edit, of_one in strikes.items()}
    if said["refused"]:
        more = f"; {sum(taken.values())} hits are left out by hand" if any(taken.values()) else ""
        return table, said | {"refused": said["refused"] + more, "by_hand": list(taken.values())}
    rows, faults = table.to_pylist(), []
    due_s = _due_s(rows)
    for edit, of_one in strikes.items():
        if edit.action == IGNORE:
            _ignore(edit, rows, due_s)
        elif edit.action == EXTRA:
            rows += [_extra(hit, rows, recording) for hit in of_one]
    given, placed = set(), {row["hit_id"] for row in rows}
    for edit in (edit for edit in strikes if edit.action == NOTE):
        fault = _give(edit, strikes[edit], rows, due_s, given)
        taken[edit] = 0 if fault else 1
        faults += [fault] if fault else []
    freed = placed - {row["hit_id"] for row in rows}
    rows += [_extra(hit, rows, recording) for hit in struck if hit["hit_id"] in freed]
    more = {"health": said.get("health", []) + faults, "by_hand": list(taken.values())}
    return course.table_of(rows), said | more


def _due_s(rows: list[dict]) -> dict[tuple[int, int], float]:
    """Return when each note of each playthrough was due, between the played ones; none where fewer than two are."""
    due_s = {}
    for number in {row["playthrough"] for row in rows}:
        notes = [row for row in rows if row["playthrough"] == number and row["note_id"] is not None]
        played = [row for row in notes if row["status"] == "played"]
        onset_s, which = np.unique([row["score_s"] for row in played], return_inverse=True)
        if len(onset_s) < 2:
            continue
        at_s = np.bincount(which, [row["hit_s"] for row in played]) / np.bincount(which)
        score_s = np.array([row["score_s"] for row in notes])
        found_s = np.interp(score_s, onset_s, at_s)
        found_s += _pace(onset_s[:PACE_ONSETS], at_s[:PACE_ONSETS]) * np.minimum(score_s - onset_s[0], 0.0)
        found_s += _pace(onset_s[-PACE_ONSETS:], at_s[-PACE_ONSETS:]) * np.maximum(score_s - onset_s[-1], 0.0)
        due_s |= {(number, row["note_id"]): at for row, at in zip(notes, found_s.tolist(), strict=True)}
    return due_s


def _pace(onset_s: np.ndarray, at_s: np.ndarray) -> float:
    return float((at_s[-1] - at_s[0]) / (onset_s[-1] - onset_s[0]))


def _ignore(edit: Edit, rows: list[dict], due_s: dict[tuple[int, int], float]) -> None:
    """Call what nobody could hear in the stretch undecided: missed notes, and strikes told in it by sound."""
    for row in rows:
        # Where nothing tells when a note was due, it may have been here.
        at_s = due_s.get((row["playthrough"], row["note_id"]), edit.from_s)
        near = edit.from_s - MARGIN_S <= at_s < edit.to_s + MARGIN_S
        if (row["status"] == "missed" and near) or (row["status"] == "played" and edit.holds(row["hit_s"])):
            row.update(course.NO_HIT, status="undecided")


def _extra(hit: dict, rows: list[dict], recording: Recording) -> dict:
    """Return the row of a hit that is no note, in the playthrough and segment of the strike before it."""
    before = [row for row in rows if row["hit_s"] is not None and row["hit_s"] <= hit["hit_s"]]
    at = max(before, key=lambda row: row["hit_s"], default={"playthrough": 1, "segment": 1})
    row = dict.fromkeys(course.NAMES) | {"status": "extra", "shared": 1}
    row |= {name: getattr(recording, name) for name in ("arrangement", "session", "setup")}
    row |= {name: at[name] for name in ("playthrough", "segment")}
    return row | {name: hit[name] for name in ("hit_id", "hit_s", "hit_se", "striker")}


def _give(edit: Edit, strikes: list[dict], rows: list[dict], due_s: dict[tuple[int, int], float], given: set) -> str:
    """Give the hit of the stretch to its note; return a fault where that cannot be done, else ''.

    The note that had the hit is missed then. `given` is what was given so far.
    """
    if len(strikes) != 1:
        do = "narrow the stretch" if strikes else "correct the times"
        return (
            f"by hand: expected one hit at {edit.where} to be note {edit.note_id}, found {len(strikes) or 'none'}; {do}"
        )
    hit = strikes[0]
    asked = {row["playthrough"]: row for row in rows if row["note_id"] == edit.note_id}
    off_s = {number: due_s.get((number, edit.note_id), hit["hit_s"]) - hit["hit_s"] for number in asked}
    number = min(asked, key=lambda one: abs(off_s[one]), default=0)
    if number == 0 or abs(off_s[number]) > FURTHEST_S or (number, edit.note_id) in given:
        again = (number, edit.note_id) in given
        why = "it has another by hand" if again else f"due {abs(off_s[number]):.1f} s from it" if number else "unknown"
        return f"by hand: the hit at {edit.where} cannot be note {edit.note_id}, {why}; correct the note_id"
    given.add((number, edit.note_id))
    note, was = asked[number], asked[number]["hit_id"]
    for row in [row for row in rows if row["hit_id"] == hit["hit_id"] and row is not note]:
        if row["note_id"] is None:
            rows.remove(row)
        elif row["score_beat"] != note["score_beat"]:  # notes written together may share it
            row.update(course.NO_HIT, status="missed")
    note.update({name: hit[name] for name in ("hit_id", "hit_s", "hit_se")}, status="played", confidence=1.0)
    for hit_id in {was, hit["hit_id"]} - {None}:
        sharing = [row for row in rows if row["hit_id"] == hit_id]
        for row in sharing:
            # A strike that was told apart by sound has a time of its own.
            row["shared"] = len(sharing) if row is note or row["shared"] > 1 else 1
    return ""
