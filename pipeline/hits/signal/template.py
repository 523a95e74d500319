"""Place hits of one sound by their own mean waveform, which is finer than placing each by itself.

A striker makes nearly the same waveform every time. The best placed hits of a channel are sorted into a few sounds and
averaged; each hit is then moved to where the average fits it best (matched filter in noise whitened by an
autoregressive model; van Trees 1968, ch. 4), held to its own placing by a heavy-tailed prior. The average has far less
noise than a hit, so its own onset, found as `place` finds one, lies nearer the true one.
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft

from pipeline.hits.signal import onset

BEFORE_S, AFTER_S = 0.009, 0.020  # of a stored waveform around the first placing
QUIET_S = 0.003  # before the placing: where the noise before a hit ends
TEMPLATE_S = (0.001, 0.009)  # of the average that is compared
FARTHEST_S = 0.010  # a hit moves no farther,
FAR_S = 0.004  # and no farther than this when it cannot have been found at a neighbour's leak
PRIOR_S = 0.0003  # scale of the prior around the first placing, beside its own spread
# How often the prior counts beside the likelihood: where a hit differs from the average, neighbouring samples err
# together, so that the likelihood of a wrong lag is far too sure.
PRIOR_TIMES = 8.0
POOL = 48  # hits that make the averages
FEWEST = 4  # hits that make a sound
MOST_SOUNDS = 16
ALIKE = 0.7  # correlation, noise apart, from which two waveforms are one sound
FITS = 0.5  # correlation, noise apart, from which an average may move a hit
CHANCE = 0.25  # correlation that noise alone may reach at some lag
LEAST_SHARE = 0.1  # of a waveform's energy that is taken to be the hit's
ROUNDS = 3
ASTRAY_S = 0.0007  # from the middle one: a hit placed farther off makes no average
NEAREST_S, SCATTERS = 0.0003, 3.0  # before the first placings: how far an average's onset is looked for, at least
DIFFERENT = 0.02  # share of a hit's energy that differs from the average even without noise
AT_ONCE = 256  # waveforms that are read and compared


@dataclass(frozen=True)
class Sound:
    """A mean waveform: its spectrum over the long window (of energy 1), spectrum and energy of the part that places,
    and its onset, in samples after the first placing's column."""

    long: np.ndarray
    spectrum: np.ndarray
    energy: float
    slope: float  # energy of its derivative, per sample squared
    onset: float
    onset_se: float


@dataclass(frozen=True)
class Shape:
    """Columns of a stored waveform: `n` in all, the placing at `at`, transformed with `size`."""

    n: int
    at: int
    size: int
    rate_hz: int

    @property
    def window(self) -> np.ndarray:
        """Weights of the columns that are compared, with soft edges."""
        return self._weights(TEMPLATE_S)

    @property
    def long_window(self) -> np.ndarray:
        """Weights of the columns that tell a strike from noise: a low body needs time to show."""
        return self._weights((TEMPLATE_S[0], AFTER_S - 0.0005))

    def _weights(self, span_s: tuple[float, float]) -> np.ndarray:
        low, high = self.at - round(span_s[0] * self.rate_hz), self.at + round(span_s[1] * self.rate_hz)
        edge = max(2, round(0.0005 * self.rate_hz))
        window = np.zeros(self.n)
        window[low:high] = 1.0
        window[low : low + edge] *= np.linspace(0, 1, edge)
        window[high - 2 * edge : high] *= np.linspace(1, 0, 2 * edge)
        return window


def shape(rate_hz: int) -> Shape:
    """Return the columns of a stored waveform."""
    before, n = round(BEFORE_S * rate_hz), round((BEFORE_S + AFTER_S) * rate_hz)
    farthest = round(FARTHEST_S * rate_hz)
    # Lags wrap around; only those up to the farthest are looked at, so the size needs room for no more.
    return Shape(n, before, 2 * fft.next_fast_len((n + farthest + 1) // 2, real=True), rate_hz)


def sounds(waveforms: np.ndarray, columns: Shape) -> tuple[np.ndarray, list[Sound]]:
    """Sort waveforms into sounds and average each.

    Parameters
    ----------
    waveforms : (n_hits, columns.n) array
        The best placed first.

    Returns
    -------
    taps : (place.ORDER + 1,) array
        Prediction error filter that whitens the noise before the hits.
    found : list of Sound
        Empty when no `FEWEST` hits are alike.
    """
    taps = noise_taps(waveforms, columns)
    white = whitened(waveforms, taps)
    spectra = fft.rfft(white, columns.size)
    free, found = np.ones(len(white), bool), []
    for seed in range(len(white)):
        if free[seed] and len(found) < MOST_SOUNDS:
            members, lag = _members(spectra, white, seed, np.flatnonzero(free), columns)
            free[seed] = False
            if len(members) >= FEWEST:
                free[members] = False
                found.append(_average(spectra[members], lag, columns))
    return taps, found


def prior(away: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """Return the logarithm of the prior, 0 at the first placing: Student's distribution with two degrees of freedom."""
    return -1.5 * np.log1p(np.square(away / scale) / 2)


def noise_taps(waveforms: np.ndarray, columns: Shape) -> np.ndarray:
    """Return the prediction error filter that whitens the noise before the hits, (place.ORDER + 1,) array."""
    quiet = waveforms[:, : columns.at - round(QUIET_S * columns.rate_hz)].astype(np.float64)
    quiet = quiet - quiet.mean(axis=1, keepdims=True)
    quiet /= np.sqrt(np.square(quiet).mean(axis=1, keepdims=True)) + 1e-12
    return np.median(onset.predictor(quiet), axis=0)


def likeness(waveforms, taps, found: list[Sound], columns: Shape) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Hold hits against the sounds, over the long window.

    Parameters
    ----------
    waveforms : (n_hits, columns.n) array

    Returns
    -------
    alike : (n_hits,) array
        Highest correlation within `FAR_S` of the placing, 0 to 1.
    height : (n_hits,) array
        Output of that matched filter, in the waveforms' unit.
    noise : (n_hits,) array
        Root mean square of the same output in the noise before.
    """
    white = whitened(waveforms, taps)
    spectra = fft.rfft(white, columns.size)
    energy = _energy(white, columns.long_window, columns)
    n = len(white)
    alike, height = np.zeros(n), np.zeros(n)
    for one in found:
        correlation = np.maximum(_correlated(spectra, one.long, columns), 0)
        middle, far = correlation.shape[1] // 2, round(FAR_S * columns.rate_hz)
        near = slice(middle - far, middle + far + 1)
        ratio = correlation[:, near] / np.sqrt(energy[:, near] + 1e-30)
        best = ratio.argmax(axis=1), ratio.max(axis=1)
        height = np.where(best[1] > alike, correlation[:, near][np.arange(n), best[0]], height)
        alike = np.maximum(alike, best[1])
    return alike, height, np.sqrt(noise_power(white, columns)) + 1e-9


def moved(waveforms, spread, leaking, taps, found: list[Sound], columns: Shape) -> tuple[np.ndarray, np.ndarray]:
    """Move hits to where the sounds fit them best.

    Parameters
    ----------
    waveforms : (n_hits, columns.n) array
    spread : (n_hits,) array
        Spread of the first placing, samples.
    leaking : (n_hits,) bool array
        Whether a neighbour struck at the first placing.
    found : list of Sound
        At least one.

    Returns
    -------
    lag : (n_hits,) array
        Samples from the first placing to the new one; 0 where no sound fits.
    lag_se : (n_hits,) array
        Its standard error, samples; NaN where no sound fits.
    """
    white = whitened(waveforms, taps)
    spectra = fft.rfft(white, columns.size)
    tried = [_fitted(spectra, white, spread, leaking, one, columns) for one in found]
    likelihood, lags, errors = (np.stack(part) for part in zip(*tried, strict=True))
    pick = likelihood.argmax(axis=0), np.arange(len(white))
    fits = np.isfinite(likelihood[pick])
    return np.where(fits, lags[pick], 0.0), np.where(fits, errors[pick], np.nan)


def whitened(waveforms: np.ndarray, taps: np.ndarray) -> np.ndarray:
    """Return the prediction errors of waveforms, (n, columns.n) float32 array."""
    white = waveforms.astype(np.float32)
    white -= white[:, : white.shape[1] // 4].mean(axis=1, keepdims=True)
    error, part = white.copy(), np.empty_like(white)
    for back in range(1, len(taps)):
        np.multiply(white[:, :-back], np.float32(taps[back]), out=part[:, back:])
        error[:, back:] += part[:, back:]
    error[:, : len(taps)] = 0.0
    return error


def _correlated(spectra: np.ndarray, template: np.ndarray, columns: Shape) -> np.ndarray:
    """Return the correlation with a template at lags -farthest … farthest."""
    farthest = round(FARTHEST_S * columns.rate_hz)
    all_lags = fft.irfft(spectra * np.conj(template).astype(np.complex64), columns.size)
    return _heights(np.concatenate([all_lags[:, -farthest:], all_lags[:, : farthest + 1]], axis=1))


def _heights(values: np.ndarray) -> np.ndarray:
    """Raise each local maximum to the vertex of its parabola.

    Otherwise a tone that lies half a sample off fits better a period away, where it lies on a sample.
    """
    left, middle, right = values[:, :-2], values[:, 1:-1], values[:, 2:]
    row, at = np.nonzero((middle >= left) & (middle >= right))
    left, middle, right = left[row, at], middle[row, at], right[row, at]
    raised = values.copy()
    raised[row, at + 1] += np.square(left - right) / (8 * np.maximum(2 * middle - left - right, 1e-20))
    return raised


def _energy(white: np.ndarray, weights: np.ndarray, columns: Shape) -> np.ndarray:
    """Return the energy of each waveform within the weighted columns at lags -farthest … farthest."""
    farthest, inside = round(FARTHEST_S * columns.rate_hz), np.flatnonzero(weights)
    total = np.cumsum(np.pad(np.square(white), ((0, 0), (1, farthest + 1))), axis=1, dtype=np.float64)
    lags = np.arange(-farthest, farthest + 1)
    high = np.minimum(inside[-1] + 1 + lags, total.shape[1] - 1)
    return (total[:, high] - total[:, np.maximum(inside[0] + lags, 0)]).astype(np.float32)


def _share(white: np.ndarray, energy: np.ndarray, columns: Shape) -> np.ndarray:
    """Return which share of `energy` is the hit's and not that of the noise before it."""
    noise = noise_power(white, columns) * np.count_nonzero(columns.window)
    return np.clip(1 - noise[:, None] / (energy + 1e-30), LEAST_SHARE, 1.0)


def noise_power(white: np.ndarray, columns: Shape) -> np.ndarray:
    """Return the power of whitened waveforms before their hits, (n,) array."""
    quiet = white[:, onset.ORDER + 1 : columns.at - round(QUIET_S * columns.rate_hz)]
    return np.square(quiet).mean(axis=1)


def _members(spectra, white, seed: int, free: np.ndarray, columns: Shape):
    """Return which free hits are alike the seed, and their lags to the average."""
    energy, mean = _energy(white[free], columns.window, columns), spectra[seed]
    share = _share(white[free], energy, columns)
    members, lag, own = np.zeros(0, int), np.zeros(0), share[free == seed, energy.shape[1] // 2]
    for _ in range(ROUNDS):
        template = np.fft.irfft(mean, columns.size)[: columns.n] * columns.window
        correlation = _correlated(spectra[free], np.fft.rfft(template, columns.size), columns)
        correlation /= np.sqrt(energy * np.square(template).sum() + 1e-30)
        best = correlation[:, 1:-1].argmax(axis=1) + 1
        lags = best - correlation.shape[1] // 2 + vertex(correlation, best)
        rows = np.arange(len(free))
        alike = correlation[rows, best] > np.maximum(ALIKE * np.sqrt(own * share[rows, best]), CHANCE)
        own = 1.0  # the averages that follow have little noise
        if alike.sum() < FEWEST:
            return np.zeros(0, int), np.zeros(0)
        # A ringing body is alike itself a few periods later too; such a lag would smear the average.
        alike &= np.abs(lags - np.median(lags[alike])) < ASTRAY_S * columns.rate_hz
        if alike.sum() < FEWEST:
            return np.zeros(0, int), np.zeros(0)
        members, lag = free[alike], lags[alike] - np.median(lags[alike])
        mean = _mean(spectra[members], lag, columns)
    return members, lag


def turns(lag: np.ndarray, size: int) -> np.ndarray:
    """Return the factors that move spectra by `lag` samples; those of bin a + b are those of a times those of b."""
    n, step = size // 2 + 1, 64
    angle = 2j * np.pi / size * lag[:, None]
    coarse, fine = (np.exp(angle * bins).astype(np.complex64) for bins in (np.arange(0, n, step), np.arange(step)))
    return (coarse[:, :, None] * fine[:, None, :]).reshape(len(lag), -1)[:, :n]


def _mean(spectra: np.ndarray, lag: np.ndarray, columns: Shape) -> np.ndarray:
    turned = spectra * turns(lag, columns.size)
    return (turned / np.sqrt(np.square(np.abs(turned)).sum(axis=1, keepdims=True))).mean(axis=0)


def _average(spectra: np.ndarray, lag: np.ndarray, columns: Shape) -> Sound:
    mean = np.fft.irfft(_mean(spectra, lag, columns), columns.size)[: columns.n]
    template, long = mean * columns.window, mean * columns.long_window
    slope = np.gradient(template)
    # The hits were placed one by one already; what begins earlier than they scatter is company, not the striker.
    scatter = 1.4826 * np.median(np.abs(lag))
    reach_s = max(NEAREST_S, SCATTERS * scatter / columns.rate_hz)
    begin, begin_se = onset.onset_of(mean, columns.at, columns.rate_hz, reach_s)
    return Sound(
        np.fft.rfft(long / np.sqrt(np.square(long).sum() + 1e-30), columns.size),
        np.fft.rfft(template, columns.size),
        float(np.square(template).sum()),
        float(np.square(slope).sum()),
        begin - columns.at,
        begin_se,
    )


def _fitted(spectra, white, spread, leaking, sound: Sound, columns: Shape):
    """Return likelihood (-inf where it does not fit), lag of the onset and its standard error for one sound."""
    correlation = np.maximum(_correlated(spectra, sound.spectrum, columns), 0)
    lags = np.arange(correlation.shape[1]) - correlation.shape[1] // 2
    correlation[~leaking[:, None] & (np.abs(lags) > FAR_S * columns.rate_hz)] = 0.0
    energy = _energy(white, columns.window, columns)
    alike = correlation / np.sqrt(energy * sound.energy + 1e-30)
    n_compared = np.count_nonzero(columns.window)
    left = energy * (1 - np.minimum(np.square(alike), 1.0) * (1 - DIFFERENT)) / n_compared
    rows, best = np.arange(len(white)), alike[:, 1:-1].argmax(axis=1) + 1
    left = left[rows, best][:, None] + 1e-30
    likelihood = np.square(correlation) / (2 * sound.energy * left)
    scale = np.hypot(PRIOR_S * columns.rate_hz, spread)[:, None]
    likelihood += PRIOR_TIMES * prior(lags + sound.onset, scale)
    best = likelihood[:, 1:-1].argmax(axis=1) + 1
    top = likelihood[rows, best]
    weight = np.exp(np.minimum(likelihood - top[:, None], 0.0))  # the outermost lags may be higher
    weight /= weight.sum(axis=1, keepdims=True)
    wide = (weight * np.square(np.arange(len(lags)) - best[:, None])).sum(axis=1)
    amplitude = correlation[rows, best] / sound.energy
    fine = left[:, 0] / (np.square(amplitude) * sound.slope + 1e-30)
    lag = lags[best] + vertex(correlation, best) + sound.onset
    fits = alike[rows, best] > np.maximum(FITS * np.sqrt(_share(white, energy, columns)[rows, best]), CHANCE)
    # The discrete weights cannot be narrower than a sample; the slope of the average tells what lies below.
    error = np.sqrt(np.where(wide > 0.25, wide, 0.0) + fine + sound.onset_se**2)
    return np.where(fits, top, -np.inf), lag, error


def vertex(values: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Return how far the vertex of the parabola through three neighbours lies from the middle one."""
    rows = np.arange(len(values))
    left, middle, right = values[rows, at - 1], values[rows, at], values[rows, at + 1]
    bend = left - 2 * middle + right
    return np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
