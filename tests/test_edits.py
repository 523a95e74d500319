"""Corrections by hand: what the list says is what happens, to that recording and to nothing else of it."""

from dataclasses import replace

import numpy as np
import pyarrow as pa
import pytest

from pipeline.aligned import align
from pipeline.settings import Edit
from tests import aligned_takes
from tests.aligned_takes import make_hits, make_machine, make_notes, make_song

FIRST_S = 2.0  # when the take begins in its file


def make_take(seed=3, named=True):
    """Return notes, times and names of hits, and machine: 2 % slower than written, 2 ms of scatter, nothing missed."""
    score_s, striker = make_song(seed, chords=named)
    order = np.argsort(score_s, kind="stable")
    score_s, striker = score_s[order], [striker[one] for one in order]
    chance = np.random.default_rng([seed, 5])
    hit_s = FIRST_S + 1.02 * score_s + chance.normal(0, 0.002, len(score_s))
    return make_notes(score_s, striker), hit_s, striker, make_machine(striker)


def aligned(notes, hit_s, names, machine, *edits):
    order = np.argsort(hit_s, kind="stable")
    hits = make_hits(np.asarray(hit_s)[order], [names[one] for one in order])
    return align(notes, hits, replace(aligned_takes.RECORDING, edits=tuple(edits)), None, machine)


def matched(table: pa.Table) -> dict:
    """Return the time at which each note was struck (None: it was not), and its status."""
    return {row["note_id"]: (row["status"], row["hit_s"]) for row in table.to_pylist() if row["note_id"] is not None}


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("action", ["ignore", "extra"])
def test_a_burst_of_claps_leaves_the_alignment_as_it_is_without_them(seed, action):
    notes, hit_s, names, machine = make_take(seed)
    gap = np.argmax(np.diff(hit_s[20:60])) + 20
    low_s, high_s = hit_s[gap] + 0.06, hit_s[gap + 1] - 0.06
    claps_s = np.linspace(low_s, high_s, 8)[1:-1]
    clap_names = [names[gap + 1 + n % 3] for n in range(6)]
    clean, _ = aligned(notes, hit_s, names, machine)
    edit = Edit(low_s, high_s, action)
    table, said = aligned(notes, [*hit_s, *claps_s], [*names, *clap_names], machine, edit)
    assert matched(table) == matched(clean)
    assert said["by_hand"] == [6]
    extra_s = [row["hit_s"] for row in table.to_pylist() if row["status"] == "extra"]
    assert extra_s == ([] if action == "ignore" else pytest.approx(claps_s))
    assert len(table) == len(clean) + len(extra_s)


@pytest.mark.parametrize("named", [True, False])
@pytest.mark.parametrize(("from_s", "to_s"), [(8.0, 9.5), (0.0, 5.0), (25.0, 900.0), (14.0, 20.0)])
def test_an_ignored_stretch_of_music_never_makes_a_missed_note(named, from_s, to_s):
    """The cut runs through the music anywhere: at its beginning, its end, and over more notes than the search skips."""
    notes, hit_s, names, machine = make_take(4, named)
    names = names if named else None
    hits = make_hits(hit_s, names)
    rig = None if named else aligned_takes.ONE_MICROPHONE
    recording = replace(aligned_takes.RECORDING, edits=(Edit(from_s, to_s, "ignore"),))
    table, said = align(notes, hits, recording, rig, machine)
    cut = (hit_s >= from_s) & (hit_s < to_s)
    assert said["refused"] == "" and said["by_hand"] == [cut.sum()]
    status = {row["note_id"]: row["status"] for row in table.to_pylist() if row["note_id"] is not None}
    assert {status[note] for note in np.flatnonzero(cut)} <= {"undecided", "outside"}
    # Without names an even stretch may have another place after a long cut; that is not known then, and not missed.
    assert {status[note] for note in np.flatnonzero(~cut)} <= ({"played"} if named else {"played", "undecided"})
    # What was taken out is nowhere in the table.
    used = {row["hit_s"] for row in table.to_pylist() if row["hit_s"] is not None}
    assert not any(from_s <= one < to_s for one in used)


@pytest.mark.parametrize(("seed", "from_s"), [(9100, 58.04), (9101, 27.47), (9103, 42.03)])
def test_around_two_seconds_that_nobody_listened_to_one_microphone_hears_what_it_heard_without_them(seed, from_s):
    """The search may pass any number of notes there at no cost; charged for each, it lost its place beside the cut."""
    case = aligned_takes.simulate(seed, named=False)
    clean, _ = aligned_takes.align_simulated(case)
    take = replace(aligned_takes.RECORDING, edits=(Edit(from_s, from_s + 2.0, "ignore"),))
    table, said = align(case.notes, case.hits, take, case.rig, case.machine)
    assert said["by_hand"][0] > 5
    before, after = matched(clean), matched(table)
    cut = {note for note, (_, hit_s) in before.items() if hit_s is not None and from_s <= hit_s < from_s + 2.0}
    assert {after[note][0] for note in cut} == {"undecided"}
    assert all(after[note] == before[note] for note in before.keys() - cut if before[note][0] == "played")


def test_a_note_that_was_missed_beside_an_ignored_stretch_stays_missed():
    notes, hit_s, names, machine = make_take(5)
    silent = 60
    keep = np.arange(len(hit_s)) != silent
    edit = Edit(hit_s[silent] + 0.3, hit_s[silent] + 0.9, "ignore")
    table, _ = aligned(notes, hit_s[keep], [name for name, one in zip(names, keep, strict=True) if one], machine, edit)
    assert matched(table)[silent] == ("missed", None)


def test_notes_under_hits_that_are_no_strikes_are_missed():
    notes, hit_s, names, machine = make_take(6)
    at = 50
    table, said = aligned(notes, hit_s, names, machine, Edit(hit_s[at] - 0.001, hit_s[at] + 0.001, "extra"))
    n_taken = said["by_hand"][0]
    assert n_taken == np.sum(np.abs(hit_s - hit_s[at]) < 0.001) and matched(table)[at] == ("missed", None)
    assert [row["status"] for row in table.to_pylist()].count("extra") == n_taken


@pytest.mark.parametrize("at_end", [True, False])
def test_notes_silent_at_an_end_are_due_at_the_pace_of_those_beside_them(at_end):
    """The first or last two onsets are silent, at 1.3 times the written pace; only what is ignored decides of them."""
    notes, hit_s, names, machine = make_take(11)
    score_s = notes["score_s"].to_numpy()
    hit_s = FIRST_S + 1.3 * score_s
    onset_s = np.unique(score_s)
    silent = np.isin(score_s, onset_s[-2:] if at_end else onset_s[:2])
    due_s = FIRST_S + 1.3 * (onset_s[-1] if at_end else onset_s[0])
    kept = hit_s[~silent], [name for name, out in zip(names, silent, strict=True) if not out]

    def statuses(from_s, to_s):
        found = matched(aligned(notes, *kept, machine, Edit(from_s, to_s, "ignore"))[0])
        return [found[note][0] for note in np.flatnonzero(score_s == (onset_s[-1] if at_end else onset_s[0]))]

    assert set(statuses(due_s - 0.02, due_s + 0.02)) == {"undecided"}
    assert set(statuses(due_s + 0.03, due_s + 0.05)) == {"undecided"}  # within the margin
    assert set(statuses(due_s + 0.08, due_s + 0.1)) == {"missed"}
    assert set(statuses(due_s - 0.1, due_s - 0.08)) == {"missed"}


def test_a_hit_that_is_no_strike_stands_in_the_table_with_its_keys():
    notes, hit_s, names, machine = make_take(6)
    clap_s = hit_s[50] + 0.031
    take = replace(
        aligned_takes.RECORDING, session=3, setup="wide", edits=(Edit(clap_s - 0.001, clap_s + 0.001, "extra"),)
    )
    order = np.argsort([*hit_s, clap_s], kind="stable")
    hits = make_hits(np.array([*hit_s, clap_s])[order], [[*names, names[3]][one] for one in order])
    table, _ = align(notes, hits, take, None, machine)
    (row,) = [row for row in table.to_pylist() if row["status"] == "extra"]
    (hit,) = [hit for hit in hits.to_pylist() if hit["hit_s"] == clap_s]
    expected = {"arrangement": "song", "session": 3, "setup": "wide", "playthrough": 1, "segment": 1, "shared": 1}
    assert row | expected | {name: hit[name] for name in ("hit_id", "hit_s", "hit_se", "striker")} == row
    assert all(row[name] is None for name in ("note_id", "pin_id", "bar", "score_s", "confidence"))


def make_wrong(seed=7):
    """Return a take in which a late strike is taken for a stray and a stray for the strike, and who they are."""
    notes, hit_s, names, machine = make_take(seed)
    at = next(n for n in range(40, 100) if names[n] not in names[n - 3 : n] and names[n] not in names[n + 1 : n + 4])
    true_s = hit_s[at] + 0.06
    hit_s = np.append(hit_s, true_s)
    return notes, hit_s, [*names, names[at]], machine, at, true_s


@pytest.mark.parametrize("seed", [7, 8])
def test_a_hit_given_its_note_puts_that_one_right_and_the_rest_stays(seed):
    notes, hit_s, names, machine, at, true_s = make_wrong(seed)
    before, _ = aligned(notes, hit_s, names, machine)
    assert matched(before)[at][1] == pytest.approx(hit_s[at])  # the wrong one
    after, said = aligned(notes, hit_s, names, machine, Edit(true_s - 0.001, true_s + 0.001, "note_id", at))
    assert said["by_hand"] == [1] and said.get("health", []) == []
    assert matched(after)[at] == ("played", pytest.approx(true_s))
    assert {one: what for one, what in matched(after).items() if one != at} == {
        one: what for one, what in matched(before).items() if one != at
    }
    strays = [row["hit_s"] for row in after.to_pylist() if row["status"] == "extra"]
    assert strays == [pytest.approx(hit_s[at])]
    assert sorted(after["hit_id"].drop_null().to_pylist()) == sorted(before["hit_id"].drop_null().to_pylist())


def test_two_hits_can_change_their_notes():
    notes, hit_s, names, machine = make_take(9)
    one, other = 50, 52
    edits = [
        Edit(hit_s[one] - 0.0005, hit_s[one] + 0.0005, "note_id", other),
        Edit(hit_s[other] - 0.0005, hit_s[other] + 0.0005, "note_id", one),
    ]
    table, said = aligned(notes, hit_s, names, machine, *edits)
    assert said["by_hand"] == [1, 1]
    assert matched(table)[one][1] == pytest.approx(hit_s[other])
    assert matched(table)[other][1] == pytest.approx(hit_s[one])
    assert "extra" not in table["status"].to_pylist() and "missed" not in table["status"].to_pylist()


@pytest.mark.parametrize(
    ("from_s", "to_s", "note", "words"),
    [
        (0.0, 0.5, 50, "expected one hit at 0–0.5\xa0s to be note 50, found none; correct the times"),
        (5.0, 9.0, 50, "narrow the stretch"),
        (None, None, 3, "cannot be note 3, due "),
        (None, None, 9999, "unknown; correct the note_id"),
    ],
)
def test_a_hit_that_cannot_be_that_note_is_a_plain_fault_and_changes_nothing(from_s, to_s, note, words):
    notes, hit_s, names, machine = make_take(9)
    alone = next(n for n in range(50, 100) if np.min(np.abs(np.delete(hit_s, n) - hit_s[n])) > 0.01)
    from_s, to_s = (hit_s[alone] - 0.001, hit_s[alone] + 0.001) if from_s is None else (from_s, to_s)
    clean, _ = aligned(notes, hit_s, names, machine)
    table, said = aligned(notes, hit_s, names, machine, Edit(from_s, to_s, "note_id", note))
    assert table.equals(clean) and said["by_hand"] == [0]
    assert len(said["health"]) == 1 and said["health"][0].startswith("by hand: ") and words in said["health"][0]


def test_a_take_of_which_all_is_ignored_says_so():
    notes, hit_s, names, machine = make_take(9)
    table, said = aligned(notes, hit_s, names, machine, Edit(0.0, 999.0, "ignore"))
    assert len(table) == 0 and said["refused"].endswith(f"; {len(hit_s)} hits are left out by hand")


def test_a_hit_of_the_second_round_is_that_rounds_note_and_a_note_is_given_one_hit():
    notes, once_s, names, machine = make_take(10)
    hit_s = np.concatenate([once_s, once_s + 1.02 * 2.0 * np.ceil((once_s[-1] - FIRST_S + 0.05) / 2.04)])
    names = names * 2
    at, late_s = len(once_s) + 60, 0.05
    true_s = hit_s[at] + late_s
    hit_s, names = np.append(hit_s, true_s), [*names, names[at]]
    right = Edit(true_s - 0.001, true_s + 0.001, "note_id", 60)
    table, said = aligned(notes, hit_s, names, machine, right)
    struck = {row["playthrough"]: row["hit_s"] for row in table.to_pylist() if row["note_id"] == 60}
    assert said["n_playthroughs"] == 2 and struck == {1: pytest.approx(once_s[60]), 2: pytest.approx(true_s)}
    again = Edit(hit_s[at] - 0.001, hit_s[at] + 0.001, "note_id", 60)
    table, said = aligned(notes, hit_s, names, machine, again, right)
    assert said["by_hand"] == [1, 0] and "it has another by hand" in said["health"][0]


@pytest.mark.parametrize("to_another", [False, True])
def test_of_a_chord_that_shares_a_hit_the_notes_go_on_sharing_it_unless_it_is_another_onsets(to_another):
    score_s, striker = make_song(12)
    order = np.argsort(score_s, kind="stable")
    score_s, striker = score_s[order], [striker[one] for one in order]
    notes, onset_s = make_notes(score_s, striker), np.unique(score_s)
    onset = next(one for one in onset_s[30:] if np.sum(score_s == one) == 3)
    # The other note is one of a chord, too, whose other notes then share its hit without it.
    after = next(one for one in onset_s if one > onset and np.sum(score_s == one) > 1)
    chord, later = np.flatnonzero(score_s == onset), int(np.flatnonzero(score_s == after)[0])
    hits = make_hits(FIRST_S + 1.02 * onset_s)
    edit = Edit(
        FIRST_S + 1.02 * onset - 0.001,
        FIRST_S + 1.02 * onset + 0.001,
        "note_id",
        later if to_another else int(chord[1]),
    )
    take = replace(aligned_takes.RECORDING, edits=(edit,))
    table, said = align(notes, hits, take, aligned_takes.ONE_MICROPHONE, make_machine(striker))
    rows = {row["note_id"]: row for row in table.to_pylist()}
    assert said["by_hand"] == [1]
    assert {rows[note]["status"] for note in chord} == {"missed" if to_another else "played"}
    assert {rows[note]["shared"] for note in chord} == {0 if to_another else 3}
    of_hit = [row["hit_id"] for row in rows.values()]
    assert all(row["shared"] == of_hit.count(row["hit_id"]) for row in rows.values() if row["status"] == "played")
    if to_another:
        assert rows[later]["shared"] == 1 and rows[later]["hit_s"] == pytest.approx(FIRST_S + 1.02 * onset)
