"""Decide which channel a strike belongs to when microphones hear their neighbours.

For each pair of channels the recording itself tells how much of one arrives at the other: the peak that appears at the
other channel when nothing louder strikes. A candidate that is no higher than what leaks in from a strike at the same
moment is not kept. Peaks, not powers: a short strike has little power but a high peak, and its own microphone is next
to it. Levels are held against the usual strike of each channel, so that gains may differ. And twice: by what rises
quickly, in which a leak is told from what rings, and by the peaks that the channels' own candidates reach, in which a
low body is not lost.
"""

import numpy as np

# Around a rise: where its peak is looked for, and what rang before.
WINDOWS = {"own": ((-1, 6), (-13, -3)), "late": ((-1, 11), (-13, -3)), "other": ((-8, 8), (-20, -9))}
SLOW_FRAMES = 3  # what swings more slowly is taken out: a low body's tail is no peak
QUIET_SHARE, QUIET_TIMES = 5, 1.65  # percentile of a channel's frames that is noise; highest of ten frames over it
USUAL_QUANTILE = 0.85  # of a channel's peaks: much of what it hears may be leakage
MANY_HITS = 4  # fewer of a channel tell nothing about its leakage
UNKNOWN_DB = -15.0  # leakage of a pair that no hit tells about
LOUDEST_DB = -2.0  # nothing leaks louder than this
LEAST_DB = -26.0  # nothing counts as leaking less: tails hide what leaks
LOW, LOWEST = (
    0.25,
    0.05,
)  # quantiles; of a normal distribution they lie 0.97 deviations apart, the first 0.67 from the middle
LOW_TO_LOWEST, LOW_TO_MIDDLE = 1.12, 0.52  # deviations of a normal distribution between them, and to its middle
NOTHING_DB = 40.0  # above what leaks in: where levels are known below the noise, nobody else struck
MARGIN_DB, MARGIN_SPREADS, WIDEST_DB = 4.5, 1.5, 3.0  # above the leakage; times its scatter, which is at most the last
_FRAMES_AT_ONCE = 256  # keeps the samples in the processor's cache
_HITS_AT_ONCE = 4096  # all of a long recording at once would be much


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


def beside(at: np.ndarray, owner: np.ndarray, height: np.ndarray, n_channels: int, near: float) -> np.ndarray:
    """Return the highest candidate of each channel within `near` samples of each candidate, 0 where there is none.

    Parameters
    ----------
    at, owner, height : (n_hits,) arrays
        Sample, channel from 0, and height of each candidate; its own channel has its own height.

    Returns
    -------
    heights : (n_hits, n_channels) float32 array
    """
    heights, every = np.zeros((len(at), n_channels), np.float32), np.argsort(at, kind="stable")
    for channel in range(n_channels):
        mine = every[owner[every] == channel]
        ends = np.searchsorted(at[mine], at[every][:, None] + np.array([-near, near]))
        highest = np.maximum.reduceat(np.append(height[mine], 0.0), ends.ravel())[::2] if len(at) else 0.0
        heights[every, channel] = np.where(ends[:, 1] > ends[:, 0], highest, 0.0)
    heights[np.arange(len(at)), owner] = height
    return heights


def quiet(peak: np.ndarray) -> float:
    """Return the peak that noise reaches around a rise."""
    return QUIET_TIMES * float(np.percentile(peak[::4], QUIET_SHARE)) if len(peak) else 0.0


def above_leakage_db(
    risen: np.ndarray,
    level: np.ndarray,
    late: np.ndarray,
    quiet: np.ndarray,
    owner: np.ndarray,
    probability: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Return how far each candidate stands above the most that leaks in from another channel.

    Parameters
    ----------
    risen : (n_hits, n_channels) array
        `arriving` of every channel at each candidate: tells the leakage.
    level : (n_hits, n_channels) array
        The same, or what is known better, below the noise too.
    late : (n_hits,) array
        How far the own channel rises with some more milliseconds.
    quiet : (n_channels,) array
        Peak of each channel's noise: what leaks in below it cannot be seen.
    owner : (n_hits,) int array
        Channel that found the candidate, from 0.
    probability : (n_hits,) array
        That something struck at all; what is unlikely tells nothing about leakage.

    Returns
    -------
    above_db : (n_hits,) array
        Over 0: its own. Infinite with one channel, and where the most that leaks in lies below the noise.
    late_db : (n_hits,) array
        The same with some more milliseconds.
    """
    n_channels = risen.shape[1]
    if n_channels < 2 or not len(owner):
        return np.full(len(owner), np.inf), np.full(len(owner), np.inf)
    use, above_db, late_db = probability > 0.5, np.zeros(len(owner)), np.zeros(len(owner))
    parts = [slice(begin, begin + _HITS_AT_ONCE) for begin in range(0, len(owner), _HITS_AT_ONCE)]
    for _ in range(2):
        usual = np.full(n_channels, 1e-6)
        for channel in range(n_channels):
            if (mine := use & (owner == channel) & (above_db >= 0)).any():
                usual[channel] = max(1e-6, np.quantile(risen[mine, channel], USUAL_QUANTILE))
        own = np.concatenate([(risen[part] / usual).argmax(axis=1) for part in parts]) == owner
        leakage_db, margin_db = _leakage(risen, usual, owner, use & own)
        for part in parts:
            level_db, deep = _level_db(level[part], usual), (level[part] != risen[part]).any(axis=1)
            arriving_db = 10 * np.log10(
                np.power(10, 0.1 * (level_db + (leakage_db + margin_db)[:, owner[part]].T)).sum(axis=1)
            )
            hidden = arriving_db < _level_db(quiet, usual)[owner[part]]
            its_db = level_db[np.arange(len(level_db)), owner[part]] - arriving_db
            alone = np.where(deep, its_db > NOTHING_DB, hidden)
            above_db[part] = np.where(alone, np.inf, its_db)
            late_db[part] = np.where(alone, np.inf, _level_db(late[part], usual[owner[part]]) - arriving_db)
    return above_db, late_db


def _level_db(risen: np.ndarray, usual: np.ndarray) -> np.ndarray:
    return 20 * np.log10(risen / usual + 1e-6)


def _leakage(risen: np.ndarray, usual: np.ndarray, owner: np.ndarray, use: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return from-to leakage (dB against the usual level of both) and the margin above it, from the hits of use."""
    n_channels = len(usual)
    leakage_db = np.full((n_channels, n_channels), UNKNOWN_DB)
    spread_db = np.full((n_channels, n_channels), 1.0)
    for source in range(n_channels):
        hits = _level_db(risen[use & (owner == source)], usual)
        if len(hits) >= MANY_HITS:
            difference_db = hits - hits[:, source][:, None]
            # Leakage is always there, strikes at the same moment only add to it: the lower side tells it.
            low, lowest = np.quantile(difference_db, (LOW, LOWEST), axis=0)
            spread_db[source] = np.minimum((low - lowest) / LOW_TO_LOWEST, WIDEST_DB)
            leakage_db[source] = low + LOW_TO_MIDDLE * spread_db[source]
    leakage_db = np.clip(leakage_db, LEAST_DB, LOUDEST_DB)
    np.fill_diagonal(leakage_db, -np.inf)
    return leakage_db, MARGIN_DB + MARGIN_SPREADS * spread_db
