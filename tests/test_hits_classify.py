"""Candidates are told from noise by fitted nets; on a microphone that hears many, by what stands around them, too."""

import tomllib
import warnings

import numpy as np
import pytest

from pipeline.hits.candidates import DTYPE, Evidence
from pipeline.hits.classify import classifier, features, net, surroundings
from tests.benchmarks import hits_drums, hits_fit, hits_scenes

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import mir_eval

RATE_HZ = 48_000


def make_candidates(seed: int, n: int = 300) -> np.ndarray:
    """Return candidates of one channel, some ten a second, in the order of time."""
    rng, rows = np.random.default_rng(seed), np.zeros(n, DTYPE)
    rows["at"] = np.sort(rng.uniform(0, n / 10 * RATE_HZ, n))
    rows["peak"], rows["noise"] = 10 ** rng.uniform(-2, 0, n), 10 ** rng.uniform(-4, -2, n)
    rows["rise"], rows["gain"] = rng.exponential(3, rows["rise"].shape), rng.exponential(50, n)
    return rows


def make_evidence(n: int) -> Evidence:
    """Return the evidence on a channel without neighbours and without a template."""
    zero = np.zeros(n)
    return Evidence(
        above_leakage_db=zero + np.inf,
        above_leakage_late_db=zero,
        peak_above_leakage_db=zero + np.inf,
        to_usual_db=zero,
        to_loud_db=zero,
        has_template=zero > 0,
        correlation=zero,
        matched_snr=zero,
        to_strongest_db=zero,
        filter_height=np.zeros((n, 3)),
    )


def test_the_nearest_likely_ones_are_found_as_a_plain_search_finds_them():
    rows, first = make_candidates(1), np.random.default_rng(2).uniform(size=300)
    told = surroundings.features(rows, first, RATE_HZ)
    at_s, peak_db = rows["at"] / RATE_HZ, 20 * np.log10(rows["peak"])
    for k in range(300):
        for column, side in ((0, -1), (7, 1)):
            near = [
                j
                for j in range(300)
                if side * (j - k) > 0
                and surroundings.NEAREST_S < abs(at_s[j] - at_s[k]) < surroundings.FARTHEST_S
                and first[j] > max(surroundings.NEIGHBOUR_PROBABILITY, surroundings.NEIGHBOUR_SHARE * first[k])
            ]
            apart_s, passed_db = surroundings.FARTHEST_S, 0.0
            if near:
                nearest = min(near, key=lambda j: abs(at_s[j] - at_s[k]))
                apart_s, passed_db = abs(at_s[nearest] - at_s[k]), peak_db[k] - peak_db[nearest]
            assert told[k, column] == pytest.approx(np.log(apart_s))
            assert told[k, column + 1] == pytest.approx(passed_db, abs=1e-4)
        within = [first[np.abs(at_s - at_s[k]) <= reach_s].sum() - first[k] for reach_s in surroundings.AROUND_S]
        assert told[k, 14:16] == pytest.approx(np.array(within), abs=1e-9)


def test_the_order_of_candidates_and_of_channels_does_not_matter():
    rows = np.concatenate([make_candidates(3), make_candidates(4)])
    rows["channel"][300:] = 1
    alone = [
        classifier.own_strike(rows[part], np.True_, make_evidence(300), RATE_HZ)
        for part in (slice(300), slice(300, 600))
    ]
    order = np.random.default_rng(5).permutation(600)
    together = np.zeros(600)
    together[order] = classifier.own_strike(rows[order], np.True_, make_evidence(600), RATE_HZ)
    assert together == pytest.approx(np.concatenate(alone), abs=1e-9)


@pytest.mark.parametrize("n", [1, 2, 5])
def test_few_candidates_are_judged_too(n):
    probability = classifier.own_strike(make_candidates(6, n), np.True_, make_evidence(n), RATE_HZ)
    assert probability.shape == (n,) and np.all((probability >= 0) & (probability <= 1))


def test_each_net_is_shown_the_features_that_its_numbers_were_fitted_to():
    fitted = net.fitted()
    assert {name: one.features for name, one in fitted.nets.items()} == classifier.NETS
    for one in fitted.nets.values():
        n_features, n_units = one.hidden.shape
        assert n_features == len(one.features) and len(one.mean) == len(one.sd) == len(one.weight) == n_features
        assert len(one.offset) == len(one.out) == n_units and np.all(one.sd > 0)
    assert tuple(fitted.calibrations) == classifier.CALIBRATIONS
    shapes = [fitted.calibrations[name].shape for name in classifier.CALIBRATIONS]
    assert shapes == [(len(classifier.ROUTES), 2), (len(classifier.ROUTES), 3)]


def test_tables_of_features_have_a_column_for_each_name():
    rows, evidence = make_candidates(7), make_evidence(300)
    for table, names in (
        (features.of_rise(rows), features.RISE),
        (features.of_template(evidence), features.TEMPLATE),
        (features.of_leakage(evidence, np.ones(300)), features.LEAKAGE),
        (features.of_peak(evidence), features.PEAK),
        (features.of_filter(evidence), features.FILTER),
        (features.log_odds(np.ones(300)), features.LOG_ODDS),
        (surroundings.features(rows, np.ones(300), RATE_HZ), surroundings.NAMES),
    ):
        assert table.shape == (300, len(names)) and np.all(np.isfinite(table))


def test_the_file_of_numbers_is_what_a_fit_writes(tmp_path):
    hits_fit.write(tmp_path / "weights.csv")
    assert (tmp_path / "weights.csv").read_bytes() == net.FILE.read_bytes()


def test_the_file_of_numbers_goes_with_the_package():
    root = net.FILE.parents[3]
    package_data = tomllib.loads((root / "pyproject.toml").read_text())["tool"]["setuptools"]["package-data"]
    shipped = {file for pattern in package_data["pipeline"] for file in (root / "pipeline").glob(pattern)}
    assert {net.FILE, net.FILE.with_suffix(".md")} <= shipped


def test_a_net_is_the_formula_of_its_docstring():
    rng, one = np.random.default_rng(8), net.fitted().nets["own_with_template"]
    table = rng.normal(size=(50, len(one.features))) * 3 * one.sd + one.mean
    for row, probability in zip(table, net.probability(table, "own_with_template"), strict=True):
        x = [min(max((a - b) / c, -5.0), 5.0) for a, b, c in zip(row, one.mean, one.sd, strict=True)]
        score = one.middle + sum(a * b for a, b in zip(x, one.weight, strict=True))
        for unit, out in enumerate(one.out):
            score += out * np.tanh(one.offset[unit] + sum(a * b for a, b in zip(x, one.hidden[:, unit], strict=True)))
        assert probability == pytest.approx(1 / (1 + np.exp(-score)), rel=1e-9)


def test_a_fit_finds_the_numbers_that_made_the_answers():
    # Logistic regression: answers drawn with known weights; the standard errors of 20000 answers are about .03.
    rng = np.random.default_rng(9)
    table = rng.normal(size=(20_000, 3)) * np.array([1.0, 4.0, 0.5]) + np.array([0.0, 10.0, -2.0])
    score = -0.5 + table @ np.array([1.5, 0.0, -2.0]) - 4.0
    made = hits_fit.fitted(table, rng.random(20_000) < 1 / (1 + np.exp(-score)), ("a", "b", "c"))
    weight = made.weight / made.sd
    assert weight == pytest.approx(np.array([1.5, 0.0, -2.0]), abs=0.2)
    assert made.middle - weight @ made.mean == pytest.approx(-4.5, abs=0.5)


@pytest.mark.skipif(not hits_scenes.installed(), reason="sounds of package sonic-pi-samples not installed")
def test_twelve_strikes_a_second_on_one_microphone():
    scores = []
    for first in (0, 8, 16):
        names = hits_scenes.TEST_SOUNDS[first : first + 8]
        made = hits_scenes.scene(9120 + first, names, mixed=True, per_s=12, snr_db=20, duration_s=20, least_gap_s=0.03)
        hit_s = hits_scenes.find(made.samples, made.rate_hz, ("everything",))["hit_s"]
        scores.append(mir_eval.onset.f_measure(made.hit_s, hit_s, window=0.01)[0])
    assert np.mean(scores) >= 0.94


@pytest.mark.skipif(not hits_drums.installed(), reason="drum kits of package hydrogen-drumkits not installed")
def test_real_drums_in_a_room():
    # Kits that nothing was tuned on; an onset is found within 50 ms (MIREX, as mir_eval's documentation tells).
    counts = np.zeros(3)
    for number in (9203, 9204, 9208, 9209, 9213, 9214):
        _, made = hits_drums.scene(number)
        hit_s = hits_scenes.find(made.samples, hits_drums.RATE_HZ, ("everything",), "PCM_16")["hit_s"]
        right = mir_eval.util.match_events(made.onset_s, hit_s, 0.05)
        counts += len(right), len(made.onset_s), len(hit_s)
    assert 2 * counts[0] / counts[1:].sum() >= 0.95


@pytest.mark.skipif(not hits_scenes.installed(), reason="sounds of package sonic-pi-samples not installed")
def test_few_strikes_in_noise_raise_no_others():
    for seed in (9301, 9302, 9303):
        names = hits_scenes.TEST_SOUNDS[seed - 9301 :: 9]
        made = hits_scenes.scene(seed, names, mixed=True, per_s=1, snr_db=30, at=np.array([4.0, 9.0, 10.5]))
        hit_s = hits_scenes.find(made.samples, made.rate_hz, ("everything",))["hit_s"]
        assert 3 <= len(hit_s) <= 4 and np.all(np.abs(hit_s[:, None] - made.hit_s).min(axis=0) < 0.01)
