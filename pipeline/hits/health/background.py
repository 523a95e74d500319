"""Measure what lies under the strikes of one channel: hum, rumble, noise, and the level of its high bands over time.

In: samples and band powers of a block. Out: `Background` of the block, levels every 20 ms; then, from all blocks, hum,
rumble and the other noise of the channel.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

SLOW_RATE_HZ = 3000  # chosen: hum (to 480 Hz) and rumble are measured at about this sampling rate, which saves time
SHORTEST_S = 2.0  # chosen: a shorter block resolves no lines of 0.5 Hz and is not measured
HARMONICS = 8  # chosen: of the mains that are added up; the study makes as many
# Half width of a harmonic's line. Derived: that of a Hann window's main lobe in 5 s is 0.4 Hz. Chosen: the mains may be
# off by 0.08 Hz.
LINE_HZ, LINE_PER_HARMONIC_HZ = 0.5, 0.08
NEIGHBOURS_HZ = (1.5, 8.0)  # chosen: distance from the line of the bins that tell what would be there without it
LINE_TO_NEIGHBOURS = 3.0  # measured: least power of a line over its neighbours'
HUM_PIECE_S = 0.34  # chosen: 17 periods of 50 Hz, and short enough to fit between strikes
PIECE_LINE_WIDTH = (
    1.6  # half width of a line in such a piece, in 1 / HUM_PIECE_S; chosen: a Hann window's main lobe ends at 2
)
RUMBLE_FROM_HZ, RUMBLE_TO_HZ = (3.0, 7.0), (30.0, 45.0)  # chosen: edges, from no weight to full weight and back
# Chosen: rumble is the power in the quietest fifth of pairs of such pieces, as it goes on between strikes.
RUMBLE_PIECE_S, QUIETEST_RUMBLE = 0.1, 0.2
MOMENT_S, QUIETEST_SHARE = 0.05, 0.05  # chosen: length of a moment, and share of the moments that is called quietest
LEVEL_PIECE_S = 0.02  # chosen: the level of the high bands is followed in such pieces
HIGH_BANDS = 4  # chosen: the highest of the bands, in which bodies die first
FIRST_BAND_ABOVE_HUM = 3  # derived: the lowest band (from about 480 Hz on) that holds none of 8 harmonics of 60 Hz
HUM_BLOCKS = 0.7  # quantile of the blocks' hum; measured: in some blocks strikes hide it
QUIETER_BLOCKS = 0.25  # quantile of the blocks; measured: the quieter ones tell what lies under the strikes
QUIETEST_TO_HUM = 1.6  # measured: hum is at least 1 / 1.6 of all there is at the quietest moments, or not steady
# Measured: hum stays within so many dB between these quantiles of its pieces; a ringing body falls.
HUM_AMONG, HUM_RANGE_DB = (0.03, 0.12), 1.5
# Measured: quantiles of the rumble's pieces; the third lies 3 to 5 dB above the second, 6.5 at most. If not, low drums
# died away between strikes, and rumble is at most 4 dB above the first.
RUMBLE_AMONG, RUMBLE_RANGE_DB, RUMBLE_ABOVE_LEAST_DB = (0.03, 0.12, 0.5), 6.5, 4.0
LEAST_NOISE_SHARE = 0.1  # chosen: of the quietest power; a small difference of large powers is known no better


@dataclass(frozen=True)
class Background:
    """What lies under the strikes of one channel in one block; all values are powers, a full-scale sine's is 0.5.

    hum, rumble : float
        Between strikes.
    quietest : float
        All there is at the quietest moments.
    above : float
        The same of the bands above the hum.
    hum_pieces, rumble_pieces : (n,) array
        Power near the mains' harmonics in pieces of HUM_PIECE_S, of the rumble in pieces of RUMBLE_PIECE_S.
    bands : (N_BANDS,) array
        At the quietest moments.
    """

    hum: float
    rumble: float
    quietest: float
    above: float
    hum_pieces: np.ndarray
    rumble_pieces: np.ndarray
    bands: np.ndarray


def of_block(
    samples: np.ndarray, rate_hz: int, mains_hz: float | None, power: np.ndarray, hop_s: float
) -> Background | None:
    """Measure the background of one channel in one block; None where the block is too short.

    Hum is the power in narrow lines at the mains' harmonics, as far as it is there at the quietest moment, too: a
    struck body that is tuned there dies away.

    Parameters
    ----------
    samples : (n,) array
        Without context.
    mains_hz : float or None
        None: hum is not looked for.
    power : (n_frames, N_BANDS) array
        `flux.band_power` of the samples.
    hop_s : float
        Between frames, > 0.
    """
    if len(samples) < SHORTEST_S * rate_hz:
        return None
    step = max(1, rate_hz // SLOW_RATE_HZ)
    slow = samples[: len(samples) // step * step].reshape(-1, step) @ np.full(step, 1 / step, samples.dtype)
    slow = slow - slow.mean(dtype=np.float64)
    slow_hz = rate_hz / step
    window, _ = _weights(len(slow), slow_hz)
    spectrum = np.fft.rfft(slow * window)
    hum, hum_pieces = 0.0, np.zeros(0)
    if mains_hz:
        hum_pieces = _hum_power(pieces(slow, round(HUM_PIECE_S * slow_hz)), slow_hz, mains_hz)
        lines = _lines(spectrum, len(slow), slow_hz, mains_hz) * 2 / len(slow) / np.square(window).sum()
        hum = min(lines, _quiet_hum(slow, slow_hz, mains_hz)) if lines > 0 else 0.0
    above, bands = _quietest_bands(power, round(MOMENT_S / hop_s))
    rumble_pieces = _rumble_power(spectrum, len(slow), slow_hz)
    rumble = float(_quantile(pieces(rumble_pieces, 2).mean(axis=1), QUIETEST_RUMBLE))
    return Background(hum, rumble, _quietest_power(samples, rate_hz), above, hum_pieces, rumble_pieces, bands)


def high_band_level_db(power: np.ndarray, hop_s: float) -> tuple[np.ndarray, float]:
    """Return the median level of the high bands in pieces of LEVEL_PIECE_S, dB re full scale.

    Parameters
    ----------
    power : (n_frames, n_bands) array
        Of one block, without its context.
    hop_s : float
        Between frames, > 0.

    Returns
    -------
    level_db : (n_pieces,) float16 array
        Half precision: a tenth of a decibel is fine, and an hour is kept.
    piece_s : float
        Length of a piece.
    """
    size = max(1, round(LEVEL_PIECE_S / hop_s))
    high = power[:, -HIGH_BANDS:].sum(axis=1)
    ordered = np.sort(pieces(high, size), axis=1)
    middle = (ordered[:, (size - 1) // 2] + ordered[:, size // 2]) / 2
    return (10 * np.log10(middle + 1e-15)).astype(np.float16), size * hop_s


def hum_rumble_noise(blocks: list[Background]) -> tuple[float, float, float]:
    """Return hum, rumble and the other noise of a channel from all its blocks.

    Returns
    -------
    hum, rumble, noise : float
        Powers; 0, 0, 1 without any block.
    """
    if not blocks:
        return 0.0, 0.0, 1.0
    values = np.array([(block.hum, block.rumble, block.quietest, block.above) for block in blocks])
    hum = np.quantile(values[:, 0], HUM_BLOCKS)
    rumble, quietest, above = np.quantile(values[:, 1:], QUIETER_BLOCKS, axis=0)
    # What is not there at the quietest moments is no hum, but struck bodies of that pitch.
    hum = min(hum, _steady_hum(blocks)) if hum < QUIETEST_TO_HUM * quietest else 0.0
    rumble = min(rumble, _most_rumble(blocks))
    # The noise above the hum is measured by itself: the difference of two large powers is not known well.
    return hum, rumble, max(quietest - hum - rumble, above, LEAST_NOISE_SHARE * quietest, 1e-12)


def quiet_bands(blocks: list[Background]) -> np.ndarray:
    """Return the median power of each band in the quieter blocks, (N_BANDS,) array; there has to be a block."""
    bands = np.array([block.bands for block in blocks])
    total = bands.sum(axis=1)
    return np.median(bands[total <= np.quantile(total, QUIETER_BLOCKS)], axis=0)


def pieces(values: np.ndarray, size: int) -> np.ndarray:
    """Return the rows of values in pieces of `size`, (n, size, ...) array, without the rest."""
    n = len(values) // size
    return values[: n * size].reshape(n, size, *values.shape[1:])


@lru_cache(maxsize=2)
def _weights(n: int, slow_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the window and the share of each frequency that is rumble; they are the same for every block but the last.

    Soft edges: a sharp one would smear strikes over the time between them.
    """
    frequency = np.fft.rfftfreq(n, 1 / slow_hz)
    low, high = (np.interp(frequency, edge, (0, np.pi / 2)) for edge in (RUMBLE_FROM_HZ, RUMBLE_TO_HZ))
    return np.hanning(n), np.square(np.sin(low) * np.cos(high))


def _lines(spectrum: np.ndarray, n: int, slow_hz: float, mains_hz: float) -> float:
    """Return the power of the mains' lines above what lies beside them."""
    inside, beside = _around(n, slow_hz, mains_hz)
    power = np.square(np.abs(spectrum[: inside.shape[1]]))
    total, expected = inside @ power, beside @ power
    return float((total - expected)[total > LINE_TO_NEIGHBOURS * expected].sum())


@lru_cache(maxsize=2)
def _around(n: int, slow_hz: float, mains_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the weight of each frequency in each line, and in what would be there without it, (HARMONICS, n) arrays.

    Where a line has nothing in it or beside it, both are 0.
    """
    harmonic = np.arange(1, HARMONICS + 1)[:, None]
    frequency = np.fft.rfftfreq(n, 1 / slow_hz)
    frequency = frequency[: np.searchsorted(frequency, HARMONICS * mains_hz + NEIGHBOURS_HZ[1])]
    away_hz = np.abs(frequency - harmonic * mains_hz)
    inside = (away_hz < LINE_HZ + LINE_PER_HARMONIC_HZ * harmonic).astype(float)
    beside = (away_hz > NEIGHBOURS_HZ[0]) & (away_hz < NEIGHBOURS_HZ[1])
    n_beside = beside.sum(axis=1, keepdims=True)
    n_inside = inside.sum(axis=1, keepdims=True)
    return inside * (n_beside > 0), beside * n_inside / np.maximum(n_beside, 1)


def _quiet_hum(slow: np.ndarray, slow_hz: float, mains_hz: float) -> float:
    """Return the power near the mains' harmonics in the quietest stretch of HUM_PIECE_S."""
    size = round(HUM_PIECE_S * slow_hz)
    total = np.cumsum(np.pad(np.square(slow), (1, 0)))
    at = int((total[size:] - total[:-size]).argmin())
    return float(_hum_power(slow[None, at : at + size], slow_hz, mains_hz)[0])


def _hum_power(parts: np.ndarray, slow_hz: float, mains_hz: float) -> np.ndarray:
    """Return the power near the mains' harmonics in pieces of HUM_PIECE_S, (n, size) array."""
    size = parts.shape[1]
    window = np.hanning(size)
    power = 2 * np.square(np.abs(np.fft.rfft(parts * window, axis=1))) / size / np.square(window).sum()
    frequency = np.fft.rfftfreq(size, 1 / slow_hz)
    harmonic = np.clip(np.round(frequency / mains_hz), 1, HARMONICS)
    return power[:, np.abs(frequency - harmonic * mains_hz) < PIECE_LINE_WIDTH / HUM_PIECE_S].sum(axis=1)


def _rumble_power(spectrum: np.ndarray, n: int, slow_hz: float) -> np.ndarray:
    """Return the power of the rumble in pieces of RUMBLE_PIECE_S from the middle of a block."""
    window, share = _weights(n, slow_hz)
    wave = np.fft.irfft(spectrum * share, n)
    middle = slice(n // 4, -n // 4)
    wave = wave[middle] / window[middle]
    return np.square(pieces(wave, round(RUMBLE_PIECE_S * slow_hz))).mean(axis=1)


def _quietest_bands(power: np.ndarray, size: int) -> tuple[float, np.ndarray]:
    """Return the power above the hum at the quietest of moments of `size` frames, and that of each band."""
    moments = pieces(power, size).mean(axis=1)
    above = moments[:, FIRST_BAND_ABOVE_HUM:].sum(axis=1)
    level, upper = _quantile(above, QUIETEST_SHARE), _quantile(above, 2 * QUIETEST_SHARE)
    return float(level), moments[above <= upper].mean(axis=0)


def _quietest_power(samples: np.ndarray, rate_hz: int) -> float:
    """Return the power of all there is at the quietest moments, without an offset."""
    size = round(MOMENT_S * rate_hz)
    parts = pieces(samples, size)
    power = np.vecdot(parts, parts) / size - np.square(parts.mean(axis=1))
    return float(_quantile(power, QUIETEST_SHARE))


def _quantile(values: np.ndarray, share: float) -> float:
    """Return what `np.quantile` does, for a row; its many checks take longer than a short row is worth."""
    place = share * (len(values) - 1)
    below = int(place)
    ordered = np.sort(values)
    return ordered[below] + (ordered[min(below + 1, len(values) - 1)] - ordered[below]) * (place - below)


def _steady_hum(blocks: list[Background]) -> float:
    """Return the power that stays the same at the mains' harmonics, as hum does under the strikes; 0 if none does."""
    hum = np.concatenate([block.hum_pieces for block in blocks])
    if not len(hum):
        return 0.0
    low, high = np.quantile(hum, HUM_AMONG)
    return float(high) if high < low * 10 ** (HUM_RANGE_DB / 10) else 0.0


def _most_rumble(blocks: list[Background]) -> float:
    """Return the most that rumble can be: its power never stays far below its median, as that of low drums does."""
    least, low, middle = np.quantile(np.concatenate([block.rumble_pieces for block in blocks]), RUMBLE_AMONG)
    steady = middle < low * 10 ** (RUMBLE_RANGE_DB / 10)
    return float(middle if steady else least * 10 ** (RUMBLE_ABOVE_LEAST_DB / 10))
