"""Place a hit within its 20 milliseconds: the moment at which the sound stops being predictable.

An autoregressive model of what came before predicts the samples; where a strike begins, the prediction error jumps. The
moment is the two-variance change point of that error by Akaike's criterion (Maeda 1985; Sleeman & van Eck 1999, Phys.
Earth Planet. Inter. 113, eq. 1, 7, 8). Deviations: all hits of a block at once; the variances carry a floor at
`ONSET_DB` below the hit's peak, so that a recording without noise is placed where one with noise is and not at the first
rounding error; a second, narrower pass; the standard error from the width of the likelihood.
"""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

ORDER = 12  # of the autoregressive model
BEFORE_S, AFTER_S = 0.032, 0.012  # cut out around the rise in flux
MODEL_S = 0.020  # what the model is fitted to
GUARD_S = 0.006  # between the model's stretch and the rise
SEARCH_S = (0.008, 0.006)  # before and after the rise
FINE_S = (0.004, 0.002)  # before and after the first change point
LEVEL_S = 0.012  # the peak is looked for within
ONSET_DB = -40.0  # an onset is where a strike passes this level below its peak
EDGE = 8  # samples on either side of a change point, so that a variance has a meaning


@dataclass(frozen=True)
class Placed:
    """Hits of one channel: sample (with fraction) of the start, its standard error, peak, noise, likelihood gained."""

    at: np.ndarray
    at_se: np.ndarray
    peak: np.ndarray
    noise: np.ndarray
    gain: np.ndarray


def place(samples: np.ndarray, near: np.ndarray, rate_hz: int) -> Placed:
    """Place hits near the given samples.

    Parameters
    ----------
    samples : (n,) float32 array
    near : (n_hits,) int array
        Samples at which the flux rises.

    Returns
    -------
    Placed
        `at` in samples from the beginning of `samples`; `gain` in nats. No hits: empty arrays.
    """
    if not len(near):
        return Placed(*(np.zeros(0) for _ in range(5)))
    before, after = round(BEFORE_S * rate_hz), round(AFTER_S * rate_hz)
    padded = np.pad(samples, (before, after + before))
    cut = sliding_window_view(padded, before + after)[near].astype(np.float64)
    model = slice(before - round((MODEL_S + GUARD_S) * rate_hz), before - round(GUARD_S * rate_hz))
    cut -= cut[:, model].mean(axis=1, keepdims=True)
    noise = np.sqrt(np.square(cut[:, model]).mean(axis=1))
    search = slice(before - round(SEARCH_S[0] * rate_hz), before + round(SEARCH_S[1] * rate_hz))
    peak = np.abs(cut[:, search.start : before + round(LEVEL_S * rate_hz)]).max(axis=1)
    error = np.square(_residual(cut, _predictor(cut[:, model])))
    least = np.square(peak * 10 ** (ONSET_DB / 20)) / 4 + 1e-20
    first, _, gain = _change(error, search.start, np.full(len(cut), search.stop - search.start), least, search.stop)
    begin = np.maximum(first - round(FINE_S[0] * rate_hz), 0)
    length = round(FINE_S[0] * rate_hz) + round(FINE_S[1] * rate_hz)
    rows = np.arange(len(cut))[:, None]
    fine = error[rows, np.minimum(begin[:, None] + np.arange(length), cut.shape[1] - 1)]
    at, at_se, _ = _change(fine, 0, None, least, length)
    return Placed(near - before + begin + at, at_se, peak, noise, gain)


def _predictor(before: np.ndarray) -> np.ndarray:
    """Fit an autoregressive model to each row by the autocorrelation method and Levinson's recursion.

    Returns
    -------
    taps : (n_hits, ORDER + 1) array
        1, a1, a2, … of the prediction error filter.
    """
    n = before.shape[1]
    tapered = before * np.hanning(n)
    spectrum = np.fft.rfft(tapered, 1 << (2 * n - 1).bit_length(), axis=1)
    lags = np.fft.irfft(np.square(spectrum.real) + np.square(spectrum.imag), axis=1)[:, : ORDER + 1]
    lags[:, 0] = lags[:, 0] * (1 + 1e-7) + 1e-20
    taps = np.zeros((len(before), ORDER + 1))
    taps[:, 0] = 1.0
    left = lags[:, 0].copy()
    for order in range(1, ORDER + 1):
        reflection = -(taps[:, :order] * lags[:, order:0:-1]).sum(axis=1) / left
        taps[:, 1 : order + 1] += reflection[:, None] * taps[:, order - 1 :: -1][:, :order]
        left *= np.maximum(1 - np.square(reflection), 1e-9)
    return taps


def _residual(cut: np.ndarray, taps: np.ndarray) -> np.ndarray:
    error = cut.copy()
    for back in range(1, ORDER + 1):
        error[:, back:] += taps[:, back : back + 1] * cut[:, :-back]
    return error


def _change(error, begin, _length, least, stop):
    """Return the change point of squared errors between columns, its standard error and the likelihood gained."""
    error = error[:, begin:stop] + least[:, None]
    n = error.shape[1]
    total = np.cumsum(error, axis=1)
    k = np.arange(EDGE, n - EDGE)
    head = total[:, k - 1]
    loss = k * np.log(head / k) + (n - k) * np.log((total[:, -1:] - head) / (n - k))
    best = loss.argmin(axis=1)
    lowest = loss[np.arange(len(loss)), best]
    weight = np.exp((lowest[:, None] - loss) / 2)
    weight /= weight.sum(axis=1, keepdims=True)
    spread = np.sqrt((weight * np.square(k - k[best][:, None])).sum(axis=1) + 1 / 12)
    gain = (n * np.log(total[:, -1] / n) - lowest) / 2
    return k[best] + begin, spread, gain
