"""Give each candidate the probability that something struck.

A logistic regression on how far the bands rise, how surprising the samples are and how loud it is, fitted to real
percussion sounds at known places (`tests/benchmarks/hits_fit.py` fits and prints the numbers; every second sound is
kept for tests). One set for a microphone on one striker, one for a microphone that hears many.
"""

import numpy as np

# Offset, then one weight per feature of `features`.
OWN = (-9.364, 2.464, 1.489, 1.950, 0.997, 0.353, 0.068, 0.162, 0.119, 0.967, -0.070)
MIXED = (-8.924, 2.554, 2.612, -0.259, 0.529, 0.222, 0.476, 0.202, 0.091, 0.495, 0.023)


def features(candidates: np.ndarray) -> np.ndarray:
    """Return the features of candidates.

    Returns
    -------
    features : (n, 10) array
        Logarithms of the five measures of rise and of the likelihood gained, peak over noise (dB), level against the
        loudest around (dB), logarithms of the strongest and of the middle band's rise.
    """
    return np.column_stack(
        [
            np.log(candidates["rise"] + 0.3),
            np.log(candidates["gain"] + 1.0),
            20 * np.log10((candidates["peak"] + 1e-9) / (candidates["noise"] + 1e-9)).clip(max=80.0),
            candidates["below"],
            np.log(candidates["strongest"] + 1.0),
            np.log(candidates["middle"] + 0.1),
        ]
    )


def probability(candidates: np.ndarray, mixed: np.ndarray) -> np.ndarray:
    """Return the probability that something struck, (n,) array; `mixed` tells the microphones that hear many."""
    seen = np.column_stack([np.ones(len(candidates)), features(candidates)])
    weights = np.where(np.asarray(mixed)[:, None], MIXED, OWN)
    return 1 / (1 + np.exp(-np.clip((seen * weights).sum(axis=1), -50, 50)))
