"""Turn an arrangement, a standard MIDI file or the grid of a clock test, into the table of its notes.

In: a checked configuration and the name of an arrangement. Out: the contract `notes`, one row per pin strike.
`pipeline.midi` reads the file, `places` finds passages and pins, `stage` gives each note its striker.
"""

from pipeline.notes.stage import notes

__all__ = ["notes"]
