"""Turn numbers into the reader's words: the one place where milliseconds, millimetres and per cent are made.

`±` in brackets is half of the 95 % interval, in the unit of the number before it: a builder takes it for "surely". A
number has about as many digits as its error, else two or three that count; no number is −0.0 and no error ±0.0.
"""

import math
import textwrap
from datetime import date
from fractions import Fraction

MONTHS = (
    "January February March April May June July August September October November December".split()
)  # not of the locale: the same page on every machine
# Opens every text that sends hands into the machine.
HANDS_ON = "Before hands-on work: standstill, wheel blocked, people off the pedals, belt tension released."
CAUTION = f"{HANDS_ON} Local codes and licensed practice decide what is allowed."
LISTENING_CAUTION = (
    "Before you listen, above all with headphones: turn the volume down first, for ticks and strikes come suddenly. "
    "Local rules on hearing decide what is allowed."
)
MINUS = "\N{MINUS SIGN}"
WITHOUT_SETUP = "without a set-up"  # the machine as it stands under `machine`
SURE_CERTAINTY = 0.95  # of a job, from which on it stands on the first screen and on the work sheet
SURELY = 1.96  # standard errors on either side that hold 95 of 100
FINEST_BEAT = 16  # parts of a beat from which on a place in the bar is written in decimals
BEAT_ERROR = 0.004  # beats: scores keep places to a tick (480 or so to a beat); 3.33 in a list still is 3 1/3

# What the tables call a part of the lateness, and what the reader calls it.
PARTS = {
    "load": "load",
    "motion": "crew",
    "shaft": "wobble",
    "striker": "strikers",
    "pin": "pins",
    "rest": "scatter",
}

# Quantities of tables/trend: what they are called, and whether they are times, ratios or counts.
QUANTITIES = {
    "felt_sd_s": ("spread around the felt beat", "ms"),
    "felt_p95_s": ("what one strike in twenty exceeds", "ms"),
    "late_sd_s": ("distance from the click, offset apart", "ms"),
    "together_s": ("spread of strikes written together", "ms"),
    "steady_1": ("steadiness from bar to bar", "%"),
    "steady_2": ("steadiness over 2 bars", "%"),
    "steady_4": ("steadiness over 4 bars", "%"),
    "steady_8": ("steadiness over 8 bars", "%"),
    "sag_max": ("speed lost to load", "%"),
    "missed": ("strikes missed", "%"),
    "extra": ("double or stray strikes", "%"),
    "tempo_bpm": ("tempo", "quarter notes a minute"),
}


def known(value) -> bool:
    """Tell whether a number is there: neither null nor NaN."""
    return value is not None and value == value


def milliseconds(value_s, se_s=None, sign: bool = False, digits: int | None = None) -> str:
    """Write a time with its range where its standard error is known: `7.0 ms (±0.8)`, `116 ms`, `4.7 s`."""
    if known(value_s) and abs(value_s) >= 1.0:
        return _number(value_s, 1.0, "\N{NO-BREAK SPACE}s", se_s, sign, 1)
    if digits is None:
        digits = 0 if known(value_s) and abs(value_s) >= 0.1 else 1
    return _number(value_s, 1e3, "\N{NO-BREAK SPACE}ms", se_s, sign, digits)


def millimetres(value_mm, se_mm=None, sign: bool = False, digits: int = 1) -> str:
    """Write a length in mm."""
    return _number(value_mm, 1.0, "\N{NO-BREAK SPACE}mm", se_mm, sign, digits)


def percent(ratio, se=None, sign: bool = False, digits: int = 1) -> str:
    """Write a ratio in per cent."""
    return _number(ratio, 100.0, "\N{NO-BREAK SPACE}%", se, sign, digits)


def plain(value, digits: int = 1, unit: str = "", sign: bool = False) -> str:
    """Write a number as it is, a no-break space before its unit."""
    return _number(value, 1.0, f"\N{NO-BREAK SPACE}{unit}" if unit else "", None, sign, digits)


def about(value, unit: str = "") -> str:
    """Write a number of which nobody knows more than two digits: `1800 kg m²`, `2.1`."""
    if known(value) and math.isfinite(value) and value:
        value = round(value, 1 - math.floor(math.log10(abs(value))))
        return plain(value, max(0, 1 - math.floor(math.log10(abs(value)))), unit)
    return plain(value, 0, unit)


def tempo(bpm, unit: bool = True) -> str:
    """Write a tempo: `73 quarter notes a minute`, `96.1 quarter notes a minute`; its number alone without `unit`."""
    if not known(bpm):
        return "–"
    return plain(bpm, 1).removesuffix(".0") + (" quarter notes a minute" if unit else "")


def spread(written: str) -> str:
    """Put ± before a spread that is written already: `±3.9 ms`; what rounds to 0 is `less than ±0.1 ms`."""
    number, space, unit = written.partition("\N{NO-BREAK SPACE}")
    if any(digit in number for digit in "123456789") or not any(digit == "0" for digit in number):
        return "±" + written
    return f"less than ±{number[:-1]}1{space}{unit}"


def slower(ratio, se=None) -> str:
    """Write a loss of speed (negative: a gain) with the sign in the word: `2.1 % (±0.7) slower`, `5.7 % faster`."""
    if not known(ratio):
        return "–"
    size = percent(abs(ratio), se)
    return size if size.startswith("0.0") else f"{size} {'slower' if ratio > 0 else 'faster'}"


def quantity(name: str, value, se=None) -> str:
    """Write a value of tables/trend in the unit that its quantity has for the reader."""
    return _quantity(name, value, se, value)


def between(name: str, low: float, high: float) -> str:
    """Write a range of a quantity, its unit once: `2.1 to 4.1 ms`."""
    largest = max(abs(low), abs(high))
    first, last = (_quantity(name, value, None, largest) for value in (low, high))
    number, space, unit = first.partition("\N{NO-BREAK SPACE}")
    return f"{number if last.endswith(space + unit) else first} to {last}"


def _quantity(name: str, value, se, largest) -> str:
    """Write a value with the digits that a value of the size `largest` has."""
    unit = QUANTITIES.get(name, ("", "ms" if name.endswith("_s") else ""))[1]
    if unit == "ms":
        return milliseconds(value, se)
    if unit == "%":
        # Steadiness of a good machine is tenths of a per cent.
        return percent(value, se, digits=1 if known(largest) and abs(largest) >= 0.01 else 2)
    return _number(value, 1.0, f"\N{NO-BREAK SPACE}{unit}" if unit else "", se, False, 1)


def quantity_name(name: str) -> str:
    """Name a quantity of tables/trend; one that nobody named here keeps its own words."""
    return QUANTITIES.get(name, (name.removesuffix("_s").replace("_", " "),))[0]


def count(number: int, one: str, several: str | None = None) -> str:
    """Write `1 take`, `3 takes`."""
    number = int(number)
    return f"{number}\N{NO-BREAK SPACE}{one if number == 1 else several or one + 's'}"


def part_of(number: int, total: int, several: str) -> str:
    """Write `13 of 2106 strikes (0.6 %)`, `none of 2106 strikes`; `total` is not 0."""
    if not number:
        return f"none of {int(total)} {several}"
    share = percent(number / total)
    if share.startswith("0.0"):
        share = f"less than {percent(0.001)}"
    return f"{int(number)} of {int(total)} {several} ({share})"


def day(when: date, year: bool = True) -> str:
    """Write a day: `12 May 2031`."""
    return f"{when.day}\N{NO-BREAK SPACE}{MONTHS[when.month - 1]}" + (f" {when.year}" if year else "")


def beat(beat_in_bar: float) -> str:
    """Write a place in the bar as a musician counts it: `3`, `2 1/2`, `3 1/3`; `2.39` where no such part fits."""
    near = Fraction(float(beat_in_bar)).limit_denominator(FINEST_BEAT)
    if abs(float(near) - beat_in_bar) > BEAT_ERROR:
        return f"{beat_in_bar:.2f}"
    whole, part = divmod(near, 1)
    return f"{whole}" + (f" {part}" if part else "")


def place(bar: int, beat_in_bar: float) -> str:
    """Write a place in the score: `bar 31 beat 3`."""
    return f"bar\N{NO-BREAK SPACE}{int(bar)} beat\N{NO-BREAK SPACE}{beat(beat_in_bar)}"


def file_time(at_s: float) -> str:
    """Write a time in a recording as editors of sound count it: `1:02.345`, `1:00:02.345`."""
    minutes, milliseconds = divmod(round(max(at_s, 0.0) * 1000), 60_000)
    hours, minutes = divmod(minutes, 60)
    seconds = f"{milliseconds // 1000:02d}.{milliseconds % 1000:03d}"
    return f"{hours}:{minutes:02d}:{seconds}" if hours else f"{minutes}:{seconds}"


def late(offset_s: float, se_s=None) -> str:
    """Write `14.0 ms (±0.8) late` or `… early`: the sign is in the word."""
    return f"{milliseconds(abs(offset_s), se_s)} {'early' if offset_s < 0 else 'late'}"


def joined(parts: list[str], last: str = "and") -> str:
    """Join `a, b and c`."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} {last} {parts[-1]}"


def sentence(text: str) -> str:
    """End a text with one full stop."""
    text = text.strip()
    return text if text.endswith((".", "!", "?", "…")) else text + "."


def with_plain_spaces(text: str) -> str:
    """Return a text as a table holds it: scripts that search it need not know of no-break spaces."""
    return text.replace("\N{NO-BREAK SPACE}", " ")


def capital(text: str) -> str:
    """Begin with a capital letter."""
    return text[:1].upper() + text[1:]


def _number(value, factor, unit, se, sign, digits) -> str:
    if not known(value):
        return "–"
    if not math.isfinite(value):
        return "∞" if value > 0 else f"{MINUS}∞"
    half = SURELY * abs(float(se)) * factor if known(se) and math.isfinite(se) else 0.0
    digits = 0 if half >= 10 else digits
    scaled = round(float(value) * factor, digits)
    text = f"{abs(scaled):.{digits}f}"
    text = (MINUS if scaled < 0 else "+" if sign and scaled > 0 else "") + text + unit
    if half > 0:
        finest = 10.0**-digits
        text += f" (±{half:.{digits}f})" if round(half, digits) > 0 else f" (less than ±{finest:.{digits}f})"
    return text


def rows(line: str, columns: int) -> list[str]:
    """Return the rows of a line in a terminal of so many columns; those after the first are indented."""
    indent = line[: len(line) - len(line.lstrip(" "))] + "  "
    return textwrap.wrap(line, columns, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
