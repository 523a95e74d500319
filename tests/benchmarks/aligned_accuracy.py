"""Print how many matches are right, beside a general note aligner and plain dynamic time warping, in one run.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.aligned_accuracy [takes per case] [first seed] [words of cases]

Every engine gets the same files. F is that of note matches (named) or of hits to onsets (nameless), mean and worst over
takes; seconds are of process time per 1000 notes, compilation and start-up apart. `sure` is the share of matches with a
confidence of .9 or more, `right` how many of those are right; takes called undecided as a whole (they fit several
places of the song alike) are counted, not averaged. The general aligner is parangonar's DualDTWNoteMatcher; plain
dynamic time warping is dtw-python on the times alone, the hits stretched to the song's length first.
"""

import sys
import time
import warnings
from dataclasses import dataclass

import dtw as dtw_python
import numpy as np

from pipeline.aligned import align
from tests import aligned_takes as takes

try:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import parangonar
except ImportError as error:
    parangonar = None
    print(f"without the general aligner: {error}")

KEYS = 52  # of the keyboard that hands play


@dataclass(frozen=True)
class Case:
    """Notes and hits with the truth: which (playthrough, note) each hit is."""

    machine: object
    notes: object
    hits: object
    rig: object
    truth: dict  # (playthrough, note) -> time of its hit


def machine_case(seed, named, **what) -> Case:
    """Return a take of the workshop's simulator."""
    one = takes.simulate(seed, named=named, **what)
    strikes = one.take.strikes
    found = takes.found(one, named)
    keys = zip(strikes.playthrough[found].tolist(), strikes.note_id[found].tolist(), strict=True)
    truth = dict(zip(keys, strikes.strike_s[found].tolist(), strict=True))
    return Case(one.machine, one.notes, one.hits, one.rig, truth)


def hands_case(seed, rounds=1, part=None) -> Case:
    """Return a piece for two hands as people play it: rubato, phrase ends held, chords spread, slips of the finger."""
    chance = np.random.default_rng([seed, 5])
    score_beat, key = _piece(chance)
    beat_s = 60 / chance.uniform(60, 150)
    notes = takes.make_notes(score_beat * beat_s, [f"key {one:02d}" for one in key], beat_s)
    times, names, note = [], [], []
    start_s, spread = 1.0, chance.uniform(0.006, 0.018)
    for round_ in range(rounds):
        time_s = _rubato(chance, score_beat, beat_s) + chance.normal(0, spread, len(key))
        top = np.array([k == key[score_beat == b].max() for b, k in zip(score_beat, key, strict=True)])
        time_s = time_s - top * np.maximum(chance.normal(0.012, 0.012, len(key)), 0)
        kept = chance.random(len(key)) >= 0.012
        if part:
            kept &= (score_beat >= part[0] * score_beat[-1]) & (score_beat <= part[1] * score_beat[-1])
        time_s = time_s - time_s[kept].min() + start_s
        slip = chance.random(len(key)) < 0.005
        for k in np.flatnonzero(kept):
            times.append(time_s[k])
            names.append(f"key {int(np.clip(key[k] + slip[k] * chance.choice([-1, 1]), 0, KEYS - 1)):02d}")
            note.append(-1 if slip[k] else k)
            if chance.random() < 0.006:
                times.append(time_s[k] + chance.normal(0, 0.05))
                names.append(f"key {int(np.clip(key[k] + chance.choice([-2, -1, 1, 2]), 0, KEYS - 1)):02d}")
                note.append(-1)
        note = [(round_ + 1, one) if isinstance(one, (int, np.integer)) and one >= 0 else one for one in note]
        start_s = max(times) + chance.uniform(0.3, 3.0)
    order = np.argsort(times, kind="stable")
    truth = {note[k]: times[k] for k in order if not isinstance(note[k], (int, np.integer))}
    everyone = [f"key {one:02d}" for one in range(KEYS)]
    machine = takes.make_machine(everyone)
    hits = takes.make_hits(np.array(times)[order], [names[k] for k in order])
    return Case(machine, notes, hits, None, truth)


def _piece(chance):
    """Return beats and keys of eight phrases drawn from four: a melody over one of three accompaniments."""
    phrases = []
    for _ in range(4):
        rows, melody, kind = [], 35, chance.integers(3)
        for bar in range(8):
            beat = 0.0
            while beat < 4:
                melody = int(np.clip(melody + chance.integers(-3, 4), 28, 48))
                rows.append((bar * 4 + beat, melody))
                if chance.random() < 0.15:
                    rows.append((bar * 4 + beat, melody - int(chance.integers(3, 9))))
                beat += float(chance.choice([0.25, 0.5, 0.5, 1, 1.5, 1 / 3]))
            root = int(chance.integers(0, 12))
            for place in np.arange(0, 4, 1.0 if kind == 0 else 0.5):
                chord = ((0, 4, 7, 12), ((0, 7, 4, 7)[int(place * 2) % 4],), (int(chance.integers(0, 16)),))[kind]
                rows += [(bar * 4 + place, root + one) for one in chord]
        phrases.append(rows)
    rows = {(round(k * 32 + b, 6), key) for k, one in enumerate(chance.integers(0, 4, 7)) for b, key in phrases[one]}
    beats, keys = zip(*sorted(rows), strict=True)
    return np.array(beats), np.array(keys)


def _rubato(chance, score_beat, beat_s):
    """Return times of a reading whose tempo wanders from beat to beat, arches over phrases and is held at ends."""
    n = int(score_beat[-1]) + 3
    wander, log_pace = chance.uniform(0.06, 0.18), np.zeros(n)
    for k in range(1, n):
        log_pace[k] = 0.75 * log_pace[k - 1] + chance.normal(0, 0.66 * wander)
    log_pace += 0.12 * np.cos(2 * np.pi * np.arange(n) / 32) + 0.05 * np.cos(2 * np.pi * np.arange(n) / 16)
    held = np.arange(31, n, 32)
    log_pace[held] += (chance.random(len(held)) < 0.6) * chance.uniform(0.1, 0.7, len(held))
    at_beat = np.concatenate(([0.0], np.cumsum(beat_s * np.exp(log_pace))))
    return np.interp(score_beat, np.arange(n + 1), at_beat)


def part_of(seed):
    """Return a part of the song: beginning anywhere, a quarter to two fifths of it."""
    chance = np.random.default_rng([seed, 6])
    first = chance.uniform(0, 0.6)
    return (first, first + chance.uniform(0.25, 0.4))


def ours(case):
    """Return [(playthrough, note, time, confidence)] of the alignment under test; None: all undecided."""
    table, said = align(case.notes, case.hits, takes.RECORDING, case.rig, case.machine)
    matches = takes.played(table)
    return matches if matches or said["refused"] else None


def general(case):
    """Return the same from parangonar's note aligner; it knows one playthrough and takes names for pitches."""
    names = sorted({one.name for one in case.machine.strikers})
    pitch = {name: 30 + place for place, name in enumerate(names)}
    kinds = [("id", "U16"), ("pitch", "i4"), ("onset_beat", "f4"), ("onset_sec", "f4"), ("is_grace", "?")]
    kinds += [("duration_beat", "f4"), ("duration_sec", "f4"), ("onset_div", "i4"), ("duration_div", "i4")]
    kinds += [("velocity", "i4"), ("onset_quarter", "f4"), ("duration_quarter", "f4")]
    score, hits = np.zeros(len(case.notes), kinds), np.zeros(len(case.hits), kinds)
    for array, name, column in ((score, "n", case.notes["striker"]), (hits, "p", case.hits["striker"])):
        array["id"] = [f"{name}{k}" for k in range(len(array))]
        array["pitch"] = [pitch[one] for one in column.to_pylist()]
        array["duration_beat"] = array["duration_sec"] = array["duration_quarter"] = 0.1
        array["velocity"] = 64
    for field in ("onset_beat", "onset_quarter"):
        score[field] = case.notes["score_beat"].to_numpy()
    score["onset_div"] = np.round(case.notes["score_beat"].to_numpy() * 480)
    hits["onset_sec"] = hit_s = case.hits["hit_s"].to_numpy()
    found = parangonar.DualDTWNoteMatcher()(score, hits)
    pairs = [(int(one["score_id"][1:]), int(one["performance_id"][1:])) for one in found if one["label"] == "match"]
    # It knows no rounds: the kindest reading gives each match the round in which it would be right.
    rounds = range(1, 1 + max(k[0] for k in case.truth))
    right = {
        (note, hit): p for note, hit in pairs for p in rounds if abs(case.truth.get((p, note), -1) - hit_s[hit]) < 1e-3
    }
    return [(right.get(pair, 1), pair[0], hit_s[pair[1]], np.nan) for pair in pairs]


def plain(case):
    """Return the same from plain dynamic time warping on the times."""
    hit_s, score_s = case.hits["hit_s"].to_numpy(), np.unique(case.notes["score_s"].to_numpy())
    scaled = score_s[0] + (hit_s - hit_s[0]) * (score_s[-1] - score_s[0]) / (hit_s[-1] - hit_s[0])
    path = dtw_python.dtw(scaled, score_s, dist_method="cityblock")
    first = {}
    for hit, onset in zip(path.index1, path.index2, strict=True):
        first.setdefault(int(hit), int(onset))
    note_at = {float(s): k for k, s in reversed(list(enumerate(case.notes["score_s"].to_numpy())))}
    return [(1, note_at[float(score_s[onset])], hit_s[hit], np.nan) for hit, onset in first.items()]


def agreement(case, matches, named):
    """Return F and whether each match is right."""
    near_s = takes.SAME_HIT_S if named else takes.FUSED_S
    score_s = np.round(case.notes["score_s"].to_numpy(), 6)
    # Nameless: a hit belongs to an onset; hits and onsets are counted once.
    onset = {k: (k[0], k[1] if named else score_s[k[1]]) for k in case.truth}
    times = {}
    for k, time_s in case.truth.items():
        times.setdefault(onset[k], []).append(time_s)
    right = np.array(
        [any(abs(t - s) < near_s for t in times.get((p, n if named else score_s[n]), ())) for p, n, s, _ in matches],
        bool,
    )
    recall = min(right.sum() / max(len(case.truth), 1), 1.0)
    precision = right.mean() if len(right) else 0.0
    return 2 * precision * recall / max(precision + recall, 1e-9), right


CASES = {
    "named machine whole": (True, lambda s: machine_case(s, True)),
    "named machine partial": (True, lambda s: machine_case(s, True, crew=takes.some_bars)),
    "named machine looped": (True, lambda s: machine_case(s, True, crew=takes.three_rounds)),
    "named machine 5 % missed and extra": (True, lambda s: machine_case(s, True, missed=0.05, extra=0.05)),
    "named hard machine whole": (True, lambda s: machine_case(s, True, hard=True)),
    "named hard machine partial": (True, lambda s: machine_case(s, True, hard=True, crew=takes.some_bars)),
    "named hard machine looped": (True, lambda s: machine_case(s, True, hard=True, crew=takes.three_rounds)),
    "named hands whole": (True, lambda s: hands_case(s)),
    "named hands partial": (True, lambda s: hands_case(s, part=part_of(s))),
    "named hands looped": (True, lambda s: hands_case(s, rounds=3)),
    "nameless machine whole": (False, lambda s: machine_case(s, False)),
    "nameless machine looped": (False, lambda s: machine_case(s, False, crew=takes.three_rounds)),
    "nameless machine tempo .6 to 1.6": (False, lambda s: machine_case(s, False, tempo=0.6 + (s * 0.37) % 1.0)),
    "nameless machine partial": (False, lambda s: machine_case(s, False, crew=takes.some_bars)),
    "nameless hard machine whole": (False, lambda s: machine_case(s, False, hard=True)),
    "nameless hard machine with sounds": (False, lambda s: machine_case(s, False, hard=True, sounds=True)),
}


def study(name, seeds, engine, label):
    """Print one line: an engine on a case."""
    named, make = CASES[name]
    f, right, confidence, seconds, notes, undecided = [], [], [], 0.0, 0, 0
    for seed in seeds:
        case = make(seed)
        before = time.process_time()
        matches = engine(case)
        seconds += time.process_time() - before
        notes += len(case.truth)
        if matches is None:
            undecided += 1
            continue
        one, good = agreement(case, matches, named)
        f.append(one)
        right += good.tolist()
        confidence += [match[3] for match in matches]
    right, confidence = np.array(right, bool), np.array(confidence, float)
    sure = confidence >= 0.9
    tail = f"sure {sure.mean():.3f} right {right[sure].mean():.4f}" if sure.any() else ""
    tail += f"  undecided takes {undecided}" if undecided else ""
    print(
        f"{name:36s} {label:8s} F {np.mean(f):.4f} worst {np.min(f):.4f} ({len(f)} takes)  "
        f"{1000 * seconds / max(notes, 1):.3f} s  {tail}",
        flush=True,
    )


def main():
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 8000
    words = sys.argv[3:]
    warnings.simplefilter("ignore")
    ours(hands_case(0)), ours(machine_case(0, False))  # compiled or loaded before anything is timed
    for name, (named, _) in CASES.items():
        if not all(word in name for word in words):
            continue
        seeds = range(first, first + count)
        study(name, seeds, ours, "ours")
        few = seeds[: max(1, count // 4)]
        if named and parangonar is not None:
            study(name, few, general, "general")
        if not named:
            study(name, few, plain, "plain")


if __name__ == "__main__":
    main()
