"""Pins at which something happens more often than chance allows: misses at equal rates are the truth here."""

import numpy as np
import pytest
from scipy import stats

from pipeline.timing.model import pin_rates

N_MACHINES = 40


def make_misses(seed, n_takes, n_strikers=12, n_pins=40, rate=0.03, spread=0.0):
    """Miss at random, each pin once a take; the strikers' rates lie apart by `spread` (of the logarithm)."""
    chance = np.random.default_rng(seed)
    striker = np.repeat(np.arange(n_strikers), n_pins)
    missed = rate * np.exp(spread * chance.standard_normal(n_strikers))
    total = np.full(len(striker), n_takes)
    return chance.binomial(total, np.minimum(missed, 0.9)[striker]), total, striker


@pytest.mark.parametrize("n_takes", [2, 3])
@pytest.mark.parametrize("spread", [0.0, 1.0])
def test_equal_random_misses_call_no_pin(n_takes, spread):
    """Stated: none in 36 of 40 machines or more."""
    called = [
        (pin_rates.q_values(*make_misses(seed, n_takes, spread=spread)) < pin_rates.CALLED_Q).any()
        for seed in range(N_MACHINES)
    ]
    assert sum(called) <= N_MACHINES - 36


@pytest.mark.parametrize(("n_takes", "failed"), [(3, 3), (5, 4)])
def test_a_pin_that_fails_always_or_mostly_is_called_and_two_of_a_striker_do_not_hide_each_other(n_takes, failed):
    found, wrong = 0, 0
    for seed in range(N_MACHINES):
        count, total, striker = make_misses(1000 + seed, n_takes)
        count[[7, 11]] = failed
        called = pin_rates.q_values(count, total, striker) < pin_rates.CALLED_Q
        found += called[[7, 11]].all()
        wrong += called.sum() - called[[7, 11]].sum()
    assert found >= 34 and wrong <= 4


@pytest.mark.parametrize("n_strikers", [1, 5])
def test_the_only_miss_of_a_machine_is_chance(n_strikers):
    count, total, striker = np.zeros(100, int), np.full(100, 2), np.arange(100) % n_strikers
    count[5] = 1
    assert pin_rates.q_values(count, total, striker)[5] > 0.5


def test_a_striker_that_misses_much_makes_no_pin_of_its_own_stand_out():
    count, total, striker = make_misses(3, 3)
    count[striker == 2] = np.random.default_rng(3).binomial(3, 0.4, 40)
    assert (pin_rates.q_values(count, total, striker) > pin_rates.CALLED_Q).all()


def test_without_a_prior_the_chance_is_that_of_fishers_exact_test():
    """scipy's hypergeometric distribution is the reference; with the least prior it comes near."""
    count, total = np.array([3, 1, 0, 2, 1]), np.array([3, 20, 40, 40, 17])
    alone = np.zeros(5, int)
    expected = [stats.hypergeom.sf(k - 1, 120, 7, n) for k, n in zip(count, total, strict=True)]
    np.testing.assert_allclose(pin_rates._by_chance(count, total, alone, np.ones(5, bool)), expected, rtol=0.1)


def test_the_prior_is_worth_what_the_strikers_have_in_common():
    # A striker alone: one strike; alike: all of them.
    assert pin_rates._prior(np.array([0, 3]), np.array([0, 100])) == (3.5 / 101, 1.0)
    assert pin_rates._prior(np.array([3, 3]), np.array([100, 100])) == (6.5 / 201, 200.0)
    # Strikers of 0 and of 50 %: Pearson's dispersion by hand.
    seen, of = np.array([0, 50]), np.array([100, 100])
    mean = 50.5 / 201
    excess = ((100 * mean) ** 2 + (50 - 100 * mean) ** 2) / (100 * mean * (1 - mean)) - 1
    assert pin_rates._prior(seen, of) == pytest.approx((mean, 198 / excess - 1))


def test_alike_strikers_tell_of_each_other():
    """scipy's beta-binomial with all strikes of both as prior is the reference."""
    count, total, striker = np.array([1, 1, 0, 1, 1, 0]), np.full(6, 10), np.repeat([0, 1], 3)
    got = pin_rates._by_chance(count, total, striker, np.ones(6, bool))
    mean = 4.5 / 61
    assert got[0] == pytest.approx(stats.betabinom.sf(0, 10, 2 + 60 * mean, 19 + 60 * (1 - mean))) and got[2] == 1.0


def test_no_pins_have_no_values():
    none = np.zeros(0, int)
    assert len(pin_rates.q_values(none, none, none)) == 0
