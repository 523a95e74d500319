"""Make templates of a channel's hits, compare hits with them, and find where they fit best.

In: stored waveforms. Out: templates; correlation with them; lags. A striker makes nearly the same waveform every time.
The best placed hits of a channel are sorted by correlation and averaged into a few templates; each hit is then moved to
where a template fits it best (matched filter in noise whitened by an autoregressive model; van Trees 1968, ch. 4), held
to its first placing by a heavy-tailed prior. A template has far less noise than a hit, so its own onset, found as
`onset` finds one, lies nearer the true one.
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft

from pipeline import robust
from pipeline.hits.signal import onset

BEFORE_S, AFTER_S = 0.009, 0.020  # of a stored waveform around the first placing
QUIET_S = 0.003  # before the placing: where the noise before a hit ends
TEMPLATE_S = (0.001, 0.009)  # before and after the placing: what is compared to place a hit
EDGE_S = 0.0005  # soft edge of what is compared; twice as long at its end
FARTHEST_S = 0.010  # a hit that may have been found at a neighbour's leak moves no farther,
FAR_S = 0.004  # any other no farther than this
PRIOR_S, PRIOR_DF = 0.0003, 2.0  # prior around the first placing: scale beside its spread, degrees of freedom
# The prior's weight beside the likelihood: where a hit differs from the template, neighbouring samples err together, so
# that the likelihood of a wrong lag is far too sure.
PRIOR_WEIGHT = 8.0
POOL = 48  # hits that make the templates of a channel
LEAST_HITS = 4  # that make a template
MOST_TEMPLATES = 16  # a microphone that hears many strikers needs one a striker
SAME_CORRELATION = 0.7  # noise apart, from which two waveforms make one template
FIT_CORRELATION = 0.5  # noise apart, from which a template may move a hit
CHANCE_CORRELATION = 0.25  # that noise alone may reach at some lag
LEAST_SHARE = 0.1  # of a waveform's energy that is taken to be the hit's
ROUNDS = 3  # of averaging
MEMBER_S = 0.0007  # from the middle lag: a hit that lies farther off is left out of the template
ONSET_REACH_S, ONSET_SCATTERS = 0.0003, 3.0  # before the placings: how far a template's onset is looked for, at least
DIFFERENT = 0.02  # share of a hit's energy that differs from the template even without noise
AT_ONCE = 256  # waveforms that are read and compared


@dataclass(frozen=True)
class Template:
    """A mean waveform, whitened.

    Attributes
    ----------
    long : (columns.size // 2 + 1,) complex array
        Its spectrum over the long window, of energy 1.
    spectrum : (columns.size // 2 + 1,) complex array
        That of the part which places.
    energy, slope : float
        Energy of that part, and of its derivative, per sample squared.
    onset, onset_se : float
        Samples after the column of the first placing.
    """

    long: np.ndarray
    spectrum: np.ndarray
    energy: float
    slope: float
    onset: float
    onset_se: float


@dataclass(frozen=True)
class Templates:
    """The templates of one channel, at least one, and the `taps` that whiten the noise before its hits."""

    taps: np.ndarray
    each: list[Template]


@dataclass(frozen=True)
class Shape:
    """Columns of a stored waveform: `n` in all, the first placing at `at`; transforms have `size` columns."""

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
        """Weights of the columns that show a strike in noise: a low body needs time to show."""
        return self._weights((TEMPLATE_S[0], AFTER_S - EDGE_S))

    def _weights(self, span_s: tuple[float, float]) -> np.ndarray:
        low, high = self.at - round(span_s[0] * self.rate_hz), self.at + round(span_s[1] * self.rate_hz)
        edge = max(2, round(EDGE_S * self.rate_hz))
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


def templates(waveforms: np.ndarray, columns: Shape) -> Templates | None:
    """Sort waveforms by correlation and average those that are alike.

    Parameters
    ----------
    waveforms : (n_hits, columns.n) array
        The best placed first.

    Returns
    -------
    Templates or None
        None when no `LEAST_HITS` hits are alike.
    """
    taps = noise_taps(waveforms, columns)
    white = whitened(waveforms, taps)
    spectra = fft.rfft(white, columns.size)
    free, found = np.ones(len(white), bool), []
    for seed in range(len(white)):
        if free[seed] and len(found) < MOST_TEMPLATES:
            members, lag = _members(spectra, white, seed, np.flatnonzero(free), columns)
            free[seed] = False
            if len(members) >= LEAST_HITS:
                free[members] = False
                found.append(_average(spectra[members], lag, columns))
    return Templates(taps, found) if found else None


def prior(away: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """Return the log prior (Student's) `away` samples from the first placing, where it is 0."""
    return -(PRIOR_DF + 1) / 2 * np.log1p(np.square(away / scale) / PRIOR_DF)


def noise_taps(waveforms: np.ndarray, columns: Shape) -> np.ndarray:
    """Return the prediction error filter that whitens the noise before the hits, (onset.ORDER + 1,) array."""
    quiet = waveforms[:, : columns.at - round(QUIET_S * columns.rate_hz)].astype(np.float64)
    quiet = quiet - quiet.mean(axis=1, keepdims=True)
    quiet /= np.sqrt(np.square(quiet).mean(axis=1, keepdims=True)) + 1e-12
    return np.median(onset.predictor(quiet), axis=0)


def likeness(waveforms: np.ndarray, its: Templates, columns: Shape) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Compare hits with the templates of their channel, over the long window.

    Parameters
    ----------
    waveforms : (n_hits, columns.n) array
    its : Templates
    columns : Shape

    Returns
    -------
    highest : (n_hits,) array
        Highest correlation within `FAR_S` of the placing, 0 to 1.
    height : (n_hits,) array
        Output of that matched filter, in the waveforms' unit.
    noise : (n_hits,) array
        Root mean square of the same output in the noise before.
    """
    white = whitened(waveforms, its.taps)
    spectra = fft.rfft(white, columns.size)
    energy = _energy(white, columns.long_window, columns)
    n = len(white)
    highest, height = np.zeros(n), np.zeros(n)
    for one in its.each:
        correlation = np.maximum(_correlated(spectra, one.long, columns), 0)
        middle, far = correlation.shape[1] // 2, round(FAR_S * columns.rate_hz)
        near = slice(middle - far, middle + far + 1)
        ratio = correlation[:, near] / np.sqrt(energy[:, near] + 1e-30)
        best = ratio.argmax(axis=1), ratio.max(axis=1)
        height = np.where(best[1] > highest, correlation[:, near][np.arange(n), best[0]], height)
        highest = np.maximum(highest, best[1])
    return highest, height, np.sqrt(noise_power(white, columns)) + 1e-9


def moved(
    waveforms: np.ndarray, spread: np.ndarray, leaking: np.ndarray, its: Templates, columns: Shape
) -> tuple[np.ndarray, np.ndarray]:
    """Move hits to where a template fits them best.

    Parameters
    ----------
    waveforms : (n_hits, columns.n) array
    spread : (n_hits,) array
        Spread of the first placing, samples.
    leaking : (n_hits,) bool array
        Whether a neighbour struck at the first placing.
    its : Templates
    columns : Shape

    Returns
    -------
    lag : (n_hits,) array
        Samples from the first placing to the new one; 0 where no template fits.
    lag_se : (n_hits,) array
        Its standard error, samples; NaN where no template fits.
    """
    white = whitened(waveforms, its.taps)
    spectra = fft.rfft(white, columns.size)
    tried = [_fitted(spectra, white, spread, leaking, one, columns) for one in its.each]
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
    """Return which free hits are like the seed, and their lags to the mean of them."""
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
        alike = correlation[rows, best] > np.maximum(
            SAME_CORRELATION * np.sqrt(own * share[rows, best]), CHANCE_CORRELATION
        )
        own = 1.0  # the means that follow have little noise
        if alike.sum() < LEAST_HITS:
            return np.zeros(0, int), np.zeros(0)
        # A ringing body is alike itself a few periods later too; such a lag would smear the template.
        alike &= np.abs(lags - np.median(lags[alike])) < MEMBER_S * columns.rate_hz
        if alike.sum() < LEAST_HITS:
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


def _average(spectra: np.ndarray, lag: np.ndarray, columns: Shape) -> Template:
    mean = np.fft.irfft(_mean(spectra, lag, columns), columns.size)[: columns.n]
    template, long = mean * columns.window, mean * columns.long_window
    slope = np.gradient(template)
    # The hits were placed one by one already; what begins earlier than they scatter is another striker's.
    scatter = robust.SD_OF_MAD * np.median(np.abs(lag))
    reach_s = max(ONSET_REACH_S, ONSET_SCATTERS * scatter / columns.rate_hz)
    begin, begin_se = onset.onset_of(mean, columns.at, columns.rate_hz, reach_s)
    return Template(
        np.fft.rfft(long / np.sqrt(np.square(long).sum() + 1e-30), columns.size),
        np.fft.rfft(template, columns.size),
        float(np.square(template).sum()),
        float(np.square(slope).sum()),
        begin - columns.at,
        begin_se,
    )


def _fitted(spectra, white, spread, leaking, its: Template, columns: Shape):
    """Return log likelihood (-inf where it does not fit), lag of the onset and its standard error for one template."""
    correlation = np.maximum(_correlated(spectra, its.spectrum, columns), 0)
    lags = np.arange(correlation.shape[1]) - correlation.shape[1] // 2
    correlation[~leaking[:, None] & (np.abs(lags) > FAR_S * columns.rate_hz)] = 0.0
    energy = _energy(white, columns.window, columns)
    alike = correlation / np.sqrt(energy * its.energy + 1e-30)
    n_compared = np.count_nonzero(columns.window)
    left = energy * (1 - np.minimum(np.square(alike), 1.0) * (1 - DIFFERENT)) / n_compared
    rows, best = np.arange(len(white)), alike[:, 1:-1].argmax(axis=1) + 1
    left = left[rows, best][:, None] + 1e-30
    likelihood = np.square(correlation) / (2 * its.energy * left)
    scale = np.hypot(PRIOR_S * columns.rate_hz, spread)[:, None]
    likelihood += PRIOR_WEIGHT * prior(lags + its.onset, scale)
    best = likelihood[:, 1:-1].argmax(axis=1) + 1
    top = likelihood[rows, best]
    weight = np.exp(np.minimum(likelihood - top[:, None], 0.0))  # the outermost lags may be higher
    weight /= weight.sum(axis=1, keepdims=True)
    wide = (weight * np.square(np.arange(len(lags)) - best[:, None])).sum(axis=1)
    amplitude = correlation[rows, best] / its.energy
    fine = left[:, 0] / (np.square(amplitude) * its.slope + 1e-30)
    lag = lags[best] + vertex(correlation, best) + its.onset
    fits = alike[rows, best] > np.maximum(
        FIT_CORRELATION * np.sqrt(_share(white, energy, columns)[rows, best]), CHANCE_CORRELATION
    )
    # The discrete weights cannot be narrower than a sample; the slope of the template gives what lies below.
    error = np.sqrt(np.where(wide > 0.25, wide, 0.0) + fine + its.onset_se**2)
    return np.where(fits, top, -np.inf), lag, error


def vertex(values: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Return how far the vertex of the parabola through three neighbours lies from the middle one."""
    rows = np.arange(len(values))
    left, middle, right = values[rows, at - 1], values[rows, at], values[rows, at + 1]
    bend = left - 2 * middle + right
    return np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
