"""Fit the numbers of `pipeline.hits.classify.classifier` and write `pipeline/hits/classify/weights.py`.

Scenes are made of every second sound (`hits_scenes.TUNING_SOUNDS`) and of three drum kits (`hits_drums`); the others,
with other seeds, only say how well the numbers carry over.
"""

import os
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from unittest.mock import patch

import numpy as np
import soundfile
from scipy.optimize import minimize

from pipeline import audio
from pipeline.hits import from_audio
from pipeline.hits.classify import classifier, net, selection, weights
from pipeline.hits.search import faint_strikes, rebounds, second_pass
from pipeline.hits.signal import template
from pipeline.hits.signal.spool import Store
from pipeline.settings import Channel, Detection
from tests.benchmarks import hits_drums, hits_scenes

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

AS_SAID, OWN_AS_SAID = ((0.0, 1.0),) * 3, ((0.0, 1.0, 0.0),) * 3
EVERY = Detection(sensitivity=0.99)  # at first sight nearly all is kept
NEAR_S, APART_S, LEAST = 0.01, 0.012, 0.05
FEW_UNITS, MANY_UNITS = 4, 12  # of a net that is told little, much
HELD, HELD_FIRMLY, ROUNDS = 1.0, 20.0, 300  # what holds numbers to 0, without units and with; rounds of the search
LEAST_SD = 0.001  # of a feature that is always the same
FIRM, FIRMEST = 2.0, 1000.0  # how firmly numbers that few candidates may tell are held to change nothing
WORTH = 0.02  # least probability at first sight of what the second look is shown of microphones that hear many
N_LONE, N_LEAKING, N_CHECKED = 48, 80, 10  # scenes


@dataclass(frozen=True)
class Net:
    """The numbers of a net: of each feature `mean`, `sd`, `weight` beside the net and those in each `hidden` unit; of
    each unit `offset` and `out`, what it adds; and the offset of all, `middle`."""

    mean: np.ndarray
    sd: np.ndarray
    weight: np.ndarray
    hidden: np.ndarray
    offset: np.ndarray
    out: np.ndarray
    middle: float


@dataclass(frozen=True)
class Measured:
    """Candidates of a scene, what a second look says, which hit each is (-1: none), whether it leaked in."""

    candidates: np.ndarray
    seen: second_pass.Seen
    hit: np.ndarray
    leaked: np.ndarray
    n_hits: int
    rate_hz: int

    @property
    def right(self) -> np.ndarray:
        return self.hit >= 0


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
            rng.choice(sounds, size=rng.integers(4, 13), replace=False),
            mixed=True,
            per_s=rng.integers(2, 15),
            snr_db=rng.uniform(15, 50),
            level_sd_db=rng.uniform(1, 8),
            least_gap_s=rng.uniform(0.015, 0.03),
            duration_s=20,
        )


def drum_scenes(kits: tuple[int, ...], seed: int):
    """Yield grooves of real drum kits, by their places in `hits_drums.KITS`, plain and as studios hand them on."""
    for number in range(seed, seed + 80):
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


def sparse_scenes(sounds, seed: int):
    """Yield noise with a few strikes of one or two sounds, or with none."""
    for number in range(seed, seed + 36):
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


def one_microphone(samples: np.ndarray, stroke_s: np.ndarray) -> hits_scenes.Scene:
    """Return the scene of a recording with one channel."""
    every = np.ones(len(stroke_s), int)
    return hits_scenes.Scene(samples[:, None].astype(np.float32), hits_drums.RATE_HZ, stroke_s, *5 * [every])


def measured(scene: hits_scenes.Scene, mixed: bool = False, leaks: bool = False) -> Measured:
    """Return the candidates of a scene."""
    hears = ("everything",) if mixed else tuple(f"striker {k}" for k in range(scene.samples.shape[1]))
    channels = tuple(Channel(k, (what,)) for k, what in enumerate(hears, 1))
    stores = Store(template.shape(scene.rate_hz)), Store(rebounds.shape(scene.rate_hz))
    with tempfile.TemporaryDirectory() as folder, stores[0], stores[1]:
        path = Path(folder) / "take.wav"
        soundfile.write(path, scene.samples, scene.rate_hz, subtype="FLOAT")
        heard = from_audio.candidates_of(audio.look(path), channels, EVERY, *stores)
        number = heard.candidates["channel"]
        first = classifier.first(heard.candidates, mixed)
        is_mixed = np.full(len(channels), mixed)
        seen, _ = second_pass.look(heard, first, selection.sharing(channels), is_mixed, scene.rate_hz)
    apart_s = np.abs(heard.candidates["at"][:, None] / scene.rate_hz - scene.hit_s)
    struck = apart_s.min(axis=1) < NEAR_S
    apart_s[number[:, None] != scene.channel - 1] = np.inf
    hit = np.where(apart_s.min(axis=1) < NEAR_S, apart_s.argmin(axis=1), -1)
    return Measured(heard.candidates, seen, hit, leaks & struck & (hit < 0), len(scene.hit_s), scene.rate_hz)


def fitted(features: np.ndarray, true: np.ndarray, units: int = 0) -> Net:
    """Fit a net from a beginning by chance, or a logistic regression (no units), its weights slightly held to 0."""
    mean, sd = features.mean(axis=0), np.maximum(features.std(axis=0), LEAST_SD)
    seen = ((features - mean) / sd).clip(-net.WIDEST, net.WIDEST).astype(np.float32)
    n = seen.shape[1]
    held_to_0 = HELD_FIRMLY if units else HELD
    shapes = (n, units), (n,), (units,), (units,), (1,)
    ends = np.cumsum([np.prod(shape, dtype=int) for shape in shapes])

    def parted(numbers):
        return [one.reshape(shape) for one, shape in zip(np.split(numbers, ends[:-1]), shapes, strict=True)]

    def loss(numbers):
        hidden, weight, out, offset, middle = (one.astype(np.float32) for one in parted(numbers))
        bent = np.tanh(seen @ hidden + offset)
        score = bent @ out + seen @ weight + middle
        wrong = 1 / (1 + np.exp(-score)) - true
        back = wrong[:, None] * out * (1 - np.square(bent))
        slopes = [seen.T @ back, seen.T @ wrong, bent.T @ wrong, back.sum(axis=0), wrong.sum(keepdims=True)]
        held = numbers * (np.arange(len(numbers)) < ends[2]) * held_to_0
        value = (np.logaddexp(0, score) - true * score).sum(dtype=float) + 0.5 * (held * numbers).sum()
        return value, np.concatenate([slope.ravel() for slope in slopes]).astype(float) + held

    # Units that began alike would stay so.
    rng = np.random.default_rng(0)
    begin = [rng.normal(size=n * units) / np.sqrt(n), np.zeros(n), rng.normal(size=units) * 0.3, np.zeros(units + 1)]
    options = {"maxiter": ROUNDS, "maxcor": 20}
    numbers = minimize(loss, np.concatenate(begin), jac=True, method="L-BFGS-B", options=options).x
    hidden, weight, out, offset, middle = parted(numbers)
    return Net(mean, sd, weight, hidden, offset, out, float(middle[0]))


def put(name: str, made: Net) -> None:
    """Put a net to use for what follows."""
    rows = [*np.column_stack([made.mean, made.sd, made.weight, made.hidden])]
    rows += [np.append(0.0, made.offset), np.append(made.middle, made.out)]
    lines = [" ".join(f"{round(number / net.UNIT)}" for number in row) for row in rows]
    setattr(weights, name, "\n" + "\n".join(lines) + "\n")


def fit(name: str, features: list[np.ndarray], true: list[np.ndarray], units: int = 0) -> Net:
    """Fit one net and put it to use for what follows."""
    made = fitted(np.concatenate(features), np.concatenate(true), units)
    put(name, made)
    return made


def fit_first(name: str, parts: list[Measured]) -> None:
    """Fit what is told at first sight."""
    fit(
        name,
        [classifier.features(part.candidates)[~part.leaked] for part in parts],
        [p.right[~p.leaked] for p in parts],
    )


def fit_known(parts: list[Measured]) -> None:
    """Fit what is told when the sound is known."""
    features, right = [], []
    for part in parts:
        searched = part.seen.sought[:, 0] != 0
        mine = part.seen.known & ~part.leaked & ~searched & (classifier.first(part.candidates, np.False_) > 0.02)
        both = np.column_stack([classifier.features(part.candidates), classifier.sound_features(part.seen)])
        features.append(both[mine])
        right.append(part.right[mine])
    fit("KNOWN", features, right)


def fit_found(parts: list[Measured]) -> None:
    """Fit what the filter matched to the known sound tells."""
    found = [(part.seen.sought[:, 0] > 0) & ~part.leaked for part in parts]
    features = [classifier.found_features(part.seen)[mine] for part, mine in zip(parts, found, strict=True)]
    fit("FOUND", features, [part.right[mine] for part, mine in zip(parts, found, strict=True)])
    unfound = [(part.seen.sought[:, 0] < 0) & ~part.leaked for part in parts]
    before = [classifier.known(part.candidates, part.seen) for part in parts]
    features = [classifier.log_odds(one[mine]) for one, mine in zip(before, unfound, strict=True)]
    fit("UNFOUND", features, [part.right[mine] for part, mine in zip(parts, unfound, strict=True)])


def fit_neighbours(name: str, parts: list[Measured], units: int = 0) -> None:
    """Fit what is told by the neighbours: whether something that struck struck here."""
    features, right = [], []
    for part in parts:
        known, found = part.seen.known & (name != "ABOVE"), part.seen.sought[:, 0] > 0
        struck = classifier.first(part.candidates, np.False_)
        if name != "ABOVE":
            struck = classifier.struck(part.candidates, part.seen)
        # What the filter finds where nothing struck is often the ring of what leaked in before.
        mine = (part.right | part.leaked | found) & (struck > 0.1)
        mine &= {"ABOVE": ~found, "ABOVE_KNOWN": known & ~found, "ABOVE_FOUND": found}[name]
        if name == "ABOVE_FOUND":
            mine &= np.isfinite(part.seen.above_db)
        columns = [classifier.neighbour_features(part.seen, struck)]
        columns += [
            classifier.found_features(part.seen) if name == "ABOVE_FOUND" else classifier.peak_features(part.seen)
        ]
        columns += [classifier.sound_features(part.seen)] if name == "ABOVE_KNOWN" else []
        features.append(np.column_stack(columns)[mine])
        right.append(part.right[mine])
    fit(name, features, right, units)


def fit_apart(name: str, parts: list[Measured]) -> None:
    """Fit how often candidates are right that have no likelier one beside them; `APART_OWN` with the neighbours."""
    of_own = name == "APART_OWN"
    setattr(weights, name, OWN_AS_SAID if of_own else AS_SAID)
    seen, right, kinds = [], [], []
    for part in parts:
        struck = classifier.struck(part.candidates, part.seen)
        chance = classifier.second(part.candidates, np.False_, part.seen, part.rate_hz) if of_own else struck
        kept = standing_apart(part, chance)
        leaking = [np.full(len(kept), classifier.leaking(np.column_stack([struck, chance])))] if of_own else []
        seen.append(np.column_stack([classifier.log_odds(chance[kept]), *leaking]))
        right.append(part.right[kept])
        kinds.append(np.sign(part.seen.sought[kept, 0]))
    seen, right, kinds = (np.concatenate(column) for column in (seen, right, kinds))
    numbers = [settled(seen[kinds == kind], right[kinds == kind]) for kind in (0, 1)]
    # Too few are not found to tell more than how often they are right.
    few = settled(seen[kinds == -1, :1], right[kinds == -1])
    numbers.append(np.pad(few, (0, seen.shape[1] - 1)))
    setattr(weights, name, tuple(tuple(row) for row in np.round(numbers, 3).tolist()))


def standing_apart(part: Measured, chance: np.ndarray) -> np.ndarray:
    """Return which candidates have no likelier one beside them, of those that are likely at all."""
    kept = np.flatnonzero(chance >= LEAST)
    return kept[selection.apart(part.candidates[kept], chance[kept], APART_S * part.rate_hz)]


def settled(features: np.ndarray, true: np.ndarray) -> np.ndarray:
    """Return offset and weights of log odds and of what stands beside them, held to what the odds say."""
    said, held = np.zeros(1 + features.shape[1]), np.full(1 + features.shape[1], FIRM)
    said[1], held[1] = 1.0, FIRMEST
    seen = np.column_stack([np.ones(len(true)), features])

    def loss(weights):
        score, away = seen @ weights, weights - said
        gradient = seen.T @ (1 / (1 + np.exp(-score)) - true) + held * away
        return np.logaddexp(0, score).sum() - score[true].sum() + 0.5 * (held * np.square(away)).sum(), gradient

    return minimize(loss, said, jac=True, method="L-BFGS-B").x


def tried(name: str, parts: list[Measured], mixed: bool) -> None:
    """Print F of the candidates whose probability is at least .5, and how often each tenth is right."""
    counts, said, right = np.zeros(3, int), [], []
    for part in parts:
        chance = classifier.second(part.candidates, mixed, part.seen, part.rate_hz)
        kept = standing_apart(part, chance)
        said, right = np.append(said, chance[kept]), np.append(right, part.right[kept])
        kept = kept[chance[kept] >= 0.5]
        counts += len(set(part.hit[kept]) - {-1}), len(kept), part.n_hits
    tenth = np.minimum((said * 10).astype(int), 9)
    share = [
        f"{said[tenth == k].mean():.2f}:{right[tenth == k].mean():.2f} ({sum(tenth == k)})" for k in np.unique(tenth)
    ]
    print(f"  {name}: F {2 * counts[0] / counts[1:].sum():.4f}; said:right {' '.join(share)}", flush=True)


def fit_own() -> None:
    """Fit microphones on one striker on one half of the sounds, and try on the other half."""
    tuning, other = hits_scenes.TUNING_SOUNDS, hits_scenes.TEST_SOUNDS
    # As if nothing were searched, for what the search finds was not seen at first sight.
    with patch.object(faint_strikes, "FAINT_DB", -np.inf):
        fit_first("FIRST_OWN", [measured(scene) for scene in plain_scenes(tuning, 1000)])
        # What a second look says hangs on the first, so the scenes are measured again.
        fit_known([measured(scene) for scene in plain_scenes(tuning, 1000)])
    plain = [measured(scene) for scene in plain_scenes(tuning, 1000)]
    lone = [measured(scene) for scene in lone_scenes(tuning, 1000, N_LONE)]
    leaking = [measured(scene, leaks=True) for scene in leaking_scenes(tuning, 101_000, N_LEAKING)]
    fit_own_parts(plain, lone, leaking)
    tried("plain, tuning sounds", plain, False)
    tried("lone, tuning sounds", lone, False)
    tried("leaking, tuning sounds", leaking, False)
    tried("lone, other sounds", [measured(scene) for scene in lone_scenes(other, 3000, N_CHECKED)], False)
    tried("leaking, other sounds", [measured(scene) for scene in leaking_scenes(other, 103_000, N_CHECKED)], False)


def fit_own_parts(plain: list[Measured], lone: list[Measured], leaking: list[Measured]) -> None:
    """Fit, in the order in which one set of numbers hangs on another."""
    fit_found(plain + lone)
    fit_apart("APART_STRUCK", plain + lone)
    fit_neighbours("ABOVE", plain[1:7:2] + leaking, FEW_UNITS)
    fit_neighbours("ABOVE_KNOWN", plain[1:7:2] + leaking, FEW_UNITS)
    fit_neighbours("ABOVE_FOUND", plain + lone + leaking)
    fit_apart("APART_OWN", plain + lone + leaking)


def fit_many() -> None:
    """Fit microphones that hear many, the same way, with the drums of three kits and of others."""
    tuning, other = (hits_scenes.TUNING_SOUNDS, 1000), (hits_scenes.TEST_SOUNDS, 3000)
    mixed, drums, scattered, sparse = (
        [measured(scene, mixed=True) for scene in scenes]
        for scenes in (
            mixed_scenes(*tuning, 84),
            drum_scenes((0, 1, 2), 30_000),
            scattered_scenes(hits_drums.KITS[:3] + hits_drums.OTHER_KITS, hits_scenes.TUNING_SOUNDS, 32_000),
            sparse_scenes(hits_scenes.TUNING_SOUNDS, 34_000),
        )
    )
    # Drums count twice: else the others, of which there are more, decide.
    parts = mixed + 2 * drums + scattered + sparse
    fit_first("FIRST_MANY", parts)
    fit_second_of_many(parts)
    tried("mixed, tuning sounds", mixed, True)
    tried("drums, tuning kits", drums, True)
    for name, scenes in (
        ("mixed, other sounds", mixed_scenes(*other, 27)),
        ("drums, other kits", drum_scenes((3, 4), 31_000)),
        ("scattered, other kits and sounds", scattered_scenes(hits_drums.KITS[3:], hits_scenes.TEST_SOUNDS, 33_000)),
        ("sparse, other sounds", sparse_scenes(hits_scenes.TEST_SOUNDS, 35_000)),
    ):
        tried(name, [measured(scene, mixed=True) for scene in scenes], True)


def fit_second_of_many(parts: list[Measured]) -> None:
    """Fit the net that is told what stands around a candidate, held to how often what stands apart is right."""
    told, right = [], []
    for part in parts:
        shown = classifier.first(part.candidates, np.True_) >= WORTH
        told.append(classifier.among_many(part.candidates[shown], part.rate_hz))
        right.append(part.right[shown])
    made = fit("MANY", told, right, MANY_UNITS)
    odds, right = [], []
    for part in parts:
        chance = classifier.second(part.candidates, np.True_, part.seen, part.rate_hz)
        kept = standing_apart(part, chance)
        odds.append(classifier.log_odds(chance[kept]))
        right.append(part.right[kept])
    apart = fitted(np.concatenate(odds), np.concatenate(right))
    slope = float(apart.weight[0] / apart.sd[0])
    middle = apart.middle - slope * apart.mean[0] + slope * made.middle
    put("MANY", replace(made, weight=slope * made.weight, out=slope * made.out, middle=middle))


def write() -> None:
    """Write the module of the numbers."""
    text = '"""The numbers of `judge`, its nets as `net` reads them; `tests/benchmarks/hits_fit.py` writes them."""\n'
    for name in ("FIRST_OWN", "KNOWN", "FOUND", "UNFOUND", "ABOVE", "ABOVE_KNOWN", "ABOVE_FOUND", "FIRST_MANY", "MANY"):
        text += f'\n{name} = """{getattr(weights, name)}"""\n'
    text += (
        "\n# Where `faint` did not search, found, did not find: offset, weight of log odds, of how much is leaking.\n"
    )
    for name in ("APART_STRUCK", "APART_OWN"):
        text += f"{name} = {getattr(weights, name)}\n"
    Path(weights.__file__).write_text(text)


def main() -> None:
    """Fit all and write it."""
    if not hits_drums.installed():
        sys.exit("expected the drum kits of package hydrogen-drumkits; found none; install it")
    fit_own()
    fit_many()
    write()


if __name__ == "__main__":
    main()
