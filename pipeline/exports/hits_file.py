"""Write the strikes of a recording as MIDI, a track a striker, with markers where one was missed."""

import mido
import numpy as np
import pyarrow as pa

from pipeline import tables, words
from pipeline.exports.tempo_file import DRUMS, deltas, latin, track_of

DIVISION, TEMPO_US = 4800, 500_000  # a tick is 0.1 ms
_TICKS_PER_S = DIVISION * 1e6 / TEMPO_US
HOLD_S = 0.03  # how long a note is held
STRAY = "double or stray"
QUIETEST_DB, LOUDEST_DB = -60.0, 0.0  # levels that become velocities 1 and 127
USUAL_VELOCITY = 90  # where no level is known
MOST_CHANNELS = 16  # of MIDI


def hits_file(notes: pa.Table, aligned: pa.Table, level_db: dict[int, float], duration_s: float) -> mido.MidiFile:
    """Return the strikes of one recording.

    Parameters
    ----------
    notes : table of contract notes
        Gives each striker its pitch: that of its first note.
    aligned : table of contract aligned
        Of one recording.
    level_db : dict
        Level by `hit_id`; one that is missing counts as usual.
    duration_s : float
        Of the recording; the file is as long.
    """
    pitch_of = {}
    for striker, pitch in zip(notes["striker"].to_pylist(), notes["pitch"].to_pylist(), strict=True):
        pitch_of.setdefault(striker, pitch)
    names = list(pitch_of)
    channels = [number for number in range(MOST_CHANNELS) if number != DRUMS - 1]
    tracks, struck = [_marks(aligned, duration_s)], {}
    for row in aligned.select(["status", "striker", "hit_s", "hit_id"]).to_pylist():
        if row["hit_s"] is not None:
            name = row["striker"] if row["status"] == "played" else STRAY
            velocity = _velocity(level_db.get(row["hit_id"], np.nan))
            struck.setdefault(name, []).append((_tick(row["hit_s"]), pitch_of.get(row["striker"], 0), velocity))
    for name in [*[one for one in names if one in struck], *([STRAY] if STRAY in struck else [])]:
        rank = names.index(name) if name in names else len(names)
        tracks.append(track_of(name, struck[name], channels[rank % len(channels)], round(HOLD_S * _TICKS_PER_S)))
    return mido.MidiFile(type=1, ticks_per_beat=DIVISION, tracks=tracks)


def _marks(aligned: pa.Table, duration_s: float) -> mido.MidiTrack:
    """Return the track of the tempo with a marker for each missed note, where it should have come."""
    events = [(0, mido.MetaMessage("set_tempo", tempo=TEMPO_US))]
    events += [(_tick(at_s), mido.MetaMessage("marker", text=latin(said))) for at_s, said in sorted(_missed(aligned))]
    last = mido.MetaMessage("end_of_track", time=max(_tick(duration_s) - events[-1][0], 0))
    return mido.MidiTrack([*deltas(events), last])


def _missed(aligned: pa.Table) -> list[tuple[float, str]]:
    """Return when each missed note should have come, between the played ones around it, and what it is."""
    status = np.array(aligned["status"].to_pylist(), object)
    hit_s, beat = (tables.numbers(aligned[name]) for name in ("hit_s", "score_beat"))
    stretch = tables.numbers(aligned["playthrough"]) * (len(aligned) + 1) + tables.numbers(aligned["segment"])
    rows, found = aligned.select(["striker", "bar", "beat_in_bar"]).to_pylist(), []
    for one in np.flatnonzero(status == "missed"):
        played = np.flatnonzero((stretch == stretch[one]) & (status == "played"))
        if len(played) > 1:
            played = played[np.argsort(beat[played], kind="stable")]
            at_s = float(np.interp(beat[one], beat[played], hit_s[played]))
            place = words.with_plain_spaces(words.place(rows[one]["bar"], rows[one]["beat_in_bar"]))
            found.append((at_s, f"missed: {rows[one]['striker']}, {place}"))
    return found


def _tick(at_s: float) -> int:
    return round(at_s * _TICKS_PER_S)


def _velocity(level_db: float) -> int:
    if not np.isfinite(level_db):
        return USUAL_VELOCITY
    share = (level_db - QUIETEST_DB) / (LOUDEST_DB - QUIETEST_DB)
    return int(np.clip(round(1 + 126 * share), 1, 127))
