"""Print how the strikes of chords are told apart in one microphone, on simulated machines with real sounds.

    python -m tests.benchmarks.aligned_chords [tuning|fresh|unnamed] [first_seed] [n_machines] [--timing]

Twelve strikers play 48 bars, 65 of 100 strikes in chords of two to five, with the faults of `tests.timing_machine`
(delays, pins out of place, scatter, missed strikes). Machines with even numbers give each striker one recorded sound
(Debian's sonic-pi-samples), recoloured and louder or softer strike by strike; the others strike drums in several
degrees of loudness (hydrogen-drumkits). All into one microphone, 22 dB over the noise. `fresh` takes other sounds and
kits than `tuning`. Errors are less their median over all strikes of the same recorded stroke (where that begins is a
matter of definition). `in se`: share of errors within twice `hit_se`. `unnamed`: no sound,
but lists of hits without names, of each onset the first.
"""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import tempfile
import time
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import soundfile

from pipeline import aligned, hits, tables, timing
from pipeline.settings import Channel, Detection, Machine, Recording, Rig
from pipeline.timing.data.takes import Take
from tests import timing_machine
from tests.benchmarks import hits_drums, hits_scenes

RATE_HZ, SNR_DB, N_STRIKERS, BARS = 44_100, 22.0, 12, 48
LEVEL_SD_DB = 2.0
SIZES, SHARES = np.array([1, 2, 3, 4, 5]), np.array([0.52, 0.26, 0.13, 0.06, 0.03])  # notes of an onset
TUNING_KITS = ("BJA_Pacific", "ForzeeStereo")
FRESH_KITS = ("ColomboAcousticDrumkit", "Millo_MultiLayered2", "The Black Pearl 1.0")
FAR_S = 0.002
RIG = Rig("one mic", (Channel(1, ("everything",)),))


@dataclass(frozen=True)
class Played:
    """A take: its sound, and per note (in their order) when it sounded first (NaN: missed) and which stroke it was."""

    samples: np.ndarray
    onset_s: np.ndarray
    stroke: np.ndarray
    sounds_after_s: np.ndarray  # its strike: where a recorded stroke begins is a matter of definition


@dataclass(frozen=True)
class Scene:
    notes: object
    machine: Machine
    truth: timing_machine.Truth
    takes: list[Played]


def song(rng):
    """Return the notes: chords on eighths, some sixteenths between."""
    rows = []
    for cell in range(BARS * 16):
        often = 0.62 if cell % 4 == 0 else 0.5 if cell % 2 == 0 else 0.08
        if rng.random() < often:
            size = rng.choice(SIZES, p=SHARES) if cell % 2 == 0 else 1
            for striker in rng.choice(N_STRIKERS, size, replace=False):
                rows.append((cell / 4, int(striker), "all"))
    return timing_machine.notes_of(rows)


def sounds_of(seed: int, fresh: bool):
    """Return per striker its strokes, soft to loud: (samples of peak 1, onset's sample)."""
    rng = np.random.default_rng([2037, seed])
    if seed % 2 == 0:
        names = rng.permutation(hits_scenes.TEST_SOUNDS if fresh else hits_scenes.TUNING_SOUNDS)[:N_STRIKERS]
        return [(str(name),) for name in names]
    kits = FRESH_KITS if fresh else TUNING_KITS
    parts = list(hits_drums.strokes_of(hits_drums.FOLDER, kits[seed // 2 % len(kits)]))
    return [parts[k] for k in rng.permutation(len(parts))[:N_STRIKERS]]


def render(rng, sounds, striker, at_s, level):
    """Return the sound of strikes, when each began, and which of its striker's strokes each is."""
    samples = np.zeros(round((np.nanmax(at_s) + 2.0) * RATE_HZ))
    onset_s, stroke = np.full(len(at_s), np.nan), np.zeros(len(at_s), int)
    for k in np.flatnonzero(np.isfinite(at_s)):
        of = sounds[striker[k]]
        loud = level[k] * 10 ** (LEVEL_SD_DB * rng.normal() / 20)
        begin, fraction = divmod(at_s[k] * RATE_HZ, 1.0)
        if isinstance(of[0], str):
            one, onset, _ = hits_scenes.one_hit(of[0], RATE_HZ, fraction, rng.uniform(-0.15, 0.15))
        else:
            stroke[k] = int(np.clip(rng.normal() * 0.25 + 0.6, 0, 0.999) * len(of))
            one, onset = of[stroke[k]]
            shifted = np.fft.rfft(one, 2 * len(one))
            shifted = shifted * np.exp(-2j * np.pi * np.fft.rfftfreq(2 * len(one)) * fraction)
            one = np.fft.irfft(shifted, 2 * len(one))[: len(one) + 8]
            onset = onset + fraction
        begin, length = int(begin), min(len(one), len(samples) - int(begin))
        samples[begin : begin + length] += loud * one[:length]
        onset_s[k] = (begin + onset) / RATE_HZ
    noise = hits_scenes.noise(rng, len(samples)) * level.mean() * 10 ** (-SNR_DB / 20)
    return (samples + noise).astype(np.float32), onset_s, stroke


def scene(seed: int, fresh: bool, n_takes: int = 1) -> Scene:
    """Make a machine with its takes."""
    rng = np.random.default_rng([2036, seed])
    notes = song(rng)
    truth = timing_machine.make_truth(rng, notes, N_STRIKERS)
    sounds = sounds_of(seed, fresh)
    level_of = 0.15 * 10 ** (rng.normal(0, 3, N_STRIKERS) / 20)
    frame = notes.to_pandas()
    striker = frame["pitch"].to_numpy() - 60
    takes = []
    for played in timing_machine.make_takes(rng, notes, truth, n_takes):
        at_s = played.aligned.to_pandas().sort_values("note_id")["hit_s"].to_numpy()
        samples, onset_s, stroke = render(rng, sounds, striker, at_s, level_of[striker])
        takes.append(Played(samples, onset_s, stroke, onset_s - at_s))
    return Scene(notes, timing_machine.make_machine(N_STRIKERS), truth, takes)


def heard(made: Scene, number: int, folder: Path):
    """Return the hits, the aligned table and what is said of one take, and the CPU seconds that alignment took."""
    path = folder / f"take-{number}.wav"
    soundfile.write(path, made.takes[number].samples, RATE_HZ, subtype="FLOAT")
    recording = Recording(f"take-{number}", str(path), date(2031, 5, 3), RIG.name, "song")
    found, said = hits.find(recording, RIG, made.machine, Detection())
    before = time.process_time()
    table, more = aligned.align(made.notes, found, recording, RIG, made.machine)
    return recording, found, table, said | more, time.process_time() - before


def compared(made: Scene, number: int, found, table) -> pd.DataFrame:
    """Return per note of a take: its error, the error that is owned to, what is said of it and what is true."""
    frame = table.to_pandas()
    frame = frame[frame["note_id"].notna() & (frame["playthrough"] == 1)].sort_values("note_id")
    notes = made.notes.to_pandas()
    true_s = made.takes[number].onset_s
    if "hit_se" not in frame:
        se = dict(zip(found["hit_id"].to_pylist(), found["hit_se"].to_pylist(), strict=True))
        frame["hit_se"] = [se.get(one, np.nan) for one in frame["hit_id"]]
    of = pd.DataFrame(
        {
            "striker": notes["striker"].to_numpy(),
            "status": frame["status"].to_numpy(),
            "shared": frame["shared"].to_numpy(),
            "error_s": frame["hit_s"].to_numpy() - true_s,
            "raw_s": frame["hit_s"].to_numpy() - true_s,
            "hit_se": frame["hit_se"].to_numpy(),
            "struck": np.isfinite(true_s),
            "stroke": made.takes[number].stroke,
        }
    )
    struck = of["struck"].groupby(notes["score_beat"].to_numpy()).transform("sum")
    written = notes.groupby("score_beat")["note_id"].transform("count").to_numpy()
    of["size"], of["written"] = struck.to_numpy(), written
    # Where a recorded stroke begins is a matter of definition: only how evenly it is placed can be judged.
    placed = of[of["error_s"].abs() < 0.02].groupby(["striker", "stroke"])["error_s"].median()
    bias_s = placed.reindex(pd.MultiIndex.from_frame(of[["striker", "stroke"]])).fillna(0.0).to_numpy()
    return of.assign(error_s=of["error_s"] - bias_s, number=number)


def printed(title: str, of: pd.DataFrame) -> None:
    """Print a line a size of chord, then misses."""
    good = of[(of["status"] == "played") & of["struck"]]
    for size in range(1, 6):
        one = good[good["size"] == size]
        own = one[one["shared"] == 1]
        if len(one):
            error_ms = 1000 * one["error_s"].abs()
            print(
                f"{title:12} {size} notes: n {len(one):4}  median {error_ms.median():.3f} ms"
                f"  over 2 ms {(error_ms > 2).mean():.3f}  shared {1 - len(own) / len(one):.3f}"
                f"  own: over 2 ms {(own['error_s'].abs() > FAR_S).mean():.3f}"
                f"  in se {(own['error_s'].abs() < 2 * own['hit_se']).mean():.3f}"
            )
    close = good["error_s"].abs() < 0.05
    said, struck = of["status"] == "played", of["struck"]
    inside = of["written"] > 1
    lost = of[inside & ~struck & (of["size"] > 0)]
    there = of[inside & struck]
    print(
        f"{title:12} notes F {2 * close.sum() / (said.sum() + struck.sum()):.4f}"
        f"  missed in chords: found {(lost['status'] == 'missed').mean():.3f} of {len(lost)}"
        f"  false {(there['status'] == 'missed').mean():.4f} of {len(there)}"
    )


def timed(made: Scene, takes: list[Take], of: pd.DataFrame) -> str:
    """Return how well delays and pins come out; delays less where each sound is placed (median of `of`)."""
    fitted = timing.fit_of(made.machine, made.notes, takes)
    striker = made.notes.to_pandas()["pitch"].to_numpy() - 60
    after_s = np.concatenate([take.sounds_after_s for take in made.takes])
    after_s = pd.Series(after_s).groupby(np.tile(striker, len(made.takes))).mean().to_numpy()
    own = of[(of["shared"] == 1) & (of["raw_s"].abs() < 0.03)]
    names = [f"striker {k}" for k in range(N_STRIKERS)]
    after_s = after_s + own.groupby("striker")["raw_s"].median().reindex(names).to_numpy()
    error = fitted.delay - made.truth.delay_s - after_s
    error -= error.mean()
    held = np.mean(np.abs(error) < 1.96 * fitted.delay_se)
    pins = fitted.pins.set_index("pin")
    called = set(pins.index[pins["misplaced"]])
    far = set(np.flatnonzero(np.abs(made.truth.pin_s) >= 0.006))
    near = set(np.flatnonzero(np.abs(made.truth.pin_s) >= 0.003))
    drag = fitted.drag / made.truth.drag - 1
    return (
        f"delays {1000 * np.sqrt(np.mean(error**2)):.2f} ms rms, intervals hold {held:.2f}; pins called {len(called)},"
        f" true {len(called & near)}; far ones found {len(called & far)} of {len(far)};"
        f" drags off {np.sqrt(np.mean(drag**2)):.3f} rms"
    )


def nameless(take: Take) -> Take:
    """Return a take of which only the first strike of each onset is known, shared by all of its notes."""
    frame = take.aligned.to_pandas()
    played = frame["status"] == "played"
    group = frame["score_beat"].where(played)
    frame["hit_s"] = frame["hit_s"].groupby(group).transform("min")
    frame["hit_id"] = frame["hit_id"].groupby(group).transform("min")
    frame["shared"] = played.groupby(group).transform("sum").fillna(0).astype(int)
    texts = ("arrangement", "setup", "status", "striker", "passage")
    columns = {name: tables.arrow(frame[name].tolist()) if name in texts else frame[name].to_numpy() for name in frame}
    return replace(take, aligned=tables.build("aligned", columns))


def unnamed(first: int, n: int) -> None:
    """Print what timing makes of lists of hits without names, three takes a machine."""
    held, error, called, true = [], [], 0, 0
    for seed in range(first, first + n):
        rng = np.random.default_rng([2041, seed])
        notes = song(rng)
        truth = timing_machine.make_truth(rng, notes, N_STRIKERS)
        takes = [nameless(take) for take in timing_machine.make_takes(rng, notes, truth, 3)]
        fitted = timing.fit_of(timing_machine.make_machine(N_STRIKERS), notes, takes)
        late_s = fitted.delay - truth.delay_s
        error += list(late_s - late_s.mean())
        held += list(np.abs(late_s - late_s.mean()) < 1.96 * fitted.delay_se)
        pins = fitted.pins.set_index("pin")
        misplaced = pins.index[pins["misplaced"]]
        called, true = called + len(misplaced), true + int((np.abs(truth.pin_s[misplaced]) >= 0.003).sum())
    rms_ms = 1000 * np.sqrt(np.mean(np.square(error)))
    print(f"delays {rms_ms:.2f} ms rms, intervals hold {np.mean(held):.3f}; pins called {called}, true {true}")


def main() -> None:
    words = [word for word in sys.argv[1:] if word != "--timing"]
    fresh, with_timing = bool(words) and words[0] == "fresh", "--timing" in sys.argv
    first, n = (int(words[k]) if len(words) > k else usual for k, usual in ((1, 100), (2, 2)))
    if words[:1] == ["unnamed"]:
        return unnamed(first, n)
    every = {0: [], 1: []}
    for seed in range(first, first + n):
        made = scene(seed, fresh, 3 if with_timing else 1)
        takes, compare, cpu = [], [], 0.0
        with tempfile.TemporaryDirectory() as folder:
            for number in range(len(made.takes)):
                recording, found, table, said, seconds = heard(made, number, Path(folder))
                cpu += seconds
                if said["refused"]:
                    print(f"machine {seed}: refused: {said['refused']}")
                    continue
                compare.append(compared(made, number, found, table))
                takes.append(Take(recording, table, found, said, RIG))
        of = pd.concat(compare)
        every[seed % 2].append(of)
        minutes = sum(len(one.samples) for one in made.takes) / RATE_HZ / 60
        print(f"machine {seed}: {cpu / minutes:.2f} s of CPU a minute in aligned", flush=True)
        printed(f"machine {seed}", of)
        if with_timing:
            print(f"machine {seed}: {timed(made, takes, of)}", flush=True)
    for kind, name in ((0, "one sound"), (1, "layers")):
        if every[kind]:
            printed(name, pd.concat(every[kind]))


if __name__ == "__main__":
    main()
