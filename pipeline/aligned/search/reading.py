"""Run one search over onsets and hits, and keep what it found beside what it expected."""

from typing import NamedTuple

import numpy as np

from pipeline.aligned.search.evidence import Evidence
from pipeline.aligned.search.onsets import Onsets
from pipeline.aligned.search.path_search import Paths, likeliest_paths
from pipeline.aligned.search.tracker import Tracker


class Reading(NamedTuple):
    """The result of a search: its likeliest path ends at the cell `last` (-1: none) with log likelihood `total`."""

    paths: Paths
    last: int
    total: float
    expected: Tracker

    @property
    def cells(self) -> np.ndarray:
        """The cells of the likeliest path, first to last."""
        cells, last = [], self.last
        while last >= 0:
            cells.append(last)
            last = self.paths.back[last]
        return np.array(cells[::-1], np.int64)


def find(onsets: Onsets, own: np.ndarray, evidence: Evidence, expected: Tracker) -> Reading:
    """Return the likeliest path.

    Parameters
    ----------
    own : ndarray of bool, shape (n_members,)
        Whether the member has a microphone (or a name) of its own.
    """
    return Reading(*likeliest_paths(onsets.song(own), evidence.weighed(), expected), expected)
