"""Make the scenes that the numbers of `pipeline.hits.classify` are fitted to and tried on (`hits_fit`).

Each generator takes sounds or kits and a seed, from which its scenes count on, and yields `hits_scenes.Scene`.
"""

import numpy as np

from tests.benchmarks import hits_drums, hits_low, hits_scenes

MOST_SOUNDS = 12  # of a scene: a fit needs at least as many


def plain_scenes(sounds, seed: int):
    """Yield scenes with a microphone on each striker, from clean to noisy."""
    for k, snr_db in enumerate((60, 40, 25, 20, 15, 10, 10)):
        yield hits_scenes.scene(seed + k, sounds, mixed=False, per_s=2, snr_db=snr_db, duration_s=20)
    for k, per_s in enumerate((1.5, 6)):
        yield hits_scenes.scene(seed + 10 + k, sounds[k::2], mixed=False, per_s=per_s, rebounds=0.3, duration_s=10)


def lone_scenes(sounds, seed: int, n_scenes: int):
    """Yield scenes of strikers whose microphones hear nothing else, as chance will have them."""
    for number in range(seed, seed + n_scenes):
        rng = np.random.default_rng(number + 7)
        names = tuple(rng.permutation(sounds)[: rng.choice([1, 2, 4, 8, 12])])
        yield hits_scenes.scene(
            number,
            names,
            mixed=False,
            snr_db=float(rng.uniform(7, 50)),
            per_s=float(rng.choice([0.5, 1, 2, 4, 8])),
            rebounds=float(rng.choice([0, 0, 0.3, 0.5])),
            level_sd_db=float(rng.choice([1, 2, 2, 4, 6])),
            least_gap_s=float(rng.choice([0.055, 0.06, 0.15])),
            duration_s=20,
        )


def leaking_scenes(sounds, seed: int, n_scenes: int):
    """Yield scenes of strikers whose microphones hear their neighbours, as chance will have them."""
    for number in range(seed, seed + n_scenes):
        rng = np.random.default_rng(number + 5)
        names = tuple(rng.permutation(sounds)[: rng.choice([4, 6, 8, 8, 8])])
        yield hits_scenes.scene(
            number,
            names,
            mixed=False,
            snr_db=float(rng.choice([12, 20, 30, 40, 40, 40, 50])),
            leak_db=[(-30, -18), (-24, -12), (-18, -8), (-18, -8)][rng.integers(4)],
            per_s=float(rng.choice([0.7, 1.0, 1.5, 1.5, 2.5])),
            chords=float(rng.choice([0.0, 0.0, 0.3, 0.5])),
            level_sd_db=float(rng.choice([1, 2, 2, 4])),
            duration_s=25,
        )


def mixed_scenes(sounds, seed: int, n_random: int):
    """Yield scenes with one microphone for many strikers, some of them of all kinds."""
    for first in range(0, len(sounds) - 7, 4):
        for per_s in (4, 8, 12):
            for snr_db, level_sd_db in ((20, 2), (40, 5)):
                yield hits_scenes.scene(
                    seed + 100 * first + per_s + snr_db,
                    sounds[first : first + 8],
                    mixed=True,
                    per_s=per_s,
                    snr_db=snr_db,
                    level_sd_db=level_sd_db,
                    least_gap_s=0.02,
                    duration_s=20,
                )
    for number in range(seed + 5000, seed + 5000 + n_random):
        rng = np.random.default_rng(number)
        yield hits_scenes.scene(
            number,
            rng.choice(sounds, size=rng.integers(4, MOST_SOUNDS + 1), replace=False),
            mixed=True,
            per_s=rng.integers(2, 15),
            snr_db=rng.uniform(15, 50),
            level_sd_db=rng.uniform(1, 8),
            least_gap_s=rng.uniform(0.015, 0.03),
            duration_s=20,
        )


def drum_scenes(kits: tuple[int, ...], seed: int, n_grooves: int):
    """Yield grooves of real drum kits, by their places in `hits_drums.KITS`, plain and as studios hand them on."""
    for number in range(seed, seed + n_grooves):
        if number % len(hits_drums.KITS) in kits:
            _, made = hits_drums.scene(number)
            yield one_microphone(made.samples, made.stroke_s)
            rng = np.random.default_rng(number)
            samples = hits_drums.in_a_room(rng, made.samples) if number % 3 == 0 else made.samples
            yield one_microphone(hits_drums.mastered(rng, samples), made.stroke_s)


def scattered_scenes(kits: tuple[str, ...], sounds, seed: int):
    """Yield strokes at random of drum kits and of sounds, in rooms and noise, half of them as studios hand them on."""
    several = [hits_drums.strokes_of(hits_drums.FOLDER, kit) for kit in kits]
    singles = [hits_scenes.sound(name, hits_drums.RATE_HZ) for name in sounds]
    several.append([((one, int(np.argmax(np.abs(one) > 0.01))),) for one in singles])
    for number in range(seed, seed + 4 * len(several)):
        samples, stroke_s = hits_drums.scattered(number, several[number % len(several)])
        rng = np.random.default_rng(number)
        samples = hits_drums.in_a_room(rng, samples)
        yield one_microphone(hits_drums.mastered(rng, samples) if rng.random() < 0.5 else samples, stroke_s)


def sparse_scenes(sounds, seed: int, n_scenes: int):
    """Yield noise with a few strikes of one or two sounds, or with none."""
    for number in range(seed, seed + n_scenes):
        rng = np.random.default_rng(number)
        if number % 3 == 0:
            # A strike before the beginning: nothing is to be found.
            noise = hits_scenes.noise(rng, 20 * hits_drums.RATE_HZ, pink=rng.uniform(0, 1))
            yield one_microphone(10 ** rng.uniform(-4, -1) * noise, np.array([-1.0]))
        else:
            at = np.sort(rng.uniform(0.5, 19, rng.integers(1, 7)))
            names = rng.choice(sounds, size=2, replace=False)
            yield hits_scenes.scene(
                number, names, mixed=True, per_s=1, snr_db=rng.uniform(15, 60), duration_s=20, at=at, level_sd_db=4
            )


def low_scenes(kits: tuple[str, ...], seed: int, n_scenes: int):
    """Yield drum kits of which each part is struck as often, low ones among others (`hits_low`)."""
    for number in range(seed, seed + n_scenes):
        rng = np.random.default_rng(number + 3)
        yield hits_low.scene(
            number, kits[number % len(kits)], rng.uniform(4, 13), rng.uniform(8, 45), level_sd_db=rng.uniform(1, 6)
        )


def one_microphone(samples: np.ndarray, stroke_s: np.ndarray) -> hits_scenes.Scene:
    """Return the scene of a recording with one channel."""
    every = np.ones(len(stroke_s), int)
    return hits_scenes.Scene(samples[:, None].astype(np.float32), hits_drums.RATE_HZ, stroke_s, *5 * [every])
