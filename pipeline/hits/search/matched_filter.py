"""Search samples with a filter matched to the template of a striker (van Trees 1968, ch. 4).

In: a template, the noise's spectrum, samples. Out: strikes, as peaks of the filter's output over its noise. What a
strike leaves in the output for a second (its ring) is estimated from the strikes that are seen, and subtracted strike
by strike, the strongest first (Högbom 1974, CLEAN).
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from pipeline.hits.search import template_in_noise
from pipeline.hits.signal import template

STEPS = 4  # of conjugate gradients: what even strikes leave open stays as it was
RING_S = (0.1, 1.0)  # before and after a strike: how long it is seen in the filter's output
PEAK_REACH_S = 0.012  # around the first placing of a strike: where its peak is looked for
RING_SHARE, RING_APART_S = (
    0.4,
    0.020,
)  # of the usual height; from a stronger one: strikes that the ring is estimated from
MOST_SHARE = 2.0  # of the usual height: what is higher counts as so high where the ring is estimated
# A ring is not taken where it differs by more from 1 at the strike, or anywhere from the template's own.
STRIKE_ERROR, RING_ERROR = 0.2, 0.7
MOST_STRIKES = 300  # of a block: the search has come to no end
MOST_PER_S = 20.0  # strikes of one striker; a filter that finds more is not used
LEAST_Z = 4.5  # over the noise: a candidate
LEAST_OVER_RING = 0.25  # of what the ring of others reaches: their colour differs from strike to strike
LEAST_RING = 0.7  # over the noise: a ring that stays below is not subtracted
ENVELOPE_S = 0.005  # length of the stretches of the envelope
PEAK_S = 0.002  # around a candidate in which no other is looked for
NOISE_QUANTILE, OF_NORMAL = 0.3, 0.38532  # of the output's size that is noise, and that of a normal distribution
SKIPPED = 7  # its noise is estimated from every seventh sample of the output


@dataclass(frozen=True)
class Filter:
    """The filter of one channel.

    Attributes
    ----------
    spectrum : (size // 2 + 1,) complex array
        For transforms of `size` samples.
    of_template : (n,) array
        Its output for its own template, 1 at the strike.
    ring : (n_ring,) array
        Its output around a strike (`RING_S`), 1 at the strike; empty before it is estimated.
    envelope : (n_stretches,) array
        Highest of the ring around each stretch of `ENVELOPE_S`.
    usual : float
        Height of the usual strike over the noise.
    onset : float
        Of a strike, samples after its peak.
    width : float
        Root mean square frequency of the template, radians a sample.
    """

    spectrum: np.ndarray
    of_template: np.ndarray
    ring: np.ndarray
    envelope: np.ndarray
    usual: float
    onset: float
    width: float


def filter_of(noisy: template_in_noise.NoisyTemplate, noise: np.ndarray, size: int, columns: template.Shape) -> Filter:
    """Return the filter of a template, without its ring.

    Parameters
    ----------
    noisy : template_in_noise.NoisyTemplate
    noise : (n_bins,) array
        Power spectrum from 0 to half the rate.
    size : int
        Even; samples of a block with its context and a template.
    columns : template.Shape
        Of the template.
    """
    wave = noisy.wave
    power = np.square(np.abs(fft.rfft(wave)))
    width = np.sqrt((power * np.square(np.linspace(0, np.pi, len(power)))).sum() / (power.sum() + 1e-20))
    turned = np.roll(np.pad(wave, (0, size - columns.size)), -columns.at)
    spectrum = np.conj(fft.rfft(turned)) * template_in_noise.whitening(noise, size)
    own = fft.irfft(np.square(np.abs(fft.rfft(wave, 2 * columns.size))))
    own = (own / (own[0] + 1e-20)).astype(np.float32)
    return Filter(spectrum.astype(np.complex64), own, np.zeros(0), np.zeros(0), 0.0, noisy.onset, float(width))


def output_of(samples: np.ndarray, made: Filter) -> np.ndarray:
    """Return the filter's output over its noise, (n,) array; (n,) samples, at most the filter's `size`."""
    size = 2 * len(made.spectrum) - 2
    output = fft.irfft(fft.rfft(samples, size) * made.spectrum, size)[: len(samples)]
    return output / (np.quantile(np.abs(output[::SKIPPED]), NOISE_QUANTILE) / OF_NORMAL + 1e-20)


def with_ring(made: Filter, outputs: list[np.ndarray], at: list[np.ndarray], rate_hz: int) -> Filter | None:
    """Return the filter with its ring, estimated from the strikes of some stretches.

    Parameters
    ----------
    made : Filter
    outputs : list of (n,) arrays
        Of the filter, a stretch each.
    at : list of (n_strikes,) arrays
        Where strikes were placed, samples of each stretch.
    rate_hz : int

    Returns
    -------
    Filter or None
        None where no strike is seen, no ring is near 1 at the strike, or the output has peaks everywhere.
    """
    before, after = (round(seconds * rate_hz) for seconds in RING_S)
    peaks = [_peaks_near(output, its, rate_hz) for output, its in zip(outputs, at, strict=True)]
    heights = np.concatenate([output[its] for output, its in zip(outputs, peaks, strict=True)])
    if not len(heights):
        return None
    usual = float(np.median(heights))
    peaks = [its[output[its] > RING_SHARE * usual] for output, its in zip(outputs, peaks, strict=True)]
    own = _own_ring(made, before, after)
    enough = len(heights) >= template_in_noise.LEAST_STRIKES
    rings = [_ring(outputs, peaks, MOST_SHARE * usual, own), own] if enough else [own]
    for ring in rings:
        # What rings louder than it was struck is no ring but other strikes.
        if abs(ring[before] - 1) < STRIKE_ERROR and np.abs(ring - own).max() < RING_ERROR:
            envelope = _envelope(ring, before, round(ENVELOPE_S * rate_hz))
            tried = replace(made, ring=ring, envelope=envelope, usual=usual)
            found = sum(len(strikes(output, tried, 0, [], np.zeros((0, 2)), rate_hz)) for output in outputs)
            if found * rate_hz < MOST_PER_S * sum(len(output) for output in outputs):
                return tried
    return None


def _own_ring(made: Filter, before: int, after: int) -> np.ndarray:
    """Return the filter's output for its own template, 1 at the strike."""
    ring = np.zeros(before + after, np.float32)
    ring[: 2 * before] = np.roll(made.of_template, before)[: 2 * before]
    return ring


def _ring(outputs: list[np.ndarray], peaks: list[np.ndarray], most: float, ring: np.ndarray) -> np.ndarray:
    """Return the ring that explains the outputs best, from a first one on: strikes ring into one another.

    Least squares by conjugate gradients (Hestenes & Stiefel 1952). Few steps: what even strokes leave open stays as it
    was.
    """
    before, n = round(RING_S[0] / sum(RING_S) * len(ring)), len(ring)
    after = n - before

    def rung(shape: np.ndarray) -> list[np.ndarray]:
        sums = [np.zeros(len(output) + n, np.float32) for output in outputs]
        for total, output, its in zip(sums, outputs, peaks, strict=True):
            for peak in its:
                total[peak : peak + n] += min(output[peak], most) * shape
        return sums

    def around(sums: list[np.ndarray]) -> np.ndarray:
        total = np.zeros(n, np.float32)
        for one, output, its in zip(sums, outputs, peaks, strict=True):
            for peak in its:
                total += min(output[peak], most) * one[peak : peak + n]
        return total

    # What lies beyond a stretch is unknown and gets no weight.
    known = [np.pad(np.ones(len(output), bool), (before, after)) for output in outputs]
    left = [
        np.pad(output, (before, after)) - one * inside
        for output, one, inside in zip(outputs, rung(ring), known, strict=True)
    ]
    ring, rest = ring.copy(), around(left)
    step, power = rest.copy(), float(rest @ rest)
    for _ in range(STEPS):
        moved = [one * inside for one, inside in zip(rung(step), known, strict=True)]
        length = power / (sum(float(one @ one) for one in moved) + 1e-20)
        ring += length * step
        left = [one - length * other for one, other in zip(left, moved, strict=True)]
        rest = around(left)
        power, last = float(rest @ rest), power
        step = rest + power / (last + 1e-20) * step
    return ring


def _peaks_near(output: np.ndarray, at: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return the highest output near each place inside, but none near a higher one."""
    far, apart = round(PEAK_REACH_S * rate_hz), round(RING_APART_S * rate_hz)
    peaks = []
    for place in np.round(at[(at > 0) & (at < len(output))]).astype(int):
        low = max(0, place - far)
        peaks.append(low + int(output[low : place + far].argmax()))
    peaks = np.unique(np.array(peaks, int))
    peaks, kept = peaks[output[peaks] > LEAST_Z], []
    for peak in peaks[np.argsort(-output[peaks], kind="stable")]:
        if all(abs(peak - other) > apart for other in kept):
            kept.append(peak)
    return np.array(kept, int)


def _envelope(ring: np.ndarray, before: int, wide: int) -> np.ndarray:
    """Return the most of the ring in each stretch of `wide` samples and the two beside it; one begins at the strike."""
    first = -before % wide
    parts = np.abs(np.pad(ring, (first, -(first + len(ring)) % wide))).reshape(-1, wide).max(axis=1)
    parts = np.pad(parts, 1, mode="edge")
    return np.maximum(np.maximum(parts[:-2], parts[1:-1]), parts[2:])


class _Residual:
    """What is left of a filter's output, stretch by stretch, when the rings of strikes are subtracted."""

    def __init__(self, output: np.ndarray, made: Filter, begin: int, rate_hz: int):
        self._made, self._wide = made, round(ENVELOPE_S * rate_hz)
        self.before = round(RING_S[0] * rate_hz)
        n = self.before + len(output)
        self.left = np.pad(output, (self.before, len(made.ring) + -(n + len(made.ring)) % self._wide))
        self._open = np.zeros(len(self.left), bool)
        self._open[self.before + max(begin, 1) : n - 1] = True
        self._ringing = np.zeros(len(self.left) // self._wide, np.float32)
        self._highest = np.zeros(len(self._ringing), np.float32)
        self._update(0, len(self.left))

    def subtract(self, peak: int, height: float) -> None:
        """Subtract the ring of a strike."""
        heard = np.flatnonzero(height * self._made.envelope > LEAST_RING)
        first = -self.before % self._wide  # of the envelope's first stretch, before the ring begins
        low = max(0, peak, peak + int(heard[0]) * self._wide - first)
        high = min(len(self.left), peak + len(self._made.ring), peak + (int(heard[-1]) + 1) * self._wide - first)
        if high > low:
            self.left[low:high] -= height * self._made.ring[low - peak : high - peak]
            stretch = (peak + self.before) // self._wide - (self.before + first) // self._wide
            its = np.arange(max(0, stretch), min(len(self._ringing), stretch + len(self._made.envelope)))
            self._ringing[its] = np.maximum(self._ringing[its], height * self._made.envelope[its - stretch])
            self._update(low, high)

    def close(self, top: int, wide: int) -> None:
        """Exclude what lies within `wide` samples from `highest`."""
        low, high = max(0, top - wide), top + wide + 1
        self._open[low:high] = False
        self._update(low, min(high, len(self.left)))

    def highest(self) -> int | None:
        """Return the highest sample that is not excluded; None where there is little but noise and rings."""
        live = np.where(self._highest < np.maximum(LEAST_Z, LEAST_OVER_RING * self._ringing), 0, self._highest)
        stretch = int(live.argmax())
        if live[stretch] == 0:
            return None
        its = slice(stretch * self._wide, (stretch + 1) * self._wide)
        return its.start + int((self.left[its] * self._open[its]).argmax())

    def ringing(self, top: int) -> float:
        """Return the height of the ring of the strikes that were subtracted, at most, near a sample."""
        return float(self._ringing[top // self._wide])

    def _update(self, low: int, high: int) -> None:
        first, last = low // self._wide, -(-high // self._wide)
        its = slice(first * self._wide, last * self._wide)
        parts = (self.left[its] * self._open[its]).reshape(-1, self._wide)
        self._highest[first:last] = parts.max(axis=1)


def strikes(
    output: np.ndarray, made: Filter, begin: int, earlier: list, placings: np.ndarray, rate_hz: int
) -> list[tuple[float, float, float]]:
    """Return the strikes of a block.

    Parameters
    ----------
    output : (n,) array
        Over its noise.
    made : Filter
    begin : int
        Sample from which strikes are looked for.
    earlier : list of (sample, height)
        Strikes before `begin`, whose rings are subtracted.
    placings : (n_placings, 2) array
        Samples at which peaks are expected for what the first pass found, and their spread.
    rate_hz : int

    Returns
    -------
    list of (sample, height, height of the ring of others there)
        The strongest first; `MOST_STRIKES` + 1 at most.
    """
    residual = _Residual(output, made, begin, rate_hz)
    for peak, height in earlier:
        residual.subtract(round(peak), height)
    wide, found, placings = round(PEAK_S * rate_hz), [], placings + np.array([residual.before, 0.0])
    while len(found) <= MOST_STRIKES and (top := residual.highest()) is not None:
        residual.close(top, wide)
        if residual.left[top] < residual.left[top - 1 : top + 2].max():
            continue
        top = _likeliest(residual.left, top, placings, rate_hz)
        height = float(residual.left[top])
        fine = top + float(template.vertex(residual.left[None, top - 1 : top + 2], np.array([1]))[0])
        found.append((fine - residual.before, height, residual.ringing(top)))
        residual.close(top, wide)
        residual.subtract(top - residual.before, height)
    return found


def _likeliest(output: np.ndarray, top: int, placings: np.ndarray, rate_hz: int) -> int:
    """Return the peak near the highest that is the likeliest together with the first placing (`template.prior`).

    A tone fits nearly as well some periods away.
    """
    far = round(template.FAR_S * rate_hz)
    lags = np.arange(-far, far + 1)
    near = placings[np.abs(placings[:, 0] - top) < far]
    part = output[top - far - 1 : top + far + 2]
    peak = (part[1:-1] >= part[:-2]) & (part[1:-1] >= part[2:]) & (part[1:-1] > 0)
    if not len(near) or not peak.any():
        return top
    power = np.square(part[1:-1])
    likelihood = power / 2 / (1 + template.DIFFERENT * np.square(output[top]))
    scale = np.hypot(template.PRIOR_S * rate_hz, near[:, 1:])
    prior = template.prior(top + lags - near[:, :1], scale)
    return top - far + int(np.where(peak, likelihood + prior.max(axis=0), -np.inf).argmax())
