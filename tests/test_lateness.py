"""Hold the felt ruler against what was measured on listeners, and against simple truth."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline import felt, tables, timing
from pipeline.timing.tables import lateness
from tests import timing_machine
from tests.benchmarks import timing_felt

BEAT_S = timing_machine.BEAT_S
PARTS = [f"felt_{part}_s" for part in lateness.PARTS]


def test_a_listener_notices_what_friberg_and_sundberg_measured():
    # Friberg & Sundberg 1995, abstract: 100, 200, 240, 400, 600, 1000 ms -> 6, 6, 6, 10, 15, 25 ms
    got = felt.noticed_from_s([0.1, 0.2, 0.24, 0.4, 0.6, 1.0])
    np.testing.assert_allclose(got, [0.006, 0.006, 0.006, 0.010, 0.015, 0.025], rtol=1e-9)


def test_gaps_that_nobody_measured_are_not_judged():
    assert np.isnan(felt.noticed_from_s([0.099, 1.001, 0.0, np.nan, np.inf])).all()


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


@pytest.mark.parametrize(("confidence", "felt"), [(0.4, False), (0.6, True)])
def test_a_match_that_is_rather_wrong_than_right_is_not_felt(confidence, felt):
    """A double strike 0.5 s before is taken for the note, as after a stall: its time is no lateness of the note."""
    rows = [(beat / 2, beat % 2) for beat in range(40)]
    notes = timing_machine.notes_of([(beat, striker, "all") for beat, striker in rows])
    hit_s = 2 + notes["score_s"].to_numpy() + np.random.default_rng(3).normal(0, 0.001, len(rows))
    hit_s[24] -= 0.5
    take = timing_machine.take_of(notes, hit_s, np.zeros(len(rows), bool), np.ones(len(rows), int))
    aligned = take.aligned.to_pandas()
    aligned.loc[24, "confidence"] = confidence
    take = replace(take, aligned=tables.build("aligned", {name: list(aligned[name]) for name in aligned}))
    made = timing.tables_of(timing_machine.make_group([take]), timing_machine.make_machine(2), notes, [take])
    late, row = made["lateness"].to_pandas().set_index("note_id"), made["recordings"].to_pandas().iloc[0]
    assert late.loc[24, "felt_s"] == pytest.approx(-0.5, abs=0.01) if felt else np.isnan(late.loc[24, "felt_s"])
    assert np.isnan(late.loc[24, "noticed_from_s"]) != felt
    assert row["n_noticed"] == int(felt)


def felt_of(place_s, late_s, good=None):
    """Follow single strikes."""
    late_s = np.asarray(late_s, dtype=float)
    good = np.ones(len(late_s), dtype=bool) if good is None else good
    felt_s, felt_se = felt.felt_of(np.asarray(place_s), np.arange(len(late_s)), late_s[:, None], good)
    return felt_s[:, 0], felt_se


def make_uneven(n=40, seed=3):
    chance = np.random.default_rng(seed)
    return np.sort(chance.choice(np.arange(1, 2 * n), n, replace=False)) * 0.2, chance.normal(0, 0.004, (n, 2))


def test_even_strikes_extrapolate_with_the_textbook_variance():
    # Prediction variance of a straight line, any textbook of regression; written out for n even places.
    for n in (2, 3, 4, 8, 16, 40):
        x = np.arange(-n, 0.0)
        by_inverse = np.linalg.inv(np.vander(x, 2).T @ np.vander(x, 2))[1, 1]
        assert 1 / n + 3 * (n + 1) / (n * (n - 1)) == pytest.approx(by_inverse, rel=1e-9)
        # and by what numpy.polyfit extrapolates to: it is linear, so unit strikes give its weights.
        weights = [np.polyfit(x, one, 1)[1] for one in np.eye(n)]
        assert np.square(weights).sum() == pytest.approx(by_inverse, rel=1e-9)


def test_a_tempo_that_does_not_wander_makes_the_filter_a_straight_line(monkeypatch):
    monkeypatch.setattr(felt, "WANDER_PER_S", 0.0)
    at_s, late_s = make_uneven()
    found = felt.pulls(at_s, late_s[:, 0], np.ones(len(at_s), bool))
    beat_s = felt.carried(at_s, late_s, found)
    for k in range(4, len(at_s)):
        x = at_s[:k] - at_s[k]
        expected = np.polyfit(x, late_s[:k], 1)[1]
        np.testing.assert_allclose(beat_s[k], expected, atol=1e-6)
        variance = np.linalg.inv(np.vander(x, 2).T @ np.vander(x, 2))[1, 1] * felt.SCATTER_S**2
        assert found.variance[k] == pytest.approx(variance, rel=1e-3)


def test_the_filter_is_the_best_guess_from_all_strikes_before():
    # Fast = obvious: the regression of the next place on the strikes before, by their covariances under the same model.
    at_s, late_s = make_uneven(25)
    found = felt.pulls(at_s, late_s[:, 0], np.ones(len(at_s), bool))
    beat_s = felt.carried(at_s, late_s, found)
    gone_s = at_s - at_s[0]
    early, later = np.minimum.outer(gone_s, gone_s), np.maximum.outer(gone_s, gone_s)
    wandered = felt.WANDER_PER_S * (early**2 * later / 2 - early**3 / 6)  # of an integrated random walk
    places = felt.UNKNOWN * (1 + np.multiply.outer(gone_s, gone_s)) + wandered
    strikes = places + felt.SCATTER_S**2 * np.eye(len(at_s))
    for k in range(2, len(at_s)):
        weights = np.linalg.solve(strikes[:k, :k], places[:k, k])
        np.testing.assert_allclose(beat_s[k], weights @ late_s[:k], atol=1e-8)
        assert found.variance[k] == pytest.approx(places[k, k] - weights @ places[:k, k], rel=1e-4)


def test_the_felt_parts_add_up_and_a_straight_line_is_not_felt():
    at_s, late_s = make_uneven()
    chord, good = np.arange(40), np.arange(40) != 20
    felt_s, felt_se = felt.felt_of(at_s, chord, late_s, good)
    whole, _ = felt.felt_of(at_s, chord, late_s.sum(axis=1)[:, None], good)
    np.testing.assert_allclose(felt_s.sum(axis=1), whole[:, 0], atol=1e-12)
    slower = late_s + np.c_[0.3 + 0.02 * at_s, np.zeros(40)]
    again, again_se = felt.felt_of(at_s, chord, slower, good)
    np.testing.assert_allclose(again, felt_s, atol=1e-5)
    np.testing.assert_allclose(again_se, felt_se, rtol=0.01)


def test_only_what_came_before_is_felt():
    at_s, late_s = make_uneven()
    felt_s, _ = felt_of(at_s, late_s[:, 0])
    later = late_s[:, 0] + np.where(np.arange(40) >= 25, 0.002, 0.0)
    np.testing.assert_array_equal(felt_of(at_s, later)[0][:25], felt_s[:25])


def test_a_chord_is_one_strike_and_a_freak_hit_is_none():
    at_s, late_s = make_uneven()
    late_s = late_s[:, 0]
    felt_s, felt_se = felt_of(at_s, late_s)
    thrice = np.repeat(np.arange(40), np.where(np.arange(40) % 2, 3, 1))
    chords_s, chords_se = felt.felt_of(at_s[thrice], thrice, late_s[thrice][:, None], np.ones(len(thrice), bool))
    np.testing.assert_allclose(chords_s[:, 0], felt_s[thrice], atol=1e-12)
    np.testing.assert_allclose(chords_se, felt_se[thrice], atol=1e-12)
    freak = np.arange(40) == 20
    off_s, off_se = felt_of(at_s, late_s + 0.06 * freak, ~freak)
    others_s, others_se = felt_of(at_s[~freak], late_s[~freak])
    np.testing.assert_allclose(off_s[~freak], others_s, atol=1e-12)
    np.testing.assert_allclose(off_se[~freak], others_se, rtol=1e-9)


def test_a_single_odd_strike_is_not_followed_and_a_moved_beat_is():
    at_s = 0.3 * np.arange(60)
    late_s = np.random.default_rng(4).normal(0, 0.002, 60)
    odd, moved = late_s + 0.03 * (np.arange(60) == 30), late_s + 0.03 * (np.arange(60) >= 30)
    quiet_s, single_s, moved_s = (felt_of(at_s, one)[0] for one in (late_s, odd, moved))
    assert single_s[30] == pytest.approx(quiet_s[30] + 0.03, abs=1e-9)
    # All in, it would pull the beat by half of itself.
    assert np.abs(single_s - quiet_s)[31:].max() < 0.006
    assert moved_s[31] > 0.02
    assert np.abs(moved_s[36:]).max() < 0.012


def test_the_beat_is_lost_where_people_lose_it():
    # Repp 2005 (from memory): no beat is kept when strikes are about 1.8 s and more apart; 1 s apart it is.
    for apart_s, known in ((0.3, True), (1.0, True), (1.8, False), (2.5, False)):
        felt_s, felt_se = felt_of(apart_s * np.arange(30), np.random.default_rng(5).normal(0, 0.002, 30))
        assert np.isnan(felt_s[:4]).all()
        assert (np.isfinite(felt_s[4:]) == known).all() and (np.isfinite(felt_se) == np.isfinite(felt_s)).all()
    pause_s = 0.3 * np.arange(40) + 2.0 * (np.arange(40) >= 20)
    assert list(np.flatnonzero(np.isnan(felt_of(pause_s, np.zeros(40))[0]))) == [0, 1, 2, 3, 20]


def test_a_strike_is_called_only_beyond_the_error_of_the_beat_too():
    got = make_exact([(beat / 2, beat % 2) for beat in range(60)], jitter_s=0.006)["lateness"].iloc[4:]
    heard_s = felt.noticed_from_s(BEAT_S / 2)
    np.testing.assert_allclose(got["noticed_from_s"], np.hypot(heard_s, 2 * got["felt_se"]), rtol=0.02)
    assert (got["felt_se"] > 0.003).all()


def test_few_strikes_in_a_beat_do_not_blow_up_the_delay_of_a_striker():
    # Four strikes within a beat, one in the next but one: a line through the four would make 10 ms of the 4.7.
    within, names = (0, 0.25, 0.5, 0.75, 2.5), (0, 1, 0, 1, 0)
    rows = [(8 * bar + beat, name) for bar in range(24) for beat, name in zip(within, names, strict=True)]
    delay_s = {note: 0.0047 * (striker == 1) for note, (_, striker) in enumerate(rows)}
    late = make_exact(rows, delay_s, jitter_s=1e-4)["lateness"]
    assert late["felt_s"].notna().mean() > 0.7
    assert late["felt_striker_s"].abs().max() < 1.2 * 0.0047
    np.testing.assert_allclose(late[PARTS].sum(axis=1, skipna=False), late["felt_s"], atol=1e-9)


@pytest.mark.parametrize(
    ("score", "machine", "most", "least"),
    [
        ("dense", "slow", 0.04, 0.0),
        ("sparse", "slow", 0.04, 0.0),
        ("rolls", "slow", 0.04, 0.0),
        ("middle", "loaded", 0.07, 0.0),
        ("middle", "displaced", 0.05, 0.75),
        ("dense", "displaced", 0.05, 0.85),
    ],
)
def test_innocent_strikes_are_let_pass_and_displaced_ones_are_found(score, machine, most, least):
    found, bar_before = timing_felt.tallies(score, machine, range(3))
    assert found.called <= most * found.innocent
    assert found.called / found.innocent < 0.6 * bar_before.called / bar_before.innocent
    assert found.n >= bar_before.n
    if machine == "displaced":
        assert found.far > 15 and found.found >= least * found.far


def test_the_error_of_the_beat_is_honest():
    for score in ("dense", "middle", "sparse"):
        found, _ = timing_felt.tallies(score, "slow", range(10, 12))
        assert 0.7 < np.sqrt(found.error2 / found.n) < 1.4
