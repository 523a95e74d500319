"""Print one table: our detection and alignment beside general libraries, on sounds and pieces that were not tuned on.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.peers [first_seed] [scenes and takes a case]

Detection: librosa's onset detector (hop 128) on each channel, and the same moved back to the rise before (`backtrack`).
Times count less the median of their sound, since each has another idea of where a sound begins. Alignment: parangonar's
DualDTWNoteMatcher where hits carry names, plain dynamic time warping (dtw-python) where they do not. Every engine gets
the same input in the same run, each in a process of its own; memory is what that process needs beyond what it began
with. Seconds are of one core, without imports and compilation.
"""

import os

os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"

import pickle
import re
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import librosa
import numpy as np

from tests.benchmarks import aligned_accuracy, hits_goals, hits_scenes

WITHIN_S = 0.010  # a hit is found when one is told so near it
SCENE_S = 30.0

SCENES = {
    "own microphones, 40 dB": {"mixed": False, "per_s": 4, "snr_db": 40},
    "own microphones, 20 dB": {"mixed": False, "per_s": 4, "snr_db": 20},
    "own microphones that leak, 40 dB": {"mixed": False, "per_s": 4, "snr_db": 40, "leak_db": (-25.0, -10.0)},
    "one microphone, 8 a second, 20 dB": {"mixed": True, "per_s": 8, "snr_db": 20},
}
CASES = {
    "named machine whole": "general",
    "named hard machine partial": "general",
    "named machine looped": "general",
    "named hands whole": "general",
    "nameless machine whole": "plain",
    "nameless hard machine whole": "plain",
}


def main() -> None:
    first, count = (int(word) for word in [*sys.argv[1:], "90000", "3"][:2])
    warnings.simplefilter("ignore")
    _warm()
    print("| case | engine | F | error, median / 95 % (ms) | CPU | memory (MB) |\n|---|---|---|---|---|---|")
    for name, kind in SCENES.items():
        names = hits_scenes.TEST_SOUNDS[4:12]
        scenes = [hits_scenes.scene(first + k, names, duration_s=SCENE_S, **kind) for k in range(count)]
        rows = {label: [_apart(engine, made) for made in scenes] for label, engine in DETECTORS.items()}
        _print(name, rows, f"× real time, a channel of {scenes[0].samples.shape[1]}", _channels_s(scenes), _placed)
    for name, other in CASES.items():
        named, make = aligned_accuracy.CASES[name]
        cases = [make(first + k) for k in range(count)]
        rows = {
            label: [
                _apart(lambda case, engine=engine, named=named: _matched(case, engine, named), case) for case in cases
            ]
            for label, engine in (("pindrift", aligned_accuracy.ours), (PEERS[other], getattr(aligned_accuracy, other)))
        }
        _print(name, rows, "s a thousand notes", sum(len(case.truth) for case in cases), lambda _: "")


def ours(made: hits_scenes.Scene) -> tuple:
    hears = ("everything",) if made.samples.shape[1] == 1 else hits_goals.own_names(made)
    found = hits_scenes.find(made.samples, made.rate_hz, hears, least=0.5)
    return _scored(made, found)


def librosa_with(backtrack: bool) -> Callable:
    def engine(made: hits_scenes.Scene) -> tuple:
        at = [
            librosa.onset.onset_detect(
                y=np.ascontiguousarray(column), sr=made.rate_hz, hop_length=128, backtrack=backtrack, units="time"
            )
            for column in made.samples.T
        ]
        channel = np.repeat(np.arange(1, len(at) + 1), [len(one) for one in at])
        return _scored(made, {"hit_s": np.concatenate(at), "channel": channel})

    return engine


DETECTORS = {
    "pindrift": ours,
    "librosa": librosa_with(False),
    "librosa, backtrack": librosa_with(True),
}
PEERS = {"general": "parangonar", "plain": "plain DTW (dtw-python)"}


def _scored(made: hits_scenes.Scene, found: dict) -> tuple[float, np.ndarray]:
    """Return F and the errors of times (ms), less the median of their sound."""
    pairs = hits_scenes.pairs(made, found, 0.05)
    true, mine = pairs.T
    error_s, sound = found["hit_s"][mine] - made.hit_s[true], made.sound[true]
    for name in np.unique(sound):
        error_s[sound == name] -= np.median(error_s[sound == name])
    right = (np.abs(error_s) <= WITHIN_S).sum()
    return 2 * right / (len(made.hit_s) + len(found["hit_s"])), error_s * 1000


def _matched(case, engine, named: bool) -> tuple[float, None]:
    matches = engine(case)
    return (0.0 if matches is None else aligned_accuracy.agreement(case, matches, named)[0]), None


def _apart(engine, given) -> tuple:
    """Run an engine in a child; return what it returns, its processor seconds, and the memory that it added (MB)."""
    receiving, sending = os.pipe()
    child = os.fork()
    if not child:
        before, began = _memory_mb("VmRSS"), time.process_time()
        made = engine(given)
        used_s = time.process_time() - began
        with os.fdopen(sending, "wb") as pipe:
            pickle.dump((made, used_s, _memory_mb("VmHWM") - before), pipe)
        os._exit(0)
    os.close(sending)
    with os.fdopen(receiving, "rb") as pipe:
        found = pickle.load(pipe)
    os.waitpid(child, 0)
    return found


def _memory_mb(what: str) -> float:
    return int(re.search(rf"{what}:\s+(\d+)", Path("/proc/self/status").read_text())[1]) / 1024


def _warm() -> None:
    """Compile and load everything before anything is timed."""
    made = hits_scenes.scene(1, hits_scenes.TUNING_SOUNDS[:2], mixed=False, per_s=2, duration_s=5.0)
    for engine in DETECTORS.values():
        engine(made)
    for name, other in CASES.items():
        case = aligned_accuracy.CASES[name][1](0)
        aligned_accuracy.ours(case), getattr(aligned_accuracy, other)(case)


def _channels_s(scenes) -> float:
    return sum(SCENE_S * made.samples.shape[1] for made in scenes)


def _placed(made: list) -> str:
    error_ms = np.abs(np.concatenate([one[1] for one in made]))
    return f"{np.median(error_ms):.3f} / {np.quantile(error_ms, 0.95):.2f}"


def _print(name: str, rows: dict, unit: str, amount: float, placed: Callable) -> None:
    """Print the lines of a case, a line an engine; the ratio of processor time is that of ours over the other's."""
    used = {label: sum(one[1] for one in found) for label, found in rows.items()}
    for label, found in rows.items():
        f, memory_mb = np.mean([one[0][0] for one in found]), max(one[2] for one in found)
        speed = amount / used[label] if "real time" in unit else 1000 * used[label] / amount
        ratio = "" if label == "pindrift" else f", pindrift / it: {used['pindrift'] / used[label]:.2f}"
        print(
            f"| {name} | {label} | {f:.4f} | {placed([one[0] for one in found])} | {speed:.3g} {unit}{ratio} "
            f"| {memory_mb:.0f} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
