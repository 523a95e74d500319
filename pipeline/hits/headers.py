"""Say what will make a recording unusable from its header or its list alone, before the stage runs (`check`).

In: the recording's row, its rig, the machine, the detection's settings. Out: faults, in the words of `find`.
"""

from functools import lru_cache
from pathlib import Path

from pipeline.errors import InputError
from pipeline.hits import hit_lists, sound_file
from pipeline.settings import Detection, Machine, Recording, Rig, is_list


def look(
    recording: Recording, rig: Rig | None, machine: Machine, detection: Detection
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return why `hits.find` will refuse a recording, as far as headers and lists show, and what else may be a slip.

    Parameters
    ----------
    recording : Recording
    rig : Rig or None
    machine : Machine
    detection : Detection

    Returns
    -------
    faults, slips : tuples of str
        One line each; no `InputError` leaves this function.
    """
    try:
        if is_list(recording.file):
            rows = hit_lists.rows_of(Path(recording.file), machine)
            hit_lists.heard(recording, rig, rows)
            return (), tuple(
                f"its {count} hits on channel {channel} are left out: rig '{rig.name}' does not name that channel"
                for channel, count in sorted(hit_lists.not_named(rig, rows).items())
            )
        sound, _ = sound_file.opened(recording, rig)
        return _idle_faults(detection.idle_file, sound.rate_hz) if detection.idle_file else (), ()
    except InputError as error:
        return error.faults, ()
    except Exception as error:  # what breaks here breaks in the workflow, too, which then refuses the recording
        return (f"{recording.file}: pindrift fails at this file ({type(error).__name__}: {error}); report it",), ()


@lru_cache
def _idle_faults(file: str, rate_hz: int) -> tuple[str, ...]:
    try:
        sound_file.idle(file, rate_hz)
    except InputError as error:
        return error.faults
    return ()
