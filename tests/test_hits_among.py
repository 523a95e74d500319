"""Strikes on a microphone that hears many are judged by what stands around them."""

import warnings

import numpy as np
import pytest

from pipeline.hits import candidates
from pipeline.hits.classify import classifier, surroundings, weights
from pipeline.hits.search import second_pass
from tests.benchmarks import hits_drums, hits_scenes

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import mir_eval

RATE_HZ = 48_000


def make_candidates(seed: int, n: int = 300) -> np.ndarray:
    """Return candidates of one channel, some ten a second, in the order of time."""
    rng, rows = np.random.default_rng(seed), np.zeros(n, candidates.DTYPE)
    rows["at"] = np.sort(rng.uniform(0, n / 10 * RATE_HZ, n))
    rows["peak"], rows["noise"] = 10 ** rng.uniform(-2, 0, n), 10 ** rng.uniform(-4, -2, n)
    rows["rise"], rows["gain"] = rng.exponential(3, rows["rise"].shape), rng.exponential(50, n)
    return rows


def make_seen(n: int) -> second_pass.Seen:
    """Return what a second look says of a channel without neighbours whose sounds are not known."""
    zero = np.zeros(n)
    return second_pass.Seen(
        zero + np.inf, zero, zero, zero > 0, zero, zero, zero, np.zeros((n, 3)), zero + np.inf, zero
    )


def test_the_nearest_likely_ones_are_found_as_a_plain_search_finds_them():
    rows, first = make_candidates(1), np.random.default_rng(2).uniform(size=300)
    told = surroundings.features(rows, first, RATE_HZ)
    at_s, peak_db = rows["at"] / RATE_HZ, 20 * np.log10(rows["peak"])
    for k in range(300):
        for column, side in ((0, -1), (6, 1)):
            near = [
                j
                for j in range(300)
                if side * (j - k) > 0
                and surroundings.NEAREST_S < abs(at_s[j] - at_s[k]) < surroundings.FARTHEST_S
                and first[j] > max(surroundings.LIKELY, surroundings.AS_LIKELY * first[k])
            ]
            apart_s, passed_db = surroundings.FARTHEST_S, 0.0
            if near:
                nearest = min(near, key=lambda j: abs(at_s[j] - at_s[k]))
                apart_s, passed_db = abs(at_s[nearest] - at_s[k]), peak_db[k] - peak_db[nearest]
            assert told[k, column] == pytest.approx(np.log(apart_s))
            assert told[k, column + 1] == pytest.approx(passed_db, abs=1e-4)
        within = [first[np.abs(at_s - at_s[k]) <= reach_s].sum() - first[k] for reach_s in surroundings.AROUND_S]
        assert told[k, 12:14] == pytest.approx(np.array(within), abs=1e-9)


def test_the_order_of_candidates_and_of_channels_does_not_matter():
    rows = np.concatenate([make_candidates(3), make_candidates(4)])
    rows["channel"][300:] = 1
    alone = [classifier.second(rows[part], np.True_, make_seen(300), RATE_HZ) for part in (slice(300), slice(300, 600))]
    order = np.random.default_rng(5).permutation(600)
    together = np.zeros(600)
    together[order] = classifier.second(rows[order], np.True_, make_seen(600), RATE_HZ)
    assert together == pytest.approx(np.concatenate(alone), abs=1e-9)


@pytest.mark.parametrize("n", [1, 2, 5])
def test_few_candidates_are_judged_too(n):
    probability = classifier.second(make_candidates(6, n), np.True_, make_seen(n), RATE_HZ)
    assert probability.shape == (n,) and np.all((probability >= 0) & (probability <= 1))


def test_all_numbers_of_the_nets_are_used():
    rows, seen = make_candidates(7), make_seen(300)
    of_rise, of_sound, of_search = (
        classifier.features(rows),
        classifier.sound_features(seen),
        classifier.found_features(seen),
    )
    of_neighbours, of_peaks = classifier.neighbour_features(seen, np.ones(300)), classifier.peak_features(seen)
    told = {
        "FIRST_OWN": [of_rise],
        "KNOWN": [of_rise, of_sound],
        "FOUND": [of_search],
        "UNFOUND": [classifier.log_odds(np.ones(300))],
        "ABOVE": [of_neighbours, of_peaks],
        "ABOVE_KNOWN": [of_neighbours, of_peaks, of_sound],
        "ABOVE_FOUND": [of_neighbours, of_search],
        "FIRST_MANY": [of_rise],
        "MANY": [classifier.among_many(rows, RATE_HZ)],
    }
    for name, columns in told.items():
        lines = getattr(weights, name).strip().splitlines()
        assert len(lines) == sum(one.shape[1] for one in columns) + 2, name
        assert len({len(line.split()) for line in lines[:-2]}) == 1, name


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
