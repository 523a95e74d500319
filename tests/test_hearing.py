"""What counts as a noticed fault, by hand; and that the table of recordings counts by the same definition."""

import numpy as np
import pandas as pd

from pipeline import hearing, timing
from tests import timing_machine


def make_strikes(**columns):
    n = max(len(column) for column in columns.values() if isinstance(column, list))
    usual = {"recording": "t", "playthrough": 1, "segment": 1, "score_beat": np.arange(n), "shared": 1}
    usual |= {"late_s": 0.0, "felt_s": 0.0, "noticed_from_s": 0.006}
    return pd.DataFrame(usual | columns, index=range(n))


def test_a_displaced_strike_counts_one_and_one_that_is_not_judged_none():
    assert hearing.faults_of(make_strikes(felt_s=[0.005, 0.0061, -0.022, 0.0])) == 2
    assert hearing.faults_of(make_strikes(felt_s=[0.022, np.nan], noticed_from_s=[np.nan, 0.006])) == 0
    assert hearing.faults_of(make_strikes(felt_s=[])) == 0


def test_a_chord_that_falls_apart_counts_once_and_not_beside_a_strike_of_it_that_is_heard_displaced():
    """Hirsh 1959: 20 ms. Three strikes 0, 8 and 21 ms late are one chord apart; 19 ms are none."""
    together = {"score_beat": [3.0, 3.0, 3.0]}
    assert hearing.faults_of(make_strikes(late_s=[0.0, 0.008, 0.021], **together)) == 1
    assert hearing.faults_of(make_strikes(late_s=[0.0, 0.008, 0.019], **together)) == 0
    assert hearing.faults_of(make_strikes(late_s=[0.0, 0.0, 0.021], felt_s=[0.0, 0.0, 0.021], **together)) == 1
    # Two that are heard displaced are two; strikes of two playthroughs are no chord.
    assert hearing.faults_of(make_strikes(late_s=[0.0, 0.03, 0.03], felt_s=[0.0, 0.03, 0.03], **together)) == 2
    assert hearing.faults_of(make_strikes(late_s=[0.0, 0.0, 0.03], playthrough=[1, 1, 2], **together)) == 0


def test_notes_that_share_a_hit_count_once():
    assert hearing.faults_of(make_strikes(felt_s=[0.02, 0.02], score_beat=[3.0, 3.0], shared=2)) == 1


def test_a_bar_counts_whose_tempo_is_3_per_cent_off_the_four_before():
    """Drake & Botte 1993: 3 %. Steps of half a beat, bars of eight."""
    bar = 3 + np.arange(160) // 8

    def counted(change_of_bar):
        return hearing.bars_of_change(np.repeat(change_of_bar, 8), bar)

    steady, at = np.zeros(20), np.arange(20)
    assert counted(steady) == 0
    assert counted(np.where(at >= 10, -0.0301, 0)) == 1 and counted(np.where(at >= 10, 0.0301, 0)) == 1
    assert counted(np.where(at >= 10, -0.0299, 0)) == 0
    # 6.1 % off, then 4.6 and 3.05 % off the mean of what came before: three bars until the new tempo is the usual one.
    assert counted(np.where(at >= 10, 0.061, 0)) == 3
    assert counted(np.where((at >= 6) & (at < 12), 0.0301, 0)) == 2  # there and back
    assert counted(np.where(at == 0, 0.04, 0)) == 1  # only the first bar before the second
    assert hearing.bars_of_change(np.zeros(5), np.ones(5)) == 0 == hearing.bars_of_change(np.zeros(0), np.zeros(0))


def test_the_table_of_recordings_counts_the_same_faults():
    """A machine with pins far out and missed strikes; the first chord falls apart before there is a beat."""
    chance = np.random.default_rng(11)
    notes = timing_machine.make_notes(chance, 4, bars=24, sections="AB", density=(0.9, 1.6))
    truth = timing_machine.make_truth(chance, notes, 4, misplaced=0.1)
    truth.pin_s[np.flatnonzero(np.diff(notes["score_beat"].to_numpy()) == 0)[0]] = 0.03
    takes = timing_machine.make_takes(chance, notes, truth, 2)
    made = timing.tables_of(timing_machine.make_group(takes), timing_machine.make_machine(4), notes, takes)
    late, tempo = made["lateness"].to_pandas(), made["tempo"].to_pandas()
    for row in made["recordings"].to_pylist():
        of_take = late[late["recording"] == row["recording"]]
        track = tempo[tempo["recording"] == row["recording"]].sort_values("score_beat")
        speed = (track["motion"] + track["load"] + track["shaft"]).to_numpy()
        changed = hearing.bars_of_change(speed, track["score_beat"] // 4)
        faults = hearing.faults_of(of_take)
        assert row["n_noticed"] == round(row["n_missed"] + row["n_extra"] + faults + changed)
        assert faults > hearing.is_displaced(of_take).sum() > 5


def test_a_strike_without_a_beat_is_apart_from_nothing_and_hides_no_chord():
    """What is not judged (NaN) neither warns nor takes the other strikes of its chord out of the count."""
    chord, late_s = np.array([0, 1, 1, 2, 2, 2]), np.array([np.nan, np.nan, 0.01, 0.0, np.nan, 0.03])
    np.testing.assert_array_equal(hearing.is_apart(chord, late_s), [False, False, True])
