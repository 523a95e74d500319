"""Tell a rebound from a strike: weaker, a few hundredths of a second after the strike of the same body."""

import numpy as np

SOONEST_S, LATEST_S = 0.006, 0.085
WEAKER_DB = 6.0  # a roll is played evenly; what bounces has lost most of its energy


def rebounds(hit_s: np.ndarray, level_db: np.ndarray) -> np.ndarray:
    """Return which hits of one striker's channel are rebounds.

    Parameters
    ----------
    hit_s, level_db : (n_hits,) arrays
        In the order of time. A chain of rebounds is held against the strike that began it.
    """
    found = np.zeros(len(hit_s), bool)
    strike = -1
    for hit in range(len(hit_s)):
        if strike >= 0:
            after_s = hit_s[hit] - hit_s[strike]
            found[hit] = SOONEST_S <= after_s <= LATEST_S and level_db[hit] < level_db[strike] - WEAKER_DB
        if not found[hit]:
            strike = hit
    return found
