"""Rates of failure against the others: published values, and libraries that compute the same."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from pipeline.worklist import rates


def test_the_interval_of_a_rate_is_wilsons():
    """81 of 263: 0.2553 to 0.3662 (Newcombe 1998, Statist. Med. 17, 857, from memory), and statsmodels for others."""
    np.testing.assert_allclose(rates.interval(81, 263), (0.2553, 0.3662), atol=5e-5)
    for failed, tried in ((0, 20), (1, 29), (15, 148), (29, 29), (2.5, 31.5)):
        np.testing.assert_allclose(
            rates.interval(failed, tried), proportion_confint(failed, tried, method="wilson"), atol=2e-5
        )


def test_the_difference_of_two_rates_is_newcombes():
    """56/70 against 48/80: 0.0524 to 0.3339 (Newcombe 1998, Statist. Med. 17, 873, method 10, from memory)."""
    np.testing.assert_allclose(rates.difference(56, 70, 48, 80), (0.2, 0.0524, 0.3339), atol=5e-5)
    for numbers in ((9, 10, 3, 10), (5, 56, 0, 29), (45, 456, 6, 1370), (10, 10, 0, 20)):
        expected = confint_proportions_2indep(*numbers, method="newcomb", compare="diff")
        found = rates.difference(*numbers)
        np.testing.assert_allclose(found[1:], expected, atol=5e-5)
        assert found[0] == pytest.approx(numbers[0] / numbers[1] - numbers[2] / numbers[3])


def test_q_values_are_benjamini_and_hochbergs():
    """Their example of 15 comparisons (1995, 4.2): the first 4 are called at 0.05."""
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528]
    found = rates.q_values([*p, 0.7590, 1.0])
    assert (found <= 0.05).sum() == 4
    assert found[0] == pytest.approx(0.0015)
    assert len(rates.q_values([])) == 0


def test_one_among_others_is_held_against_the_binomial_given_the_total():
    failed, tried = np.array([12, 3, 4, 0]), np.array([100, 120, 80, 100])
    expected = [stats.binom.sf(own - 1, 19, n / 400) for own, n in zip(failed, tried, strict=True)]
    np.testing.assert_allclose(rates.above_others(failed, tried, 1.0), expected, rtol=1e-9)
    # Of twice the dispersion, half of all counts stand.
    halved = rates.above_others(failed * 2, tried * 2, 2.0)
    np.testing.assert_allclose(halved, expected, rtol=1e-9)
    np.testing.assert_allclose(rates.above_others(np.zeros(2), np.zeros(2), 1.0), 1.0)


def test_a_rate_is_held_against_a_limit_by_the_binomial():
    assert rates.above(11, 600, 0.01) == pytest.approx(stats.binom.sf(10, 600, 0.01))
    assert rates.above(0, 600, 0.01) == 1.0
    assert rates.above(0.5, 600, 0.01) < 1.0
    assert rates.above(600, 600, 0.01) < 1e-300


def test_the_dispersion_is_pearsons_over_its_degrees_of_freedom():
    """A 2 × 2 table: scipy's chi-squared without correction, the misses and the strikes that were played its rows."""
    failed, tried = np.array([[10.0], [30.0]]), np.array([200.0, 200.0])
    chi2 = stats.chi2_contingency([failed[:, 0], tried - failed[:, 0]], correction=False).statistic
    assert rates.dispersion_of_takes(failed[:, 0], tried) == pytest.approx(chi2)
    assert rates.dispersion_of_takes(np.array([10.0, 30.0, 20.0]), np.full(3, 200.0)) == pytest.approx(
        stats.chi2_contingency([[10, 30, 20], [190, 170, 180]]).statistic / 2
    )
    assert rates.dispersion_of_takes(np.array([10.0]), np.array([200.0])) == 1.0
    assert rates.dispersion_of_takes(np.zeros(2), np.zeros(2)) == 1.0
    assert rates.dispersion_of_takes(np.array([20.0, 20.0]), tried) == 1.0


def test_takes_and_strikers_of_different_rates_are_no_dispersion_but_what_is_between_them_is():
    rate = np.outer([1, 2, 4], [0.01, 0.02, 0.05, 0])
    tried = np.array([[100.0, 200.0, 300.0, 100.0]] * 3)
    assert rates.dispersion_between(tried * rate, tried) == (1.0, np.inf)
    # One striker in one take: expected 15, 15, 5, 5 after the margins; X² by hand with one degree of freedom.
    failed, tried = np.array([[20.0, 10.0], [0.0, 10.0]]), np.full((2, 2), 100.0)
    by_hand = 25 / (15 * 0.85) * 2 + 25 / (5 * 0.95) * 2
    assert rates.dispersion_between(failed, tried) == (pytest.approx(by_hand), 1.0)
    # A striker that never fails has no degree of freedom; two more that do have theirs.
    with_none = np.column_stack([failed, np.zeros(2)]), np.column_stack([tried, np.full(2, 100.0)])
    assert rates.dispersion_between(*with_none) == (pytest.approx(by_hand), 1.0)
    doubled = np.tile(failed, (1, 2)), np.tile(tried, (1, 2))
    assert rates.dispersion_between(*doubled) == (pytest.approx(2 * by_hand / 3), 3.0)
    assert rates.dispersion_between(failed[:1], tried[:1]) == (1.0, np.inf)
    assert rates.dispersion_between(np.zeros((2, 3)), np.zeros((2, 3))) == (1.0, np.inf)


@pytest.mark.parametrize(("more", "varied"), [(2.44, False), (2.5, True)])
def test_takes_vary_when_chance_would_make_it_so_in_one_group_of_ten(more, varied):
    """Four cells of 10 in 100, two of them more, two fewer: X² = 4 more²/9 with one degree of freedom (scipy)."""
    failed = np.array([[10 + more, 10 - more], [10 - more, 10 + more]])
    x2 = 4 * more**2 / 9
    phi, freedom = rates.dispersion_between(failed, np.full((2, 2), 100.0))
    assert (stats.chi2.sf(x2, 1) < 0.1) == varied
    assert (phi, freedom) == ((pytest.approx(x2), 1.0) if varied else (1.0, np.inf))


def test_a_dispersion_of_few_takes_makes_a_students_t_of_the_normal_deviate():
    failed, tried = np.array([24, 6, 8, 0]), np.array([200, 240, 160, 200])
    normal = rates.above_others(failed, tried, 2.0)
    found = rates.above_others(failed, tried, 2.0, 5.0)
    np.testing.assert_allclose(found, stats.t.sf(stats.norm.isf(normal), 5))
    assert found[0] > normal[0]


def test_a_take_in_which_none_was_asked_to_play_is_no_trouble():
    phi, _ = rates.dispersion_between(np.array([[3.0, 1.0], [0, 0], [1, 2]]), np.array([[9.0, 9], [0, 0], [9, 9]]))
    assert phi == 1.0


def test_cells_that_always_fail_add_nothing_to_the_dispersion():
    failed = tried = np.full(4, 5.0)
    assert rates.dispersion(failed, failed, tried, 2) == 1.0
