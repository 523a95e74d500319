"""First pass: go through a recording block by block and measure every rise that may be a strike.

In: the sound. Out: `Candidates`. Each channel's spectral flux gives the rises (`flux`), with many strikers also what
departs from the ring in the lowest bands (`low_bands`); change detection puts them to the sample (`onset`), a net gives
each a first probability (`classifier`). Most rises are noise: what will never count
is dropped at once.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np

from pipeline import audio
from pipeline.hits import sound_file
from pipeline.hits.candidates import DTYPE, N_HEIGHTS, NOT_SEARCHED, Candidates
from pipeline.hits.channels import is_mixed, only_striker
from pipeline.hits.classify import classifier, selection
from pipeline.hits.health.watch import Watch
from pipeline.hits.signal import flux, leakage, low_bands, onset
from pipeline.hits.signal.spool import Rows, Waveforms
from pipeline.settings import Channel, Detection

BLOCK_S = 5.0
CONTEXT_S = (0.12, 0.25)  # before and after a block: longer than anything a candidate is measured on
BROAD_DB, NARROW_DB = 0.8, 2.5  # of those measures: about ten candidates a second in noise
SHARP_DB, SHARP_GAP = 3.0, 3  # the same for the shortest measure, and frames within which only the strongest counts
SHARP_NEAR = (-3, 9)  # frames around a peak of the other measures
NARROW_APART = 20  # frames from a broad rise at which a narrow one is another
LOW_DB, LOW_RISE_DB, LOW_GAP = 6.0, 2.0, 10  # departure of the lowest bands, its rise; frames within which one counts
LOW_BEFORE, LOW_SHARE = 25, 0.5  # frames before its peak: a strike is where it last passes this share of its rise
LOW_NEAR = 8  # frames from another rise at which it is another
LOW_REACH = (-2, 16), (-12, -2)  # frames around a rise: its departure, and what it was before
MEASURE_REACH = 4  # frames: a measure counts with its best frame this near
LOUDEST_REACH = 60  # frames: the level is relative to the loudest this near
BANDS_S = 0.030  # after the onset: long enough for a colour, shorter than most gaps
EDGE_S = 0.006  # from the recording's ends: what lies beyond them is unknown
TAIL_PROBABILITY = 0.05  # from which a candidate's tail is kept: it may help to make a template


class Lengths(NamedTuple):
    """Samples of a block, and of the context before and after it."""

    block: int
    before: int
    after: int


@dataclass(frozen=True)
class Search:
    """How the candidates of one channel are looked for.

    Attributes
    ----------
    cut : flux.Frames
    gap : int
        Frames within which only the strongest rise counts.
    floor : (N_BANDS,) array or None
        Power of the noise from an idle recording; None: it is estimated from each block.
    probability : callable
        Gives the probability of rows of DTYPE by all but `channel`, `at`, `spread`, `attack` and `bands`.
    least : float
        Probability from which a candidate is kept.
    mixed : bool
        Whether it hears many strikers.
    """

    cut: flux.Frames
    gap: int
    floor: np.ndarray | None
    probability: Callable[[np.ndarray], np.ndarray]
    least: float
    mixed: bool = False


@dataclass(frozen=True)
class _Block:
    """A block with its context: `samples` and band `power` of each channel, frame `peaks`, (n_channels, n_frames).

    `start` is the sample of the recording that it begins with, `inside` the block without its context.
    """

    start: int
    inside: slice
    samples: list[np.ndarray]
    power: list[np.ndarray]
    peaks: np.ndarray


def search(
    sound: audio.Audio,
    channels: tuple[Channel, ...],
    detection: Detection,
    watch: Watch,
    waveforms: Waveforms,
    tails: Waveforms,
) -> Candidates:
    """Find the candidates of a recording.

    Parameters
    ----------
    sound : audio.Audio
    channels : tuple of Channel
    detection : Detection
    watch : Watch
        Is shown each block, for what is wrong with the recording.
    waveforms, tails : Waveforms
        Take what later passes need of the sound.

    Returns
    -------
    Candidates
        Not searched by the matched filter. No candidate: empty arrays.

    Raises
    ------
    InputError
        The idle recording cannot be used.
    """
    searches = _searches(sound, channels, detection)
    found, noise_peak = _Gathered(len(channels), searches[0].cut.hop, waveforms, tails), []
    for block in _blocks(sound, channels, searches[0].cut, watch):
        noise_peak.append([leakage.noise_peak(peaks) for peaks in block.peaks])
        for number, its in enumerate(searches):
            rows, frame = of_channel(block.samples[number], block.power[number], block.inside, its)
            inner = are_inside(rows["at"] + block.start, sound)
            rows, frame = rows[inner], frame[inner]
            strikes = (its.probability(rows) > TAIL_PROBABILITY) & (only_striker(channels[number]) is not None)
            found.add(block, number, rows, frame, strikes)
    return found.all(np.median(noise_peak, axis=0))


def _searches(sound: audio.Audio, channels: tuple[Channel, ...], detection: Detection) -> list[Search]:
    cut = flux.frames(sound.rate_hz)
    gap = max(1, round(detection.minimum_gap_ms / 1000 * sound.rate_hz / cut.hop / 2))
    floors = _idle_floors(detection, channels, cut, sound.step)
    least = selection.least_at_first(detection)
    return [
        Search(
            cut,
            gap,
            floors.get(number),
            partial(classifier.at_first, mixed=is_mixed(channel)),
            least,
            is_mixed(channel),
        )
        for number, channel in enumerate(channels)
    ]


def _idle_floors(detection: Detection, channels, cut: flux.Frames, step: int) -> dict[int, np.ndarray]:
    """Return the noise of each channel from the idle recording; a file with one channel serves all."""
    if not detection.idle_file:
        return {}
    samples = sound_file.idle(detection.idle_file, cut.rate_hz * step)
    columns = [min(channel.channel, samples.shape[1]) - 1 for channel in channels]
    return {
        number: flux.band_power(audio.thin(flux.without_offset(samples[:, column]), step), cut).mean(axis=0)
        for number, column in enumerate(columns)
    }


def _blocks(sound: audio.Audio, channels, cut: flux.Frames, watch: Watch) -> Iterator[_Block]:
    step, length = sound.step, block_lengths(cut)
    for first, begin, samples in sound.whole.blocks(*(n * step for n in length)):
        whole = [flux.without_offset(samples[:, channel.channel - 1]) for channel in channels]
        thinned = [audio.thin(one, step) for one in whole]
        power = [flux.band_power(one, cut) for one in thinned]
        peaks = np.stack([leakage.peaks(one, cut.hop, len(its)) for one, its in zip(thinned, power, strict=True)])
        # The context after the block is the next one's. Clipping is seen in all the samples of the file only.
        watch.see(first, begin, [one[: begin + length.block * step] for one in whole], power, cut.hop * step)
        inside = slice(begin // step, begin // step + length.block)
        yield _Block(first // step, inside, thinned, power, peaks)


def block_lengths(cut: flux.Frames) -> Lengths:
    """Return the lengths of blocks, in whole frames."""
    return Lengths(*(round(seconds * cut.rate_hz / cut.hop) * cut.hop for seconds in (BLOCK_S, *CONTEXT_S)))


def of_channel(samples: np.ndarray, power: np.ndarray, inside: slice, its: Search) -> tuple[np.ndarray, np.ndarray]:
    """Return the likely candidates of one channel that rise in a block.

    To place a rise costs most. What would not be likely however well it was placed is dropped before.

    Parameters
    ----------
    samples : (n,) float32 array
        The block with its context.
    power : (n_frames, N_BANDS) array
        Its `flux.band_power`.
    inside : slice
        The block itself, samples.
    its : Search

    Returns
    -------
    rows : (n_candidates,) array of DTYPE
        `at` counts from the beginning of `samples`.
    frame : (n_candidates,) int array
        Where they rise.
    """
    rows, frame = _rises(samples, power, inside, its)
    possible = np.zeros(len(frame), bool)
    for rows["gain"] in (0.0, onset.MOST_GAIN):
        possible |= its.probability(rows) >= its.least
    rows, frame = rows[possible], frame[possible]
    hop, rate_hz = its.cut.hop, its.cut.rate_hz
    placed = onset.place(samples, frame * hop, rate_hz)
    for name in ("at", "spread", "attack", "peak", "noise", "gain"):
        rows[name] = getattr(placed, name)
    rows["bands"] = _mean_power(power, placed.at / hop, round(BANDS_S * rate_hz / hop))
    kept = its.probability(rows) >= its.least
    return rows[kept], frame[kept]


def _rises(samples: np.ndarray, power: np.ndarray, inside: slice, its: Search) -> tuple[np.ndarray, np.ndarray]:
    """Return rows of the rises of a block, with all that is known before they are placed, and their frames."""
    cut, floor = its.cut, its.floor
    rises = flux.rises(power, flux.floors(power) if floor is None else np.maximum(floor, flux.LEAST_FLOOR), cut)
    frame, departure_db = _frames(rises.measured, its.gap), None
    if its.mixed:
        departure_db = low_bands.departures(samples, cut)[: len(power)]
        frame = _with_low(frame, departure_db)
    frame = frame[(frame * cut.hop >= inside.start) & (frame * cut.hop < min(inside.stop, len(samples)))]
    rows = np.zeros(len(frame), DTYPE)
    rows["rise"] = _best_near(rises.measured, frame)
    rows["strongest"], rows["middle"] = rises.strongest_db[frame], rises.middle_db[frame]
    if its.mixed:
        rows["low"] = _low_at(departure_db, frame)
    loudest = flux.running_maximum(rises.level_db, LOUDEST_REACH)
    rows["below"] = _best_near(rises.level_db[:, None], frame)[:, 0] - loudest[frame]
    rows["peak"], rows["noise"] = onset.levels(samples, frame * cut.hop, cut.rate_hz)
    return rows, frame


def _frames(measured: np.ndarray, gap: int) -> np.ndarray:
    """Return the frames of rises: peaks of the broad and the narrow measure, at the sharpest rise near each, and sharp
    rises elsewhere.

    The broad measure looks 8 ms ahead: it rises before the strike, and makes one rise of a neighbour's leak and the
    strike that follows it.
    """
    frame = flux.peaks(measured[:, flux.BROAD], BROAD_DB, gap)
    narrow = flux.peaks(measured[:, flux.NARROW], NARROW_DB, 2 * gap)
    near = np.searchsorted(frame, narrow + NARROW_APART) > np.searchsorted(frame, narrow - NARROW_APART)
    frame = np.sort(np.concatenate([frame, narrow[~near]]))
    sharp = flux.peaks(measured[:, flux.SHARP], SHARP_DB, SHARP_GAP)
    height = np.zeros(len(measured) + sum(np.abs(SHARP_NEAR)) + 1)
    height[sharp - SHARP_NEAR[0]] = measured[sharp, flux.SHARP]
    near = height[frame[:, None] + np.arange(SHARP_NEAR[1] - SHARP_NEAR[0] + 1)]
    moved = np.where(near.max(axis=1, initial=0) > 0, frame + near.argmax(axis=1) + SHARP_NEAR[0], frame)
    left = frame[np.abs(moved - frame) >= SHARP_GAP]
    return np.unique(np.concatenate([moved, left, sharp])).astype(np.int64)


def _with_low(frame: np.ndarray, departure_db: np.ndarray) -> np.ndarray:
    """Return the frames of rises with those at which only the lowest bands depart from what rang before."""
    peak = flux.peaks(departure_db, LOW_DB, LOW_GAP)
    before = departure_db[np.maximum(peak[:, None] - np.arange(LOW_BEFORE + 1), 0)]
    least = before.min(axis=1, initial=np.inf)
    half = least + LOW_SHARE * (departure_db[peak] - least)
    # A window sees a strike half its length ahead; the slope's middle is where the strike is.
    edge = (peak - (before < half[:, None]).argmax(axis=1))[departure_db[peak] - least > LOW_RISE_DB]
    near = np.searchsorted(frame, edge + LOW_NEAR) > np.searchsorted(frame, edge - LOW_NEAR)
    return np.unique(np.concatenate([frame, edge[~near]]))


def _low_at(departure_db: np.ndarray, frame: np.ndarray) -> np.ndarray:
    """Return the departure of the lowest bands at given frames, and how far it rises there, (n, 2) array."""
    last = len(departure_db) - 1
    there, before = (departure_db[np.clip(frame[:, None] + np.arange(*reach), 0, last)] for reach in LOW_REACH)
    highest = there.max(axis=1, initial=0.0)
    return np.column_stack([highest, np.maximum(highest - before.min(axis=1, initial=np.inf), 0.0)])


def _best_near(values: np.ndarray, frame: np.ndarray) -> np.ndarray:
    near = np.clip(frame[:, None] + np.arange(-MEASURE_REACH, MEASURE_REACH + 1), 0, len(values) - 1)
    return values[near].max(axis=1) if len(frame) else np.zeros((0, values.shape[1]))


def _mean_power(power: np.ndarray, frame: np.ndarray, n_frames: int) -> np.ndarray:
    """Return the mean power of each band over the frames from each onset on, as far as the block has them."""
    start = np.clip(np.round(frame).astype(np.int64), 0, len(power) - 1)
    here = start[:, None] + np.arange(n_frames)
    inside = here < len(power)
    total = (power[np.minimum(here, len(power) - 1)] * inside[:, :, None]).sum(axis=1, dtype=np.float64)
    return total / inside.sum(axis=1, keepdims=True)


def are_inside(at: np.ndarray, sound: audio.Audio) -> np.ndarray:
    """Return which samples lie far enough inside the recording's ends; what begins or ends with it is no rise."""
    edge = EDGE_S * sound.rate_hz
    return (at >= sound.start + edge) & (at < sound.stop - edge)


class _Gathered:
    """The candidates of a recording as they are found, channel by channel and block by block."""

    def __init__(self, n_channels: int, hop: int, waveforms: Waveforms, tails: Waveforms):
        self._hop, self._waveforms, self._tails = hop, waveforms, tails
        self._rows, self._arriving = Rows(None, DTYPE), Rows(n_channels, np.float32)
        self._late, self._tail = Rows(None, np.float32), Rows(None, np.int32)

    def add(self, block: _Block, number: int, rows: np.ndarray, frame: np.ndarray, strikes: np.ndarray) -> None:
        """Add candidates of one channel, whose `at` counts within the block; `strikes`: whose tails are kept."""
        start = np.round(rows["at"] / self._hop).astype(np.int64)
        arriving = leakage.arriving(block.peaks, frame, "other").T
        arriving[:, number] = leakage.arriving(block.peaks[number], start, "own")
        self._arriving.add(arriving)
        self._late.add(leakage.arriving(block.peaks[number], start, "late"))
        self._waveforms.write(block.samples[number], rows["at"])
        tail = np.full(len(rows), -1)
        tail[strikes] = self._tails.write(block.samples[number], rows["at"][strikes])
        self._tail.add(tail)
        rows["at"] += block.start
        rows["channel"] = number
        self._rows.add(rows)

    def all(self, noise_peak: np.ndarray) -> Candidates:
        """Return all of them; none can be added any more."""
        rows, arriving, late, tail = (one.all() for one in (self._rows, self._arriving, self._late, self._tail))
        n = len(rows)
        height = np.full((n, N_HEIGHTS), NOT_SEARCHED, np.float32)
        waveforms = self._waveforms, self._tails, np.arange(n), tail
        return Candidates(rows, arriving, arriving, late, noise_peak, *waveforms, height)
