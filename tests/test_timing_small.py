"""Hold small groups to answers of honest width, and all groups to what must not change an estimate.

Sample sizes: the groups are the same in every run, so nothing here fails by chance; that a right method passes was seen
over many more of them (tests/benchmarks/timing_small.py: intervals hold 91-98 %). Of n numbers a share .95 is held
within ± 2 sqrt(.95 × .05 / n), and numbers of one group err together: the marks leave room for a fifth of n.
"""

from dataclasses import fields, replace
from functools import cache

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pytest
import scipy.stats

from pipeline import timing
from pipeline.timing.data import score, strikes
from pipeline.timing.fitting import pin_company, uncertainty
from pipeline.timing.fitting.prepare import prepare
from pipeline.timing.fitting.state import first_state
from pipeline.timing.fitting.step import step
from pipeline.timing.model import variance_components
from pipeline.timing.tables import passages
from tests import timing_machine
from tests.benchmarks import timing_small
from tests.test_timing import make_broken, run, sums

ESTIMATES = (
    ("strikers", "delay"), ("strikers", "drag"), ("strikers", "company"), ("strikers", "readiness"),
    ("strikers", "recovery"), ("pins", "offset"), ("tempo", "tempo"), ("recordings", "sag_max"),
    ("passages", "sag"), ("passages", "felt_sd"), ("passages", "late_mean"), ("passages", "late_range"),
    ("passages", "by_load"), ("passages", "load_share"),
)  # fmt: skip
KEYS = {
    "strikers": ["striker"],
    "pins": ["pin_id"],
    "tempo": ["recording", "playthrough", "segment", "score_beat"],
    "recordings": ["recording"],
    "passages": ["passage"],
    "lateness": ["recording", "playthrough", "note_id"],
    "budget": ["ruler", "part"],
}


def make_group(name, seed=1):
    """Draw a group of one of the small kinds."""
    case, chance = timing_small.CASES[name], np.random.default_rng([9, seed])
    notes = case.notes(chance)
    truth = timing_machine.make_truth(chance, notes, case.n_strikers)
    return notes, truth, timing_machine.make_takes(chance, notes, truth, case.n_takes), case.n_strikers


def make_odd(n_takes=2, seed=4):
    """Draw a group with a striker in company and another that is not ready again soon."""
    chance = np.random.default_rng([9, seed])
    notes = timing_machine.make_notes(chance, 5, bars=24, density=(1.2, 2.4))
    truth = timing_machine.make_truth(chance, notes, 5)
    truth.company_s[0], truth.readiness_s[1] = 0.005, 0.006
    return notes, truth, timing_machine.make_takes(chance, notes, truth, n_takes), 5


@cache
def known(kind):
    """Return a group of a small kind or the odd one, and its tables, made once: nothing may change them."""
    notes, truth, takes, n = make_odd() if kind == "odd" else make_group(kind)
    return notes, truth, takes, n, run(notes, takes, n)


@pytest.mark.parametrize(
    ("name", "n", "least"),
    [
        ("one take, 4 strikers, 24 bars", 1, {"lone pin": 0.9, "tempo": 0.85, "sag": 0.75}),
        ("three takes, 20 notes, 4 strikers", 3, {"pin": 0.88, "tempo": 0.85, "delay": 0.8, "drag": 0.8}),
        ("one take, 20 notes, 1 striker", 3, {"lone pin": 0.88, "tempo": 0.85}),
        ("clock, one take, 64 bars", 1, {"lone pin": 0.88, "tempo": 0.8, "sag": 0.8}),
        ("clock, one take, 20 bars, same pin", 3, {"tempo": 0.8, "sag": 0.75}),
    ],
)
def test_small_groups_get_answers_of_honest_width(name, n, least):
    found = timing_small.tallies(replace(timing_small.CASES[name], again=False), range(2000, 2000 + n))
    for quantity, share in least.items():
        tally = found[quantity]
        assert len(tally.error) >= n, quantity
        assert tally.held() >= share, (quantity, tally.held())
        # Nor are they wide without reason.
        rms, own = (np.sqrt(np.mean(np.square(one))) for one in (tally.error, tally.se))
        assert own < 4 * rms, quantity


def test_what_one_striker_cannot_tell_is_not_told():
    notes, _, takes, n = make_group("one take, 20 notes, 1 striker, even")
    got = run(notes, takes, n)
    nothing = ["delay_s", "delay_se", "company_s", "readiness_s", "drag", "drag_se", "recovery_beats", "energy_j"]
    assert got["strikers"][nothing].isna().all(axis=None)
    assert got["recordings"][["together_s", "sag_max", "click_offset_s", "clock_ppm"]].isna().all(axis=None)
    assert got["passages"][["load_share", "late_mean_se", "late_range_se"]].isna().all(axis=None)
    assert not got["pins"]["misplaced"].any()
    # A pin struck once: place and slip of the strike share its lateness, and the error says so.
    assert (got["pins"]["offset_se"] > 0.5 * got["pins"]["offset_s"].abs()).all()


def test_readiness_by_a_few_strikes_is_not_told():
    for seed in range(3):
        notes, _, takes, n = make_group("one take, 20 notes, 4 strikers", seed)
        assert run(notes, takes, n)["strikers"][["company_s", "readiness_s"]].isna().all(axis=None)


def test_an_error_by_few_takes_is_as_wide_as_students_t():
    # Reference: scipy's own distribution; the table's 12.706 of 1 degree of freedom is in any handbook.
    assert passages.few(1) == pytest.approx(12.706 / 1.960, rel=1e-3)
    for df in (1, 2, 5, 40):
        assert passages.few(df) == pytest.approx(scipy.stats.t.ppf(0.975, df) / scipy.stats.norm.ppf(0.975))


class Bowl(variance_components.Likelihood):
    """A likelihood that is normal in the logarithms, apart from wider slopes to one side."""

    def __init__(self, middle, covariance, stretched=1.0):
        self.middle, self.precision, self.stretched = middle, np.linalg.inv(covariance), stretched
        self.tied = self.flat = False

    def cost(self, logs):
        away = np.asarray(logs) - self.middle
        away = np.where(away > 0, away / self.stretched, away)
        return float(away @ self.precision @ away)


def test_scales_around_the_likeliest_have_the_spread_of_the_likelihood():
    middle = np.log([0.005, 6.0, 0.0015, 0.001])
    root = 0.1 * np.array([[1, 0, 0, 0], [0.5, 2, 0, 0], [0, 0.3, 0.4, 0], [0.2, 0, -0.8, 1.5]])
    around = Bowl(middle, root @ root.T).around(variance_components.Scales.of_logs(middle))
    share = np.array([one for one, _ in around])
    away = np.array([one.logs() for _, one in around]) - middle
    assert share.sum() == pytest.approx(1)
    # Exact for a normal one: third-degree cubature has its mean and covariance.
    np.testing.assert_allclose(share @ away, 0, atol=1e-3)
    np.testing.assert_allclose(away.T * share @ away, root @ root.T, atol=1e-3)


def test_a_likelihood_that_falls_off_slowly_to_one_side_has_more_spread_there():
    middle = np.log([0.005, 6.0, 0.0015, 0.001])
    around = Bowl(middle, 0.01 * np.eye(4), stretched=2.0).around(variance_components.Scales.of_logs(middle))
    away = np.array([one.logs() for _, one in around]) - middle
    assert away.max(axis=0) == pytest.approx(2 * -away.min(axis=0), rel=0.05)


def test_a_doubtful_variance_holds_what_lies_between_the_solutions():
    told = {
        "likeliest": (np.array([1.5]), np.array([9.0])),
        "one": (np.array([3.0]), np.array([1.0])),
        "other": (np.array([1.0]), np.array([2.0])),
    }
    posterior = uncertainty.Posterior("likeliest", [(0.25, "one"), (0.75, "other")])
    mean, variance = posterior.mean_and_variance(told.get)
    assert mean == 1.5
    # About 1.5: .25 (1 + 1.5²) + .75 (2 + .5²).
    assert variance == pytest.approx(0.25 * 3.25 + 0.75 * 2.25)


def test_an_error_is_wider_than_with_known_scales():
    notes, _, takes, n = make_group("three takes, 20 notes, 4 strikers")
    fitted = timing.fit_of(timing_machine.make_machine(n), notes, takes)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(uncertainty, "ENOUGH_HITS", 0)
        known = timing.fit_of(timing_machine.make_machine(n), notes, takes)
    assert (fitted.grid["speed_se"] > known.grid["speed_se"]).mean() > 0.9
    np.testing.assert_array_equal(fitted.delay, known.delay)


def test_a_step_changes_nothing_in_place_and_is_the_same_again():
    notes, _, takes, n = make_odd()
    laid = score.score_of(notes)
    machine = timing_machine.make_machine(n)
    prepared = prepare(laid, strikes.strikes_of(takes, laid, machine), machine)
    first = first_state(prepared)
    second, _ = step(prepared, first, variance_components.USUAL)
    # Arrays that cannot be written to: a step that changed its state would fail.
    for state in (first, second):
        for one in fields(state):
            if isinstance(value := getattr(state, one.name), np.ndarray):
                value.flags.writeable = False
    once, again = (step(prepared, second, variance_components.USUAL)[0] for _ in range(2))
    for one in fields(once):
        np.testing.assert_array_equal(getattr(once, one.name), getattr(again, one.name))
    assert not np.array_equal(once.drag, second.drag)


def weigh_pin(late_s, sd_s, n_beside):
    """Weigh the place of a pin whose strikes come with so many mean strikes, each of which delays by 4.5 ms."""
    around = [pin_company.Neighbours(np.zeros(n), np.ones(n)) for n in n_beside]
    n = len(n_beside)
    struck = pin_company.PinStrikes(np.asarray(late_s), np.full(n, sd_s**2), np.ones(n), around)
    return pin_company.weigh_places(struck, 0.0045, 0.001)


def test_a_pin_in_company_or_far_out_alone_is_given_an_error_that_holds_both():
    # 18 ms late: 9 ms by two neighbours and 9 ms by the pin; or 18 ms by the pin, which then comes alone.
    got = weigh_pin(np.full(4, 0.018), 0.0015, [2] * 4)
    np.testing.assert_allclose(got.company, 1, atol=0.05)
    assert np.sqrt(got.variance) == pytest.approx(0.0045, rel=0.02)


def test_a_take_in_which_a_neighbour_missed_tells_where_a_pin_comes():
    beside = weigh_pin([0.018, 0.018, 0.0135, 0.0135], 0.001, [2, 2, 1, 1])
    assert beside.place_s == pytest.approx(0.009, abs=1e-4) and beside.company[:2] == pytest.approx(2, abs=0.1)
    alone = weigh_pin(np.full(4, 0.018), 0.001, [2, 2, 1, 1])
    assert alone.place_s == pytest.approx(0.018, abs=1e-4) and alone.company == pytest.approx(0, abs=0.1)


def altered(takes, victim, status, by_s):
    frame = takes[0].aligned.to_pandas()
    frame.loc[victim, "status"] = status
    frame.loc[victim, "hit_s"] += by_s
    return [replace(takes[0], aligned=pa.Table.from_pandas(frame, takes[0].aligned.schema)), *takes[1:]]


def test_a_doubtful_match_of_a_misplaced_pin_in_company_counts_nothing():
    chance = np.random.default_rng([42, 1])
    notes = timing_machine.make_notes(chance, 5, bars=16, density=(1.2, 2.4), sections="ABAC")
    truth = timing_machine.make_truth(chance, notes, 5, misplaced=0.0)
    truth.company_s[:] = 0.009
    far = np.flatnonzero(chance.random(len(notes)) < 0.06)
    truth.pin_s[far] = 0.012
    takes = timing_machine.make_takes(chance, notes, truth, 3)
    fitted = []
    for status in ("undecided", "played"):
        frame = takes[0].aligned.to_pandas()
        victims = frame["pin_id"].isin(far) & (frame["status"] == "played")
        frame.loc[victims, ["status", "confidence"]] = status, 0.3
        first = replace(takes[0], aligned=pa.Table.from_pandas(frame, takes[0].aligned.schema))
        fitted.append(timing.fit_of(timing_machine.make_machine(5), notes, [first, *takes[1:]]))
    without, doubtful = (fit.pins.set_index("pin") for fit in fitted)
    assert doubtful.loc[far, "misplaced"].sum() >= 0.5 * len(far)
    known = without.index.intersection(far)
    np.testing.assert_allclose(doubtful.loc[known, "offset_s"], without.loc[known, "offset_s"], atol=2e-4)


@pytest.mark.parametrize(
    ("kind", "where"),
    [
        ("odd", "middle"),
        ("three takes, 20 notes, 4 strikers", "first"),
        ("one take, 20 notes, 1 striker", "last"),
        ("clock, one take, 20 bars, same pin", "first"),
    ],
)
def test_a_freak_hit_moves_no_estimate_of_any_table(kind, where):
    notes, _, takes, n = make_odd() if kind == "odd" else make_group(kind)
    played = np.flatnonzero(takes[0].aligned.to_pandas()["status"] == "played")
    victim = played[{"first": 0, "middle": len(played) // 2, "last": -1}[where]]
    by_s = -0.2 if where == "middle" else 0.2
    # The same strike with no time at all: it loads the machine and says nothing.
    without, freak = (
        run(notes, altered(takes, victim, "undecided", 0.0), n),
        run(notes, altered(takes, victim, "played", by_s), n),
    )
    for table, name in ESTIMATES:
        value, error = (f"{name}_{end}" for end in {"drag": ("", "se")}.get(name, ("s", "se")))
        columns = without[table].columns
        value = next(one for one in (value, name, f"{name}_bpm", f"{name}_beats") if one in columns)
        error = error if error in columns else f"{name}_se"
        one, other = (got[table].set_index(KEYS[table]).sort_index() for got in (without, freak))
        both = one.index.intersection(other.index)
        assert len(both) >= len(one) - 1
        moved = (other.loc[both, value] - one.loc[both, value]).abs()
        # Some are 0 by themselves (the mean lateness of a whole take) and have no error.
        assert not (moved > 0.1 * one.loc[both, error] + 1e-9).any(), (table, name)
        assert (one.loc[both, value].isna() == other.loc[both, value].isna()).all(), (table, name)
    late = freak["lateness"]
    note = takes[0].aligned.to_pandas().loc[victim, "note_id"]
    row = late[(late["recording"] == "take-1") & (late["note_id"] == note)].iloc[0]
    assert row["rest_s"] == pytest.approx(by_s, abs=0.02)


@pytest.mark.parametrize("kind", ["odd", "one take, 20 notes, 4 strikers", "clock, one take, 20 bars, same pin"])
def test_shifting_a_recording_changes_no_number_of_any_table(kind):
    notes, _, takes, n, before = known(kind)
    by_s, shifted = 7.25, []
    for take in takes:
        made = {}
        for name in ("aligned", "hits"):
            table = getattr(take, name)
            place = table.schema.get_field_index("hit_s")
            made[name] = table.set_column(place, table.schema.field(place), pc.add(table["hit_s"], by_s))
        shifted.append(replace(take, **made))
    after = run(notes, shifted, n)
    for name, keys in KEYS.items():
        one, other = (got[name].set_index(keys).sort_index() for got in (before, after))
        assert one.index.equals(other.index)
        for column in one.columns:
            if one[column].dtype.kind != "f":
                assert one[column].map(str).equals(other[column].map(str)), (name, column)
                continue
            expected = one[column] + (by_s if column in ("hit_s", "time_s") else 0.0)
            np.testing.assert_allclose(other[column], expected, rtol=1e-7, atol=1e-9, err_msg=f"{name} {column}")


@pytest.mark.parametrize(
    "kind", ["odd", "broken", "round", "one take, 20 notes, 4 strikers", "clock, three takes, 20 bars"]
)
def test_parts_add_up_in_groups_of_every_kind(kind):
    if kind in ("broken", "round"):
        notes, truth, takes, n, _ = known("odd")
        played_on = timing_machine.make_take(np.random.default_rng(3), notes, truth, "round", rounds=2)
        takes = [make_broken(takes[0]), takes[1]] if kind == "broken" else [played_on, takes[0]]
        got = run(notes, takes, n)
    else:
        _, _, takes, _, got = known(kind)
    late, tempo = got["lateness"], got["tempo"]
    assert sums(late, "", "late_s") < 1e-6
    assert len(late) == sum((take.aligned.to_pandas()["status"] == "played").sum() for take in takes)
    if late["felt_s"].notna().any():
        assert sums(late, "felt_", "felt_s") < 1e-6
    for _, one in got["budget"].groupby("ruler"):
        assert one["share"].sum() == pytest.approx(1, abs=1e-9)
    # The parts of the speed: what each half beat takes more or less than on the straight line of its segment.
    for _, line in tempo.groupby(["recording", "segment"]):
        pace = (1 - line["motion"] - line["load"] - line["shaft"]) * line["tempo_bpm"]
        np.testing.assert_allclose(pace, pace.iloc[0], rtol=1e-9)
