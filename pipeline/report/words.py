"""Turn numbers into the reader's words: the one place where milliseconds, millimetres and per cent are made.

`±` in brackets is half of the 95 % interval, in the unit of the number before it: a builder takes it for "surely".
"""

import math
from datetime import date

MONTHS = (
    "January February March April May June July August September October November December".split()
)  # not of the locale: the same page on every machine
MINUS = "\N{MINUS SIGN}"
AS_DESCRIBED = "as described"  # the machine without a set-up
SURELY = 1.96  # standard errors on either side that hold 95 of 100

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
    "late_sd_s": ("spread over the whole song", "ms"),
    "together_s": ("spread of strikes written together", "ms"),
    "steady_1": ("steadiness from bar to bar", "%"),
    "steady_2": ("steadiness over 2 bars", "%"),
    "steady_4": ("steadiness over 4 bars", "%"),
    "steady_8": ("steadiness over 8 bars", "%"),
    "sag_max": ("speed lost to load", "%"),
    "missed": ("strikes missed", "%"),
    "extra": ("double or stray strikes", "%"),
    "tempo_bpm": ("tempo", "bpm"),
}


def known(value) -> bool:
    """Tell whether a number is there: neither null nor NaN."""
    return value is not None and value == value


def milliseconds(value_s, se_s=None, sign: bool = False, digits: int = 1) -> str:
    """Write a time in ms, with its range where its standard error is known: `7.0 ms (±0.8)`."""
    return _number(value_s, 1e3, "\N{NO-BREAK SPACE}ms", se_s, sign, digits)


def millimetres(value_mm, se_mm=None, sign: bool = False) -> str:
    """Write a length in mm."""
    return _number(value_mm, 1.0, "\N{NO-BREAK SPACE}mm", se_mm, sign, 1)


def percent(ratio, se=None, sign: bool = False, digits: int = 1) -> str:
    """Write a ratio in per cent."""
    return _number(ratio, 100.0, "\N{NO-BREAK SPACE}%", se, sign, digits)


def plain(value, digits: int = 1, unit: str = "", sign: bool = False) -> str:
    """Write a number as it is, a no-break space before its unit."""
    return _number(value, 1.0, f"\N{NO-BREAK SPACE}{unit}" if unit else "", None, sign, digits)


def quantity(name: str, value, sign: bool = False) -> str:
    """Write a value of tables/trend in the unit that its quantity has for the reader."""
    unit = QUANTITIES.get(name, ("", "ms" if name.endswith("_s") else ""))[1]
    if unit == "ms":
        return milliseconds(value, sign=sign)
    if unit == "%":
        # Steadiness of a good machine is tenths of a per cent.
        return percent(value, sign=sign, digits=2)
    return plain(value, 1, unit, sign)


def between(name: str, low: float, high: float, sign: bool = False) -> str:
    """Write a range of a quantity, its unit once: `2.1 to 4.1 ms`."""
    first, _, _ = quantity(name, low, sign).partition("\N{NO-BREAK SPACE}")
    return f"{first} to {quantity(name, high, sign)}"


def quantity_name(name: str) -> str:
    """Name a quantity of tables/trend; one that nobody named here keeps its own words."""
    return QUANTITIES.get(name, (name.removesuffix("_s").replace("_", " "),))[0]


def count(number: int, one: str, several: str | None = None) -> str:
    """Write `1 take`, `3 takes`."""
    number = int(number)
    return f"{number}\N{NO-BREAK SPACE}{one if number == 1 else several or one + 's'}"


def part_of(number: int, total: int, several: str) -> str:
    """Write `13 of 2106 strikes (0.6 %)`; `total` is not 0."""
    return f"{int(number)} of {int(total)} {several} ({percent(number / total)})"


def day(when: date, year: bool = True) -> str:
    """Write a day: `12 May 2031`."""
    return f"{when.day}\N{NO-BREAK SPACE}{MONTHS[when.month - 1]}" + (f" {when.year}" if year else "")


def beat(beat_in_bar: float) -> str:
    """Write a place in the bar without needless zeros: `3`, `2.5`, `1.33`."""
    return f"{beat_in_bar:.2f}".rstrip("0").rstrip(".")


def place(bar: int, beat_in_bar: float) -> str:
    """Write a place in the score: `bar 31 beat 3`."""
    return f"bar\N{NO-BREAK SPACE}{int(bar)} beat\N{NO-BREAK SPACE}{beat(beat_in_bar)}"


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


def capital(text: str) -> str:
    """Begin with a capital letter."""
    return text[:1].upper() + text[1:]


def _number(value, factor, unit, se, sign, digits) -> str:
    if not known(value):
        return "–"
    if not math.isfinite(value):
        return "∞" if value > 0 else f"{MINUS}∞"
    scaled = round(float(value) * factor, digits)
    text = f"{abs(scaled):.{digits}f}"
    text = (MINUS if scaled < 0 else "+" if sign and scaled > 0 else "") + text + unit
    if known(se) and math.isfinite(se):
        text += f" (±{SURELY * abs(float(se)) * factor:.{digits}f})"
    return text
