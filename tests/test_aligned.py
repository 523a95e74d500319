"""Behaviour of the alignment: statuses, playthroughs, marks and clocks, refusals, what holds for every take."""

import numpy as np
import pyarrow.compute as pc
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.aligned import align
from pipeline.settings import Channel, Rig
from tests.aligned_takes import (
    ONE_MICROPHONE,
    RECORDING,
    hit_of,
    make_hits,
    make_machine,
    make_notes,
    make_song,
    status_of,
)

CLOCK_S = 2.5


def make_clock(n=40):
    return make_notes(np.arange(n) * CLOCK_S, ["arm"] * n, beat_s=CLOCK_S / 4, pitch=np.zeros(n, int))


def align_song(score_s, striker, hits, rig=None):
    return align(make_notes(score_s, striker), hits, RECORDING, rig, make_machine(striker))


def make_take(seed, n_notes=120, missed=0.05, strays=6, jitter_s=0.004, chords=True):
    """Return a song and a take of it: times, strikers, and the note of each hit (-1: a stray)."""
    chance = np.random.default_rng(seed)
    score_s, striker = make_song(seed, n_notes, chords=chords)
    hit_s = 1.0 + score_s * chance.uniform(0.85, 1.2) + chance.normal(0, jitter_s, len(score_s))
    kept = np.flatnonzero(chance.random(len(score_s)) >= missed)
    times = np.concatenate((hit_s[kept], chance.uniform(hit_s.min(), hit_s.max(), strays)))
    names = [striker[k] for k in kept] + list(chance.choice(sorted(set(striker)), strays))
    note = np.concatenate((kept, np.full(strays, -1)))
    order = np.argsort(times, kind="stable")
    return score_s, striker, times[order], [names[k] for k in order], note[order]


def test_a_clean_take_is_matched_note_by_note():
    score_s, striker = make_song(1)
    table, said = align_song(score_s, striker, make_hits(2 + 1.1 * score_s, striker))
    assert said["refused"] == ""
    assert hit_of(table) == {note: note for note in range(len(score_s))}
    assert pc.min(table["confidence"]).as_py() > 0.9


def test_a_silent_note_is_missed_and_a_stray_is_extra():
    score_s, striker = make_song(2, chords=False)
    hit_s, names = list(1 + score_s), list(striker)
    del hit_s[50], names[50]
    hit_s.append(1 + score_s[70] + 0.06)
    names.append(striker[10])
    order = np.argsort(hit_s)
    table, _ = align_song(score_s, striker, make_hits(np.array(hit_s)[order], [names[k] for k in order]))
    assert status_of(table)[50] == "missed"
    extra = [row for row in table.to_pylist() if row["status"] == "extra"]
    assert [round(row["hit_s"] - 1 - score_s[70], 6) for row in extra] == [0.06]
    assert extra[0]["note_id"] is None and extra[0]["striker"] == striker[10] and extra[0]["shared"] == 1


def test_a_stray_that_was_hardly_heard_is_undecided_and_no_double_strike():
    score_s, striker = make_song(2, chords=False)
    times = np.concatenate((1 + score_s, [1 + score_s[70] + 0.06]))
    order = np.argsort(times)
    names = [[*striker, striker[10]][k] for k in order]
    for probability, status in ((0.3, "undecided"), (0.9, "extra")):
        sure = np.where(order == len(score_s), probability, 1.0)
        table, _ = align_song(score_s, striker, make_hits(times[order], names, probability=sure))
        assert [row["status"] for row in table.to_pylist() if row["note_id"] is None] == [status]


def test_a_striker_without_a_microphone_is_unheard_and_not_missed():
    score_s, striker = make_song(3)
    heard = sorted(set(striker))[:-1]
    rig = Rig("most", tuple(Channel(place + 1, (name,)) for place, name in enumerate(heard)))
    kept = [k for k, name in enumerate(striker) if name in heard]
    hits = make_hits(1 + score_s[kept], [striker[k] for k in kept])
    status = status_of(align_song(score_s, striker, hits, rig)[0])
    assert {status[k] for k in range(len(striker)) if k not in kept} == {"unheard"}
    assert {status[k] for k in kept} == {"played"}


def test_a_striker_whose_microphone_is_dead_is_missed_and_leads_nothing_astray():
    score_s, striker = make_song(3)
    dead = max(set(striker), key=striker.count)  # the busiest
    kept = [k for k, name in enumerate(striker) if name != dead]
    rig = Rig("all", tuple(Channel(place + 1, (name,)) for place, name in enumerate(sorted(set(striker)))))
    table, said = align_song(score_s, striker, make_hits(1 + score_s[kept], [striker[k] for k in kept]), rig)
    status = status_of(table)
    assert {status[k] for k in kept} == {"played"}
    inner = [k for k in range(kept[0], kept[-1]) if striker[k] == dead]
    assert {status[k] for k in inner} == {"missed"}
    assert said["n_playthroughs"] == 1 and [line.split(";")[0] for line in said["health"]] == [
        f"dead: nothing was heard of {dead} though it has a microphone"
    ]


def test_without_a_rig_the_names_in_the_list_are_heard():
    score_s, striker = make_song(3)
    silent = sorted(set(striker))[-1]
    kept = [k for k, name in enumerate(striker) if name != silent]
    table, said = align_song(score_s, striker, make_hits(1 + score_s[kept], [striker[k] for k in kept]))
    status = status_of(table)
    assert {status[k] for k in range(len(striker)) if k not in kept} == {"unheard"}
    # It may have struck never, and counts of missed strikes would not show it.
    (line,) = said["health"]
    reached = [k for k in range(len(striker)) if striker[k] == silent and kept[0] < k < kept[-1]]
    assert line.startswith(f"unlisted: no hit of {silent} in the list, of {len(reached)} notes: ")


def test_names_exchanged_in_a_list_are_said():
    """The rhythm matches the notes all the same, and no count would show that two strikers play each other's."""
    score_s, striker = make_song(3)
    one, other = sorted(set(striker))[:2]
    exchanged = [{one: other, other: one}.get(name, name) for name in striker]
    _, said = align_song(score_s, striker, make_hits(1 + score_s, exchanged))
    lines = [line for line in said["health"] if line.startswith("names: ")]
    assert [f"notes of {one} are hits that it calls {other}" in lines[0], len(lines)] == [True, 1]
    _, said = align_song(score_s, striker, make_hits(1 + score_s, striker))
    assert not said.get("health")


def test_a_striker_that_a_short_take_does_not_reach_is_not_said_to_be_unlisted():
    score_s, striker = make_song(3)
    late = sorted(set(striker))[-1]
    striker = [sorted(set(striker))[0] if name == late and k < 60 else name for k, name in enumerate(striker)]
    kept = [k for k in range(60) if striker[k] != late]
    table, said = align_song(score_s, striker, make_hits(1 + score_s[kept], [striker[k] for k in kept]))
    assert not said.get("health") and status_of(table)[10] == "played"


def test_notes_before_a_late_begin_and_after_an_early_stop_are_outside():
    score_s, striker = make_song(4, chords=False)
    part = slice(40, 90)
    status = status_of(align_song(score_s, striker, make_hits(1 + score_s[part], striker[part]))[0])
    assert [k for k, one in status.items() if one == "played"] == list(range(40, 90))
    assert {status[k] for k in (*range(40), *range(90, len(striker)))} == {"outside"}


def test_silent_notes_at_both_ends_of_a_whole_take_are_missed():
    score_s, striker = make_song(4, chords=False)
    part = slice(2, len(striker) - 1)
    status = status_of(align_song(score_s, striker, make_hits(5 + score_s[part], striker[part]))[0])
    assert [k for k, one in status.items() if one == "missed"] == [0, 1, len(striker) - 1]
    # Cut off at its first hit, the recording cannot have held what came before.
    status = status_of(align_song(score_s, striker, make_hits(0.01 + score_s[part] - score_s[2], striker[part]))[0])
    assert [status[0], status[1]] == ["outside", "outside"]


def test_a_click_nobody_keeps_to_does_no_harm():
    score_s, striker = make_song(17)
    click_s = np.arange(1, 90, 0.3)
    hit_s = 1 + score_s * 1.1
    order = np.argsort(np.concatenate((hit_s, click_s)), kind="stable")
    kind = np.array(["strike"] * len(hit_s) + ["click"] * len(click_s), object)[order]
    hits = make_hits(np.concatenate((hit_s, click_s))[order], kind=kind.tolist())
    table, _ = align_song(score_s, striker, hits, ONE_MICROPHONE)
    assert set(status_of(table).values()) == {"played"}


@pytest.mark.parametrize("kind", ["index", "click"])
def test_marks_that_come_twice_at_once_do_no_harm(kind):
    score_s, striker = make_song(19)
    mark_s = np.repeat(np.arange(1, 40, 4.0), 3)
    order = np.argsort(np.concatenate((1 + score_s, mark_s)), kind="stable")
    kinds = np.array(["strike"] * len(score_s) + [kind] * len(mark_s), object)[order]
    hits = make_hits(np.concatenate((1 + score_s, mark_s))[order], kind=kinds.tolist())
    table, _ = align_song(score_s, striker, hits, ONE_MICROPHONE)
    assert set(status_of(table).values()) == {"played"}


@pytest.mark.parametrize("rig", [None, ONE_MICROPHONE], ids=["named", "nameless"])
def test_a_song_of_a_dozen_notes_is_enough(rig):
    score_s, striker = make_song(20, 12)
    table, said = align_song(score_s, striker, make_hits(1 + 1.1 * score_s, None if rig else striker), rig)
    assert said["refused"] == "" and set(status_of(table).values()) == {"played"}


def test_a_name_the_arrangement_does_not_know_stays_an_extra_hit():
    score_s, striker = make_song(18, chords=False)
    order = np.argsort(np.append(1 + score_s, 1.1 + score_s[50]))
    names = [(*striker, "gong")[k] for k in order]
    table, _ = align_song(score_s, striker, make_hits(np.append(1 + score_s, 1.1 + score_s[50])[order], names))
    assert [row["striker"] for row in table.to_pylist() if row["status"] == "extra"] == ["gong"]


def test_a_song_that_goes_round_counts_its_playthroughs():
    score_s, striker = make_song(5)
    round_s = score_s[-1] + 0.5
    hits = make_hits(np.concatenate([1 + score_s + k * round_s for k in range(3)]), striker * 3)
    table, said = align_song(score_s, striker, hits)
    assert said["n_playthroughs"] == 3
    for k in range(3):
        assert hit_of(table, k + 1) == {note: note + k * len(striker) for note in range(len(striker))}


def test_a_false_start_is_a_playthrough_of_its_own():
    score_s, striker = make_song(6, chords=False)
    begun = 30
    hits = make_hits(np.concatenate((1 + score_s[:begun], 1 + score_s[begun] + 4 + score_s)), striker[:begun] + striker)
    table, said = align_song(score_s, striker, hits)
    assert said["n_playthroughs"] == 2
    assert set(status_of(table, 2).values()) == {"played"}
    first = status_of(table, 1)
    assert {first[k] for k in range(begun, len(striker))} == {"outside"}
    segments = {row["playthrough"]: row["segment"] for row in table.to_pylist() if row["status"] == "played"}
    assert segments[2] > segments[1]


@pytest.mark.parametrize("rig", [None, ONE_MICROPHONE], ids=["named", "nameless"])
def test_a_stall_begins_a_new_segment_and_loses_no_note(rig):
    score_s, striker = make_song(7)
    hit_s = 1 + score_s + np.where(score_s > score_s[60], 2.0, 0.0)
    hits = make_hits(hit_s, None if rig else striker)
    table, _ = align_song(score_s, striker, hits, rig)
    segment = {row["note_id"]: row["segment"] for row in table.to_pylist() if row["note_id"] is not None}
    after = {k for k in range(len(striker)) if score_s[k] > score_s[60]}
    assert {segment[k] for k in after} == {2}
    assert {segment[k] for k in set(segment) - after} == {1}
    assert set(status_of(table).values()) == {"played"}


def test_one_hit_of_a_mixed_microphone_stands_for_notes_written_together():
    score_s, striker = make_song(8)
    onsets = np.unique(score_s)
    table, _ = align_song(score_s, striker, make_hits(1 + onsets), ONE_MICROPHONE)
    rows = [row for row in table.to_pylist() if row["note_id"] is not None]
    assert {row["status"] for row in rows} == {"played"}
    for row in rows:
        assert row["hit_s"] == pytest.approx(1 + row["score_s"])
        assert row["shared"] == np.sum(score_s == row["score_s"])


def test_hits_with_names_of_their_own_are_never_shared():
    score_s, striker = make_song(8)
    first = [k for k in range(len(score_s)) if k == 0 or score_s[k] != score_s[k - 1]]
    table, _ = align_song(score_s, striker, make_hits(1 + score_s[first], [striker[k] for k in first]))
    status = status_of(table)
    assert {status[k] for k in first} == {"played"}
    assert {status[k] for k in range(len(striker)) if k not in first} <= {"missed", "outside"}


def test_a_wrong_name_at_the_right_time_is_still_the_note():
    score_s, striker = make_song(9, chords=False)
    names = list(striker)
    names[40] = next(name for name in sorted(set(striker)) if name not in striker[38:43])
    table, _ = align_song(score_s, striker, make_hits(1 + score_s, names))
    assert hit_of(table)[40] == 40


def test_a_rebound_is_extra_and_the_strike_before_it_the_note():
    score_s, striker = make_song(10, chords=False)
    hit_s = np.concatenate((1 + score_s, 1 + score_s[::9] + 0.04))
    kind = ["strike"] * len(score_s) + ["rebound"] * len(score_s[::9])
    order = np.argsort(hit_s, kind="stable")
    hits = make_hits(hit_s[order], [(striker + striker[::9])[k] for k in order], [kind[k] for k in order])
    table, _ = align_song(score_s, striker, hits)
    at = {row["note_id"]: row["hit_s"] for row in table.to_pylist() if row["status"] == "played"}
    assert at == pytest.approx(dict(enumerate(1 + score_s)))


def test_a_hit_called_rebound_may_still_be_the_note():
    score_s, striker = make_song(10, chords=False)
    kind = ["strike"] * len(score_s)
    kind[30] = "rebound"
    table, _ = align_song(score_s, striker, make_hits(1 + score_s, striker, kind))
    assert hit_of(table)[30] == 30


def test_what_a_channel_cannot_hear_it_did_not_hear():
    # Two strikers in even alternation: only the channels tell them apart, for the second plays 20 ms late.
    score_s = np.arange(80) * 0.25
    striker = ["bell", "block"] * 40
    score_s = score_s[[k for k in range(80) if k not in (21, 22, 47, 60)]]
    striker = [striker[k] for k in range(80) if k not in (21, 22, 47, 60)]
    rig = Rig("pair", (Channel(1, ("bell", "gong")), Channel(2, ("block", "plate"))))
    channel = np.array([1 if name == "bell" else 2 for name in striker])
    hit_s = 1 + score_s + np.where(channel == 2, 0.02, 0.0)
    machine = make_machine([*striker, "gong", "plate"])
    hits = make_hits(hit_s, channel=channel)
    table, said = align(make_notes(score_s, striker), hits, RECORDING, rig, machine)
    assert said["refused"] == ""
    assert hit_of(table) == {note: note for note in range(len(striker))}


def test_an_even_row_with_neither_end_seen_is_undecided():
    row_s = np.arange(120) * 0.3
    table, said = align_song(row_s, ["block"] * 120, make_hits(2 + row_s[:50] * 1.02), ONE_MICROPHONE)
    assert said["refused"] == ""
    assert set(table["status"].to_pylist()) == {"undecided"}
    hits = [row["hit_id"] for row in table.to_pylist() if row["hit_id"] is not None]
    assert sorted(hits) == list(range(50))


def test_a_part_that_the_song_has_twice_is_undecided_and_with_its_surroundings_it_is_not():
    part_s, part = make_song(11, 60)
    other_s, other = make_song(12, 60)
    third_s, third = make_song(13, 60)
    length = max(part_s[-1], other_s[-1], third_s[-1]) + 0.5
    score_s = np.concatenate((third_s, length + part_s, 2 * length + other_s, 3 * length + part_s))
    striker = third + part + other + part
    inside = [k for k in range(len(score_s)) if 0.2 * part_s[-1] < score_s[k] - 3 * length < 0.7 * part_s[-1]]
    table, _ = align_song(score_s, striker, make_hits(1 + score_s[inside], [striker[k] for k in inside]))
    assert "played" not in set(table["status"].to_pylist())
    wider = [k for k in range(len(score_s)) if -8 < score_s[k] - 3 * length < 0.7 * part_s[-1]]
    table, _ = align_song(score_s, striker, make_hits(1 + score_s[wider], [striker[k] for k in wider]))
    assert sorted(hit_of(table)) == wider


@pytest.mark.parametrize("name", ["arm", None], ids=["named", "nameless"])
def test_a_clock_test_counts_from_its_first_strike(name):
    chance = np.random.default_rng(3)
    hit_s = 3 + np.cumsum(CLOCK_S * chance.normal(1, 0.02, 30))
    kept = np.delete(hit_s, 12)
    hits = make_hits(kept, [name] * 29 if name else None)
    table, said = align(make_clock(), hits, RECORDING, None if name else ONE_MICROPHONE, make_machine(["arm"]))
    assert said["refused"] == ""
    status = status_of(table)
    assert [k for k in range(40) if status[k] == "played"] == [*range(12), *range(13, 30)]
    assert status[12] == "missed"
    assert {status[k] for k in range(30, 40)} == {"outside"}


def test_a_clock_arm_recorded_as_the_turn_mark_is_read_as_its_strikes():
    hit_s = 3 + CLOCK_S * np.arange(40) * 1.05
    rig = Rig("arm", (Channel(1, ("index",)),))
    hits = make_hits(hit_s, kind=["index"] * 40)
    table, said = align(make_clock(), hits, RECORDING, rig, make_machine(["arm"]))
    assert said["refused"] == ""
    assert hit_of(table) == {note: note for note in range(40)}


def test_a_clock_that_runs_on_goes_round():
    hit_s = 3 + CLOCK_S * np.arange(60)
    table, said = align(make_clock(), make_hits(hit_s, ["arm"] * 60), RECORDING, None, make_machine(["arm"]))
    assert said["n_playthroughs"] == 2
    assert len(hit_of(table, 1)) == 40 and len(hit_of(table, 2)) == 20


def test_turn_marks_carry_a_tempo_that_would_lose_a_nameless_take():
    score_s, striker = make_song(14, 400, chords=False)
    notes = make_notes(score_s, striker)
    # The crew slows to a third of the pace from turn to turn and back: no prior on tempo allows for that.
    turn = np.array(notes["barrel_turn"])
    grid = np.linspace(0, turn[-1] + 1, 4000)
    pace = 16 * np.exp(0.55 * np.sin(2 * np.pi * grid / 2.2))
    time_s = np.concatenate(([0.0], np.cumsum(pace[:-1] * np.diff(grid)))) + 1
    hit_s, mark_s = np.interp(turn, grid, time_s), np.interp(np.arange(0, turn[-1] + 1, 0.25), grid, time_s)
    order = np.argsort(np.concatenate((hit_s, mark_s)), kind="stable")
    kind = np.array(["strike"] * len(hit_s) + ["index"] * len(mark_s), object)[order]
    hits = make_hits(np.concatenate((hit_s, mark_s))[order], kind=kind.tolist())
    quarter = notes.set_column(
        notes.column_names.index("barrel_turn"), "barrel_turn", pc.multiply(notes["barrel_turn"], 4)
    )
    table, said = align(quarter, hits, RECORDING, ONE_MICROPHONE, make_machine(striker))
    assert said["refused"] == ""
    at = {row["note_id"]: row["hit_s"] for row in table.to_pylist() if row["status"] == "played"}
    assert len(at) > 0.98 * len(striker)
    assert np.mean([abs(at[k] - hit_s[k]) < 1e-6 for k in at]) > 0.99


def test_the_click_says_the_tempo_and_the_offset_to_it():
    score_s, striker = make_song(15)
    tempo, offset_s = 1.45, 0.03
    click_s = 1 + np.arange(int(score_s[-1] / 0.5) + 2) * 0.5 * tempo
    hit_s = 1 + score_s * tempo + offset_s
    order = np.argsort(np.concatenate((hit_s, click_s)), kind="stable")
    kind = np.array(["strike"] * len(hit_s) + ["click"] * len(click_s), object)[order]
    hits = make_hits(np.concatenate((hit_s, click_s))[order], kind=kind.tolist())
    table, said = align_song(score_s, striker, hits, ONE_MICROPHONE)
    assert set(status_of(table).values()) == {"played"}
    assert said["click_offset_s"] == pytest.approx(offset_s, abs=1e-6)


@pytest.mark.parametrize(
    ("hits", "word"),
    [
        (make_hits([]), "silence"),
        (make_hits([1.0, 2.0, 3.0], ["striker 0"] * 3), "too few hits"),
        (
            make_hits(np.linspace(1, 60, 90) + 0.1 * np.sin(np.arange(90.0)), ["striker 1"] * 90),
            "another tune or noise",
        ),
    ],
    ids=["silence", "three hits", "one striker at random"],
)
def test_what_does_not_belong_is_refused_with_a_sentence(hits, word):
    score_s, striker = make_song(16)
    table, said = align_song(score_s, striker, hits)
    assert len(table) == 0
    assert said["refused"].startswith(word)
    assert ";" in said["refused"] and "\n" not in said["refused"]


def test_a_rig_that_hears_no_striker_of_the_arrangement_is_refused():
    score_s, striker = make_song(16)
    rig = Rig("other", (Channel(1, ("gong",)),))
    hits = make_hits(1 + score_s, ["gong"] * len(score_s))
    table, said = align(make_notes(score_s, striker), hits, RECORDING, rig, make_machine([*striker, "gong"]))
    assert len(table) == 0 and "no microphone" in said["refused"]


def test_group_keys_of_the_recording_are_in_every_row():
    score_s, striker = make_song(1)
    table, _ = align_song(score_s, striker, make_hits(2 + score_s, striker))
    assert set(table["arrangement"].to_pylist()) == {"song"}
    assert set(table["session"].to_pylist()) == {1}
    assert set(table["setup"].to_pylist()) == {""}


TAKES = settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))


@TAKES
@given(seed=st.integers(0, 10**6), shift_s=st.floats(0.0, 4000.0), named=st.booleans())
def test_shifting_a_take_shifts_nothing_else(seed, shift_s, named):
    score_s, striker, hit_s, names, _ = make_take(seed, 60)
    rig = None if named else ONE_MICROPHONE
    before, _ = align_song(score_s, striker, make_hits(hit_s, names if named else None), rig)
    after, _ = align_song(score_s, striker, make_hits(hit_s + shift_s, names if named else None), rig)
    for column in ("status", "note_id", "hit_id", "playthrough", "segment"):
        assert after[column].to_pylist() == before[column].to_pylist()


@TAKES
@given(seed=st.integers(0, 10**6), ratio=st.floats(0.7, 1.4), named=st.booleans())
def test_a_clean_take_is_matched_at_any_tempo(seed, ratio, named):
    score_s, striker = make_song(seed, 60, chords=False)
    hits = make_hits(1 + score_s * ratio, striker if named else None)
    table, _ = align_song(score_s, striker, hits, None if named else ONE_MICROPHONE)
    assert hit_of(table) == {note: note for note in range(len(striker))}


@TAKES
@given(seed=st.integers(0, 10**6), named=st.booleans(), strays=st.integers(0, 20), missed=st.floats(0, 0.2))
def test_every_note_and_every_hit_is_accounted_for_once(seed, named, strays, missed):
    score_s, striker, hit_s, names, _ = make_take(seed, 80, missed, strays)
    hits = make_hits(hit_s, names if named else None)
    table, said = align_song(score_s, striker, hits, None if named else ONE_MICROPHONE)
    rows = table.to_pylist()
    if said["refused"]:
        assert rows == []
        return
    notes = [(row["playthrough"], row["note_id"]) for row in rows if row["note_id"] is not None]
    assert sorted(notes) == [(p + 1, k) for p in range(said["n_playthroughs"]) for k in range(len(striker))]
    seen = [row["hit_id"] for row in rows if row["hit_id"] is not None]
    assert set(seen) == set(range(len(hit_s)))
    for row in rows:
        assert (row["hit_id"] is None) == (row["status"] in ("missed", "unheard", "outside")) or (
            row["status"] == "undecided"
        )
        assert row["shared"] == (seen.count(row["hit_id"]) if row["hit_id"] is not None else 0)
        assert row["confidence"] is None or 0 <= row["confidence"] <= 1


@TAKES
@given(seed=st.integers(0, 10**6))
def test_nameless_matches_keep_the_order_of_the_song(seed):
    score_s, striker, hit_s, _, _ = make_take(seed, 80)
    table, _ = align_song(score_s, striker, make_hits(hit_s), ONE_MICROPHONE)
    played = sorted(
        (row["playthrough"], row["score_s"], row["hit_s"])
        for row in table.to_pylist()
        if row["hit_id"] is not None and row["status"] == "played"
    )
    first = [(p, s) for p, s, _ in played]
    by_onset = {key: min(h for p, s, h in played if (p, s) == key) for key in first}
    assert list(by_onset.values()) == sorted(by_onset.values())


@TAKES
@given(seed=st.integers(0, 10**6))
def test_named_matches_of_one_striker_keep_the_order_of_the_song(seed):
    score_s, striker, hit_s, names, _ = make_take(seed, 80)
    table, _ = align_song(score_s, striker, make_hits(hit_s, names))
    for one in set(striker):
        rows = [
            row
            for row in table.to_pylist()
            if row["status"] == "played" and names[row["hit_id"]] == one == row["striker"]
        ]
        times = [row["hit_s"] for row in sorted(rows, key=lambda row: (row["playthrough"], row["score_s"]))]
        assert times == sorted(times)
