"""Write the arrangement with the machine's own tempo map: in a sequencer it lies on the recording.

In: the notes, and where the machine was at every half beat (tables/tempo). Out: a standard MIDI file of type 1.
"""

import mido
import numpy as np
import pyarrow as pa

from pipeline import playback, tables
from pipeline.errors import InputError

DIVISION = 960  # ticks per quarter note; half of one is 0.3 ms at 96 a minute
NOTE_BEATS = 0.1  # how long a note is held; strikes have no length
MOST_US = 2**24 - 1  # per quarter note, of the file format
LEAD_IN_BEATS = 16  # most beats before the first note; chosen: a bar of more has no signature
DRUMS = 10  # the MIDI channel that sequencers keep for drums; no striker gets it unasked


def tempo_file(notes: pa.Table, tempo: pa.Table) -> mido.MidiFile:
    """Return the arrangement as the machine went through it, without what strikers and pins add.

    Parameters
    ----------
    notes : table of contract notes
    tempo : table of contract tempo
        Of one recording; its stretches (playthroughs and segments) follow each other in the file.

    Raises
    ------
    InputError
        The machine was nowhere.
    """
    stretches = playback.stretches(tempo)
    if not stretches:
        raise InputError("expected half beats of the tempo; found none")
    score_beat = tables.numbers(notes["score_beat"])
    pitch, velocity = (tables.numbers(notes[name]).astype(int) for name in ("pitch", "velocity"))
    map_of, played = mido.MidiTrack([mido.MetaMessage("track_name", name="tempo")]), []
    events, tick, now_s = [], 0, 0.0
    for stretch in stretches:
        beat, time_s = stretch.beat, stretch.time_s
        tick, now_s = _lead_in(events, tick, now_s, time_s[0], beat, time_s)
        first = tick
        begun = round(beat[0] * DIVISION)
        now_s = _follow(events, first - begun, np.round(beat * DIVISION).astype(int), time_s, now_s)
        inside = stretch.holds(score_beat)
        at = np.round(score_beat[inside] * DIVISION).astype(int) - begun + first
        played += list(zip(at.tolist(), pitch[inside].tolist(), velocity[inside].tolist(), strict=True))
        tick = first + round(beat[-1] * DIVISION) - begun
    map_of.extend(deltas(events))
    return mido.MidiFile(type=1, ticks_per_beat=DIVISION, tracks=[map_of, track_of("machine", played, 0)])


def track_of(name: str, played: list[tuple[int, int, int]], channel: int, hold: int = round(NOTE_BEATS * DIVISION)):
    """Return a track of notes (tick, pitch, velocity); a note ends where its next begins."""
    events, free = [], {}
    for tick, pitch, velocity in sorted(played):
        if free.get(pitch, 0) > tick:  # still held: end it here
            events = [event for event in events if not (event[0] == free[pitch] and event[2].note == pitch)]
            events.append((tick, 0, mido.Message("note_off", channel=channel, note=pitch)))
        events.append((tick, 1, mido.Message("note_on", channel=channel, note=pitch, velocity=max(velocity, 1))))
        events.append((tick + hold, 0, mido.Message("note_off", channel=channel, note=pitch)))
        free[pitch] = tick + hold
    events.sort(key=lambda event: event[:2])
    track = mido.MidiTrack([mido.MetaMessage("track_name", name=latin(name))])
    track.extend(deltas([(tick, message) for tick, _, message in events]))
    return track


def _lead_in(events: list, tick: int, now_s: float, until_s: float, beat, time_s) -> tuple[int, float]:
    """Fill the time before a stretch with beats about as long as its own; return its first tick and when that is."""
    wait_s = until_s - now_s
    if wait_s <= 0:
        return tick, now_s
    beat_s = (time_s[-1] - time_s[0]) / (beat[-1] - beat[0])
    n_beats = int(np.clip(round(wait_s / beat_s), 1, LEAD_IN_BEATS))
    us = min(round(wait_s * 1e6 / n_beats), MOST_US)
    events.append((tick, mido.MetaMessage("set_tempo", tempo=us)))
    return tick + n_beats * DIVISION, now_s + us * n_beats / 1e6


def _follow(events: list, shift: int, tick, time_s, now_s: float) -> float:
    """Append a tempo for each step; what one rounds off the next takes up. Return when the last step ends."""
    for here, there, until_s in zip(tick[:-1], tick[1:], time_s[1:], strict=True):
        us = int(np.clip(round((until_s - now_s) * 1e6 * DIVISION / (there - here)), 1, MOST_US))
        events.append((int(here) + shift, mido.MetaMessage("set_tempo", tempo=us)))
        now_s += us * (there - here) / DIVISION / 1e6
    return now_s


def deltas(events: list[tuple[int, mido.Message]]) -> list[mido.Message]:
    """Return messages with the ticks since the one before."""
    before, found = 0, []
    for tick, message in events:
        found.append(message.copy(time=tick - before))
        before = tick
    return found


def latin(text: str) -> str:
    """Return a text as the MIDI library can write it."""
    return text.encode("latin-1", "replace").decode("latin-1")
