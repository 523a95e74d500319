"""Compile the search once and keep it: later jobs load it in a fraction of a second."""

import numba


def compiled(function):
    """Compile `function` for numbers and arrays at its first call; keep the result beside it, or in the user's cache.

    Where neither place can be written, it is compiled anew in every process.
    """
    try:
        return numba.njit(cache=True)(function)
    except RuntimeError:
        return numba.njit(function)
