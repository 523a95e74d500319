"""Read windows of one channel of a recording, in the order of time."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from pipeline import audio
from pipeline.settings import Channel, Recording

BLOCK_S = 5.0  # read at once


@dataclass(frozen=True)
class Sound:
    """One channel of a recording; `delay_s` is what its microphone adds to the time of a strike."""

    recording: audio.Audio
    column: int
    delay_s: float

    @property
    def rate_hz(self) -> int:
        return self.recording.rate_hz

    @property
    def seconds(self) -> tuple[float, float]:
        """Where the sound begins and ends, in the time of hits."""
        return tuple(at / self.rate_hz - self.delay_s for at in (self.recording.start, self.recording.stop))

    def sample(self, at_s) -> np.ndarray:
        """Return the samples nearest to these times of hits."""
        return np.round((np.asarray(at_s, float) + self.delay_s) * self.rate_hz).astype(np.int64)

    def windows(self, at: np.ndarray, before: int, n: int) -> Iterator[tuple[int, np.ndarray]]:
        """Yield number and samples of a window around each of the samples `at`, the earliest first.

        Parameters
        ----------
        at : (n_windows,) int array
        before, n : int
            Samples before `at`, and in all. What lies outside the recording is silent.

        Yields
        ------
        number : int
        samples : (n,) float64 array
        """
        order, done = np.argsort(at, kind="stable"), 0
        length = max(round(BLOCK_S * self.rate_hz), n)
        for first, begin, samples in self.recording.blocks(length, before=n, after=n):
            end = first + begin + length
            last = end >= self.recording.stop
            while done < len(order) and (at[order[done]] < end or last):
                low = int(at[order[done]]) - before - first
                window, inside = np.zeros(n), slice(max(low, 0), max(min(low + n, len(samples)), 0))
                if inside.stop > inside.start:
                    window[inside.start - low : inside.stop - low] = samples[inside, self.column]
                yield int(order[done]), window
                done += 1


def sound_of(recording: Recording, channel: Channel) -> Sound:
    """Return a channel of a recording of sound.

    Raises
    ------
    InputError
        The file is gone or cannot be read any more.
    """
    whole = audio.look(recording.file, recording.start_s, recording.stop_s)
    return Sound(audio.thinned(whole), channel.channel - 1, channel.delay_s)
