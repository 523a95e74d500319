"""Find what the strikers of one channel sound like: from the strikes that came alone, and from its quietest moments.

In: a take that is matched, its onsets in the order of time, the channel. Out: `Channel`.
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft

from pipeline.aligned.chords import templates
from pipeline.aligned.chords.templates import Shape, Striker
from pipeline.aligned.chords.windows import Sound
from pipeline.aligned.confidence import Matches
from pipeline.aligned.search.evidence import Evidence
from pipeline.aligned.search.onsets import Onsets

REACH_S = 0.025  # around an onset's first hit, or where it was due: its strikes are looked for there
SURE_MATCH = 0.9  # confidence of the matches that teach
ALONE_S = 0.045  # a strike with another this near does not teach
MOST_LESSONS = 40  # of a striker
LESSON_GAP_S = 0.003  # before the next strike: what a lesson lasts
QUIET_WINDOWS, QUIETEST = 200, 10  # looked at for the noise, and taken


@dataclass(frozen=True, eq=False)
class Channel:
    """What is known of one channel.

    Attributes
    ----------
    sound : Sound
    shape : Shape
        Of its windows.
    noise : (shape.size // 2 + 1,) array
        Power spectrum of a window without a strike.
    strikers : dict of int to Striker
        Sounds of the strikers that struck alone, by their codes.
    """

    sound: Sound
    shape: Shape
    noise: np.ndarray
    strikers: dict[int, Striker]

    def samples(self, seconds) -> np.ndarray:
        """Return a time in samples, not rounded."""
        return np.asarray(seconds, float) * self.sound.rate_hz


@dataclass(frozen=True)
class Onset:
    """One onset of one playthrough: its members that the microphone hears and that may sound."""

    playthrough: int
    members: np.ndarray
    at_s: float


def channel_of(matches: Matches, onsets: Onsets, evidence: Evidence, every: list[Onset], sound: Sound) -> Channel:
    """Learn a channel."""
    shape = Shape(sound.rate_hz, round(REACH_S * sound.rate_hz))
    noise = _noise(sound, shape)
    alone = _alone(matches, onsets, evidence, every)
    return Channel(sound, shape, noise, _sounds(alone, sound, noise, shape))


def onsets_of(take, onsets: Onsets, evidence: Evidence, heard: np.ndarray, due_s: np.ndarray, sound: Sound):
    """Return the onsets that a take came by, list of `Onset`, in the order of time.

    Parameters
    ----------
    heard : ndarray of bool, shape (n_strikers,)
        Strikers that the channel hears.
    due_s : ndarray, shape (n_playthroughs, n_members)
    """
    every = []
    low_s, high_s = sound.seconds
    for p in range(take.n_playthroughs):
        for i in range(len(onsets)):
            members = np.arange(onsets.first[i], onsets.first[i + 1])
            members = members[heard[onsets.member_striker[members]] & take.reached[p, members]]
            if not len(members):
                continue
            hit = take.hit[p, members]
            at_s = evidence.hit_s[hit[hit >= 0]].min() if (hit >= 0).any() else _middle(due_s[p, members])
            if low_s <= at_s < high_s:
                every.append(Onset(p, members, float(at_s)))
    return sorted(every, key=lambda one: one.at_s)


def _middle(values) -> float:
    values = values[np.isfinite(values)]
    return float(np.median(values)) if len(values) else np.nan


def _noise(sound: Sound, shape: Shape) -> np.ndarray:
    """Return the power spectrum of the quietest windows, (size // 2 + 1,) array."""
    low_s, high_s = sound.seconds
    at = np.unique(sound.sample(np.linspace(low_s, high_s, QUIET_WINDOWS + 2)[1:-1]))
    kept: list[tuple[float, np.ndarray]] = []
    for _, window in sound.windows(at, shape.at, shape.n):
        window = window - window.mean()
        kept = sorted([*kept, (float(window @ window), window)], key=lambda one: one[0])[:QUIETEST]
    power = np.square(np.abs(fft.rfft(np.array([window for _, window in kept]), shape.size))).mean(axis=0)
    return templates.smoothed(power)


def _alone(matches, onsets, evidence, every) -> dict[int, list[tuple[float, float]]]:
    """Return per striker the strikes that surely came alone: time to the next hit, and its own."""
    hit_s = np.sort(evidence.hit_s)
    alone: dict[int, list[tuple[float, float]]] = {}
    size = np.diff(onsets.first)
    for one in every:
        member = one.members[0]
        hit = matches.take.hit[one.playthrough, member]
        if size[onsets.onset_of_member[member]] > 1 or hit < 0:
            continue
        if not matches.confidence[one.playthrough, member] >= SURE_MATCH:
            continue
        place = np.searchsorted(hit_s, evidence.hit_s[hit])
        before_s = hit_s[place] - hit_s[place - 1] if place else np.inf
        after_s = hit_s[place + 1] - hit_s[place] if place + 1 < len(hit_s) else np.inf
        if min(before_s, after_s) > ALONE_S:
            alone.setdefault(int(onsets.member_striker[member]), []).append((after_s, evidence.hit_s[hit]))
    return alone


def _sounds(alone, sound: Sound, noise: np.ndarray, shape: Shape) -> dict[int, Striker]:
    """Return the sound of each striker that struck alone, from those of its strikes that last longest."""
    chosen = [(who, *one) for who, its in alone.items() for one in sorted(its, reverse=True)[:MOST_LESSONS]]
    if not chosen:
        return {}
    who, after_s, at_s = (np.array(column) for column in zip(*chosen, strict=True))
    windows = dict(sound.windows(sound.sample(at_s), shape.at, shape.n))
    lasts = np.minimum(shape.n, shape.at + (np.minimum(after_s, 1.0) - LESSON_GAP_S) * sound.rate_hz).astype(int)
    found = {}
    for striker in alone:
        its = np.flatnonzero(who == striker)
        found[striker] = templates.learn(np.array([windows[k] for k in its]), lasts[its], noise, shape)
    return found
