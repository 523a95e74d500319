"""Compose tunes: the demo's own and random ones; as notes under the contract and as a standard MIDI file."""

import os
from dataclasses import dataclass
from pathlib import Path

import mido
import numpy as np
import pyarrow as pa

from pipeline import tables
from pipeline.settings import Machine

TICKS_PER_BEAT = 480
NOTE_BEATS = 0.1  # a strike has no length; a sequencer wants to see one


@dataclass(frozen=True, eq=False)
class Tune:
    """A tune in 4/4 or another constant meter of quarter notes, at one tempo.

    Parameters
    ----------
    beat, pitch, velocity : np.ndarray, shape=(n,)
        Start in quarter notes, MIDI pitch and velocity of each note; by beat, then pitch; beats lie on ticks.
    bpm : float
        Quarter notes per minute.
    bars, beats_per_bar : int
    passages : tuple of (first bar, name)
        In order; the first starts at bar 1.
    """

    beat: np.ndarray
    pitch: np.ndarray
    velocity: np.ndarray
    bpm: float
    bars: int
    beats_per_bar: int = 4
    passages: tuple[tuple[int, str], ...] = ((1, "all"),)


def made(notes, bpm: float, bars: int, beats_per_bar: int = 4, passages=((1, "all"),)) -> Tune:
    """Make a tune of `notes` (beat, pitch, velocity): sorted, rounded to ticks, each beat and pitch once."""
    rows = {}
    for beat, pitch, velocity in notes:
        rows.setdefault((round(beat * TICKS_PER_BEAT), int(pitch)), int(velocity))
    keys = sorted(rows)
    return Tune(
        np.array([tick / TICKS_PER_BEAT for tick, _ in keys]),
        np.array([pitch for _, pitch in keys], dtype=int),
        np.array([rows[key] for key in keys], dtype=int),
        bpm,
        bars,
        beats_per_bar,
        tuple(passages),
    )


def notes_table(tune: Tune, machine: Machine) -> pa.Table:
    """Return the tune as a table under the contract 'notes'.

    A machine whose barrel does not tell its `bars_per_turn` has NaN in `barrel_turn`.
    """
    name_of = {pitch: striker.name for striker in machine.strikers for pitch in striker.notes}
    per_turn = machine.barrel.bars_per_turn
    turn = tune.beat / tune.beats_per_bar / per_turn if per_turn else np.full(len(tune.beat), np.nan)
    bar = np.floor(tune.beat / tune.beats_per_bar).astype(int) + 1
    first_bars = [first for first, _ in tune.passages]
    passage = [tune.passages[i][1] for i in np.searchsorted(first_bars, bar, side="right") - 1]
    n = len(tune.beat)
    return tables.build(
        "notes",
        {
            "note_id": np.arange(n),
            "pin_id": _pins(tune, turn) if machine.barrel.pins == "turn" else np.arange(n),
            "bar": bar,
            "beat_in_bar": tune.beat % tune.beats_per_bar + 1,
            "bar_start_beat": (bar - 1.0) * tune.beats_per_bar,
            "bar_beats": np.full(n, float(tune.beats_per_bar)),
            "score_beat": tune.beat,
            "score_s": tune.beat * 60 / tune.bpm,
            "striker": [name_of[pitch] for pitch in tune.pitch],
            "pitch": tune.pitch,
            "velocity": tune.velocity,
            "passage": passage,
            "barrel_turn": turn,
        },
    )


def write_midi(tune: Tune, path) -> None:
    """Write the tune as a type-1 standard MIDI file with its passages as markers, whole or not at all."""
    song = mido.MidiFile(type=1, ticks_per_beat=TICKS_PER_BEAT)
    conductor = [(0, mido.MetaMessage("time_signature", numerator=tune.beats_per_bar, denominator=4))]
    conductor.append((0, mido.MetaMessage("set_tempo", tempo=round(60e6 / tune.bpm))))
    for bar, name in tune.passages:
        conductor.append(((bar - 1) * tune.beats_per_bar * TICKS_PER_BEAT, mido.MetaMessage("marker", text=name)))
    length = tune.bars * tune.beats_per_bar * TICKS_PER_BEAT
    music = []
    for beat, pitch, velocity in zip(tune.beat, tune.pitch, tune.velocity, strict=True):
        tick = round(beat * TICKS_PER_BEAT)
        end = tick + round(NOTE_BEATS * TICKS_PER_BEAT)
        music.append((tick, mido.Message("note_on", note=int(pitch), velocity=int(velocity))))
        music.append((end, mido.Message("note_off", note=int(pitch))))
    song.tracks.append(_track(conductor, length))
    song.tracks.append(_track(music, length))
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    song.save(temporary)
    os.replace(temporary, path)


def random_tune(n_strikers: int, bars: int, seed: int, bpm: float = 96.0, notes_per_bar: float = 10.0) -> Tune:
    """Compose a random tune whose sections repeat, for strikers on the pitches 60, 61, …

    Parameters
    ----------
    n_strikers, bars : int
    seed : int
    bpm : float
    notes_per_bar : float
        On average; sections are between half and one and a half times as dense.

    Returns
    -------
    tune : Tune
        Sections of 4 or 8 bars; each of three or four kinds comes several times, each time with a few changed notes.
    """
    chance = np.random.default_rng(seed)
    kinds = [_section(chance, n_strikers, notes_per_bar * density) for density in chance.uniform(0.5, 1.5, size=4)]
    notes, passages, bar = [], [], 1
    while bar <= bars:
        kind = int(chance.integers(len(kinds)))
        length = min(int(chance.choice([4, 8])), bars - bar + 1)
        passages.append((bar, f"{'ABCD'[kind]}{sum(name[0] == 'ABCD'[kind] for _, name in passages) + 1}"))
        for step in range(length):
            for beat, pitch, velocity in kinds[kind][step % 4]:
                if chance.random() < 0.05:  # a repeat differs in a few notes
                    pitch = 60 + int(chance.integers(n_strikers))
                notes.append(
                    ((bar + step - 1) * 4 + beat, pitch, int(np.clip(velocity + chance.normal(0, 6), 20, 127)))
                )
        bar += length
    return made(notes, bpm, bars, passages=passages)


def _section(chance, n_strikers: int, per_bar: float) -> list[list[tuple[float, int, int]]]:
    """Return four bars of (beat, pitch, velocity): each striker has its own figure on a grid of quarter beats."""
    grid = np.arange(16)
    weight = np.where(grid % 4 == 0, 4.0, np.where(grid % 2 == 0, 2.0, 0.7))
    share = chance.dirichlet(np.full(n_strikers, 1.5))
    bars = []
    for _ in range(4):
        bar = []
        for striker in range(n_strikers):
            n = min(int(chance.poisson(per_bar * share[striker])), 8)
            for place in chance.choice(grid, size=n, replace=False, p=weight / weight.sum()):
                bar.append((float(place) / 4, 60 + striker, int(chance.integers(60, 110))))
        bars.append(bar)
    return bars


def _pins(tune: Tune, turn: np.ndarray) -> np.ndarray:
    """Number the places on the barrel where the same pins come round every turn."""
    places = [(round(float(t % 1.0), 9) % 1.0, int(pitch)) for t, pitch in zip(turn, tune.pitch, strict=True)]
    rank = {place: i for i, place in enumerate(sorted(set(places)))}
    return np.array([rank[place] for place in places])


def _track(events: list, length: int) -> mido.MidiTrack:
    """Put (tick, message) in order (ends before starts) and turn ticks into differences."""
    track, last = mido.MidiTrack(), 0
    for tick, message in sorted(events, key=lambda event: (event[0], event[1].type != "note_off")):
        track.append(message.copy(time=tick - last))
        last = tick
    track.append(mido.MetaMessage("end_of_track", time=max(0, length - last)))
    return track
