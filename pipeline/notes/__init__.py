"""Turn an arrangement, a standard MIDI file or the grid of a clock test, into the table of its notes.

In: a checked configuration and the name of an arrangement. Out: the contract `notes`, one row per pin strike.
`smf` reads the file, `places` finds bars, passages and pins, `stage` gives each note its striker.
"""

from pipeline.notes.smf import read_song, seconds_at
from pipeline.notes.stage import faults_of_song, notes

__all__ = ["faults_of_song", "notes", "read_song", "seconds_at"]
