"""Turn a recording into hits: what struck, when, how loud, on which channel.

In: a recording (sound, or a list of hits), its microphones, the machine, the detection's settings. Out: a table of the
contract `hits` and what is to be said of the recording. `hit_lists` reads a list; `from_audio` walks a sound recording
through `search/`, `classify/` and `health/`; `candidates` has the records that are handed on, `channels` tells what a
rig's channels are, `signal/` holds the computations on samples; `headers` looks before the stage runs.
"""

from collections.abc import Mapping

import pyarrow as pa

from pipeline import tables
from pipeline.errors import InputError
from pipeline.hits import hit_lists
from pipeline.settings import Detection, Machine, Recording, Rig, is_list

__all__ = ["find"]


def find(
    recording: Recording,
    rig: Rig | None,
    machine: Machine,
    detection: Detection,
    delays_s: Mapping[str, float] | None = None,
) -> tuple[pa.Table, dict]:
    """Find the hits of a recording.

    Parameters
    ----------
    recording : Recording
    rig : Rig or None
        None: one microphone that hears everything.
    machine : Machine
        Its strikers give names to the notes of a trigger module.
    detection : Detection
    delays_s : mapping of str to float, optional
        What a striker's own microphone adds, beside its channel's `delay_s`; by default the strikers' `delay_ms`.

    Returns
    -------
    hits : pyarrow.Table
        Contract `hits`; empty when the recording is refused.
    said : dict
        `refused` ('' or the reason, in one line: no `InputError` leaves this function), `health` (sentences),
        `duration_s`, `rate_hz` (0 for lists), `n_channels`.
    """
    if delays_s is None:
        delays_s = {striker.name: striker.delay_ms / 1000 for striker in machine.strikers}
    said = {"refused": "", "health": [], "duration_s": 0.0, "rate_hz": 0, "n_channels": 0}
    try:
        if is_list(recording.file):
            listed = hit_lists.read_list(recording, rig, machine)
            table = hit_lists.table_of(listed)
            said |= {"duration_s": float(listed.hit_s[-1]), "n_channels": len(set(listed.channel) - {0})}
            return table, said
        from pipeline.hits import from_audio  # a list does not pay for its start

        table, heard = from_audio.find(recording, rig, detection, delays_s)
        return table, said | heard
    except InputError as error:
        return tables.empty("hits"), said | {"refused": error.faults[0]}
