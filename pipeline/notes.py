"""Turn an arrangement, a standard MIDI file or the grid of a clock test, into the table of its notes.

In: a checked configuration and the name of an arrangement. Out: the contract `notes`, one row per pin strike.
Source: Standard MIDI Files 1.0 (MIDI Manufacturers Association, 1988).
"""

import io
import struct
from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate

import mido
import numpy as np
import pyarrow as pa

from pipeline import tables
from pipeline.errors import InputError
from pipeline.settings import Clock, Machine, Settings

DEFAULT_TEMPO_US = 500_000  # microseconds per quarter note, 120 bpm, where a file names no tempo (SMF 1.0)
SMPTE_BPM = 120  # quarter notes per minute that a file in SMPTE time, which has none, is given
BARS_PER_PASSAGE = 8  # where no markers name the passages
LAST_TICK = 2**32  # no arrangement is longer; a damaged file is
SAME_PIN_TURN = 1e-4  # turns; notes of later turns nearer than this (0.13 mm on 420 mm) come from one pin
CLOCK_VELOCITY = 64  # the velocity MIDI gives where nothing measures one
OPENING = "opening"  # the notes before the first marker


@dataclass(frozen=True)
class Song:
    """What a MIDI file holds, in ticks since its start.

    Attributes
    ----------
    division : Fraction
        Ticks per quarter note.
    notes : np.ndarray, shape=(n, 4), int64
        Tick, MIDI channel (1-16), pitch and velocity of every note-on, by tick, channel, pitch.
    tempos : list of (tick, microseconds per quarter note)
        The first at tick 0.
    signatures : list of (tick, numerator, denominator)
        The first at tick 0.
    markers : list of (tick, text)
    """

    division: Fraction
    notes: np.ndarray
    tempos: list[tuple[int, int]]
    signatures: list[tuple[int, int, int]]
    markers: list[tuple[int, str]]


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
    song = read_song(wanted.file)
    if faults := _unplayed(wanted.file, song, settings.machine):
        raise InputError(*faults)
    return _song_table(song, settings.machine)


def faults_of_song(path: str, machine: Machine | None) -> list[str]:
    """Return what is wrong with a MIDI file; with a machine also the notes that none of its strikers plays."""
    try:
        song = read_song(path)
    except InputError as error:
        return list(error.faults)
    return _unplayed(path, song, machine) if machine else []


def read_song(path: str) -> Song:
    """Read a standard MIDI file of type 0 or 1 (or of type 2 with a single track).

    Notes
    -----
    Chunks that are no tracks are passed over, as the standard asks. A tempo or time signature counts in any track.

    Raises
    ------
    InputError
        One line that says what is wrong with the file.
    """
    try:
        with open(path, "rb") as file:
            raw = file.read()
    except OSError as error:
        raise InputError(f"{path}: expected a standard MIDI file; found that {error.strerror}") from None
    division, chunks = _chunks(path, raw)
    events = sorted(
        (event for rank, chunk in enumerate(chunks, 1) for event in _events(path, rank, len(chunks), chunk)),
        key=lambda event: event[0],
    )
    smpte = division & 0x8000
    ticks_per_quarter = _ticks_per_second(path, division) * 60 / SMPTE_BPM if smpte else Fraction(division)
    rows = [(tick, one.channel + 1, one.note, one.velocity) for tick, one in events if _strikes(one)]
    song = Song(
        division=ticks_per_quarter,
        notes=np.array(sorted(rows), np.int64).reshape(-1, 4),
        tempos=[(0, DEFAULT_TEMPO_US)] if smpte else _tempos(path, events),
        signatures=_signatures(path, events),
        markers=[(tick, _label(one.text)) for tick, one in events if one.type == "marker" and _label(one.text)],
    )
    if not rows:
        raise InputError(f"{path}: expected notes; found none; export the arrangement with its notes")
    return song


def seconds_at(song: Song, ticks: np.ndarray) -> np.ndarray:
    """Return the nominal time of each tick (s) by the tempo map; the tempo is constant between its events."""
    starts = np.array([tick for tick, _ in song.tempos], float)
    per_tick_s = np.array([tempo for _, tempo in song.tempos]) / 1e6 / float(song.division)
    at_start_s = np.concatenate([[0.0], np.cumsum(np.diff(starts) * per_tick_s[:-1])])
    segment = np.searchsorted(starts, ticks, side="right") - 1
    return at_start_s[segment] + (ticks - starts[segment]) * per_tick_s[segment]


# --- the file --------------------------------------------------------------------------------------------------------


def _chunks(path: str, raw: bytes) -> tuple[int, list[bytes]]:
    """Return the division word and the tracks' bytes; the header's length is what it says, at least 6."""
    if raw[:4] == b"RIFF" and raw[8:16] == b"RMIDdata":
        raw = raw[20:]
    if raw[:4] != b"MThd" or len(raw) < 14:
        found = "an empty file" if not raw else "another kind of file" if raw[:4] != b"MThd" else "its first bytes only"
        raise InputError(f"{path}: expected a standard MIDI file; found {found}; export it again as type 0 or 1")
    size, kind, n_tracks, division = struct.unpack(">IHHH", raw[4:14])
    chunks, at = [], 8 + size
    while at + 8 <= len(raw) and len(chunks) < n_tracks:
        name, size = struct.unpack(">4sI", raw[at : at + 8])
        if name == b"MTrk":
            chunks.append(raw[at + 8 : at + 8 + size])
            if len(chunks[-1]) < size:
                raise _damaged(path, len(chunks), n_tracks, "the file ends within it")
        at += 8 + size
    if len(chunks) < n_tracks:
        raise InputError(
            f"{path}: expected {n_tracks} tracks, as its header says; found {len(chunks)}: the file is cut short; "
            "export it again"
        )
    if kind > 2 or (kind == 2 and n_tracks > 1):
        found = f"type {kind}" + (", whose tracks are separate patterns" if kind == 2 else "")
        raise InputError(f"{path}: expected a MIDI file of type 0 or 1; found {found}; export it as type 0 or 1")
    if division == 0:
        raise InputError(f"{path}: expected ticks per quarter note; found 0; export the file again")
    return division, chunks


def _events(path: str, rank: int, n_tracks: int, chunk: bytes) -> list[tuple[int, mido.Message]]:
    """Return (tick, message) of one track; the MIDI library's errors become ours."""
    header = b"MThd" + struct.pack(">IHHH", 6, 1, 1, 480)
    try:
        track = mido.MidiFile(file=io.BytesIO(header + b"MTrk" + struct.pack(">I", len(chunk)) + chunk)).tracks[0]
    except EOFError:
        raise _damaged(path, rank, n_tracks, "it ends within an event") from None
    except Exception as error:  # the library raises whatever its decoders stumble over
        raise _damaged(path, rank, n_tracks, str(error) or type(error).__name__) from None
    ticks = list(accumulate(message.time for message in track))
    if ticks and ticks[-1] > LAST_TICK:
        raise _damaged(path, rank, n_tracks, f"it goes on to tick {ticks[-1]:.3g}")
    return list(zip(ticks, track, strict=True))


def _damaged(path: str, rank: int, n_tracks: int, reason: str) -> InputError:
    return InputError(
        f"{path}: expected an undamaged MIDI file; found a fault in track {rank} of {n_tracks} ({reason}); "
        "export the file again"
    )


def _ticks_per_second(path: str, division: int) -> Fraction:
    """Read a division word whose bit 15 is set: minus the frames per second, then the ticks per frame."""
    frames, per_frame = 256 - (division >> 8), division & 0xFF
    if frames not in (24, 25, 29, 30) or per_frame == 0:
        raise InputError(
            f"{path}: expected 24, 25, 29 or 30 frames of at least one tick; found {frames} frames of {per_frame}; "
            "export the file in ticks per quarter note"
        )
    # 29 stands for 30 drop-frame: 30000/1001 frames a second.
    return Fraction(30000, 1001) * per_frame if frames == 29 else Fraction(frames * per_frame)


def _strikes(message) -> bool:
    return message.type == "note_on" and message.velocity > 0


def _tempos(path: str, events) -> list[tuple[int, int]]:
    found = {0: DEFAULT_TEMPO_US}
    for tick, message in events:
        if message.type == "set_tempo":
            if message.tempo == 0:
                raise InputError(f"{path}: expected a tempo; found 0 microseconds a quarter note at tick {tick}")
            found[tick] = message.tempo  # of several at one tick the last counts
    return sorted(found.items())


def _signatures(path: str, events) -> list[tuple[int, int, int]]:
    found = {0: (4, 4)}
    for tick, message in events:
        if message.type == "time_signature":
            if message.numerator < 1 or message.denominator > 64:
                shown = f"{message.numerator}/{message.denominator}"
                raise InputError(f"{path}: expected a time signature such as 4/4; found {shown} at tick {tick}")
            found[tick] = (message.numerator, message.denominator)
    return [(tick, *signature) for tick, signature in sorted(found.items())]


def _label(text: str) -> str:
    """Return a marker's text: the library reads bytes as Latin-1, most programs write UTF-8 today."""
    try:
        text = text.encode("latin-1").decode("utf-8")
    except UnicodeError:
        pass
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())


# --- notes and strikers ----------------------------------------------------------------------------------------------


def _players(machine: Machine) -> dict[tuple[int, int], str]:
    """Return the striker of each (MIDI channel, pitch)."""
    return {
        (channel, pitch): striker.name
        for striker in machine.strikers
        for pitch in striker.notes
        for channel in ([striker.channel] if striker.channel else range(1, 17))
    }


def _unplayed(path: str, song: Song, machine: Machine) -> list[str]:
    """Return one line for each note (channel and pitch) that no striker plays."""
    players, faults = _players(machine), []
    kinds, firsts, counts = np.unique(song.notes[:, 1:3], axis=0, return_index=True, return_counts=True)
    for (channel, pitch), first, count in zip(kinds.tolist(), firsts, counts, strict=True):
        if (channel, pitch) in players:
            continue
        bar, beat = (float(column[0]) for column in _bars(song, song.notes[first : first + 1, 0]))
        others = [striker for striker in machine.strikers if pitch in striker.notes]
        near = f" ('{others[0].name}' plays it on channel {others[0].channel} only)" if others else ""
        faults.append(
            f"{path}: expected a striker for every note; found none for note {pitch} on channel {channel}{near}, "
            f"first in bar {bar:.0f} on beat {beat:g}, {count} in all; add it to a striker's notes or take it out"
        )
    return faults


def _song_table(song: Song, machine: Machine) -> pa.Table:
    players = _players(machine)
    names = [striker.name for striker in machine.strikers]
    striker = np.array([names.index(players[channel, pitch]) for _, channel, pitch, _ in song.notes.tolist()])
    kept = _one_strike_at_a_time(song.notes, striker)
    tick, _, pitch, velocity = song.notes[kept].T
    striker = striker[kept]
    bar, beat_in_bar = _bars(song, tick)
    score_s = seconds_at(song, tick)
    bars_per_turn = machine.barrel.bars_per_turn or 1.0
    barrel_turn = score_s * _turns_per_second(song, int(tick[-1]), bars_per_turn)
    return tables.build(
        "notes",
        {
            "note_id": np.arange(len(tick)),
            "pin_id": _pins(barrel_turn, striker, machine.barrel.pins),
            "bar": bar,
            "beat_in_bar": beat_in_bar,
            "score_beat": tick / float(song.division),
            "score_s": score_s,
            "striker": [names[one] for one in striker],
            "pitch": pitch,
            "velocity": velocity,
            "passage": _passages(song.markers, tick, bar),
            "barrel_turn": barrel_turn,
        },
    )


def _one_strike_at_a_time(rows: np.ndarray, striker: np.ndarray) -> np.ndarray:
    """Return which rows stay, in their order: the loudest of each (tick, striker)."""
    order = np.lexsort((np.arange(len(rows)), -rows[:, 3], striker, rows[:, 0]))
    first = np.ones(len(order), bool)
    first[1:] = np.diff(rows[order, 0]).astype(bool) | np.diff(striker[order]).astype(bool)
    return np.sort(order[first])


def _bars(song: Song, tick: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return bar and beat of each tick, both from 1; a time signature always opens a new bar.

    Whole numbers throughout, so that no rounding moves a note into the bar before.
    """
    starts = np.array([start for start, _, _ in song.signatures])
    segment = np.searchsorted(starts, tick, side="right") - 1
    bar, beat_in_bar = np.empty(len(tick), np.int64), np.empty(len(tick))
    first_bar = 1
    for rank, (start, numerator, denominator) in enumerate(song.signatures):
        inside = segment == rank
        bars, beats = _since(song.division, numerator, denominator, tick[inside] - start)
        bar[inside], beat_in_bar[inside] = first_bar + bars, 1 + beats
        if rank + 1 < len(starts):
            bars, beats = _since(song.division, numerator, denominator, starts[rank + 1 : rank + 2] - start)
            first_bar += int(bars[0]) + (beats[0] > 0)
    return bar, beat_in_bar


def _since(division: Fraction, numerator: int, denominator: int, ticks: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return whole bars and the beats over them after so many ticks of one time signature."""
    beat = 4 * division.numerator  # in units of 1 / (denominator × division.denominator) ticks
    bars, rest = np.divmod(ticks * denominator * division.denominator, beat * numerator)
    return bars, rest / beat


def _turns_per_second(song: Song, last_tick: int, bars_per_turn: float) -> float:
    """Return the barrel's nominal speed: pins sit by nominal time on a barrel that turns at the mean tempo.

    The mean is taken to the end of the bar that holds the last note.
    """
    start, numerator, denominator = next(one for one in reversed(song.signatures) if one[0] <= last_tick)
    bar_ticks = 4 * song.division * numerator / denominator
    end = float(start + ((last_tick - start) // bar_ticks + 1) * bar_ticks)
    quarters_per_s = end / float(song.division) / seconds_at(song, np.array([end]))[0]
    _, numerator, denominator = song.signatures[0]
    return float(quarters_per_s / (bars_per_turn * 4 * numerator / denominator))


def _pins(barrel_turn: np.ndarray, striker: np.ndarray, pins: str) -> np.ndarray:
    """Number the pins by their first note: each note's own, or one per striker and place on the barrel."""
    if pins == "song":
        return np.arange(len(barrel_turn))
    angle = barrel_turn % 1.0
    group = np.empty(len(angle), np.int64)
    n_groups = 0
    for one in np.unique(striker):
        rows = np.flatnonzero(striker == one)
        rows = rows[np.argsort(angle[rows], kind="stable")]
        place = np.cumsum(np.diff(angle[rows], prepend=angle[rows[0]]) > SAME_PIN_TURN)
        # The barrel is round: just below a full turn is the place at 0.
        if angle[rows[0]] + 1 - angle[rows[-1]] <= SAME_PIN_TURN:
            place[place == place[-1]] = 0
        group[rows] = n_groups + place
        n_groups += place.max() + 1
    _, first, inverse = np.unique(group, return_index=True, return_inverse=True)
    rank = np.empty(len(first), np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    return rank[inverse]


def _passages(markers: list[tuple[int, str]], tick: np.ndarray, bar: np.ndarray) -> list[str]:
    """Name the passage of each note: its last marker, or a group of bars where there are no markers.

    A name that comes again is another passage: 'verse', 'verse (2)'.
    """
    if not markers:
        last_bar = int(bar.max())
        firsts = (bar - 1) // BARS_PER_PASSAGE * BARS_PER_PASSAGE + 1
        return [_bar_name(first, min(first + BARS_PER_PASSAGE - 1, last_bar)) for first in firsts.tolist()]
    by_tick = dict(markers)  # of several at one tick the last counts
    names = [OPENING]
    seen = {OPENING} if tick.min() < min(by_tick) else set()
    for name in by_tick.values():
        label, times = name, 1
        while label in seen:
            times += 1
            label = f"{name} ({times})"
        seen.add(label)
        names.append(label)
    segment = np.searchsorted(np.array(list(by_tick)), tick, side="right")
    return [names[one] for one in segment]


def _bar_name(first: int, last: int) -> str:
    return f"bar {first}" if first == last else f"bars {first}-{last}"


# --- a clock test ----------------------------------------------------------------------------------------------------


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
            "pin_id": _pins(barrel_turn, np.zeros(len(rank), np.int64), pins),
            "bar": bar,
            "beat_in_bar": 1 + beats,
            "score_beat": score_beat,
            "score_s": score_beat * 60 / clock.bpm,
            "striker": [clock.striker] * len(rank),
            "pitch": np.zeros(len(rank), np.int64),
            "velocity": np.full(len(rank), CLOCK_VELOCITY),
            "passage": _passages([], rank, bar),
            "barrel_turn": barrel_turn,
        },
    )
