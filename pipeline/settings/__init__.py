"""Hold what the user says: machine, set-ups, microphones, recordings; checked before anything runs.

`load` reads the configuration (YAML) and the list of recordings (CSV) and raises every fault at once, one line each.
`loading` puts together what `configuration` (the YAML's top level), `recordings` and `edits` (CSV) read;
`arrangements`, `machine`, `strikers`, `rigs` and `detection` each hold one key: its dataclasses, and how they are read.
"""

from pipeline.settings.arrangements import Arrangement, Clock
from pipeline.settings.detection import Detection
from pipeline.settings.edits import EXTRA, IGNORE, NOTE, Edit
from pipeline.settings.fingerprints import Fingerprints, fingerprint
from pipeline.settings.loading import Checked, check, load
from pipeline.settings.machine import Barrel, Flywheel, Machine, Shaft, Wheel
from pipeline.settings.ownership import claim, mark
from pipeline.settings.recordings import Recording, is_list
from pipeline.settings.rigs import Channel, Rig
from pipeline.settings.settings import Group, Settings
from pipeline.settings.strikers import Striker, players_of

__all__ = [
    "EXTRA",
    "IGNORE",
    "NOTE",
    "Arrangement",
    "Barrel",
    "Channel",
    "Checked",
    "Clock",
    "Detection",
    "Edit",
    "Fingerprints",
    "Flywheel",
    "Group",
    "Machine",
    "Recording",
    "Rig",
    "Settings",
    "Shaft",
    "Striker",
    "Wheel",
    "check",
    "claim",
    "fingerprint",
    "is_list",
    "load",
    "mark",
    "players_of",
]
