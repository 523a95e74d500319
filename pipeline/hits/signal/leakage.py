"""Tell how far each candidate stands above what leaks into its microphone from the strikers of other channels.

In: how far the peaks of all channels rise at each candidate. Out: dB over the most that leaks in. For each pair of
channels, how much of one arrives at the other is estimated from the recording itself: the peak that appears at the
other channel when nothing louder strikes. Peaks, not powers: a short strike has little power but a high peak, and its
own microphone is next to it. Levels are relative to the usual strike of each channel, so that gains may differ.
"""

import numpy as np

# Frames around a rise (begin, end): where its peak is looked for, and where what rang before is.
WINDOWS = {"own": ((-1, 6), (-13, -3)), "late": ((-1, 11), (-13, -3)), "other": ((-8, 8), (-20, -9))}
SLOW_FRAMES = 3  # milliseconds of the running mean that is subtracted: a low body's tail is no peak
# Percentile of a channel's frames that holds noise alone, and the highest of ten such frames over it.
NOISE_PERCENTILE, NOISE_FACTOR = 5, 1.65
USUAL_QUANTILE = 0.85  # of a channel's peaks: much of what it hears may be leakage
STRUCK_PROBABILITY = 0.5  # of candidates that the leakage is estimated from
LEAST_CANDIDATES = 4  # of a channel: its leakage is not estimated from fewer
ROUNDS = 2  # in the second, candidates that are leakage are left out of the usual strike
UNKNOWN_DB = -15.0  # leakage of a pair with too few candidates
LOUDEST_DB = -2.0  # nothing leaks louder than this
LEAST_DB = -26.0  # nothing counts as leaking less: tails hide what leaks
LOW, LOWEST = 0.25, 0.05  # quantiles of a pair's levels that leakage alone makes
# Standard deviations between the two, and from the first to the middle. Of a normal distribution 0.97 and 0.67;
# how these were chosen is not recorded.
LOW_TO_LOWEST, LOW_TO_MIDDLE = 1.12, 0.52
NOTHING_DB = 40.0  # above what leaks in: with levels by the matched filter, no other channel struck
# Above the leakage a strike is the channel's own: so much, and so many standard deviations of at most so much.
MARGIN_DB, MARGIN_SPREADS, MOST_SPREAD_DB = 4.5, 1.5, 3.0
FIRST_SPREAD_DB = 1.0  # standard deviation of a pair with too few candidates
LEAST_PEAK = 1e-6  # -120 dB: a channel that was never struck has a usual strike, too
_FRAMES_AT_ONCE = 256  # keeps the samples in the processor's cache
_CANDIDATES_AT_ONCE = 4096  # all of a long recording at once would be much


def peaks(samples: np.ndarray, hop: int, n_frames: int) -> np.ndarray:
    """Return the peak of each frame, (n_frames,) array, without the slow swing below about 200 Hz."""
    wide = SLOW_FRAMES * hop
    padded = np.zeros(n_frames * hop + wide, np.float32)
    padded[wide // 2 : wide // 2 + len(samples)] = samples[: len(padded) - wide // 2]
    peak = np.empty(n_frames, np.float32)
    for begin in range(0, n_frames, _FRAMES_AT_ONCE):
        n = min(_FRAMES_AT_ONCE, n_frames - begin) * hop
        part = padded[begin * hop : begin * hop + n + wide - 1]
        fast = part[wide // 2 : wide // 2 + n] - _running_sum(part, wide) / np.float32(wide)
        fast[max(len(samples) - begin * hop, 0) :] = 0.0
        peak[begin : begin + _FRAMES_AT_ONCE] = np.maximum.reduceat(np.abs(fast), np.arange(0, n, hop))
    return peak


def _running_sum(values: np.ndarray, length: int) -> np.ndarray:
    """Return the sum of every `length` neighbours, by doubling."""
    total, at, size = np.zeros(len(values) - length + 1, values.dtype), 0, 1
    while size <= length:
        if length & size:
            total += values[at : at + len(total)]
            at += size
        if 2 * size <= length:
            values = values[:-size] + values[size:]
        size *= 2
    return total


def arriving(peak: np.ndarray, frame: np.ndarray, window: str) -> np.ndarray:
    """Return how far peaks rise at given frames above what rang before, 0 or more.

    Parameters
    ----------
    peak : (..., n_frames) array
        Of one channel or of many.
    frame : (n,) int array
    window : {'own', 'late', 'other'}
        'late' is a channel's own too, with milliseconds for a slow body behind a neighbour's leak.

    Returns
    -------
    arriving : (..., n) float32 array
    """
    after, before = WINDOWS[window]
    last = peak.shape[-1] - 1
    risen = peak[..., np.clip(frame[:, None] + np.arange(*after), 0, last)].max(axis=-1, initial=0)
    rang = peak[..., np.clip(frame[:, None] + np.arange(*before), 0, last)].max(axis=-1, initial=0)
    return np.sqrt(np.maximum(np.square(risen) - np.square(rang), 0)).astype(np.float32)


def highest_near(at: np.ndarray, owner: np.ndarray, height: np.ndarray, n_channels: int, reach: float) -> np.ndarray:
    """Return the height of the highest candidate of each channel near each candidate, 0 where there is none.

    Parameters
    ----------
    at, owner, height : (n,) arrays
        Sample, channel from 0, and height of each candidate; in its own channel it counts alone.
    n_channels : int
    reach : float
        Samples.

    Returns
    -------
    heights : (n, n_channels) float32 array
    """
    heights, every = np.zeros((len(at), n_channels), np.float32), np.argsort(at, kind="stable")
    for channel in range(n_channels):
        mine = every[owner[every] == channel]
        ends = np.searchsorted(at[mine], at[every][:, None] + np.array([-reach, reach]))
        highest = np.maximum.reduceat(np.append(height[mine], 0.0), ends.ravel())[::2] if len(at) else 0.0
        heights[every, channel] = np.where(ends[:, 1] > ends[:, 0], highest, 0.0)
    heights[np.arange(len(at)), owner] = height
    return heights


def noise_peak(peak: np.ndarray) -> float:
    """Return the peak that noise reaches around a rise, from the peaks of a channel's frames, (n_frames,)."""
    return NOISE_FACTOR * float(np.percentile(peak[::4], NOISE_PERCENTILE)) if len(peak) else 0.0


def above_leakage_db(
    arriving: np.ndarray,
    level: np.ndarray,
    late: np.ndarray,
    noise_peak: np.ndarray,
    owner: np.ndarray,
    probability: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Return how far each candidate stands above the most that leaks in from another channel.

    Parameters
    ----------
    arriving : (n, n_channels) array
        `arriving` of every channel at each candidate: the leakage is estimated from it.
    level : (n, n_channels) array
        The same, or the matched filter's, which reaches below the noise.
    late : (n,) array
        How far the own channel rises with some more milliseconds.
    noise_peak : (n_channels,) array
        What leaks in below it cannot be seen.
    owner : (n,) int array
        Channel that found the candidate, from 0.
    probability : (n,) array
        That something struck at all; what is unlikely is not used to estimate leakage.

    Returns
    -------
    above_db : (n,) array
        Over 0: its own. Infinite with one channel, and where the most that leaks in lies below the noise.
    late_db : (n,) array
        The same with some more milliseconds.
    """
    n_channels = arriving.shape[1]
    if n_channels < 2 or not len(owner):
        return np.full(len(owner), np.inf), np.full(len(owner), np.inf)
    struck, above_db, late_db = probability > STRUCK_PROBABILITY, np.zeros(len(owner)), np.zeros(len(owner))
    parts = [slice(begin, begin + _CANDIDATES_AT_ONCE) for begin in range(0, len(owner), _CANDIDATES_AT_ONCE)]
    for _ in range(ROUNDS):
        usual = _usual(arriving, owner, struck & (above_db >= 0))
        loudest_here = np.concatenate([(arriving[part] / usual).argmax(axis=1) for part in parts]) == owner
        leakage_db, margin_db = _leakage(arriving, usual, owner, struck & loudest_here)
        for part in parts:
            its = owner[part]
            level_db, by_filter = _level_db(level[part], usual), (level[part] != arriving[part]).any(axis=1)
            # Powers add up: what leaks in from all other channels.
            most_db = 10 * np.log10(np.power(10, 0.1 * (level_db + (leakage_db + margin_db)[:, its].T)).sum(axis=1))
            hidden = most_db < _level_db(noise_peak, usual)[its]
            own_db = level_db[np.arange(len(level_db)), its] - most_db
            alone = np.where(by_filter, own_db > NOTHING_DB, hidden)
            above_db[part] = np.where(alone, np.inf, own_db)
            late_db[part] = np.where(alone, np.inf, _level_db(late[part], usual[its]) - most_db)
    return above_db, late_db


def _usual(arriving: np.ndarray, owner: np.ndarray, own: np.ndarray) -> np.ndarray:
    """Return the peak of each channel's usual strike, (n_channels,), from its `own` candidates."""
    usual = np.full(arriving.shape[1], LEAST_PEAK)
    for channel in range(len(usual)):
        if (mine := own & (owner == channel)).any():
            usual[channel] = max(LEAST_PEAK, np.quantile(arriving[mine, channel], USUAL_QUANTILE))
    return usual


def _level_db(peak: np.ndarray, usual: np.ndarray) -> np.ndarray:
    return 20 * np.log10(peak / usual + 1e-6)


def _leakage(
    arriving: np.ndarray, usual: np.ndarray, owner: np.ndarray, use: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return from-to leakage (dB, relative to the usual level of both) and the margin above it, from the candidates of
    `use`, (n_channels, n_channels) arrays."""
    n_channels = len(usual)
    leakage_db = np.full((n_channels, n_channels), UNKNOWN_DB)
    spread_db = np.full((n_channels, n_channels), FIRST_SPREAD_DB)
    for source in range(n_channels):
        level_db = _level_db(arriving[use & (owner == source)], usual)
        if len(level_db) >= LEAST_CANDIDATES:
            difference_db = level_db - level_db[:, source][:, None]
            # Leakage is always there, strikes at the same moment only add to it: the lower side estimates it.
            low, lowest = np.quantile(difference_db, (LOW, LOWEST), axis=0)
            spread_db[source] = np.minimum((low - lowest) / LOW_TO_LOWEST, MOST_SPREAD_DB)
            leakage_db[source] = low + LOW_TO_MIDDLE * spread_db[source]
    leakage_db = np.clip(leakage_db, LEAST_DB, LOUDEST_DB)
    np.fill_diagonal(leakage_db, -np.inf)
    return leakage_db, MARGIN_DB + MARGIN_SPREADS * spread_db
