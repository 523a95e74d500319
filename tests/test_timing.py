"""Hold the tables of the timing stage against simple truth and against what must not change them."""

from dataclasses import replace
from functools import partial
from types import SimpleNamespace

import allantools
import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from pipeline import failures, settings, tables, timing
from pipeline.timing.tables import recordings
from tests import timing_machine

PARTS = ("motion", "load", "shaft", "striker", "pin", "rest")
BEAT_S = timing_machine.BEAT_S


def make_exact(n_strikers=4, bars=40, seed=1, jitter_s=2e-4, **kwargs):
    """Return notes, an all but faultless truth and the generator."""
    chance = np.random.default_rng(seed)
    notes = timing_machine.make_notes(chance, n_strikers, bars=bars, **kwargs)
    truth = timing_machine.make_truth(chance, notes, n_strikers, misplaced=0.0, pin_sd_s=1e-5)
    zero = np.zeros(n_strikers)
    truth = replace(truth, delay_s=zero, drag=zero + 1e-9, speed_sd=1e-4, jitter_s=jitter_s, missed=0.0)
    return chance, notes, truth


def tables_of(notes, takes, n_strikers=4, machine=None):
    machine = machine or timing_machine.make_machine(n_strikers)
    return timing.tables_of(timing_machine.make_group(takes), machine, notes, takes)


def run(notes, takes, n_strikers=4, machine=None):
    return {name: table.to_pandas() for name, table in tables_of(notes, takes, n_strikers, machine).items()}


def sums(frame, prefix, total):
    return (frame[[f"{prefix}{part}_s" for part in PARTS]].sum(axis=1, skipna=False) - frame[total]).abs().max()


@pytest.fixture(scope="module")
def ordinary():
    """Three takes of an ordinary machine, once for all tests that only look at it."""
    chance = np.random.default_rng(42)
    notes = timing_machine.make_notes(chance, 8, bars=48)
    truth = timing_machine.make_truth(chance, notes, 8)
    takes = timing_machine.make_takes(chance, notes, truth, 3)
    made = tables_of(notes, takes, 8)
    schemas = {name: table.schema for name, table in made.items()}
    return notes, truth, takes, {name: table.to_pandas() for name, table in made.items()}, schemas


@pytest.fixture(scope="module")
def short():
    """Two short takes, once for all tests that fit them again beside something else."""
    chance = np.random.default_rng(43)
    notes = timing_machine.make_notes(chance, 4, bars=16)
    takes = timing_machine.make_takes(chance, notes, timing_machine.make_truth(chance, notes, 4), 2)
    return notes, takes, run(notes, takes)


@pytest.fixture(scope="module")
def loaded():
    """Three takes with two kinds of passages and a load of .005 a strike, and nothing else wrong."""
    chance, notes, truth = make_exact(6, bars=48, sections="AC" * 3)
    truth.drag = np.full(6, 0.005)
    return run(notes, timing_machine.make_takes(chance, notes, truth, 3), 6)


def test_the_parts_add_up_within_a_microsecond(ordinary):
    late = ordinary[3]["lateness"]
    assert sums(late, "", "late_s") < 1e-6
    assert sums(late, "felt_", "felt_s") < 1e-6
    assert late["felt_s"].notna().mean() > 0.5


def test_every_table_is_under_its_contract(ordinary):
    assert set(ordinary[3]) == {
        *"lateness tempo recordings passages strikers pins shafts slips budget remainders inertia".split()
    }
    assert ordinary[4] == {name: tables.CONTRACTS[name].schema for name in ordinary[3]}


def test_shares_of_the_budget_sum_to_one(ordinary):
    shares = ordinary[3]["budget"].groupby("ruler")["share"].sum()
    assert sorted(shares.index) == ["felt", "song"]
    np.testing.assert_allclose(shares, 1, atol=1e-9)


def test_late_is_against_the_straight_line_of_the_take(ordinary):
    late = ordinary[3]["lateness"]
    for _, mine in late.groupby("recording"):
        straight = np.polyval(np.polyfit(mine["score_s"], mine["hit_s"], 1), mine["score_s"])
        np.testing.assert_allclose(mine["late_s"], mine["hit_s"] - straight, atol=1e-9)


def test_a_late_striker_is_told_from_a_displaced_pin():
    chance, notes, truth = make_exact()
    truth.delay_s = np.array([0.006, -0.002, -0.002, -0.002])
    truth.pin_s[17] = 0.008
    got = run(notes, timing_machine.make_takes(chance, notes, truth, 3))
    strikers, pins = got["strikers"], got["pins"].set_index("pin_id")
    np.testing.assert_allclose(strikers["delay_s"], truth.delay_s, atol=2e-4)
    assert list(pins.index[pins["misplaced"]]) == [17]
    assert pins.loc[17, "offset_s"] == pytest.approx(0.008, abs=4e-4)
    # On a barrel of 420 mm that turns once in 8 bars of 2.5 s, a millisecond is π 420 / 20 / 1000 = 0.066 mm.
    speed = got["recordings"]["tempo_bpm"].mean() / 96
    assert pins.loc[17, "offset_mm"] == pytest.approx(pins.loc[17, "offset_s"] * np.pi * 420 / 20 * speed, rel=1e-3)


def test_a_linear_drift_of_tempo_is_motion_and_shows_as_trend():
    chance, notes, _ = make_exact(bars=60)
    score_s = notes["score_s"].to_numpy()
    # Slower by 2 % per minute: lateness ½ · 0.02/60 · t².
    hit_s = 2 + score_s + 0.5 * 0.02 / 60 * score_s**2 + chance.normal(0, 2e-4, len(score_s))
    drifting = timing_machine.take_of(
        notes, hit_s, np.zeros(len(score_s), dtype=bool), np.ones(len(score_s), dtype=int)
    )
    got = run(notes, [drifting])
    assert got["recordings"]["tempo_trend_per_min"][0] == pytest.approx(-0.02, rel=0.05)
    late = got["lateness"]
    assert (late["motion_s"] - late["late_s"]).std() < 0.002
    tempo = got["tempo"]
    expected = 96 / (1 + 0.02 / 60 * tempo["score_beat"] * BEAT_S)
    np.testing.assert_allclose(tempo["tempo_bpm"], expected, rtol=0.002)


def test_a_dense_passage_that_slows_is_laid_to_its_load(loaded):
    passages = loaded["passages"].sort_values("first_bar")
    dense = passages["passage"].str.startswith("C")
    assert (passages.loc[dense, "sag"] > 0).all() and (passages.loc[~dense, "sag"] < 0).all()
    assert passages.loc[dense, "load_share"].between(0.8, 1.2).all()
    np.testing.assert_allclose(passages["by_load"], passages["sag"], atol=0.1 * passages["sag"].abs().max())
    # Its error is the drags', whatever the sum of their loads: it does not vanish where that goes through 0.
    assert passages["by_load_se"].min() > 0.2 * passages["by_load_se"].max()
    assert sorted(passages["rank"]) == [1, 2, 3, 4, 5, 6]
    np.testing.assert_allclose(loaded["strikers"]["drag"].mean(), 0.005, rtol=0.1)
    assert loaded["recordings"]["sag_max"].between(0.01, 0.1).all()
    assert (loaded["recordings"]["sag_max_se"] < 0.2 * loaded["recordings"]["sag_max"]).all()


def test_a_strike_costs_the_energy_it_takes(loaded):
    got = loaded["strikers"]
    # ½ I ω² (1 − (1 − d)²) at the barrel: 1.9 kg m² × 6.5² and a turn in 20 s.
    energy = 0.5 * 1.9 * 6.5**2 * (2 * np.pi / 20) ** 2
    expected = energy * (1 - (1 - got["drag"]) ** 2)
    np.testing.assert_allclose(got["energy_j"], expected, rtol=0.05)


def test_a_missed_strike_takes_no_energy():
    chance, notes, truth = make_exact(6, bars=48, sections="AC" * 3)
    truth.drag = np.full(6, 0.005)
    truth.missed = 0.3
    got = run(notes, timing_machine.make_takes(chance, notes, truth, 4), 6)
    np.testing.assert_allclose(got["strikers"]["drag"].mean(), 0.005, rtol=0.15)


def test_innocent_pins_are_not_called():
    for seed in (11, 12, 13):
        chance = np.random.default_rng(seed)
        notes = timing_machine.make_notes(chance, 6, bars=30)
        truth = timing_machine.make_truth(chance, notes, 6, misplaced=0.0)
        pins = run(notes, timing_machine.make_takes(chance, notes, truth, 3), 6)["pins"]
        # 2 % false discoveries of none: at most one in three machines of a hundred or two pins.
        assert pins["misplaced"].sum() <= 1


def test_a_click_is_the_ruler_and_its_offset_stands_apart():
    chance, notes, truth = make_exact()
    truth.speed_sd = 0.002
    take = timing_machine.make_take(chance, notes, truth, speed=1.0)
    hit_s = take.aligned["hit_s"].to_numpy()
    ppm, offset_s = 80.0, 0.035
    clicks = 2.0 - offset_s + np.arange(-2, 170) * BEAT_S * (1 + ppm * 1e-6)
    rig = settings.Rig("full", (settings.Channel(1, ("everything",)), settings.Channel(2, ("click",), bpm=96.0)))
    once = np.ones(len(hit_s), dtype=int)
    with_click = timing_machine.take_of(notes, hit_s, np.zeros(len(hit_s), dtype=bool), once, clicks=clicks, rig=rig)
    got = run(notes, [with_click])
    row = got["recordings"].iloc[0]
    due_s = 2.0 - offset_s + notes["score_s"].to_numpy() * (1 + ppm * 1e-6)
    assert row["clock_ppm"] == pytest.approx(ppm, abs=1.0)
    assert row["click_offset_s"] == pytest.approx(np.mean(hit_s - due_s), abs=1e-4)
    late = got["lateness"].sort_values("note_id")
    np.testing.assert_allclose(late["late_s"], hit_s - due_s - np.mean(hit_s - due_s), atol=1e-4)
    assert sums(late, "", "late_s") < 1e-6 and sums(late, "felt_", "felt_s") < 1e-6


@pytest.mark.parametrize(("offset_s", "is_told"), [(0.14, True), (-0.06, False)])
def test_a_crew_steadily_far_from_the_click_is_told(offset_s, is_told):
    chance, notes, truth = make_exact()
    take = timing_machine.make_take(chance, notes, truth, speed=1.0)
    hit_s = take.aligned["hit_s"].to_numpy()
    clicks = 2.0 - offset_s + np.arange(-2, 170) * BEAT_S
    once = np.ones(len(hit_s), dtype=int)
    missed = np.zeros(len(hit_s), dtype=bool)
    health = run(notes, [timing_machine.take_of(notes, hit_s, missed, once, clicks=clicks)])["recordings"]["health"][0]
    mean_ms = 1000 * np.mean(hit_s - clicks[2] - notes["score_s"].to_numpy())
    assert [one.split(" the click")[0] for one in health] == [f"crew: plays {mean_ms:.0f} ms behind"] * is_told


def test_a_click_may_go_undetected_here_and_there():
    chance, notes, truth = make_exact()
    take = timing_machine.make_take(chance, notes, truth, speed=1.0)
    hit_s = take.aligned["hit_s"].to_numpy()
    clicks = 2.0 + np.arange(-2, 170) * BEAT_S
    clicks = np.delete(clicks, [5, 6, 40, 99])
    once = np.ones(len(hit_s), dtype=int)
    got = run(notes, [timing_machine.take_of(notes, hit_s, np.zeros(len(hit_s), dtype=bool), once, clicks=clicks)])
    late = got["lateness"].sort_values("note_id")["late_s"].to_numpy()
    due_s = 2.0 + notes["score_s"].to_numpy()
    np.testing.assert_allclose(late, hit_s - due_s - np.mean(hit_s - due_s), atol=1e-6)


def test_a_clock_test_has_steadiness_and_little_else():
    chance = np.random.default_rng(3)
    notes = timing_machine.notes_of([(4 * bar, 0, "clock") for bar in range(64)])
    hit_s = 1 + np.cumsum(chance.normal(2.5, 0.01, 64))
    take = timing_machine.take_of(notes, hit_s, np.zeros(64, dtype=bool), np.ones(64, dtype=int))
    got = run(notes, [take], 1)
    row = got["recordings"].iloc[0]
    phase = hit_s / ((hit_s[-1] - hit_s[0]) / 63)
    _, expected, _, _ = allantools.oadev(phase, rate=1.0, data_type="phase", taus=[1, 2, 4, 8])
    steady = row[["steady_1", "steady_2", "steady_4", "steady_8"]].to_numpy(dtype=float)
    np.testing.assert_allclose(steady, expected, rtol=0.01)  # the mean bar is that of the straight line
    assert np.isnan(row["felt_sd_s"]) and np.isnan(row["together_s"]) and np.isnan(row["sag_max"])
    assert got["strikers"][["delay_s", "drag"]].isna().all(axis=None)


def test_notes_written_together_have_a_spread():
    notes = timing_machine.notes_of([(beat, s, "x") for beat in range(64) for s in range(2)])
    hit_s = 1 + notes["score_s"].to_numpy() + np.tile([-0.003, 0.003], 64)
    take = timing_machine.take_of(notes, hit_s, np.zeros(128, dtype=bool), np.ones(128, dtype=int))
    # Two numbers 6 ms apart have the standard deviation 6 / sqrt(2).
    assert run(notes, [take], 2)["recordings"]["together_s"][0] == pytest.approx(0.006 / np.sqrt(2), rel=1e-9)
    # Seven chords of which more than one note was heard tell no spread.
    missed = (np.arange(128) < 114) & (np.arange(128) % 2 == 0)
    take = timing_machine.take_of(notes, hit_s, missed, np.ones(128, dtype=int))
    assert np.isnan(run(notes, [take], 2)["recordings"]["together_s"][0])


def test_a_refused_take_gets_its_row_and_informs_nothing(short):
    notes, takes, before = short
    said = {"refused": "silent: no sound above the noise", "health": ["dead: channel 2; look at the cable"]}
    refused = replace(
        takes[0], said=said, aligned=tables.empty("aligned"), recording=replace(takes[0].recording, recording="bad")
    )
    got = run(notes, [*takes, refused])
    row = got["recordings"].set_index("recording").loc["bad"]
    assert (row["status"], row["reason"], row["n_notes"]) == ("refused", said["refused"], 0)
    assert list(row["health"]) == said["health"]
    np.testing.assert_array_equal(got["strikers"]["delay_s"], before["strikers"]["delay_s"])


def test_a_group_of_refused_takes_has_rows_of_recordings_only(ordinary):
    notes, _, takes, *_ = ordinary
    got = run(notes, [replace(take, said={"refused": "silent"}) for take in takes], 8)
    assert len(got.pop("recordings")) == 3
    assert all(len(table) == 0 for table in got.values())


def test_a_take_without_a_played_note_is_refused(ordinary):
    notes, _, takes, *_ = ordinary
    got = run(notes, [replace(takes[0], aligned=tables.empty("aligned"))], 8)["recordings"]
    assert got["status"][0] == "refused" and got["reason"][0]


@pytest.mark.parametrize("n", [1, 2, 3, 5, 20])
def test_few_notes_get_an_answer(n):
    chance = np.random.default_rng(n)
    notes = timing_machine.notes_of([(beat / 2, beat % 3, "x") for beat in range(n)])
    truth = replace(timing_machine.make_truth(chance, notes, 3), missed=0.0)
    got = run(notes, [timing_machine.make_take(chance, notes, truth)], 3)
    assert len(got["lateness"]) == n
    assert sums(got["lateness"], "", "late_s") < 1e-6
    assert not got["pins"]["misplaced"].any()


def test_going_round_again_goes_on_with_the_same_line(ordinary):
    chance, notes, truth = make_exact(bars=24)
    truth.delay_s = np.array([0.006, -0.002, -0.002, -0.002])
    got = run(notes, [timing_machine.make_take(chance, notes, truth, rounds=3)])
    late = got["lateness"]
    assert set(late["playthrough"]) == {1, 2, 3} and set(late["segment"]) == {1}
    np.testing.assert_allclose(got["strikers"]["delay_s"], truth.delay_s, atol=3e-4)
    assert sums(late, "", "late_s") < 1e-6
    assert late["late_s"].abs().max() < 0.1


def test_a_stall_starts_a_new_line():
    chance, notes, truth = make_exact(bars=24)
    take = timing_machine.make_take(chance, notes, truth, speed=1.0)
    rows = take.aligned.to_pandas()
    after = rows["bar"] > 12
    rows.loc[after, "hit_s"] += 5.0
    rows.loc[after, "segment"] = 2
    got = run(notes, [replace(take, aligned=pa.Table.from_pandas(rows, take.aligned.schema))])
    assert set(got["lateness"]["segment"]) == {1, 2}
    assert got["lateness"]["late_s"].abs().max() < 0.05


def test_undecided_and_unheard_notes_have_no_row_and_no_rate(ordinary):
    notes, _, takes, *_ = ordinary
    rows = takes[0].aligned.to_pandas()
    silent = rows["striker"] == "striker 3"
    rows.loc[silent, "status"] = "unheard"
    rows.loc[silent, ["hit_s", "hit_id"]] = np.nan
    take = replace(takes[0], aligned=pa.Table.from_pandas(rows, takes[0].aligned.schema))
    got = run(notes, [take], 8)
    row = got["strikers"].set_index("striker").loc["striker 3"]
    assert (row["n_played"], row["n_missed"]) == (0, 0)
    assert np.isnan(row["delay_s"]) and np.isfinite(row["drag"])
    assert got["recordings"]["n_notes"][0] == (~silent).sum()


def test_a_striker_in_company_does_not_blame_its_pins():
    chance = np.random.default_rng(21)
    notes = timing_machine.make_notes(chance, 8, bars=60, density=(0.7, 1.6))
    truth = timing_machine.make_truth(chance, notes, 8, misplaced=0.0)
    truth.company_s[2] = 0.005
    got = run(notes, timing_machine.make_takes(chance, notes, truth, 4), 8)
    striker = got["strikers"].set_index("striker").loc["striker 2"]
    assert striker["company_s"] == pytest.approx(0.005, rel=0.15)
    pins = got["pins"]
    assert pins.loc[pins["striker"] == "striker 2", "misplaced"].mean() <= 0.02


def test_one_bad_pin_is_named_as_the_pattern_of_the_misses():
    chance, notes, truth = make_exact(2, bars=40)
    takes = []
    pin = int(np.flatnonzero(notes["pitch"].to_numpy() == 60)[5])
    for k in range(5):
        take = timing_machine.make_take(chance, notes, truth, f"take-{k}")
        missed = np.zeros(len(notes), dtype=bool)
        missed[pin] = True
        takes.append(
            timing_machine.take_of(
                notes, take.aligned["hit_s"].to_numpy(), missed, np.ones(len(notes), dtype=int), f"take-{k}"
            )
        )
    got = run(notes, takes, 2)
    assert got["strikers"]["miss_pattern"].tolist() == ["one pin", ""]
    assert got["pins"].set_index("pin_id").loc[pin, "n_missed"] == 5


@pytest.mark.parametrize("least_takes", [1, 2])
def test_a_take_that_spoils_the_fit_is_refused_and_the_others_are_fitted(short, monkeypatch, tmp_path, least_takes):
    """It spoils a fit of `least_takes` or more: alone, or only beside another (of these it played the fewest notes)."""
    notes, takes, before = short
    aligned = takes[0].aligned
    status = ["undecided"] * 20 + aligned["status"].to_pylist()[20:]
    fewer = aligned.set_column(aligned.column_names.index("status"), "status", [status])
    spoiler = replace(takes[0], recording=replace(takes[0].recording, recording="spoiler"), aligned=fewer)
    whole = timing.fit_of

    def spoiled(machine, notes, used):
        if len(used) >= least_takes and any(take.recording.recording == "spoiler" for take in used):
            raise np.linalg.LinAlgError("not positive definite")
        return whole(machine, notes, used)

    monkeypatch.setattr(timing, "fit_of", spoiled)
    takes = [*takes, spoiler]
    make = partial(timing.tables_of, timing_machine.make_group(takes), timing_machine.make_machine(4), notes)
    made = failures.without_those_that_fail(takes, tmp_path / "log", make)
    row = made["recordings"].to_pandas().set_index("recording").loc["spoiler"]
    assert row["status"] == "refused" and "no speed explains" in row["reason"]
    assert not (tmp_path / "log").exists()
    np.testing.assert_array_equal(made["strikers"].to_pandas()["delay_s"], before["strikers"]["delay_s"])


def test_a_pin_costs_more_time_in_a_slower_take_and_a_delay_does_not():
    chance, notes, truth = make_exact()
    truth.delay_s = np.array([0.006, -0.002, -0.002, -0.002])
    takes = []
    for number, speed in enumerate((1.0, 0.8, 1.0, 0.8)):
        slow = replace(truth, pin_s=np.where(np.arange(len(notes)) == 17, 0.010, 0.0))
        takes.append(timing_machine.make_take(chance, notes, slow, f"take-{number}", speed=speed))
    got = run(notes, takes)
    late = got["lateness"]
    pin = late[late["note_id"] == 17].sort_values("recording")["pin_s"].to_numpy()
    np.testing.assert_allclose(pin, 0.010 / np.array([1.0, 0.8, 1.0, 0.8]), atol=4e-4)
    np.testing.assert_allclose(got["strikers"]["delay_s"], truth.delay_s, atol=2e-4)
    # Told at the mean pace of the takes: (1 + 1.25) / 2.
    assert got["pins"].set_index("pin_id").loc[17, "offset_s"] == pytest.approx(0.01125, abs=4e-4)


def test_misses_at_short_gaps_are_named_so_and_give_the_shortest_good_gap():
    chance, notes, truth = make_exact(2, bars=60)
    pitch, beat = notes["pitch"].to_numpy(), notes["score_beat"].to_numpy()
    takes = []
    for number in range(3):
        hit_s = timing_machine.make_take(chance, notes, truth).aligned["hit_s"].to_numpy()
        missed = np.zeros(len(notes), dtype=bool)
        mine = np.flatnonzero(pitch == 61)
        short = np.r_[False, np.diff(beat[mine]) < 0.3]
        missed[mine[short & (chance.random(len(mine)) < 0.3)]] = True
        once = np.ones(len(notes), dtype=int)
        takes.append(timing_machine.take_of(notes, hit_s, missed, once, f"take-{number}"))
    striker = run(notes, takes, 2)["strikers"].set_index("striker").loc["striker 1"]
    assert striker["miss_pattern"] == "short gaps"
    # A quarter beat is 0.156 s: too short; anything from a half beat on is good.
    assert striker["shortest_good_gap_s"] > 0.25


def make_broken(take):
    """Break a take up: a stall, a stretch that is a segment of its own and nobody heard, extra hits here and there."""
    rows = take.aligned.to_pandas()
    after = rows["bar"] > 12
    rows["segment"] += after
    rows["hit_s"] += 5.0 * after
    silent = rows["bar"].between(20, 21)
    rows.loc[rows["bar"] >= 20, "segment"] += 1
    rows.loc[rows["bar"] > 21, "segment"] += 1
    rows.loc[silent, "status"] = "missed"
    rows.loc[silent, ["hit_s", "hit_id"]] = np.nan
    extra = rows[rows["status"] == "played"].sample(15, random_state=3)
    extra = extra.assign(status="extra", hit_s=extra["hit_s"] + 0.07, hit_id=np.arange(15) + 90_000.0, passage=None)
    for name in ("note_id", "pin_id", "bar", "beat_in_bar", "score_beat", "score_s"):
        extra[name] = np.nan
    extra.loc[extra.index[:4], "striker"] = None
    rows = pd.concat([rows, extra], ignore_index=True)
    return replace(take, aligned=pa.Table.from_pandas(rows, take.aligned.schema, preserve_index=False))


def test_counts_agree_in_all_tables_when_takes_break_up():
    chance, notes, truth = make_exact(bars=36, seed=5)
    truth.missed = 0.05
    takes = timing_machine.make_takes(chance, notes, truth, 2)
    takes = [make_broken(takes[0]), takes[1], timing_machine.make_take(chance, notes, truth, "round", rounds=2)]
    got = run(notes, takes)
    aligned = pd.concat([take.aligned.to_pandas() for take in takes])
    for word in ("played", "missed", "extra"):
        total = (aligned["status"] == word).sum()
        assert got["recordings"][f"n_{word}"].sum() == total
        assert got["passages"][f"n_{word}"].sum() == total
        # Four extra hits carry no name.
        assert got["strikers"][f"n_{word}"].sum() == total - 4 * (word == "extra")
    assert got["pins"]["n_missed"].sum() == (aligned["status"] == "missed").sum()
    assert len(got["lateness"]) == (aligned["status"] == "played").sum()
    assert got["recordings"]["n_notes"].sum() == aligned["status"].isin(["played", "missed"]).sum()


def test_a_take_that_begins_again_is_laid_under_the_click_anew():
    """A false start of 8 beats, a pause of 11.3 beats, then the song: each part is as late as it is, not 19 beats."""
    chance, notes, truth = make_exact(bars=24)
    take = timing_machine.make_take(chance, notes, truth, speed=1.0)
    hit_s, beat = take.aligned["hit_s"].to_numpy(), notes["score_beat"].to_numpy()
    offset_s, again_s = 0.02, 19 * BEAT_S + 0.05
    missed = np.concatenate([beat >= 8, np.zeros(len(beat), bool)])
    played_s = np.concatenate([hit_s, hit_s + again_s])
    clicks = 2.0 - offset_s + np.arange(-2, 140) * BEAT_S
    rounds = np.repeat([1, 2], len(beat))
    restarted = timing_machine.take_of(notes, played_s, missed, rounds, clicks=clicks, segment=rounds)
    got = run(notes, [restarted])
    row, late = got["recordings"].iloc[0], got["lateness"]
    on = late.groupby("segment")["late_s"].mean() + row["click_offset_s"]
    np.testing.assert_allclose(on, [offset_s, offset_s + 0.05], atol=2e-3)
    assert row["late_sd_s"] < 0.03


def test_shafts_were_looked_for_and_none_was_found(ordinary):
    made = ordinary[3]["budget"]
    assert set(made["part"]) == set(PARTS) and len(ordinary[3]["shafts"]) == 0
    assert (made.loc[made["part"] == "shaft", ["sd_s", "share"]] == 0).all(axis=None)
    np.testing.assert_allclose(made.groupby("ruler")["share"].sum(), 1.0)


@pytest.mark.parametrize(("bars", "at_most"), [(10, 0.065), (40, 0.08), (160, 0.08)])
def test_a_crew_that_wanders_has_a_trend_beyond_its_error_in_one_take_of_twenty(bars, at_most):
    """Speeds drawn as an Ornstein–Uhlenbeck path of σ 0.6 % and ℓ 8 beats; 200 draws are uncertain by 0.015."""
    chance = np.random.default_rng(77)
    scales = SimpleNamespace(speed_sd=0.006, speed_beats=8.0)
    u_beat = np.arange(0, 4 * bars, 0.5)
    speed = chance.normal(0, scales.speed_sd, 200)
    fades, path = np.exp(-0.5 / scales.speed_beats), []
    for _ in u_beat:
        speed = fades * speed + chance.normal(0, scales.speed_sd * np.sqrt(1 - fades**2), 200)
        path.append(speed)
    beyond = 0
    for one in np.array(path).T:
        grid = pd.DataFrame({"u_beat": u_beat, "time_s": 0.6 * u_beat, "pace": 1 / (1 + one)})
        trend, se = recordings._trend_per_min(grid), recordings._trend_se_per_min(SimpleNamespace(scales=scales), grid)
        beyond += abs(trend) > 1.96 * se
    assert beyond / 200 < at_most
