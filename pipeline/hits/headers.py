"""Tell from headers of sound files, or rows of lists, which recordings `hits.find` will refuse; no sound is read.

In: a recording, its rig, machine and detection settings. Out: reasons and warnings, for the check before a run.
"""

from functools import lru_cache
from pathlib import Path

from pipeline.errors import InputError
from pipeline.hits import hit_lists, sound_file
from pipeline.settings import Detection, Machine, Recording, Rig, is_list


def look(
    recording: Recording, rig: Rig | None, machine: Machine, detection: Detection
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return why `hits.find` will refuse a recording, as far as headers and lists tell, and what may be a slip.

    Parameters
    ----------
    recording : Recording
    rig : Rig or None
    machine : Machine
    detection : Detection
        Its idle recording is checked, too.

    Returns
    -------
    reasons : tuple of str
        Empty if nothing is wrong. No error is raised: one of ours is a reason, too.
    slips : tuple of str
        The recording is used all the same.
    """
    try:
        if is_list(recording.file):
            rows = hit_lists.rows_of(Path(recording.file), machine)
            hit_lists.as_heard(recording, rig, rows)
            return (), tuple(
                f"its {count} hits on channel {channel} are left out: rig '{rig.name}' does not name that channel"
                for channel, count in sorted(hit_lists.count_on_unnamed_channels(rig, rows).items())
            )
        sound, _ = sound_file.opened(recording, rig)
        return _idle_faults(detection.idle_file, sound.rate_hz) if detection.idle_file else (), ()
    except InputError as error:
        return error.faults, ()
    except Exception as error:  # a bug that breaks this breaks the stage, too, and the recording is refused
        return (f"{recording.file}: pindrift fails at this file ({type(error).__name__}: {error}); report it",), ()


@lru_cache
def _idle_faults(file: str, rate_hz: int) -> tuple[str, ...]:
    """Return why the idle recording cannot be used; it is read once for all recordings."""
    try:
        sound_file.idle(file, rate_hz)
    except InputError as error:
        return error.faults
    return ()
