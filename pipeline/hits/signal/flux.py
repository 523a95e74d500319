"""Measure sudden rises of one channel's power in frequency bands: where something may have struck.

In: samples. Out: band powers a frame; rises (dB) a frame; frames of peaks. Log spectral flux (after Dixon 2006, "Onset
detection revisited", and Böck & Widmer 2013, "Maximum filter vibrato suppression") in `tables.N_BANDS` bands at a hop
of a millisecond. Deviations: the rise is measured above the loudest of a few milliseconds before (a body that beats
between two modes is no onset); power below the floor of its band counts little, so that noise, hum and rumble raise
nothing however loud they are; six measures, 5 to 16 ms long, because a click is seen best in a short window and in many
bands, a soft stroke in noise in a long one, and a low drum in one band alone.
"""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft

from pipeline.tables import N_BANDS

HOP_S = 0.001
WINDOW_S = 0.0053  # 256 samples at 48 kHz: as short as a band of 200 Hz allows; a strike is far shorter
LOWEST_HZ, HIGHEST_HZ = 150.0, 16000.0  # of the bands, which are as wide as one another in octaves
LEAST_FLOOR = 1e-10  # power, -100 dB: rounding of 16 bit lies about here
FLOOR_DEPTH = 3e-7  # of the loudest power of the block: what lies 65 dB below a strike is no strike
NOISE_PERCENTILE, MEAN_TO_PERCENTILE = 20, 2.2  # of a band's frames that is noise, and the mean of such noise over it
LEAST_LEVEL = 1e-12  # power, so that silence has a level
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

    The mean power of `length` frames is compared with the loudest such mean that ended `back` to `back + 3` frames
    before; `floor` times the floor of the band is added to both. `norm` is that of the mean over the bands: 1 sees many
    bands that rise, 4 one that rises much; bands of a `wide` one weigh by the root of their bins.
    """

    length: int
    floor: float
    back: int
    norm: int
    wide: bool


# Three make candidates (`first_pass`), all are features (`features.RISE` names them in this order): to change one needs
# a new fit (tests/benchmarks/hits_fit.py).
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
    """Rises of one channel, a row or entry a frame.

    `measured`: (n_frames, n_measures), dB; `strongest_db`, `middle_db`: rise of the strongest and of the 6th strongest
    band by the first measure; `level_db`: mean power of the first measure, re full scale.
    """

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
    cut : Frames

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
    """Return the floor of each band: the mean power of its noise, from a low percentile of the frames.

    Parameters
    ----------
    power : (n_frames, N_BANDS) array

    Returns
    -------
    floor : (N_BANDS,) float32 array
    """
    quiet = np.percentile(power[::4], NOISE_PERCENTILE, axis=0) * MEAN_TO_PERCENTILE
    return np.maximum(quiet, LEAST_FLOOR + FLOOR_DEPTH * power.max(initial=0.0)).astype(np.float32)


def rises(power: np.ndarray, floor: np.ndarray, cut: Frames) -> Rises:
    """Measure how far each frame rises above what came before.

    Parameters
    ----------
    power : (n_frames, N_BANDS) array
    floor : (N_BANDS,) array
    cut : Frames

    Returns
    -------
    Rises
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
            level = 10 * np.log10(mean.sum(axis=1) + LEAST_LEVEL)
    return Rises(np.stack(measured, axis=1), bands[:, -1], bands[:, N_BANDS // 2], level)


def peaks(rise: np.ndarray, threshold_db: float, gap: int) -> np.ndarray:
    """Return the frames at which `rise`, (n_frames,), is over the threshold and the highest within `gap` frames.

    Of equals that touch, the first.
    """
    if not len(rise):
        return np.zeros(0, np.int64)
    highest = running_maximum(rise, gap)
    at = np.flatnonzero((rise >= highest) & (rise > threshold_db))
    # A plateau has several equal peaks; its first is the one.
    return at[np.diff(at, prepend=-gap - 1) > gap] if len(at) else at


def running_maximum(values: np.ndarray, reach: int) -> np.ndarray:
    """Return the maximum over `reach` neighbours on either side, by doubling, (n,) array of (n,) values."""
    width = 2 * reach + 1
    reached, length = np.pad(values, (reach, reach), constant_values=-np.inf), 1
    while 2 * length <= width:
        reached = np.maximum(reached[:-length], reached[length:])
        length *= 2
    rest = width - length
    return np.maximum(reached[: len(reached) - rest], reached[rest:]) if rest else reached


def _mean(rise_db: np.ndarray, weight: np.ndarray, norm: int) -> np.ndarray:
    """Return the weighted mean over the bands, of a norm 1, 2 or 4."""
    powers = rise_db
    for _ in range(norm // 2):
        powers = np.square(powers)
    total = powers @ weight
    for _ in range(norm // 2):
        total = np.sqrt(total)
    return total


def _loudest_before(level_db: np.ndarray, back: int) -> np.ndarray:
    """Return the loudest of the frames from `back` to `back + 3` before each; at first, the frame itself."""
    loudest = level_db.copy()
    back = max(back, 1)
    if len(level_db) > back + 3:
        four = np.maximum(level_db[:-1], level_db[1:])
        four = np.maximum(four[:-2], four[2:])
        loudest[back + 3 :] = four[: len(level_db) - back - 3]
    return loudest
