"""Say what became of each thing since the group before: in a sentence each, the jobs of that day's work list first."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline import words
from pipeline.report import news
from pipeline.report.results import Found

MOST_LISTED = 30  # sentences under one heading; the table has them all
TO_DO = "Still to do"
ENDS = {
    "mended": "mended",
    "moved": "moved, and not where it belongs",
    "worse": "worse than it was",
    "unchanged": "as it was",
    "cannot be told": "too few takes to tell",
}
RATES = {"missed": "strikes missed", "extra": "double or stray strikes"}
AGAINST = {
    "delay": "than the middle one of all strikers",
    "company": "with others at once than alone",
    "readiness": "just after its own last strike than rested",
}
SEEN = 1.645  # standard errors beyond the interval's end at which a move is seen 95 times in 100


@dataclass(frozen=True)
class Listed:
    """A heading and its sentences."""

    title: str
    said: list[str]
    more: int = 0  # sentences left out


def title(found: Found) -> str:
    """Write `Since 10 May 2031: thing by thing`."""
    if found.before is not None:
        return f"Since {news.before_said(found)}: thing by thing"
    first = found.changes.iloc[0]
    return f"Since {words.day(first['before_day'])} ({first['before_arrangement']}): thing by thing"


def summary(found: Found) -> str:
    """Count the fates of the jobs and what changed besides; '' where nothing was compared."""
    if not len(found.changes):
        return ""
    said = [fates(found), *_others(found)]
    return " ".join(words.sentence(one) for one in said if one)


def fates(found: Found) -> str:
    """Count what became of what that day's list asked: `Of 5 pins and strikers on that day's list 3 are done …`."""
    counts = found.changes["fate"].dropna().value_counts()
    if not len(counts):
        return ""
    order = ("done and won", "done and won a part", "done and did not win", "not done", "cannot be told")
    said = [f"{counts[fate]} {_is(counts[fate], fate)}{fate}" for fate in order if fate in counts]
    asked = found.changes[found.changes["fate"].notna()]
    kinds = [name for kind, name in (("pin", "pin"), ("striker", "striker")) if asked["kind"].eq(kind).any()]
    things = " and ".join(f"{name}{'' if counts.sum() == 1 else 's'}" for name in kinds)
    return f"Of {int(counts.sum())} {things} on that day's list {words.joined(said)}."


def _is(number: int, fate: str) -> str:
    return "" if fate == "cannot be told" else "is " if number == 1 else "are "


def listed(found: Found) -> list[Listed]:
    """Return what is told of single things; a heading without a sentence is absent."""
    rows = found.changes
    asked, moved = rows["job"].notna(), rows["verdict"].eq("moved")
    nearer = moved & rows["kind"].ne("microphone") & _nearer(rows)
    parts = {
        "Mended": rows[rows["verdict"].eq("mended")],
        TO_DO: rows[asked & rows["verdict"].isin(["unchanged", "moved", "worse"])],
        "New since": rows[~asked & (rows["verdict"].eq("worse") | rows["verdict"].eq("new") & rows["kind"].ne("pin"))],
        "Better, and not all gone": rows[~asked & nearer],
        "Changed, and neither better nor worse": rows[~asked & moved & rows["kind"].ne("microphone") & ~nearer],
        "Microphones": rows[moved & rows["kind"].eq("microphone")],
        "Cannot be told yet": rows[asked & rows["verdict"].eq("cannot be told")],
        "Not found in the arrangement of today": rows[rows["kind"].eq("pin") & rows["thing"].str.endswith(" before")],
    }
    made = []
    for name, part in parts.items():
        part = part.sort_values(["kind", "striker", "bar", "beat_in_bar", "thing"], kind="stable")
        said = [sentence(found, row) for row in part.itertuples(index=False)]
        if said:
            made.append(Listed(name, said[:MOST_LISTED], max(0, len(said) - MOST_LISTED)))
    return made


def _nearer(rows: pd.DataFrame) -> pd.Series:
    """Return which things surely lie less far out: by more than the change may be off."""
    before, after, low, high = (rows[name].astype(float) for name in ("before", "after", "change_low", "change_high"))
    return before.abs() - after.abs() > (high - low) / 2


def needs_caution(found: Found) -> bool:
    """Tell whether a sentence sends someone to the machine."""
    return any(part.title == TO_DO for part in listed(found))


def sentence(found: Found, row) -> str:
    """Write one row of tables/changes: `slate, bar 11 beat 3: was 1.9 mm early, now 0.2 mm late (±0.3): mended.`"""
    return words.capital(words.sentence(_SAID[row.kind](found, row)))


def _pin(found: Found, row) -> str:
    where = f"{row.striker}, {words.place(row.bar, row.beat_in_bar)}"
    if row.quantity == "missed":
        was, now = words.percent(row.before, digits=0), words.percent(row.after, digits=0)
        return f"{where}: missed {was} of its strikes, now {now}: {ENDS[row.verdict]}"
    was = _late(found, row.before, None) if words.known(row.before) else "not known"
    if row.thing.endswith(" before"):
        return f"{where}: was {was}; nothing says where it is now"
    now = f"now {_late(found, row.after, row.after_se)}" if words.known(row.after) else _unknown(found, row)
    # Within its error of its place it may well belong there.
    is_near = words.known(row.after_se) and abs(row.after) <= words.SURELY * row.after_se
    return f"{where}: was {was}, {now}: {'moved' if row.verdict == 'moved' and is_near else ENDS[row.verdict]}"


def _unknown(found: Found, row) -> str:
    """Say why nothing tells where a pin is now: it did not strike, or what it struck scatters more than pins do."""
    pins = found.pins.set_index("pin_id")["n_struck"]
    struck = pins.get(int(row.thing.removeprefix("pin ")), 0) > 0
    return "now its strikes scatter too much to place it" if struck else "now not heard"


def _striker(found: Found, row) -> str:
    if row.quantity in RATES:
        was, now = words.percent(row.before), words.percent(row.after, row.after_se)
        return f"{row.striker}: {RATES[row.quantity]}: were {was}, now {now}: {_end(row)}"
    was, now = _later(row.before, None), _later(row.after, row.after_se)
    return f"{row.striker}: was {was} {AGAINST[row.quantity]}, now {now}: {_end(row)}"


def _end(row) -> str:
    """Return the last word of a sentence; a change of a striker or shaft is no move to a place."""
    return "changed" if row.verdict == "moved" and row.kind != "pin" else ENDS[row.verdict]


def _shaft(found: Found, row) -> str:
    name = row.thing if "of the barrel" in row.thing else f"the {row.thing}"
    if not words.known(row.after):
        return f"wobble of {name}: was {words.milliseconds(row.before, row.before_se)}, now none is found: mended"
    now = words.milliseconds(row.after, row.after_se)
    if not words.known(row.before):
        return f"wobble of {name}: none was found, now {now}"
    return f"wobble of {name}: was {words.milliseconds(row.before)}, now {now}: {_end(row)}"


def _microphone(found: Found, row) -> str:
    who = f"{row.thing} ({row.striker})" if row.striker else row.thing
    if row.quantity == "level":
        size = words.plain(abs(row.change), 1, "dB")
        return f"{who}: {size} {'louder' if row.change > 0 else 'softer'} than before; was its gain touched?"
    return (
        f"{who}: sounds different, by {words.plain(row.change, 1, 'dB')} over the bands; was the microphone moved or "
        "exchanged, or its striker changed? Delays through it are not compared"
    )


_SAID = {"pin": _pin, "striker": _striker, "shaft": _shaft, "microphone": _microphone}


def _others(found: Found) -> list[str]:
    """Say what the other pins did, and from which move on it would have been seen."""
    pins = found.changes[found.changes["kind"].eq("pin") & found.changes["note_id"].notna()]
    still = pins[pins["verdict"].eq("unchanged") & pins["quantity"].eq("place")]
    placed = pins[pins["quantity"].eq("place") & pins["before"].notna() & pins["after"].notna()]
    new = int(pins["verdict"].eq("new").sum())
    said = [f"{words.count(new, 'pin is', 'pins are')} new in the arrangement{_edited(found, pins)}"] if new else []
    if len(still):
        half = ((still["change_high"] - still["change_low"]) / 2).astype(float)
        seen = half + SEEN * np.hypot(still["before_se"].astype(float), still["after_se"].astype(float))
        which = "all" if len(still) == len(placed) else f"{len(still)} of"
        said.append(
            f"At {which} {words.count(len(placed), 'pin')} whose strikes place them now and before no move was seen; "
            f"at half of them one of {_size(found, seen.median())} would have been, 95 times in 100"
        )
    return said


def _edited(found: Found, pins) -> str:
    """Say which bars no earlier take played, where the arrangement has kept its name; '' where it has a new one."""
    new = pins[pins["verdict"].eq("new") & pins["before_arrangement"].eq(found.group.arrangement)]
    if not len(new):
        return ""
    bars = [str(int(bar)) for bar in sorted(new["bar"].unique())]
    name = "bar" if len(bars) == 1 else "bars"
    return (
        f": no take before struck those of {name} {words.joined(bars)}. Was the song edited? Then give the edited file "
        "a name of its own under arrangements and keep the old one: the takes before are held against bars that they "
        "never had, and their misses and places are not to be trusted"
    )


def _late(found: Found, value_s: float, se_s) -> str:
    """Write `1.9 mm early`, `0.2 mm late (±0.3)`, `in place (±0.3 mm)`: the sign is in the word."""
    size, bracket, error = _size(found, abs(value_s), se_s).partition(" (")
    if not any(digit in size for digit in "123456789"):
        unit = size.partition("\N{NO-BREAK SPACE}")[2]
        return f"in place ({error.removesuffix(')')} {unit})" if bracket else f"less than {_least(found)} out"
    return f"{size} {'early' if value_s < 0 else 'late'}{bracket}{error}"


def _least(found: Found) -> str:
    return words.millimetres(0.1) if np.isfinite(_surface_mm_per_s(found)) else words.milliseconds(0.0001)


def _size(found: Found, value_s: float, se_s=None) -> str:
    """Write a place as a length where the barrel's diameter is told, else as a time."""
    surface_mm_per_s = _surface_mm_per_s(found)
    if not np.isfinite(surface_mm_per_s):
        return words.milliseconds(value_s, se_s)
    se_mm = se_s * surface_mm_per_s if words.known(se_s) else None
    return words.millimetres(value_s * surface_mm_per_s, se_mm)


def _surface_mm_per_s(found: Found) -> float:
    told = found.pins[found.pins["offset_mm"].notna() & (found.pins["offset_s"] != 0)]
    return float((told["offset_mm"] / told["offset_s"]).median()) if len(told) else np.nan


def _later(value_s: float, se_s) -> str:
    if not words.known(value_s):
        return "not known"
    size, bracket, error = words.milliseconds(abs(value_s), se_s).partition(" (")
    return f"{size} {'earlier' if value_s < 0 else 'later'}{bracket}{error}"
