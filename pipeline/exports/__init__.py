"""Turn results into what one takes along: a work sheet, a strip of the barrel, MIDI files, sound, tables as CSV.

In: tables and recordings. Out: texts, MIDI files, sound; times start at the first sample of the recording.
"""

from pipeline.exports import mended, sound
from pipeline.exports.csv_copy import csv_of
from pipeline.exports.hits_file import hits_file
from pipeline.exports.sheet import Sheet, sheet_csv, sheet_html
from pipeline.exports.strip import Strip
from pipeline.exports.strip_pages import strip_html, strip_svg
from pipeline.exports.tempo_file import tempo_file

__all__ = [
    "Sheet",
    "Strip",
    "csv_of",
    "hits_file",
    "mended",
    "sheet_csv",
    "sheet_html",
    "sound",
    "strip_html",
    "strip_svg",
    "tempo_file",
]
