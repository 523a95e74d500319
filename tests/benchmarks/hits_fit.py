"""Fit the numbers of `pipeline.hits.classify` (nets and calibrations) and write `weights.csv`.

    python -m tests.benchmarks.hits_fit              # fit all: hours; writes pipeline/hits/classify/weights.csv
    python -m tests.benchmarks.hits_fit many         # fit microphones that hear many strikers; the others stay
    python -m tests.benchmarks.hits_fit trial FILE   # a few scenes: minutes; writes FILE, which nothing reads

Needs the packages of sounds that `hits_scenes` and `hits_drums` name. Scenes are made of every second sound
(`hits_scenes.TUNING_SOUNDS`) and of three drum kits (`hits_drums`); the others, with other seeds, only say how well the
numbers carry over: F of what is kept, and how often each tenth of the probabilities is right, are printed. All seeds
stand below. After a fit: `hits_goals` with fresh seeds, then write in `weights.md` what was run and printed.

Why no library fits them: a net has weights beside its hidden units, which scikit-learn's `MLPClassifier` has not, and
its `LogisticRegression` stops elsewhere, so that the numbers would change.
"""

import os

# How many threads add up a sum decides its last digits. Before numpy starts them.
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import csv
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from unittest.mock import patch

import numpy as np
import soundfile
from scipy.optimize import minimize

from pipeline import audio
from pipeline.hits.candidates import Evidence
from pipeline.hits.classify import classifier, features, net, selection
from pipeline.hits.health.watch import Watch
from pipeline.hits.search import faint_strikes, first_pass, rebounds, second_pass
from pipeline.hits.signal import template
from pipeline.hits.signal.spool import Waveforms
from pipeline.settings import Channel, Detection
from tests.benchmarks import hits_drums, hits_low, hits_scenes
from tests.benchmarks.hits_fit_scenes import (
    MOST_SOUNDS,
    drum_scenes,
    leaking_scenes,
    lone_scenes,
    low_scenes,
    mixed_scenes,
    plain_scenes,
    scattered_scenes,
    sparse_scenes,
)

EVERY = Detection(sensitivity=0.99)  # the first pass keeps nearly all
NEAR_S = 0.01  # a candidate this near a hit is right
APART_S, LEAST = 0.012, 0.05  # of candidates that have no likelier one near them, and are likely at all
FEW_UNITS, MANY_UNITS = 4, 12  # of a net that is shown few features, many
# Ridge penalty of a logistic regression, of a net with units; iterations of the search.
PENALTY, NET_PENALTY, ITERATIONS = 1.0, 20.0, 300
LEAST_SD = 0.001  # of a feature that is always the same
FIRM, FIRMEST = 2.0, 1000.0  # penalties of a calibration away from changing nothing: of offset and others, of the odds
WORTH = 0.02  # first probability from which the second pass of a channel with many strikers is shown a candidate
LEAK_STRUCK = 0.1  # probability that something struck, from which a candidate tells of leakage
# Seeds: fitted, held out. Each kind of scene counts on from its own; a fit of a net begins at seed 0.
SOUNDS, HELD_OUT = 1000, 3000
LEAKS, HELD_OUT_LEAKS = 101_000, 103_000
DRUMS, HELD_OUT_DRUMS = 30_000, 31_000
SCATTERED, HELD_OUT_SCATTERED = 32_000, 33_000
SPARSE, HELD_OUT_SPARSE = 34_000, 35_000
LOW, HELD_OUT_LOW = 36_000, 37_000
KITS, HELD_OUT_KITS = (0, 1, 2), (3, 4)  # places in `hits_drums.KITS`


@dataclass(frozen=True)
class Size:
    """How many sounds and scenes of each kind; `held_out` counts lone and leaking, and mixed at random."""

    sounds: int | None
    lone: int
    leaking: int
    mixed: int
    drums: int
    sparse: int
    low: int
    held_out: tuple[int, int]


FULL = Size(None, lone=48, leaking=80, mixed=84, drums=80, sparse=144, low=36, held_out=(10, 27))
TRIAL = Size(MOST_SOUNDS, lone=3, leaking=3, mixed=2, drums=5, sparse=6, low=2, held_out=(1, 1))


@dataclass(frozen=True)
class Measured:
    """Candidates of a scene, the evidence on them, which hit each is (-1: none), whether it leaked in."""

    rows: np.ndarray
    evidence: Evidence
    hit: np.ndarray
    leaked: np.ndarray
    n_hits: int
    rate_hz: int

    @property
    def right(self) -> np.ndarray:
        return self.hit >= 0


def measured(scene: hits_scenes.Scene, mixed: bool = False, leaks: bool = False) -> Measured:
    """Return the candidates of a scene and the evidence on them."""
    hears = ("everything",) if mixed else tuple(f"striker {k}" for k in range(scene.samples.shape[1]))
    channels = tuple(Channel(k, (what,)) for k, what in enumerate(hears, 1))
    stores = Waveforms(template.shape(scene.rate_hz)), Waveforms(rebounds.shape(scene.rate_hz))
    with tempfile.TemporaryDirectory() as folder, stores[0], stores[1]:
        path = Path(folder) / "take.wav"
        soundfile.write(path, scene.samples, scene.rate_hz, subtype="FLOAT")
        sound, watch = audio.look(path), Watch(channels, scene.rate_hz, None)
        found = first_pass.search(sound, channels, EVERY, watch, *stores)
        found = faint_strikes.search(found, sound, channels)
        evidence, _ = second_pass.look(found, channels, scene.rate_hz)
    apart_s = np.abs(found.rows["at"][:, None] / scene.rate_hz - scene.hit_s)
    struck = apart_s.min(axis=1) < NEAR_S
    apart_s[found.rows["channel"][:, None] != scene.channel - 1] = np.inf
    hit = np.where(apart_s.min(axis=1) < NEAR_S, apart_s.argmin(axis=1), -1)
    return Measured(found.rows, evidence, hit, leaks & struck & (hit < 0), len(scene.hit_s), scene.rate_hz)


def fitted(table: np.ndarray, true: np.ndarray, names: tuple[str, ...], units: int = 0) -> net.Net:
    """Fit a net from a random beginning, or a logistic regression (no units), by penalised maximum likelihood."""
    mean, sd = table.mean(axis=0), np.maximum(table.std(axis=0), LEAST_SD)
    x = ((table - mean) / sd).clip(-net.MOST_SD, net.MOST_SD).astype(np.float32)
    n = x.shape[1]
    penalty = NET_PENALTY if units else PENALTY
    shapes = (n, units), (n,), (units,), (units,), (1,)
    ends = np.cumsum([np.prod(shape, dtype=int) for shape in shapes])

    def parted(numbers):
        return [one.reshape(shape) for one, shape in zip(np.split(numbers, ends[:-1]), shapes, strict=True)]

    def loss(numbers):
        hidden, weight, out, offset, middle = (one.astype(np.float32) for one in parted(numbers))
        bent = np.tanh(x @ hidden + offset)
        score = bent @ out + x @ weight + middle
        wrong = 1 / (1 + np.exp(-score)) - true
        back = wrong[:, None] * out * (1 - np.square(bent))
        slopes = [x.T @ back, x.T @ wrong, bent.T @ wrong, back.sum(axis=0), wrong.sum(keepdims=True)]
        held = numbers * (np.arange(len(numbers)) < ends[2]) * penalty
        value = (np.logaddexp(0, score) - true * score).sum(dtype=float) + 0.5 * (held * numbers).sum()
        return value, np.concatenate([slope.ravel() for slope in slopes]).astype(float) + held

    # Units that began alike would stay so.
    rng = np.random.default_rng(0)
    begin = [rng.normal(size=n * units) / np.sqrt(n), np.zeros(n), rng.normal(size=units) * 0.3, np.zeros(units + 1)]
    options = {"maxiter": ITERATIONS, "maxcor": 20}
    numbers = minimize(loss, np.concatenate(begin), jac=True, method="L-BFGS-B", options=options).x
    hidden, weight, out, offset, middle = parted(numbers)
    return net.Net(names, mean, sd, weight, hidden, offset, out, float(middle[0]))


def put(name: str, made: net.Net) -> None:
    """Put a net to use for what follows, as it will be read from the file."""
    net.fitted().nets[name] = net.net_of(list(rows_of_net(made)))


def fit(name: str, tables: list[np.ndarray], true: list[np.ndarray], units: int = 0) -> net.Net:
    """Fit one net and put it to use for what follows."""
    made = fitted(np.concatenate(tables), np.concatenate(true), classifier.NETS[name], units)
    put(name, made)
    return made


def fit_first(name: str, parts: list[Measured]) -> None:
    """Fit what the first pass tells."""
    shown = features.of_rise_and_low if name == "first_many_strikers" else features.of_rise
    tables = [shown(part.rows)[~part.leaked] for part in parts]
    fit(name, tables, [part.right[~part.leaked] for part in parts])


def fit_with_template(parts: list[Measured]) -> None:
    """Fit what the template tells beside the first pass."""
    tables, right = [], []
    for part in parts:
        searched = part.evidence.found | part.evidence.not_found
        mine = part.evidence.has_template & ~part.leaked & ~searched & (classifier.at_first(part.rows, False) > WORTH)
        both = np.column_stack([features.of_rise(part.rows), features.of_template(part.evidence)])
        tables.append(both[mine])
        right.append(part.right[mine])
    fit("struck_with_template", tables, right)


def fit_filter(parts: list[Measured]) -> None:
    """Fit what the matched filter tells of what it found, and of what it did not find."""
    found = [part.evidence.found & ~part.leaked for part in parts]
    tables = [features.of_filter(part.evidence)[mine] for part, mine in zip(parts, found, strict=True)]
    fit("struck_filter_found", tables, [part.right[mine] for part, mine in zip(parts, found, strict=True)])
    not_found = [part.evidence.not_found & ~part.leaked for part in parts]
    before = [classifier.struck_without_filter(part.rows, part.evidence) for part in parts]
    tables = [features.log_odds(one[mine]) for one, mine in zip(before, not_found, strict=True)]
    right = [part.right[mine] for part, mine in zip(parts, not_found, strict=True)]
    fit("struck_filter_not_found", tables, right)


def fit_own(name: str, parts: list[Measured], units: int = 0) -> None:
    """Fit what the neighbours tell: whether what struck was the channel's own striker."""
    tables, right = [], []
    for part in parts:
        evidence = part.evidence
        if name == "own_no_template":
            struck, mine = classifier.at_first(part.rows, False), ~evidence.found
        else:
            struck = classifier.struck(part.rows, evidence)
            mine = evidence.has_template & ~evidence.found
        if name == "own_filter_found":
            mine = evidence.found & np.isfinite(evidence.above_leakage_db)
        # What the filter finds where nothing struck is often the ring of what leaked in before.
        mine = mine & (part.right | part.leaked | evidence.found) & (struck > LEAK_STRUCK)
        columns = [features.of_leakage(evidence, struck)]
        columns += [features.of_filter(evidence) if name == "own_filter_found" else features.of_peak(evidence)]
        columns += [features.of_template(evidence)] if name == "own_with_template" else []
        tables.append(np.column_stack(columns)[mine])
        right.append(part.right[mine])
    fit(name, tables, right, units)


def fit_calibration(name: str, parts: list[Measured]) -> None:
    """Fit how often candidates are right that have no likelier one near them; `calibration_own` with the neighbours."""
    of_own = name == "calibration_own"
    unchanged = [0.0, 1.0, 0.0] if of_own else [0.0, 1.0]
    net.fitted().calibrations[name] = np.tile(unchanged, (len(classifier.ROUTES), 1))
    columns, right, routes = [], [], []
    for part in parts:
        struck = classifier.struck(part.rows, part.evidence)
        said = classifier.own_strike(part.rows, False, part.evidence, part.rate_hz) if of_own else struck
        kept = standing_apart(part, said)
        share = [np.full(len(kept), classifier.leaking_share(np.column_stack([struck, said])))] if of_own else []
        columns.append(np.column_stack([features.log_odds(said[kept]), *share]))
        right.append(part.right[kept])
        routes.append(np.sign(part.evidence.filter_height[kept, 0]))
    columns, right, routes = (np.concatenate(one) for one in (columns, right, routes))
    numbers = [calibration(columns[routes == route], right[routes == route]) for route in (0, 1)]
    # Too few are not found to tell more than how often they are right.
    few = calibration(columns[routes == -1, :1], right[routes == -1])
    numbers.append(np.pad(few, (0, columns.shape[1] - 1)))
    net.fitted().calibrations[name] = net.UNIT * np.round(np.array(numbers) / net.UNIT)


def standing_apart(part: Measured, said: np.ndarray) -> np.ndarray:
    """Return which candidates have no likelier one near them, of those that are likely at all."""
    kept = np.flatnonzero(said >= LEAST)
    return kept[selection.apart(part.rows[kept], said[kept], APART_S * part.rate_hz)]


def calibration(columns: np.ndarray, true: np.ndarray) -> np.ndarray:
    """Return offset and weights of log odds and of what stands beside them, held to what the odds say."""
    unchanged, held = np.zeros(1 + columns.shape[1]), np.full(1 + columns.shape[1], FIRM)
    unchanged[1], held[1] = 1.0, FIRMEST
    x = np.column_stack([np.ones(len(true)), columns])

    def loss(weights):
        score, away = x @ weights, weights - unchanged
        gradient = x.T @ (1 / (1 + np.exp(-score)) - true) + held * away
        return np.logaddexp(0, score).sum() - score[true].sum() + 0.5 * (held * np.square(away)).sum(), gradient

    return minimize(loss, unchanged, jac=True, method="L-BFGS-B").x


def tried(name: str, parts: list[Measured], mixed: bool) -> None:
    """Print F of the candidates whose probability is at least .5, and how often each tenth is right."""
    counts, said, right = np.zeros(3, int), [], []
    for part in parts:
        probability = classifier.own_strike(part.rows, mixed, part.evidence, part.rate_hz)
        kept = standing_apart(part, probability)
        said, right = np.append(said, probability[kept]), np.append(right, part.right[kept])
        kept = kept[probability[kept] >= 0.5]
        counts += len(set(part.hit[kept]) - {-1}), len(kept), part.n_hits
    tenth = np.minimum((said * 10).astype(int), 9)
    share = [
        f"{said[tenth == k].mean():.2f}:{right[tenth == k].mean():.2f} ({sum(tenth == k)})" for k in np.unique(tenth)
    ]
    print(f"  {name}: F {2 * counts[0] / counts[1:].sum():.4f}; said:right {' '.join(share)}", flush=True)


def fit_one_striker(size: Size) -> None:
    """Fit microphones on one striker on one half of the sounds, and try on the other half."""
    sounds, other = hits_scenes.TUNING_SOUNDS[: size.sounds], hits_scenes.TEST_SOUNDS[: size.sounds]
    # As if nothing were searched, for what the search finds was not seen by the first pass.
    with patch.object(faint_strikes, "FAINT_DB", -np.inf):
        fit_first("first_one_striker", [measured(scene) for scene in plain_scenes(sounds, SOUNDS)])
        # What the second pass tells depends on the first, so the scenes are measured anew.
        fit_with_template([measured(scene) for scene in plain_scenes(sounds, SOUNDS)])
    plain = [measured(scene) for scene in plain_scenes(sounds, SOUNDS)]
    lone = [measured(scene) for scene in lone_scenes(sounds, SOUNDS, size.lone)]
    leaking = [measured(scene, leaks=True) for scene in leaking_scenes(sounds, LEAKS, size.leaking)]
    fit_parts(plain, lone, leaking)
    tried("plain, tuning sounds", plain, False)
    tried("lone, tuning sounds", lone, False)
    tried("leaking, tuning sounds", leaking, False)
    n = size.held_out[0]
    tried("lone, other sounds", [measured(scene) for scene in lone_scenes(other, HELD_OUT, n)], False)
    tried("leaking, other sounds", [measured(scene) for scene in leaking_scenes(other, HELD_OUT_LEAKS, n)], False)


def fit_parts(plain: list[Measured], lone: list[Measured], leaking: list[Measured]) -> None:
    """Fit, in the order in which one set of numbers depends on another."""
    fit_filter(plain + lone)
    fit_calibration("calibration_struck", plain + lone)
    fit_own("own_no_template", plain[1:7:2] + leaking, FEW_UNITS)
    fit_own("own_with_template", plain[1:7:2] + leaking, FEW_UNITS)
    fit_own("own_filter_found", plain + lone + leaking)
    fit_calibration("calibration_own", plain + lone + leaking)


def fit_many_strikers(size: Size) -> None:
    """Fit with every rise kept, whatever the net before this one made of it."""
    with patch.object(selection, "FIRST_SHARE", 0.0):
        _fit_many_strikers(size)


def _fit_many_strikers(size: Size) -> None:
    """Fit microphones that hear many strikers, the same way, with the drums of three kits and of others."""
    sounds, other = hits_scenes.TUNING_SOUNDS[: size.sounds], hits_scenes.TEST_SOUNDS[: size.sounds]
    mixed = [measured(scene, mixed=True) for scene in mixed_scenes(sounds, SOUNDS, size.mixed)]
    sparse = [measured(scene, mixed=True) for scene in sparse_scenes(sounds, SPARSE, size.sparse)]
    drums, scattered, low = [], [], []
    if hits_drums.installed():
        kits = hits_drums.KITS[: len(KITS)] + hits_drums.OTHER_KITS
        drums = [measured(scene, mixed=True) for scene in drum_scenes(KITS, DRUMS, size.drums)]
        scattered = [measured(scene, mixed=True) for scene in scattered_scenes(kits, sounds, SCATTERED)]
        low = [measured(scene, mixed=True) for scene in low_scenes(hits_low.TUNING_KITS, LOW, size.low)]
    # Drums count twice: else the others, of which there are more, decide.
    parts = mixed + 2 * drums + scattered + sparse + low
    fit_first("first_many_strikers", parts)
    fit_second_of_many(parts)
    tried("mixed, tuning sounds", mixed, True)
    tried("low drums, tuning kits", low, True)
    held_out = {
        "mixed, other sounds": mixed_scenes(other, HELD_OUT, size.held_out[1]),
        "sparse, other sounds": sparse_scenes(other, HELD_OUT_SPARSE, size.sparse),
    }
    if hits_drums.installed():
        tried("drums, tuning kits", drums, True)
        held_out["drums, other kits"] = drum_scenes(HELD_OUT_KITS, HELD_OUT_DRUMS, size.drums)
        held_out["low drums, other kits"] = low_scenes(hits_low.TEST_KITS, HELD_OUT_LOW, size.low // 2)
        kits = hits_drums.KITS[len(KITS) :]
        held_out["scattered, other kits and sounds"] = scattered_scenes(kits, other, HELD_OUT_SCATTERED)
    for name, scenes in held_out.items():
        tried(name, [measured(scene, mixed=True) for scene in scenes], True)


def fit_second_of_many(parts: list[Measured]) -> None:
    """Fit the net that is shown what stands around a candidate, held to how often what stands apart is right."""
    tables, right = [], []
    for part in parts:
        shown = classifier.at_first(part.rows, True) >= WORTH
        tables.append(classifier.of_surroundings(part.rows[shown], part.rate_hz))
        right.append(part.right[shown])
    made = fit("many_strikers", tables, right, MANY_UNITS)
    odds, right = [], []
    for part in parts:
        probability = classifier.own_strike(part.rows, True, part.evidence, part.rate_hz)
        kept = standing_apart(part, probability)
        odds.append(features.log_odds(probability[kept]))
        right.append(part.right[kept])
    apart = fitted(np.concatenate(odds), np.concatenate(right), features.LOG_ODDS)
    slope = float(apart.weight[0] / apart.sd[0])
    middle = apart.middle - slope * apart.mean[0] + slope * made.middle
    put("many_strikers", replace(made, weight=slope * made.weight, out=slope * made.out, middle=middle))


def rows_of_net(made: net.Net) -> Iterator[list[str]]:
    """Yield the rows of a net: feature, mean, sd, weight, units."""
    shown = [*zip(made.mean, made.sd, made.weight, strict=True), (None, None, made.middle), (None, None, None)]
    units = [*made.hidden, made.offset, made.out]
    for feature, numbers, its in zip((*made.features, net.OFFSET, net.OUT), shown, units, strict=True):
        yield [feature, *map(thousandths, numbers), *map(thousandths, its)]


def rows_of(made: net.Fitted) -> Iterator[list[str]]:
    """Yield the rows of the file; the first names the columns, all are as long."""
    n_units = max(len(one.out) for one in made.nets.values())
    header = ["net", "feature", "mean", "sd", "weight", *(f"unit_{k}" for k in range(1, n_units + 1))]
    yield header
    for name, one in made.nets.items():
        for row in rows_of_net(one):
            yield [name, *row, *[""] * (len(header) - 1 - len(row))]
    for name, routes in made.calibrations.items():
        for route, numbers in zip(classifier.ROUTES, routes, strict=True):
            for feature, number in zip((net.OFFSET, "log_odds", "leaking_share"), numbers, strict=False):
                yield [f"{name}{net.ROUTE}{route}", feature, "", "", thousandths(number), *[""] * n_units]


def thousandths(number: float | None) -> str:
    """Return a cell of the file."""
    return "" if number is None else f"{round(number / net.UNIT)}"


def write(path: Path) -> None:
    """Write the numbers that are in use."""
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(rows_of(net.fitted()))


def main(words: list[str]) -> None:
    """Fit all and write it."""
    if words not in ([], ["many"], ["trial", *words[1:2]]):
        sys.exit(__doc__)
    if not hits_scenes.installed():
        sys.exit("expected the sounds of package sonic-pi-samples; found none; install it")
    if words[:1] != ["trial"] and not hits_drums.installed():
        sys.exit("expected the drum kits of package hydrogen-drumkits; found none; install it")
    size = TRIAL if words[:1] == ["trial"] else FULL
    if words != ["many"]:
        fit_one_striker(size)
    fit_many_strikers(size)
    write(Path(words[1]) if words[1:] else net.FILE)


if __name__ == "__main__":
    main(sys.argv[1:])
