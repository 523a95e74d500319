"""Hold the felt ruler against what was measured on listeners, and against simple truth."""

import numpy as np

from pipeline import timing
from pipeline.timing import lateness
from tests import timing_machine

BEAT_S = timing_machine.BEAT_S


def test_a_listener_notices_what_friberg_and_sundberg_measured():
    # Friberg & Sundberg 1995, abstract: 100, 200, 240, 400, 600, 1000 ms -> 6, 6, 6, 10, 15, 25 ms
    got = lateness.noticed_from_s([0.1, 0.2, 0.24, 0.4, 0.6, 1.0])
    np.testing.assert_allclose(got, [0.006, 0.006, 0.006, 0.010, 0.015, 0.025], rtol=1e-9)


def test_gaps_that_nobody_measured_are_not_judged():
    assert np.isnan(lateness.noticed_from_s([0.099, 1.001, 0.0, np.nan, np.inf])).all()


def make_exact(rows, off_s=None, jitter_s=1e-5, speed=1.0, seed=1):
    """Play (score_beat, striker) evenly, `off_s[note]` apart; return the timing tables."""
    notes = timing_machine.notes_of([(beat, striker, "all") for beat, striker in rows])
    hit_s = 2 + notes["score_s"].to_numpy() / speed + np.random.default_rng(seed).normal(0, jitter_s, len(rows))
    for note, by_s in (off_s or {}).items():
        hit_s[note] += by_s
    takes = [timing_machine.take_of(notes, hit_s, np.zeros(len(rows), bool), np.ones(len(rows), int))]
    made = timing.tables_of(timing_machine.make_group(takes), timing_machine.make_machine(2), notes, takes)
    return {name: table.to_pandas() for name, table in made.items()}


def test_the_interval_is_the_written_one_at_the_speed_of_the_take():
    # Quarters, then eighths, of 625 ms at a speed 5 % faster: 2.5 % of 595 and 298 ms.
    rows = [(beat, 0) for beat in range(16)] + [(16 + beat / 2, 1) for beat in range(32)]
    for off_s in ({}, {40: 0.012, 42: -0.012}):
        got = make_exact(rows, off_s, speed=1.05)["lateness"]["noticed_from_s"].to_numpy()
        np.testing.assert_allclose(got[8:17], 0.025 * BEAT_S / 1.05, rtol=1e-3)
        np.testing.assert_allclose(got[17:], 0.025 * BEAT_S / 1.05 / 2, rtol=1e-3)


def test_strikes_of_one_chord_have_the_interval_before_the_chord():
    got = make_exact([(beat / 2, striker) for beat in range(24) for striker in (0, 1)])["lateness"]["noticed_from_s"]
    np.testing.assert_allclose(got[16:], 0.025 * BEAT_S / 2, rtol=1e-3)


def test_faults_noticed_are_missing_double_and_displaced_strikes():
    rows = [(beat / 2, beat % 2) for beat in range(40)]
    faultless = make_exact(rows)["recordings"].iloc[0]
    assert faultless["n_noticed"] == 0
    got = make_exact(rows, {24: 0.03})
    late, row = got["lateness"], got["recordings"].iloc[0]
    called = late.loc[late["felt_s"].abs() > late["noticed_from_s"], "note_id"]
    assert 24 in set(called) and row["n_noticed"] == len(called)
