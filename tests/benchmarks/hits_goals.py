"""Print how the hits stand against their goals. Run: python -m tests.benchmarks.hits_goals [first_seed] [n_seeds]

The sounds are those that nothing was tuned on (`hits_scenes.TEST_SOUNDS`); the scenes of a case are pooled over the
seeds. F counts hits found within 10 ms, matched channel by channel by mir_eval, among those with a probability of at
least .5. Timing errors are taken after each sound's own bias (its median error in the scene). Below each case stands
what `probability` and `hit_se` are worth: of all rows of the table, by tenths of the probability, the mean that is said
and the share that is right; and the share of the errors within twice their standard error.
"""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from tests.benchmarks import hits_scenes
from tests.benchmarks.hits_scenes import Scene, scene

SOUNDS = hits_scenes.TEST_SOUNDS
LEAKING = SOUNDS[4:12]
FIRST_SEED = 41_000
APART_SEEDS = 1000
WITHIN_S = 0.010
FEWEST = 50  # rows of a tenth that tell
ALONE_S = 0.1  # an isolated hit has no other in its channel within this


@dataclass(frozen=True)
class Case:
    """A line of the goals: its scenes, what each channel hears (None: its own sound), and which hits are timed."""

    name: str
    goal: str
    scenes: tuple[Scene, ...]
    hears: tuple[str, ...] | None = None
    sharp_only: bool = False
    alone_only: bool = False


@dataclass(frozen=True)
class Score:
    """What was found in a scene of a case; `error_ms` and `raw_ms` of the hits that are timed, `in_se` of all; `said`
    and `right` of all rows."""

    n_true: int
    n_found: int
    n_right: int
    error_ms: np.ndarray
    raw_ms: np.ndarray
    n_rebounds: int
    n_rebounds_right: int
    n_rebounds_called: int
    n_strikes_called: int
    in_se: np.ndarray
    said: np.ndarray
    right: np.ndarray


def cases(seed: int) -> Iterator[Case]:
    """Yield the cases; each takes its own seeds, counted from `seed`."""
    sharp = tuple(name for name in SOUNDS if hits_scenes.one_hit(name, 48000, 0.0, 0.0)[2])
    groups = [SOUNDS[first : first + 8] for first in (0, 8, 16)]
    own = {"mixed": False, "per_s": 2}
    yield Case(
        "own 20 dB, sharp",
        "F .98, .05 / .25 / .8, raw bias .1",
        (scene(seed, sharp, **own, snr_db=20),),
        sharp_only=True,
    )
    yield Case("own 10 dB", "F .93, .1 / .5 sharp", (scene(seed + 1, SOUNDS, **own, snr_db=10),), sharp_only=True)
    for per_s, goal in ((8, "F .95, .1 / .8 sharp, isolated"), (12, "F .92")):
        made = [
            scene(seed + 10 * per_s + k, names, mixed=True, per_s=per_s, snr_db=20, least_gap_s=0.03)
            for k, names in enumerate(groups)
        ]
        yield Case(f"mixed {per_s}/s, 20 dB", goal, tuple(made), ("everything",), sharp_only=True, alone_only=True)
    for leak_db, goal in (((-30, -18), "F .93, .1 / .8"), ((-18, -8), "F .85, .1 / .8")):
        made = scene(seed + 200 - leak_db[0], LEAKING, mixed=False, per_s=1.5, leak_db=leak_db)
        yield Case(f"8 leaking {leak_db[0]}..{leak_db[1]} dB", goal, (made,))
    # One striker a recording: strikes at the same instant in every channel would be taken for leakage.
    made = [scene(seed + 280 + k, (name,), **own, at=rolls(seed + 300 + k)) for k, name in enumerate(SOUNDS[:14])]
    yield Case("rolls at 60 ms", "F .95", tuple(made))
    made = scene(seed + 315, LEAKING, mixed=False, per_s=1, chords=0.5, leak_db=(-30, -18))
    yield Case("chords within 12 ms, leaking", "F .95", (made,))
    yield Case("6 dB clipped", "F .95", (clipped(scene(seed + 320, SOUNDS[:14], **own, level_sd_db=1), 0.3),))
    made = scene(seed + 330, SOUNDS[:14], mixed=False, per_s=1.5, rebounds=0.5, least_gap_s=0.15)
    yield Case("rebounds 15-60 ms", "F .95, called so .80 of the kept", (made,))
    rng = np.random.default_rng(seed + 340)
    at = 0.5 + np.arange(500) * 0.21 + rng.uniform(-0.004, 0.004, 500)
    names = ("elec_tick", "drum_tom_hi_soft")
    made = scene(seed + 341, names, mixed=False, per_s=1, snr_db=50, at=at, duration_s=107, level_sd_db=0.5)
    yield Case("index and click", "1000 of 1000, .05", (made,), ("click", "index"))


def rolls(seed: int) -> np.ndarray:
    """Return the times of rolls of eight hits, 60 ms apart within 2 ms."""
    rng = np.random.default_rng(seed)
    at = np.arange(1.0, 28.0, 1.0)[:, None] + np.arange(8) * 0.06
    return (at + rng.uniform(-0.002, 0.002, at.shape)).ravel()


def clipped(made: Scene, peak: float) -> Scene:
    """Return a scene recorded so loud that hits of the usual peak stand 6 dB above full scale."""
    return replace(made, samples=np.clip(made.samples * (10 ** (6 / 20) / peak), -1, 1).astype(np.float32))


def own_names(made: Scene) -> tuple[str, ...]:
    """Return the sound of each channel of a scene with a microphone on each striker."""
    return tuple(made.sound[made.channel == k][0] for k in range(1, made.samples.shape[1] + 1))


def alone(made: Scene) -> np.ndarray:
    """Return which hits have no other within `ALONE_S` in their channel."""
    apart = np.abs(made.hit_s[:, None] - made.hit_s)
    apart[made.channel[:, None] != made.channel] = np.inf
    np.fill_diagonal(apart, np.inf)
    return apart.min(axis=1) > ALONE_S


def scored(case: Case, made: Scene) -> Score:
    """Find the hits of a scene and hold them against its truth."""
    rows = hits_scenes.find(made.samples, made.rate_hz, case.hears or own_names(made), least=0.0)
    found = {name: column[rows["probability"] >= 0.5] for name, column in rows.items()}
    true, mine = hits_scenes.pairs(made, found, WITHIN_S).T
    raw_ms = (found["hit_s"][mine] - made.hit_s[true]) * 1000
    error_ms, sound = raw_ms.copy(), made.sound[true]
    for name in np.unique(sound):
        error_ms[sound == name] -= np.median(raw_ms[sound == name])
    timed = np.ones(len(true), bool)
    if case.sharp_only:
        timed &= made.sharp[true]
    if case.alone_only:
        timed &= alone(made)[true]
    called, bounced = found["kind"][mine] == "rebound", made.rebound[true]
    return Score(
        len(made.hit_s),
        len(found["hit_s"]),
        len(true),
        error_ms[timed],
        raw_ms[timed],
        int(made.rebound.sum()),
        int(bounced.sum()),
        int((bounced & called).sum()),
        int((~bounced & called).sum()),
        np.abs(error_ms) <= 2000 * found["hit_se"][mine],
        rows["probability"],
        np.isin(np.arange(len(rows["hit_s"])), hits_scenes.pairs(made, rows, WITHIN_S)[:, 1]),
    )


def line(case: Case, scores: list[Score]) -> str:
    """Return the line of a case: what was reached, then the goal."""

    def total(name: str) -> int:
        return sum(getattr(score, name) for score in scores)

    error_ms = np.abs(np.concatenate([score.error_ms for score in scores]))
    bias_ms = np.median(np.concatenate([score.raw_ms for score in scores]))
    f = 2 * total("n_right") / (total("n_true") + total("n_found"))
    middle, most, nearly_all = np.percentile(error_ms, [50, 95, 99])
    said = (
        f"{case.name:29s} F {f:.3f} ({total('n_right')} right of {total('n_true')}, {total('n_found')} found)  "
        f"{middle:.3f} / {most:.2f} / {nearly_all:.2f} ms of {len(error_ms)}, raw bias {bias_ms:+.3f}"
    )
    if rebounds := total("n_rebounds"):
        kept, called = total("n_rebounds_right"), total("n_rebounds_called")
        said += f"  rebounds: {kept} of {rebounds} kept, {called} called so ({called / max(1, kept):.2f})"
        said += f", {total('n_strikes_called')} strikes called so"
    return f"{said}  | goal: {case.goal}"


def honesty(scores: list[Score]) -> str:
    """Return what probabilities and standard errors are worth, goals .1 and .90 to .98."""
    said, right, in_se = (np.concatenate([getattr(one, name) for one in scores]) for name in ("said", "right", "in_se"))
    tenth, parts, worst = np.minimum((said * 10).astype(int), 9), [], 0.0
    for k in np.unique(tenth):
        mine = tenth == k
        parts.append(f"{said[mine].mean():.2f}:{right[mine].mean():.2f} ({mine.sum()})")
        if mine.sum() >= FEWEST:
            worst = max(worst, abs(said[mine].mean() - right[mine].mean()))
    return f"    said:right {' '.join(parts)}  worst {worst:.2f}; within 2 hit_se {in_se.mean():.3f}"


def pooled(seeds: list[int]) -> Iterator[tuple[Case, list[Score]]]:
    """Yield each case with the scores of its scenes of all seeds."""
    for same in zip(*(cases(seed) for seed in seeds), strict=True):
        yield same[0], [scored(case, made) for case in same for made in case.scenes]


def main() -> None:
    """Print the table."""
    if not hits_scenes.installed():
        sys.exit("expected the sounds of package sonic-pi-samples; found none; install it")
    seed, n_seeds = (*(int(word) for word in sys.argv[1:]), *(FIRST_SEED, 1)[len(sys.argv) - 1 :])
    print(f"first seed {seed}, {n_seeds} seeds; F within 10 ms; |error| median / 95 % / 99 % after each sound's bias")
    every = []
    for case, scores in pooled([seed + APART_SEEDS * k for k in range(n_seeds)]):
        print(f"{line(case, scores)}\n{honesty(scores)}", flush=True)
        every += scores
    print(f"all\n{honesty(every)}")


if __name__ == "__main__":
    main()
