"""Two set-ups played in turn on a day: neighbouring takes are compared, and the day's drift is no set-up."""

from datetime import timedelta

import numpy as np
import pytest
from scipy import stats
from statsmodels import api

from pipeline import tables, trend
from tests.test_trend import FIRST_DAY, SPREADS, make_recordings

# Additional hours of sleep by two drugs, ten patients (Cushny & Peebles 1905, as Student prints them; from memory).
# Student 1908, The probable error of a mean, Biometrika 6, 20: the mean of the differences is 1.58; t of today is 4.06.
ONE_DRUG = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
OTHER_DRUG = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])


def make_days(order, chance=None, effect=0.0, drift=np.zeros_like, takes_sd=0.05, days_sd=0.2):
    """Return recordings: `order` has the set-ups of a day, 'abab'; `drift` makes logarithms of the takes' places."""
    chance = chance or np.random.default_rng(0)
    frame = make_recordings([len(day) for day in order]).to_pandas()
    frame["setup"] = list("".join(order))
    place = np.concatenate([np.arange(len(day), dtype=float) for day in order])
    of_day = np.repeat(chance.normal(0, days_sd, len(order)), [len(day) for day in order])
    b = frame["setup"].eq("b").to_numpy()
    for name in SPREADS:
        frame[name] = 0.008 * np.exp(of_day + effect * b + drift(place) + chance.normal(0, takes_sd, len(frame)))
    return frame


def table_of(frame):
    return tables.build("recordings", {name: list(frame[name]) for name in frame})


def compared(frame, quantity="felt_sd_s"):
    """Return the comparison of b with a on the last day."""
    made = trend.trend(table_of(frame), None).to_pandas()
    made = made[made["against"].eq("previous") & made["setup"].eq("b") & made["build_day"].eq(made["build_day"].max())]
    return made.set_index("quantity").loc[quantity] if quantity else made


def log_interval(row):
    """Return the change of the logarithm and half its interval."""
    reference = row["reference"] if "reference" in row else None
    low, high, change = (row[name] / reference for name in ("change_low", "change_high", "change"))
    return np.log1p(change), (np.log1p(high) - np.log1p(low)) / 2


def alone(frame):
    """Keep one quantity, so that the interval is the single one of 95 %."""
    frame = frame.assign(n_notes=0)
    frame[["together_s", "steady_1", "steady_4", "sag_max"]] = np.nan
    return frame


def test_one_take_of_each_on_ten_days_is_students_paired_t():
    """Student 1908; scipy's ttest_rel is the outside authority, ttest_ind would see nothing at 5 %."""
    order = ["ab", "ba"] * 5
    frame = alone(make_days(order))
    pairs = np.stack([ONE_DRUG, OTHER_DRUG])
    frame["felt_sd_s"] = np.exp([pairs["ab".index(name), day] for day, one in enumerate(order) for name in one])
    row = compared(frame)
    row["reference"] = frame["felt_sd_s"].iloc[-1]  # a of the last day
    change, half = log_interval(row)
    paired = stats.ttest_rel(OTHER_DRUG, ONE_DRUG)
    assert change == pytest.approx(1.58) and row["df"] == 9 and row["n_pairs"] == row["n_days"] == 10
    assert change / half * stats.t.ppf(0.975, 9) == pytest.approx(paired.statistic) == pytest.approx(4.06, abs=0.005)
    assert stats.ttest_ind(OTHER_DRUG, ONE_DRUG).pvalue > 0.05 and row["verdict"] == "worse"


def test_a_b_a_b_is_least_squares_with_a_drift_of_each_day():
    """statsmodels' OLS is the outside authority: two days, each with its mean and its drift."""
    frame = alone(make_days(["ababab", "abba"], effect=0.1, drift=lambda place: 0.1 * place))
    row = compared(frame)
    row["reference"] = np.exp(np.log(frame["felt_sd_s"])[[6, 9]].mean())
    place, first = np.r_[0:6, 0:4], np.arange(10) < 6
    design = np.column_stack([frame["setup"].eq("b"), first, ~first, place * first, place * ~first]).astype(float)
    fitted = api.OLS(np.log(frame["felt_sd_s"].to_numpy()), design).fit()
    change, half = log_interval(row)
    assert change == pytest.approx(fitted.params[0]) and row["df"] == fitted.df_resid == 5
    assert half == pytest.approx(np.diff(fitted.conf_int()[0])[0] / 2)
    assert row["n_pairs"] == 5 and row["n_days"] == 2


@pytest.mark.parametrize("order", ["aabb", "aaabbb", "abb", "bbab", "aabbaa"])
def test_takes_that_do_not_alternate_are_compared_as_any_two_groups(order):
    assert np.isnan(compared(make_days([order]))["n_pairs"])


def test_a_first_take_that_always_is_the_same_set_up_tells_no_set_up_from_the_order():
    assert np.isnan(compared(make_days(["ab"] * 4))["n_pairs"])
    assert compared(make_days(["ab"] * 4 + ["ba"]))["n_pairs"] == 2


def test_whether_takes_alternate_is_told_by_the_list_refused_takes_among_them():
    frame = make_days(["abab"])
    frame.loc[3, ["status", "felt_sd_s"]] = "refused", None
    assert compared(frame)["n_pairs"] == 2
    # By their names the takes would stand in another order than they were played.
    frame = make_days(["aabb"])
    played = tuple(frame["recording"][k] for k in (0, 2, 1, 3))
    made = trend.trend(table_of(frame), None, played).to_pandas()
    assert set(made.loc[made["setup"].eq("b"), "n_pairs"]) == {2}


def test_three_set_ups_in_turn_are_compared_two_by_two():
    frame = make_days(["abcabc"])
    made = trend.trend(table_of(frame), None).to_pandas()
    made = made[made["quantity"].eq("felt_sd_s") & made["setup"].ne("a")]
    assert made.set_index(["setup", "against"])["n_pairs"].to_dict() == {
        (name, against): 2.0 for name in "bc" for against in ("first", "previous")
    }


def test_rates_of_takes_in_turn_are_poissons_and_their_drift_is_no_set_up():
    """By hand: A B A B weighs (−1, 3, −3, 1)/4; 10, 20, 30, 40 misses drift by 10 a take, nothing else."""
    frame = make_days(["abab"])
    frame["n_notes"], frame["n_missed"] = 1000, [10, 20, 30, 40]
    row = compared(frame, "missed")
    assert row["change"] == pytest.approx(0.0, abs=1e-12) and row["verdict"] == "no clear change"
    frame["n_missed"] = [10, 120, 30, 140]
    assert compared(frame, "missed")["change"] == pytest.approx(0.1)


DRIFTS = {
    "steady": lambda place: 0.10 * place,
    "warming up": lambda place: -0.5 * (1 - np.exp(-place / 2)),
    "none": np.zeros_like,
}


@pytest.mark.parametrize(("seeds", "spare"), [(8, 0.14), pytest.param(1000, 0.01, marks=pytest.mark.long)])
@pytest.mark.parametrize("drift", DRIFTS)
def test_a_drift_over_the_day_makes_no_false_verdict_of_a_set_up(drift, seeds, spare):
    """At most 5 % of the comparisons, all seven quantities at once; two binomial errors beyond. Takes differ by 5 %."""
    false = []
    for seed in range(seeds):
        for order in ("abab", "abbaab"):
            frame = make_days(["aaa", order], np.random.default_rng([seed, 71]), drift=DRIFTS[drift])
            false.append(compared(frame, None)["verdict"].isin(["better", "worse"]).any())
    assert np.mean(false) <= 0.05 + spare


def test_one_set_up_after_the_other_takes_a_drift_for_the_set_up():
    """So the report says of such days that hour and set-up changed at once."""
    frame = make_days(["aaaa", "aaaa", "aaabbb"])
    frame.loc[8:, list(SPREADS)] *= np.exp(DRIFTS["steady"](np.arange(6.0)))[:, None]
    assert compared(frame)["verdict"] == "worse" and np.isnan(compared(frame)["n_pairs"])


def test_an_effect_that_a_drift_hides_from_two_groups_is_seen_in_turn():
    seen = {"in turn": 0, "pooled t": 0}
    for seed in range(8):
        frame = make_days(["abababab"], np.random.default_rng([seed, 5]), effect=-0.25, drift=lambda place: 0.1 * place)
        seen["in turn"] += compared(frame)["verdict"] == "better"
        logs = [np.log(frame.loc[frame["setup"].eq(name), "felt_sd_s"]) for name in "ab"]
        seen["pooled t"] += stats.ttest_ind(*logs).pvalue < 0.05 / 7
    assert seen["in turn"] >= 7 and seen["pooled t"] == 0


def test_the_common_fit_of_a_days_group_is_an_error_that_more_turns_do_not_average_out():
    frame = make_days(["abab"], takes_sd=1e-6, effect=0.3)
    assert compared(frame, "sag_max")["verdict"] == "worse"
    frame["sag_max_se"] = 0.2 * frame["sag_max"]
    assert compared(frame, "sag_max")["verdict"] == "no clear change"


def test_days_are_one_comparison_only_up_to_the_day_that_is_told():
    frame = make_days(["abab", "abab", "abab"])
    made = trend.trend(table_of(frame), None).to_pandas()
    made = made[made["setup"].eq("b") & made["quantity"].eq("felt_sd_s") & made["against"].eq("previous")]
    assert made.sort_values("build_day")["n_days"].tolist() == [1, 2, 3]
    assert made["build_day"].min() == FIRST_DAY and made["build_day"].max() == FIRST_DAY + timedelta(2)
