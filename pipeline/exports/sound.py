"""Write what the builder listens to: stereo, the arrangement's ticks left, the machine right; and the same mended.

In: a recording's sound, its microphones, ticks, pieces that move. Out: WAV files from the recording's first sample on,
with its rate and length; outside of start_s and stop_s there is silence. The machine is the sum of its microphones
times one gain, the same in both files.
"""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np
import soundfile

from pipeline import playback
from pipeline.audio import Audio
from pipeline.exports.mended import Pieces

BLOCK_S = 10.0
SUBTYPE, SAMPLE_BYTES = "PCM_24", 3  # finer than any recording of 16 bit, and read everywhere
LARGEST_WAV = 2**32 - 2**16  # bytes that a WAV's header can count; above it RF64


@dataclass(frozen=True, eq=False)
class Takes:
    """A recording as it is heard.

    Attributes
    ----------
    sound : Audio
    by : tuple of Microphone
    ticks_s : (n,) float array
    pieces : tuple of Pieces, or None
        Of each microphone; None: nothing moves, there is no mended file.
    """

    sound: Audio
    by: tuple[playback.Microphone, ...]
    ticks_s: np.ndarray
    pieces: tuple[Pieces, ...] | None


def size(takes: Takes) -> int:
    """Return the bytes of all files of a recording."""
    return (1 + (takes.pieces is not None)) * 2 * SAMPLE_BYTES * takes.sound.n_samples


def write(takes: Takes, files: list[BinaryIO]) -> None:
    """Write the file as it was recorded and, where something moves, the mended one.

    Parameters
    ----------
    takes : Takes
    files : list of binary files
        One, or two where `takes.pieces` are there.
    """
    peak = max((float(np.abs(machine).max(initial=0.0)) for _, both in _machine(takes) for machine in both), default=0)
    gain = np.float32(playback.MACHINE_PEAK / peak if peak > 0 else 1.0)
    rate_hz, n = takes.sound.rate_hz, takes.sound.n_samples
    form = "RF64" if 2 * SAMPLE_BYTES * n > LARGEST_WAV else "WAV"
    with ExitStack() as opened:
        sinks = [opened.enter_context(_sink(file)) for file in files]
        out = [opened.enter_context(soundfile.SoundFile(one, "w", rate_hz, 2, SUBTYPE, format=form)) for one in sinks]
        for first, both in _whole(takes):
            ticks = playback.ticked(takes.ticks_s, first, len(both[0]), rate_hz)
            for file, machine in zip(out, both, strict=True):
                file.write(np.column_stack([ticks, gain * machine]))


class _Sink:
    """A file that libsndfile writes through callbacks, which must not raise: keeps the first error instead."""

    def __init__(self, file: BinaryIO):
        self._file, self.error = file, None

    def write(self, data: bytes) -> int:
        return self._tried(self._file.write, data)

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._tried(self._file.seek, offset, whence)

    def tell(self) -> int:
        return self._tried(self._file.tell)

    def _tried(self, call: Callable[..., int], *arguments) -> int:
        try:
            return call(*arguments)
        except OSError as error:
            self.error = self.error or error
            return 0


@contextmanager
def _sink(file: BinaryIO) -> Iterator[_Sink]:
    """Hand a file to libsndfile; at the end of the block raise what the disk said, not what libsndfile makes of it."""
    sink = _Sink(file)
    try:
        yield sink
    finally:
        if sink.error:
            raise sink.error


def _whole(takes: Takes) -> Iterator[tuple[int, list[np.ndarray]]]:
    """Yield the machine's blocks from sample 0 to the end, silence around the part that is read."""
    n_files, sound = 1 + (takes.pieces is not None), takes.sound
    yield from _silence(0, sound.start, sound.rate_hz, n_files)
    yield from _machine(takes)
    yield from _silence(sound.stop, sound.n_samples, sound.rate_hz, n_files)


def _silence(begin: int, end: int, rate_hz: int, n_files: int) -> Iterator[tuple[int, list[np.ndarray]]]:
    length = round(BLOCK_S * rate_hz)
    for first in range(begin, end, length):
        yield first, [np.zeros(min(length, end - first), np.float32)] * n_files


def _machine(takes: Takes) -> Iterator[tuple[int, list[np.ndarray]]]:
    """Yield blocks of the part that is read: their first sample, the machine as recorded and mended."""
    sound = takes.sound
    late = [round(one.delay_s * sound.rate_hz) for one in takes.by]
    reach = max(map(abs, late), default=0) + 1
    if takes.pieces is not None:
        # A mirrored sample lies up to three moves away.
        reach += max(3 * int(np.abs(one.later).max()) + one.fade for one in takes.pieces)
    length = round(BLOCK_S * sound.rate_hz)
    for first, row, samples in sound.blocks(length, reach, reach):
        begin = first + row
        n = min(length, sound.stop - begin)
        columns = [(one.column, delay) for one, delay in zip(takes.by, late, strict=True)]
        both = [playback.mixed(samples, first, begin, n, columns)]
        if takes.pieces is not None:
            moved = zip(takes.pieces, columns, strict=True)
            both.append(sum(one.read(samples[:, at], first, begin, n, by) for one, (at, by) in moved))
        yield begin, both
