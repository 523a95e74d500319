"""Measure how steady bars follow each other: the Allan deviation of bar times."""

import numpy as np

FEWEST = 3  # second differences below which there is no figure


def allan_deviation(phase, n: int) -> float:
    """Return the overlapping Allan deviation over `n` intervals of 1 (NaN when there are too few).

    Parameters
    ----------
    phase : np.ndarray, shape=(m,)
        Times of successive bars in units of the mean bar; NaN where a bar is missing: terms with it are left out.

    Notes
    -----
    sqrt(Σ (x_k+2n − 2 x_k+n + x_k)² / (2 n² N)) over all N such k (Riley & Howe 2008, NIST Special Publication 1065,
    eq. 11). Overlapping, since it has the same expectation as the plain one and less chance in it.
    """
    phase = np.asarray(phase, dtype=float)
    if len(phase) < 2 * n + 1:
        return np.nan
    second = phase[2 * n :] - 2 * phase[n:-n] + phase[: -2 * n]
    second = second[np.isfinite(second)]
    if len(second) < FEWEST:
        return np.nan
    return float(np.sqrt(np.mean(second**2) / (2 * n**2)))
