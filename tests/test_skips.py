"""A take that was not played from this version of the arrangement: where it leaps, or plays what is not written.

Truth: takes of the simulator from which a stretch of the arrangement or of the recording is taken out.
"""

import numpy as np
import pandas as pd
import pytest

from pipeline import tables
from tests import aligned_takes as takes

LEAP = "leaps"
UNWRITTEN = "not written"


def lines_of(said, word):
    return [line for line in said.get("health", []) if line.startswith("other version") and word in line]


def with_a_bar_more(notes, bar):
    """Return the notes with a bar inserted, a copy of the second one."""
    frame = notes.to_pandas()
    bar_s, beats = 2.0, 4.0  # as `make_notes` writes them
    later = frame["bar"] >= bar
    more = frame[frame["bar"] == 2].copy()
    shift = bar - 2
    more[["score_s", "score_beat", "bar"]] += [shift * bar_s, shift * beats, shift]
    frame.loc[later, ["score_s", "score_beat", "bar"]] += [bar_s, beats, 1]
    whole = pd.concat([frame, more]).sort_values(["score_s", "striker"]).reset_index(drop=True)
    whole["note_id"] = whole["pin_id"] = range(len(whole))
    whole["bar_start_beat"] = (whole["bar"] - 1) * beats
    return tables.build("notes", {name: whole[name].to_list() for name in notes.column_names})


def align(notes, hits):
    names = sorted(set(notes["striker"].to_pylist()))
    return takes.align(notes, hits, takes.RECORDING, None, takes.make_machine(names))


def take_of(score_s, striker, seed, wander=0.02):
    chance = np.random.default_rng([seed, 900])
    order = np.argsort(score_s, kind="stable")
    pace = 1 + wander * np.sin(2 * np.pi * np.asarray(score_s)[order] / 17)
    hit_s = 2 + np.cumsum(np.diff(np.asarray(score_s)[order], prepend=0) * pace)
    hit_s = hit_s + chance.normal(0, 0.003, len(hit_s))
    again = np.argsort(hit_s)
    return takes.make_hits(hit_s[again], [striker[k] for k in order[again]])


def old_and_edited(seed):
    """Return the notes of a song, those with a bar more in the middle, and the number of that bar."""
    old = takes.make_notes(*takes.make_song(seed, n_notes=160))
    bars = sorted(set(old["bar"].to_pylist()))
    bar = bars[len(bars) // 2]
    return old, with_a_bar_more(old, bar), bar


def played(notes, seed):
    return take_of(notes["score_s"].to_numpy(), notes["striker"].to_pylist(), seed)


@pytest.mark.parametrize("seed", range(4))
def test_a_take_without_an_inserted_bar_leaps_there(seed):
    old, edited, bar = old_and_edited(seed)
    table, said = align(edited, played(old, seed))
    assert said["refused"] == ""
    assert len(lines_of(said, LEAP)) == 1
    rows = table.to_pandas()
    inside = rows[rows["bar"].eq(bar) & rows["note_id"].notna()]
    assert not inside["status"].isin(["missed"]).any()
    # A new segment after it, so that the leap bends no tempo.
    assert rows.loc[rows["bar"].gt(bar + 2), "segment"].min() > rows.loc[rows["bar"].lt(bar - 2), "segment"].max()
    # Every hit stands in the table once.
    assert rows["hit_id"].dropna().drop_duplicates().size == len(old)


@pytest.mark.parametrize("seed", range(4))
def test_a_recording_that_lost_seconds_leaps_there(seed):
    notes = takes.make_notes(*takes.make_song(seed, n_notes=160))
    hits = played(notes, seed).to_pandas()
    middle_s = hits["hit_s"].median()
    lost = hits["hit_s"].between(middle_s, middle_s + 3)
    hit_s = np.where(hits["hit_s"] > middle_s, hits["hit_s"] - 3, hits["hit_s"])[~lost]
    table, said = align(notes, takes.make_hits(hit_s, hits.loc[~lost, "striker"].to_list()))
    (line,) = lines_of(said, LEAP)
    assert "the recording lost something there" in line
    rows, from_s = table.to_pandas(), middle_s - 2.0
    inside = rows[rows["score_s"].between(from_s + 0.5, from_s + 2.5)]
    assert len(inside) > 3 and not inside["status"].isin(["missed", "played"]).any()


@pytest.mark.parametrize("seed", range(4))
def test_strikes_of_a_bar_that_was_deleted_are_no_double_ones(seed):
    written, with_more, _ = old_and_edited(seed)
    table, said = align(written, played(with_more, seed))
    assert said["refused"] == ""
    assert len(lines_of(said, UNWRITTEN)) + len(lines_of(said, LEAP)) >= 1
    assert table.to_pandas()["status"].eq("extra").sum() <= 2


@pytest.mark.parametrize("crew", [None, takes.three_rounds, takes.a_false_start, takes.some_bars])
@pytest.mark.parametrize("hard", [False, True])
def test_takes_of_this_version_are_not_called_others(crew, hard):
    """Written changes of tempo, which a barrel does not follow, made 7 of 60 takes leap before a leap had to be one."""
    for seed in (3004, 3005, 3006):
        case = takes.simulate(seed, hard=hard, crew=crew)
        _, said = takes.align_simulated(case)
        assert lines_of(said, "") == []
