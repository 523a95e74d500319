"""Lay least-squares straight lines through the values of each line (segment of a take), and take them off."""

import numpy as np

ONE_PLACE = 1e-12  # sum of squares of `along` below which all values stand at one place and have no slope (rounding)


def detrended(values, line, along, use=None) -> np.ndarray:
    """Return `values` less the straight line of their line.

    Parameters
    ----------
    values : np.ndarray, shape=(n,) or (n, k)
    line : np.ndarray of int, shape=(n,)
    along : np.ndarray, shape=(n,)
        Places, in any unit.
    use : np.ndarray of bool, shape=(n,), optional
        Values that the straight line is laid through (default: all).

    Returns
    -------
    np.ndarray, shape of `values`
    """
    return values - trend_at(values, line, along, line, along, use)


def trend_at(values, line, along, at_line, at_along, use=None) -> np.ndarray:
    """Return the straight line of each line through `values`, at the places `at_along`; 0 on a line without a value.

    Parameters
    ----------
    values, line, along, use
        As in `detrended`.
    at_line : np.ndarray of int, shape=(m,)
    at_along : np.ndarray, shape=(m,)

    Returns
    -------
    np.ndarray, shape=(m,) or (m, k)
        A constant where all values of a line stand at one place.
    """
    out = np.zeros((len(at_line), *values.shape[1:]))
    for one in np.unique(at_line):
        on = (line == one) if use is None else (line == one) & use
        if not on.any():
            continue
        middle = along[on].mean()
        centred = along[on] - middle
        spread = centred @ centred
        constant = values[on].mean(axis=0)
        slope = centred @ (values[on] - constant) / spread if spread > ONE_PLACE else 0.0 * constant
        at = at_line == one
        out[at] = constant + np.multiply.outer(at_along[at] - middle, slope)
    return out


def start_and_slope(values, line, along, lines, use=None) -> tuple[np.ndarray, np.ndarray]:
    """Return value at 0 and slope of the straight line of each of `lines`.

    Parameters
    ----------
    values, line, along, use
        As in `detrended`.
    lines : np.ndarray of int, shape=(n_lines,)

    Returns
    -------
    start, slope : np.ndarray, shape=(n_lines,)
        Both 0 on a line without a value; slope 0 where all values stand at one place.
    """
    ends = np.repeat([0.0, 1.0], len(lines))
    at = trend_at(values, line, along, np.tile(lines, 2), ends, use)
    return at[: len(lines)], at[len(lines) :] - at[: len(lines)]
