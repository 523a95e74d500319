"""Compile the search once and keep it: later jobs load it in a fraction of a second."""

import contextlib
import sys

import numba


def compiled(function):
    """Compile `function` for numbers and arrays at its first call; keep the result beside it, or in the user's cache.

    Where neither place can be written, it is compiled anew in every process.
    """
    try:
        return numba.njit(cache=True)(function)
    except RuntimeError:
        return numba.njit(function)


def _without_linear_algebra() -> None:
    """Load numba's array functions without scipy.linalg.

    numba imports it (.2 s at the start of every job) in case compiled code multiplies matrices; ours never does.
    """
    if "scipy.linalg" in sys.modules:
        return
    sys.modules["scipy.linalg"] = None
    try:
        with contextlib.suppress(ImportError):
            import numba.np.arraymath  # noqa: F401 (imported for what it then does not import)
    finally:
        del sys.modules["scipy.linalg"]


_without_linear_algebra()
