"""Hold the shares of the lateness against a simulated truth, and their errors against what the fit leaves possible."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline import timing
from pipeline.timing.tables import budget, lateness
from tests import timing_machine
from tests.benchmarks import timing_shafts
from tests.test_shafts import make_case


def shares_of(fitted, takes):
    late = lateness.rows(takes, fitted, [None] * len(takes))
    return budget.budget(timing_machine.make_group(takes), fitted, late).to_pandas()


def test_the_error_of_the_loads_share_is_the_spread_of_all_loads_that_are_possible():
    notes, machine, takes, _ = make_case(11, n_takes=2, bars=24)
    fitted, chance, shares = timing.fit_of(machine, notes, takes), np.random.default_rng(1), []
    told = shares_of(fitted, takes).set_index(["ruler", "part"])
    for _ in range(60):
        doubt_s = fitted.load_doubt_s @ chance.normal(size=fitted.load_doubt_s.shape[1])
        hits = fitted.hits.assign(load_s=fitted.hits["load_s"] + doubt_s, motion_s=fitted.hits["motion_s"] - doubt_s)
        shares.append(shares_of(replace(fitted, hits=hits), takes).set_index(["ruler", "part"])["share"])
    for ruler in ("felt", "song"):
        for part in ("load", "motion"):
            spread = np.std([one[ruler, part] for one in shares])
            # 60 draws tell a standard deviation to 9 %.
            assert told.loc[(ruler, part), "share_se"] == pytest.approx(spread, rel=0.3)
    assert told["share_se"].isna().sum() == len(told) - 4


@pytest.mark.parametrize(
    "seed", [501, pytest.param(502, marks=pytest.mark.long), pytest.param(503, marks=pytest.mark.long)]
)
def test_shares_are_those_of_the_physical_simulator(seed):
    (notes, machine, takes, _), _, plays = timing_shafts.played(seed, 2)
    fitted = timing.fit_of(machine, notes, takes)
    told, true = shares_of(fitted, takes), timing_shafts.true_budget(fitted, takes, plays)
    off = (told["share"] - true["share"]).abs()
    assert off[told["ruler"] == "felt"].max() < 0.05
    assert (off <= np.maximum(0.05, 3 * told["share_se"].fillna(0.0))).all()
