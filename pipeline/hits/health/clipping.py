"""Find clipping: where a wave is cut off, and by how much it would have gone on.

In: samples of one channel, block by block. Out: peaks of a block, then what all of them tell: `Clipping` or None.

There are two signs. Equal peaks: strikes differ in strength, so fewer and fewer peaks lie towards the highest; clipped,
many have one height. Flat runs: a clipped peak that lasts for some samples is flat, with sharp corners; a round peak
has no corners, however low its pitch. After clipping in a preamplifier come noise and the slow fall of a coupling
capacitor, so that neither the heights nor the runs are exactly equal.
"""

from dataclasses import dataclass

import numpy as np

SOFTEST = 1e-3  # chosen: blocks whose peak is lower are not looked at
LOUD_SHARE = 0.7  # chosen: of the channel's peak; waves are looked at above it
# Measured: equal peaks lie within the first below the highest; peaks down to the second say how many there should be.
EQUAL_PEAKS_DB, COMPARED_PEAKS_DB = 0.1, 1.2
LEAST_EQUAL_PEAKS, EQUAL_TO_EXPECTED = 5, 4.0  # measured: equal peaks of a clipped channel, and over those expected
FLAT_STEP = 6e-4  # measured: of the height; change from sample to sample, at 48 kHz, of a flat (clipped) run
CORNER = 4.0  # measured: steeper than this many FLAT_STEPs two samples outside; a round peak stays under 3
JUMP = 0.5  # chosen: share of the height, in one sample; a wave that turns flat without being cut off comes slower
LEAST_FLAT_STEPS = 3  # measured: steps from sample to sample in a flat run
SAME_FLAT_HEIGHT = 0.03  # measured: share of the height within which the flat runs of one channel lie
PEAK_WIDTH = 0.01  # chosen: a peak reaches as far as the wave stays within this share of its height
STRIKE_APART_S = 0.05  # chosen: clipped peaks further apart belong to different strikes
TOLD_QUANTILE = 0.95  # of the overshoots; chosen: the gain has to come down for the loud strikes
LEAST_OVER_DB = 0.3  # chosen: less moves no onset; one recorded sound again and again, not cut off, shows so much
LEAST_STRIKES, LEAST_FLAT_STRIKES = 3, 2  # measured: clipped strikes, by equal peaks and by flat runs
BANG_S = 3.0  # chosen: what is clipped within so short a time only is a cable that is plugged in
MOST_OF_BLOCK, MOST_OF_ALL = 200, 2000  # chosen, for memory only: peaks of a block and polarity, of all blocks


@dataclass(frozen=True)
class Peaks:
    """Peaks of one block and polarity.

    sign : int
        1: upward half waves; -1: downward ones.
    flat : bool
        True: flat runs only; False: the peaks of all loud waves.
    height : (n,) array
        Largest sample; 1 is full scale.
    at : (n,) array of int
        Sample of the file.
    over : (n,) array
        How far the wave would have gone on above the height, as a share of it.
    """

    sign: int
    flat: bool
    height: np.ndarray
    at: np.ndarray
    over: np.ndarray


@dataclass(frozen=True)
class Clipping:
    """A clipped channel: number of clipped strikes, and by how much the loud ones go beyond the limit (dB)."""

    n_strikes: int
    over_db: float


def peaks_of_block(
    samples: np.ndarray, first: int, ends: tuple[float, float], peak: float, rate_hz: int
) -> list[Peaks]:
    """Return the peaks of a block among which clipped ones may be.

    Parameters
    ----------
    samples : (n,) array
        Of one channel.
    first : int
        First sample of the block, counted from the beginning of the file.
    ends : (float, float)
        Lowest sample, at most 0, and highest sample, at least 0.
    peak : float
        Largest sample of the channel so far, of either sign.
    rate_hz : int
    """
    found = []
    for sign, top in ((1, ends[1]), (-1, -ends[0])):
        least = max(SOFTEST, LOUD_SHARE * max(top, peak))
        if top <= least:
            continue
        wave = samples if sign > 0 else -samples
        near = np.flatnonzero(wave > least)
        for flat, (start, stop) in (
            (False, _wave_peaks(wave, near, peak)),
            (True, _flat_runs(wave, near, FLAT_STEP * top * 48_000 / rate_hz)),
        ):
            if len(start):
                start, stop = start[:MOST_OF_BLOCK], stop[:MOST_OF_BLOCK]
                height = np.maximum(wave[start], wave[stop])
                found.append(Peaks(sign, flat, height, first + start, _overshoot(wave, start, stop) / height))
    return found


def merged(peaks: list[Peaks], peak: float) -> list[Peaks]:
    """Merge the peaks of many blocks and drop those too low to matter, so that memory does not grow.

    Parameters
    ----------
    peaks : list of Peaks
        Of one channel.
    peak : float
        Largest sample of the channel so far, of either sign.
    """
    kept = []
    for sign in (1, -1):
        for flat in (False, True):
            mine = [one for one in peaks if one.sign == sign and one.flat == flat]
            if not mine:
                continue
            height, at, over = (
                np.concatenate([getattr(one, name) for one in mine]) for name in ("height", "at", "over")
            )
            high = np.flatnonzero(height > peak * (LOUD_SHARE if flat else 10 ** (-COMPARED_PEAKS_DB / 20)))
            high = np.sort(high[np.argsort(-height[high], kind="stable")[:MOST_OF_ALL]])
            if len(high):
                kept.append(Peaks(sign, flat, height[high], at[high], over[high]))
    return kept


def find(peaks: list[Peaks], peak: float, rate_hz: int, flat_only: bool) -> Clipping | None:
    """Judge a channel from the peaks of all its blocks; None if it is not clipped.

    Parameters
    ----------
    peaks : list of Peaks
        Of one channel, all blocks.
    peak : float
        Largest sample of the channel, of either sign.
    rate_hz : int
    flat_only : bool
        Equal peaks tell nothing, as one sound comes again and again (a click), or a limiter is at work.
    """
    strikes, over = [], []
    for sign in (1, -1):
        for flat, least_strikes in ((False, LEAST_STRIKES), (True, LEAST_FLAT_STRIKES)):
            mine = [one for one in peaks if one.sign == sign and one.flat == flat]
            if not mine or (flat_only and not flat):
                continue
            height, at, beyond = (
                np.concatenate([getattr(one, name) for one in mine]) for name in ("height", "at", "over")
            )
            highest = height.max()
            together = height >= highest * (1 - SAME_FLAT_HEIGHT if flat else 10 ** (-EQUAL_PEAKS_DB / 20))
            n_strikes = 1 + int((np.diff(np.sort(at[together])) > STRIKE_APART_S * rate_hz).sum())
            at_once = np.ptp(at[together]) < BANG_S * rate_hz
            told = flat or _equally_high(height, together)
            if not told or highest < LOUD_SHARE * peak or n_strikes < least_strikes or at_once:
                continue
            strikes.append(n_strikes)
            over.append(np.quantile(beyond[together], TOLD_QUANTILE))
    over_db = float(20 * np.log10(1 + max(over, default=0.0)))
    return Clipping(max(strikes), over_db) if over_db > LEAST_OVER_DB else None


def _equally_high(height: np.ndarray, together: np.ndarray) -> bool:
    """Tell whether more peaks lie `together` at the highest than the number of lower ones makes likely."""
    below = ~together & (height > height.max() * 10 ** (-COMPARED_PEAKS_DB / 20))
    expected = below.sum() * EQUAL_PEAKS_DB / (COMPARED_PEAKS_DB - EQUAL_PEAKS_DB)
    return bool(together.sum() >= LEAST_EQUAL_PEAKS and together.sum() >= EQUAL_TO_EXPECTED * max(expected, 0.5))


def _wave_peaks(wave: np.ndarray, near: np.ndarray, peak: float) -> tuple[np.ndarray, np.ndarray]:
    """Return first and last sample of the peaks of loud waves; `near` are the samples that are loud."""
    begin, end = _runs(near, 1)
    most = 5 * MOST_OF_BLOCK
    at = [a + int(wave[a : b + 1].argmax()) for a, b in zip(begin[:most], end[:most], strict=True)]
    at = [one for one in at if wave[one] > peak * 10 ** (-COMPARED_PEAKS_DB / 20)]
    start, stop = list(at), list(at)
    for k, highest in enumerate(at):
        least = wave[highest] * (1 - PEAK_WIDTH)
        while start[k] > 0 and wave[start[k] - 1] >= least:
            start[k] -= 1
        while stop[k] < len(wave) - 1 and wave[stop[k] + 1] >= least:
            stop[k] += 1
    return np.array(start, int), np.array(stop, int)


def _flat_runs(wave: np.ndarray, near: np.ndarray, flat_step: float) -> tuple[np.ndarray, np.ndarray]:
    """Return first and last sample of flat runs with a corner at either end; `near` are the samples that are loud."""
    near = near[(near >= 2) & (near + 3 < len(wave))]
    start, stop = _runs(near[np.abs(wave[near + 1] - wave[near]) <= flat_step], LEAST_FLAT_STEPS)
    stop = stop + 1
    inside = stop + 2 < len(wave)
    start, stop = start[inside], stop[inside]
    rising, falling = _slopes(wave, start, stop)
    cornered = (rising > CORNER * flat_step) & (falling > CORNER * flat_step)
    return start[cornered], stop[cornered]


def _runs(at: np.ndarray, least: int) -> tuple[np.ndarray, np.ndarray]:
    """Return first and last of the runs of at least `least` neighbours among places in order."""
    if not len(at):
        return at, at
    new = np.flatnonzero(np.diff(at) > 1)
    start, stop = at[np.append(0, new + 1)], at[np.append(new, len(at) - 1)]
    long = stop - start + 1 >= least
    return start[long], stop[long]


def _slopes(wave: np.ndarray, start: np.ndarray, stop: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return how fast a wave comes to each run, and how fast it leaves it, per sample.

    The step beside the run is less than the wave would go; the one before it tells. Far beyond the limit a wave comes
    and goes within one sample: then that step is the least that it can be.
    """
    last = len(wave) - 1
    slopes = []
    for edge, way in ((start, -1), (stop, 1)):
        beside, further = (wave[np.clip(edge + k * way, 0, last)] for k in (1, 2))
        step = wave[edge] - beside
        slopes.append(np.where(step > JUMP * wave[edge], step, beside - further))
    return slopes[0], slopes[1]


def _overshoot(wave: np.ndarray, start: np.ndarray, stop: np.ndarray) -> np.ndarray:
    """Return how far above each run a parabola goes that enters and leaves it with the slopes found.

    A parabola of slope s at the ends of a run of length n rises by s n / 4 above it.
    """
    last = len(wave) - 1
    rising, falling = _slopes(wave, start, stop)
    slope = np.maximum((rising + falling) / 2, 0)
    # The wave crossed the height somewhere between the last sample below and the first of the run.
    before = (wave[start] - wave[np.maximum(start - 1, 0)]) / np.maximum(rising, 1e-9)
    after = (wave[stop] - wave[np.minimum(stop + 1, last)]) / np.maximum(falling, 1e-9)
    length = stop - start + np.clip(before, 0, 1) + np.clip(after, 0, 1)
    return slope * length / 4
