"""Look for faint strikes in noise by the known sound of their striker.

Where a channel's strikes stand little above its noise, samples tell no strike from noise, a whole sound does: the
recording is gone through once more with a filter matched to the mean sound of the surest strikes, in noise whitened by
its own spectrum (van Trees 1968, ch. 4). It reaches 10 to 20 dB further, and its peak places a strike finer than its
first samples do. What a strike leaves in the filter's output for a second (its ring) is known too, from the mean of
that output around the strikes; it is taken out strike by strike, the strongest first (Högbom 1974, CLEAN).
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft

from pipeline.hits import again, align, candidate, decide, leak, place, rebound, rise

FAINT_DB = 26.0  # peak over noise: a channel whose usual strike stands higher needs no second search
LIKELY, SURE = 0.05, 0.5  # probability at first sight of what may make the mean sound, and of what is taken for that
FEWEST, ENOUGH, POOL = 6, 24, 96  # strikes that make a sound; with fewer sure ones likely ones are tried, too; at most
SEEDS, MOST_ALIKE = 4, 0.6  # loudest strikes that the others are held against, until so many are alike
STRETCHES, STRETCH_S = 4, 5.0  # of the recording that tell the noise and the ring
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
RING_S = (0.1, 1.0)  # before and after a strike: how long it is seen in the filter's output
RING_SHARE, RING_APART_S = 0.4, 0.020  # of the usual height; from a stronger one: strikes that tell the ring
WRONG, MOST_RING = 0.2, 0.7  # of 1 at the strike; most that a ring may differ from that of the mean sound
TOO_MANY = 300  # of a block: the search has come to no end
MOST_PER_S = 20.0  # strikes of one striker; where the filter finds more it tells nothing
LEAST_Z = 4.5  # over the noise: a candidate
LEAST_OVER_RING = 0.25  # of what the ring of others reaches: their colour differs from strike to strike
ENVELOPE_S = 0.005
SAME_S = 0.010  # a candidate of the first look nearer than this is the same one
PEAK_S = 0.002  # around a candidate in which no other is looked for
BANDS_BEFORE_S = 0.004  # of the samples that tell a candidate's bands: half a frame, and more
USUAL_SHARE = 0.6  # of the usual height: what is higher tells the usual level
LEAK_S = 0.002  # between a strike and what leaks of it
UNFOUND = -1.0  # told of what the first look found on a channel that was searched, and the search did not
N_TOLD = 3  # numbers that tell of a candidate
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


def search(heard, first: np.ndarray, sound, channels, lengths: tuple[int, int, int]):
    """Search the faint channels again.

    Parameters
    ----------
    heard : listen.Heard
    first : (n,) array
        Probability at first sight.
    sound : audio.Audio
    channels : tuple of Channel
    lengths : (int, int, int)
        Samples of a block, and before and after it.

    Returns
    -------
    listen.Heard
        With what was found in place of the candidates nearer than `SAME_S`; as it was where no channel is faint. Its
        `sought` tells of what was found its height over the noise, over the usual and over the ring of others.
    """
    # What leaks in is another's sound.
    own = first * (again.above_db_of(heard, first, decide.sharing(channels)) >= again.SURE_ABOVE_DB)
    sure = [_sure(heard, own, number, channel) for number, channel in enumerate(channels)]
    sure = {number: rows for number, rows in enumerate(sure) if rows is not None}
    size = 2 * fft.next_fast_len((sum(lengths) + rebound.shape(sound.rate_hz).n) // 2 + 1, real=True)
    filters = _filters(heard, sure, sound, channels, size)
    return _searched(heard, filters, sound, channels, lengths) if filters else heard


def _sure(heard, first: np.ndarray, number: int, channel) -> np.ndarray | None:
    """Return the surest own strikes of a channel, the best first; None where it is not faint or too few are sure."""
    if decide.only_striker(channel) is None:
        return None
    rows = np.flatnonzero((heard.candidates["channel"] == number) & (first > LIKELY) & (heard.tail >= 0))
    rows = rows[np.argsort(-first[rows], kind="stable")]
    rows = rows[: max(ENOUGH, (first[rows] > SURE).sum())]
    if len(rows) < FEWEST:
        return None
    its = heard.candidates[rows]
    # The quietest of the noises, what rings before a strike is none; the loudest of the peaks, many leak in.
    over = np.quantile(its["peak"], leak.USUAL_QUANTILE) / (np.quantile(its["noise"], 1 - leak.USUAL_QUANTILE) + 1e-9)
    return rows[np.argsort(-its["gain"], kind="stable")] if 20 * np.log10(over) < FAINT_DB else None


def _filters(heard, sure: dict[int, np.ndarray], sound, channels, size: int) -> dict[int, Filter]:
    """Return the filters of the channels that have sure strikes."""
    if not sure:
        return {}
    n = min(round(STRETCH_S * sound.rate_hz), sound.stop - sound.start)
    starts = np.unique(np.linspace(sound.start, sound.stop - n, STRETCHES).astype(int))
    stretches = {number: [] for number in sure}
    for start in starts:
        _, _, samples = next(iter(replace(sound, start=int(start), stop=int(start) + n).blocks(n)))
        for number in sure:
            stretches[number].append(_without_offset(samples[:, channels[number].channel - 1]))
    found = {}
    for number, rows in sure.items():
        noise = np.mean([noise_power(one, sound.rate_hz) for one in stretches[number]], axis=0)
        at = heard.candidates["at"][rows]
        # Those of the stretches first: they tell the ring, too.
        inside = (np.abs(at[:, None] - starts - n / 2) < n / 2).any(axis=1)
        pool = np.argsort(~inside, kind="stable")[:POOL]
        tails = heard.tails.read(heard.tail[rows[pool]]).astype(np.float32)
        template = _template(tails, noise, rebound.shape(sound.rate_hz))
        if template is None:
            continue
        sound_, onset, member = template
        made = _filter(sound_, onset, noise, size, rebound.shape(sound.rate_hz))
        outputs = [_output(one, made, size) for one in stretches[number]]
        made = _with_ring(made, outputs, [at[pool[member]] - start for start in starts], sound.rate_hz)
        if made is not None:
            found[number] = made
    return found


def _without_offset(samples: np.ndarray) -> np.ndarray:
    one = np.ascontiguousarray(samples)
    return one - one.mean()


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


def _whitening(noise: np.ndarray, size: int) -> np.ndarray:
    return 1 / np.sqrt(np.interp(np.linspace(0, 1, size // 2 + 1), np.linspace(0, 1, len(noise)), noise))


def _template(tails: np.ndarray, noise: np.ndarray, columns: align.Shape):
    """Return the mean sound, whitened, without most of its noise, (columns.size,) array, the onset in samples from its
    column of the placing, and which tails are alike; None where few are."""
    spectra = fft.rfft(tails, columns.size)
    white = spectra * _whitening(noise, columns.size).astype(np.float32)
    waves = fft.irfft(white, columns.size)
    quiet = waves[:, place.ORDER * 4 : columns.at - round(align.QUIET_S * columns.rate_hz)]
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


def _members(white: np.ndarray, seed: np.ndarray, columns: align.Shape):
    """Return the weight in the mean of each sound that is like a seed, and its lag; None where they are few."""
    mean, power = seed * _window(columns), 1.0
    for turn in range(ROUNDS):
        template = _without_noise(mean, power, columns)
        height, lag = _fit(white, template, columns)
        member = height * np.sqrt(np.square(template).sum()) > MEMBER_Z
        member &= height > MEMBER_SHARE * np.median(height[member]) if member.any() else False
        if member.sum() < FEWEST:
            return None, None
        lag -= np.median(lag[member]) if turn else 0.0
        weight = np.clip(height, 0, 2 * np.median(height[member])) * member
        weight /= weight @ height
        mean, power = _mean(white, weight, lag, columns)
    return weight, lag


def _mean(white: np.ndarray, weight: np.ndarray, lag: np.ndarray, columns: align.Shape) -> tuple[np.ndarray, float]:
    """Return the weighted mean of sounds moved by their lags, and the power of its noise."""
    turned = _turned(white, weight, lag, columns)
    return turned * _window(columns), float(np.square(weight).sum())


def _turned(spectra: np.ndarray, weight: np.ndarray, lag: np.ndarray, columns: align.Shape) -> np.ndarray:
    its = weight != 0
    turned = spectra[its] * rebound.turns(lag[its], columns.size)
    return fft.irfft((turned * weight[its, None]).sum(axis=0), columns.size)


def _onset(tails, spectra, weight: np.ndarray, lag: np.ndarray, columns: align.Shape) -> float:
    """Return the onset of the mean sound, found as that of a strike is, in samples from the column of the placing."""
    member = weight > 0
    taps = align.noise_taps(tails[member], columns)
    mean = align.whitened(_turned(spectra, weight, lag, columns)[None, : columns.n], taps)[0]
    scatter_s = 1.4826 * np.median(np.abs(lag[member])) / columns.rate_hz
    reach_s = max(align.NEAREST_S, align.SCATTERS * scatter_s)
    return place.onset_of(mean, columns.at, columns.rate_hz, reach_s)[0] - columns.at


def _window(columns: align.Shape) -> np.ndarray:
    begin, edge = columns.at - round(TEMPLATE_S[0] * columns.rate_hz), round(TEMPLATE_S[1] * columns.rate_hz)
    window = np.zeros(columns.size)
    window[begin : columns.n] = 1.0
    window[columns.n - edge : columns.n] = np.linspace(1, 0, edge)
    return window


def _fit(spectra: np.ndarray, template: np.ndarray, columns: align.Shape) -> tuple[np.ndarray, np.ndarray]:
    """Return height and lag of the template in each sound."""
    far = round(ASTRAY_S * columns.rate_hz)
    matched = fft.irfft(spectra * np.conj(fft.rfft(template)), columns.size)
    matched = np.concatenate([matched[:, -far:], matched[:, : far + 1]], axis=1)
    best = matched[:, 1:-1].argmax(axis=1) + 1
    height = matched[np.arange(len(best)), best] / (np.square(template).sum() + 1e-20)
    return height, best - far + align.vertex(matched, best)


def _without_noise(mean: np.ndarray, power: float, columns: align.Shape) -> np.ndarray:
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


def _filter(template: np.ndarray, onset: float, noise: np.ndarray, size: int, columns: align.Shape) -> Filter:
    """Return the filter of a template, without its ring."""
    power = np.square(np.abs(fft.rfft(template)))
    width = np.sqrt((power * np.square(np.linspace(0, np.pi, len(power)))).sum() / (power.sum() + 1e-20))
    turned = np.roll(np.pad(template, (0, size - columns.size)), -columns.at)
    spectrum = np.conj(fft.rfft(turned)) * _whitening(noise, size)
    alike = fft.irfft(np.square(np.abs(fft.rfft(template, 2 * columns.size))))
    alike = (alike / (alike[0] + 1e-20)).astype(np.float32)
    return Filter(spectrum.astype(np.complex64), alike, np.zeros(0), np.zeros(0), 0.0, onset, float(width))


def _output(samples: np.ndarray, made: Filter, size: int) -> np.ndarray:
    """Return the filter's output over its noise."""
    output = fft.irfft(fft.rfft(samples, size) * made.spectrum, size)[: len(samples)]
    return output / (np.quantile(np.abs(output[::7]), QUANTILE) / OF_NORMAL + 1e-20)


def _with_ring(made: Filter, outputs: list[np.ndarray], at: list[np.ndarray], rate_hz: int) -> Filter | None:
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
    for ring in [_ring(outputs, peaks, 2 * usual, own), own] if len(heights) >= FEWEST else [own]:
        # What rings louder than it was struck is no ring but other strikes.
        if abs(ring[before] - 1) < WRONG and np.abs(ring - own).max() < MOST_RING:
            tried = replace(made, ring=ring, envelope=_envelope(ring, round(ENVELOPE_S * rate_hz)), usual=usual)
            found = sum(len(_strikes(output, tried, 0, [], np.zeros((0, 2)), rate_hz)) for output in outputs)
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
    for _ in range(ROUNDS):
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


def _strikes(output: np.ndarray, made: Filter, begin: int, earlier: list, placings: np.ndarray, rate_hz: int):
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


def _searched(heard, filters: dict[int, Filter], sound, channels, lengths: tuple[int, int, int]):
    """Return `heard` with what the filters find."""
    block, before, after = lengths
    cut, edge = rise.frames(sound.rate_hz), candidate.EDGE_S * sound.rate_hz
    rows, sought, risen, late, tail, stored = [], [], [], [], [], []
    last = {number: [] for number in filters}
    for start, begin, samples in sound.blocks(block, before, after):
        own = {number: _without_offset(samples[:, channels[number].channel - 1]) for number in filters}
        found = {}
        for number, one in own.items():
            made = filters[number]
            output = _output(one, made, len(made.spectrum) * 2 - 2)
            earlier = [(at - start, height) for at, height in last[number]]
            mine = heard.candidates[(heard.candidates["channel"] == number)]
            placings = np.column_stack([mine["at"] - start - made.onset, mine["spread"]])
            placings = placings[np.abs(placings[:, 0] - len(one) / 2) < len(one)]
            peaks = np.array(_strikes(output, made, begin, earlier, placings, sound.rate_hz)).reshape(-1, 3)
            peaks = peaks[peaks[:, 0] < begin + block]
            last[number] = [(at + start, height) for at, height, _ in peaks] + [
                one for one in last[number] if one[0] > start + begin - RING_S[1] * sound.rate_hz
            ]
            found[number] = peaks[np.argsort(peaks[:, 0])]
        if not any(len(peaks) for peaks in found.values()):
            continue
        tops = [
            leak.peaks(_without_offset(samples[:, channel.channel - 1]), cut.hop, len(samples) // cut.hop + 1)
            for channel in channels
        ]
        for number, peaks in found.items():
            its = _rows(own[number], peaks, number, filters[number], cut)
            whole = (its["at"] + start >= sound.start + edge) & (its["at"] + start < sound.stop - edge)
            its, peaks = its[whole], peaks[whole]
            frame = np.round(its["at"] / cut.hop).astype(np.int64)
            arriving = [leak.arriving(top, frame, "own" if k == number else "other") for k, top in enumerate(tops)]
            risen.append(np.stack(arriving, axis=1))
            late.append(leak.arriving(tops[number], frame, "late"))
            stored.append(heard.waveforms.write(own[number], its["at"]))
            tail.append(heard.tails.write(own[number], its["at"]))
            its["at"] += start
            rows.append(its)
            sought.append(_told(peaks, filters[number]))
    if not rows:
        return heard
    rows, sought = np.concatenate(rows), np.concatenate(sought)
    risen, late = np.concatenate(risen), np.concatenate(late)
    level = _leveled(rows, sought[:, 1], risen, late, LEAK_S * sound.rate_hz)
    unfound = np.isin(heard.candidates["channel"], list(filters))[:, None]
    keep = ~_near(heard.candidates, rows, SAME_S * sound.rate_hz)
    return replace(
        heard,
        candidates=np.concatenate([heard.candidates[keep], rows]),
        risen=np.concatenate([heard.risen[keep], risen]),
        level=np.concatenate([heard.level[keep], level]),
        late=np.concatenate([heard.late[keep], late]),
        tail=np.concatenate([heard.tail[keep], *tail]),
        stored=np.concatenate([heard.stored[keep], *stored]),
        sought=np.concatenate([np.where(unfound, UNFOUND, heard.sought)[keep], sought]),
    )


def _leveled(rows: np.ndarray, share: np.ndarray, risen: np.ndarray, late: np.ndarray, near: float) -> np.ndarray:
    """Put levels by the filter in the place of peaks, in which noise has a part, and return them for all channels: the
    strike's own, and what the filters of other channels find at that moment."""
    level = risen.copy()
    for number in np.unique(rows["channel"]):
        mine = np.flatnonzero(rows["channel"] == number)
        usual = mine[share[mine] > USUAL_SHARE] if (share[mine] > USUAL_SHARE).any() else mine
        for values in (rows["peak"], late, level[:, number]):
            values[mine] = np.median(values[usual]) * share[mine]
        others = np.flatnonzero(rows["channel"] != number)
        order = mine[np.argsort(rows["at"][mine], kind="stable")]
        low, high = (np.searchsorted(rows["at"][order], rows["at"][others] + side) for side in (-near, near))
        for row, begin, end in zip(others, low, high, strict=True):
            level[row, number] = level[order[begin:end], number].max(initial=0.0)
    return level


def _told(peaks: np.ndarray, made: Filter) -> np.ndarray:
    """Return what the filter tells of each peak: over the noise, over the usual and over the ring of others."""
    height = peaks[:, 1]
    return np.column_stack([height, height / made.usual, height / np.maximum(peaks[:, 2], 1.0)]).astype(np.float32)


def _near(candidates: np.ndarray, rows: np.ndarray, near: float) -> np.ndarray:
    """Return which candidates have one of the rows near, on the same channel."""
    found = np.zeros(len(candidates), bool)
    for number in np.unique(rows["channel"]):
        mine = candidates["channel"] == number
        found[mine] = decide.beside(candidates["at"][mine], rows["at"][rows["channel"] == number], near)
    return found


def _rows(samples: np.ndarray, peaks: np.ndarray, number: int, made: Filter, cut: rise.Frames) -> np.ndarray:
    """Return candidates at the peaks, measured as those of the first look are where that can be said."""
    at = np.clip(peaks[:, 0] + made.onset, 0, len(samples) - 1)
    placed = place.place(samples, np.round(at).astype(np.int64), cut.rate_hz)
    rows = np.zeros(len(at), candidate.DTYPE)
    for name in ("peak", "noise", "gain"):
        rows[name] = getattr(placed, name)
    rows["channel"], rows["at"], rows["attack"] = number, at, 0.0
    # The bound of Cramér and Rao: noise over height and width.
    rows["spread"] = 1 / (peaks[:, 1] * made.width)
    before, n_frames = round(BANDS_BEFORE_S * cut.rate_hz / cut.hop), round(candidate.BANDS_S * cut.rate_hz / cut.hop)
    n = (2 * before + n_frames) * cut.hop
    stretches = sliding_window_view(np.pad(samples, n), n)[np.round(at).astype(np.int64) + n - before * cut.hop]
    power = rise.band_power(stretches.ravel(), cut)[: len(at) * (2 * before + n_frames)]
    rows["bands"] = power.reshape(len(at), -1, power.shape[1])[:, before : before + n_frames].mean(axis=1)
    return rows
