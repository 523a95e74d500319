"""`check` warns where a striker must repeat faster than it was measured to repeat well, and is silent otherwise."""

from datetime import date

import numpy as np
import pytest

from pipeline import repeats, tables
from tests.worklist_tables import GROUP, make, make_striker

FIRST, SECOND = date(2031, 5, 3), date(2031, 5, 9)


def make_song(slate_s, oak_s=()):
    """Return notes at these seconds, a beat of half a second, four to a bar."""
    rows = sorted([(at, "slate") for at in slate_s] + [(at, "oak block") for at in oak_s])
    return make(
        "notes",
        [
            {"note_id": at, "striker": name, "score_s": s, "bar": 1 + int(s // 2), "beat_in_bar": 1 + s % 2 / 0.5}
            for at, (s, name) in enumerate(rows)
        ],
    )


def make_measured(gap_s, day=FIRST, **more):
    return make_striker("slate", build_day=day, shortest_good_gap_s=gap_s, **more) | {"build_day": day}


def told(song, *rows):
    return repeats.too_fast("song", song, make("strikers", list(rows)))


def test_the_fastest_repeat_is_named_with_its_place_and_how_many_more_there_are():
    song = make_song([0.0, 1.0, 1.25, 4.0, 4.125, 6.0], oak_s=[1.05, 1.06])
    (said,) = told(song, make_measured(0.3, miss_pattern="short gaps"))
    assert said == (
        "song: slate must strike again after 125 ms at bar 3 beat 1 1/4 and at 1 more place, sooner than its shortest "
        "good gap, 300 ms on 3 May 2031: after shorter ones it missed strikes"
    )
    (said,) = told(song, make_measured(0.2, readiness_s=0.004, readiness_se=0.001))
    assert said.endswith(
        "beat 1 1/4, sooner than its shortest good gap, 200 ms on 3 May 2031: after shorter ones it came late"
    )


def test_nothing_is_said_of_shorter_gaps_that_was_not_tested():
    song = make_song([0.0, 0.125])
    for more in ({}, {"readiness_s": 0.004, "readiness_se": 0.003}, {"readiness_s": 0.0009, "readiness_se": 0.0001}):
        (said,) = told(song, make_measured(0.2, **more))
        assert said.endswith(": no shorter one was played yet")


@pytest.mark.parametrize("gap_s", [0.131, 0.12, None])
def test_a_gap_that_is_played_already_or_not_measured_is_no_fault(gap_s):
    """A written gap of 125 ms that this crew plays in 120 to 131 ms, 5 % slower."""
    assert told(make_song([0.0, 0.125, 0.25]), make_measured(gap_s)) == []


def test_notes_of_others_and_single_notes_are_no_repeats():
    assert told(make_song([0.0], oak_s=[0.05, 0.1]), make_measured(0.3)) == []
    assert told(make_song([0.0, 1.0], oak_s=[0.05, 1.05]), make_measured(0.3)) == []


def test_the_newest_measure_counts():
    song = make_song([0.0, 0.125])
    assert told(song, make_measured(0.3), make_measured(0.12, SECOND)) == []
    assert "9 May 2031" in told(song, make_measured(0.12), make_measured(0.3, SECOND))[0]
    # A newer day in which it was not measured does not take it away.
    assert "3 May 2031" in told(song, make_measured(0.3), make_measured(None, SECOND))[0]


def test_without_results_or_with_those_of_another_version_nothing_is_measured(tmp_path, monkeypatch):
    assert len(repeats.measured(tmp_path)) == 0
    path = tables.path(tmp_path, "strikers")
    tables.write(path, "strikers", make("strikers", [GROUP | make_measured(0.3)]))
    assert repeats.measured(tmp_path)["shortest_good_gap_s"].to_pylist() == [0.3]
    monkeypatch.setattr("pipeline.tables.parquet.VERSION", "another")
    assert len(repeats.measured(tmp_path)) == 0
    path.write_bytes(bytes(np.arange(50, dtype=np.uint8)))
    assert len(repeats.measured(tmp_path)) == 0
