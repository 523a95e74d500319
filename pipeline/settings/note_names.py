"""Name MIDI notes as musicians do: C4 is 60, so that A4 is the 440 Hz of ISO 16."""

import re

_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_ALTERED = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}
_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_NAME = re.compile(r"([A-Ga-g])([#♯b♭]?)(-?\d)")
HIGHEST = 127  # of MIDI


def note_number(name: str) -> int | None:
    """Return the MIDI note of a name such as C4, F#3 or Bb5; None where it names none from 0 to 127."""
    match = _NAME.fullmatch(name)
    if not match:
        return None
    number = 12 * (int(match[3]) + 1) + _STEPS[match[1].upper()] + _ALTERED[match[2]]
    return number if 0 <= number <= HIGHEST else None


def note_name(number: int) -> str:
    """Return the name of a MIDI note."""
    return f"{_NAMES[number % 12]}{number // 12 - 1}"
