"""Find the pins of one arrangement in another, edited one: bar against bar, then note against note.

Bars are aligned as words are in a comparison of two texts (Ratcliff & Metzener 1988, as in Python's difflib): equal
bars match, whatever was inserted or deleted between them. Where as many bars were changed as stand there now, each is
held against its successor, and the notes of the same striker at the same place of the bar match.
"""

import difflib

import pandas as pd


def pins(before: pd.DataFrame, now: pd.DataFrame) -> dict[int, int]:
    """Return which pin now is which pin before.

    Parameters
    ----------
    before, now : pd.DataFrame
        Contract 'notes', the strikers by the names that they have today.

    Returns
    -------
    dict of int to int
        Each pin once at most; what could not be matched is left out.
    """
    bars, bars_now = _bars(before), _bars(now)
    matched: dict[int, int] = {}
    compared = difflib.SequenceMatcher(None, list(bars.values()), list(bars_now.values()), autojunk=False)
    for kind, first, last, first_now, last_now in compared.get_opcodes():
        if kind == "equal" or (kind == "replace" and last - first == last_now - first_now):
            numbers = zip(list(bars)[first:last], list(bars_now)[first_now:last_now], strict=True)
            for bar, bar_now in numbers:
                _match(before[before["bar"] == bar], now[now["bar"] == bar_now], matched)
    return matched


def _bars(notes: pd.DataFrame) -> dict[int, tuple]:
    """Return what stands in each bar, the empty ones too."""
    told = notes.sort_values(["bar", "beat_in_bar", "striker", "note_id"])
    of_bar = {int(bar): tuple(_places(mine)) for bar, mine in told.groupby("bar")}
    last = max(of_bar, default=0)
    return {bar: of_bar.get(bar, ()) for bar in range(min(of_bar, default=1), last + 1)}


def _places(notes: pd.DataFrame) -> list[tuple]:
    """Return striker, place in the bar and how many-th note there: two of one striker at once stay apart."""
    turn = notes.groupby(["striker", "beat_in_bar"]).cumcount()
    return list(zip(notes["striker"], notes["beat_in_bar"].round(3), turn, strict=True))


def _match(before: pd.DataFrame, now: pd.DataFrame, matched: dict[int, int]) -> None:
    """Add to `matched` the pins of two bars; a pin that comes round keeps its first partner."""
    before, now = before.sort_values("note_id"), now.sort_values("note_id")
    there = dict(zip(_places(before), before["pin_id"], strict=True))
    taken = set(matched.values())
    for place, pin in zip(_places(now), now["pin_id"], strict=True):
        old = there.get(place)
        if old is not None and pin not in matched and old not in taken:
            matched[int(pin)] = int(old)
            taken.add(old)
