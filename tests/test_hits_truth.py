"""Hits of real percussion sounds at exactly known places, scored by mir_eval.

The sounds are those that nothing was tuned on (`hits_scenes.TEST_SOUNDS`), the seeds are used nowhere else. MIREX
counts a hit as found within 50 ms (mir_eval's documentation); timing work asks for 10 ms.
"""

import numpy as np
import pytest

from tests.benchmarks import hits_goals, hits_scenes

pytestmark = pytest.mark.skipif(not hits_scenes.installed(), reason="sounds of package sonic-pi-samples not installed")
SOUNDS = hits_scenes.TEST_SOUNDS
SHARP = ("drum_snare_soft", "drum_tom_hi_soft", "drum_tom_lo_soft", "tabla_ke2", "tabla_tas3", "tabla_te2", "sn_dub")


def find(scene, hears, least: float = 0.5) -> dict:
    return hits_scenes.find(scene.samples, scene.rate_hz, hears, least=least)


def matched(scene, found) -> tuple[float, np.ndarray]:
    """Return F within 10 ms and pairs (hit of the scene, hit found), channel by channel."""
    pairs = hits_scenes.pairs(scene, found, 0.01)
    return 2 * len(pairs) / (len(scene.hit_s) + len(found["hit_s"])), pairs


def errors_ms(scene, found, pairs) -> np.ndarray:
    """Return the timing errors after each sound's own bias."""
    error_ms = (found["hit_s"][pairs[:, 1]] - scene.hit_s[pairs[:, 0]]) * 1000
    for sound in np.unique(scene.sound):
        mine = scene.sound[pairs[:, 0]] == sound
        if mine.any():
            error_ms[mine] -= np.median(error_ms[mine])
    return error_ms


def test_a_microphone_on_each_striker_at_20_db():
    scene = hits_scenes.scene(9001, SHARP, mixed=False, per_s=2, snr_db=20, duration_s=20)
    found = find(scene, SHARP)
    f, pairs = matched(scene, found)
    assert f >= 0.98
    sharp = scene.sharp[pairs[:, 0]]
    error_ms = np.abs(errors_ms(scene, found, pairs))[sharp]
    assert np.median(error_ms) <= 0.05 and np.percentile(error_ms, 95) <= 0.25
    raw_ms = (found["hit_s"][pairs[:, 1]] - scene.hit_s[pairs[:, 0]])[sharp] * 1000
    assert abs(np.median(raw_ms)) <= 0.1


def test_weak_strikes_are_told_from_noise_by_their_sound():
    names = SOUNDS[::2]
    scene = hits_scenes.scene(9004, names, mixed=False, per_s=2, snr_db=10, duration_s=14)
    found = find(scene, names)
    f, pairs = matched(scene, found)
    assert f >= 0.93
    error_ms = np.abs(errors_ms(scene, found, pairs))[scene.sharp[pairs[:, 0]]]
    assert np.median(error_ms) <= 0.1 and np.percentile(error_ms, 95) <= 0.5


def test_weak_strikes_are_told_from_what_leaks_in():
    names = SOUNDS[4:12]
    scene = hits_scenes.scene(9014, names, mixed=False, per_s=1.5, snr_db=15, duration_s=20, leak_db=(-18, -8))
    assert matched(scene, find(scene, names))[0] >= 0.85


def test_a_fast_roll_in_noise_is_no_ring():
    at = np.arange(1.0, 18.0, 1.0)[:, None] + np.arange(8) * 0.06
    at = (at + np.random.default_rng(9015).uniform(-0.002, 0.002, at.shape)).ravel()
    scene = hits_scenes.scene(9015, SHARP[1:2], mixed=False, per_s=1, snr_db=15, duration_s=20, at=at)
    assert matched(scene, find(scene, SHARP[1:2]))[0] >= 0.95


def test_rebounds_in_the_ring_of_their_strikes_are_found_and_called_so():
    names = SOUNDS[:12]
    scene = hits_scenes.scene(9005, names, mixed=False, per_s=1.5, rebounds=0.5, least_gap_s=0.15, duration_s=15)
    found = find(scene, names)
    f, pairs = matched(scene, found)
    bounced = scene.rebound[pairs[:, 0]]
    assert f >= 0.95 and bounced.sum() >= 0.7 * scene.rebound.sum()
    assert np.mean(found["kind"][pairs[bounced, 1]] == "rebound") >= 0.8


def test_strikes_without_rebounds_are_given_none():
    scene = hits_scenes.scene(9006, SOUNDS[:12], mixed=False, per_s=1.5, least_gap_s=0.15, duration_s=15)
    found = find(scene, SOUNDS[:12])
    assert np.mean(found["kind"] == "rebound") <= 0.02


def test_standard_errors_cover_what_differs_from_hit_to_hit():
    scene = hits_scenes.scene(9002, SOUNDS[:14], mixed=False, per_s=2, snr_db=25, duration_s=14)
    found = find(scene, SOUNDS[:14])
    _, pairs = matched(scene, found)
    within = np.abs(errors_ms(scene, found, pairs)) <= 2000 * found["hit_se"][pairs[:, 1]]
    assert 0.90 <= within.mean() <= 0.995


def test_one_microphone_for_eight_strikers():
    scores, error_ms = [], []
    for first in (8, 16):
        names = SOUNDS[first : first + 8]
        scene = hits_scenes.scene(9003 + first, names, mixed=True, per_s=8, snr_db=20, duration_s=40, least_gap_s=0.03)
        found = find(scene, ("everything",))
        f, pairs = matched(scene, found)
        timed = (scene.sharp & hits_goals.alone(scene))[pairs[:, 0]]
        scores.append(f)
        error_ms.append(np.abs(errors_ms(scene, found, pairs))[timed])
    assert np.mean(scores) >= 0.95
    error_ms = np.concatenate(error_ms)
    assert np.median(error_ms) <= 0.1 and np.percentile(error_ms, 95) <= 0.8


@pytest.mark.parametrize(("leak_db", "least"), [((-30, -18), 0.93), ((-18, -8), 0.85)])
def test_microphones_that_hear_their_neighbours(leak_db, least):
    names = SOUNDS[4:12]
    scene = hits_scenes.scene(9010, names, mixed=False, per_s=1.5, snr_db=40, leak_db=leak_db, duration_s=20)
    assert matched(scene, find(scene, names))[0] >= least


def test_low_bodies_beside_loud_neighbours_are_told_from_what_leaks_in():
    # What is slow in a low body's strike is taken for a tail; the quick peaks of its neighbours' leaks are higher.
    names = ("bd_gas", "tabla_ke2", "drum_heavy_kick", "drum_snare_soft", "elec_pop", "tabla_tas3", "elec_tick")
    scores = []
    for seed in (9018, 9019, 9020):
        scene = hits_scenes.scene(seed, names, mixed=False, per_s=1.5, duration_s=12, leak_db=(-18, -8))
        scores.append(matched(scene, find(scene, names))[0])
    assert np.mean(scores) >= 0.93


@pytest.mark.parametrize(
    ("seeds", "duration_s"), [(range(9026, 9030), 12), pytest.param(range(9030, 9046), 20, marks=pytest.mark.long)]
)
def test_probabilities_say_how_often_a_row_is_right(seeds, duration_s):
    """Goal: within .1, beside two standard errors of so few rows; of those nearly sure, and of the others."""
    said, right = [], []
    for seed in seeds:
        names = tuple(np.random.default_rng(seed).permutation(SOUNDS)[:8])
        leak_db = ((-30, -18), (-18, -8))[seed % 2]
        scene = hits_scenes.scene(
            seed, names, mixed=False, per_s=1.5, snr_db=40, duration_s=duration_s, leak_db=leak_db
        )
        rows = find(scene, names, least=0.0)
        _, pairs = matched(scene, rows)
        said.append(rows["probability"])
        right.append(np.isin(np.arange(len(rows["hit_s"])), pairs[:, 1]))
    said, right = np.concatenate(said), np.concatenate(right)
    for low, high in ((0.25, 0.9), (0.9, 1.01)):
        part = (said >= low) & (said < high)
        assert abs(said[part].mean() - right[part].mean()) <= 0.1 + 2 * np.sqrt(0.25 / part.sum())


def test_chords_within_12_ms_on_leaking_microphones():
    names = SOUNDS[4:12]
    scene = hits_scenes.scene(
        9011, names, mixed=False, per_s=1, snr_db=40, chords=0.5, leak_db=(-30, -18), duration_s=20
    )
    assert matched(scene, find(scene, names))[0] >= 0.95


def test_clicks_and_turn_marks_are_all_found():
    at = 0.5 + np.arange(250) * 0.21 + np.random.default_rng(9012).uniform(-0.004, 0.004, 250)
    names = ("elec_tick", "drum_tom_hi_soft")
    scene = hits_scenes.scene(9012, names, mixed=False, per_s=1, snr_db=50, at=at, duration_s=54, level_sd_db=0.5)
    found = find(scene, ("click", "index"))
    f, pairs = matched(scene, found)
    assert f == 1.0 and set(found["kind"]) == {"click", "index"}
    assert np.median(np.abs(errors_ms(scene, found, pairs))) <= 0.05


def test_hum_rumble_and_a_bang_when_the_cable_goes_in_cost_nothing():
    scene = hits_scenes.scene(9013, SHARP, mixed=False, per_s=2, snr_db=30, duration_s=12)
    clean, _ = matched(scene, find(scene, SHARP))
    time = np.arange(len(scene.samples)) / scene.rate_hz
    noise = 0.3 * 10 ** (-30 / 20)
    hum = 2 * noise * sum(np.sin(2 * np.pi * 50 * k * time + k) / k for k in (1, 2, 3))
    rumble = 2 * noise * np.sqrt(2) * np.sin(2 * np.pi * 17 * time)
    bang = np.where((time > 0.1) & (time < 0.11), 0.9, 0.0)
    scene.samples[:] += (hum + rumble + bang + 0.05)[:, None].astype(np.float32)
    assert matched(scene, find(scene, SHARP))[0] >= clean - 0.03
