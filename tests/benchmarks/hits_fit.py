"""Fit the numbers of `pipeline.hits.judge` and print them. Run: python -m tests.benchmarks.hits_fit

Scenes are made of every second sound (`hits_scenes.TUNING_SOUNDS`); the other half, with other seeds, only says how
well the numbers carry over.
"""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import mir_eval
import numpy as np
from scipy.optimize import minimize

from pipeline.hits import candidate, judge, rise
from tests.benchmarks import hits_scenes

GAP_FRAMES = 6


def own_scenes(sounds, seed: int):
    """Yield scenes with a microphone on each striker."""
    for snr_db in (60, 40, 25, 20, 15, 10):
        yield hits_scenes.scene(seed + snr_db, sounds, mixed=False, per_s=2, snr_db=snr_db, duration_s=10)
    yield hits_scenes.scene(seed, sounds[::3], mixed=False, per_s=2, snr_db=40, rebounds=0.5, least_gap_s=0.15)
    yield hits_scenes.scene(seed + 1, sounds[::3], mixed=False, per_s=8, snr_db=40)
    yield hits_scenes.scene(seed + 2, sounds[::3], mixed=False, per_s=3, snr_db=30, leak_db=(-30, -18), duration_s=15)


def mixed_scenes(sounds, seed: int):
    """Yield scenes with one microphone for many strikers."""
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


def measured(scene) -> tuple[np.ndarray, np.ndarray, int]:
    """Return candidates of all channels, whether each is a hit, and the number of hits."""
    cut, found, true = rise.frames(scene.rate_hz), [], []
    for channel in np.unique(scene.channel):
        samples = np.ascontiguousarray(scene.samples[:, channel - 1])
        rows, _ = candidate.of_block(samples, rise.band_power(samples, cut), None, 0, len(samples), cut, GAP_FRAMES)
        hit_s = np.sort(scene.hit_s[scene.channel == channel])
        right = np.zeros(len(rows), bool)
        right[[at for _, at in mir_eval.util.match_events(hit_s, rows["at"] / scene.rate_hz, 0.01)]] = True
        # What leaks in from a neighbour did strike, only not here: neither right nor wrong.
        leaked = np.abs(rows["at"][:, None] / scene.rate_hz - scene.hit_s).min(axis=1) < 0.01
        use = right | ~leaked
        found.append(rows[use])
        true.append(right[use])
    return np.concatenate(found), np.concatenate(true), len(scene.hit_s)


def fitted(features: np.ndarray, true: np.ndarray) -> np.ndarray:
    """Return offset and weights of the logistic regression, slightly held to 0."""
    mean, sd = features.mean(axis=0), features.std(axis=0)
    seen = np.column_stack([np.ones(len(true)), (features - mean) / sd])

    def loss(weights):
        score = seen @ weights
        gradient = seen.T @ (1 / (1 + np.exp(-score)) - true) + weights
        return np.logaddexp(0, score).sum() - score[true].sum() + 0.5 * np.square(weights).sum(), gradient

    weights = minimize(loss, np.zeros(seen.shape[1]), jac=True, method="L-BFGS-B").x
    return np.concatenate([[weights[0] - (weights[1:] * mean / sd).sum()], weights[1:] / sd])


def f_measure(true: np.ndarray, said: np.ndarray, n_hits: int) -> float:
    """Return F of candidates said to be hits."""
    return 2 * (true & said).sum() / max(1, said.sum() + n_hits)


def main() -> None:
    """Fit on one half of the sounds, print, and try on the other half."""
    for name, make in (("OWN", own_scenes), ("MIXED", mixed_scenes)):
        parts = [measured(scene) for scene in make(hits_scenes.TUNING_SOUNDS, 1000)]
        weights = fitted(
            judge.features(np.concatenate([part[0] for part in parts])), np.concatenate([p[1] for p in parts])
        )
        print(f"{name} = ({', '.join(f'{weight:.3f}' for weight in weights)})")
        for half, sounds, seed in (("tuning", None, 0), ("other", hits_scenes.TEST_SOUNDS, 2000)):
            tried = parts if sounds is None else [measured(scene) for scene in make(sounds, seed)]
            scores = []
            for rows, true, n_hits in tried:
                chance = 1 / (1 + np.exp(-(weights[0] + judge.features(rows) @ weights[1:])))
                scores.append(f"{f_measure(true, chance >= 0.5, n_hits):.3f}")
            print(f"  F at 0.5, {half} sounds: {' '.join(scores)}", flush=True)


if __name__ == "__main__":
    main()
