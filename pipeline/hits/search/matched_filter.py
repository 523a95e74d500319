"""Search a channel with a filter matched to the sound of its striker (van Trees 1968, ch. 4).

What a strike leaves in the filter's output for a second (its ring) is estimated from the strikes that are seen, and
taken out strike by strike, the strongest first (Högbom 1974, CLEAN).
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from pipeline.hits.classify import selection
from pipeline.hits.search import mean_sound
from pipeline.hits.signal import template

STEPS = 4  # of conjugate gradients
RING_S = (0.1, 1.0)  # before and after a strike: how long it is seen in the filter's output
RING_SHARE, RING_APART_S = 0.4, 0.020  # of the usual height; from a stronger one: strikes that tell the ring
WRONG, MOST_RING = 0.2, 0.7  # of 1 at the strike; most that a ring may differ from that of the mean sound
TOO_MANY = 300  # of a block: the search has come to no end
MOST_PER_S = 20.0  # strikes of one striker; where the filter finds more it tells nothing
LEAST_Z = 4.5  # over the noise: a candidate
LEAST_OVER_RING = 0.25  # of what the ring of others reaches: their colour differs from strike to strike
LEAST_RING = 0.7  # over the noise: a ring that stays below is not taken out
ENVELOPE_S = 0.005  # stretches whose highest ring is told
PEAK_S = 0.002  # around a candidate in which no other is looked for
QUANTILE, OF_NORMAL = 0.3, 0.38532  # of the output's size that is noise, and that of a normal distribution


@dataclass(frozen=True)
class Filter:
    """The filter of one channel: its spectrum, ring (of 1 at the strike), usual height over the noise, and the strike's
    onset in samples from the peak; `width` is the root mean square frequency, radians a sample."""

    spectrum: np.ndarray
    alike: np.ndarray  # output for its own template
    ring: np.ndarray
    envelope: np.ndarray
    usual: float
    onset: float
    width: float


def filter_of(template: np.ndarray, onset: float, noise: np.ndarray, size: int, columns: template.Shape) -> Filter:
    """Return the filter of a template, without its ring."""
    power = np.square(np.abs(fft.rfft(template)))
    width = np.sqrt((power * np.square(np.linspace(0, np.pi, len(power)))).sum() / (power.sum() + 1e-20))
    turned = np.roll(np.pad(template, (0, size - columns.size)), -columns.at)
    spectrum = np.conj(fft.rfft(turned)) * mean_sound.whitening(noise, size)
    alike = fft.irfft(np.square(np.abs(fft.rfft(template, 2 * columns.size))))
    alike = (alike / (alike[0] + 1e-20)).astype(np.float32)
    return Filter(spectrum.astype(np.complex64), alike, np.zeros(0), np.zeros(0), 0.0, onset, float(width))


def output_of(samples: np.ndarray, made: Filter, size: int) -> np.ndarray:
    """Return the filter's output over its noise."""
    output = fft.irfft(fft.rfft(samples, size) * made.spectrum, size)[: len(samples)]
    return output / (np.quantile(np.abs(output[::7]), QUANTILE) / OF_NORMAL + 1e-20)


def with_ring(made: Filter, outputs: list[np.ndarray], at: list[np.ndarray], rate_hz: int) -> Filter | None:
    """Return the filter with what its output is around the strikes of some stretches; None where too few are
    seen or the filter's output has peaks everywhere."""
    before, after = (round(seconds * rate_hz) for seconds in RING_S)
    peaks = [_peaks_near(output, its, rate_hz) for output, its in zip(outputs, at, strict=True)]
    heights = np.concatenate([output[its] for output, its in zip(outputs, peaks, strict=True)])
    if not len(heights):
        return None
    usual = float(np.median(heights))
    peaks = [its[output[its] > RING_SHARE * usual] for output, its in zip(outputs, peaks, strict=True)]
    own = _own_ring(made, before, after)
    for ring in [_ring(outputs, peaks, 2 * usual, own), own] if len(heights) >= mean_sound.FEWEST else [own]:
        # What rings louder than it was struck is no ring but other strikes.
        if abs(ring[before] - 1) < WRONG and np.abs(ring - own).max() < MOST_RING:
            envelope = _envelope(ring, before, round(ENVELOPE_S * rate_hz))
            tried = replace(made, ring=ring, envelope=envelope, usual=usual)
            found = sum(len(strikes(output, tried, 0, [], np.zeros((0, 2)), rate_hz)) for output in outputs)
            if found * rate_hz < MOST_PER_S * sum(len(output) for output in outputs):
                return tried
    return None


def _own_ring(made: Filter, before: int, after: int) -> np.ndarray:
    """Return the filter's output for its own template, 1 at the strike."""
    ring = np.zeros(before + after, np.float32)
    ring[: 2 * before] = np.roll(made.alike, before)[: 2 * before]
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

    # What lies beyond a stretch is not known and not asked for.
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
    """Return the highest output near each place inside, but none beside a higher one."""
    far, apart = round(selection.SAME_S * rate_hz), round(RING_APART_S * rate_hz)
    peaks = []
    for place_ in np.round(at[(at > 0) & (at < len(output))]).astype(int):
        low = max(0, place_ - far)
        peaks.append(low + int(output[low : place_ + far].argmax()))
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


class _Rest:
    """What is left of a filter's output, stretch by stretch, when the rings of strikes are taken out."""

    def __init__(self, output: np.ndarray, made: Filter, begin: int, rate_hz: int):
        self._made, self._wide = made, round(ENVELOPE_S * rate_hz)
        self.before = round(RING_S[0] * rate_hz)
        n = self.before + len(output)
        self.left = np.pad(output, (self.before, len(made.ring) + -(n + len(made.ring)) % self._wide))
        self._open = np.zeros(len(self.left), bool)
        self._open[self.before + max(begin, 1) : n - 1] = True
        self._ringing = np.zeros(len(self.left) // self._wide, np.float32)
        self._highest = np.zeros(len(self._ringing), np.float32)
        self._look_again(0, len(self.left))

    def take_out(self, peak: int, height: float) -> None:
        """Take out the ring of a strike."""
        heard = np.flatnonzero(height * self._made.envelope > LEAST_RING)
        first = -self.before % self._wide  # of the envelope's first stretch, before the ring begins
        low = max(0, peak, peak + int(heard[0]) * self._wide - first)
        high = min(len(self.left), peak + len(self._made.ring), peak + (int(heard[-1]) + 1) * self._wide - first)
        if high > low:
            self.left[low:high] -= height * self._made.ring[low - peak : high - peak]
            stretch = (peak + self.before) // self._wide - (self.before + first) // self._wide
            its = np.arange(max(0, stretch), min(len(self._ringing), stretch + len(self._made.envelope)))
            self._ringing[its] = np.maximum(self._ringing[its], height * self._made.envelope[its - stretch])
            self._look_again(low, high)

    def close(self, top: int, wide: int) -> None:
        """Look for nothing any more within `wide` samples."""
        low, high = max(0, top - wide), top + wide + 1
        self._open[low:high] = False
        self._look_again(low, min(high, len(self.left)))

    def highest(self) -> int | None:
        """Return the highest sample that is left; None where there is little but noise and rings."""
        live = np.where(self._highest < np.maximum(LEAST_Z, LEAST_OVER_RING * self._ringing), 0, self._highest)
        stretch = int(live.argmax())
        if live[stretch] == 0:
            return None
        its = slice(stretch * self._wide, (stretch + 1) * self._wide)
        return its.start + int((self.left[its] * self._open[its]).argmax())

    def ringing(self, top: int) -> float:
        """Return the height of the ring of others there."""
        return float(self._ringing[top // self._wide])

    def _look_again(self, low: int, high: int) -> None:
        first, last = low // self._wide, -(-high // self._wide)
        its = slice(first * self._wide, last * self._wide)
        parts = (self.left[its] * self._open[its]).reshape(-1, self._wide)
        self._highest[first:last] = parts.max(axis=1)


def strikes(output: np.ndarray, made: Filter, begin: int, earlier: list, placings: np.ndarray, rate_hz: int):
    """Return peaks from `begin` on (sample, height, height of the ring of others there), the strongest first.

    `earlier` are those before `begin`, of the block before; `placings` (n, 2) the samples at which peaks are expected
    for what the first look found, and their spread.
    """
    rest = _Rest(output, made, begin, rate_hz)
    for peak, height in earlier:
        rest.take_out(round(peak), height)
    wide, found, placings = round(PEAK_S * rate_hz), [], placings + np.array([rest.before, 0.0])
    while len(found) <= TOO_MANY and (top := rest.highest()) is not None:
        rest.close(top, wide)
        if rest.left[top] < rest.left[top - 1 : top + 2].max():
            continue
        top = _likeliest(rest.left, top, placings, rate_hz)
        height = float(rest.left[top])
        fine = top + float(template.vertex(rest.left[None, top - 1 : top + 2], np.array([1]))[0])
        found.append((fine - rest.before, height, rest.ringing(top)))
        rest.close(top, wide)
        rest.take_out(top - rest.before, height)
    return found


def _likeliest(output: np.ndarray, top: int, placings: np.ndarray, rate_hz: int) -> int:
    """Return the peak near the highest that is the likeliest together with the first placing, the prior of `align`.

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
