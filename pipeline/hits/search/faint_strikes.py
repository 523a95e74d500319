"""Search noisy channels once more with a filter matched to the template of their striker.

In: the sound, and the candidates of the first pass. Out: the candidates with those that the filter found in place of
the ones near them. Where a channel's strikes stand little above its noise, single samples do not show a strike, but a
filter matched to a whole template does, in noise whitened by its own spectrum: it reaches 10 to 20 dB further, and its
peak places a strike finer than its first samples do.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft

from pipeline import audio
from pipeline.hits.candidates import DTYPE, NOT_FOUND, Candidates, has_near
from pipeline.hits.channels import are_leaking, are_mixed, only_striker
from pipeline.hits.classify import classifier
from pipeline.hits.search import first_pass, matched_filter, rebounds, second_pass, template_in_noise
from pipeline.hits.search.matched_filter import Filter
from pipeline.hits.signal import flux, leakage, onset
from pipeline.settings import Channel

FAINT_DB = 26.0  # peak over noise: a channel whose usual strike stands higher is not searched
SURE_PROBABILITY = 0.5  # at first, of what is taken for strikes
ENOUGH, POOL = 24, 96  # strikes that make a template: with fewer sure ones likely ones are tried, too; at most
STRETCHES, STRETCH_S = 4, 5.0  # of the recording, from which noise and ring are estimated
SAME_CANDIDATE_S = 0.010  # a candidate of the first pass nearer than this is the same one
BANDS_BEFORE_S = 0.004  # of the samples that a candidate's bands are measured on: half a frame, and more
USUAL_SHARE = 0.6  # of the usual height: the usual level is that of what is higher
LEAK_S = 0.002  # between a strike and what leaks of it


@dataclass(frozen=True)
class _Found:
    """What the filters find, as in `Candidates`."""

    rows: np.ndarray
    arriving: np.ndarray
    arriving_late: np.ndarray
    waveform: np.ndarray
    tail: np.ndarray
    filter_height: np.ndarray


class _Channel:
    """A channel that is searched: its filter, where the first pass placed candidates, and the latest strikes."""

    def __init__(self, its: Filter, rows: np.ndarray, rate_hz: int):
        self.filter, self._rate_hz = its, rate_hz
        self._placings = np.column_stack([rows["at"], rows["spread"]])
        self._latest = []

    def peaks(self, samples: np.ndarray, start: int, inside: slice) -> np.ndarray:
        """Return the strikes of one block: sample, height, height of what else rings there, (n, 3), in order of time.

        Parameters
        ----------
        samples : (n,) float32 array
            With context; begins at sample `start` of the recording.
        start : int
        inside : slice
            The block without its context.
        """
        its = self.filter
        output = matched_filter.output_of(samples, its)
        earlier = [(at - start, height) for at, height in self._latest]
        placings = self._placings - np.array([start + its.onset, 0.0])
        placings = placings[np.abs(placings[:, 0] - len(samples) / 2) < len(samples)]
        found = matched_filter.strikes(output, its, inside.start, earlier, placings, self._rate_hz)
        peaks = np.array(found).reshape(-1, 3)
        peaks = peaks[peaks[:, 0] < inside.stop]
        rung_out = start + inside.start - matched_filter.RING_S[1] * self._rate_hz
        self._latest = [(at + start, height) for at, height, _ in peaks] + [
            one for one in self._latest if one[0] > rung_out
        ]
        return peaks[np.argsort(peaks[:, 0])]


def search(found: Candidates, sound: audio.Audio, channels: tuple[Channel, ...]) -> Candidates:
    """Search the noisy channels that hear one striker.

    Parameters
    ----------
    found : Candidates
        Of the first pass.
    sound : audio.Audio
    channels : tuple of Channel

    Returns
    -------
    Candidates
        With what was found, last, in place of the candidates nearer than `SAME_CANDIDATE_S`, and their heights in the
        filter's output; `found` itself where no channel is noisy.
    """
    struck = classifier.at_first(found.rows, are_mixed(channels)[found.rows["channel"]])
    # What leaks in is another's sound.
    above_db, _ = second_pass.over_leakage(found, struck, are_leaking(channels))
    own = struck * (above_db >= second_pass.TEMPLATE_ABOVE_DB)
    sure = {number: _sure(found, own, number) for number, one in enumerate(channels) if only_striker(one) is not None}
    sure = {number: which for number, which in sure.items() if which is not None}
    filters = _filters(found, sure, sound, channels)
    parts = list(_found_in_blocks(found, filters, sound, channels)) if filters else []
    return _merged(found, parts, filters, sound) if parts else found


def _sure(found: Candidates, own: np.ndarray, number: int) -> np.ndarray | None:
    """Return the surest own strikes of a channel, the best placed first; None where it is not noisy or too few are."""
    which = np.flatnonzero((found.rows["channel"] == number) & (own > first_pass.TAIL_PROBABILITY) & (found.tail >= 0))
    which = which[np.argsort(-own[which], kind="stable")]
    which = which[: max(ENOUGH, (own[which] > SURE_PROBABILITY).sum())]
    if len(which) < template_in_noise.LEAST_STRIKES:
        return None
    rows = found.rows[which]
    # The quietest of the noises, what rings before a strike is none; the loudest of the peaks, many leak in.
    over = np.quantile(rows["peak"], leakage.USUAL_QUANTILE) / (
        np.quantile(rows["noise"], 1 - leakage.USUAL_QUANTILE) + 1e-9
    )
    return which[np.argsort(-rows["gain"], kind="stable")] if 20 * np.log10(over) < FAINT_DB else None


def _filters(
    found: Candidates, sure: Mapping[int, np.ndarray], sound: audio.Audio, channels: tuple[Channel, ...]
) -> dict[int, Filter]:
    """Return the filters of the channels that have sure strikes, where those make one."""
    if not sure:
        return {}
    starts, stretches = _stretches(sure, sound, channels)
    columns = rebounds.shape(sound.rate_hz)
    lengths = first_pass.block_lengths(flux.frames(sound.rate_hz))
    size = 2 * fft.next_fast_len((sum(lengths) + columns.n) // 2 + 1, real=True)
    filters = {}
    for number, which in sure.items():
        noise = np.mean([template_in_noise.noise_power(one, sound.rate_hz) for one in stretches[number]], axis=0)
        at = found.rows["at"][which]
        # Those of the stretches first: the ring is estimated from them, too.
        n = len(stretches[number][0])
        inside = (np.abs(at[:, None] - starts - n / 2) < n / 2).any(axis=1)
        pool = np.argsort(~inside, kind="stable")[:POOL]
        tails = found.tails.read(found.tail[which[pool]]).astype(np.float32)
        template = template_in_noise.template_of(tails, noise, columns)
        if template is None:
            continue
        its = matched_filter.filter_of(template, noise, size, columns)
        outputs = [matched_filter.output_of(one, its) for one in stretches[number]]
        at = [at[pool[template.members]] - start for start in starts]
        its = matched_filter.with_ring(its, outputs, at, sound.rate_hz)
        if its is not None:
            filters[number] = its
    return filters


def _stretches(sure, sound: audio.Audio, channels) -> tuple[np.ndarray, dict[int, list[np.ndarray]]]:
    """Return the starts of some stretches of the recording, and their samples of each channel."""
    n = min(round(STRETCH_S * sound.rate_hz), sound.stop - sound.start)
    starts = np.unique(np.linspace(sound.start, sound.stop - n, STRETCHES).astype(int))
    stretches = {number: [] for number in sure}
    for start in starts:
        _, _, samples = next(iter(replace(sound, start=int(start), stop=int(start) + n).blocks(n)))
        for number in sure:
            stretches[number].append(flux.without_offset(samples[:, channels[number].channel - 1]))
    return starts, stretches


def _found_in_blocks(
    found: Candidates, filters: Mapping[int, Filter], sound: audio.Audio, channels: tuple[Channel, ...]
) -> Iterator[_Found]:
    """Yield what the filters find, block by block and channel by channel."""
    cut = flux.frames(sound.rate_hz)
    lengths = first_pass.block_lengths(cut)
    searched = {
        number: _Channel(its, found.rows[found.rows["channel"] == number], sound.rate_hz)
        for number, its in filters.items()
    }
    for start, begin, samples in sound.blocks(*lengths):
        own = {number: flux.without_offset(samples[:, channels[number].channel - 1]) for number in searched}
        inside = slice(begin, begin + lengths.block)
        peaks = {number: its.peaks(own[number], start, inside) for number, its in searched.items()}
        peaks = {number: its for number, its in peaks.items() if len(its)}
        if not peaks:
            continue
        frame_peaks = [
            leakage.peaks(flux.without_offset(samples[:, channel.channel - 1]), cut.hop, len(samples) // cut.hop + 1)
            for channel in channels
        ]
        for number, its in peaks.items():
            rows = _rows(own[number], its, filters[number], cut)
            rows["channel"] = number
            inner = first_pass.are_inside(rows["at"] + start, sound)
            rows, its = rows[inner], its[inner]
            frame = np.round(rows["at"] / cut.hop).astype(np.int64)
            arriving = [
                leakage.arriving(one, frame, "own" if other == number else "other")
                for other, one in enumerate(frame_peaks)
            ]
            late = leakage.arriving(frame_peaks[number], frame, "late")
            waveform = found.waveforms.write(own[number], rows["at"])
            tail = found.tails.write(own[number], rows["at"])
            rows["at"] += start
            yield _Found(rows, np.stack(arriving, axis=1), late, waveform, tail, _heights(its, filters[number]))


def _rows(samples: np.ndarray, peaks: np.ndarray, its: Filter, cut: flux.Frames) -> np.ndarray:
    """Return candidates at the peaks, measured as those of the first pass, as far as that is possible."""
    at = np.clip(peaks[:, 0] + its.onset, 0, len(samples) - 1)
    rows = np.zeros(len(at), DTYPE)
    rows["peak"], rows["noise"] = onset.levels(samples, np.round(at).astype(np.int64), cut.rate_hz)
    rows["gain"] = np.square(peaks[:, 1]) / 2  # log likelihood of a peak so many standard deviations high
    rows["at"], rows["attack"] = at, 0.0
    # The bound of Cramér and Rao (Kay 1993): noise over height and width.
    rows["spread"] = 1 / (peaks[:, 1] * its.width)
    before, n_frames = (round(seconds * cut.rate_hz / cut.hop) for seconds in (BANDS_BEFORE_S, first_pass.BANDS_S))
    n = (2 * before + n_frames) * cut.hop
    stretches = sliding_window_view(np.pad(samples, n), n)[np.round(at).astype(np.int64) + n - before * cut.hop]
    power = flux.band_power(stretches.ravel(), cut)[: len(at) * (2 * before + n_frames)]
    rows["bands"] = power.reshape(len(at), -1, power.shape[1])[:, before : before + n_frames].mean(axis=1)
    return rows


def _heights(peaks: np.ndarray, its: Filter) -> np.ndarray:
    """Return the heights of each peak over the noise, over the usual and over what else rings, (n, 3) array."""
    height = peaks[:, 1]
    return np.column_stack([height, height / its.usual, height / np.maximum(peaks[:, 2], 1.0)]).astype(np.float32)


def _merged(found: Candidates, parts: list[_Found], filters: Mapping[int, Filter], sound: audio.Audio) -> Candidates:
    """Return the candidates with those of the filters in place of the ones near them."""
    rows, arriving, late, waveform, tail, height = (
        np.concatenate([getattr(part, name) for part in parts]) for name in _Found.__dataclass_fields__
    )
    filtered = _filtered_levels(rows, height[:, 1], arriving, late, LEAK_S * sound.rate_hz)
    searched = np.isin(found.rows["channel"], list(filters))[:, None]
    keep = ~_same(found.rows, rows, SAME_CANDIDATE_S * sound.rate_hz)
    return replace(
        found,
        rows=np.concatenate([found.rows[keep], rows]),
        arriving=np.concatenate([found.arriving[keep], arriving]),
        arriving_filtered=np.concatenate([found.arriving_filtered[keep], filtered]),
        arriving_late=np.concatenate([found.arriving_late[keep], late]),
        waveform=np.concatenate([found.waveform[keep], waveform]),
        tail=np.concatenate([found.tail[keep], tail]),
        filter_height=np.concatenate([np.where(searched, NOT_FOUND, found.filter_height)[keep], height]),
    )


def _filtered_levels(
    rows: np.ndarray, share: np.ndarray, arriving: np.ndarray, late: np.ndarray, reach: float
) -> np.ndarray:
    """Put the filter's heights in the place of peaks, in which noise has a part: in `rows` and `late`, and in what is
    returned, (n, n_channels): the strike's own level, and what the filters of other channels find at that moment."""
    level = arriving.copy()
    for number in np.unique(rows["channel"]):
        mine = np.flatnonzero(rows["channel"] == number)
        usual = mine[share[mine] > USUAL_SHARE] if (share[mine] > USUAL_SHARE).any() else mine
        for values in (rows["peak"], late, level[:, number]):
            values[mine] = np.median(values[usual]) * share[mine]
        others = np.flatnonzero(rows["channel"] != number)
        order = mine[np.argsort(rows["at"][mine], kind="stable")]
        low, high = (np.searchsorted(rows["at"][order], rows["at"][others] + side) for side in (-reach, reach))
        for row, begin, end in zip(others, low, high, strict=True):
            level[row, number] = level[order[begin:end], number].max(initial=0.0)
    return level


def _same(rows: np.ndarray, found: np.ndarray, reach: float) -> np.ndarray:
    """Return which candidates have one that was found near, on the same channel."""
    same = np.zeros(len(rows), bool)
    for number in np.unique(found["channel"]):
        mine = rows["channel"] == number
        same[mine] = has_near(rows["at"][mine], found["at"][found["channel"] == number], reach)
    return same
