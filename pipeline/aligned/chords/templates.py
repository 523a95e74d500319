"""Learn the sound of each striker in a channel: its templates (soft and hard), and how strikes differ from them.

In: windows of the channel's samples around strikes that are placed, what other strikes add to them subtracted. Out:
`Sounds`. Strikes are sorted by correlation, greedily, the one with most like it first; a template is the mean of its
strikes, each moved to the lag at which it fits best. A template's zero is where its strikes were placed (median), so
that a strike told apart in a chord is placed at the same feature of the sound as one that comes alone.
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft

BEFORE_S, AFTER_S = 0.018, 0.12  # of a template around the strike
FADE_S = 0.004  # at both ends of a template
MOST_TEMPLATES = 8  # of a striker
ALIKE = 0.6  # correlation from which on two strikes have the same template
FARTHEST_S = 0.020  # between two placings of one sound: before and after its soft beginning
LEAST_KNOWN = 0.5  # share of a template's strikes that last so long undisturbed
LEAST_LEVEL_SD = 0.25  # of the logarithm of a striker's gains
LEAST_STRUCK = 0.3  # of the energy of a strike's window that is the strike's, at least
USUAL_MISMATCH = 0.15  # where too few strikes are alike to tell
FLOOR = 0.03  # of a strike's power at each frequency that differs from the template at least


@dataclass(frozen=True)
class Shape:
    """Samples of a window: the strike's place `at`, `n` in all; transforms have `size` samples."""

    rate_hz: int
    reach: int  # samples to both sides in which a lag is looked for

    @property
    def before(self) -> int:
        return round(BEFORE_S * self.rate_hz)

    @property
    def length(self) -> int:
        """Samples of a template."""
        return self.before + round(AFTER_S * self.rate_hz)

    @property
    def at(self) -> int:
        return self.before + self.reach

    @property
    def n(self) -> int:
        return self.length + 2 * self.reach

    @property
    def size(self) -> int:
        return fft.next_fast_len(self.n + self.reach, real=True)


@dataclass(frozen=True, eq=False)
class Striker:
    """Sound of one striker.

    Attributes
    ----------
    waves : (n_templates, length) array
        Of energy 1 each; the strike at `Shape.before`.
    spectra : (n_templates, size // 2 + 1) complex array
        The same, the strike at sample 0.
    log_gain, log_gain_sd : float
        Mean and standard deviation of the logarithm of the gains.
    mismatch : (size // 2 + 1,) array
        Power spectrum by which a strike of gain 1 differs from its template.
    unseen : float
        Share of its strikes that are like no template (Good 1953: as many as were heard once).
    """

    waves: np.ndarray
    spectra: np.ndarray
    log_gain: float
    log_gain_sd: float
    mismatch: np.ndarray
    unseen: float


def learn(windows: np.ndarray, known: np.ndarray, noise: np.ndarray, shape: Shape) -> Striker | None:
    """Learn a striker's sound.

    Parameters
    ----------
    windows : (n_strikes, shape.n) array
        Around each placing.
    known : (n_strikes,) int array
        Samples of each window that no other strike disturbs.
    noise : (shape.size // 2 + 1,) array
        Power spectrum of a window without a strike.
    """
    valid = np.arange(shape.n)[None, :] < known[:, None]
    faded = windows * valid
    spectra = fft.rfft(faded, shape.size)
    power = np.square(np.abs(spectra)).mean(axis=0)
    weight = 1 / np.sqrt(noise + FLOOR * smoothed(power) + 1e-20)
    struck = np.maximum(smoothed(power) - noise, 0)
    seen = weight * np.sqrt(struck / (struck + noise + 1e-20))
    white = spectra * seen
    energy = np.square(np.abs(white)).sum(axis=1)
    energy = np.maximum(energy - (noise * seen**2).sum(), LEAST_STRUCK * energy)
    free, groups = np.arange(len(windows)), []
    while len(free) and len(groups) < MOST_TEMPLATES:
        alike, lag = _alike(white[free], energy[free], shape)
        seed = int((alike > ALIKE).sum(axis=1).argmax())
        member = np.flatnonzero(alike[seed] > ALIKE)
        groups.append((free[member], lag[seed, member]))
        free = np.delete(free, member)
    waves = [_mean(faded[who], valid[who], lag, shape) for who, lag in groups]
    waves = [wave / np.sqrt(np.square(wave).sum() + 1e-30) for wave in waves]
    if not waves:
        return None
    waves = np.array(waves)
    at_zero = spectra_of(waves, shape)
    gains, left = [], []
    for (who, _), template in zip(groups, at_zero, strict=True):
        gain, rest = _fitted(spectra[who], template, weight, shape)
        gains.append(gain)
        left.append(rest)
    gains, left = np.concatenate(gains), np.concatenate(left)
    log_gain = np.log(np.maximum(gains, 1e-12))
    own = smoothed(np.square(np.abs(at_zero)).mean(axis=0))
    several = np.concatenate([np.full(len(who), len(who) > 1) for who, _ in groups])
    if several.sum() > 2:
        mismatch = np.maximum(np.square(np.abs(left[several])) - noise, 0) / np.square(gains[several, None] + 1e-12)
        mismatch = smoothed(np.median(mismatch, axis=0) / np.log(2))
    else:
        mismatch = USUAL_MISMATCH * own
    sd = np.sqrt((np.square(log_gain - np.median(log_gain)).sum() + 4 * LEAST_LEVEL_SD**2) / (len(log_gain) + 3))
    once = sum(len(who) == 1 for who, _ in groups)
    return Striker(
        waves,
        at_zero,
        float(np.median(log_gain)),
        float(max(sd, LEAST_LEVEL_SD)),
        mismatch + FLOOR * own,
        (once + 0.5) / (len(windows) + 1),
    )


def likeness(one: Striker, other: Striker, noise: np.ndarray, shape: Shape) -> float:
    """Return the highest correlation of two strikers' templates, as the joint fit hears them."""
    power = noise + sum(np.exp(2 * each.log_gain) * each.mismatch for each in (one, other))
    first, second = (each.spectra / np.sqrt(power + 1e-30) for each in (one, other))
    energy = [np.square(np.abs(each)).sum(axis=1) for each in (first, second)]
    both = fft.irfft(first[:, None] * np.conj(second[None]), shape.size) * shape.size / 2
    near = np.concatenate([both[..., -shape.reach :], both[..., : shape.reach + 1]], axis=-1)
    return float((near.max(axis=-1) / np.sqrt(np.multiply.outer(*energy) + 1e-30)).max())


def spectra_of(waves: np.ndarray, shape: Shape) -> np.ndarray:
    """Return the spectra of templates with the strike at sample 0."""
    spectra = fft.rfft(waves, shape.size)
    return spectra * np.exp(2j * np.pi * np.arange(spectra.shape[1]) * shape.before / shape.size)


def smoothed(power: np.ndarray) -> np.ndarray:
    """Return a power spectrum averaged over a sixth of an octave, at least 9 bins."""
    total = np.concatenate([[0.0], np.cumsum(power)])
    bins = np.arange(len(power))
    half = np.maximum(4, bins // 12)
    low, high = np.maximum(bins - half, 0), np.minimum(bins + half + 1, len(power))
    return (total[high] - total[low]) / (high - low)


def _alike(white, energy, shape):
    """Return the highest correlation of each pair of strikes and the lag of the other there."""
    n, reach = len(white), round(FARTHEST_S * shape.rate_hz)
    alike, lag = np.ones((n, n)), np.zeros((n, n))
    for one in range(n):
        every = fft.irfft(white * np.conj(white[one]), shape.size)
        near = np.concatenate([every[:, -reach:], every[:, : reach + 1]], axis=1)
        best = near.argmax(axis=1)
        alike[one] = near[np.arange(n), best] / np.sqrt(energy * energy[one] + 1e-30)
        # A sum's spectra count positive frequencies once: correlation over energy is scaled by size / 2.
        alike[one] *= shape.size / 2
        lag[one] = best - reach + vertex(near, best)
    return alike, lag


def _mean(windows, valid, lag, shape):
    """Return the mean of strikes, each moved by its lag to the first (their median placing at the strike)."""
    whole = np.round(lag - np.median(lag)).astype(int)
    # Averaged a fraction of a sample apart, strikes would lose their treble.
    omega = 2 * np.pi * np.arange(shape.size // 2 + 1) / shape.size
    turned = np.exp(1j * np.multiply.outer(lag - np.median(lag) - whole, omega))
    windows = fft.irfft(fft.rfft(windows, shape.size) * turned, shape.size)[:, : shape.n]
    first = shape.at - shape.before
    total, count = np.zeros(shape.length), np.zeros(shape.length)
    for wave, good, moved in zip(windows, valid, whole, strict=True):
        low = min(max(first + moved, 0), shape.n - shape.length)
        total += wave[low : low + shape.length]
        count += good[low : low + shape.length]
    mean = total / np.maximum(count, 1)
    kept = int((count >= max(LEAST_KNOWN * len(windows), 1)).sum())
    fade = round(FADE_S * shape.rate_hz)
    mean[kept:] = 0
    mean[:fade] *= np.linspace(0, 1, fade)
    end = np.linspace(1, 0, 5 * fade)
    mean[max(kept - 5 * fade, 0) : kept] *= end[-min(5 * fade, kept) :]
    return mean


def _fitted(spectra, template, weight, shape):
    """Return the gain of each strike and what the template leaves of it."""
    reach = round(FARTHEST_S * shape.rate_hz)
    bins = np.arange(len(template))
    centred = spectra * np.exp(2j * np.pi * bins * shape.at / shape.size)
    both = fft.irfft(centred * np.conj(template) * weight**2, shape.size)
    near = np.concatenate([both[:, -reach:], both[:, : reach + 1]], axis=1)
    lag = near.argmax(axis=1) - reach + vertex(near, near.argmax(axis=1))
    gain = near.max(axis=1) * shape.size / 2 / (np.square(np.abs(template) * weight).sum() + 1e-30)
    turned = template * np.exp(-2j * np.pi * np.outer(lag, bins) / shape.size)
    return gain, centred - gain[:, None] * turned


def vertex(values: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Return how far the vertex of the parabola through three neighbours lies from the middle one, row by row."""
    at = np.clip(at, 1, values.shape[1] - 2)
    rows = np.arange(len(values))
    left, middle, right = values[rows, at - 1], values[rows, at], values[rows, at + 1]
    bend = left - 2 * middle + right
    return np.where(bend < 0, np.clip(0.5 * (left - right) / np.where(bend < 0, bend, -1.0), -1, 1), 0.0)
