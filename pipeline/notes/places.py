"""Say where a note stands: its passage, its angle on the barrel, its pin."""

from fractions import Fraction

import numpy as np

from pipeline.midi import Song

BARS_PER_PASSAGE = 8  # where no markers name the passages
SAME_PIN_TURN = 1e-4  # turns; notes of later turns nearer than this (0.13 mm on 420 mm) come from one pin
OPENING = "opening"  # the notes before the first marker


def turns(song: Song, tick: np.ndarray, bars_per_turn: float) -> np.ndarray:
    """Return the barrel's angle since the start: it turns evenly in beats, by bars of the first time signature.

    So the same pins come round every turn whatever the tempo map says; a tempo map is played by turning unevenly.
    """
    _, numerator, denominator = song.signatures[0]
    return tick * float(denominator / (4 * numerator * song.division * Fraction(bars_per_turn)))


def pins_of(barrel_turn: np.ndarray, striker: np.ndarray, pins: str) -> np.ndarray:
    """Number the pins by their first note: each note's own, or one per striker and place on the barrel."""
    if pins == "song":
        return np.arange(len(barrel_turn))
    angle = barrel_turn % 1.0
    group = np.empty(len(angle), np.int64)
    n_groups = 0
    for one in np.unique(striker):
        rows = np.flatnonzero(striker == one)
        rows = rows[np.argsort(angle[rows], kind="stable")]
        place = np.cumsum(np.diff(angle[rows], prepend=angle[rows[0]]) > SAME_PIN_TURN)
        # The barrel is round: just below a full turn is the place at 0.
        if angle[rows[0]] + 1 - angle[rows[-1]] <= SAME_PIN_TURN:
            place[place == place[-1]] = 0
        group[rows] = n_groups + place
        n_groups += place.max() + 1
    _, first, inverse = np.unique(group, return_index=True, return_inverse=True)
    rank = np.empty(len(first), np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    return rank[inverse]


def passages(markers: list[tuple[int, str]], tick: np.ndarray, bar: np.ndarray) -> list[str]:
    """Name the passage of each note: its last marker, or a group of bars where there are no markers.

    A name that comes again is another passage: 'verse', 'verse (2)'.
    """
    if not markers:
        last_bar = int(bar.max())
        firsts = (bar - 1) // BARS_PER_PASSAGE * BARS_PER_PASSAGE + 1
        return [_bar_name(first, min(first + BARS_PER_PASSAGE - 1, last_bar)) for first in firsts.tolist()]
    by_tick = dict(markers)  # of several at one tick the last counts
    names = [OPENING]
    seen = {OPENING} if tick.min() < min(by_tick) else set()
    for name in by_tick.values():
        label, times = name, 1
        while label in seen:
            times += 1
            label = f"{name} ({times})"
        seen.add(label)
        names.append(label)
    segment = np.searchsorted(np.array(list(by_tick)), tick, side="right")
    return [names[one] for one in segment]


def _bar_name(first: int, last: int) -> str:
    return f"bar {first}" if first == last else f"bars {first}-{last}"
