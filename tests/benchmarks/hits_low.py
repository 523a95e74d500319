"""Print how well low and slow strikers are found among others in one microphone. Run:

    python -m tests.benchmarks.hits_low [first_seed] [n_seeds] [tuning]

A kit of real drums (`hits_drums.KITS`) is struck at random, 8 or 12 times a second, each part as often as any other, in
several degrees of loudness; noise lies 40, 20 or 10 dB (root mean square) below the usual peak. With `tuning` the kits
that `hits_fit` is fitted to; else the two that nothing was fitted to. For the low parts (bass drum, low tom) and all
others: recall within 10 ms of the hits with a probability of at least .5, and the share without a candidate; then F.
Last: the same parts, each with its own microphone, at 10 dB.

Goals: F .95 at 8 strikes a second, .92 at 12, .93 with own microphones; recall of the low within .05 of the others.
"""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from pipeline import audio
from pipeline.hits.health.watch import Watch
from pipeline.hits.search import first_pass, rebounds
from pipeline.hits.signal import template
from pipeline.hits.signal.spool import Waveforms
from pipeline.settings import Channel, Detection
from tests.benchmarks import hits_drums, hits_scenes
from tests.benchmarks.hits_drums import FOLDER, KITS, RATE_HZ
from tests.benchmarks.hits_scenes import Scene

TUNING_KITS, TEST_KITS = KITS[:3], KITS[3:]
PARTS = ("kick", "low tom", "high tom", "snare", "stick", "closed", "pedal", "bell")
LOW = PARTS[:2]
PER_S, SNR_DB, OWN_SNR_DB = (8, 12), (40, 20, 10), 10
WITHIN_S, GAP_S, DURATION_S, PEAK = 0.010, 0.030, 30.0, 0.3
LONGEST_S = 1.5  # of a stroke, as in `hits_scenes`
FADE = 800  # samples at its end
FIRST_SEED = 61_000


@dataclass(frozen=True)
class Score:
    """Of each true hit: whether it is low, has a candidate, is found; and how many hits were found."""

    low: np.ndarray
    candidate: np.ndarray
    right: np.ndarray
    n_found: int


def scene(seed: int, kit: str, per_s: float, snr_db: float, mixed: bool = True, level_sd_db: float = 3.0) -> Scene:
    """Strike the parts of a kit at random; one microphone for all, or one for each part, `per_s` strikes of each."""
    rng = np.random.default_rng(seed)
    parts = [hits_drums.layers(FOLDER, kit, part) for part in PARTS]
    samples = np.zeros((round(DURATION_S * RATE_HZ), 1 if mixed else len(PARTS)))
    truth = []
    for channel in range(samples.shape[1]):
        for time_s in hits_scenes.times(rng, per_s, DURATION_S, GAP_S if mixed else 0.06):
            which = rng.integers(len(PARTS)) if mixed else channel
            soft_to_loud = parts[which]
            stroke, onset = soft_to_loud[int(rng.uniform(0.2, 1) * len(soft_to_loud) * 0.9999)]
            begin = round(time_s * RATE_HZ) - onset
            level = PEAK * 10 ** (rng.normal() * level_sd_db / 20)
            stroke = level * stroke[: min(len(samples) - begin, round(LONGEST_S * RATE_HZ))]
            stroke[-FADE:] *= np.linspace(1, 0, FADE)[-len(stroke) :]
            samples[begin : begin + len(stroke), channel] += stroke
            truth.append(((begin + onset) / RATE_HZ, channel + 1, PARTS[which], True, False, level))
    truth.sort()
    for channel in samples.T:
        channel += PEAK * 10 ** (-snr_db / 20) * hits_scenes.noise(rng, len(samples))
    columns = [np.array(column) for column in zip(*truth, strict=True)]
    return Scene(samples.astype(np.float32), RATE_HZ, *columns)


def candidates_s(made: Scene) -> np.ndarray:
    """Return the times of all candidates of the first pass of a scene with one microphone."""
    channels = (Channel(1, ("everything",)),)
    stores = Waveforms(template.shape(made.rate_hz)), Waveforms(rebounds.shape(made.rate_hz))
    with tempfile.TemporaryDirectory() as folder, stores[0], stores[1]:
        path = Path(folder) / "take.wav"
        soundfile.write(path, made.samples, made.rate_hz, subtype="FLOAT")
        watch = Watch(channels, made.rate_hz, None)
        found = first_pass.search(audio.look(path), channels, Detection(), watch, *stores)
    return np.sort(found.rows["at"]) / made.rate_hz


def scored(made: Scene) -> Score:
    """Find the hits of a scene and hold them against its truth."""
    n_channels = made.samples.shape[1]
    hears = ("everything",) if n_channels == 1 else PARTS
    found = hits_scenes.find(made.samples, made.rate_hz, hears)
    right = np.isin(np.arange(len(made.hit_s)), hits_scenes.pairs(made, found, WITHIN_S)[:, 0])
    near = np.ones(len(right), bool)
    if n_channels == 1:
        at_s = candidates_s(made)
        near = np.abs(at_s[:, None] - made.hit_s).min(axis=0, initial=np.inf) < WITHIN_S
    return Score(np.isin(made.sound, LOW), near, right, len(found["hit_s"]))


def line(name: str, scores: list[Score]) -> str:
    """Return recall and candidates of the low and of the others, and F."""
    low, near, right = (np.concatenate([getattr(one, key) for one in scores]) for key in ("low", "candidate", "right"))
    n_found = sum(one.n_found for one in scores)
    said = [
        f"{word} recall {right[mine].mean():.3f} of {mine.sum()}, without candidate {1 - near[mine].mean():.3f}"
        for word, mine in (("low", low), ("others", ~low))
    ]
    return f"{name:20s} F {2 * right.sum() / (len(right) + n_found):.3f}; {'; '.join(said)}; {n_found} found"


def main(words: list[str]) -> None:
    """Print the table."""
    if not hits_drums.installed():
        sys.exit(f"expected drum kits in {FOLDER}; found none; install Debian's hydrogen-drumkits")
    kits = TUNING_KITS if "tuning" in words else TEST_KITS
    seed, n_seeds = (*(int(word) for word in words if word.isdigit()), *(FIRST_SEED, 2)[sum(map(str.isdigit, words)) :])
    print(f"kits {', '.join(kits)}; seeds from {seed}, {n_seeds} each")
    for per_s in PER_S:
        for snr_db in SNR_DB:
            first = seed + 100 * per_s + snr_db * 3
            made = [scene(first + 5000 * k, kit, per_s, snr_db) for k in range(n_seeds) for kit in kits]
            print(line(f"{per_s} a second, {snr_db} dB", [scored(one) for one in made]), flush=True)
    made = [scene(seed + 5000 * k, kit, 1.0, OWN_SNR_DB, mixed=False) for k in range(n_seeds) for kit in kits]
    print(line(f"own, {OWN_SNR_DB} dB", [scored(one) for one in made]), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
