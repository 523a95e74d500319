"""Let the builder hear a finding: two seconds of a recording around the worst strike of its pin or striker.

In: what was found of a group, the alignment of its recordings, their sound. Out: what is said of each moment, and its
sound in a small file beside the page, the arrangement's tick on the left and the machine on the right. The files are
FLAC: every present browser plays it, it is lossless, and half as long as WAV or less.
"""

import io
import json
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pyarrow as pa
import soundfile

from pipeline import audio, playback, robust, tables, words
from pipeline.errors import InputError
from pipeline.report.results import Found
from pipeline.settings import Recording, Settings, is_list

FILES = "sounds/moment-*.flac"  # beside the page
MOST = 12  # moments of a report: more are not listened to; chosen
BEFORE_S, LENGTH_S = 1.0, 2.0
SURE = 0.9  # confidence of a match from which on the strike is surely that note's; chosen
FREAK = 3.0  # standard deviations of the scatter from which on a strike may be something else's
HALF = 0.5  # of the largest part that a finding has at its strikes: such a strike shows it
SMALL_BEAT = 6  # decimals of a score beat that are compared
AFTER_S = 0.05  # of the end of the recording that must be there after the strike: less is no sound of it
DISPLACED = ("place", "delay", "company")
SHARED = ("all strikers", "the other strikers")  # where the work list says so of what several have


@dataclass(frozen=True)
class Moment:
    """One moment of a finding.

    Attributes
    ----------
    number, rank : int
        From 1 on the page; the rank of its job.
    place : str
        The number of its job on the list and what is heard: `1. slate, bar 3 beat 2`.
    said : str
        Where, and what about it.
    take : Recording
    at_s : float
        Its middle: the time of the strike, or of the tick that has none.
    file : str
        Beside the page; '' while there is no sound.
    """

    number: int
    rank: int
    place: str
    said: str
    take: Recording
    at_s: float
    file: str = ""


def moments(settings: Settings, found: Found, number: int) -> list[Moment]:
    """Return the moments of a group's work list, pins and strikers in its order, at most `MOST` in all.

    Parameters
    ----------
    number : int
        How many moments other groups have already.
    """
    jobs = found.worklist[found.worklist["mends"].isin((*DISPLACED, "missed", "double"))].sort_values("rank")
    takes = {take.recording: take for take in found.group.recordings if not is_list(take.file)}
    takes = {name: take for name, take in takes.items() if name in set(found.used["recording"])}
    if not len(jobs) or not takes or number >= MOST:
        return []
    strikes, aligned = _strikes(settings, found, takes)
    listed = {rank: place for place, rank in enumerate(sorted(found.worklist["rank"]), 1)}
    made = []
    for job in jobs.to_dict("records"):
        if job["mends"] in DISPLACED:
            row = _displaced(job, strikes, found)
        else:
            row = _other(job, aligned, frozenset(jobs.loc[jobs["mends"] == job["mends"], "where"]))
        if row is not None and number + len(made) < MOST:
            one = _moment(settings, found, job, row, takes[row["recording"]])
            made.append(replace(one, number=number + len(made) + 1, place=f"{listed[one.rank]}. {one.place}"))
    return made


def with_sound(settings: Settings, found: Found, moment: Moment) -> tuple[Moment, bytes]:
    """Return the moment and its file; without one, and b'', where its recording is not there any more."""
    heard = tables.path(settings.results, "hits", recording=moment.take.recording)
    try:
        sound = playback.opened(moment.take, tables.said(heard, "hits")["duration_s"])
        clip, rate_hz = _clip(settings, found, moment, audio.thinned(sound))
    except InputError:
        said = f"{moment.said} Its sound is not there any more: {settings.from_folder(moment.take.file)}."
        return replace(moment, said=said), b""
    file = io.BytesIO()
    soundfile.write(file, clip, rate_hz, format="FLAC", subtype="PCM_16")
    return replace(moment, file=f"sounds/moment-{moment.number}.flac"), file.getvalue()


def _strikes(settings: Settings, found: Found, takes: dict[str, Recording]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the strikes that are surely a note's own, and all rows of the alignment; each with when it was due."""
    frames = []
    for name, take in takes.items():
        path = tables.path(settings.results, "aligned", build_day=take.build_day, recording=name)
        rows = tables.read(path, "aligned").to_pandas()
        frames.append(rows.assign(recording=name, due_s=_due_s(rows, _ticking(found, name))))
    aligned = pd.concat(frames, ignore_index=True)
    keys = ["recording", "playthrough", "note_id"]
    of_note = aligned[aligned["note_id"].notna()][[*keys, "due_s", "confidence"]].astype({"note_id": int})
    strikes = found.lateness.merge(of_note, on=keys)
    rest_s = strikes["rest_s"] - strikes["rest_s"].median()
    likely = rest_s.abs() <= FREAK * robust.SD_OF_MAD * rest_s.abs().median()
    good = (strikes["confidence"] >= SURE) & (strikes["shared"] == 1) & strikes["felt_s"].notna() & likely
    return strikes[good & strikes["due_s"].notna()], aligned


def _ticking(found: Found, recording: str) -> list[playback.Stretch]:
    """Return where the machine was in one recording."""
    rows = found.tempo[found.tempo["recording"] == recording]
    columns = ("score_beat", "time_s", "playthrough", "segment")
    return playback.stretches(pa.table({name: rows[name].to_numpy() for name in columns}))


def _due_s(rows: pd.DataFrame, ticking: list[playback.Stretch]) -> np.ndarray:
    """Return when each note was due by the smooth motion of its stretch; NaN where it lies in none."""
    due_s, beat = np.full(len(rows), np.nan), rows["score_beat"].to_numpy(float)
    for one in ticking:
        on = (rows["playthrough"] == one.playthrough) & (rows["segment"] == one.segment) & one.holds(beat)
        due_s[on] = one.due_s(beat[on])
    return due_s


def _displaced(job: dict, strikes: pd.DataFrame, found: Found) -> dict | None:
    """Return the strike of a finding that is furthest out in its direction; None when none is clear."""
    own = strikes[_is_of(job, strikes)]
    if job["mends"] == "place":
        part_s = own["pin_s"]
    elif job["mends"] == "delay":
        part_s = pd.Series(job["late_s"], own.index)
    else:
        delay_s = found.strikers.set_index("striker")["delay_s"].get(job["where"], 0.0)
        part_s = own["striker_s"] - delay_s
    late_s = own["hit_s"] - own["due_s"]
    shows = (part_s.abs() >= HALF * part_s.abs().max()) & (np.sign(part_s) == np.sign(late_s))
    if not shows.any():
        return None
    return own.loc[(own["felt_s"] * np.sign(part_s))[shows].idxmax()].to_dict() | {"at": "hit_s"}


def _other(job: dict, aligned: pd.DataFrame, apart: frozenset[str]) -> dict | None:
    """Return the missed or stray strike of a finding that has most silence around it; None when there is none."""
    missed = job["mends"] == "missed"
    at = "due_s" if missed else "hit_s"
    own = aligned[(aligned["status"] == ("missed" if missed else "extra")) & _is_of(job, aligned, apart)]
    own = own[own[at].notna()]
    if not len(own):
        return None
    played = aligned[aligned["status"] == "played"]
    alone_s = [
        (played.loc[played["recording"] == row.recording, "hit_s"] - getattr(row, at)).abs().min()
        for row in own.itertuples()
    ]
    return own.iloc[int(np.argmax(alone_s))].to_dict() | {"at": at}


def _is_of(job: dict, rows: pd.DataFrame, apart: frozenset[str] = frozenset()) -> pd.Series:
    """Tell which rows a finding is about: of its pins, its striker, or of all but `apart` where they share it."""
    if words.known(job["places"]):
        here = {(one["striker"], round(one["score_beat"], SMALL_BEAT)) for one in json.loads(job["places"])}
        pairs = zip(rows["striker"], rows["score_beat"].round(SMALL_BEAT), strict=True)
        return pd.Series([pair in here for pair in pairs], rows.index, bool)
    if job["where"] in SHARED:
        return rows["striker"].notna() & ~rows["striker"].isin(apart)
    return rows["striker"] == job["where"]


def _moment(settings: Settings, found: Found, job: dict, row: dict, take: Recording) -> Moment:
    """Return the moment of a strike, not numbered yet."""
    at_s, striker = row[row["at"]], row["striker"]
    by = playback.microphones(settings.rig(take.rig), found.machine)
    near = sorted(
        (one for one in by if one.is_hearing(striker)), key=lambda one: len(one.hears or found.machine.strikers)
    )
    # Where the file has it, its microphone's delay included.
    where = f"{take.recording} at {words.file_time(at_s + (near[0].delay_s if near else 0.0))}"
    placed = f", {words.place(row['bar'], row['beat_in_bar'])}" if words.known(row["bar"]) else ""
    if job["mends"] == "missed":
        said = f"{where}: missed, its tick comes without it."
    elif job["mends"] == "double":
        said = f"{where}: a double or stray strike."
    else:
        late_s = row["hit_s"] - row["due_s"]
        said = f"{where}: {words.milliseconds(abs(late_s))} {'after' if late_s > 0 else 'before'} its tick."
    return Moment(0, int(job["rank"]), f"{striker}{placed}", said, take, float(at_s))


def _clip(settings: Settings, found: Found, moment: Moment, sound: audio.Audio) -> tuple[np.ndarray, int]:
    """Return two seconds around the moment, fewer at the ends of what is used: ticks left, machine right."""
    rate_hz, by = sound.rate_hz, playback.microphones(settings.rig(moment.take.rig), found.machine)
    columns = [(one.column, round(one.delay_s * rate_hz)) for one in by]
    reach = max((abs(late) for _, late in columns), default=0) + audio.FILTER_SAMPLES
    begin = max(round((moment.at_s - BEFORE_S) * rate_hz), sound.start)
    end = min(begin + round(LENGTH_S * rate_hz), sound.stop)
    if end < round((moment.at_s + AFTER_S) * rate_hz) or not columns:
        raise InputError("no sound there")
    part = replace(sound, start=max(begin - reach, sound.start), stop=min(end + reach, sound.stop))
    ((first, _, samples),) = part.blocks(part.stop - part.start)
    machine = playback.mixed(samples, first, begin, end - begin, columns)
    peak = np.abs(machine).max()
    beats, played = found.notes["score_beat"].to_numpy(float), _ticking(found, moment.take.recording)
    ticks = playback.ticked(playback.ticks_s(beats, played), begin, end - begin, rate_hz)
    return np.column_stack([ticks, machine * (playback.MACHINE_PEAK / peak if peak > 0 else 1.0)]), rate_hz
