"""The individuals chart of the takes, and the number of takes that a comparison needs."""

from datetime import timedelta

import numpy as np
import pytest
from statsmodels import api

from pipeline import settings, tables, trend
from pipeline.report import takes as takes_report
from pipeline.trend import individuals, intervals
from tests.test_trend import FIRST_DAY, make_recordings


def make_settings(recordings, **crews):
    """Return a configuration that lists the takes of the table; `crews`: who played a take, else two on pedals."""
    machine = settings.Machine(settings.Barrel(), (), None, (settings.Striker("slate", (60,)),))
    listed = tuple(
        settings.Recording(name, f"{name}.wav", day, "full", "song", crew=crews.get(name, "two on pedals"))
        for name, day in zip(*(recordings[key].to_pylist() for key in ("recording", "build_day")), strict=True)
    )
    song = (settings.Arrangement("song", "song.mid"),)
    return settings.Settings("c", "r", None, song, machine, (), (), settings.Detection(), listed)


def changed(recordings, take, **values):
    """Return the table with other values of one take."""
    rows = recordings.to_pylist()
    for row in rows:
        row |= values if row["recording"] == take else {}
    return tables.build("recordings", {name: [row[name] for row in rows] for name in recordings.column_names})


def charted(recordings, quantity="felt_sd_s", **crews):
    made = individuals.takes(make_settings(recordings, **crews), recordings, trend.trend(recordings, None)).to_pandas()
    return made[made["quantity"] == quantity].set_index("recording")


def test_limits_are_those_of_the_handbooks_example():
    """NIST/SEMATECH e-Handbook 6.3.2.2 (secondary): mean 50.81, mean moving range 1.87778, limits 55.8041 and 45.8159.

    It divides by 1.128; 2.66 is 3/1.128 rounded, by .0007 here.
    """
    values = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    mean, reach = individuals.limits(values, np.zeros(10, int))
    assert mean == pytest.approx(np.full(10, 50.81))
    assert reach / individuals.OF_MOVING_RANGE == pytest.approx(1.87778, abs=1e-5)
    assert mean[0] + reach == pytest.approx(55.8041, abs=1e-3) and mean[0] - reach == pytest.approx(45.8159, abs=1e-3)


def test_no_moving_range_reaches_over_a_border_of_two_stretches():
    values, stretch = np.array([1.0, 2, 1, 2, 11, 12, 11, 12]), np.repeat([0, 1], 4)
    mean, reach = individuals.limits(values, stretch)
    assert mean.tolist() == [1.5] * 4 + [11.5] * 4 and reach == pytest.approx(2.66)


def test_a_take_twice_as_wide_stands_apart_and_another_crew_is_named():
    recordings = make_recordings([3, 3, 3, 3], takes_sd=0.05, seed=1)
    made = charted(changed(recordings, "d2t1", felt_sd_s=0.016), d2t1="the children")
    assert made["apart"].to_dict() == {name: name == "d2t1" for name in made.index}
    assert list(made.loc["d2t1", "sets_apart"]) == ["crew"]
    assert made.loc["d2t1", "limit_high"] < 0.016


def test_the_first_of_the_day_and_a_fault_are_named_and_nothing_where_nothing_is_known():
    recordings = make_recordings([3, 3, 3, 3], takes_sd=0.05, seed=1)
    ill = changed(recordings, "d1t0", felt_sd_s=0.016, health=["hum: 50 Hz at −40 dB; another cable"])
    assert list(charted(ill).loc["d1t0", "sets_apart"]) == ["first of the day", "fault: hum"]
    rows = charted(changed(recordings, "d1t2", felt_sd_s=0.016)).reset_index()
    assert list(rows.loc[rows["apart"], "sets_apart"].iloc[0]) == []
    said = takes_report.said(rows, "felt_sd_s")
    assert "1 of 12\N{NO-BREAK SPACE}takes stands apart: d1t2" in said and "nothing in the list" in said


def test_a_day_that_was_mended_leaves_no_take_before_it_apart():
    made = charted(make_recordings([4, 4, 4], takes_sd=0.05, effects=(1.0, 1.0, 0.3), seed=2))
    assert made["stretch"].tolist() == [1] * 8 + [2] * 4 and not made["apart"].any()


def test_few_takes_have_no_limits():
    recordings = make_recordings([3, 3], seed=3)
    assert not len(charted(recordings))
    empty = tables.empty("recordings")
    assert not len(individuals.takes(make_settings(empty), empty, trend.trend(empty, None)))


def test_takes_that_differ_by_chance_alone_seldom_stand_apart():
    """A chart of three standard deviations calls .27 % by known limits, some 1 % by those of 16 ranges."""
    chance, stretch = np.random.default_rng(6), np.repeat(np.arange(2), 9)
    apart = []
    for _ in range(400):
        values = chance.normal(size=18)
        mean, reach = individuals.limits(values, stretch)
        apart += list(np.abs(values - mean) > reach)
    assert 0 < np.mean(apart) <= 0.015


def test_the_number_of_takes_is_the_smallest_that_shows_the_change_nineteen_times_in_twenty():
    """Simulated A B A B ... with a drift; statsmodels' least squares at .05/7, the level of one of seven quantities."""
    needed, chance = int(intervals.takes_needed(0.3, 0.1, 7)), np.random.default_rng(4)

    def seen(n, tries=400):
        order = np.arange(2 * n)
        design = np.column_stack([np.ones(2 * n), order, order % 2])
        takes = chance.normal(0, 0.1, (tries, 2 * n)) + 0.3 * design[:, 2] + 0.05 * order
        return np.mean([api.OLS(one, design).fit().pvalues[2] < 0.05 / 7 for one in takes])

    assert seen(needed) > 0.93 and seen(needed - 1) < 0.95
    assert np.isnan(intervals.takes_needed(0.001, 0.1, 7)) and np.isnan(intervals.takes_needed(np.nan, 0.1, 7))


def test_a_comparison_says_how_many_takes_a_change_like_it_needs():
    made = trend.trend(make_recordings([3, 3], takes_sd=0.05, effects=(1.0, 0.8), seed=5), None).to_pandas()
    row = made[(made["quantity"] == "felt_sd_s") & (made["build_day"] > FIRST_DAY) & (made["against"] == "previous")]
    assert 2 <= row["takes_needed"].iloc[0] <= 10
    assert made.loc[made["build_day"] < FIRST_DAY + timedelta(1), "takes_needed"].isna().all()


def said_of(take, health=(), **crews):
    ill = changed(make_recordings([3, 3, 3, 3], takes_sd=0.05, seed=1), take, felt_sd_s=0.016, health=list(health))
    return takes_report.said(charted(ill, **crews).reset_index(), "felt_sd_s")


def test_what_sets_a_take_apart_is_told_and_no_cause():
    """False would be "because another crew played": these takes are wide by themselves, or by the fault."""
    found = said_of("d2t1", d2t1="the children")
    assert found.endswith(": unlike most others, another crew played it. What differs need not be the reason.")
    found = said_of("d2t0", ["hum: 50 Hz; another cable", "clipped: 3 dB; less gain"], d2t0="the children")
    assert (
        "unlike most others, another crew played it, it is the first of its day in the list, the recording has a fault "
        "(hum) and the recording has a fault (clipped)." in found
    )
    for text in (found, said_of("d2t1")):
        assert "because" not in text and "likely" not in text
    assert "need not be" not in said_of("d2t1")


def test_a_crew_that_the_list_does_not_tell_is_not_another_one():
    assert "crew" not in said_of("d2t1", d2t1="")
    only = {f"d{day}t{take}": "" for day in range(4) for take in range(3)}
    assert "crew" not in said_of("d2t1", **only | {"d2t1": "the children"})


def test_the_first_used_take_is_not_the_first_of_its_day_where_one_before_it_was_refused():
    recordings = make_recordings([3, 3, 3, 3], takes_sd=0.05, seed=1)
    wide = changed(changed(recordings, "d2t1", felt_sd_s=0.016), "d2t0", status="refused")
    rows = charted(wide)
    assert rows.loc["d2t1", "apart"] and list(rows.loc["d2t1", "sets_apart"]) == []
