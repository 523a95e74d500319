"""Turn results into what one takes along: a work sheet, MIDI and sound that lie on the recordings, tables as CSV.

In: tables and recordings. Out: texts, MIDI files, sound; times start at the first sample of the recording.
"""

from pipeline.exports import mended, sound
from pipeline.exports.csv_copy import csv_of
from pipeline.exports.hits_file import hits_file
from pipeline.exports.sheet import Sheet, sheet_csv, sheet_html
from pipeline.exports.tempo_file import tempo_file

__all__ = ["Sheet", "csv_of", "hits_file", "mended", "sheet_csv", "sheet_html", "sound", "tempo_file"]
