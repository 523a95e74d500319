"""Decide which channel a strike belongs to when microphones hear their neighbours.

For each pair of channels the recording itself tells how much of one arrives at the other: the level that appears at the
other channel when nothing strikes there. A candidate that is no louder than what leaks in is not kept.
"""

import numpy as np

MARGIN_DB = 5.0  # a candidate must stand this far above what leaks in
MANY_HITS = 8  # fewer of a channel tell nothing about its leakage
LEAKAGE_QUANTILE = 0.4  # of the level differences while the other channel is not striking
START_DB = -6.0  # nothing leaks louder than this


def leakage(level_db: np.ndarray, owner: np.ndarray, n_channels: int) -> np.ndarray:
    """Estimate how much of each channel arrives at each other channel.

    Parameters
    ----------
    level_db : (n_hits, n_channels) array
        Level that each channel gained at each candidate.
    owner : (n_hits,) int array
        Channel that found the candidate, from 0.

    Returns
    -------
    gain_db : (n_channels, n_channels) array
        From row to column; `START_DB` where too few hits tell.
    """
    gain_db = np.full((n_channels, n_channels), START_DB)
    for source in range(n_channels):
        own = level_db[owner == source]
        loudest = own[:, source] >= own.max(axis=1, initial=-np.inf) - 1e-9
        if loudest.sum() < MANY_HITS:
            continue
        difference = own[loudest] - own[loudest, source][:, None]
        gain_db[source] = np.minimum(np.quantile(difference, LEAKAGE_QUANTILE, axis=0), START_DB)
    np.fill_diagonal(gain_db, -np.inf)
    return gain_db


def above_leakage_db(level_db: np.ndarray, owner: np.ndarray, gain_db: np.ndarray) -> np.ndarray:
    """Return how far each candidate stands above what all other channels together let through to its own."""
    if not len(owner):
        return np.zeros(0)
    arriving = level_db + gain_db.T[owner]
    leaked = 10 * np.log10((10 ** (arriving / 10)).sum(axis=1) + 1e-20)
    return level_db[np.arange(len(owner)), owner] - leaked
