"""Lay out what the builder listens to: the arrangement's ticks on the left, the machine on the right.

In: notes and where the machine was (contract tempo), the microphones of a recording, its samples. Out: times and
samples. Times are those of the hits: from the recording's first sample, the microphones' delays taken off.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from pipeline import audio, tables
from pipeline.errors import InputError
from pipeline.settings import Machine, Recording, Rig, is_list

MARKS = ("index", "click")  # no strikes: the turn mark and the metronome
# A tick: chosen so that it starts within a sample, is over before a listener hears two, and lies apart from most
# strikers in pitch.
TICK_HZ, TICK_S, TICK_PEAK = 2500.0, 0.006, 0.35
MACHINE_PEAK = 0.7  # of full scale, of the loudest sample of the machine: chosen, 3 dB are left
SAME_S = 0.001  # a recording whose length differs by more from what was analysed is another one
_EDGE_BEAT = 1e-9  # a note at the end of a stretch belongs to it


@dataclass(frozen=True, eq=False)
class Stretch:
    """Where the machine was between two stops: score beats and their times."""

    playthrough: int
    segment: int
    beat: np.ndarray
    time_s: np.ndarray

    def holds(self, score_beat) -> np.ndarray:
        """Return which notes lie in the stretch."""
        return (score_beat >= self.beat[0] - _EDGE_BEAT) & (score_beat <= self.beat[-1] + _EDGE_BEAT)

    def due_s(self, score_beat) -> np.ndarray:
        """Return when the machine's smooth motion reaches places of the score."""
        return np.interp(score_beat, self.beat, self.time_s)


@dataclass(frozen=True)
class Microphone:
    """A channel that hears strikers: its column in the samples, whom it hears (None: all), what it adds to the time."""

    column: int
    hears: tuple[str, ...] | None
    delay_s: float

    def is_hearing(self, striker: str | None) -> bool:
        """Tell whether a striker is heard."""
        return self.hears is None or striker in self.hears


def opened(take: Recording, duration_s: float) -> audio.Audio:
    """Open the sound of a recording that was analysed.

    Parameters
    ----------
    take : Recording
    duration_s : float
        Of the recording, as its hits say.

    Raises
    ------
    InputError
        It is a list of hits; it is gone or another one by now.
    """
    if is_list(take.file):
        raise InputError("a list of hits, which has no sound")
    sound = audio.look(take.file, take.start_s, take.stop_s)
    if abs(sound.n_samples / sound.rate_hz - duration_s) > SAME_S:
        raise InputError(f"{take.file} has changed since the last run")
    return sound


def stretches(tempo: pa.Table) -> list[Stretch]:
    """Return each playthrough and segment of one recording, in the order of time.

    Parameters
    ----------
    tempo : table of contract tempo
        Of one recording.
    """
    beat, time_s, playthrough, segment = (
        tables.numbers(tempo[name]) for name in ("score_beat", "time_s", "playthrough", "segment")
    )
    found = []
    for one in sorted(set(zip(playthrough.tolist(), segment.tolist(), strict=True))):
        mine = np.flatnonzero((playthrough == one[0]) & (segment == one[1]))
        mine = mine[np.argsort(beat[mine], kind="stable")]
        if len(mine) > 1:
            found.append(Stretch(int(one[0]), int(one[1]), beat[mine], time_s[mine]))
    return sorted(found, key=lambda stretch: stretch.time_s[0])


def ticks_s(score_beat: np.ndarray, played: list[Stretch]) -> np.ndarray:
    """Return when the arrangement ticks: once for notes that are written together, in the order of time."""
    score_beat = np.unique(score_beat)
    return np.sort(np.concatenate([np.zeros(0), *(one.due_s(score_beat[one.holds(score_beat)]) for one in played)]))


def ticked(at_s: np.ndarray, first: int, n: int, rate_hz: int) -> np.ndarray:
    """Return samples `first` to `first + n` of the ticks.

    Parameters
    ----------
    at_s : (n_ticks,) float array
        In the order of time.
    """
    along_s = np.arange(max(round(TICK_S * rate_hz), 1)) / rate_hz
    tick = TICK_PEAK * np.sin(2 * np.pi * min(TICK_HZ, rate_hz / 4) * along_s + np.pi / 2) * (1 - along_s / TICK_S)
    samples, begin = np.zeros(n + 2 * len(tick), np.float32), np.unique(np.round(at_s * rate_hz).astype(np.int64))
    begin = begin[(begin > first - len(tick)) & (begin < first + n)] - first + len(tick)
    for place in begin:
        samples[place : place + len(tick)] += tick.astype(np.float32)
    return np.clip(samples[len(tick) : len(tick) + n], -1.0, 1.0)


def microphones(rig: Rig | None, machine: Machine) -> tuple[Microphone, ...]:
    """Return the channels that hear strikers, as `hits` times them; without a rig one that hears everything."""
    if rig is None:
        return (Microphone(0, None, 0.0),)
    delay_s = {striker.name: striker.delay_ms / 1000 for striker in machine.strikers}
    return tuple(
        Microphone(
            channel.channel - 1,
            None if channel.hears == ("everything",) else channel.hears,
            channel.delay_s + (delay_s.get(channel.hears[0], 0.0) if len(channel.hears) == 1 else 0.0),
        )
        for channel in rig.channels
        if channel.hears[0] not in MARKS
    )


def taken(samples: np.ndarray, first: int, begin: int, n: int) -> np.ndarray:
    """Return `n` samples of a channel from sample `begin` of the recording on; 0 where there are none.

    Parameters
    ----------
    samples : (m,) array
        What was read of the channel.
    first : int
        Sample of the recording that comes first in it.
    """
    out, low, high = np.zeros(n, np.float32), max(begin, first), min(begin + n, first + len(samples))
    if high > low:
        out[low - begin : high - begin] = samples[low - first : high - first]
    return out


def mixed(samples: np.ndarray, first: int, begin: int, n: int, by: Iterable[tuple[int, int]]) -> np.ndarray:
    """Return the sum of channels, each read later by its delay.

    Parameters
    ----------
    samples : (m, n_channels) array
        What was read of the recording, from sample `first` on.
    by : (column, delay in samples)
    """
    return sum((taken(samples[:, column], first, begin + late, n) for column, late in by), np.zeros(n, np.float32))
