"""Take against take: did the last change help, or was it chance?"""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pyarrow as pa
import pytest
from scipy import stats

from pipeline import tables, trend
from pipeline.settings import (
    Arrangement,
    Barrel,
    Detection,
    Flywheel,
    Machine,
    Recording,
    Settings,
    Shaft,
    Striker,
    Wheel,
)

FIRST_DAY = date(2031, 5, 3)
SPREADS = ("felt_sd_s", "together_s", "steady_1", "steady_4", "sag_max")


def make_recordings(values, takes_sd=0.1, effects=(), seed=0, rate=0.02, without=()):
    """Return recordings: `values` takes on each day; `effects[day]` multiplies all quantities of that day."""
    generator = np.random.default_rng(seed)
    rows = {name: [] for name in tables.CONTRACTS["recordings"].schema.names}
    for day, n_takes in enumerate(values):
        effect = effects[day] if day < len(effects) else 1.0
        for take in range(n_takes):
            row = dict.fromkeys(rows)
            row |= {"arrangement": "song", "build_day": FIRST_DAY + timedelta(day), "session": 1, "setup": ""}
            row |= {"recording": f"d{day}t{take}", "status": "used", "reason": "", "health": []}
            missed = generator.poisson(rate * effect * 1000)
            row |= {"n_notes": 1000, "n_played": 1000 - missed, "n_missed": missed, "n_extra": 20, "tempo_bpm": 96.0}
            row["n_noticed"] = missed + 20
            for name in SPREADS:
                value = 0.008 * effect * np.exp(generator.normal(0, takes_sd))
                row[name] = None if name in without else value
            for name, value in row.items():
                rows[name].append(value)
    return tables.build("recordings", rows)


def of(table, **keys):
    frame = table.to_pandas()
    for key, value in keys.items():
        frame = frame[frame[key] == value]
    return frame


def newest(table, **keys):
    """Return the one row of the last group."""
    frame = of(table, **keys).sort_values(["build_day", "session", "setup"])
    frame = frame[frame["build_day"] == frame["build_day"].max()]
    assert len(frame) == 1
    return frame.iloc[0]


def test_a_change_twenty_times_the_spread_between_takes_is_better_and_its_interval_holds_it():
    made = trend.trend(make_recordings([3, 3], takes_sd=0.05, effects=(1.0, 0.4)), None)
    row = of(made, quantity="felt_sd_s", against="previous", build_day=FIRST_DAY + timedelta(1)).iloc[0]
    assert row["verdict"] == "better"
    assert row["change_low"] < -0.6 * 0.008 < row["change_high"] < 0
    assert of(trend.trend(make_recordings([3, 3], effects=(0.4, 1.0)), None), verdict="worse").shape[0] > 0


@pytest.mark.parametrize(
    ("seeds", "most"), [(range(40), 0.10), pytest.param(range(40, 200), 0.074, marks=pytest.mark.long)]
)
def test_false_changes_stay_near_one_in_twenty_with_two_or_three_takes(seeds, most):
    """Where nothing changed, at most 5 % of comparisons may call a change, all quantities at once.

    80 or 320 comparisons: a right method exceeds the limit with a probability below 2 or 3 % (binomial); a percentile
    bootstrap calls 20 to 33 %. `tests/benchmarks/build_days.py quantities` does it with takes of a machine.
    """
    false = []
    for seed in seeds:
        for n_takes in (2, 3):
            made = of(trend.trend(make_recordings([n_takes, n_takes], seed=seed), None), against="previous")
            false.append(made["verdict"].isin(["better", "worse"]).any())
    assert np.mean(false) <= most


@pytest.mark.parametrize("projects", [range(600, 610), pytest.param(range(610, 710), marks=pytest.mark.long)])
def test_a_change_half_again_as_large_as_is_called_detectable_is_called_four_times_in_five(projects):
    """What is detectable is told by one project of three equal days, and tried on the chance of the next."""
    called, times = [], {}
    for seed in projects:
        frame = make_recordings([3, 3, 3], seed=seed).to_pandas()
        last = frame["build_day"].eq(frame["build_day"].max())
        made = newest_of(frame)
        frame = frame.assign(**{name: frame[name].where(~last, frame[name] * by) for name, by in times.items()})
        called += (newest_of(frame).loc[list(times), "verdict"] == "worse").tolist()
        made = made.loc[list(SPREADS)]
        times = dict(1 + 1.5 * made["detectable"] / (made["value"] - made["change"]))
    assert np.mean(called) >= 0.80


def newest_of(frame):
    """Return the last day against the one before, by quantity."""
    made = of(trend.trend(tables.build("recordings", {name: list(frame[name]) for name in frame}), None))
    made = made[made["against"].eq("previous") & made["build_day"].eq(made["build_day"].max())]
    return made.set_index("quantity")


@pytest.mark.parametrize(
    ("seeds", "spare"), [(range(40), 0.08), pytest.param(range(40, 240), 0.03, marks=pytest.mark.long)]
)
def test_all_intervals_of_a_comparison_hold_the_truth_at_once_nineteen_times_in_twenty(seeds, spare):
    """Five spreads of seven quantities; a binomial standard error of 3.4 or 1.5 %, two below 95 %.

    Single 95 % intervals would hold at once in .95^5 = 77 %.
    """
    held = []
    for seed in seeds:
        made = of(trend.trend(make_recordings([2, 2], seed=seed, effects=(1.0, 0.8)), None), against="previous")
        made = made[(made["build_day"] > FIRST_DAY) & made["quantity"].isin(SPREADS)]
        # The interval of the ratio, as the value compared with scales both ends.
        reference = made["value"] - made["change"]
        low, high = 1 + made["change_low"] / reference, 1 + made["change_high"] / reference
        held.append(((low <= 0.8) & (0.8 <= high)).all())
    assert np.mean(held) >= 0.95 - spare


def test_a_day_with_one_take_borrows_the_pool_and_no_pool_means_no_verdict():
    pooled = trend.trend(make_recordings([3, 1], effects=(1.0, 0.2)), None)
    row = of(pooled, quantity="felt_sd_s", against="previous", build_day=FIRST_DAY + timedelta(1)).iloc[0]
    assert row["df"] == 2 and row["verdict"] == "better"
    alone = trend.trend(make_recordings([1, 1], effects=(1.0, 0.2)), None)
    assert set(alone["verdict"].to_pylist()) == {""}
    assert of(alone, quantity="felt_sd_s", against="previous")["change"].notna().sum() == 1


def test_the_pooled_interval_equals_the_textbook_two_sample_t():
    """scipy's two-sample t test with equal variances is the outside authority; two groups are the whole pool.

    Seven quantities are compared: each interval is that of 1 - 0.05/7 (Dunn 1961).
    """
    table = make_recordings([4, 3], effects=(1.0, 0.9), seed=5)
    frame = table.to_pandas()
    logs = [np.log(frame[frame["build_day"] == FIRST_DAY + timedelta(day)]["felt_sd_s"]) for day in (0, 1)]
    theirs = stats.ttest_ind(logs[1], logs[0]).confidence_interval(1 - 0.05 / 7)
    row = newest(trend.trend(table, None), quantity="felt_sd_s", against="previous")
    reference = row["value"] - row["change"]
    assert reference == pytest.approx(np.exp(logs[0].mean())) and row["value"] == pytest.approx(np.exp(logs[1].mean()))
    ours = np.log1p(row[["change_low", "change_high"]].to_numpy(float) / reference)
    np.testing.assert_allclose(ours, [theirs.low, theirs.high], rtol=1e-9)
    # A change that is seen in 95 of 100 lies further out by Student's one-sided 95 %.
    reach, se = (theirs.high - theirs.low) / 2, (theirs.high - theirs.low) / 2 / stats.t.ppf(1 - 0.025 / 7, 5)
    assert row["detectable"] == pytest.approx(reference * np.expm1(reach + stats.t.ppf(0.95, 5) * se))
    assert row["df"] == 5 and row["n_recordings"] == 3
    pooled = np.sqrt((3 * logs[0].var() + 2 * logs[1].var()) / 5)
    assert row["value_se"] == pytest.approx(row["value"] * pooled / np.sqrt(3))


def test_a_quantity_that_is_alone_has_the_single_interval():
    """With one quantity there is one look: scipy's 95 % interval (a clock test has its steadiness and little else)."""
    table = make_recordings(
        [4, 3], effects=(1.0, 0.9), seed=5, without=("felt_sd_s", "together_s", "steady_4", "sag_max")
    )
    frame = table.to_pandas()
    frame["n_notes"] = 0
    table = tables.build("recordings", {name: list(frame[name]) for name in frame})
    logs = [np.log(frame[frame["build_day"] == FIRST_DAY + timedelta(day)]["steady_1"]) for day in (0, 1)]
    theirs = stats.ttest_ind(logs[1], logs[0]).confidence_interval(0.95)
    row = newest(trend.trend(table, None), against="previous")
    ours = np.log1p(row[["change_low", "change_high"]].to_numpy(float) / (row["value"] - row["change"]))
    np.testing.assert_allclose(ours, [theirs.low, theirs.high], rtol=1e-9)


@pytest.mark.parametrize("effect", [1.0, 0.8, 1.3])
def test_a_verdict_stands_exactly_where_its_interval_leaves_0_out(effect):
    words = set()
    for seed in range(12):
        made = trend.trend(make_recordings([2, 3, 1], effects=(1.0, effect, 1.0), seed=seed), FIRST_DAY).to_pandas()
        made = made[made["change"].notna()]
        told = np.select([made["change_high"] < 0, made["change_low"] > 0], ["better", "worse"], "no clear change")
        np.testing.assert_array_equal(made["verdict"], told)
        assert ((made["change_low"] <= made["change"]) & (made["change"] <= made["change_high"])).all()
        words |= set(told)
    assert len(words) == (3 if effect != 1.0 else len(words))


@pytest.mark.parametrize("sign", [1, -1])
def test_a_change_that_is_called_detectable_would_have_been_seen_nineteen_times_in_twenty(sign):
    """The same takes with a change of just that size: 5 quantities × 30 pairs of days, binomial error 1.8 %."""
    seen = []
    for seed in range(30):
        noise = of(trend.trend(make_recordings([3, 3], seed=seed, takes_sd=0.03), None), against="previous")
        noise = noise[noise["change"].notna() & noise["quantity"].isin(SPREADS)]
        # The true value before is 0.008; the width of the interval is that of this noise.
        for row in noise.itertuples():
            ratio = 1 + sign * row.detectable / (row.value - row.change)
            low = np.log1p(row.change_low / (row.value - row.change)) + np.log(ratio)
            high = np.log1p(row.change_high / (row.value - row.change)) + np.log(ratio)
            seen.append(low > 0 if sign > 0 else high < 0)
    # For the better a little less would do: at least as often.
    assert np.mean(seen) >= 0.95 - 2 * 0.018 and (sign < 0 or np.mean(seen) <= 0.95 + 2.5 * 0.018)


def test_a_quantity_that_the_day_before_lacks_is_not_compared_with_an_older_day():
    """A day with one microphone for all knows nothing of chords; the day after it has nothing `previous` there."""
    frame = make_recordings([2, 2, 2], effects=(1.0, 1.0, 0.3)).to_pandas()
    frame.loc[frame["build_day"] == FIRST_DAY + timedelta(1), "together_s"] = np.nan
    made = trend.trend(tables.build("recordings", {name: list(frame[name]) for name in frame}), None)
    row = newest(made, quantity="together_s", against="previous")
    assert np.isnan(row["change"]) and row["verdict"] == "" and np.isnan(row["df"]) and row["value"] > 0
    assert newest(made, quantity="together_s", against="first")["verdict"] == "better"
    assert newest(made, quantity="felt_sd_s", against="previous")["change"] < 0


def test_the_distance_from_the_click_is_compared_only_where_there_was_one():
    """Without a click the spread over a song is how far a free crew drifts: tempo, and no fault."""
    frame = make_recordings([3, 3], takes_sd=0.02).to_pandas()
    frame["late_sd_s"] = [0.050, 0.051, 0.049, 0.020, 0.0201, 0.0199]
    free = trend.trend(tables.build("recordings", {name: list(frame[name]) for name in frame}), None)
    assert "late_sd_s" not in free["quantity"].to_pylist()
    frame["click_offset_s"] = 0.012
    row = newest(trend.trend(tables.build("recordings", {name: list(frame[name]) for name in frame}), None),
                 quantity="late_sd_s", against="previous")  # fmt: skip
    assert row["verdict"] == "better" and row["change"] == pytest.approx(-0.030, abs=0.001)


def test_copies_of_a_take_tell_nothing_of_chance():
    made = trend.trend(make_recordings([2, 2], effects=(1.0, 0.5), takes_sd=0.0), None)
    row = newest(made, quantity="felt_sd_s", against="previous")
    assert row["verdict"] == "" and row["change"] == pytest.approx(-0.004) and np.isnan(row["change_low"])


def test_groups_are_compared_in_the_order_of_day_session_and_set_up():
    frame = make_recordings([4, 2]).to_pandas()
    frame["session"] = [2, 2, 1, 1, 1, 1]
    frame["setup"] = ["b", "a", "", "", "", ""]
    frame["felt_sd_s"] = [4.0, 3.0, 1.0, 2.0, 5.0, 6.0]
    made = of(trend.trend(tables.build("recordings", {name: list(frame[name]) for name in frame}), None))
    made = made[made["quantity"] == "felt_sd_s"].sort_values(["build_day", "session", "setup"])
    root = [np.sqrt(2), 3.0, 4.0, np.sqrt(30)]
    for against, before in (("previous", [0, 0, 1, 2]), ("first", [0, 0, 0, 0])):
        some = made[made["against"] == against]
        np.testing.assert_allclose(some["value"], root)
        assert some["change"].isna().tolist() == [True, False, False, False]
        np.testing.assert_allclose(some["change"].iloc[1:], [root[k] - root[before[k]] for k in (1, 2, 3)])
    assert set(made["against"]) == {"previous", "first"}


def test_arrangements_are_compared_apart():
    frame = make_recordings([2, 2]).to_pandas()
    frame["arrangement"] = ["song", "song", "clock", "clock"]
    made = of(trend.trend(tables.build("recordings", {name: list(frame[name]) for name in frame}), None))
    assert made["change"].isna().all() and set(made["verdict"]) == {""} and len(made) == 2 * 7 * 2


def test_takes_of_another_arrangement_tell_nothing_of_how_takes_of_this_one_differ():
    """A clock test with one take a day beside a song with three: no verdict on it, whatever the song's takes do."""
    frame = make_recordings([3, 3, 1, 1], effects=(1.0, 1.0, 1.0, 0.3), takes_sd=0.02).to_pandas()
    frame["arrangement"] = ["song"] * 6 + ["clock"] * 2
    made = trend.trend(tables.build("recordings", {name: list(frame[name]) for name in frame}), None)
    row = newest(made, quantity="steady_1", against="previous")
    assert row["change"] < 0 and row["verdict"] == "" and np.isnan(row["change_low"])
    assert set(of(made, arrangement="song", quantity="steady_1")["verdict"]) == {"", "no clear change"}


def with_counts(missed, n_notes=1000, days=(2, 2)):
    frame = make_recordings(list(days)).to_pandas()
    frame["n_missed"], frame["n_notes"] = missed, n_notes
    return trend.trend(tables.build("recordings", {name: list(frame[name]) for name in frame}), None)


def test_the_error_of_a_rate_is_poissons_stretched_by_what_takes_differ_more():
    """By hand: of 3 and 9 each 6 is expected, (9 + 9)/6 = 3 over 2 degrees of freedom is 1.5; and half a strike."""
    row = newest(with_counts([3, 9, 4, 4]), quantity="missed", against="previous")
    variance = [1.5 * 12.5 / 2000**2, 1.5 * 8.5 / 2000**2]
    assert row["value"] == 8 / 2000 and row["change"] == pytest.approx(-4 / 2000) and row["df"] == 2
    assert row["value_se"] == pytest.approx(np.sqrt(variance[1]))
    reach = stats.t.ppf(1 - 0.025 / 7, 2) * np.sqrt(sum(variance))
    assert row["change_low"] == pytest.approx(row["change"] - reach)
    assert row["change_high"] == pytest.approx(row["change"] + reach)
    assert row["detectable"] == pytest.approx(reach + stats.t.ppf(0.95, 2) * np.sqrt(sum(variance)))


def test_counts_as_even_as_poissons_or_more_so_have_poissons_error():
    row = newest(with_counts([6, 6, 4, 4]), quantity="missed", against="previous")
    assert row["value_se"] == pytest.approx(np.sqrt(8.5) / 2000)


def test_a_day_without_any_miss_says_nothing_of_how_counts_differ():
    """By hand: (2 · 36)/6 = 12 over 1 degree of freedom; the day of zeros would have halved it."""
    row = newest(with_counts([0, 12, 0, 0]), quantity="missed", against="previous")
    assert row["df"] == 1 and row["value_se"] == pytest.approx(np.sqrt(12 * 0.5) / 2000)


def test_no_rate_is_told_of_takes_without_notes():
    made = of(with_counts([0, 0, 0, 0], n_notes=[1000, 1000, 0, 0]), quantity="missed")
    assert set(made["build_day"]) == {FIRST_DAY}


def test_a_baseline_is_one_more_day_to_compare_with():
    made = trend.trend(make_recordings([2, 2, 2], effects=(1.0, 0.5, 0.25)), FIRST_DAY + timedelta(1))
    last = of(made, quantity="felt_sd_s", build_day=FIRST_DAY + timedelta(2)).set_index("against")
    assert last.loc["first", "change"] < last.loc["baseline", "change"] < 0
    assert last.loc["baseline", "change"] == last.loc["previous", "change"]


def test_refused_recordings_and_a_project_without_any_take_no_part():
    table = make_recordings([2])
    refused = table.set_column(table.column_names.index("status"), table.schema.field("status"), [["refused"] * 2])
    assert trend.trend(refused, None).num_rows == 0
    assert trend.trend(tables.empty("recordings"), FIRST_DAY).num_rows == 0


def test_the_error_of_the_common_fit_keeps_a_sag_from_being_called_changed():
    """Takes of one group share their drags: alike among themselves, and all wrong together."""
    table = make_recordings([3, 3], takes_sd=0.01, effects=(1.0, 1.3))
    at = table.column_names.index("sag_max_se")
    unsure = table.set_column(at, table.schema.field("sag_max_se"), [[0.003] * 6])
    found = [of(trend.trend(one, None), quantity="sag_max", against="previous") for one in (table, unsure)]
    assert [one["verdict"].iloc[-1] for one in found] == ["worse", "no clear change"]
    # The takes' own scatter and the two errors of the fits, in the logarithm; seven quantities, 4 degrees of freedom.
    row, value_se = found[1].iloc[-1], found[0]["value_se"].to_numpy()
    value = found[0]["value"].to_numpy()
    variance = (value_se / value) ** 2 + (0.003 / value) ** 2
    low, high = np.log1p(row[["change_low", "change_high"]].to_numpy(float) / value[0])
    assert (high - low) / 2 == pytest.approx(stats.t.ppf(1 - 0.025 / 7, 4) * np.sqrt(variance.sum()))
    assert row["value_se"] == pytest.approx(np.hypot(value_se[1], 0.003))


def test_takes_that_miss_nothing_are_alike_whatever_their_length():
    table = make_recordings([2, 2], rate=0.0)
    at = table.column_names.index("n_notes")
    table = table.set_column(at, table.schema.field("n_notes"), [[1000, 1000, 300, 200]])
    row = of(trend.trend(table, None), quantity="missed", against="previous", build_day=FIRST_DAY + timedelta(1)).iloc[
        0
    ]
    assert row["value"] == row["change"] == 0 and row["verdict"] == "no clear change"
    assert row["change_low"] < 0 < row["change_high"]


def test_the_rate_of_misses_is_all_misses_over_all_notes_and_a_tenfold_rise_is_worse():
    table = make_recordings([3, 3], effects=(1.0, 10.0), rate=0.005)
    frame = table.to_pandas().groupby("build_day")[["n_missed", "n_notes"]].sum()
    made = of(trend.trend(table, None), quantity="missed", against="previous").set_index("build_day")
    np.testing.assert_allclose(made["value"], frame["n_missed"] / frame["n_notes"])
    assert made["verdict"].iloc[-1] == "worse"


def make_settings(takes_setup="narrow"):
    """A wheel of 2 kg m² behind a belt 5 : 1 (narrow) and, only configured, 10 : 1 (wide); a turn is 32 beats."""
    strikers = (Striker("slate", (60,)),)
    wheel = Flywheel(inertia_kg_m2=2.0, diameter_mm=600.0)
    setups = tuple(
        (name, Machine(Barrel(8, 420.0), (Shaft("flywheel", turns),), wheel, strikers))
        for name, turns in (("narrow", 5.0), ("wide", 10.0))
    )
    takes = (Recording("d0t0", "x", FIRST_DAY, "", "song", takes_setup),)
    bare = Machine(Barrel(8, 420.0), (), None, strikers)
    return Settings("c", "r", None, (Arrangement("song", "s"),), bare, setups, (), Detection(), takes)


def make_sags(played, takes_sd=0.05, sag_se=None, seed=0, n_takes=3):
    """Return recordings whose sag is told: (set-up, mean sag) of each day, `n_takes` takes of it."""
    chance = np.random.default_rng(seed)
    frame = make_recordings([n_takes] * len(played)).to_pandas()
    frame["setup"] = np.repeat([name for name, _ in played], n_takes)
    scatter = np.exp(chance.normal(0, takes_sd, len(frame)))
    frame["sag_max"] = np.repeat([sag for _, sag in played], n_takes) * scatter
    frame["sag_max_se"] = sag_se
    return tables.build("recordings", {name: list(frame[name]) for name in frame})


SONG = {"song": pa.table({"score_beat": [0.0, 64.0], "barrel_turn": [0.0, 2.0]})}


NOTHING, NO_STRIKERS = tables.empty("inertia"), tables.empty("strikers")


def setups_of(table, settings=None, inertia=NOTHING, strikers=NO_STRIKERS):
    return trend.setups(table, strikers, inertia, SONG, settings or make_settings()).to_pandas().set_index("setup")


def test_inertia_energy_and_rim_speed_of_set_ups_follow_from_their_pulleys():
    """Reflected inertia = I × ratio², E = ½ I ω², rim = π d n (standard mechanics)."""
    made = setups_of(make_sags([("narrow", 0.008)], takes_sd=0.0))
    assert list(made.index) == ["narrow", "wide"]
    assert list(made["inertia_at_barrel_kg_m2"]) == [50.0, 200.0]
    assert made.loc["narrow", "sag_max"] == pytest.approx(0.008)
    assert np.isnan(made.loc["wide", "sag_max"]) and list(made["n_recordings"]) == [3, 0]
    # 96 beats a minute, 32 beats a turn: the barrel turns once in 20 s, the wide pulley's wheel ten times.
    assert made.loc["wide", "energy_j"] == pytest.approx(0.5 * 200 * (2 * np.pi / 20) ** 2)
    assert made.loc["wide", "rim_m_per_s"] == pytest.approx(np.pi * 0.6 / 2)
    assert made.loc["narrow", "rim_m_per_s"] == pytest.approx(np.pi * 0.6 / 4)


def test_a_song_that_begins_late_or_has_one_note_tells_how_far_the_barrel_turns_or_nothing():
    """From beat 4 to beat 68 it turns from 0.5 to 4.5: 1/16 turn a beat, at 96 beats a minute 1/10 turn a second."""
    table = make_sags([("narrow", 0.008)])
    song = pa.table({"score_beat": [4.0, 8.0, 68.0], "barrel_turn": [0.5, 0.75, 4.5]})
    made = trend.setups(table, NO_STRIKERS, NOTHING, {"song": song}, make_settings()).to_pandas().set_index("setup")
    assert made.loc["narrow", "energy_j"] == pytest.approx(0.5 * 50 * (2 * np.pi / 10) ** 2)
    for n in (0, 1):
        made = trend.setups(table, NO_STRIKERS, NOTHING, {"song": song.slice(0, n)}, make_settings()).to_pandas()
        assert made["energy_j"].isna().all() and made["rim_m_per_s"].isna().all()


def test_a_set_up_is_judged_at_the_tempo_at_which_it_was_played():
    frame = make_sags([("narrow", 0.008), ("wide", 0.002)]).to_pandas()
    frame["tempo_bpm"] = [96.0, 96.0, 96.0, 48.0, 48.0, 48.0]
    made = setups_of(tables.build("recordings", {name: list(frame[name]) for name in frame}))
    assert made.loc["wide", "energy_j"] == pytest.approx(0.5 * 200 * (2 * np.pi / 40) ** 2)
    assert made.loc["narrow", "energy_j"] == pytest.approx(0.5 * 50 * (2 * np.pi / 20) ** 2)
    # Nobody played the third: the tempo of all takes, 72.
    made = setups_of(tables.build("recordings", {name: list(frame[name]) for name in frame}), make_three_setups())
    assert made.loc["third", "energy_j"] == pytest.approx(0.5 * 98 * (2 * np.pi * 72 / 60 / 32) ** 2)


def test_a_machine_without_a_flywheel_has_no_inertia_and_the_largest_wheel_has_the_rim():
    settings = make_settings()
    bare = replace(settings, setups=(("narrow", settings.machine),))
    made = setups_of(make_sags([("narrow", 0.008), ("narrow", 0.008), ("", 0.004)]), bare)
    assert made[["inertia_at_barrel_kg_m2", "energy_j", "rim_m_per_s", "sag_max_predicted"]].isna().all().all()
    assert list(made.index) == ["", "narrow"] and list(made["sag_law"]) == ["cannot tell"] * 2
    wheels = Flywheel(wheels=(Wheel(10.0, 500.0), Wheel(1.0, 900.0)), diameter_mm=600.0)
    built = replace(settings.machine, flywheel=wheels)
    made = setups_of(make_sags([("narrow", 0.008)]), replace(settings, setups=(("narrow", built),)))
    assert made.loc["narrow", "rim_m_per_s"] == pytest.approx(np.pi * 0.9 / 20)


A_B_A_B = ("narrow", "wide", "narrow", "wide")


def make_three_setups():
    """Like `make_settings`, with `third`, 7 : 1, so 98 kg m²."""
    settings = make_settings()
    third = replace(settings.setups[0][1], shafts=(Shaft("flywheel", 7.0),))
    return replace(settings, setups=(*settings.setups, ("third", third)))


def test_the_error_of_a_measured_loss_is_that_of_the_mean_of_its_takes():
    """numpy's variances, pooled over four days of three takes, are the outside authority."""
    sag = [0.02, 0.005, 0.021, 0.0049]
    table = make_sags(list(zip(A_B_A_B, sag, strict=True)), takes_sd=0.05, seed=3)
    frame = table.to_pandas()
    logs = np.log(frame["sag_max"]).groupby(frame["build_day"])
    made = setups_of(table, make_three_setups())
    expected = made["sag_max"].dropna() * np.sqrt(logs.var().mean() / 3 / 2)
    np.testing.assert_allclose(made["sag_max_se"].dropna(), expected)


def test_a_loss_that_more_inertia_did_not_lower_contradicts_the_law():
    """2.5 × the inertia took the loss from 8.6 to 7.7 % only."""
    sag = {"narrow": 0.086, "wide": 0.077}
    made = setups_of(make_sags([(name, sag[name]) for name in A_B_A_B], takes_sd=0.02), make_three_setups())
    assert set(made["sag_law"]) == {"contradicted"}
    steeper = {"narrow": 0.08, "wide": 0.002}
    made = setups_of(make_sags([(name, steeper[name]) for name in A_B_A_B], takes_sd=0.02), make_three_setups())
    assert set(made["sag_law"]) == {"contradicted"}


def test_days_that_differ_more_than_their_takes_leave_the_law_open():
    """Takes alike to 2 %, days of one set-up by a factor of two: the demo's first two days did so."""
    played = [("narrow", 0.024), ("wide", 0.009), ("narrow", 0.012), ("wide", 0.0045)]
    made = setups_of(make_sags(played, takes_sd=0.02), make_three_setups())
    assert set(made["sag_law"]) == {"cannot tell"}


@pytest.mark.parametrize("seeds", [range(60), pytest.param(range(100, 400), marks=pytest.mark.long)])
def test_a_law_that_holds_is_seldom_called_contradicted_and_no_effect_seldom_called_a_law(seeds):
    words = {1.0: [], 0.0: []}
    for power in words:
        for seed in seeds:
            chance = np.random.default_rng(5000 + seed)
            played = [
                (name, 0.02 * ratio**-power * np.exp(chance.normal(0, 0.1)))
                for name, ratio in zip(A_B_A_B, [1, 4] * 2, strict=True)
            ]
            words[power].append(setups_of(make_sags(played, seed=seed))["sag_law"].iloc[0])
    limit = 0.05 + 2 * np.sqrt(0.05 * 0.95 / len(seeds))
    assert np.mean(np.array(words[1.0]) == "contradicted") <= limit
    assert np.mean(np.array(words[0.0]) == "holds") <= limit
    assert np.mean(np.array(words[1.0]) == "holds") > 0.8


KAPPA = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0)
INERTIA = {"narrow": 50.0, "wide": 200.0, "third": 98.0}


def make_takes(played, takes_sd=0.03, days_sd=0.0, seed=0, n_takes=3, mechanism_s=0.004):
    """Return the tables recordings and inertia of groups played on one machine: (set-up, ...) of each day.

    Where the inertia is 50, strikes cost 2 % of the speed, and the speed moves the felt strikes by 6 ms: both fall as
    1/inertia. Steadiness falls as 1/√inertia, the distance from the click not at all.
    """
    chance = np.random.default_rng(seed)
    recordings, rows = make_sags([(name, 0.02) for name in played], n_takes=n_takes, seed=seed).to_pandas(), []
    recordings["click"] = np.nan
    for day, name in enumerate(played):
        of_day = np.exp(chance.normal(0, days_sd, 4))
        for take in range(n_takes):
            by = of_day * np.exp(chance.normal(0, takes_sd, 4))
            still_s = (mechanism_s[day] if np.ndim(mechanism_s) else mechanism_s) * np.exp(chance.normal(0, takes_sd))
            at = day * n_takes + take
            for kappa in KAPPA:
                more = kappa * INERTIA[name] / 50.0
                speed, sag, steady, click = by * [0.006 / more, 0.02 / more, 0.009 / np.sqrt(more), 0.1]
                row = {key: recordings.at[at, key] for key in ("arrangement", "build_day", "session", "setup")}
                row |= {"recording": recordings.at[at, "recording"], "inertia_ratio": kappa}
                row |= {"felt_sd_s": np.hypot(speed, still_s), "speed_sd_s": speed, "mechanism_sd_s": still_s}
                row |= {"sag_max": sag, "click_sd_s": click} | {f"steady_{n}": steady for n in (1, 2, 4, 8)}
                rows.append(row)
                if kappa == 1.0:
                    for quantity in SPREADS:
                        if quantity in row:
                            recordings.at[at, quantity] = row[quantity]
    names = tables.CONTRACTS["inertia"].schema.names
    inertia = tables.build("inertia", {name: [row.get(name) for row in rows] for name in names})
    recordings = recordings.drop(columns="click")
    return tables.build("recordings", {name: list(recordings[name]) for name in recordings}), inertia


def foreseen_of(played, settings=None, **more):
    table, inertia = make_takes(played, **more)
    made = setups_of(table, settings or make_three_setups(), inertia)
    return made[made["more_wheels"] == 0], made[made["more_wheels"] == 1]


def test_one_measured_set_up_foresees_the_others_and_one_more_wheel():
    made, more = foreseen_of(["narrow"])
    third, wide = made.loc["third"], made.loc["wide"]
    speed_s = 0.006 * 50 / 98
    assert third["felt_sd_predicted_s"] == pytest.approx(np.hypot(speed_s, 0.004), rel=0.05)
    assert third["sag_max_predicted"] == pytest.approx(0.02 * 50 / 98, rel=0.1)
    assert wide["steady_1_predicted"] == pytest.approx(0.009 / 2, rel=0.1)
    assert wide["click_sd_predicted_s"] == pytest.approx(0.1, rel=0.1) and np.isnan(wide["click_sd_s"])
    for name in ("felt_sd{}_s", "sag_max{}", "steady_1{}", "steady_4{}", "click_sd{}_s"):
        low, value, high = (third[name.format(part)] for part in ("_low", "_predicted", "_high"))
        assert 0.7 * value < low < value < high < 1.5 * value
    assert (third["predicted_from"], third["predicted_from_day"], third["agrees"]) == ("narrow", FIRST_DAY, "")
    # It cannot be foreseen from itself.
    assert np.isnan(made.loc["narrow", "felt_sd_predicted_s"])
    assert list(more.index) == ["narrow"] and list(more["n_recordings"]) == [0]
    assert more["inertia_at_barrel_kg_m2"].iloc[0] == 100.0
    assert more["rim_m_per_s"].iloc[0] == made.loc["narrow", "rim_m_per_s"]
    assert more["energy_j"].iloc[0] == pytest.approx(2 * made.loc["narrow", "energy_j"])
    assert more["sag_max_predicted"].iloc[0] == pytest.approx(0.01, rel=0.1)


def test_wheels_as_built_get_one_more_of_the_largest():
    settings = make_settings()
    built = Flywheel(wheels=(Wheel(18.0, 600.0, 420.0, 2), Wheel(4.0, 200.0)))
    setups = tuple((name, replace(machine, flywheel=built)) for name, machine in settings.setups)
    made, more = foreseen_of(["narrow"], replace(settings, setups=setups))
    ring, small = 0.5 * 18 * (0.3**2 + 0.21**2), 0.5 * 4 * 0.1**2  # ½ m (R² + r²), a solid disc ½ m R²
    assert made.loc["narrow", "inertia_at_barrel_kg_m2"] == pytest.approx(25 * (2 * ring + small))
    assert more["inertia_at_barrel_kg_m2"].iloc[0] == pytest.approx(25 * (3 * ring + small))


def test_nothing_is_foreseen_without_chance_known_or_inertia_told_or_far_from_what_was_played():
    made, more = foreseen_of(["narrow"], n_takes=1)
    assert made["felt_sd_predicted_s"].isna().all() and not len(more)
    settings = make_three_setups()
    bare = tuple((name, replace(machine, flywheel=None)) for name, machine in settings.setups)
    made, more = foreseen_of(["narrow"], replace(settings, setups=bare))
    assert made["felt_sd_predicted_s"].isna().all() and not len(more)
    far = (*settings.setups[:1], ("wide", replace(settings.setups[1][1], shafts=(Shaft("flywheel", 15.0),))))
    made, more = foreseen_of(["narrow"], replace(settings, setups=far))
    assert np.isnan(made.loc["wide", "felt_sd_predicted_s"]) and len(more) == 1  # 9 times the inertia


def test_where_both_were_played_they_agree_unless_the_wheel_is_another_than_told():
    made, _ = foreseen_of(A_B_A_B)
    assert list(made.loc[["narrow", "wide"], "agrees"]) == ["agrees"] * 2
    assert not made.loc[["narrow", "wide"], "mechanism_changed"].any()
    settings = make_three_setups()
    wrong = tuple((name, replace(one, shafts=(Shaft("flywheel", {"wide": 5.5}.get(name, one.shafts[0].turns)),)))
                  for name, one in settings.setups)  # fmt: skip
    made, _ = foreseen_of(A_B_A_B, replace(settings, setups=wrong))
    assert made.loc["wide", "agrees"] == "differs"
    assert {"felt_sd_s", "sag_max"} <= set(made.loc["wide", "differs"])
    assert "click_sd_s" not in made.loc["wide", "differs"]


def test_pins_mended_between_two_set_ups_are_no_contradiction():
    made, _ = foreseen_of(["narrow", "wide"], mechanism_s=(0.006, 0.003))
    wide = made.loc["wide"]
    assert wide["agrees"] == "agrees" and wide["mechanism_changed"]
    assert not wide["felt_sd_low_s"] <= wide["felt_sd_s"] <= wide["felt_sd_high_s"]


@pytest.mark.parametrize("seeds", [range(6), pytest.param(range(100, 400), marks=pytest.mark.long)])
def test_what_is_foreseen_holds_the_next_measured_day_nineteen_times_in_twenty(seeds):
    """Four groups of two set-ups, days and takes 5 % apart; then three takes with the third. 95 % less two errors."""
    held = []
    for seed in seeds:
        third = foreseen_of(A_B_A_B, takes_sd=0.05, days_sd=0.05, seed=seed)[0].loc["third"]
        chance = np.random.default_rng(50_000 + seed)
        for name, true in (("sag_max", 0.02 * 50 / 98), ("steady_1", 0.009 * np.sqrt(50 / 98))):
            measured = true * np.exp(chance.normal(0, 0.05) + chance.normal(0, 0.05, 3).mean())
            held.append(third[f"{name}_low"] <= measured <= third[f"{name}_high"])
    assert np.mean(held) >= 0.95 - 2 * np.sqrt(0.05 * 0.95 / len(held))


def make_built(turns=5.0):
    """One ring of 18 kg (narrow) and, on the same axle, a second one (wide); barrel and shafts weigh, too."""
    ring = Wheel(18.0, 600.0, 420.0)
    machine = make_settings().setups[0][1]
    setups = tuple(
        (name, replace(machine, flywheel=Flywheel(wheels=(replace(ring, count=n),)), shafts=(Shaft("flywheel", at),)))
        for name, n, at in (("narrow", 1, 5.0), ("wide", 2, turns))
    )
    return replace(make_settings(), setups=setups), 25 * 0.5 * 18 * (0.3**2 + 0.21**2)


def make_strikers(inertia, seed=0, error=0.05, tempo_bpm=(96.0, 96.0)):
    """Five strikers of 0.002 to 0.01 J on each inertia: d = E / (I ω²), one turn in 32 beats."""
    chance, rows = np.random.default_rng(seed), []
    for day, (name, own) in enumerate(zip(("narrow", "wide"), inertia, strict=True)):
        shared = np.exp(chance.normal(0, 0.02))
        for striker in range(5):
            drag = 0.002 * (1 + striker) / (own * (2 * np.pi * tempo_bpm[day] / 60 / 32) ** 2)
            row = {"arrangement": "song", "build_day": FIRST_DAY + timedelta(day), "session": 1, "setup": name}
            row |= {"striker": f"striker {striker}", "drag": drag * shared + chance.normal(0, error * drag)}
            row |= {"drag_se": error * drag} | dict.fromkeys(("n_played", "n_missed", "n_extra", "n_rebound"), 0)
            rows.append(row | {"n_sound": 0, "miss_pattern": ""})
    names = tables.CONTRACTS["strikers"].schema.names
    return tables.build("strikers", {name: [row.get(name) for row in rows] for name in names})


def measured_of(strikers, settings, tempo_bpm=(96.0, 96.0)):
    frame = make_sags([("narrow", 0.02), ("wide", 0.01)]).to_pandas()
    frame["tempo_bpm"] = np.repeat(tempo_bpm, 3)
    frame["sag_max_se"] = 0.02 * frame["sag_max"]
    table = tables.build("recordings", {name: list(frame[name]) for name in frame})
    return setups_of(table, settings, strikers=strikers)


def test_two_set_ups_with_a_known_added_wheel_tell_the_whole_inertia():
    """The barrel's own 20 kg m² are in no configuration; the takes on both wheels tell them. I = A / (r − 1)."""
    settings, ring = make_built()
    held = []
    for seed in range(20):
        tempo_bpm = (96.0, 80.0)
        strikers = make_strikers((20 + ring, 20 + 2 * ring), seed, tempo_bpm=tempo_bpm)
        made = measured_of(strikers, settings, tempo_bpm)
        row = made.loc["narrow"]
        held.append(row["inertia_measured_low_kg_m2"] <= 20 + ring <= row["inertia_measured_high_kg_m2"])
        more = made["inertia_measured_kg_m2"].diff().iloc[-1]
        assert more == pytest.approx(ring) and 0.5 < row["inertia_measured_kg_m2"] / (20 + ring) < 2
    assert np.mean(held) >= 0.95 - 2 * np.sqrt(0.05 * 0.95 / 20)


def test_an_inertia_that_two_set_ups_do_not_tell_is_not_told():
    settings, ring = make_built()
    # So uncertain that the second wheel may have changed nothing.
    made = measured_of(make_strikers((20 + ring, 20 + 2 * ring), error=1.0), settings)
    assert made["inertia_measured_kg_m2"].isna().all()
    # Another pulley changes the wheel's part alone; a wheel told by its inertia is no known mass.
    made = measured_of(make_strikers((20 + ring, 20 + 8 * ring)), make_built(turns=10.0)[0])
    assert made["inertia_measured_kg_m2"].isna().all()
    assert measured_of(make_strikers((50, 200)), make_settings())["inertia_measured_kg_m2"].isna().all()
