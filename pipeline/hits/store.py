"""Keep what a recording's candidates need later: waveforms on disk, so that memory does not grow, rows in one piece."""

import os
import tempfile

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from pipeline.hits.align import Shape


class Store:
    """Waveforms in the order written, each over its peak; half precision is finer than any noise."""

    def __init__(self, columns: Shape):
        self.columns = columns
        self._file = tempfile.TemporaryFile(buffering=1 << 16)
        self._n = 0

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._file.close()

    def write(self, samples: np.ndarray, at: np.ndarray) -> np.ndarray:
        """Cut out the waveform around each place of a block, write them, and return their numbers."""
        padded = np.pad(samples, (self.columns.at, self.columns.n))
        cut = sliding_window_view(padded, self.columns.n)[np.round(at).astype(np.int64)]
        self._file.write((cut / np.maximum(np.abs(cut).max(axis=1, keepdims=True), 1e-9)).astype(np.float16).tobytes())
        self._n += len(at)
        return np.arange(self._n - len(at), self._n)

    def read(self, rows: np.ndarray) -> np.ndarray:
        """Read back waveforms, (n, columns.n) float16 array; a mapped file would count as memory as it grows."""
        self._file.flush()
        size = 2 * self.columns.n
        parts = [np.frombuffer(os.pread(self._file.fileno(), size, int(row) * size), np.float16) for row in rows]
        return np.stack(parts) if parts else np.zeros((0, self.columns.n), np.float16)


class Rows:
    """Rows that are added block by block: one piece of memory that grows, so that none lies there twice."""

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
