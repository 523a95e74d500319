"""Measure where the lowest bands stop going on as before: where a low and slow body may have struck.

In: samples of one channel. Out: departures (dB) a frame. A low drum in the ring of a louder one raises no band: the two
beat. But a ring goes on as a few decaying tones, so each bin of a long window is predicted from the one a little
before, by one complex factor that least squares fits to the frames before that; a strike departs from it, whatever its
phase (complex-domain detection, Bello et al. 2004, "On the use of phase and energy for musical onset detection in the
complex domain"). Deviation: the factor is fitted, so that rings that decay, and hum, are predicted too.
"""

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from pipeline.hits.signal.flux import FLOOR_DEPTH, LEAST_FLOOR, MEAN_TO_PERCENTILE, NOISE_PERCENTILE, Frames

WINDOW_S = 0.021  # of a bin: 1024 samples at 48 kHz
HIGHEST_HZ = 400.0  # of the bins, which begin at 1 / WINDOW_S and lie as far apart
STEP_FRAMES = 2  # of `flux`, from one window to the next: the result in between is interpolated
AHEAD_S, FITTED_S = 0.0125, 0.040  # how far ahead it is predicted; the stretch that the factor is fitted to
DIFFERENT = 0.05  # share of the predicted power that even a ring departs by
LEAST_SHARE = 1e-3  # of the floor, which keeps the factor of silence finite
LEAST_RATE_HZ = 4000.0  # to which the samples are thinned first
TAPS = 6  # of the filter before that, over samples a thinned one: 70 dB below what would alias (Blackman window)
_AT_ONCE = 4096  # windows: keeps them in the processor's cache


def departures(samples: np.ndarray, cut: Frames) -> np.ndarray:
    """Return how far the lowest bands depart from what rang before.

    Parameters
    ----------
    samples : (n,) float32 array
    cut : Frames

    Returns
    -------
    departure_db : (n_frames,) array
        Root mean square over the bins, a value for each frame of `flux.band_power`; 0 where there is no stretch before.
    """
    bins = _bins(samples, cut)
    power = np.square(np.abs(bins))
    floor = np.percentile(power, NOISE_PERCENTILE, axis=0) * MEAN_TO_PERCENTILE
    floor = np.maximum(floor, LEAST_FLOOR + FLOOR_DEPTH * power.max(initial=0.0))
    step_s = STEP_FRAMES * cut.hop / cut.rate_hz
    ahead, fitted = round(AHEAD_S / step_s), round(FITTED_S / step_s)
    departure_db = np.zeros(len(bins))
    if len(bins) > 2 * ahead + fitted:
        factor = _factors(bins, power, floor, ahead, fitted)
        before = slice(ahead + fitted, -ahead)
        departed = np.square(np.abs(bins[2 * ahead + fitted :] - factor * bins[before]))
        rise_db = 10 * np.log10(1 + departed / (floor + DIFFERENT * power[before]))
        departure_db[2 * ahead + fitted :] = np.sqrt(np.square(rise_db).mean(axis=1))
    n_frames = len(samples) // cut.hop + 1
    return np.interp(np.arange(n_frames), STEP_FRAMES * np.arange(len(bins)), departure_db)


def _bins(samples: np.ndarray, cut: Frames) -> np.ndarray:
    """Return the lowest bins of each window, (n_windows, n_bins) complex array; a full-scale sine has power 0.5."""
    step = STEP_FRAMES * cut.hop
    whole = [one for one in range(1, step + 1) if step % one == 0]
    thin = max(one for one in whole if one == 1 or cut.rate_hz / one >= LEAST_RATE_HZ)
    taps = _low_pass(thin)
    size = 2 * round(WINDOW_S * cut.rate_hz / thin / 2)
    cycles = np.arange(1, int(HIGHEST_HZ * WINDOW_S) + 1) / size  # a thinned sample
    turns = cycles * np.arange(size)[:, None]
    window = np.hanning(size + 1)[:-1]
    tones = np.exp(-2j * np.pi * turns) * (window * np.sqrt(2) / window.sum())[:, None]
    lags = np.arange(len(taps)) - len(taps) // 2
    tones /= taps @ np.cos(2 * np.pi * lags[:, None] * cycles / thin)  # what the filter takes off
    thinned = _products(np.pad(samples, len(taps) // 2), taps[:, None], thin)[:, 0]
    columns = np.concatenate([tones.real, tones.imag], axis=1)
    real, imaginary = np.split(_products(np.pad(thinned, size // 2), columns, step // thin), 2, axis=1)
    return real + 1j * imaginary


def _low_pass(thin: int) -> np.ndarray:
    """Return the taps, an odd number, of a filter after which every `thin`-th sample tells all of the lowest bands."""
    if thin == 1:
        return np.ones(1)
    lags = np.arange(-TAPS * thin // 2, TAPS * thin // 2 + 1)
    taps = np.sinc(lags / (2 * thin)) * np.blackman(len(lags))
    return taps / taps.sum()


def _products(samples: np.ndarray, columns: np.ndarray, step: int) -> np.ndarray:
    """Return the products of every `step`-th window of samples with columns, (n_windows, n_columns) float32 array."""
    windows, columns = sliding_window_view(samples, len(columns))[::step], columns.astype(np.float32)
    parts = [windows[begin : begin + _AT_ONCE] @ columns for begin in range(0, len(windows), _AT_ONCE)]
    return np.concatenate(parts)


def _factors(bins: np.ndarray, power: np.ndarray, floor: np.ndarray, ahead: int, fitted: int) -> np.ndarray:
    """Return the factor that predicts each bin `ahead` windows later, from the `fitted` windows before; of size 1 at
    most: nothing that rings grows."""
    product = bins[ahead:] * np.conj(bins[:-ahead])
    factor = _sums(product, fitted) / (_sums(power[:-ahead], fitted) + LEAST_SHARE * fitted * floor)
    factor = factor[: len(bins) - 2 * ahead - fitted]
    return factor / np.maximum(np.abs(factor), 1.0)


def _sums(values: np.ndarray, length: int) -> np.ndarray:
    """Return the sum of every `length` neighbours, those from row 1 on first."""
    total = np.cumsum(values, axis=0, dtype=complex if np.iscomplexobj(values) else float)
    return total[length:] - total[:-length]
