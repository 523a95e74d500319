"""Find where something may have struck: a sudden rise in several frequency bands of one channel.

Log spectral flux (after Dixon 2006, "Onset detection revisited", and Böck & Widmer 2013, "Maximum filter vibrato
suppression") in `tables.N_BANDS` bands at a hop of about a millisecond. Deviations: the rise is measured above the
loudest of a few milliseconds before (a body that beats between two modes is no onset); power below the running floor of
its band counts little, so that noise, hum and rumble raise nothing however loud they are; six measures, 5 to 16 ms
long, because a click is seen best in a short window and in many bands, a soft stroke in noise in a long one, and a low
drum in one band alone.
"""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft

from pipeline.tables import N_BANDS

HOP_S = 0.001
WINDOW_S = 0.0053  # as short as a band of 200 Hz allows; a strike is far shorter
LOWEST_HZ, HIGHEST_HZ = 150.0, 16000.0
LEAST_FLOOR = 1e-10  # power, -100 dB: rounding of 16 bit lies about here
FLOOR_DEPTH = 3e-7  # of the loudest power of the block: what lies 65 dB below a strike is no strike
QUIET_SHARE, QUIET_TO_MEAN = 20, 2.2  # percentile of a band that is noise, and the mean of such noise over it
WIDEST_DB = 1e-12
_FRAMES_AT_ONCE = 256  # keeps the spectra in the processor's cache


@dataclass(frozen=True)
class Frames:
    """How a channel is cut into frames: `hop` and `size` samples, `edges` of the bands in bins of the spectrum."""

    rate_hz: int
    hop: int
    size: int
    edges: tuple[int, ...]


@dataclass(frozen=True)
class Measure:
    """One way to measure a rise.

    The mean of `length` frames is held against the loudest such mean that ended `back` to `back + 3` frames before;
    `floor` floors are added to both. `norm` is that of the mean over the bands: 1 sees many bands that rise, 4 one that
    rises much.
    """

    length: int
    floor: float
    back: int
    norm: int
    wide: bool  # bands weigh by the root of their bins


# Broad, sharp and narrow rises make candidates; all measures decide.
MEASURES = (
    Measure(8, 1.0, 1, 1, False),
    Measure(8, 0.5, 1, 2, True),
    Measure(16, 0.5, 0, 1, True),
    Measure(4, 1.0, 3, 2, True),
    Measure(1, 4.0, 6, 1, False),
    Measure(16, 1.0, 0, 4, False),
)
BROAD, SHARP, NARROW = 0, 4, 5


@dataclass(frozen=True)
class Rises:
    """Rises of one channel, a frame each: the measures (dB), how many dB the strongest and the 6th strongest band rise
    by the first measure, and the level (dB re full scale)."""

    measured: np.ndarray
    strongest_db: np.ndarray
    middle_db: np.ndarray
    level_db: np.ndarray


def frames(rate_hz: int) -> Frames:
    """Choose frames for a sampling rate; bands that lie above half of it are empty."""
    size = 1 << round(np.log2(rate_hz * WINDOW_S))
    bin_hz = rate_hz / size
    edges = [1]
    for edge in np.geomspace(LOWEST_HZ, HIGHEST_HZ, N_BANDS + 1)[1:] / bin_hz:
        edges.append(max(edges[-1] + 1, round(edge)))
    top = size // 2 + 1
    return Frames(rate_hz, max(1, round(rate_hz * HOP_S)), size, tuple(min(edge, top) for edge in edges))


def without_offset(samples: np.ndarray) -> np.ndarray:
    """Return the samples of one channel without their mean, (n,) array in one piece."""
    one = np.array(samples)
    one -= one.mean()
    return one


def band_power(samples: np.ndarray, cut: Frames) -> np.ndarray:
    """Return the power in each band and frame.

    Parameters
    ----------
    samples : (n,) float32 array

    Returns
    -------
    power : (n_frames, N_BANDS) float32 array
        A full-scale sine within a band gives about 0.5. Frame k is centred at sample `k * hop`; what lies outside the
        samples counts as silence.
    """
    half = cut.size // 2
    n_frames = len(samples) // cut.hop + 1
    padded = np.zeros((n_frames - 1) * cut.hop + cut.size, np.float32)
    padded[half : half + len(samples)] = samples[: len(padded) - half]
    window = np.hanning(cut.size + 1)[:-1].astype(np.float32)
    # Parseval: the squared window is taken out, so that the bands add up to the mean square.
    window /= np.sqrt(np.float32(cut.size) * np.square(window).sum() / 2)
    # Real and imaginary parts lie side by side: each bin has two rows.
    of_bin = np.zeros((2 * cut.edges[-1], N_BANDS), np.float32)
    for band, (low, high) in enumerate(zip(cut.edges[:-1], cut.edges[1:], strict=True)):
        of_bin[2 * low : 2 * high, band] = 1.0
    cut_up = sliding_window_view(padded, cut.size)[:: cut.hop]
    power = np.empty((n_frames, N_BANDS), np.float32)
    for begin in range(0, n_frames, _FRAMES_AT_ONCE):
        spectrum = fft.rfft(cut_up[begin : begin + _FRAMES_AT_ONCE] * window).view(np.float32)[:, : len(of_bin)]
        power[begin : begin + _FRAMES_AT_ONCE] = np.square(spectrum) @ of_bin
    return power


def floors(power: np.ndarray) -> np.ndarray:
    """Return the floor of each band: the mean power of its noise, from the level that a fifth of the frames stay under.

    Returns
    -------
    floor : (N_BANDS,) float32 array
    """
    quiet = np.percentile(power[::4], QUIET_SHARE, axis=0) * QUIET_TO_MEAN
    return np.maximum(quiet, LEAST_FLOOR + FLOOR_DEPTH * power.max(initial=0.0)).astype(np.float32)


def rises(power: np.ndarray, floor: np.ndarray, cut: Frames) -> Rises:
    """Measure how far each frame rises above what came before.

    Parameters
    ----------
    power : (n_frames, N_BANDS) array
    floor : (N_BANDS,) array
    """
    bins = np.diff(cut.edges).astype(np.float32)
    total = np.cumsum(np.pad(power, ((1, max(m.length for m in MEASURES)), (0, 0)), mode="edge"), 0, np.float64)
    total -= total[0]
    measured, bands = [], None
    for measure in MEASURES:
        mean = (total[measure.length : measure.length + len(power)] - total[: len(power)]).astype(np.float32)
        mean = np.maximum(mean, 0) / np.float32(measure.length)
        level_db = 10 * np.log10(mean + measure.floor * floor)
        rise_db = np.maximum(level_db - _loudest_before(level_db, measure.length + measure.back - 1), 0)
        weight = np.sqrt(bins) if measure.wide else (bins > 0).astype(np.float32)
        weight = weight / weight.sum()
        measured.append(_mean(rise_db, weight, measure.norm))
        if bands is None:
            bands = np.sort(rise_db, axis=1)
            level = 10 * np.log10(mean.sum(axis=1) + WIDEST_DB)
    return Rises(np.stack(measured, axis=1), bands[:, -1], bands[:, N_BANDS // 2], level)


def peaks(rise: np.ndarray, threshold_db: float, gap: int) -> np.ndarray:
    """Return the frames at which `rise` is over the threshold and the highest within `gap` frames, first of equals."""
    if not len(rise):
        return np.zeros(0, np.int64)
    highest = running_maximum(rise, gap)
    at = np.flatnonzero((rise >= highest) & (rise > threshold_db))
    # A plateau has several equal peaks; its first is the one.
    return at[np.diff(at, prepend=-gap - 1) > gap] if len(at) else at


def running_maximum(values: np.ndarray, reach: int) -> np.ndarray:
    """Return the maximum over `reach` neighbours on either side, by doubling."""
    width = 2 * reach + 1
    reached, length = np.pad(values, (reach, reach), constant_values=-np.inf), 1
    while 2 * length <= width:
        reached = np.maximum(reached[:-length], reached[length:])
        length *= 2
    rest = width - length
    return np.maximum(reached[: len(reached) - rest], reached[rest:]) if rest else reached


def _mean(rise_db: np.ndarray, weight: np.ndarray, norm: int) -> np.ndarray:
    powers = rise_db
    for _ in range(norm // 2):
        powers = np.square(powers)
    total = powers @ weight
    for _ in range(norm // 2):
        total = np.sqrt(total)
    return total


def _loudest_before(level_db: np.ndarray, back: int) -> np.ndarray:
    """Return the loudest of the frames from `back` to `back + 3` before each; at the beginning, the frame itself."""
    loudest = level_db.copy()
    back = max(back, 1)
    if len(level_db) > back + 3:
        four = np.maximum(level_db[:-1], level_db[1:])
        four = np.maximum(four[:-2], four[2:])
        loudest[back + 3 :] = four[: len(level_db) - back - 3]
    return loudest
