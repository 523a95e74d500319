"""Search a channel with a filter matched to the sound of its striker (van Trees 1968, ch. 4).

What a strike leaves in the filter's output for a second (its ring) is estimated from the strikes that are seen, and
taken out strike by strike, the strongest first (Högbom 1974, CLEAN).
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from pipeline.hits import align, decide, known

STEPS = 4  # of conjugate gradients
RING_S = (0.1, 1.0)  # before and after a strike: how long it is seen in the filter's output
RING_SHARE, RING_APART_S = 0.4, 0.020  # of the usual height; from a stronger one: strikes that tell the ring
WRONG, MOST_RING = 0.2, 0.7  # of 1 at the strike; most that a ring may differ from that of the mean sound
TOO_MANY = 300  # of a block: the search has come to no end
MOST_PER_S = 20.0  # strikes of one striker; where the filter finds more it tells nothing
LEAST_Z = 4.5  # over the noise: a candidate
LEAST_OVER_RING = 0.25  # of what the ring of others reaches: their colour differs from strike to strike
ENVELOPE_S = 0.005
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


def filter_of(template: np.ndarray, onset: float, noise: np.ndarray, size: int, columns: align.Shape) -> Filter:
    """Return the filter of a template, without its ring."""
    power = np.square(np.abs(fft.rfft(template)))
    width = np.sqrt((power * np.square(np.linspace(0, np.pi, len(power)))).sum() / (power.sum() + 1e-20))
    turned = np.roll(np.pad(template, (0, size - columns.size)), -columns.at)
    spectrum = np.conj(fft.rfft(turned)) * known.whitening(noise, size)
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
    for ring in [_ring(outputs, peaks, 2 * usual, own), own] if len(heights) >= known.FEWEST else [own]:
        # What rings louder than it was struck is no ring but other strikes.
        if abs(ring[before] - 1) < WRONG and np.abs(ring - own).max() < MOST_RING:
            tried = replace(made, ring=ring, envelope=_envelope(ring, round(ENVELOPE_S * rate_hz)), usual=usual)
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
    far, apart = round(decide.SAME_S * rate_hz), round(RING_APART_S * rate_hz)
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


def _envelope(ring: np.ndarray, wide: int) -> np.ndarray:
    parts = np.abs(np.pad(ring, (0, -len(ring) % wide))).reshape(-1, wide).max(axis=1)
    parts = np.pad(parts, 1, mode="edge")
    return np.repeat(np.maximum(np.maximum(parts[:-2], parts[1:-1]), parts[2:]), wide)[: len(ring)]


def strikes(output: np.ndarray, made: Filter, begin: int, earlier: list, placings: np.ndarray, rate_hz: int):
    """Return peaks from `begin` on (sample, height, height of the ring of others there), the strongest first.

    `earlier` are those before `begin`, of the block before; `placings` (n, 2) the samples at which peaks are expected
    for what the first look found, and their spread.
    """
    before, after = (round(seconds * rate_hz) for seconds in RING_S)
    left, ringing = np.pad(output, (before, after)), np.zeros(len(output) + before + after, np.float32)
    closed = np.ones(len(left), bool)
    closed[before + max(begin, 1) : before + len(output) - 1] = False
    live = np.where(closed, 0, left)

    def take_out(peak: int, height: float) -> None:
        low, high = max(0, peak), min(len(left), peak + before + after)
        if high > low:
            part, mine = slice(low - peak, high - peak), slice(low, high)
            left[mine] -= height * made.ring[part]
            np.maximum(ringing[mine], height * made.envelope[part], out=ringing[mine])
            live[mine] = np.where(closed[mine] | (left[mine] < LEAST_OVER_RING * ringing[mine]), 0, left[mine])

    for peak, height in earlier:
        take_out(round(peak), height)
    wide, found = round(PEAK_S * rate_hz), []
    while True:
        top = int(live.argmax())
        if live[top] < LEAST_Z:
            return found
        closed[top - wide : top + wide + 1], live[top - wide : top + wide + 1] = True, 0
        if left[top] < left[top - 1 : top + 2].max():
            continue
        top = _likeliest(left, top, placings + np.array([before, 0.0]), rate_hz)
        fine = top + float(align.vertex(left[None, top - 1 : top + 2], np.array([1]))[0])
        found.append((fine - before, float(left[top]), float(ringing[top])))
        if len(found) > TOO_MANY:
            return found
        closed[top - wide : top + wide + 1] = True
        take_out(top - before, float(left[top]))


def _likeliest(output: np.ndarray, top: int, placings: np.ndarray, rate_hz: int) -> int:
    """Return the peak near the highest that is the likeliest together with the first placing, the prior of `align`.

    A tone fits nearly as well some periods away.
    """
    far = round(align.FAR_S * rate_hz)
    lags = np.arange(-far, far + 1)
    near = placings[np.abs(placings[:, 0] - top) < far]
    part = output[top - far - 1 : top + far + 2]
    peak = (part[1:-1] >= part[:-2]) & (part[1:-1] >= part[2:]) & (part[1:-1] > 0)
    if not len(near) or not peak.any():
        return top
    power = np.square(part[1:-1])
    likelihood = power / 2 / (1 + align.DIFFERENT * np.square(output[top]))
    scale = np.hypot(align.PRIOR_S * rate_hz, near[:, 1:])
    prior = -1.5 * np.log1p(np.square((top + lags - near[:, :1]) / scale) / 2)
    return top - far + int(np.where(peak, likelihood + prior.max(axis=0), -np.inf).argmax())
