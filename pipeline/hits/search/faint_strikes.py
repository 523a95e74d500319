"""Look for faint strikes in noise by the known sound of their striker.

Where a channel's strikes stand little above its noise, samples tell no strike from noise, a whole sound does: the
recording is gone through once more with a filter matched to the mean sound of the surest strikes, in noise whitened by
its own spectrum. It reaches 10 to 20 dB further, and its peak places a strike finer than its first samples do.
"""

from dataclasses import replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft

from pipeline.hits import candidates
from pipeline.hits.classify import selection
from pipeline.hits.search import matched_filter, mean_sound, rebounds, second_pass
from pipeline.hits.signal import flux, leakage, onset

FAINT_DB = 26.0  # peak over noise: a channel whose usual strike stands higher needs no second search
LIKELY, SURE = 0.05, 0.5  # probability at first sight of what may make the mean sound, and of what is taken for that
ENOUGH, POOL = 24, 96  # strikes that make a sound: with fewer sure ones likely ones are tried, too; at most
STRETCHES, STRETCH_S = 4, 5.0  # of the recording that tell the noise and the ring
SAME_S = 0.010  # a candidate of the first look nearer than this is the same one
BANDS_BEFORE_S = 0.004  # of the samples that tell a candidate's bands: half a frame, and more
USUAL_SHARE = 0.6  # of the usual height: what is higher tells the usual level
LEAK_S = 0.002  # between a strike and what leaks of it
UNFOUND = -1.0  # told of what the first look found on a channel that was searched, and the search did not
N_TOLD = 3  # numbers that tell of a candidate


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
    own = first * (second_pass.above_db_of(heard, first, selection.sharing(channels)) >= second_pass.SURE_ABOVE_DB)
    sure = [_sure(heard, own, number, channel) for number, channel in enumerate(channels)]
    sure = {number: rows for number, rows in enumerate(sure) if rows is not None}
    size = 2 * fft.next_fast_len((sum(lengths) + rebounds.shape(sound.rate_hz).n) // 2 + 1, real=True)
    filters = _filters(heard, sure, sound, channels, size)
    return _searched(heard, filters, sound, channels, lengths) if filters else heard


def _sure(heard, first: np.ndarray, number: int, channel) -> np.ndarray | None:
    """Return the surest own strikes of a channel, the best first; None where it is not faint or too few are sure."""
    if selection.only_striker(channel) is None:
        return None
    rows = np.flatnonzero((heard.candidates["channel"] == number) & (first > LIKELY) & (heard.tail >= 0))
    rows = rows[np.argsort(-first[rows], kind="stable")]
    rows = rows[: max(ENOUGH, (first[rows] > SURE).sum())]
    if len(rows) < mean_sound.FEWEST:
        return None
    its = heard.candidates[rows]
    # The quietest of the noises, what rings before a strike is none; the loudest of the peaks, many leak in.
    over = np.quantile(its["peak"], leakage.USUAL_QUANTILE) / (
        np.quantile(its["noise"], 1 - leakage.USUAL_QUANTILE) + 1e-9
    )
    return rows[np.argsort(-its["gain"], kind="stable")] if 20 * np.log10(over) < FAINT_DB else None


def _filters(heard, sure: dict[int, np.ndarray], sound, channels, size: int) -> dict[int, matched_filter.Filter]:
    """Return the filters of the channels that have sure strikes."""
    if not sure:
        return {}
    n = min(round(STRETCH_S * sound.rate_hz), sound.stop - sound.start)
    starts = np.unique(np.linspace(sound.start, sound.stop - n, STRETCHES).astype(int))
    stretches = {number: [] for number in sure}
    for start in starts:
        _, _, samples = next(iter(replace(sound, start=int(start), stop=int(start) + n).blocks(n)))
        for number in sure:
            stretches[number].append(flux.without_offset(samples[:, channels[number].channel - 1]))
    found = {}
    for number, rows in sure.items():
        noise = np.mean([mean_sound.noise_power(one, sound.rate_hz) for one in stretches[number]], axis=0)
        at = heard.candidates["at"][rows]
        # Those of the stretches first: they tell the ring, too.
        inside = (np.abs(at[:, None] - starts - n / 2) < n / 2).any(axis=1)
        pool = np.argsort(~inside, kind="stable")[:POOL]
        tails = heard.tails.read(heard.tail[rows[pool]]).astype(np.float32)
        template = mean_sound.template_of(tails, noise, rebounds.shape(sound.rate_hz))
        if template is None:
            continue
        sound_, onset, member = template
        made = matched_filter.filter_of(sound_, onset, noise, size, rebounds.shape(sound.rate_hz))
        outputs = [matched_filter.output_of(one, made, size) for one in stretches[number]]
        made = matched_filter.with_ring(made, outputs, [at[pool[member]] - start for start in starts], sound.rate_hz)
        if made is not None:
            found[number] = made
    return found


def _searched(heard, filters: dict[int, matched_filter.Filter], sound, channels, lengths: tuple[int, int, int]):
    """Return `heard` with what the filters find."""
    block, before, after = lengths
    cut = flux.frames(sound.rate_hz)
    rows, sought, risen, late, tail, stored = [], [], [], [], [], []
    last, placed = {number: [] for number in filters}, {}
    for number in filters:
        mine = heard.candidates[heard.candidates["channel"] == number]
        placed[number] = np.column_stack([mine["at"], mine["spread"]])
    for start, begin, samples in sound.blocks(block, before, after):
        own = {number: flux.without_offset(samples[:, channels[number].channel - 1]) for number in filters}
        found = {}
        for number, one in own.items():
            made = filters[number]
            output = matched_filter.output_of(one, made, len(made.spectrum) * 2 - 2)
            earlier = [(at - start, height) for at, height in last[number]]
            placings = placed[number] - np.array([start + made.onset, 0.0])
            placings = placings[np.abs(placings[:, 0] - len(one) / 2) < len(one)]
            peaks = np.array(matched_filter.strikes(output, made, begin, earlier, placings, sound.rate_hz)).reshape(
                -1, 3
            )
            peaks = peaks[peaks[:, 0] < begin + block]
            last[number] = [(at + start, height) for at, height, _ in peaks] + [
                one for one in last[number] if one[0] > start + begin - matched_filter.RING_S[1] * sound.rate_hz
            ]
            if len(peaks):
                found[number] = peaks[np.argsort(peaks[:, 0])]
        if not found:
            continue
        tops = [
            leakage.peaks(flux.without_offset(samples[:, channel.channel - 1]), cut.hop, len(samples) // cut.hop + 1)
            for channel in channels
        ]
        for number, peaks in found.items():
            its = _rows(own[number], peaks, number, filters[number], cut)
            inner = candidates.between_ends(its["at"] + start, sound)
            its, peaks = its[inner], peaks[inner]
            frame = np.round(its["at"] / cut.hop).astype(np.int64)
            arriving = [leakage.arriving(top, frame, "own" if k == number else "other") for k, top in enumerate(tops)]
            risen.append(np.stack(arriving, axis=1))
            late.append(leakage.arriving(tops[number], frame, "late"))
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


def _told(peaks: np.ndarray, made: matched_filter.Filter) -> np.ndarray:
    """Return what the filter tells of each peak: over the noise, over the usual and over the ring of others."""
    height = peaks[:, 1]
    return np.column_stack([height, height / made.usual, height / np.maximum(peaks[:, 2], 1.0)]).astype(np.float32)


def _near(candidates: np.ndarray, rows: np.ndarray, near: float) -> np.ndarray:
    """Return which candidates have one of the rows near, on the same channel."""
    found = np.zeros(len(candidates), bool)
    for number in np.unique(rows["channel"]):
        mine = candidates["channel"] == number
        found[mine] = selection.beside(candidates["at"][mine], rows["at"][rows["channel"] == number], near)
    return found


def _rows(
    samples: np.ndarray, peaks: np.ndarray, number: int, made: matched_filter.Filter, cut: flux.Frames
) -> np.ndarray:
    """Return candidates at the peaks, measured as those of the first look are where that can be said."""
    at = np.clip(peaks[:, 0] + made.onset, 0, len(samples) - 1)
    rows = np.zeros(len(at), candidates.DTYPE)
    rows["peak"], rows["noise"] = onset.levels(samples, np.round(at).astype(np.int64), cut.rate_hz)
    rows["gain"] = np.square(peaks[:, 1]) / 2
    rows["channel"], rows["at"], rows["attack"] = number, at, 0.0
    # The bound of Cramér and Rao: noise over height and width.
    rows["spread"] = 1 / (peaks[:, 1] * made.width)
    before, n_frames = round(BANDS_BEFORE_S * cut.rate_hz / cut.hop), round(candidates.BANDS_S * cut.rate_hz / cut.hop)
    n = (2 * before + n_frames) * cut.hop
    stretches = sliding_window_view(np.pad(samples, n), n)[np.round(at).astype(np.int64) + n - before * cut.hop]
    power = flux.band_power(stretches.ravel(), cut)[: len(at) * (2 * before + n_frames)]
    rows["bands"] = power.reshape(len(at), -1, power.shape[1])[:, before : before + n_frames].mean(axis=1)
    return rows
