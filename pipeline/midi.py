"""Read standard MIDI files: arrangements, and the hits that a trigger module has recorded.

In: a path. Out: what the file holds, in ticks, with the maps from ticks to seconds, and to bars and beats.
Source: Standard MIDI Files 1.0 (MIDI Manufacturers Association, 1988).
"""

import io
import os
import struct
from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate

import mido
import numpy as np

from pipeline.errors import InputError
from pipeline.settings.note_names import note_name

DEFAULT_TEMPO_US = 500_000  # microseconds per quarter note, 120 bpm, where a file names no tempo (SMF 1.0)
SMPTE_BPM = 120  # quarter notes per minute that a file in SMPTE time, which has none, is given
LAST_TICK = 2**32  # no arrangement is longer; a damaged file is


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
    parts : tuple of Part
        Where the notes stand in the file, those that were not chosen too.
    """

    division: Fraction
    notes: np.ndarray
    tempos: list[tuple[int, int]]
    signatures: list[tuple[int, int, int]]
    markers: list[tuple[int, str]]
    parts: tuple["Part", ...] = ()


@dataclass(frozen=True)
class Part:
    """The notes of one track on one MIDI channel: `track` counts from 1; `name` may be empty."""

    track: int
    name: str
    channel: int
    n_notes: int
    lowest: int
    highest: int


def read_song(path: str, tracks: tuple[int | str, ...] = (), channels: tuple[int, ...] = ()) -> Song:
    """Read a standard MIDI file of type 0 or 1 (or of type 2 with a single track).

    Parameters
    ----------
    path : str
    tracks : tuple of int or str
        Numbers or names of the tracks whose notes count; () for all.
    channels : tuple of int
        MIDI channels (1-16) whose notes count; () for all.

    Notes
    -----
    A file without notes is read, too: what that means, the caller knows. Chunks that are no tracks are passed over, as
    the standard asks. A tempo or time signature counts in any track.

    Raises
    ------
    InputError
        One line that says what is wrong with the file, or that it has no such track.
    """
    try:
        if os.path.exists(path) and not os.path.isfile(path):
            raise InputError(f"{path}: expected a standard MIDI file; found no file but a folder, pipe or device")
        with open(path, "rb") as file:
            raw = file.read()
    except FileNotFoundError:
        raise InputError(f"{path}: expected a standard MIDI file; found none; correct the path") from None
    except OSError as error:
        said = f"found that it cannot be read ({error.strerror})"
        raise InputError(f"{path}: expected a standard MIDI file; {said}; correct the path") from None
    division, chunks = _chunks(path, raw)
    of_track = [_events(path, rank, len(chunks), chunk) for rank, chunk in enumerate(chunks, 1)]
    events = sorted((event for track in of_track for event in track), key=lambda event: event[0])
    names = [next((_label(one.name) for _, one in track if one.type == "track_name"), "") for track in of_track]
    chosen = _chosen(path, names, tracks)
    smpte = division & 0x8000
    ticks_per_quarter = _ticks_per_second(path, division) * 60 / SMPTE_BPM if smpte else Fraction(division)
    rows = [
        (tick, one.channel + 1, one.note, one.velocity)
        for number in chosen
        for tick, one in of_track[number - 1]
        if _strikes(one) and (not channels or one.channel + 1 in channels)
    ]
    return Song(
        division=ticks_per_quarter,
        notes=np.array(sorted(rows), np.int64).reshape(-1, 4),
        tempos=[(0, DEFAULT_TEMPO_US)] if smpte else _tempos(path, events),
        signatures=_signatures(path, events),
        markers=[(tick, _label(one.text)) for tick, one in events if one.type == "marker" and _label(one.text)],
        parts=tuple(
            part for number, name in enumerate(names, 1) for part in _parts(number, name, of_track[number - 1])
        ),
    )


def listed(parts: tuple[Part, ...]) -> str:
    """Say which parts a song has: `track 1 'bells' on channel 10: 84 notes, C4 to G5`."""
    return "; ".join(
        f"track {one.track}" + (f" '{one.name}'" if one.name else "") + f" on channel {one.channel}: {one.n_notes} "
        f"note{'s' if one.n_notes > 1 else ''}, {note_name(one.lowest)}"
        + (f" to {note_name(one.highest)}" if one.highest > one.lowest else "")
        for one in parts
    )


def seconds_at(song: Song, ticks: np.ndarray) -> np.ndarray:
    """Return the nominal time of each tick (s) by the tempo map; the tempo is constant between its events."""
    starts = np.array([tick for tick, _ in song.tempos], float)
    per_tick_s = np.array([tempo for _, tempo in song.tempos]) / 1e6 / float(song.division)
    at_start_s = np.concatenate([[0.0], np.cumsum(np.diff(starts) * per_tick_s[:-1])])
    segment = np.searchsorted(starts, ticks, side="right") - 1
    return at_start_s[segment] + (ticks - starts[segment]) * per_tick_s[segment]


@dataclass(frozen=True)
class Places:
    """Where ticks stand among the bars; each array has shape (n,).

    Attributes
    ----------
    bar : np.ndarray of int
        From 1.
    beat_in_bar : np.ndarray
        From 1, in beats of the time signature.
    bar_start_beat, bar_beats : np.ndarray
        Where the bar begins and how long it is, in quarter notes.
    """

    bar: np.ndarray
    beat_in_bar: np.ndarray
    bar_start_beat: np.ndarray
    bar_beats: np.ndarray


def places_at(song: Song, tick: np.ndarray) -> Places:
    """Return bar and beat of each tick; a time signature opens a new bar wherever it stands, and cuts the one before.

    Whole numbers as far as possible, in a unit that divides a tick, so that no rounding moves a note into another bar.
    """
    start, numerator, denominator = np.array(song.signatures).T
    ticks, per = song.division.numerator, song.division.denominator  # ticks / per of them make a quarter note
    tick_units = denominator * per
    bar_units = 4 * ticks * numerator
    n_bars = -(-np.diff(start) * tick_units[:-1] // bar_units[:-1])  # of each time signature, a cut one counts
    first_bar = 1 + np.concatenate([[0], np.cumsum(n_bars)])
    of = np.searchsorted(start, tick, side="right") - 1
    bars, rest_units = np.divmod((tick - start[of]) * tick_units[of], bar_units[of])
    start_beat, end_beat = (
        (start[of] * tick_units[of] + number * bar_units[of]) / (denominator[of] * ticks) for number in (bars, bars + 1)
    )
    cut_beat = np.append(start[1:], np.inf)[of] / float(song.division)
    return Places(
        bar=first_bar[of] + bars,
        beat_in_bar=1 + rest_units / (4 * ticks),
        bar_start_beat=start_beat,
        bar_beats=np.minimum(end_beat, cut_beat) - start_beat,
    )


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


def _chosen(path: str, names: list[str], tracks: tuple[int | str, ...]) -> list[int]:
    """Return the numbers of the tracks that are named; all where none is."""
    chosen, by_name = [], {}
    for number, name in enumerate(names, 1):
        by_name.setdefault(name.casefold(), []).append(number)
    for one in tracks:
        numbers = by_name.get(one.casefold(), []) if isinstance(one, str) and one else [one]
        if not numbers or not all(isinstance(number, int) and 1 <= number <= len(names) for number in numbers):
            known = ", ".join(f"{number} '{name}'" if name else f"{number}" for number, name in enumerate(names, 1))
            raise InputError(f"{path}: expected a track of the file; found '{one}'; the tracks are {known}")
        chosen += numbers
    return sorted(set(chosen)) or list(range(1, len(names) + 1))


def _parts(number: int, name: str, events: list[tuple[int, mido.Message]]) -> list[Part]:
    """Return the parts of one track, by channel."""
    pitches = {}
    for _, one in events:
        if _strikes(one):
            pitches.setdefault(one.channel + 1, []).append(one.note)
    return [Part(number, name, channel, len(of), min(of), max(of)) for channel, of in sorted(pitches.items())]


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
