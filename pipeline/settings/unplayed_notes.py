"""Find the notes of a MIDI file that no striker plays."""

import numpy as np

from pipeline.errors import InputError
from pipeline.midi import Song, listed, places_at, read_song
from pipeline.settings.arrangements import Arrangement
from pipeline.settings.machine import Machine
from pipeline.settings.note_names import note_name
from pipeline.settings.strikers import players_of


def song_of(arrangement: Arrangement) -> Song:
    """Read the notes of an arrangement that the machine plays."""
    return read_song(arrangement.file, arrangement.tracks, arrangement.channels)


def n_notes_of(arrangement: Arrangement, machine: Machine) -> int:
    """Return how many notes an arrangement has: of one striker at one tick there is one."""
    if arrangement.clock:
        return arrangement.clock.bars * arrangement.clock.strikes_per_bar
    players = players_of(machine.strikers)
    return len(
        {(tick, players.get((channel, pitch))) for tick, channel, pitch, _ in song_of(arrangement).notes.tolist()}
    )


def faults_of_file(arrangement: Arrangement, machine: Machine | None) -> list[str]:
    """Return what is wrong with a MIDI file; with a machine also the notes that none of its strikers plays."""
    try:
        return faults_of(arrangement.file, song_of(arrangement), machine)
    except InputError as error:
        return list(error.faults)


def faults_of(path: str, song: Song, machine: Machine | None) -> list[str]:
    """Return one line where a song has no notes, and one for each note (channel and pitch) that no striker plays."""
    if not len(song.notes) and song.parts:
        return [f"{path}: expected notes on the tracks and channels that are named; found none there; {_where(song)}"]
    if not len(song.notes):
        return [f"{path}: expected notes; found none; export the arrangement with its notes"]
    if machine is None:
        return []
    players, faults = players_of(machine.strikers), []
    kinds, firsts, counts = np.unique(song.notes[:, 1:3], axis=0, return_index=True, return_counts=True)
    for (channel, pitch), first, count in zip(kinds.tolist(), firsts, counts, strict=True):
        if (channel, pitch) in players:
            continue
        at = places_at(song, song.notes[first : first + 1, 0])
        others = [striker for striker in machine.strikers if pitch in striker.notes]
        near = f" ('{others[0].name}' plays it on channel {others[0].channel} only)" if others else ""
        note = f"note {pitch} ({note_name(pitch)}) on channel {channel}{near}"
        faults.append(
            f"{path}: expected a striker for every note; found none for {note}, "
            f"first in bar {at.bar[0]} on beat {at.beat_in_bar[0]:g}, {count} in all; "
            "add it to a striker's notes or take it out"
        )
    if faults and len(song.parts) > 1:
        faults.append(f"{path}: does the machine play a part of it? write {{file: …, tracks: […]}}; {_where(song)}")
    return faults


def _where(song: Song) -> str:
    return f"the file has {listed(song.parts)}"
