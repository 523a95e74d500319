"""Hash exactly the part of the configuration that a job depends on, and the code that does it.

The workflow carries the hash as a parameter: a changed parameter runs again what depends on it, and nothing else.
"""

import hashlib
import os
from functools import cache, lru_cache
from pathlib import Path

from pipeline import tables
from pipeline.settings.model import Group, Machine, Recording, Settings

STAGES = ("notes", "hits", "aligned", "timing", "tables", "trend", "worklist", "report", "exports")


def fingerprint(
    settings: Settings,
    *,
    recording: str | None = None,
    group: str | None = None,
    arrangement: str | None = None,
    stage: str,
) -> str:
    """Return a short hash of what a job depends on.

    Parameters
    ----------
    settings : Settings
    recording : str, optional
        Of a job of `hits`, `aligned` or `exports`.
    group : str, optional
        Id of the group of a job of `timing`.
    arrangement : str, optional
        Of a job of `notes`.
    stage : str
        One of `STAGES`.

    Returns
    -------
    str
        16 hexadecimal digits.
    """
    if stage == "notes":
        parts = _notes(settings, arrangement)
    elif stage == "hits":
        parts = _hits(settings, settings.recording(recording))
    elif stage == "aligned":
        parts = _aligned(settings, settings.recording(recording))
    elif stage == "timing":
        parts = _timing(settings, settings.group(group))
    elif stage == "tables":
        parts = _tables(settings)
    elif stage == "trend":
        parts = (_tables(settings), settings.baseline, settings.machine, settings.setups, _crews(settings))
    elif stage == "worklist":
        parts = (_tables(settings), settings.machine, settings.setups)
    elif stage == "exports":
        parts = (_aligned(settings, settings.recording(recording)), settings.machine, settings.setups)
    elif stage == "report":
        parts = _report(settings)
    else:
        raise ValueError(f"stage {stage!r} is none of {STAGES}")
    # What an older version of the contracts or of the stage has written is made anew: old and new figures side by side
    # would look like a change of the machine.
    return hashlib.sha256(repr((tables.VERSION, stage, code_of(stage), parts)).encode()).hexdigest()[:16]


@cache
def code_of(stage: str, root: Path = Path(__file__).parents[1]) -> str:
    """Hash the files of a stage, and what is shared by few stages with each of them."""
    shared = {"notes": ["midi"], "hits": ["audio", "midi"], "timing": ["flywheel"], "trend": ["flywheel"]}
    files = [root / f"{name}.py" for name in (stage, *shared.get(stage, []))] + [*root.joinpath(stage).rglob("*.*")]
    found = hashlib.sha256()
    for file in sorted(file for file in files if file.is_file() and "__pycache__" not in file.parts):
        found.update(file.read_bytes())
    return found.hexdigest()


def _notes(settings: Settings, name: str):
    arrangement = settings.arrangement_of(name)
    barrel = settings.machine.barrel
    there = arrangement.file is not None and os.path.exists(arrangement.file)
    if arrangement.clock:
        return arrangement, barrel.bars_per_turn, barrel.pins
    fired_by = sorted((striker.name, striker.notes, striker.channel or 0) for striker in settings.machine.strikers)
    return arrangement, there, barrel.bars_per_turn, barrel.pins, fired_by


def _hits(settings: Settings, recording: Recording):
    """What finds the hits: the take, its microphones, the strikers' notes (for lists of hits) and their delays."""
    return (
        (recording.file, recording.start_s, recording.stop_s, contents(recording.file)),
        settings.rig(recording.rig),
        settings.detection,
        _strikers(settings.machine_of(recording.setup, recording.arrangement)),
    )


def _aligned(settings: Settings, recording: Recording):
    """What aligns them: the hits, the notes, the group; of the machine its strikers (in `_hits`) and its barrel."""
    return (
        _hits(settings, recording),
        _notes(settings, recording.arrangement),
        _key(recording),
        settings.machine_of(recording.setup).barrel,
    )


def _timing(settings: Settings, group: Group):
    takes = sorted(recording.recording for recording in group.recordings)
    return (
        [_aligned(settings, settings.recording(take)) for take in takes],
        settings.machine_of(group.setup),
    )


def _tables(settings: Settings):
    """What stands in the tables of all groups; what is no longer among it is deleted."""
    names = sorted(arrangement.name for arrangement in settings.arrangements)
    return names, sorted(_key(recording) for recording in settings.recordings)


def _crews(settings: Settings):
    return sorted((recording.recording, recording.crew) for recording in settings.recordings)


def _report(settings: Settings):
    """Everything but the folder of results and the order of the list."""
    return (
        settings.path,
        settings.baseline,
        settings.arrangements,
        settings.machine,
        settings.setups,
        settings.rigs,
        settings.detection,
        sorted(map(repr, settings.recordings)),
        [contents(recording.file) for recording in sorted(settings.recordings, key=lambda take: take.recording)],
    )


def _key(recording: Recording):
    group = (recording.arrangement, str(recording.build_day), recording.session, recording.setup)
    return recording.recording, *group


@lru_cache
def _strikers(machine: Machine):
    return sorted(repr(striker) for striker in machine.strikers)


def contents(path: str) -> tuple[str, ...]:
    """Say what lies at `path`: nothing, a file, or the names of a folder's files.

    A missing recording cannot be a declared input of the workflow, so its coming and going must show here.
    """
    if os.path.isdir(path):
        return ("folder", *sorted(os.listdir(path)))
    return ("file",) if os.path.exists(path) else ()
