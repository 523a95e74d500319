"""Write the sound that `export` gives along, and say what it holds."""

import errno
import os
import shutil
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa

from pipeline import exports, playback, settings, tables, words, worklist
from pipeline.errors import InputError

PLAIN, MENDED = ".wav", "-mended.wav"


@dataclass(frozen=True)
class Written:
    """What became of one recording: why it has no sound ('' where it has), and the strikes of the mended one."""

    recording: str
    reason: str = ""
    n_moved: int = 0
    n_stayed: int = 0
    farthest_s: float = 0.0


@dataclass(frozen=True, eq=False)
class GroupTables:
    """What is known of a group, and its jobs that move strikes."""

    notes: pa.Table
    tempo: pa.Table
    lateness: pa.Table
    delay_s: dict[str, float]
    jobs: list[dict]


def write(config: settings.Settings, folder: Path, asked: tuple[str, ...] = ()) -> list[str]:
    """Write the sound of recordings into a folder; return lines that say what was written.

    Parameters
    ----------
    asked : tuple of str
        Recordings; none: those of the newest group of each arrangement. Of others, the sound that an earlier export has
        written is deleted: nobody knows whether it still holds.

    Raises
    ------
    InputError
        There is no such recording.
    """
    chosen = {config.recording(one).recording for one in asked} or _newest(config)
    done = []
    for group in config.groups():
        found = _of_group(config, group) if chosen & {take.recording for take in group.recordings} else None
        used = set(found.tempo["recording"].to_pylist()) & chosen if found else set()
        for take in group.recordings:
            if take.recording in used:
                done.append(_written(config, take, found, folder))
            else:
                _delete(folder, take.recording, (PLAIN, MENDED))
    return _said(done, folder)


def _newest(config: settings.Settings) -> set[str]:
    """Return the recordings that the work list is made from."""
    lateness = {one.id: _read(config, "lateness", build_day=one.build_day, group=one.id) for one in config.groups()}
    return {take.recording for group in worklist.newest(config, lateness) for take in group.recordings}


def _of_group(config: settings.Settings, group: settings.Group) -> GroupTables:
    at = {"build_day": group.build_day, "group": group.id}
    strikers = _mine(_read(config, "strikers"), group)
    jobs = pa.concat_tables(_mine(_read(config, name), group) for name in ("worklist", "asked"))
    delays = zip(strikers["striker"].to_pylist(), strikers["delay_s"].to_pylist(), strict=True)
    return GroupTables(
        _read(config, "notes", arrangement=group.arrangement),
        _read(config, "tempo", **at),
        _read(config, "lateness", **at),
        {name: delay_s or 0.0 for name, delay_s in delays},
        exports.mended.jobs_that_move(jobs),
    )


def _read(config: settings.Settings, name: str, **keys) -> pa.Table:
    return tables.read(tables.path(config.results, name, **keys), name)


def _mine(table: pa.Table, group: settings.Group) -> pa.Table:
    keys = zip(*(table[name].to_pylist() for name in tables.GROUP_KEYS), strict=True)
    return table.filter(pa.array([key == group.key for key in keys], pa.bool_()))


def of_take(table: pa.Table, take: settings.Recording) -> pa.Table:
    """Return the rows of one recording."""
    return table.filter(pa.array([name == take.recording for name in table["recording"].to_pylist()], pa.bool_()))


def _written(config: settings.Settings, take: settings.Recording, found: GroupTables, folder: Path) -> Written:
    """Write the sound of one recording, and the mended one where something moves."""
    try:
        return _of_sound(config, take, found, folder)
    except InputError as error:
        _delete(folder, take.recording, (PLAIN, MENDED))
        return Written(take.recording, str(error))


def _of_sound(config, take, found, folder) -> Written:
    heard = tables.path(config.results, "hits", recording=take.recording)
    sound = playback.opened(take, tables.said(heard, "hits")["duration_s"])
    by = playback.microphones(config.rig(take.rig), config.machine_of(take.setup, take.arrangement))
    aligned = _read(config, "aligned", build_day=take.build_day, recording=take.recording)
    off = exports.mended.off_of(of_take(found.lateness, take), found.jobs, found.delay_s)
    strikes = exports.mended.strikes(aligned, tables.read(heard, "hits"), off, by)
    moves = exports.mended.can_move(strikes)
    pieces = None
    if moves.any():
        pieces = tuple(exports.mended.pieces(strikes, moves, one, sound.rate_hz) for one in strikes.heard.T)
    beats, played = tables.numbers(found.notes["score_beat"]), playback.stretches(of_take(found.tempo, take))
    takes = exports.sound.Takes(sound, by, playback.ticks_s(beats, played), pieces)
    endings = (PLAIN, MENDED) if pieces else (PLAIN,)
    _check_room(folder, exports.sound.size(takes))
    with ExitStack() as opened:
        files = [opened.enter_context(tables.replacing(folder / f"{take.recording}{one}")) for one in endings]
        exports.sound.write(takes, files)
    if not pieces:
        _delete(folder, take.recording, (MENDED,))
    farthest_s = float(np.abs(strikes.off_s[moves]).max(initial=0.0))
    return Written(take.recording, "", int(moves.sum()), len(off) - int(moves.sum()), farthest_s)


def _check_room(folder: Path, n_bytes: int) -> None:
    """Raise OSError where the disk is too full: said at once, not after minutes of writing."""
    folder.mkdir(parents=True, exist_ok=True)
    if shutil.disk_usage(folder).free < n_bytes:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(folder))


def _delete(folder: Path, recording: str, endings: tuple[str, ...]) -> None:
    for ending in endings:
        (folder / f"{recording}{ending}").unlink(missing_ok=True)


def _said(done: list[Written], folder: Path) -> list[str]:
    """Say what was written, what the mended sound holds and what it does not, and what has no sound."""
    heard = [one for one in done if not one.reason]
    mended = [one for one in heard if one.n_moved]
    lines = []
    if heard:
        many = words.count(len(heard), "recording")
        lines.append(f"{folder}: of {many} the arrangement's ticks (left) and the machine (right), as recorded (.wav)")
    if mended:
        lines += _mended_said(mended, sum(one.n_stayed for one in heard))
    elif heard:
        lines.append("nothing to hear mended: no sure job moves a strike whose sound can be moved by itself")
    if heard:
        lines.append(words.LISTENING_CAUTION)
    return lines + [f"no sound of {one.recording}: {one.reason}" for one in done if one.reason]


def _mended_said(mended: list[Written], n_stayed: int) -> list[str]:
    n_moved, farthest_s = sum(one.n_moved for one in mended), max(one.farthest_s for one in mended)
    stayed = f"; {n_stayed} stay, for another strike is too close to cut between them" if n_stayed else ""
    return [
        f"of {len(mended)} also as if the sure jobs of their day were done (-mended.wav): "
        f"{words.count(n_moved, 'strike')} moved, by up to {words.milliseconds(farthest_s)}{stayed}",
        "a sketch: cut from the recording and moved, while other microphones keep what they hear of it; load, missed "
        "and double strikes are left as they are",
    ]
