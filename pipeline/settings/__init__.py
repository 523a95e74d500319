"""Hold what the user says: machine, set-ups, microphones, recordings; checked before anything runs.

`load` reads the configuration (YAML) and the list of recordings (CSV) and raises every fault at once, one line each.
"""

from pipeline.settings.fingerprints import Fingerprints, fingerprint
from pipeline.settings.listing import is_list
from pipeline.settings.loading import Checked, check, load
from pipeline.settings.model import (
    Arrangement,
    Barrel,
    Channel,
    Clock,
    Detection,
    Flywheel,
    Group,
    Machine,
    Recording,
    Rig,
    Settings,
    Shaft,
    Striker,
    Wheel,
)
from pipeline.settings.ownership import claim, mark

__all__ = [
    "Arrangement",
    "Barrel",
    "Channel",
    "Checked",
    "Clock",
    "Detection",
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
]
