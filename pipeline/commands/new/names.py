"""Guess which notes the strikers named in lists of hits play: those that are written where the list has them struck.

In: the notes of a song, the names of a list in the order of being struck. Out: names by kind of note. Places are
compared by rank among all strikes, so that neither tempo nor stops matter.
"""

import numpy as np

PARTS = 32  # of song and list, in each of which strikes are counted; chosen
# Simulated machines of 3 to 12 strikers with their usual faults: see the test.
LEAST_ALIKE = 0.6  # share of strikes that fall alike
LEAST_APART = 0.15  # more than of the next kind


def guess(kinds: list, order: list, struck: tuple[str, ...]) -> dict:
    """Return the name of each kind that one name fits clearly better than others do, and that fits it so.

    Parameters
    ----------
    kinds : list
        What a note is told by, such as its pitch and channel; each once.
    order : list
        The kind of each note, in the order of the song.
    struck : tuple of str
        The name of each strike, in the order of the list.
    """
    names = sorted(set(struck))
    if not names or not kinds:
        return {}
    written, heard = _counts(kinds, order), _counts(names, list(struck))
    alike = np.minimum(written[:, None], heard[None]).sum(axis=2)
    alike = alike / np.maximum(written.sum(axis=1)[:, None], heard.sum(axis=1)[None])
    named = {}
    for at, kind in enumerate(kinds):
        best = int(alike[at].argmax())
        others = np.concatenate([np.delete(alike[at], best), np.delete(alike[:, best], at)])
        if alike[at, best] >= max(LEAST_ALIKE, others.max(initial=0.0) + LEAST_APART):
            named[kind] = names[best]
    return named


def _counts(of: list, order: list) -> np.ndarray:
    """Return how many of each lie in each part of the whole."""
    counts = np.zeros((len(of), PARTS))
    place = {one: at for at, one in enumerate(of)}
    for rank, one in enumerate(order):
        counts[place[one], rank * PARTS // len(order)] += 1
    return counts
