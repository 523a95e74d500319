"""Load the configuration with everything it points at; raise every fault at once; warn of what may be a slip."""

import os
from contextlib import suppress
from dataclasses import dataclass, replace

from pipeline.errors import InputError
from pipeline.settings.configuration import read_configuration
from pipeline.settings.edits import note_unknown_notes, read_edits
from pipeline.settings.faults import Faults, near_file, path_fault, read_text
from pipeline.settings.recordings import read_recordings
from pipeline.settings.settings import Settings
from pipeline.settings.yaml_values import compose


def load(path: str, *, read_songs: bool = True) -> Settings:
    """Read and check the configuration at `path`.

    Parameters
    ----------
    path : str
        The YAML file; paths in it, and in the list of recordings, start at its folder.
    read_songs : bool
        Also look for notes in the MIDI files that no striker plays. A single job of the workflow may leave that out:
        the workflow's start has done it.

    Raises
    ------
    InputError
        Every fault found, one line each: *file (line): expected; found; what to do*.
    """
    settings, faults, *_ = _loaded(str(path), read_songs)
    faults.raise_all()
    return settings


@dataclass(frozen=True)
class Checked:
    """What a look at the configuration finds.

    `faults` stop everything, `warnings` may be slips. `lines` are those of the recordings whose line has no fault, by
    name; the `missing` among them will be refused and stop nothing.
    """

    settings: Settings
    faults: tuple[str, ...]
    lines: dict[str, int]
    missing: dict[str, str]
    warnings: tuple[str, ...]

    def at(self, recording: str) -> str:
        """Return the place of a recording in the list, as every fault begins."""
        return f"{self.settings.recordings_file} (line {self.lines[recording]}): '{recording}'"


def check(path: str) -> Checked:
    """Return all faults of the configuration and of the list, and what is allowed and yet may be a slip.

    Raises
    ------
    InputError
        There is no configuration that could be looked at.
    """
    settings, faults, lines, warnings = _loaded(str(path), True)
    lines = _faultless(lines, faults, settings)
    missing = {
        take.recording: f"no file at '{take.file}'" + near_file(take.file)
        for take in settings.recordings
        if take.recording in lines and not os.path.exists(take.file)
    }
    if len(faults):
        return Checked(settings, faults.told(), lines, missing, ())
    listed = settings.recordings_file
    warnings += (
        _wheel_without_shaft(settings)
        + _unheard(settings)
        + _same_take_twice(settings, lines)
        + _results_among_recordings(settings)
    )
    days = {recording.build_day for recording in settings.recordings}
    if settings.baseline and settings.baseline not in days:
        warnings.append(f"{path}: no recording of the baseline {settings.baseline}: nothing is compared with it")
    single = [group for group in settings.groups() if len(group.recordings) == 1]
    if single:
        shown = ", ".join(str(group.build_day) for group in single[:3]) + (", …" if len(single) > 3 else "")
        warnings.append(
            f"{listed}: a single take in {len(single)} of {len(settings.groups())} groups to compare ({shown}); "
            "record two or three each time: by one take alone a change can hardly be told from chance"
        )
    return Checked(settings, (), lines, missing, tuple(warnings))


def _faultless(lines: dict[str, int], faults: Faults, settings: Settings) -> dict[str, int]:
    """Return the lines of the list that have no fault; none when the configuration itself has one.

    A fault in the rigs or strikers would show again at every recording.
    """
    if any(file not in (settings.recordings_file, settings.edits_file) for file, _ in faults.places()):
        return {}
    wrong = {line for file, line in faults.places() if file == settings.recordings_file}
    return {recording: line for recording, line in lines.items() if line not in wrong and None not in wrong}


def _wheel_without_shaft(settings: Settings) -> list[str]:
    """Say that a wheel turns with the barrel where no shaft is named flywheel: its energy may be told far too small."""
    machines = [settings.machine_of(setup) for setup in sorted({take.setup for take in settings.recordings} | {""})]
    if all(not _weighs(one.flywheel) or any(shaft.name == "flywheel" for shaft in one.shafts) for one in machines):
        return []
    return [
        f"{settings.path}: no shaft is named 'flywheel', so the wheel is taken to turn with the barrel; if it turns "
        "faster, name its shaft (shafts: {flywheel: {turns: …}}): energy and inertia grow with the square of its turns"
    ]


def _weighs(wheel) -> bool:
    return wheel is not None and bool(wheel.inertia_kg_m2 or wheel.wheels)


def _unheard(settings: Settings) -> list[str]:
    """Say which strikers no microphone of a rig hears, for rigs that record a song."""
    songs = {arrangement.name for arrangement in settings.arrangements if arrangement.file}
    used = {recording.rig for recording in settings.recordings if recording.arrangement in songs}
    warnings = []
    for rig in settings.rigs:
        heard = {name for channel in rig.channels for name in channel.hears}
        missing = [one.name for one in settings.machine.strikers if one.notes and one.name not in heard]
        if rig.name in used and missing and "everything" not in heard:
            shown = ", ".join(f"'{name}'" for name in missing[:5]) + (", …" if len(missing) > 5 else "")
            warnings.append(f"{settings.path}: no microphone of rig '{rig.name}' hears {shown}: unheard, not missed")
    return warnings


def _same_take_twice(settings: Settings, lines: dict[str, int]) -> list[str]:
    """Say which recordings are the same part of the same file as one before them."""
    first, warnings = {}, []
    for recording in settings.recordings:
        part = (recording.file, recording.start_s, recording.stop_s)
        if part in first:
            place = f"{settings.recordings_file} (line {lines[recording.recording]})"
            warnings.append(f"{place}: '{recording.recording}' is the same take as '{first[part]}' and counts twice")
        first.setdefault(part, recording.recording)
    return warnings


def _results_among_recordings(settings: Settings) -> list[str]:
    """Say that the folder of results lies in a folder of recordings, and which."""
    results = os.path.abspath(settings.results)
    for recording in settings.recordings:
        # A folder of tracks is a recording; a folder that holds recordings may be the configuration's own.
        folder = recording.file if os.path.isdir(recording.file) else os.path.dirname(recording.file)
        around, own = os.path.abspath(folder), os.path.dirname(os.path.abspath(settings.path))
        if os.path.commonpath([results, around]) == around != os.path.commonpath([own, around]):
            return [
                f"{settings.path}: the folder of results, '{settings.results}', lies in the folder of recordings "
                f"'{folder}': who copies or clears one has the other; name another folder"
            ]
    return []


def _loaded(path: str, read_songs: bool) -> tuple[Settings, Faults, dict[str, int], list[str]]:
    faults = Faults()
    if wrong := path_fault(path):
        raise InputError(f"{path}: {wrong}")
    text = read_text(path, faults, "the configuration (YAML)")
    root = compose(text, path, faults) if text is not None else None
    if root is not None and not root.is_mapping:
        root.fault("keys (arrangements, recordings, machine, …)", do="see config/template.yaml")
    if root is None or not root.is_mapping:
        faults.raise_all()
    configuration = read_configuration(root)
    clean = not len(faults)
    recordings, lines = read_recordings(configuration, faults) if configuration.recordings else ((), {})
    arrangement_of = {one.recording: one.arrangement for one in recordings}
    edits = read_edits(configuration.edits, arrangement_of, faults) if configuration.edits and recordings else {}
    recordings = tuple(replace(one, edits=edits.get(one.recording, ())) for one in recordings)
    settings = Settings(
        path=path,
        results=configuration.results,
        baseline=configuration.baseline,
        arrangements=configuration.arrangements,
        machine=configuration.machine,
        setups=configuration.setups,
        rigs=configuration.rigs,
        detection=configuration.detection,
        recordings=recordings,
        recordings_file=configuration.recordings or "",
        edits_file=configuration.edits or "",
    )
    if read_songs and configuration.machine.strikers:
        _add_unplayed_notes(settings, faults, clean)
    if read_songs and clean:
        _add_unknown_notes(settings, faults)
    return settings, faults, lines, list(configuration.warnings)


def _add_unplayed_notes(settings: Settings, faults: Faults, clean: bool) -> None:
    """Note a fault for each note of a song that no striker plays, if nothing else is wrong (`clean`)."""
    # Only here: a job that does not need the notes does not pay for reading them.
    from pipeline.settings.unplayed_notes import faults_of_file

    for arrangement in settings.arrangements:
        if arrangement.file and os.path.isfile(arrangement.file):
            # After a fault in the machine, "no striker for note 60" may be its mere consequence.
            faults.add_all(faults_of_file(arrangement, settings.machine if clean else None))


def _add_unknown_notes(settings: Settings, faults: Faults) -> None:
    """Note a fault for each note of a correction by hand that its arrangement does not have."""
    named = {one.arrangement for one in settings.recordings if any(edit.note_id is not None for edit in one.edits)}
    for arrangement in settings.arrangements:
        if arrangement.name not in named:
            continue
        from pipeline.settings.unplayed_notes import n_notes_of

        with suppress(InputError):  # a song that cannot be read has its fault already
            n_notes = n_notes_of(arrangement, settings.machine)
            for one in settings.recordings:
                if one.arrangement == arrangement.name:
                    note_unknown_notes(settings.edits_file, one.edits, arrangement.name, n_notes, faults)
