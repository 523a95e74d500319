"""Compile the search once and keep it: later jobs load it in a fraction of a second.

numba imports scipy.linalg in case compiled code multiplies matrices, which ours does not: .06 s of the .75 s of a job.
Nothing short of hiding a module from it would spare that.

numba compiles a function anew when its own file changes. It does not look at the files of compiled functions that it
calls or of numbers that it imports. So compiled functions that call each other stay in one file, with their numbers.
What numba kept names the tuples handed over: who renames such a class removes the files *.nbi and *.nbc beside the
sources ("Can't get attribute" otherwise).
"""

import numba


def compiled(function):
    """Compile `function` for numbers and arrays at its first call; keep the result beside it, or in the user's cache.

    Where neither place can be written, it is compiled anew in every process.
    """
    try:
        return numba.njit(cache=True)(function)
    except RuntimeError:
        return numba.njit(function)


def inlined(function):
    """Compile `function` as `compiled` does, and copy it into every compiled function that calls it."""
    try:
        return numba.njit(cache=True, forceinline=True)(function)
    except RuntimeError:
        return numba.njit(forceinline=True)(function)
