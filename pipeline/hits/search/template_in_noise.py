"""Make one template of a striker from its strikes in noise, and estimate the spectrum of the noise.

In: stored tails of strikes, and stretches of the recording. Out: a template, whitened; the noise's power spectrum. The
noise's spectrum is that of the quietest frames. Whitened by it, strikes are moved onto one another and averaged; the
cells of the mean, in time and frequency, in which there is little but noise are weakened (Wiener 1949).
"""

from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft

from pipeline import robust
from pipeline.hits.signal import onset, template

LEAST_STRIKES = 6  # that make a template
# Loudest strikes that the others are aligned to, one after the other until so large a share is alike.
SEEDS, ENOUGH_SHARE = 4, 0.6
FRAME_S = 0.085  # resolution of the noise's spectrum, 12 Hz
QUIET_QUANTILE = 0.25  # of the frames: so many hold noise alone
# Over which the noise's spectrum is smoothed, half width: bins, and share of the frequency.
SMOOTH_BINS, SMOOTH_SHARE = 2, 1 / 16
LEAST_NOISE = 1e-3  # of the mean power: what a filter has cut away is not to be blown up
# Of a stored tail: before the placing, left out at its end, and after the placing where a strike has most energy.
BEFORE_S, END_S, LOUD_S = 0.004, 0.006, 0.020
LAG_S = 0.008  # from the first placing: a strike is looked for within
ROUNDS = 4  # of averaging
CELL_S = 0.0107  # in time, of the cells of the mean that are kept or held to be noise
NOISE_FACTOR = 2.0  # a cell's noise counts so much
MEMBER_Z, MEMBER_SHARE = 5.0, 0.3  # a strike that makes the mean: over the noise, of the usual height


class NoisyTemplate(NamedTuple):
    """A template: `wave` (columns.size,), whitened, without most of its noise; its `onset` in samples after the column
    of the first placing; which strikes are `members`, (n_strikes,) bool array."""

    wave: np.ndarray
    onset: float
    members: np.ndarray


def noise_power(samples: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return the power spectrum of the noise between strikes.

    Parameters
    ----------
    samples : (n,) array
        A stretch of seconds.
    rate_hz : int

    Returns
    -------
    power : (n_bins,) array
        From 0 to half the rate.
    """
    size = 2 * round(FRAME_S * rate_hz / 2)
    window = np.hanning(size + 1)[:-1].astype(np.float32)
    frames = sliding_window_view(np.pad(samples, (0, max(0, size - len(samples)))), size)[:: size // 2]
    spectrum = fft.rfft(frames * window)
    power = (np.square(spectrum.real) + np.square(spectrum.imag)) / np.square(window).sum()
    # The power of noise has an exponential distribution: its mean from a quantile.
    quiet = np.quantile(power, QUIET_QUANTILE, axis=0) / -np.log(1 - QUIET_QUANTILE)
    total, bins = np.cumsum(np.pad(quiet, (1, 0)), dtype=np.float64), np.arange(len(quiet))
    half = SMOOTH_BINS + (bins * SMOOTH_SHARE).astype(int)
    low, high = np.maximum(bins - half, 0), np.minimum(bins + half + 1, len(quiet))
    smooth = (total[high] - total[low]) / (high - low)
    return smooth + LEAST_NOISE * smooth.mean() + 1e-20


def whitening(noise: np.ndarray, size: int) -> np.ndarray:
    """Return the gain at each frequency, (size // 2 + 1,), that makes noise of a power spectrum white."""
    return 1 / np.sqrt(np.interp(np.linspace(0, 1, size // 2 + 1), np.linspace(0, 1, len(noise)), noise))


def template_of(tails: np.ndarray, noise: np.ndarray, columns: template.Shape) -> NoisyTemplate | None:
    """Return the template of strikes.

    Parameters
    ----------
    tails : (n_strikes, columns.n) float32 array
    noise : (n_bins,) array
        Of `noise_power`.
    columns : template.Shape
        Of the tails.

    Returns
    -------
    NoisyTemplate or None
        None where fewer than `LEAST_STRIKES` are alike.
    """
    spectra = fft.rfft(tails, columns.size)
    white = spectra * whitening(noise, columns.size).astype(np.float32)
    waves = fft.irfft(white, columns.size)
    quiet = waves[:, onset.ORDER * 4 : columns.at - round(template.QUIET_S * columns.rate_hz)]
    over = 1 / np.sqrt(np.square(quiet).mean(axis=1) + 1e-20)
    white *= over[:, None]
    energy = np.square(waves[:, columns.at : columns.at + round(LOUD_S * columns.rate_hz)]).sum(axis=1)
    most, weight, lag = 0, None, None
    for seed in np.argsort(-energy * np.square(over), kind="stable")[:SEEDS]:
        its_weight, its_lag = _members(white, waves[seed] * over[seed], columns)
        if its_weight is not None and (its_weight > 0).sum() > most:
            most, weight, lag = (its_weight > 0).sum(), its_weight, its_lag
        if most > ENOUGH_SHARE * len(tails):
            break
    if weight is None:
        return None
    mean, power = _mean(white, weight, lag, columns)
    begin = _onset(tails, spectra, weight * over, lag, columns)
    return NoisyTemplate(_without_noise(mean, power, columns), begin, weight > 0)


def _members(white: np.ndarray, seed: np.ndarray, columns: template.Shape):
    """Return the weight in the mean of each strike that is like a seed, and its lag; None where they are few."""
    mean, power = seed * _window(columns), 1.0
    for turn in range(ROUNDS):
        wave = _without_noise(mean, power, columns)
        height, lag = _fit(white, wave, columns)
        member = height * np.sqrt(np.square(wave).sum()) > MEMBER_Z
        member &= height > MEMBER_SHARE * np.median(height[member]) if member.any() else False
        if member.sum() < LEAST_STRIKES:
            return None, None
        lag -= np.median(lag[member]) if turn else 0.0
        weight = np.clip(height, 0, 2 * np.median(height[member])) * member
        weight /= weight @ height
        mean, power = _mean(white, weight, lag, columns)
    return weight, lag


def _mean(white: np.ndarray, weight: np.ndarray, lag: np.ndarray, columns: template.Shape) -> tuple[np.ndarray, float]:
    """Return the weighted mean of strikes moved by their lags, and the power of its noise."""
    turned = _turned(white, weight, lag, columns)
    return turned * _window(columns), float(np.square(weight).sum())


def _turned(spectra: np.ndarray, weight: np.ndarray, lag: np.ndarray, columns: template.Shape) -> np.ndarray:
    its = weight != 0
    turned = spectra[its] * template.turns(lag[its], columns.size)
    return fft.irfft((turned * weight[its, None]).sum(axis=0), columns.size)


def _onset(tails, spectra, weight: np.ndarray, lag: np.ndarray, columns: template.Shape) -> float:
    """Return the onset of the mean, found as that of a strike is, in samples after the column of the first placing."""
    member = weight > 0
    taps = template.noise_taps(tails[member], columns)
    mean = template.whitened(_turned(spectra, weight, lag, columns)[None, : columns.n], taps)[0]
    scatter_s = robust.SD_OF_MAD * np.median(np.abs(lag[member])) / columns.rate_hz
    reach_s = max(template.ONSET_REACH_S, template.ONSET_SCATTERS * scatter_s)
    return onset.onset_of(mean, columns.at, columns.rate_hz, reach_s)[0] - columns.at


def _window(columns: template.Shape) -> np.ndarray:
    begin, edge = columns.at - round(BEFORE_S * columns.rate_hz), round(END_S * columns.rate_hz)
    window = np.zeros(columns.size)
    window[begin : columns.n] = 1.0
    window[columns.n - edge : columns.n] = np.linspace(1, 0, edge)
    return window


def _fit(spectra: np.ndarray, wave: np.ndarray, columns: template.Shape) -> tuple[np.ndarray, np.ndarray]:
    """Return height and lag of the template `wave` in each strike."""
    far = round(LAG_S * columns.rate_hz)
    matched = fft.irfft(spectra * np.conj(fft.rfft(wave)), columns.size)
    matched = np.concatenate([matched[:, -far:], matched[:, : far + 1]], axis=1)
    best = matched[:, 1:-1].argmax(axis=1) + 1
    height = matched[np.arange(len(best)), best] / (np.square(wave).sum() + 1e-20)
    return height, best - far + template.vertex(matched, best)


def _without_noise(mean: np.ndarray, power: float, columns: template.Shape) -> np.ndarray:
    """Weaken the cells of a mean, in time and frequency, in which there is little but noise of the given power."""
    size = 2 * round(CELL_S * columns.rate_hz / 2)
    hop, window = size // 2, np.sqrt(np.hanning(size + 1)[:-1])
    padded = np.pad(mean, (size, size + -len(mean) % hop))
    spectra = fft.rfft(sliding_window_view(padded, size)[::hop] * window)
    around = np.pad(np.square(np.abs(spectra)), 1, mode="edge")
    around = sum(around[a : a + len(spectra), b : b + spectra.shape[1]] for a in range(3) for b in range(3)) / 9
    keep = np.clip(1 - NOISE_FACTOR * power * np.square(window).sum() / (around + 1e-20), 0, 1)
    parts, kept = fft.irfft(spectra * keep, size) * window, np.zeros(len(padded))
    for number, part in enumerate(parts):
        kept[number * hop : number * hop + size] += part
    return kept[size : size + len(mean)]
