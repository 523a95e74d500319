"""Make the mean sound of a striker from strikes in noise, and tell the noise between them.

The noise's spectrum is that of the quietest frames. Whitened by it, strikes are moved onto one another and averaged;
the cells of the average, in time and frequency, in which there is little but noise are weakened (Wiener's weight).
"""

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft

from pipeline.hits.signal import onset, template

FEWEST = 6  # strikes that make a sound
SEEDS, MOST_ALIKE = 4, 0.6  # loudest strikes that the others are held against, until so many are alike
FRAME_S = 0.085  # resolution of the noise's spectrum
QUIET_SHARE = 0.25  # of the frames: so many hold noise alone; the power of noise is distributed exponentially
SMOOTH_BINS, SMOOTH_SHARE = 2, 1 / 16  # half width over which the noise's spectrum is smoothed; share of the frequency
LEAST_NOISE = 1e-3  # of the mean power: what a filter has cut away is not to be blown up
TEMPLATE_S = (0.004, 0.006)  # of a stored tail: before the placing; left out at its end
ASTRAY_S = 0.008  # from the first placing: a sound is looked for within
ROUNDS = 4
CELL_S = 0.0107  # in time, of the cells of the mean sound that are kept or held to be noise
NOISE_TIMES = 2.0  # a cell's noise counts so much
MEMBER_Z, MEMBER_SHARE = 5.0, 0.3  # a strike that makes the mean: over the noise, of the usual height


def noise_power(samples: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return the spectrum of the noise between strikes, (n_bins,) array from 0 to half the rate."""
    size = 2 * round(FRAME_S * rate_hz / 2)
    window = np.hanning(size + 1)[:-1].astype(np.float32)
    frames = sliding_window_view(np.pad(samples, (0, max(0, size - len(samples)))), size)[:: size // 2]
    spectrum = fft.rfft(frames * window)
    power = (np.square(spectrum.real) + np.square(spectrum.imag)) / np.square(window).sum()
    quiet = np.quantile(power, QUIET_SHARE, axis=0) / -np.log(1 - QUIET_SHARE)
    total, bins = np.cumsum(np.pad(quiet, (1, 0)), dtype=np.float64), np.arange(len(quiet))
    half = SMOOTH_BINS + (bins * SMOOTH_SHARE).astype(int)
    low, high = np.maximum(bins - half, 0), np.minimum(bins + half + 1, len(quiet))
    smooth = (total[high] - total[low]) / (high - low)
    return smooth + LEAST_NOISE * smooth.mean() + 1e-20


def whitening(noise: np.ndarray, size: int) -> np.ndarray:
    """Return the filter that makes noise of a spectrum white, for transforms of `size` samples."""
    return 1 / np.sqrt(np.interp(np.linspace(0, 1, size // 2 + 1), np.linspace(0, 1, len(noise)), noise))


def template_of(tails: np.ndarray, noise: np.ndarray, columns: template.Shape):
    """Return the mean sound, whitened, without most of its noise, (columns.size,) array, the onset in samples from its
    column of the placing, and which tails are alike; None where few are."""
    spectra = fft.rfft(tails, columns.size)
    white = spectra * whitening(noise, columns.size).astype(np.float32)
    waves = fft.irfft(white, columns.size)
    quiet = waves[:, onset.ORDER * 4 : columns.at - round(template.QUIET_S * columns.rate_hz)]
    over = 1 / np.sqrt(np.square(quiet).mean(axis=1) + 1e-20)
    white *= over[:, None]
    energy = np.square(waves[:, columns.at : columns.at + round(0.02 * columns.rate_hz)]).sum(axis=1)
    best = 0.0, None, None
    for seed in np.argsort(-energy * np.square(over), kind="stable")[:SEEDS]:
        weight, lag = _members(white, waves[seed] * over[seed], columns)
        if weight is not None and (weight > 0).sum() > best[0]:
            best = (weight > 0).sum(), weight, lag
        if best[0] > MOST_ALIKE * len(tails):
            break
    _, weight, lag = best
    if weight is None:
        return None
    mean, power = _mean(white, weight, lag, columns)
    return _without_noise(mean, power, columns), _onset(tails, spectra, weight * over, lag, columns), weight > 0


def _members(white: np.ndarray, seed: np.ndarray, columns: template.Shape):
    """Return the weight in the mean of each sound that is like a seed, and its lag; None where they are few."""
    mean, power = seed * _window(columns), 1.0
    for turn in range(ROUNDS):
        sound = _without_noise(mean, power, columns)
        height, lag = _fit(white, sound, columns)
        member = height * np.sqrt(np.square(sound).sum()) > MEMBER_Z
        member &= height > MEMBER_SHARE * np.median(height[member]) if member.any() else False
        if member.sum() < FEWEST:
            return None, None
        lag -= np.median(lag[member]) if turn else 0.0
        weight = np.clip(height, 0, 2 * np.median(height[member])) * member
        weight /= weight @ height
        mean, power = _mean(white, weight, lag, columns)
    return weight, lag


def _mean(white: np.ndarray, weight: np.ndarray, lag: np.ndarray, columns: template.Shape) -> tuple[np.ndarray, float]:
    """Return the weighted mean of sounds moved by their lags, and the power of its noise."""
    turned = _turned(white, weight, lag, columns)
    return turned * _window(columns), float(np.square(weight).sum())


def _turned(spectra: np.ndarray, weight: np.ndarray, lag: np.ndarray, columns: template.Shape) -> np.ndarray:
    its = weight != 0
    turned = spectra[its] * template.turns(lag[its], columns.size)
    return fft.irfft((turned * weight[its, None]).sum(axis=0), columns.size)


def _onset(tails, spectra, weight: np.ndarray, lag: np.ndarray, columns: template.Shape) -> float:
    """Return the onset of the mean sound, found as that of a strike is, in samples from the column of the placing."""
    member = weight > 0
    taps = template.noise_taps(tails[member], columns)
    mean = template.whitened(_turned(spectra, weight, lag, columns)[None, : columns.n], taps)[0]
    scatter_s = 1.4826 * np.median(np.abs(lag[member])) / columns.rate_hz
    reach_s = max(template.NEAREST_S, template.SCATTERS * scatter_s)
    return onset.onset_of(mean, columns.at, columns.rate_hz, reach_s)[0] - columns.at


def _window(columns: template.Shape) -> np.ndarray:
    begin, edge = columns.at - round(TEMPLATE_S[0] * columns.rate_hz), round(TEMPLATE_S[1] * columns.rate_hz)
    window = np.zeros(columns.size)
    window[begin : columns.n] = 1.0
    window[columns.n - edge : columns.n] = np.linspace(1, 0, edge)
    return window


def _fit(spectra: np.ndarray, sound: np.ndarray, columns: template.Shape) -> tuple[np.ndarray, np.ndarray]:
    """Return height and lag of the template in each sound."""
    far = round(ASTRAY_S * columns.rate_hz)
    matched = fft.irfft(spectra * np.conj(fft.rfft(sound)), columns.size)
    matched = np.concatenate([matched[:, -far:], matched[:, : far + 1]], axis=1)
    best = matched[:, 1:-1].argmax(axis=1) + 1
    height = matched[np.arange(len(best)), best] / (np.square(sound).sum() + 1e-20)
    return height, best - far + template.vertex(matched, best)


def _without_noise(mean: np.ndarray, power: float, columns: template.Shape) -> np.ndarray:
    """Weaken the cells of a mean, in time and frequency, in which there is little but noise of the given power."""
    size = 2 * round(CELL_S * columns.rate_hz / 2)
    hop, window = size // 2, np.sqrt(np.hanning(size + 1)[:-1])
    padded = np.pad(mean, (size, size + -len(mean) % hop))
    spectra = fft.rfft(sliding_window_view(padded, size)[::hop] * window)
    around = np.pad(np.square(np.abs(spectra)), 1, mode="edge")
    around = sum(around[a : a + len(spectra), b : b + spectra.shape[1]] for a in range(3) for b in range(3)) / 9
    keep = np.clip(1 - NOISE_TIMES * power * np.square(window).sum() / (around + 1e-20), 0, 1)
    parts, kept = fft.irfft(spectra * keep, size) * window, np.zeros(len(padded))
    for number, part in enumerate(parts):
        kept[number * hop : number * hop + size] += part
    return kept[size : size + len(mean)]
