"""Give every note its striker and write the table of notes, of a MIDI file or of a clock test."""

import numpy as np
import pyarrow as pa

from pipeline import tables
from pipeline.errors import InputError
from pipeline.midi import Song, places_at, seconds_at
from pipeline.notes.places import passages, pins_of, turns
from pipeline.settings import Clock, Machine, Settings, players_of
from pipeline.settings.unplayed_notes import faults_of, song_of

CLOCK_VELOCITY = 64  # the velocity MIDI gives where nothing measures one


def notes(settings: Settings, arrangement: str) -> pa.Table:
    """Read an arrangement into its table of notes.

    Parameters
    ----------
    settings : Settings
    arrangement : str
        Name of the arrangement.

    Returns
    -------
    pa.Table
        Contract `notes`. A striker strikes once at a time: notes of one striker at the same tick, doubled in the file,
        are one note, the loudest of them (of equal ones the lowest channel and pitch). `barrel_turn` counts bars where
        the configuration names no `bars_per_turn`. In a file in SMPTE time a quarter note is half a second.

    Raises
    ------
    InputError
        The file is missing, damaged, of a kind that cannot be played, or holds a note that no striker plays.
    """
    wanted = settings.arrangement_of(arrangement)
    barrel = settings.machine.barrel
    if wanted.clock:
        turn_bars = wanted.clock.bars_per_turn or barrel.bars_per_turn or 1.0
        return _clock_table(wanted.clock, turn_bars, barrel.pins)
    song = song_of(wanted)
    if faults := faults_of(wanted.file, song, settings.machine):
        raise InputError(*faults)
    return _song_table(song, settings.machine)


def _song_table(song: Song, machine: Machine) -> pa.Table:
    players = players_of(machine.strikers)
    names = [striker.name for striker in machine.strikers]
    striker = np.array([names.index(players[channel, pitch]) for _, channel, pitch, _ in song.notes.tolist()])
    kept = _one_strike_at_a_time(song.notes, striker)
    tick, _, pitch, velocity = song.notes[kept].T
    striker = striker[kept]
    at = places_at(song, tick)
    score_s = seconds_at(song, tick)
    barrel_turn = turns(song, tick, machine.barrel.bars_per_turn or 1.0)
    return tables.build(
        "notes",
        {
            "note_id": np.arange(len(tick)),
            "pin_id": pins_of(barrel_turn, striker, machine.barrel.pins),
            "bar": at.bar,
            "beat_in_bar": at.beat_in_bar,
            "bar_start_beat": at.bar_start_beat,
            "bar_beats": at.bar_beats,
            "score_beat": tick / float(song.division),
            "score_s": score_s,
            "striker": [names[one] for one in striker],
            "pitch": pitch,
            "velocity": velocity,
            "passage": passages(song.markers, tick, at.bar),
            "barrel_turn": barrel_turn,
        },
    )


def _one_strike_at_a_time(rows: np.ndarray, striker: np.ndarray) -> np.ndarray:
    """Return which rows stay, in their order: the loudest of each (tick, striker)."""
    order = np.lexsort((np.arange(len(rows)), -rows[:, 3], striker, rows[:, 0]))
    first = np.ones(len(order), bool)
    first[1:] = np.diff(rows[order, 0]).astype(bool) | np.diff(striker[order]).astype(bool)
    return np.sort(order[first])


def _clock_table(clock: Clock, bars_per_turn: float, pins: str) -> pa.Table:
    """Return the grid of a clock test: even strikes of one striker; pitch 0."""
    rank = np.arange(clock.bars * clock.strikes_per_bar)
    bar = rank // clock.strikes_per_bar + 1
    beats = rank % clock.strikes_per_bar * clock.beats_per_bar / clock.strikes_per_bar
    score_beat = (bar - 1) * clock.beats_per_bar + beats
    barrel_turn = score_beat / clock.beats_per_bar / bars_per_turn
    return tables.build(
        "notes",
        {
            "note_id": rank,
            "pin_id": pins_of(barrel_turn, np.zeros(len(rank), np.int64), pins),
            "bar": bar,
            "beat_in_bar": 1 + beats,
            "bar_start_beat": (bar - 1.0) * clock.beats_per_bar,
            "bar_beats": np.full(len(rank), float(clock.beats_per_bar)),
            "score_beat": score_beat,
            "score_s": score_beat * 60 / clock.bpm,
            "striker": [clock.striker] * len(rank),
            "pitch": np.zeros(len(rank), np.int64),
            "velocity": np.full(len(rank), CLOCK_VELOCITY),
            "passage": passages([], rank, bar),
            "barrel_turn": barrel_turn,
        },
    )
