"""Hold the mathematics of the timing model against outside references and plain definitions."""

import itertools
from dataclasses import replace
from pathlib import Path

import allantools
import numpy as np
import pytest
import scipy
import scipy.stats
import statsmodels.api as sm
from scipy import integrate, linalg, optimize
from statsmodels.stats.multitest import multipletests
from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

from pipeline.timing.data import score, strikes
from pipeline.timing.fitting import misplaced_pins
from pipeline.timing.model import bordered_solver, design, load, load_integral, motion, normal_equations, straight_lines
from pipeline.timing.model.normal_equations import Data, Scales
from pipeline.timing.model.solution import Solved
from pipeline.timing.tables.allan_deviation import allan_deviation
from tests import timing_machine

SCALES = Scales(speed_sd=0.005, speed_beats=6.0, jitter_s=0.0015, pin_sd_s=0.001)
BEAT_S = 0.625


def make_chain(seed=1, n=60, precision=0.0, m=3):
    """Return layout, border and data of one track of `n` hits (every hit a pin of its own would be too much)."""
    chance = np.random.default_rng(seed)
    beat = np.sort(chance.choice(np.arange(0, 60, 0.25), n, replace=False))
    notes = timing_machine.notes_of([(one, 0, "x") for one in beat])
    laid = score.score_of(notes)
    knot = laid.notes["knot"].to_numpy()
    layout = design.layout_of(laid, np.zeros(n, dtype=int), knot, np.full(n, -1), n)
    matrix = np.column_stack([beat - beat.mean(), chance.normal(size=(n, m - 1))])
    border = design.Border(matrix, np.full(m, precision), np.zeros(m), {"all": slice(0, m)})
    data = Data(
        late_s=chance.normal(0, 0.004, n),
        hit_se=chance.uniform(0, 0.001, n),
        weight=chance.uniform(0.5, 1, n),
        scatter=np.ones(n),
        relative_pace=np.ones(n),
        flagged=np.zeros(n, dtype=bool),
        beat_s=BEAT_S,
    )
    return laid, layout, border, data, beat


def dense_covariance(u_beat, data):
    """Return the covariance of the hits about the border: motion from (0, 0) of variance (1, σ²), and scatter."""
    rate_sd = SCALES.speed_sd * BEAT_S
    places, at = np.unique(u_beat, return_inverse=True)
    n = len(places)
    # The states are the sums of everything that came in before: x_k = F_k x_k-1 + noise.
    whole = np.zeros((2 * n, 2 * n))
    whole[:2, :2] = np.diag([1.0, rate_sd**2])
    F, Q = (
        motion.transition(np.diff(places), SCALES.speed_beats),
        motion.noise(np.diff(places), rate_sd, SCALES.speed_beats),
    )
    for k in range(1, n):
        here = slice(2 * k, 2 * k + 2)
        whole[here, : 2 * k] = F[k - 1] @ whole[2 * k - 2 : 2 * k, : 2 * k]
        whole[: 2 * k, here] = whole[here, : 2 * k].T
        whole[here, here] = F[k - 1] @ whole[2 * k - 2 : 2 * k, 2 * k - 2 : 2 * k] @ F[k - 1].T + Q[k - 1]
    return whole[::2, ::2][np.ix_(at, at)] + np.diag(normal_equations.hit_variance(data, SCALES) / data.weight)


def kalman(places, data, observed):
    """Return statsmodels' filter of the same motion, one observation per place."""
    rate_sd = SCALES.speed_sd * BEAT_S
    filter_ = KalmanFilter(k_endog=1, k_states=2, k_posdef=2)
    filter_.bind(np.ascontiguousarray(observed[:, None]))
    step = np.append(np.diff(places), 1.0)
    filter_["design"] = np.array([[1.0, 0.0]])
    filter_["transition"] = np.moveaxis(motion.transition(step, SCALES.speed_beats), 0, -1)
    filter_["selection"] = np.eye(2)
    filter_["state_cov"] = np.moveaxis(motion.noise(step, rate_sd, SCALES.speed_beats), 0, -1)
    filter_["obs_cov"] = (normal_equations.hit_variance(data, SCALES) / data.weight)[None, None, :]
    filter_.initialize_known(np.zeros(2), np.diag([1.0, rate_sd**2]))
    return filter_


def test_motion_is_the_exact_discretisation_of_its_equation():
    # Reference: Van Loan 1978, IEEE Trans. Automat. Contr. 23, 395: the noise of a step from one matrix exponential.
    length, sd = 6.0, 0.003
    for step in (1e-3, 0.01, 0.25, 2.0, 30.0):
        A = np.array([[0, 1], [0, -1 / length]])
        G = np.diag([0, 2 * sd**2 / length])
        block = linalg.expm(np.block([[-A, G], [np.zeros((2, 2)), A.T]]) * step)
        F = block[2:, 2:].T
        np.testing.assert_allclose(motion.transition([step], length)[0], F, rtol=1e-12)
        np.testing.assert_allclose(motion.noise([step], sd, length)[0], F @ block[:2, 2:], rtol=2e-7, atol=1e-19)


def test_the_likelihood_is_that_of_the_dense_gaussian(monkeypatch):
    monkeypatch.setattr(normal_equations, "START_PRECISION", 1.0)
    _, layout, border, data, beat = make_chain(precision=4.0)
    got = normal_equations.minus_two_log_likelihood(layout, border, data, SCALES)
    V = dense_covariance(beat, data) + border.matrix @ border.matrix.T / 4.0
    root = np.linalg.cholesky(V)
    dense = (
        2 * np.log(np.diag(root)).sum() + np.sum(np.linalg.solve(root, data.late_s) ** 2) + len(V) * np.log(2 * np.pi)
    )
    # Ours leaves out n log 2π and the weights' own logarithms, constants both.
    assert got - np.log(data.weight).sum() + len(V) * np.log(2 * np.pi) == pytest.approx(dense, abs=1e-5)


def test_the_likelihood_is_that_of_statsmodels_kalman_filter(monkeypatch):
    monkeypatch.setattr(normal_equations, "START_PRECISION", 1.0)
    _, layout, _, data, beat = make_chain()
    none = design.Border(np.zeros((len(beat), 0)), np.zeros(0), np.zeros(0), {})
    got = normal_equations.minus_two_log_likelihood(layout, none, data, SCALES)
    filter_ = kalman(beat, data, data.late_s)
    assert got - np.log(data.weight).sum() + len(beat) * np.log(2 * np.pi) == pytest.approx(
        -2 * filter_.loglike(), abs=1e-6
    )


def test_the_border_is_generalised_least_squares_as_statsmodels_solves_it(monkeypatch):
    monkeypatch.setattr(normal_equations, "START_PRECISION", 1.0)
    _, layout, border, data, beat = make_chain(seed=2)
    solution = bordered_solver.solve(normal_equations.system(layout, border, data, SCALES))
    reference = sm.GLS(data.late_s, border.matrix, sigma=dense_covariance(beat, data)).fit()
    np.testing.assert_allclose(solution.beta, reference.params, rtol=1e-7)
    np.testing.assert_allclose(solution.beta_covariance, reference.normalized_cov_params, rtol=1e-6)


def test_the_border_is_least_squares_on_what_a_kalman_filter_whitens(monkeypatch):
    monkeypatch.setattr(normal_equations, "START_PRECISION", 1.0)
    _, layout, border, data, beat = make_chain(seed=3)
    white = []
    for column in [*border.matrix.T, data.late_s]:
        filtered = kalman(beat, data, column).filter()
        white.append(filtered.forecasts_error[0] / np.sqrt(filtered.forecasts_error_cov[0, 0]))
    X, y = np.array(white[:-1]).T, white[-1]
    solution = bordered_solver.solve(normal_equations.system(layout, border, data, SCALES))
    np.testing.assert_allclose(solution.beta, np.linalg.lstsq(X, y)[0], rtol=1e-6)
    np.testing.assert_allclose(solution.beta_covariance, np.linalg.inv(X.T @ X), rtol=1e-6)


def test_pins_over_two_takes_are_generalised_least_squares_as_statsmodels_solves_it(monkeypatch):
    # Two takes of the same 30 pins: held pins are a common part of the covariance, loose ones are coefficients.
    monkeypatch.setattr(normal_equations, "START_PRECISION", 1.0)
    chance, n = np.random.default_rng(12), 30
    _, _, _, one, beat = make_chain(seed=12, n=n)
    laid = score.score_of(timing_machine.notes_of([(place, 0, "x") for place in beat]))
    knot = laid.notes["knot"].to_numpy()
    track, pin = np.repeat([0, 1], n), np.tile(np.arange(n), 2)
    layout = design.layout_of(laid, track, np.tile(knot, 2), pin, n)
    loose = np.isin(np.arange(n), [4, 17])
    data = Data(
        late_s=chance.normal(0, 0.004, 2 * n),
        hit_se=np.tile(one.hit_se, 2),
        weight=chance.uniform(0.5, 1, 2 * n),
        scatter=chance.uniform(0.8, 1.2, 2 * n),
        relative_pace=chance.uniform(0.9, 1.1, 2 * n),
        flagged=loose,
        beat_s=BEAT_S,
    )
    matrix = chance.normal(size=(2 * n, 3))
    border = design.Border(matrix, np.zeros(3), np.zeros(3), {"all": slice(0, 3)})
    solution = bordered_solver.solve(normal_equations.system(layout, border, data, SCALES))
    of_pin = (pin[:, None] == np.arange(n)) * data.relative_pace[:, None]
    V = np.zeros((2 * n, 2 * n))
    for half in (slice(0, n), slice(n, 2 * n)):
        own = replace(
            data,
            hit_se=data.hit_se[half],
            weight=data.weight[half],
            scatter=data.scatter[half],
            relative_pace=data.relative_pace[half],
        )
        V[half, half] = dense_covariance(beat, own)
    V += SCALES.pin_sd_s**2 * of_pin[:, ~loose] @ of_pin[:, ~loose].T
    reference = sm.GLS(data.late_s, np.column_stack([matrix, of_pin[:, loose]]), sigma=V).fit()
    np.testing.assert_allclose(solution.beta, reference.params[:3], rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(solution.x[layout.pin_place[loose]], reference.params[3:], rtol=1e-6)
    np.testing.assert_allclose(solution.beta_covariance, reference.normalized_cov_params[:3, :3], rtol=1e-5)
    # A held pin is what its prior makes of what is left (Robinson 1991, Stat. Sci. 6, 15, best linear prediction).
    left = np.linalg.solve(V, reference.resid)
    expected = SCALES.pin_sd_s**2 * of_pin[:, ~loose].T @ left
    np.testing.assert_allclose(solution.x[layout.pin_place[~loose]], expected, rtol=1e-6, atol=1e-9)
    system = normal_equations.system(layout, border, data, SCALES)
    estimate, told = Solved(SCALES, layout, border, data, system, solution).in_band(layout.pin_place[loose])
    np.testing.assert_array_equal(estimate, solution.x[layout.pin_place[loose]])
    np.testing.assert_allclose(told, np.diag(reference.normalized_cov_params)[3:], rtol=1e-5)


def regression(X, y):
    """Solve ordinary least squares by the model's own solver, without a band; return coefficients and residual sd."""
    n, m = X.shape
    system = bordered_solver.System(np.zeros((1, 0)), np.zeros((0, m)), X.T @ X, np.zeros(0), X.T @ y)
    solution = bordered_solver.solve(system)
    rest = y - X @ solution.beta
    return solution.beta, np.sqrt(rest @ rest / (n - m)), solution.beta_covariance


def test_longley_through_the_same_solver():
    # NIST StRD Longley (certified values as in CHECKS; the data inside the statsmodels wheel).
    given = sm.datasets.longley.load_pandas()
    X = np.column_stack([np.ones(16), given.exog.to_numpy()])
    beta, sd, _ = regression(X, given.endog.to_numpy())
    # Its columns are famously near to dependent: normal equations keep half of the sixteen digits.
    assert beta[0] == pytest.approx(-3482258.63459582, rel=1e-5)
    assert beta[1] == pytest.approx(15.0618722713733, rel=1e-4)
    assert sd == pytest.approx(304.854073561965, rel=1e-7)


def test_norris_through_the_same_solver():
    # NIST StRD Norris (the data inside the scipy wheel).
    folder = Path(scipy.__file__).parent / "stats/tests/data/nist_linregress/Norris.dat"
    lines = folder.read_text().splitlines()[60:]
    y, x = np.array([[float(word) for word in line.split()] for line in lines if line.strip()]).T
    beta, sd, _ = regression(np.column_stack([np.ones(len(x)), x]), y)
    assert beta == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-11)
    assert sd == pytest.approx(0.884796396144373, rel=1e-11)


def test_variances_are_those_of_the_dense_inverse():
    _, layout, border, data, _ = make_chain(seed=4)
    system = normal_equations.system(layout, border, data, SCALES)
    dense = np.zeros((layout.n, layout.n))
    for offset in range(layout.width + 1):
        dense += np.diag(system.band[offset, : layout.n - offset], -offset)
        if offset:
            dense += np.diag(system.band[offset, : layout.n - offset], offset)
    blocks = bordered_solver.band_covariance(system, layout.edges)
    inverse = np.linalg.inv(dense)
    # The diffuse start (sd 1000 s beside milliseconds) leaves some seven digits to either way of inverting.
    np.testing.assert_allclose(np.concatenate([np.diag(block) for block in blocks]), np.diag(inverse), rtol=1e-5)


def test_allan_deviation_of_the_nist_set():
    # NIST SP 1065 (Riley & Howe 2008), pp. 107-108, overlapping Allan deviation, secondary.
    numbers = [1234567890]
    while len(numbers) < 1000:
        numbers.append(16807 * numbers[-1] % 2147483647)
    phase = np.concatenate([[0.0], np.cumsum(np.array(numbers) / 2147483647)])
    for n, expected in ((1, 0.2922319), (10, 0.09159953), (100, 0.03241343)):
        assert allan_deviation(phase, n) == pytest.approx(expected, rel=3e-7)


def test_allan_deviation_is_that_of_allantools():
    phase = np.cumsum(np.random.default_rng(5).normal(size=90))
    _, expected, _, _ = allantools.oadev(phase, rate=1.0, data_type="phase", taus=[1, 2, 4, 8])
    np.testing.assert_allclose([allan_deviation(phase, n) for n in (1, 2, 4, 8)], expected, rtol=1e-12)


def make_loaded(seed=6, n_takes=2, beat_s=(0.6, 0.65), mean_drag=0.005):
    """Return the strikes of 4 strikers, their places, and a law of load."""
    chance = np.random.default_rng(seed)
    notes = timing_machine.make_notes(chance, 4, bars=12)
    truth = timing_machine.make_truth(chance, notes, 4)
    gathered = strikes.strikes_of(
        timing_machine.make_takes(chance, notes, truth, n_takes), score.score_of(notes), timing_machine.make_machine(4)
    )
    line, u_beat = (gathered.rows[name].to_numpy() for name in ("line", "u_beat"))
    ends = gathered.rows.groupby("line")["u_beat"].agg(["min", "max"]).to_numpy()
    drag = mean_drag * np.array([0.5, 1.5, 0.8, 1.2])
    law = load.Law(drag, np.zeros(n_takes), 5.0, np.array(beat_s[:n_takes]), ends[:, 0])
    return gathered, line, u_beat, law, ends[:, 1]


def test_a_little_load_is_the_sum_over_all_strikes_before():
    gathered, line, u_beat, law, until = make_loaded(mean_drag=1e-9)
    rows, tau = gathered.rows, law.line_recovery_beats()
    got = load.lateness(gathered, law, line, u_beat, until)
    expected = np.zeros((len(rows), 4))
    for k in range(len(rows)):
        before = rows[(rows["line"] == line[k]) & rows["fires"] & (rows["u_beat"] < u_beat[k] - 1e-9)]
        each = tau[line[k]] * law.beat_s[line[k]] * (1 - np.exp(-(u_beat[k] - before["u_beat"]) / tau[line[k]]))
        expected[k] = each.groupby(before["striker"]).sum().reindex(range(4)).fillna(0)
    # The same energy is a larger share of a slower line's speed: its square.
    expected *= ((law.beat_s / law.beat_s.mean()) ** 2)[line][:, None]
    stripped = [straight_lines.detrended(values, line, u_beat) for values in (got.by_drag_s, expected)]
    np.testing.assert_allclose(*stripped, rtol=1e-6, atol=1e-6)
    np.testing.assert_allclose(got.whole_s, got.by_drag_s @ law.drag, rtol=1e-6, atol=1e-15)


def test_a_heavy_load_is_what_the_balance_of_torque_and_energy_gives():
    # I dω/dt = torque − R ω between strikes, ½ I ω² less E at each (standard mechanics), integrated by scipy.
    gathered, line, u_beat, law, until = make_loaded(n_takes=1, beat_s=(1.0,), mean_drag=0.012)
    rows = gathered.rows
    fired = rows[rows["fires"]]
    edges = np.unique(np.append(u_beat, fired["u_beat"]))
    lost = fired.groupby("u_beat")["striker"].apply(lambda who: law.drag[who].sum())

    def lateness_s(torque):
        v, time_s, out = 1.0, 0.0, [0.0]
        for low, high in itertools.pairwise(edges):
            v = np.sqrt(v**2 - 2 * lost.get(low, 0.0))
            found = integrate.solve_ivp(
                lambda _, y: [1 / y[1], (torque - y[1]) / law.recovery_beats / y[1]],
                (low, high),
                [time_s, v],
                rtol=1e-9,
            )
            time_s, v = found.y[:, -1]
            out.append(time_s)
        return np.interp(u_beat, edges, np.array(out) - (edges - edges[0]))

    def ahead_s(torque):  # a mean pace of 1 beat a second
        return lateness_s(torque)[-1]

    true_s = straight_lines.detrended(lateness_s(optimize.brentq(ahead_s, 1.0, 1.6, xtol=1e-7)), line, u_beat)

    def away_s(start, law=law):
        late_s = load.whole(gathered, replace(law, start=np.array(start)), line, u_beat, until)
        return straight_lines.detrended(late_s, line, u_beat) - true_s

    # How the line starts is fitted. What our law, of the second order, leaves is a hundredth of what the first leaves.
    second = optimize.least_squares(away_s, [0.0]).fun
    small = replace(law, drag=law.drag / 1e6)
    first = optimize.least_squares(lambda start: 1e6 * away_s(start / 1e6, small) + (1e6 - 1) * true_s, [0.0]).fun
    assert np.std(first) > 0.01 * np.std(true_s)
    assert np.std(second) < 0.05 * np.std(first)


def test_the_load_answers_to_drags_and_starts_as_small_changes_say():
    gathered, line, u_beat, law, until = make_loaded(mean_drag=0.004)
    law = replace(law, start=np.array([0.03, -0.02]))
    got = load.lateness(gathered, law, line, u_beat, until)
    step = 1e-4
    for which in range(4):
        more, less = (
            load.whole(gathered, replace(law, drag=law.drag + side * step * np.eye(4)[which]), line, u_beat, until)
            for side in (1, -1)
        )
        # S₂ is taken as it is: it answers less than a twentieth as much.
        away = straight_lines.detrended((more - less) / (2 * step) - got.by_drag_s[:, which], line, u_beat)
        assert np.std(away) < 0.05 * np.std(straight_lines.detrended(got.by_drag_s[:, which], line, u_beat))


def test_a_long_history_does_not_overflow():
    struck = np.arange(0, 4000, 0.5)
    sums = load_integral.fade_sums(struck, np.ones(len(struck)), 0.5)
    np.testing.assert_allclose(sums[-1], 1 / (1 - np.exp(-1)), rtol=1e-12)
    assert np.isfinite(sums).all()


def test_false_discovery_rates_are_those_of_statsmodels():
    z = np.random.default_rng(8).normal(size=200) * 1.7
    expected = multipletests(2 * scipy.stats.norm.sf(np.abs(z)), method="fdr_bh")[1]
    np.testing.assert_allclose(misplaced_pins.q_values(z, np.ones(200, dtype=bool)), expected, rtol=1e-9)


def test_company_and_gaps_are_what_counting_gives():
    chance = np.random.default_rng(10)
    notes = timing_machine.make_notes(chance, 5, bars=12, density=(1.0, 2.0))
    truth = timing_machine.make_truth(chance, notes, 5)
    truth.missed = 0.2
    gathered = strikes.strikes_of(
        timing_machine.make_takes(chance, notes, truth, 2), score.score_of(notes), timing_machine.make_machine(5)
    )
    rows, heavy, pace = gathered.rows, np.array([0.5, 1, 2, 0.7, 1.3]), np.array([1.0, 1.1])
    shift_s = chance.choice([0.0, 0.0, 0.02], len(rows))
    place_s = rows["along_s"].to_numpy() + shift_s
    company, gap_s = strikes.company(gathered, heavy, shift_s), strikes.gap_s(gathered, pace)
    for k in range(0, len(rows), 7):
        one = rows.iloc[k]
        near = (rows["line"] == one["line"]) & rows["fires"] & (np.abs(place_s - place_s[k]) <= 0.015 + 1e-9)
        near.iloc[k] = False
        assert company[k] == pytest.approx(heavy[rows.loc[near, "striker"]].sum(), abs=1e-9)
        mine = (rows["line"] == one["line"]) & (rows["striker"] == one["striker"]) & rows["fires"]
        before = rows.loc[mine & (rows["along_s"] < one["along_s"]), "along_s"]
        expected = (one["along_s"] - before.max()) * pace[one["line"]] if len(before) else np.inf
        assert gap_s[k] == pytest.approx(expected)


def test_calls_leave_a_majority_of_a_striker_to_measure_against():
    called = np.array([True, True, True, False, True, True])
    z = np.array([5.0, -9.0, 6.0, 0.1, 8.0, 7.0])
    striker = np.array([0, 0, 0, 0, 1, 1])
    apart = 10.0 * np.arange(6)
    kept = misplaced_pins.minority(called, np.zeros(6, dtype=bool), z, striker, apart)
    # One of four at first, the furthest out; none of two.
    np.testing.assert_array_equal(kept, [False, True, False, False, False, False])


def test_of_new_calls_close_together_the_furthest_out_stands_first():
    z, u_beat = np.array([4.0, -8.0, 5.0, 6.0]), np.array([0.0, 1.0, 2.5, 3.5])
    none, every, striker = np.zeros(4, dtype=bool), np.ones(4, dtype=bool), np.arange(4) * 0
    more = [np.append(one, np.zeros(80, dtype=one.dtype)) for one in (every, none, z, striker)]
    kept = misplaced_pins.minority(*more, np.append(u_beat, 100 + np.arange(80)))
    np.testing.assert_array_equal(np.flatnonzero(kept), [1, 3])
    # The others come when they are still out in the next round.
    before = kept.copy()
    again = misplaced_pins.minority(more[0], before, *more[2:], np.append(u_beat, 100 + np.arange(80)))
    assert again[:4].all()


def test_a_steep_beginning_makes_no_freak_hits():
    # The machine slows by a tenth over the first beats: more than 50 ms from any average, but no hit is a freak.
    notes = timing_machine.notes_of([(k / 2, k % 3, "x") for k in range(120)])
    score_s = notes["score_s"].to_numpy()
    hit_s = 1 + score_s + 0.1 * 6 * (1 - np.exp(-score_s / 6))
    hit_s[60] += 0.2
    take = timing_machine.take_of(notes, hit_s, np.zeros(120, dtype=bool), np.ones(120, dtype=int))
    gathered = strikes.strikes_of([take], score.score_of(notes), timing_machine.make_machine(3))
    assert np.flatnonzero(strikes.first_weights(gathered) == 0).tolist() == [60]
