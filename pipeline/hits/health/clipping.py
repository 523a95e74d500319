"""Find where a wave is cut off, and by how much it would have gone on.

Two signs. Strikes differ in strength, so the heights of their waves thin out towards the loudest; cut off, they heap up
at one height. And cut tops are level, with sharp corners, where they last for some samples; a round top has no corners,
however low its pitch. In a preamplifier, noise and the slow fall of a coupling capacitor come after the cut, so that
neither the heights nor the levels are quite the same.
"""

from dataclasses import dataclass

import numpy as np

SOFTEST = 1e-3  # quieter blocks are not looked at
HIGH = 0.7  # of the channel's peak: where waves are looked at; one goes on until it falls below this
HEAP_DB, THINNED_DB = 0.1, 1.2  # the heap, and down to where waves are counted to say how many there should be
FEWEST, DENSER = 5, 4.0  # waves in the heap; times what there should be
LEVEL = 6e-4  # of the top, from sample to sample at 48 kHz: so level is a cut top
CORNER = 4.0  # times that, two samples outside: a round top stays under 3
LEAST_STEPS = 3  # samples less one of a level stretch
SAME_LEVEL = 0.03  # within which level tops lie
PLATEAU = 0.01  # of its height: a top of the heap reaches as far as this
APART_S = 0.05  # tops of another strike
UPPER = 0.95  # quantile of the overshoots that is told: the gain has to come down for the loud strikes
LEAST_STRIKES, LEAST_LEVEL_STRIKES = 3, 2
BANG_S = 3.0  # what is cut off within so short a time only is a cable going in
KEPT, MOST = 200, 2000  # tops of a block and polarity; of all blocks


@dataclass(frozen=True)
class Tops:
    """Tops of one block and polarity: height, sample, how far the wave would have gone on over the height."""

    sign: int
    level: bool  # else: of all loud waves
    height: np.ndarray
    at: np.ndarray
    over: np.ndarray


@dataclass(frozen=True)
class Clipping:
    """A clipped channel."""

    n_strikes: int
    over_db: float


def of_block(samples: np.ndarray, first: int, ends: tuple[float, float], peak: float, rate_hz: int) -> list[Tops]:
    """Return the tops of a block that begins at sample `first`.

    `ends` are its lowest and highest sample, or 0 where those are on the other side; `peak` is the channel's so far.
    """
    found = []
    for sign, top in ((1, ends[1]), (-1, -ends[0])):
        least = max(SOFTEST, HIGH * max(top, peak))
        if top <= least:
            continue
        wave = samples if sign > 0 else -samples
        near = np.flatnonzero(wave > least)
        for level, (start, stop) in (
            (False, _waves(wave, near, peak)),
            (True, _level(wave, near, LEVEL * top * 48_000 / rate_hz)),
        ):
            if len(start):
                start, stop = start[:KEPT], stop[:KEPT]
                height = np.maximum(wave[start], wave[stop])
                found.append(Tops(sign, level, height, first + start, _over(wave, start, stop) / height))
    return found


def thinned(tops: list[Tops], peak: float) -> list[Tops]:
    """Put the tops of many blocks together without those too low to tell anything, so that memory does not grow."""
    kept = []
    for sign in (1, -1):
        for level in (False, True):
            mine = [one for one in tops if one.sign == sign and one.level == level]
            if not mine:
                continue
            height, at, over = (
                np.concatenate([getattr(one, name) for one in mine]) for name in ("height", "at", "over")
            )
            high = np.flatnonzero(height > peak * (HIGH if level else 10 ** (-THINNED_DB / 20)))
            high = np.sort(high[np.argsort(-height[high], kind="stable")[:MOST]])
            if len(high):
                kept.append(Tops(sign, level, height[high], at[high], over[high]))
    return kept


def clipping(tops: list[Tops], peak: float, rate_hz: int, all_alike: bool) -> Clipping | None:
    """Judge a channel from the tops of all its blocks; None when it is not clipped.

    `all_alike`: one sound comes again and again (a click), or a limiter is at work, so that equal heights tell nothing.
    """
    strikes, over = [], []
    for sign in (1, -1):
        for level, fewest in ((False, LEAST_STRIKES), (True, LEAST_LEVEL_STRIKES)):
            mine = [one for one in tops if one.sign == sign and one.level == level]
            if not mine or (all_alike and not level):
                continue
            height, at, beyond = (
                np.concatenate([getattr(one, name) for one in mine]) for name in ("height", "at", "over")
            )
            highest = height.max()
            together = height >= highest * (1 - SAME_LEVEL if level else 10 ** (-HEAP_DB / 20))
            n_strikes = 1 + int((np.diff(np.sort(at[together])) > APART_S * rate_hz).sum())
            at_once = np.ptp(at[together]) < BANG_S * rate_hz
            if highest < HIGH * peak or n_strikes < fewest or at_once or not (level or _heaped(height, together)):
                continue
            strikes.append(n_strikes)
            over.append(np.quantile(beyond[together], UPPER))
    return Clipping(max(strikes), float(20 * np.log10(1 + max(over)))) if strikes else None


def _heaped(height: np.ndarray, together: np.ndarray) -> bool:
    below = ~together & (height > height.max() * 10 ** (-THINNED_DB / 20))
    expected = below.sum() * HEAP_DB / (THINNED_DB - HEAP_DB)
    return bool(together.sum() >= FEWEST and together.sum() >= DENSER * max(expected, 0.5))


def _waves(wave: np.ndarray, near: np.ndarray, peak: float) -> tuple[np.ndarray, np.ndarray]:
    """Return first and last sample of the tops of loud waves; `near` are the samples that are loud."""
    begin, end = _stretches(near, 1)
    tops = [(a + int(wave[a : b + 1].argmax())) for a, b in zip(begin[: 5 * KEPT], end[: 5 * KEPT], strict=True)]
    tops = [at for at in tops if wave[at] > peak * 10 ** (-THINNED_DB / 20)]
    start, stop = list(tops), list(tops)
    for k, at in enumerate(tops):
        least = wave[at] * (1 - PLATEAU)
        while start[k] > 0 and wave[start[k] - 1] >= least:
            start[k] -= 1
        while stop[k] < len(wave) - 1 and wave[stop[k] + 1] >= least:
            stop[k] += 1
    return np.array(start, int), np.array(stop, int)


def _level(wave: np.ndarray, near: np.ndarray, level: float) -> tuple[np.ndarray, np.ndarray]:
    """Return first and last sample of level stretches near the top with a corner at either end."""
    near = near[(near >= 2) & (near + 3 < len(wave))]
    start, stop = _stretches(near[np.abs(wave[near + 1] - wave[near]) <= level], LEAST_STEPS)
    stop = stop + 1
    inside = stop + 2 < len(wave)
    start, stop = start[inside], stop[inside]
    rising, falling = wave[start - 1] - wave[start - 2], wave[stop + 1] - wave[stop + 2]
    cornered = (rising > CORNER * level) & (falling > CORNER * level)
    return start[cornered], stop[cornered]


def _stretches(at: np.ndarray, least: int) -> tuple[np.ndarray, np.ndarray]:
    """Return first and last of the runs of at least `least` neighbours among places in order."""
    if not len(at):
        return at, at
    new = np.flatnonzero(np.diff(at) > 1)
    start, stop = at[np.append(0, new + 1)], at[np.append(new, len(at) - 1)]
    long = stop - start + 1 >= least
    return start[long], stop[long]


def _over(wave: np.ndarray, start: np.ndarray, stop: np.ndarray) -> np.ndarray:
    """Return how far a parabola that enters and leaves with the slopes found goes on above the stretch.

    A parabola of slope s at the ends of a stretch of length n rises by s n / 4 above it.
    """
    last = len(wave) - 1
    rising = wave[np.maximum(start - 1, 0)] - wave[np.maximum(start - 2, 0)]
    falling = wave[np.minimum(stop + 1, last)] - wave[np.minimum(stop + 2, last)]
    slope = np.maximum((rising + falling) / 2, 0)
    # The wave crossed the height somewhere between the last sample below and the first level one.
    before = (wave[start] - wave[np.maximum(start - 1, 0)]) / np.maximum(rising, 1e-9)
    after = (wave[stop] - wave[np.minimum(stop + 1, last)]) / np.maximum(falling, 1e-9)
    length = stop - start + np.clip(before, 0, 1) + np.clip(after, 0, 1)
    return slope * length / 4
