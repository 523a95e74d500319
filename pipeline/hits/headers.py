"""Tell from headers of sound files, or rows of lists, which recordings `hits.find` will refuse; no sound is read.

In: a recording, its rig, machine and detection settings. Out: reasons and warnings, for the check before a run.
"""

from functools import lru_cache
from pathlib import Path

import numpy as np

from pipeline.errors import InputError
from pipeline.hits import hit_lists, sound_file
from pipeline.settings import Detection, Machine, Recording, Rig, is_list

LEAST_CLICKS = 12  # chosen, as for sound
OTHER_TEMPO = 0.01  # chosen: lists keep milliseconds, 0.2 % of a beat; a metronome is set in whole beats a minute


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
            listed = hit_lists.as_heard(recording, rig, rows)
            return (), _click_doubt(listed, rig) + tuple(
                f"its {count} hits on channel {channel} are left out: rig '{rig.name}' does not name that channel"
                for channel, count in sorted(hit_lists.count_on_unnamed_channels(rig, rows).items())
            )
        sound, _ = sound_file.opened(recording, rig)
        return _idle_faults(detection.idle_file, sound.rate_hz) if detection.idle_file else (), ()
    except InputError as error:
        return error.faults, ()
    except Exception as error:  # a bug that breaks this breaks the stage, too, and the recording is refused
        return (f"{recording.file}: pindrift fails at this file ({type(error).__name__}: {error}); report it",), ()


def _click_doubt(listed: hit_lists.HitList, rig: Rig | None) -> tuple[str, ...]:
    """Say that the click of a list has another tempo than the rig names."""
    named = next((one for one in rig.channels if one.hears == ("click",) and one.bpm), None) if rig else None
    click_s = listed.hit_s[np.array(listed.kind) == "click"]
    if named is None or len(click_s) < LEAST_CLICKS:
        return ()
    found_bpm = 60 / (float(np.median(np.diff(click_s))) * named.per_beat)
    if abs(found_bpm / named.bpm - 1) <= OTHER_TEMPO:
        return ()
    return (f"its click comes at {found_bpm:.1f} a minute, rig '{rig.name}' says {named.bpm:g}; mend bpm or per_beat",)


@lru_cache
def _idle_faults(file: str, rate_hz: int) -> tuple[str, ...]:
    """Return why the idle recording cannot be used; it is read once for all recordings."""
    try:
        sound_file.idle(file, rate_hz)
    except InputError as error:
        return error.faults
    return ()
