"""Follow what lies under the strikes: hum, rumble, noise, and how loud the upper bands are over time."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

LOW_RATE_HZ = 3000  # hum and rumble are looked for at about this rate
SHORTEST_S = 2.0  # shorter blocks tell nothing
HARMONICS = 8  # of the mains that are added up
LINE_HZ, LINE_PER_HARMONIC_HZ = 0.5, 0.08  # half width of a line: the window's, and how far the mains wanders
QUIET_S, QUIET_WIDTH = 0.34, 1.6
BESIDE_HZ = (1.5, 8.0)  # from the line: what would be there without it
LINE_TO_BESIDE = 3.0
RUMBLE_FROM_HZ, RUMBLE_TO_HZ = (3.0, 7.0), (30.0, 45.0)  # edges
RUMBLE_S, QUIETEST = 0.1, 0.2  # rumble goes on between strikes: the quietest fifth of two such pieces tells it
NOISE_S, QUIETEST_MOMENTS = 0.05, 0.05  # length of moments, and the share of them that is the quietest
PIECE_S = 0.02  # the upper bands are followed in such pieces
UPPER_BANDS = 4
ABOVE_HUM = 3  # the first band that holds none of the harmonics


@dataclass(frozen=True)
class Low:
    """Mean power of one block: hum, rumble, and at its quietest moments all there is, and what lies above the hum."""

    hum: float
    rumble: float
    quietest: float
    above: float
    humming: np.ndarray  # power near the mains' harmonics in pieces of QUIET_S
    rumbling: np.ndarray  # power of the rumble in pieces of RUMBLE_S
    bands: np.ndarray  # power of the bands at the quietest moments


def low(samples: np.ndarray, rate_hz: int, mains_hz: float | None, power: np.ndarray, hop_s: float) -> Low | None:
    """Measure hum and rumble of one channel's block; None where it is too short.

    `power` are its bands (`rise.band_power`). Hum is what stands in narrow lines at the mains' harmonics, and at the
    quietest moment, too: a struck body that is tuned there dies away.
    """
    if len(samples) < SHORTEST_S * rate_hz:
        return None
    step = max(1, rate_hz // LOW_RATE_HZ)
    slow = samples[: len(samples) // step * step].reshape(-1, step) @ np.full(step, 1 / step, samples.dtype)
    slow = slow - slow.mean(dtype=np.float64)
    slow_hz = rate_hz / step
    window, _ = _weights(len(slow), slow_hz)
    spectrum = np.fft.rfft(slow * window)
    hum, humming = 0.0, np.zeros(0)
    if mains_hz:
        humming = _humming(pieces(slow, round(QUIET_S * slow_hz)), slow_hz, mains_hz)
        lines = _lines(spectrum, len(slow), slow_hz, mains_hz) * 2 / len(slow) / np.square(window).sum()
        hum = min(lines, _quiet_hum(slow, slow_hz, mains_hz)) if lines > 0 else 0.0
    size = round(NOISE_S / hop_s)
    moments = pieces(power, size).mean(axis=1)
    above = moments[:, ABOVE_HUM:].sum(axis=1)
    level, less = _quantile(above, QUIETEST_MOMENTS), _quantile(above, 2 * QUIETEST_MOMENTS)
    bands = moments[above <= less].mean(axis=0)
    rumbling = _rumbling(spectrum, len(slow), slow_hz)
    rumble = float(_quantile(pieces(rumbling, 2).mean(axis=1), QUIETEST))
    return Low(hum, rumble, _quietest(samples, rate_hz), float(level), humming, rumbling, bands)


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
    return float((total - expected)[total > LINE_TO_BESIDE * expected].sum())


@lru_cache(maxsize=2)
def _around(n: int, slow_hz: float, mains_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the weight of each frequency in each line, and in what would be there without it, (HARMONICS, n) arrays.

    Where a line has nothing in it or beside it, both are 0.
    """
    harmonic = np.arange(1, HARMONICS + 1)[:, None]
    frequency = np.fft.rfftfreq(n, 1 / slow_hz)
    frequency = frequency[: np.searchsorted(frequency, HARMONICS * mains_hz + BESIDE_HZ[1])]
    away_hz = np.abs(frequency - harmonic * mains_hz)
    inside = (away_hz < LINE_HZ + LINE_PER_HARMONIC_HZ * harmonic).astype(float)
    beside = (away_hz > BESIDE_HZ[0]) & (away_hz < BESIDE_HZ[1])
    n_beside = beside.sum(axis=1, keepdims=True)
    n_inside = inside.sum(axis=1, keepdims=True)
    return inside * (n_beside > 0), beside * n_inside / np.maximum(n_beside, 1)


def _quiet_hum(slow: np.ndarray, slow_hz: float, mains_hz: float) -> float:
    """Return the power near the mains' harmonics in the quietest stretch of QUIET_S."""
    size = round(QUIET_S * slow_hz)
    total = np.cumsum(np.pad(np.square(slow), (1, 0)))
    at = int((total[size:] - total[:-size]).argmin())
    return float(_humming(slow[None, at : at + size], slow_hz, mains_hz)[0])


def _humming(parts: np.ndarray, slow_hz: float, mains_hz: float) -> np.ndarray:
    """Return the power near the mains' harmonics in pieces of QUIET_S, (n, size) array."""
    size = parts.shape[1]
    window = np.hanning(size)
    power = 2 * np.square(np.abs(np.fft.rfft(parts * window, axis=1))) / size / np.square(window).sum()
    frequency = np.fft.rfftfreq(size, 1 / slow_hz)
    harmonic = np.clip(np.round(frequency / mains_hz), 1, HARMONICS)
    return power[:, np.abs(frequency - harmonic * mains_hz) < QUIET_WIDTH / QUIET_S].sum(axis=1)


def _rumbling(spectrum: np.ndarray, n: int, slow_hz: float) -> np.ndarray:
    """Return the power of the rumble in pieces of RUMBLE_S from the middle of a block."""
    window, share = _weights(n, slow_hz)
    wave = np.fft.irfft(spectrum * share, n)
    middle = slice(n // 4, -n // 4)
    wave = wave[middle] / window[middle]
    return np.square(pieces(wave, round(RUMBLE_S * slow_hz))).mean(axis=1)


def _quietest(samples: np.ndarray, rate_hz: int) -> float:
    size = round(NOISE_S * rate_hz)
    parts = pieces(samples, size)
    power = np.vecdot(parts, parts) / size - np.square(parts.mean(axis=1))
    return float(_quantile(power, QUIETEST_MOMENTS))


def _quantile(values: np.ndarray, share: float) -> float:
    """Return a quantile of a row as `np.quantile` does, which looks at much that a short row has not."""
    place = share * (len(values) - 1)
    below = int(place)
    ordered = np.sort(values)
    return ordered[below] + (ordered[min(below + 1, len(values) - 1)] - ordered[below]) * (place - below)


def pieces(values: np.ndarray, size: int) -> np.ndarray:
    """Return the rows of values in pieces of `size`, (n, size, ...) array, without the rest."""
    n = len(values) // size
    return values[: n * size].reshape(n, size, *values.shape[1:])


def upper_db(power: np.ndarray, hop_s: float) -> tuple[np.ndarray, float]:
    """Return the middle level of the upper bands in pieces of PIECE_S, dB re full scale.

    Parameters
    ----------
    power : (n_frames, n_bands) array
        Of one block, without its context.

    Returns
    -------
    level_db : (n_pieces,) float16 array
        Half precision: a tenth of a decibel is fine, and an hour is kept.
    piece_s : float
        Length of a piece.
    """
    size = max(1, round(PIECE_S / hop_s))
    upper = power[:, -UPPER_BANDS:].sum(axis=1)
    ordered = np.sort(pieces(upper, size), axis=1)
    middle = (ordered[:, (size - 1) // 2] + ordered[:, size // 2]) / 2
    return (10 * np.log10(middle + 1e-15)).astype(np.float16), size * hop_s
