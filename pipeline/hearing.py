"""What a listener notices of a displaced strike: one threshold for all stages."""

import numpy as np

# Friberg & Sundberg 1995, J. Acoust. Soc. Am. 98(5): one displaced tone in an even row is noticed from the larger of
# the two, for intervals of 100 to 1000 ms; nothing was tried outside them.
NOTICED_S, NOTICED_RATIO = 0.006, 0.025


def noticed_from_s(interval_s) -> np.ndarray:
    """Return the displacement (s) that is just noticed after `interval_s` (s); NOTICED_S where that is NaN."""
    return np.fmax(NOTICED_S, NOTICED_RATIO * np.asarray(interval_s, dtype=float))
