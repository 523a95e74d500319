"""Songs, takes with known truth and the measure of agreement, for the tests and benchmarks of the alignment."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date

import numpy as np
import pyarrow as pa

from demo import chance as workshop
from demo import listen
from demo import machine as simulator
from demo import tune as composer
from pipeline import tables
from pipeline.aligned import align
from pipeline.settings import Barrel, Channel, Machine, Recording, Rig, Striker

RECORDING = Recording("take-1", "take.csv", date(2031, 5, 3), "", "song")
ONE_MICROPHONE = Rig("one mic", (Channel(1, ("everything",)),))
SAME_HIT_S = 0.0008  # a hit this near a true strike is that strike; the simulated detector places within 0.05 ms
FUSED_S = 0.0125  # on one microphone a hit stands for all strikes within the detector's minimum gap


def make_notes(score_s, striker, beat_s: float = 0.5, pitch=None) -> pa.Table:
    """Return notes at these times, four beats a bar, one barrel turn every eight bars."""
    score_s = np.asarray(score_s, float)
    n = len(score_s)
    score_beat = score_s / beat_s
    names = sorted(set(striker))
    return tables.build(
        "notes",
        {
            "note_id": np.arange(n),
            "pin_id": np.arange(n),
            "bar": (score_beat // 4).astype(int) + 1,
            "beat_in_bar": score_beat % 4 + 1,
            "bar_start_beat": score_beat // 4 * 4,
            "bar_beats": np.full(n, 4.0),
            "score_beat": score_beat,
            "score_s": score_s,
            "striker": list(striker),
            "pitch": [60 + names.index(one) for one in striker] if pitch is None else pitch,
            "velocity": np.full(n, 80),
            "passage": ["all"] * n,
            "barrel_turn": score_beat / 32,
        },
    )


def make_hits(hit_s, striker=None, kind=None, channel=None, probability=None, bands_db=None) -> pa.Table:
    """Return hits at these times; without `striker` they are nameless hits of one microphone on channel 1."""
    n = len(hit_s)
    silence = [[float("nan")] * tables.N_BANDS] * n
    return tables.build(
        "hits",
        {
            "hit_id": np.arange(n),
            "channel": np.full(n, 0 if striker else 1) if channel is None else channel,
            "hit_s": np.asarray(hit_s, float),
            "hit_se": np.full(n, 1e-4),
            "level_db": np.full(n, -20.0),
            "snr_db": np.full(n, 40.0),
            "probability": np.ones(n) if probability is None else probability,
            "striker": pa.array(striker or [None] * n, pa.string()),
            "kind": kind or ["strike"] * n,
            "bands_db": silence if bands_db is None else bands_db,
        },
    )


def make_machine(names) -> Machine:
    """Return a machine with these strikers and nothing else told."""
    return Machine(
        Barrel(8.0), (), None, tuple(Striker(name, (60 + place,)) for place, name in enumerate(sorted(set(names))))
    )


def make_song(seed: int, n_notes: int = 120, n_strikers: int = 6, chords: bool = True):
    """Return times and strikers of a song of uneven rhythm, some notes in chords."""
    chance = np.random.default_rng(seed)
    score_s, striker, time_s = [], [], 0.0
    while len(score_s) < n_notes:
        size = int(chance.choice([1, 1, 1, 2, 3])) if chords else 1
        for one in chance.choice(n_strikers, size, replace=False):
            score_s.append(time_s)
            striker.append(f"striker {one}")
        time_s += float(chance.choice([0.125, 0.25, 0.25, 0.375, 0.5]))
    return np.array(score_s), striker


def make_repeats(seed: int, form: str, n_keys: int = 24, bars: int = 8):
    """Return times and strikers of a song in bars of 2 s whose parts, the letters of `form`, come again to the letter.

    Each part is a melody, some of its notes with a second below.
    """
    parts = {letter: _part(np.random.default_rng([seed, ord(letter)]), n_keys, bars) for letter in form}
    rows = [(2.0 * bars * place + time_s, key) for place, letter in enumerate(form) for time_s, key in parts[letter]]
    return np.array([time_s for time_s, _ in rows]), [f"key {key:02d}" for _, key in rows]


def _part(chance, n_keys, bars):
    rows, key, time_s = [], n_keys // 2, 0.0
    while time_s < 2.0 * bars:
        key = int(np.clip(key + chance.integers(-3, 4), n_keys // 3, n_keys - 1))
        rows.append((time_s, key))
        if chance.random() < 0.3:
            rows.append((time_s, key - int(chance.integers(2, n_keys // 3))))
        time_s += float(chance.choice([0.25, 0.25, 0.5, 0.5, 0.75]))
    return rows


def play_by_hand(score_s: np.ndarray, seed: int, wander: float = 0.15) -> np.ndarray:
    """Return when hands play a song in bars of 2 s: tempo wanders, phrases of 8 s slow down at their ends, pauses."""
    chance = np.random.default_rng([seed, 12])
    n_beats = int(score_s[-1] / 0.5) + 3
    log_pace = np.zeros(n_beats)
    for k in range(1, n_beats):
        log_pace[k] = 0.75 * log_pace[k - 1] + chance.normal(0, 0.66 * wander)
    held = np.arange(15, n_beats, 16)
    log_pace[held] += (chance.random(len(held)) < 0.6) * chance.uniform(0.1, 0.9, len(held))
    step_s = 0.5 * np.exp(log_pace)
    step_s[held] += chance.exponential(0.5, len(held))
    at_beat_s = 1 + np.concatenate(([0.0], np.cumsum(step_s)))
    return np.interp(score_s, 0.5 * np.arange(n_beats + 1), at_beat_s) + chance.normal(0, 0.012, len(score_s))


@dataclass(frozen=True)
class Simulated:
    """A take of the workshop's simulator with what a detector finds in it."""

    machine: Machine
    notes: pa.Table
    take: simulator.Take
    hits: pa.Table
    rig: Rig
    names_go_wrong: bool = False


def simulate(seed, named=True, hard=False, bars=40, crew=None, missed=0.0, extra=0.0, tempo=1.0, sounds=False):
    """Return a random machine playing a random tune.

    Parameters
    ----------
    crew : function (crew, chance, bars) -> crew, optional
        What the crew does: part of the song, several rounds, a false start.
    missed, extra : float
        Shares of strikes not found, and of strays as a share of the strikes, on top of the machine's own.
    tempo : float
        Ratio to the written tempo.
    sounds : bool
        Keep the levels in bands; without them there is no sound to tell strikers by.
    """
    chance = np.random.default_rng([seed, 99])
    machine = workshop.random_machine(12, seed)
    tune = composer.random_tune(
        12, bars, seed, bpm=float(chance.uniform(70, 130)), notes_per_bar=float(chance.uniform(7, 14))
    )
    notes = composer.notes_table(tune, machine)
    faults = workshop.random_faults(machine, notes, seed, hard=hard)
    people = workshop.random_crew(machine, notes, faults, seed, hard=hard, speed_sd=0.02)
    take = simulator.simulate(machine, notes, faults, crew(people, chance, bars) if crew else people, seed)
    if tempo != 1.0:
        take = simulator.stretched(take, 1 / tempo)
    names = tuple(one.name for one in machine.strikers)
    per_min = extra * len(take.strikes.strike_s) / take.length_s * 60 + 1.0
    ear = listen.Ear(
        missed=missed, false_per_min=per_min, wrong_names=0.02 if hard else 0.0, fuse_s=0.0 if named else 0.012
    )
    hits = listen.hits_table(take, names, seed, named=named, ear=ear, marks=False)
    if not sounds:
        silence = pa.array([[float("nan")] * tables.N_BANDS] * len(hits), hits["bands_db"].type)
        hits = hits.set_column(hits.column_names.index("bands_db"), hits.schema.field("bands_db"), silence)
    own = tuple(Channel(place + 1, (name,)) for place, name in enumerate(names))
    return Simulated(machine, notes, take, hits, Rig("full", own) if named else ONE_MICROPHONE, hard and named)


def some_bars(crew, chance, bars):
    """Let the crew begin anywhere and stop early."""
    first = int(chance.integers(1, bars - 12))
    return workshop.partial(crew, first, min(bars, first + int(chance.integers(10, 20))))


def three_rounds(crew, chance, bars):
    """Let the crew play the song three times without a stop."""
    return workshop.looped(crew, 3)


def a_false_start(crew, chance, bars):
    """Let the crew stop after a few bars and begin again from the top."""
    return workshop.false_start(crew, int(chance.integers(3, 7)), float(chance.uniform(1, 5)))


def align_simulated(case: Simulated):
    """Return the aligned table and what was said of it."""
    return align(case.notes, case.hits, RECORDING, case.rig, case.machine)


@dataclass(frozen=True)
class Agreement:
    """How matches compare with the truth; `right` and `confidence` have one entry per match."""

    f: float
    right: np.ndarray
    confidence: np.ndarray


def compare(table: pa.Table, case: Simulated, named: bool) -> Agreement:
    """Hold a table against the simulator's truth.

    Named: a match is right if its hit is that note's own strike in that playthrough. On one microphone a hit stands
    for all strikes within the detector's minimum gap: right if one of them belongs to the same onset.
    """
    strikes = case.take.strikes
    struck = found(case, named)
    keys = list(zip(strikes.playthrough[struck].tolist(), strikes.note_id[struck].tolist(), strict=True))
    when = strikes.strike_s[struck]
    score_s = np.round(case.notes["score_s"].to_numpy(), 6)
    truth = defaultdict(list)
    for (playthrough, note), time_s in zip(keys, when, strict=True):
        truth[playthrough, note if named else score_s[note]].append(time_s)
    rows = played(table)
    near_s = SAME_HIT_S if named else FUSED_S
    right = np.array(
        [
            any(abs(t - hit_s) < near_s for t in truth.get((playthrough, note if named else score_s[note]), ()))
            for playthrough, note, hit_s, _ in rows
        ],
        bool,
    )
    recall = min(right.sum() / max(len(keys), 1), 1.0)
    precision = right.mean() if len(rows) else 0.0
    f = 2 * precision * recall / max(precision + recall, 1e-9)
    return Agreement(float(f), right, np.array([row[3] for row in rows], float))


def found(case: Simulated, named: bool) -> np.ndarray:
    """Return which strikes sounded and were detected; the others cannot be matched.

    A strike was detected if a hit of its own channel lies near it or, where names go wrong, any hit at its very time.
    """
    strikes, hit_s = case.take.strikes, case.hits["hit_s"].to_numpy()
    channel, near_s = case.hits["channel"].to_numpy(), SAME_HIT_S if named else FUSED_S
    heard = np.zeros(len(strikes.strike_s), bool)
    for one in case.rig.channels:
        theirs = np.isin(strikes.striker, one.hears) if one.hears != ("everything",) else np.ones(len(heard), bool)
        heard |= theirs & (_apart_s(hit_s[channel == one.channel], strikes.strike_s) < near_s)
    if case.names_go_wrong:
        heard |= _apart_s(hit_s, strikes.strike_s) < 0.0002
    return heard & ~strikes.missed


def _apart_s(hit_s, time_s) -> np.ndarray:
    """Return how far each time lies from the nearest hit."""
    padded = np.concatenate(([-np.inf], hit_s, [np.inf]))
    after = np.searchsorted(padded, time_s)
    return np.minimum(padded[after] - time_s, time_s - padded[after - 1])


def played(table: pa.Table) -> list[tuple[int, int, float, float]]:
    """Return (playthrough, note_id, hit_s, confidence) of every played note."""
    return [
        (row["playthrough"], row["note_id"], row["hit_s"], row["confidence"])
        for row in table.select(["status", "playthrough", "note_id", "hit_s", "confidence"]).to_pylist()
        if row["status"] == "played"
    ]


def status_of(table: pa.Table, playthrough: int = 1) -> dict[int, str]:
    """Return the status of every note in a playthrough."""
    return {
        row["note_id"]: row["status"]
        for row in table.to_pylist()
        if row["note_id"] is not None and row["playthrough"] == playthrough
    }


def hit_of(table: pa.Table, playthrough: int = 1) -> dict[int, int]:
    """Return the hit of every played note in a playthrough."""
    return {
        row["note_id"]: row["hit_id"]
        for row in table.to_pylist()
        if row["status"] == "played" and row["playthrough"] == playthrough
    }


def without(hits: pa.Table, **columns) -> pa.Table:
    """Return the hits with some columns put in the place of their own."""
    return tables.build("hits", {name: columns.get(name, hits[name]) for name in hits.column_names})
