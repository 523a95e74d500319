"""Print what half and double of each constant of the hits stage change: what a value rests on, or that it is free.

    python -m tests.benchmarks.hits_constants [first_seed] [MODULE or NAME ...]

For each constant of `signal`, `search` and `classify` and each factor: F within 10 ms, the median and the 95th
percentile of the timing errors after each sound's bias, and the share of errors within twice their standard error,
each with the constant as it is in brackets; how many hits differ at all (found in one and not in the other, or moved
by more than 0.05 ms). Scenes of sounds that nothing was tuned on: own microphones in noise, faint and loud; leaking
ones with chords, loud and faint; one microphone for many; rebounds; marks. They are few: a difference of F below .01
or of an error below a tenth is chance.

Printed with the default seed for `signal.flux`, `signal.onset` and the first half of `signal.template` (281 hits,
F .975, errors .0079 ms in the middle and 1.24 ms at 95 %):

- no hit differs with half or double: LEAST_FLOOR, FLOOR_DEPTH, LEAST_LEVEL, MOST_GAIN (bounds against rounding); of
  `onset` LOUD_SHARE, OVER_MS, OVER_POWER (a weak burst that is over before its strike, which these scenes have not),
  ATTACK_SHARE (it makes `hit_se` alone);
- hits differ, F stays within .005 and the middle error within .0005 ms: ALARM_OVER_BEFORE, LEAST_NOISE, SHORTEST; of
  `template` PRIOR_S, PRIOR_DF, PRIOR_WEIGHT, EDGE_S;
- F falls by .02 or more: MEAN_TO_PERCENTILE and `template` QUIET_S (both ways); HOP_S, WINDOW_S, HIGHEST_HZ, ORDER
  (half); LOWEST_HZ, MODEL_S, SEARCH_S, ALARM, ALARM_SHARE, WAIT_MS (double). The nets were fitted to the values as they
  are: of `flux` this alone may be why.
"""

import importlib
import os
import sys
import warnings
from dataclasses import dataclass

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from tests.benchmarks import hits_scenes

MODULES = (
    *(f"signal.{name}" for name in ("flux", "onset", "template", "leakage")),
    *(f"search.{name}" for name in ("first_pass", "faint_strikes", "template_in_noise", "matched_filter")),
    *(f"search.{name}" for name in ("second_pass", "template_onset", "rebounds")),
    *(f"classify.{name}" for name in ("features", "surroundings", "classifier", "selection")),
)
# What is no value to choose: indices, what the fit was made with, and what only keeps memory or caches small.
LEFT_OUT = {"BROAD", "SHARP", "NARROW", "LOGISTIC", "AT_ONCE", "SD_OF_MAD", "DB_PER_NEPER", "OF_NORMAL", "N_BANDS"}
SECONDS = 7.0  # of each scene
MOVED_S, WITHIN_S = 5e-5, 0.01
NAMES = hits_scenes.TEST_SOUNDS[4:12]
KINDS = (
    {"names": NAMES[:3], "mixed": False, "per_s": 2, "snr_db": 9},
    {"names": NAMES[3:6], "mixed": False, "per_s": 2, "snr_db": 35},
    {"names": NAMES[:5], "mixed": False, "per_s": 1.5, "leak_db": (-18, -8), "chords": 0.4},
    {"names": NAMES[3:7], "mixed": False, "per_s": 1.5, "leak_db": (-20, -10), "snr_db": 14},
    {"names": NAMES, "mixed": True, "per_s": 9, "snr_db": 20, "least_gap_s": 0.03},
    {"names": NAMES[2:4], "mixed": False, "per_s": 1.5, "rebounds": 0.5, "least_gap_s": 0.15},
)


@dataclass(frozen=True)
class Outcome:
    """Counts of hits right, true and found; errors (s) and standard errors of the right ones; all hits' (time,
    channel)."""

    counts: np.ndarray
    error_s: np.ndarray
    se_s: np.ndarray
    hits: list[np.ndarray]

    def words(self) -> tuple[float, ...]:
        """Return F, median and 95 % of the errors (ms), share within twice the standard error."""
        right, true, found = self.counts
        middle, most = 1000 * np.percentile(np.abs(self.error_s), [50, 95])
        return 2 * right / (true + found), middle, most, float(np.mean(np.abs(self.error_s) <= 2 * self.se_s))


def outcome(scenes: list) -> Outcome:
    """Find the hits of the scenes."""
    counts, errors, ses, every = np.zeros(3, int), [], [], []
    for made, hears in scenes:
        try:
            found = hits_scenes.find(made.samples, made.rate_hz, hears)
        except RuntimeError:  # no strike was found
            found = {"hit_s": np.zeros(0), "hit_se": np.zeros(0), "channel": np.zeros(0, int)}
        true, mine = hits_scenes.pairs(made, found, WITHIN_S).T
        counts += len(true), len(made.hit_s), len(found["hit_s"])
        error_s = found["hit_s"][mine] - made.hit_s[true]
        for name in np.unique(made.sound[true]):
            error_s[made.sound[true] == name] -= np.median(error_s[made.sound[true] == name])
        errors.append(error_s)
        ses.append(found["hit_se"][mine])
        every.append(found["hit_s"] + 1e4 * found["channel"])
    return Outcome(counts, np.concatenate(errors), np.concatenate(ses), every)


def n_changed(one: Outcome, two: Outcome) -> int:
    """Return how many hits of either have none of the other within `MOVED_S`."""
    n = 0
    for a, b in zip(one.hits, two.hits, strict=True):
        for mine, other in ((a, b), (b, a)):
            apart = np.abs(mine[:, None] - np.append(other, np.inf)).min(axis=1, initial=np.inf)
            n += int((apart > MOVED_S).sum())
    return n


def scaled(value, factor: float):
    """Return a constant's value, or each of a few, times `factor`; whole numbers stay whole and at least 1 in size."""
    if isinstance(value, tuple):
        return tuple(scaled(one, factor) for one in value)
    if isinstance(value, int):
        return int(np.sign(value)) * max(1, round(abs(value) * factor)) if value else value
    return value * factor


def constants(module) -> list[str]:
    """Return the names of the numbers, or short rows of numbers, that a module fixes."""

    def is_number(value) -> bool:
        return type(value) in (int, float) or (
            isinstance(value, tuple) and value != () and all(type(one) in (int, float) for one in value)
        )

    return [
        name
        for name, value in vars(module).items()
        if name.isupper() and not name.startswith("_") and name not in LEFT_OUT and is_number(value)
    ]


def main(words: list[str]) -> None:
    """Print a line for each constant and factor."""
    seed, *wanted = [*words, *(["61000"] if not words else [])]
    scenes = []
    for number, kind in enumerate(KINDS):
        made = hits_scenes.scene(int(seed) + number, duration_s=SECONDS, **kind)
        names = tuple(made.sound[made.channel == k][0] for k in range(1, made.samples.shape[1] + 1))
        scenes.append((made, ("everything",) if kind["mixed"] else names))
    scenes.append((scenes[1][0], ("index", "click", "everything")))
    warnings.simplefilter("ignore")  # of values that the code cannot work with
    usual = outcome(scenes)
    for path in MODULES:
        module = importlib.import_module(f"pipeline.hits.{path}")
        for name in constants(module):
            if wanted and path not in wanted and name not in wanted:
                continue
            value = getattr(module, name)
            for factor in (0.5, 2.0):
                setattr(module, name, scaled(value, factor))
                try:
                    other = outcome(scenes)
                    said = (
                        "F {:.3f} ({:.3f}), {:.4f} ({:.4f}) and {:.2f} ({:.2f}) ms, within 2 se {:.3f} ({:.3f})".format(
                            *(word for both in zip(other.words(), usual.words(), strict=True) for word in both)
                        )
                    )
                    said += f", {n_changed(usual, other)} of {sum(map(len, usual.hits))} hits of either differ"
                except Exception as error:  # a value that the code cannot work with says so, too
                    said = f"does not run ({type(error).__name__}: {error})"
                finally:
                    setattr(module, name, value)
                print(f"{path}.{name} × {factor:g}: {said}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
