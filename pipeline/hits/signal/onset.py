"""Find the onset of a hit to the sample: the moment at which the sound stops being predictable.

In: samples of one channel, and where its flux rises. Out: onset, its spread, peak, noise. An autoregressive model of
what came before predicts the samples; where a strike begins, the prediction error jumps (Maeda 1985; Sleeman & van Eck
1999, Phys. Earth Planet. Inter. 113, eq. 1-8). Deviations: the variance before is known from the stretch that the model
was fitted to, and the change is looked for sequentially, by the generalised likelihood ratio (Lorden 1971; Basseville &
Nikiforov 1993, ch. 2.4.3): the *first* alarm counts, so that a louder second burst does not draw the onset to itself;
but not the alarm of a weak burst that is over before the strike. The variance has a floor at `ONSET_DB` below the hit's
peak, so that a recording without noise is placed where one with noise is and not at the first rounding error.
"""

from dataclasses import dataclass, fields

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

ORDER = 12  # of the autoregressive model
BEFORE_S, AFTER_S = 0.027, 0.012  # cut out around the rise: model, guard and search; search and level
MODEL_S, GUARD_S = 0.020, 0.006  # what the model is fitted to, and its distance from the rise
SEARCH_S = (0.006, 0.005)  # before and after the rise
# Lengths of a burst that raise an alarm: each 1.3 to 1.7 times the one before, so that none between is missed by much.
WINDOWS_MS = (0.1, 0.17, 0.25, 0.33, 0.5, 0.67, 1.0, 1.33, 2.0, 2.67, 4.0)
ALARM = 25.0  # nats; noise alone seldom reaches it in a search
ALARM_OVER_BEFORE = 1.3  # times what the stretch before reaches by itself
ALARM_SHARE = 0.7  # of what the search reaches: a weak hit gives its alarm too
WAIT_MS = 0.17  # after the alarm, for a better look back
LOUD_SHARE = 0.1  # of what the search reaches: the strike itself
# A weak burst is over when, for so long before the strike, there is less than so many times the usual power.
OVER_MS, OVER_POWER = 1.5, 2.5
MOST_GAIN = 1e6  # nats: no burst is longer than the longest window, nor louder than what ONSET_DB lets its floor be
LEVEL_S = 0.012  # after the rise: the peak is looked for within
ONSET_DB = -40.0  # an onset is where a strike passes this level below its peak
ATTACK_SHARE = 0.1  # of the peak: an attack lasts until -20 dB
LEAST_NOISE = 1e-4  # of the power, in every band: what a filter has cut away is not to be blown up
SHORTEST = 3  # samples of a burst
TEMPLATE_REACH_S, TEMPLATE_AFTER_S = 0.003, 0.004  # before, at most, and after: where a template's onset is looked for
TEMPLATE_EDGE_S = 0.0005  # at a template's beginning: the whitening filter has not settled
_HITS_AT_ONCE = 32  # keeps the stretches in the processor's cache
_NEWTON_STEPS = 6  # to the last digit


@dataclass(frozen=True)
class Placed:
    """Hits of one channel, (n_hits,) arrays.

    `at`: sample of the onset; `spread`: standard deviation of its likelihood, samples; `peak`; `noise`: root mean
    square before; `gain`: log likelihood gained by the change, nats; `attack`: samples from the onset to -20 dB.
    """

    at: np.ndarray
    spread: np.ndarray
    peak: np.ndarray
    noise: np.ndarray
    gain: np.ndarray
    attack: np.ndarray


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
        No hits: empty arrays.
    """
    before = round(BEFORE_S * rate_hz)
    stretches = _stretches(samples, rate_hz)
    parts = [
        _placed(stretches[near[begin : begin + _HITS_AT_ONCE]], before, rate_hz)
        for begin in range(0, len(near), _HITS_AT_ONCE)
    ]
    names = [field.name for field in fields(Placed)]
    columns = {name: np.concatenate([getattr(part, name) for part in parts] or [np.zeros(0)]) for name in names}
    columns["at"] = np.clip(near - before + columns["at"], 0, max(len(samples) - 1, 0))
    return Placed(**columns)


def levels(samples: np.ndarray, near: np.ndarray, rate_hz: int) -> tuple[np.ndarray, np.ndarray]:
    """Return `peak` and `noise` as `place` does, without placing the hits; same parameters, (n_hits,) arrays."""
    before, stretches = round(BEFORE_S * rate_hz), _stretches(samples, rate_hz)
    parts = [
        _levels(stretches[near[begin : begin + _HITS_AT_ONCE]], before, rate_hz)
        for begin in range(0, len(near), _HITS_AT_ONCE)
    ]
    return tuple(np.concatenate(column) for column in zip(*parts, strict=True)) if parts else (np.zeros(0),) * 2


def _stretches(samples: np.ndarray, rate_hz: int) -> np.ndarray:
    before, after = round(BEFORE_S * rate_hz), round(AFTER_S * rate_hz)
    return sliding_window_view(np.pad(samples, (before, after + before)), before + after)


def _levels(cut: np.ndarray, before: int, rate_hz: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the peak of each stretch and the noise before it; its mean is taken out in place."""
    model = _model(before, rate_hz)
    cut -= cut[:, model].mean(axis=1, keepdims=True)
    noise = np.sqrt(np.square(cut[:, model]).mean(axis=1))
    heard = slice(before - round(SEARCH_S[0] * rate_hz), before + round(LEVEL_S * rate_hz))
    return np.abs(cut[:, heard]).max(axis=1), noise


def _model(before: int, rate_hz: int) -> slice:
    stop = before - round(GUARD_S * rate_hz)
    return slice(stop - round(MODEL_S * rate_hz), stop)


def _placed(cut: np.ndarray, before: int, rate_hz: int) -> Placed:
    model, search = _model(before, rate_hz), [round(seconds * rate_hz) for seconds in SEARCH_S]
    peak, noise = _levels(cut, before, rate_hz)
    error = np.square(_residual(cut, predictor(cut[:, model])))
    sharpest = error[:, before - search[0] : before + round(LEVEL_S * rate_hz)].max(axis=1)
    usual = error[:, model].mean(axis=1) + sharpest * 10 ** (ONSET_DB / 10) + 1e-20
    total = np.cumsum(np.pad(error / usual[:, None], ((0, 0), (1, 0))), axis=1, dtype=np.float64)
    start, _, spread, gain = _first_change(total, before - search[0], before + search[1], rate_hz)
    loud = np.abs(cut) >= ATTACK_SHARE * peak[:, None]
    loud &= np.arange(cut.shape[1]) >= start[:, None]
    return Placed(start.astype(float), spread, peak, noise, gain, np.maximum(loud.argmax(axis=1) - start, 0.0))


def onset_of(white: np.ndarray, near: int, rate_hz: int, reach_s: float) -> tuple[float, float]:
    """Return the onset of one whitened waveform near a sample, and its spread: mean and width of its likelihood.

    Parameters
    ----------
    white : (n,) array
        With at least 5 ms of noise before the search.
    near : int
    rate_hz : int
    reach_s : float
        How far before `near` it may begin, up to `TEMPLATE_REACH_S`.

    Returns
    -------
    onset, spread : float
        Samples.
    """
    search = near - max(1, round(min(reach_s, TEMPLATE_REACH_S) * rate_hz))
    error = np.square(white)[None, :]
    quiet = slice(round(TEMPLATE_EDGE_S * rate_hz), search)
    peak = np.abs(white).max()
    usual = error[:, quiet].mean(axis=1) + np.square(peak * 10 ** (ONSET_DB / 20)) + 1e-30
    total = np.cumsum(np.pad(error / usual[:, None], ((0, 0), (1, 0))), axis=1)
    _, mean, spread, _ = _first_change(total, search, near + round(TEMPLATE_AFTER_S * rate_hz), rate_hz)
    return float(mean[0]), float(spread[0])


def predictor(before: np.ndarray) -> np.ndarray:
    """Fit an autoregressive model to each row by the autocorrelation method and Levinson's recursion.

    Parameters
    ----------
    before : (n_hits, n) array

    Returns
    -------
    taps : (n_hits, ORDER + 1) array
        1, a1, a2, … of the prediction error filter.
    """
    n = before.shape[1]
    spectrum = np.fft.rfft(before * np.hanning(n), 1 << (n + ORDER).bit_length(), axis=1)
    lags = np.fft.irfft(np.square(spectrum.real) + np.square(spectrum.imag), axis=1)[:, : ORDER + 1]
    lags[:, 0] = lags[:, 0] * (1 + LEAST_NOISE) + 1e-20
    taps = np.zeros((len(before), ORDER + 1))
    taps[:, 0] = 1.0
    left = lags[:, 0].copy()
    for order in range(1, ORDER + 1):
        reflection = -(taps[:, :order] * lags[:, order:0:-1]).sum(axis=1) / left
        taps[:, 1 : order + 1] += reflection[:, None] * taps[:, order - 1 :: -1][:, :order]
        left *= np.maximum(1 - np.square(reflection), 1e-9)
    return taps


def _residual(cut: np.ndarray, taps: np.ndarray) -> np.ndarray:
    error, part, taps = cut.copy(), np.empty_like(cut), taps.astype(cut.dtype)
    for back in range(1, ORDER + 1):
        np.multiply(cut[:, :-back], taps[:, back : back + 1], out=part[:, back:])
        error[:, back:] += part[:, back:]
    return error


def _first_change(total: np.ndarray, begin: int, end: int, rate_hz: int):
    """Return likeliest and mean onset, spread and gain of the first burst that ends between two columns.

    `total` holds running sums of squared errors over their usual variance. The gain of a length grows with the
    power, so it is computed for the greatest power alone, and an alarm is a power that is reached.
    """
    lengths = np.array([max(SHORTEST, round(length * rate_hz / 1000)) for length in WINDOWS_MS])
    powers = [total[:, begin:end] - total[:, begin - length : end - length] for length in lengths]
    highest = _gain(np.stack([power.max(axis=1) for power in powers], axis=1), lengths).max(axis=1)
    # A weak burst's alarm is a share of itself, whatever came before.
    strong, early = ALARM_SHARE * highest > ALARM, ORDER + int(lengths[-1])
    its = total[strong, :begin]
    before = [(its[:, early:] - its[:, early - length : -length]).max(axis=1) for length in lengths]
    by_itself = np.zeros(len(total))
    by_itself[strong] = _gain(np.stack(before, axis=1), lengths).max(axis=1)
    alarm = np.minimum(np.maximum(ALARM, ALARM_OVER_BEFORE * by_itself), ALARM_SHARE * highest)
    wait = round(WAIT_MS * rate_hz / 1000)
    stop = begin + _reached(powers, lengths, alarm) + wait
    loud = begin + _reached(powers, lengths, np.maximum(alarm, LOUD_SHARE * highest)) + wait
    stop = _of_strike(total, stop, loud, lengths, round(OVER_MS * rate_hz / 1000))
    length, gain = _back(total, stop, lengths)
    best = gain.argmax(axis=1)
    weight = np.exp(gain - gain.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    spread = np.sqrt((weight * np.square(length - length[best][:, None])).sum(axis=1))
    return stop - length[best], stop - (weight * length).sum(axis=1), spread, highest


def _reached(powers: list[np.ndarray], lengths: np.ndarray, alarm: np.ndarray) -> np.ndarray:
    """Return the first column at which a burst of some length reaches the alarm of its row."""
    reached = np.zeros(powers[0].shape, bool)
    for power, its in zip(powers, (lengths * _ratio(2 * alarm[:, None] / lengths)).T, strict=True):
        reached |= power >= its[:, None]
    return reached.argmax(axis=1)


def _of_strike(total: np.ndarray, stop: np.ndarray, loud: np.ndarray, lengths: np.ndarray, n: int) -> np.ndarray:
    """Return `stop`, and `loud` in its place where the burst that ended at `stop` was over `n` samples before the loud
    one began."""
    far = np.flatnonzero(loud - stop > n)
    length, gain = _back(total[far], loud[far], lengths)
    begin = loud[far] - length[gain.argmax(axis=1)]
    over = (begin - n > stop[far]) & (total[far, begin] - total[far, begin - n] < OVER_POWER * n)
    stop = stop.copy()
    stop[far[over]] = loud[far[over]]
    return stop


def _back(total: np.ndarray, stop: np.ndarray, lengths: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the lengths of bursts that end at `stop`, (n_lengths,), and the gain of each, (n_hits, n_lengths)."""
    length, rows = np.arange(SHORTEST, lengths[-1]), np.arange(len(total))[:, None]
    return length, _gain(total[rows, stop[:, None]] - total[rows, stop[:, None] - length], length)


def _gain(power: np.ndarray, length) -> np.ndarray:
    """Return the log likelihood gained by letting `length` samples have a variance of their own above the usual."""
    ratio = np.maximum(power / length, 1.0)
    return 0.5 * length * (ratio - 1 - np.log(ratio))


def _ratio(gain: np.ndarray) -> np.ndarray:
    """Return the ratio r of variances at which r - 1 - log r = `gain`, by Newton's method from above."""
    ratio = 1 + gain + np.sqrt(2 * gain)
    for _ in range(_NEWTON_STEPS):
        excess = np.maximum(ratio - 1, 1e-12)
        ratio -= (excess - np.log1p(excess) - gain) * (1 + excess) / excess
    return np.where(gain > 0, ratio, 0.0)  # nothing gained: any power will do
