"""Hash exactly what a job depends on: its part of the configuration, the files it reads, the code that does it.

The workflow carries the hash as a parameter, and the file that the job writes carries it too. The hash of a job holds
those of the jobs before it: what changes anywhere changes everything that stands on it, and nothing else. So a
file tells by itself whether it still stands, whatever the dates of files and clocks say.
"""

import hashlib
import os
import stat
from dataclasses import replace
from functools import cache, cached_property, lru_cache
from importlib import metadata
from pathlib import Path

from pipeline import tables
from pipeline.settings.arrangements import Arrangement
from pipeline.settings.machine import Machine
from pipeline.settings.recordings import Recording
from pipeline.settings.settings import Group, Settings

STAGES = ("notes", "hits", "aligned", "timing", "tables", "trend", "worklist", "report", "exports")
# Up to this size a file's content is hashed (half a second for 500 of them); of a larger one its size and date count.
SMALL_BYTES = 1_000_000
# Modules outside a stage's own whose code it runs, beside the contracts and the configuration.
SHARED = {
    "notes": ("midi", "settings/strikers"),
    "hits": ("audio", "midi", "robust", "settings/strikers", "words"),
    "aligned": ("audio", "robust"),
    "timing": ("bars", "felt", "flywheel", "hearing", "robust", "words"),
    "trend": ("flywheel",),
    "worklist": ("bars", "felt", "hearing", "robust", "words"),
    "report": ("audio", "bars", "hearing", "playback", "robust", "words"),
    "exports": ("audio", "playback", "words"),
}
# Libraries whose versions may change figures.
LIBRARIES = ("numpy", "scipy", "pandas", "numba", "soundfile", "mido")


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
    return Fingerprints(settings).of(stage, recording or group or arrangement or "")


class Fingerprints:
    """The hashes of all jobs, each taken when it is first asked for, and only once."""

    def __init__(self, settings: Settings):
        self._settings, self._found = settings, {}

    def of(self, stage: str, name: str = "") -> str:
        """Return the hash of a job by its stage and its recording, group or arrangement ('' for a summary)."""
        if (stage, name) not in self._found:
            # What an older version of the contracts, the stage or a library has written is made anew: old and new
            # figures side by side would look like a change of the machine.
            parts = (tables.VERSION, stage, code_of(stage), _libraries(), self._parts(stage, name))
            self._found[stage, name] = hashlib.sha256(repr(parts).encode()).hexdigest()[:16]
        return self._found[stage, name]

    def _parts(self, stage: str, name: str):
        settings = self._settings
        if stage == "notes":
            return _notes(settings, name)
        if stage == "hits":
            return _hits(settings, settings.recording(name))
        if stage == "aligned":
            return self._aligned(settings.recording(name))
        if stage == "timing":
            return self._timing(settings.group(name))
        if stage == "tables":
            return self._tables
        if stage == "trend":
            # In the order of the list: it tells which takes were neighbours.
            takes = [(take.recording, take.crew, take.rig) for take in settings.recordings]
            made_of = self.of("tables"), self.of("worklist")
            return made_of, settings.baseline, settings.machine, settings.setups, takes
        if stage == "worklist":
            return self.of("tables"), settings.machine, settings.setups
        if stage == "exports":
            return self.of("aligned", name), settings.machine, settings.setups
        if stage == "report":
            return self._report
        raise ValueError(f"stage {stage!r} is none of {STAGES}")

    def _aligned(self, recording: Recording):
        """Return what aligns a recording: its hits, the notes, the group, the barrel, its corrections by hand."""
        barrel = self._settings.machine_of(recording.setup).barrel
        made_of = self.of("hits", recording.recording), self.of("notes", recording.arrangement)
        return made_of, _key(recording), barrel, recording.edits

    def _timing(self, group: Group):
        takes = sorted(recording.recording for recording in group.recordings)
        return [self.of("aligned", take) for take in takes], self._settings.machine_of(group.setup)

    @cached_property
    def _tables(self):
        """What the tables of all groups are made of: also what is listed, for the rest is deleted."""
        settings = self._settings
        notes = sorted((one.name, self.of("notes", one.name)) for one in settings.arrangements)
        keys = sorted(_key(recording) for recording in settings.recordings)
        return notes, keys, sorted(self.of("timing", group.id) for group in settings.groups())

    @cached_property
    def _report(self):
        """Everything but the folder of results; of the exports what there is to link to."""
        settings = self._settings
        return (
            [self.of(stage) for stage in ("tables", "trend", "worklist")],
            settings.from_folder(settings.path),
            settings.baseline,
            [_placed(settings, one) for one in settings.arrangements],
            settings.machine,
            settings.setups,
            settings.rigs,
            _detection(settings),
            sorted(repr(_placed(settings, one)) for one in settings.recordings),
            _exported(settings),
        )


@cache
def code_of(stage: str, root: Path = Path(__file__).parents[1]) -> str:
    """Hash the files of a stage, and what is shared by few stages with each of them."""
    files = [root / f"{name}.py" for name in (stage, *SHARED.get(stage, ()))] + [*root.joinpath(stage).rglob("*.*")]
    found = hashlib.sha256()
    for file in sorted(file for file in files if file.is_file() and "__pycache__" not in file.parts):
        found.update(file.read_bytes())
    return found.hexdigest()


@cache
def _libraries() -> tuple[str, ...]:
    found = []
    for name in LIBRARIES:
        try:
            found.append(metadata.version(name))
        except metadata.PackageNotFoundError:  # not all are needed everywhere
            found.append("")
    return tuple(found)


def _notes(settings: Settings, name: str):
    arrangement = settings.arrangement_of(name)
    barrel = settings.machine.barrel
    if arrangement.clock:
        return arrangement, barrel.bars_per_turn, barrel.pins
    fired_by = sorted((striker.name, striker.notes, striker.channel or 0) for striker in settings.machine.strikers)
    return _placed(settings, arrangement), contents(arrangement.file), barrel.bars_per_turn, barrel.pins, fired_by


def _hits(settings: Settings, recording: Recording):
    """Return what finds the hits: the take, its microphones, the strikers' notes (for lists of hits) and delays."""
    return (
        (settings.from_folder(recording.file), recording.start_s, recording.stop_s, contents(recording.file)),
        settings.rig(recording.rig),
        (_detection(settings), contents(settings.detection.idle_file)),
        _strikers(settings.machine_of(recording.setup, recording.arrangement)),
    )


def _placed(settings: Settings, one: Arrangement | Recording):
    """Return an arrangement or a recording with its path as it is from the configuration's folder.

    It is the same job wherever one works.
    """
    return replace(one, file=settings.from_folder(one.file)) if one.file else one


def _detection(settings: Settings):
    idle_file = settings.detection.idle_file
    return replace(settings.detection, idle_file=settings.from_folder(idle_file)) if idle_file else settings.detection


def _exported(settings: Settings) -> list[str]:
    folder = Path(settings.results, "exports")
    names = [path.name for path in folder.iterdir() if path.is_file()] if folder.is_dir() else []
    return sorted(name for name in names if not name.startswith("."))


def _key(recording: Recording):
    arrangement, build_day, session, setup = recording.group_key
    return recording.recording, arrangement, str(build_day), session, setup


@lru_cache
def _strikers(machine: Machine):
    return sorted(repr(striker) for striker in machine.strikers)


def contents(path: str | None) -> tuple:
    """Return what identifies the file, or the files of the folder, at `path`; () where there is nothing.

    A missing recording cannot be a declared input of the workflow, so whether it is there must show here. A small file
    is identified by its content, a large one by its size and date: to read hundreds of recordings at each start would
    take minutes, and a program that changes one in place sets its date.
    """
    if path and os.path.isdir(path):
        # Hidden files are what the file manager keeps for itself.
        names = sorted(name for name in os.listdir(path) if not name.startswith("."))
        return ("folder", *((name, *_file(os.path.join(path, name))) for name in names))
    return _file(path) if path else ()


def _file(path: str) -> tuple:
    try:
        found = os.stat(path)
        if stat.S_ISREG(found.st_mode) and found.st_size <= SMALL_BYTES:
            return (hashlib.sha256(Path(path).read_bytes()).hexdigest(),)
    except PermissionError:
        return ("not readable",)  # the stage that reads it says so
    except OSError:
        return ()
    return found.st_size, found.st_mtime_ns
