"""Find the pins of one arrangement in another, edited one: bar against bar, then note against note.

Bars are aligned as words are in a comparison of two texts (Ratcliff & Metzener 1988, as in Python's difflib): equal
bars match, whatever was inserted or deleted between them. Bars that were changed are held against those that stand
there now, in their order and so that most notes of the same striker at the same place of the bar match.
"""

import difflib

import numpy as np
import pandas as pd

# Of a bar that was inserted: a machine seldom misses so much of one in every take. Chosen.
FEWEST_PINS = 3
FEWEST_FAILED = 2  # takes in which a pin was missed
MOST_OF_BAR = 0.6  # share of its pins


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
        old, new = list(bars)[first:last], list(bars_now)[first_now:last_now]
        pairs = zip(old, new, strict=True) if kind == "equal" else _most_alike(bars, bars_now, old, new)
        for bar, bar_now in pairs:
            _match(before[before["bar"] == bar], now[now["bar"] == bar_now], matched)
    return matched


def new_bars(before: pd.DataFrame, now: pd.DataFrame) -> set[int]:
    """Return the bars of one arrangement that no take played before, and that are played now: they were inserted.

    So it looks when a song was edited under its old name: the older takes are held against bars that they never had. A
    strike of a neighbouring bar may be taken for one of theirs, so that most of a bar counts, not all of it.

    Parameters
    ----------
    before, now : pd.DataFrame
        Contract 'pins' of two groups of the arrangement.
    """
    was = before.set_index("pin_id")[["n_struck", "n_failed"]].reindex(now["pin_id"]).fillna(0).reset_index(drop=True)
    silent = was["n_struck"].eq(0) & was["n_failed"].ge(FEWEST_FAILED)
    bars = pd.DataFrame({"bar": now["bar"].to_numpy(), "silent": silent, "struck": now["n_struck"].to_numpy() > 0})
    found = bars.groupby("bar").agg(n=("bar", "size"), silent=("silent", "mean"), struck=("struck", "mean"))
    return set(found.index[(found["n"] >= FEWEST_PINS) & (found[["silent", "struck"]].min(axis=1) >= MOST_OF_BAR)])


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


def _most_alike(bars, bars_now, old: list[int], new: list[int]) -> list[tuple[int, int]]:
    """Pair bars in their order so that most notes match; longest common subsequence by weights (Bellman 1957)."""
    alike = np.array([_alike(bars[one], bars_now[other]) for one in old for other in new]).reshape(len(old), len(new))
    best = np.zeros((len(old) + 1, len(new) + 1))
    for k, j in np.ndindex(alike.shape):
        best[k + 1, j + 1] = max(best[k, j + 1], best[k + 1, j], best[k, j] + alike[k, j])
    pairs, k, j = [], len(old), len(new)
    while k and j:
        if best[k, j] == best[k - 1, j]:
            k -= 1
        elif best[k, j] == best[k, j - 1]:
            j -= 1
        else:
            k, j = k - 1, j - 1
            pairs.append((old[k], new[j]))
    return pairs[::-1]


def _alike(bar: tuple, bar_now: tuple) -> float:
    """Return how many notes two bars share; of as many, the bars with fewer others are more alike (Dice 1945)."""
    shared = len(set(bar) & set(bar_now))
    return shared + shared / max(len(bar) + len(bar_now), 1)


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
