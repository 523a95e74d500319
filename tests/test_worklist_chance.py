"""The list on simulated groups: what is alike in all strikers is no striker's, what stands out is found."""

import numpy as np
import pytest

from tests.worklist_tables import (
    GROUP,
    jobs,
    make_aligned,
    make_columns,
    make_lateness,
    make_notes,
    make_settings,
    make_striker,
)

TWELVE = tuple(f"striker {at + 1}" for at in range(12))
N_NOTES = 1680  # 140 a striker: in three takes the 420 strikes of a song of some minutes
NOTES = make_notes(N_NOTES, names=TWELVE)
GROUPS = 40


def make_rates(chance, n_takes, missed, doubled, vary=0.0):
    """Draw the counts of takes: strikers × (played, missed, extra), and the misses of each pin.

    Parameters
    ----------
    missed, doubled : np.ndarray, shape=(12,)
        Rates.
    vary : float
        Standard deviation of the logarithm of the rates, drawn for each take and striker.
    """
    n_pins = N_NOTES // len(TWELVE)
    jump = np.exp(chance.normal(-(vary**2) / 2, vary, (n_takes, 2, len(TWELVE))))
    fails = chance.random((n_takes, len(TWELVE), n_pins)) < (missed * jump[:, 0])[:, :, None]
    n_missed = fails.sum(axis=2)
    extra = chance.binomial(n_pins - n_missed, np.minimum(doubled * jump[:, 1], 1))
    return np.stack([n_pins - n_missed, n_missed, extra], axis=2), fails.sum(axis=0)


# Pins in the order of the strikers, as `make_rates` has them.
PINS = {name: [value] * N_NOTES for name, value in GROUP.items()} | {
    "pin_id": np.arange(N_NOTES),
    "striker": np.repeat(TWELVE, N_NOTES // len(TWELVE)).tolist(),
    "miss_q_value": np.ones(N_NOTES),
    "q_value": np.ones(N_NOTES),
}
LATENESS = {n: make_lateness(N_NOTES, n_takes=n, names=TWELVE) for n in (1, 2, 3)}


def list_of(counts, fails, bounce=True, takes=None):
    """Return the list of a group of takes; `takes`: only these."""
    counts = counts if takes is None else counts[takes]
    n_takes = len(counts)
    aligned = make_aligned(
        {
            f"t{take}": {name: tuple(map(int, counts[take, at])) for at, name in enumerate(TWELVE)}
            for take in range(n_takes)
        }
    )
    total = counts.sum(axis=0)
    strikers = [
        make_striker(name, n_played=int(total[at, 0]), n_missed=int(total[at, 1]), n_extra=int(total[at, 2]))
        | {"n_rebound": int(total[at, 2]) if bounce else 0}
        for at, name in enumerate(TWELVE)
    ]
    n_failed = np.minimum(fails, n_takes).ravel()
    pins = make_columns("pins", len(n_failed), **PINS, n_failed=n_failed, n_struck=n_takes - n_failed)
    settings = make_settings(names=TWELVE, n_takes=n_takes)
    return jobs(LATENESS[n_takes], strikers, pins, aligned, settings, NOTES)


def seeds(first):
    return range(first, first + GROUPS)


def test_of_equal_strikers_none_is_a_job_and_what_they_share_is_one():
    """3 % missed and 3 % doubled on each alike, 2 and 3 takes in turn."""
    single, together = 0, 0
    for seed in seeds(4100):
        chance = np.random.default_rng(seed)
        made = list_of(*make_rates(chance, 2 + seed % 2, np.full(12, 0.03), np.full(12, 0.03)))
        single += made["where"].isin(TWELVE).any()
        together += sorted(made["where"]) == ["all strikers"] * 2
    assert single <= 4 and together >= 36


@pytest.mark.parametrize(
    ("first", "n_groups"), [(4200, GROUPS // 2), pytest.param(5000, 200, marks=pytest.mark.long)], ids=["short", "long"]
)
def test_of_equal_strikers_whose_takes_vary_more_than_chance_few_are_jobs(first, n_groups):
    """Rates that jump by half as much again or half from take to take, for each striker by itself."""
    single = 0
    for seed in range(first, first + n_groups):
        chance = np.random.default_rng(seed)
        made = list_of(*make_rates(chance, 2 + seed % 2, np.full(12, 0.05), np.full(12, 0.05), vary=0.5))
        single += made["where"].isin(TWELVE).any()
    assert single <= 0.1 * n_groups


@pytest.fixture(scope="module")
def uneven():
    """Return the lists of groups in which striker 8 misses 10 % and striker 3 doubles 10 %, all others 3 %."""
    missed, doubled = (np.where(np.arange(12) == at, 0.10, 0.03) for at in (7, 2))
    return [list_of(*make_rates(np.random.default_rng(seed), 3, missed, doubled)) for seed in seeds(4300)]


@pytest.mark.parametrize(("where", "word"), [("striker 8", "strikes missed"), ("striker 3", "bounces")])
def test_one_striker_with_10_per_cent_among_3_is_found(uneven, where, word):
    found = sum(((made["where"] == where) & made["finding"].str.contains(word)).any() for made in uneven)
    assert found >= 36


def test_besides_those_two_no_other_striker_is_a_job(uneven):
    innocent = [name for name in TWELVE if name not in ("striker 8", "striker 3")]
    assert sum(made["where"].isin(innocent).any() for made in uneven) <= 4


def test_leaving_a_take_out_keeps_the_order_of_the_list():
    """One striker misses 20 %, another doubles 12 %, all the rest 3 % and 1 %."""
    missed = np.where(np.arange(12) == 3, 0.20, 0.03)
    doubled = np.where(np.arange(12) == 9, 0.12, 0.01)
    for seed in range(4400, 4403):
        counts, fails = make_rates(np.random.default_rng(seed), 3, missed, doubled)
        whole = list_of(counts, fails)
        order = list(whole["where"][:3])
        assert order == ["the other strikers", "striker 4", "striker 10"]
        for left_out in range(3):
            rest = list_of(counts, np.minimum(fails, 2), takes=[take for take in range(3) if take != left_out])
            assert list(rest["where"][:3]) == order
            np.testing.assert_allclose(rest["gain_noticed"][:3], whole["gain_noticed"][:3], rtol=0.5)


def test_the_95_per_cent_interval_of_a_gain_holds_the_true_one(uneven):
    """What a striker of 10 % among 3 % wins: 140 × 7 % = 9.8 a playthrough; what the others share: 1540 × 3 %."""
    inside = []
    for made in uneven:
        made = made[made["finding"].str.contains("missed")].set_index("where")
        for where, truth in (("striker 8", 140 * 0.07), ("the other strikers", 1540 * 0.03)):
            if where in made.index:
                inside.append(made.loc[where, "gain_low"] <= truth <= made.loc[where, "gain_high"])
    # Of 80, 95 % are 76; 70 or fewer come by chance once in 200 times (binomial).
    assert len(inside) >= 72 and np.mean(inside) > 70 / 80
