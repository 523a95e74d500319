"""Keep what later passes need of a recording's candidates: waveforms and seldom used fields on disk, rows in memory.

In: rows and waveforms, block by block. Out: those that are asked for, by their numbers. Memory grows little with the
length of a recording: a candidate's waveform is some 3 kB.
"""

import os
import tempfile

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from pipeline.errors import place_of_full_disk
from pipeline.hits.signal.template import Shape

_ROWS_AT_ONCE = 4096  # some 100 kB


class Waveforms:
    """Waveforms on disk in the order written, each divided by its peak, in half precision (11 bit: -66 dB)."""

    def __init__(self, columns: Shape):
        self.columns = columns
        self._file = tempfile.TemporaryFile(buffering=1 << 16)
        self._n = 0

    def __enter__(self):
        return self

    def __exit__(self, *_):
        with place_of_full_disk(tempfile.gettempdir()):
            self._file.close()

    def write(self, samples: np.ndarray, at: np.ndarray) -> np.ndarray:
        """Cut out the waveform around each sample of a block, write them, and return their numbers.

        Parameters
        ----------
        samples : (n,) float32 array
        at : (n_waveforms,) array
            What lies outside the block is 0.

        Returns
        -------
        number : (n_waveforms,) int array
        """
        padded = np.pad(samples, (self.columns.at, self.columns.n))
        cut = sliding_window_view(padded, self.columns.n)[np.round(at).astype(np.int64)]
        cut = (cut / np.maximum(np.abs(cut).max(axis=1, keepdims=True), 1e-9)).astype(np.float16)
        with place_of_full_disk(tempfile.gettempdir()):
            self._file.write(cut.tobytes())
        self._n += len(at)
        return np.arange(self._n - len(at), self._n)

    def read(self, rows: np.ndarray) -> np.ndarray:
        """Return the waveforms of these numbers, (n, columns.n) float16 array."""
        with place_of_full_disk(tempfile.gettempdir()):
            self._file.flush()
        size = 2 * self.columns.n
        # Not a mapped file: that would count as memory as it grows.
        parts = [np.frombuffer(os.pread(self._file.fileno(), size, int(row) * size), np.float16) for row in rows]
        return np.stack(parts) if parts else np.zeros((0, self.columns.n), np.float16)


class Rows:
    """Rows that are added block by block to one piece of memory that grows: joining parts would hold all rows twice.

    Parameters
    ----------
    n_columns : int or None
        None: the rows are numbers or structures, not vectors.
    dtype : dtype
    """

    def __init__(self, n_columns: int | None, dtype):
        self._rows = np.empty((0,) if n_columns is None else (0, n_columns), dtype)
        self._n = 0

    def add(self, rows: np.ndarray) -> None:
        """Add rows at the end."""
        stop = self._n + len(rows)
        if stop > len(self._rows):
            self._rows.resize((stop + stop // 8 + 1024, *self._rows.shape[1:]), refcheck=False)
        self._rows[self._n : stop] = rows
        self._n = stop

    def all(self) -> np.ndarray:
        """Return all rows; none can be added any more."""
        self._rows.resize((self._n, *self._rows.shape[1:]), refcheck=False)
        return self._rows


class Fields:
    """Fields of rows on disk, where only a few rows are asked for them in the end.

    Parameters
    ----------
    names : tuple of str
        The fields that are put away.
    """

    def __init__(self, names: tuple[str, ...]):
        self._names, self._file, self._dtype = names, tempfile.TemporaryFile(), None

    def __enter__(self):
        return self

    def __exit__(self, *_):
        with place_of_full_disk(tempfile.gettempdir()):
            self._file.close()

    def put(self, rows: np.ndarray) -> np.ndarray:
        """Put the fields of all rows away; return the rows without them, (n,) structured array."""
        self._dtype = rows.dtype
        left = np.empty(len(rows), [(name, rows.dtype[name]) for name in rows.dtype.names if name not in self._names])
        with place_of_full_disk(tempfile.gettempdir()):
            for begin in range(0, len(rows), _ROWS_AT_ONCE):
                part = slice(begin, begin + _ROWS_AT_ONCE)
                self._file.write(_fields(rows[part], self._away).tobytes())
                left[part] = _fields(rows[part], left.dtype)
            self._file.flush()
        return left

    def whole(self, left: np.ndarray, keep: np.ndarray) -> np.ndarray:
        """Return the rows of the numbers `keep` with all their fields, in their order; `left` as `put` returned it."""
        size, found = self._away.itemsize, np.empty(len(keep), self._dtype)
        for name in left.dtype.names:
            found[name] = left[name][keep]
        for begin in range(0, len(keep), _ROWS_AT_ONCE):
            part = slice(begin, begin + _ROWS_AT_ONCE)
            read = b"".join(os.pread(self._file.fileno(), size, int(row) * size) for row in keep[part])
            its = np.frombuffer(read, self._away)
            for name in self._names:
                found[name][part] = its[name]
        return found

    @property
    def _away(self) -> np.dtype:
        return np.dtype([(name, self._dtype[name]) for name in self._names])


def _fields(rows: np.ndarray, kind: np.dtype) -> np.ndarray:
    taken = np.empty(len(rows), kind)
    for name in kind.names:
        taken[name] = rows[name]
    return taken
