"""Go through a recording block by block and keep of each candidate only what the decisions need."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pyarrow as pa

from pipeline import audio, tables
from pipeline.errors import InputError
from pipeline.hits import candidates
from pipeline.hits.classify import classifier, selection
from pipeline.hits.health import faults
from pipeline.hits.search import faint_strikes, rebounds, second_pass
from pipeline.hits.signal import flux, leakage, template
from pipeline.hits.signal.spool import Rows, Shelf, Store
from pipeline.settings import Channel, Detection, Recording, Rig

BLOCK_S = 5.0
CONTEXT_S = (0.12, 0.25)  # before and after a block: longer than anything a candidate is measured on
LEAST_RATE_HZ = 8000  # a strike's beginning lies above what fewer samples can hold
SILENT_PEAK = 10 ** (-80 / 20)
LEAK_S = 0.001  # a leak comes at most this much after its strike, and may be placed as much before it
# A standard error is made of these: the width of the likelihood, the attack, and what differs from hit to hit. The
# three numbers cover the error after each striker's own constant lag (tests/test_hits_truth.py).
SPREADS, ATTACKS, FLOOR_SE_S = 1.5, 0.5, 0.00005
IDLE_S, LEAST_IDLE_S = 20.0, 1.0  # of an idle recording that are read, and that tell something


@dataclass(frozen=True)
class Heard:
    """All candidates of a recording, and how far every heard channel rises at each of them (`leak.arriving`)."""

    candidates: np.ndarray
    risen: np.ndarray
    level: np.ndarray  # the same, by the filter of `faint` where that searched
    late: np.ndarray  # how far the own channel rises with some more milliseconds
    quiet: np.ndarray
    watch: faults.Watch
    waveforms: Store
    tails: Store
    tail: np.ndarray  # number of each candidate's tail; -1: none was kept
    stored: np.ndarray  # number of each candidate's waveform
    sought: np.ndarray  # what the filter of `faint` tells of each candidate; 0 where it did not search


def listen(recording: Recording, rig: Rig | None, detection: Detection, delays_s: Mapping) -> tuple[pa.Table, dict]:
    """Find the hits of a sound recording; the parameters and results are those of `hits.find`."""
    sound, channels = opened(recording, rig)
    sound = audio.thinned(sound)
    stores = Store(template.shape(sound.rate_hz)), Store(rebounds.shape(sound.rate_hz))
    with stores[0], stores[1], Shelf(candidates.LAST) as shelf:
        heard = candidates_of(sound, channels, detection, *stores)
        heard = replace(heard, candidates=shelf.put(heard.candidates))
        hits = _in_time(_placed(heard, shelf, channels, detection, sound.rate_hz), channels, delays_s, sound)
    watch = heard.watch
    del heard  # all candidates of a long recording are much beside its table
    # Arrow's own pool would take new memory beside what is free by now.
    pa.set_memory_pool(pa.system_memory_pool())
    table, sentences = _decided(watch, hits, channels, sound)
    if watch.peak.max(initial=0.0) < SILENT_PEAK:
        raise InputError(
            f"{recording.file}: expected sound; found silence in every channel that the rig names; "
            "check the cable, the gain and the rig"
        )
    if not len(table):
        raise InputError(
            f"{recording.file}: expected strikes; found none in {(sound.stop - sound.start) / sound.rate_hz:.1f} s of "
            "sound; check the microphones, the gain and detection: sensitivity"
        )
    if sound.truncated:
        sentences.insert(
            0, "truncated: the file ends before its header says; copy it again, or go on with what is there"
        )
    return table, {
        "health": sentences,
        "duration_s": sound.n_samples / sound.rate_hz,
        "rate_hz": sound.whole.rate_hz,
        "n_channels": sound.n_channels,
    }


def opened(recording: Recording, rig: Rig | None) -> tuple[audio.Audio, tuple[Channel, ...]]:
    """Look at the header of a recording; return it with the channels that are heard."""
    sound = audio.look(recording.file, recording.start_s, recording.stop_s)
    channels = _channels(recording, rig, sound.n_channels)
    if sound.n_samples == 0:
        raise InputError(f"{recording.file}: expected sound; found no samples; record or copy it again")
    if sound.rate_hz < LEAST_RATE_HZ:
        raise InputError(
            f"{recording.file}: expected {LEAST_RATE_HZ} samples a second or more; found {sound.rate_hz}; "
            "record or export it at 44100 or 48000 Hz"
        )
    return sound, channels


def _channels(recording: Recording, rig: Rig | None, n_channels: int) -> tuple[Channel, ...]:
    if rig is None:
        return (Channel(1, selection.ALL),)
    if far := [channel.channel for channel in rig.channels if channel.channel > n_channels]:
        raise InputError(
            f"{recording.file}: expected channel {max(far)} of rig '{rig.name}'; found {n_channels} channels; "
            "choose another rig or export all channels"
        )
    return rig.channels


def candidates_of(
    sound: audio.Audio, channels: tuple[Channel, ...], detection: Detection, waveforms: Store, tails: Store
) -> Heard:
    """Go through the recording once; what the decisions need of the sound goes to the stores."""
    cut = flux.frames(sound.rate_hz)
    gap = max(1, round(detection.minimum_gap_ms / 1000 * sound.rate_hz / cut.hop / 2))
    found, risen, late = Rows(None, candidates.DTYPE), Rows(len(channels), np.float32), Rows(None, np.float32)
    tail, quiet = Rows(None, np.int32), []
    watch, step = faults.Watch(channels, sound.whole.rate_hz, detection.mains_hz), sound.step
    idle = _idle_floors(detection, channels, cut, step)
    length, before, after = (round(seconds * sound.rate_hz / cut.hop) * cut.hop for seconds in (BLOCK_S, *CONTEXT_S))
    for first, begin, samples in sound.whole.blocks(length * step, before * step, after * step):
        whole = [flux.without_offset(samples[:, channel.channel - 1]) for channel in channels]
        heard = [audio.thin(one, step) for one in whole]
        power = [flux.band_power(one, cut) for one in heard]
        peaks = np.stack([leakage.peaks(one, cut.hop, len(its)) for one, its in zip(heard, power, strict=True)])
        quiet.append([leakage.quiet(its) for its in peaks])
        # What follows belongs to the next block. A wave that is cut off has its corners in all the samples only.
        watch.see(first, begin, [one[: begin + length * step] for one in whole], power, cut.hop * step)
        first, begin = first // step, begin // step
        inside = begin + length
        for number, one in enumerate(heard):
            chance = partial(classifier.first, mixed=selection.is_mixed(channels[number]))
            # What will never count is dropped at once: in noise that is most of it.
            rows, frame = candidates.of_block(
                one, power[number], idle.get(number), slice(begin, inside), cut, gap, chance, selection.worth(detection)
            )
            rows["channel"] = number
            inner = candidates.between_ends(rows["at"] + first, sound)
            rows, frame = rows[inner], frame[inner]
            start = np.round(rows["at"] / cut.hop).astype(np.int64)
            arriving = leakage.arriving(peaks, frame, "other").T
            arriving[:, number] = leakage.arriving(peaks[number], start, "own")
            risen.add(arriving)
            late.add(leakage.arriving(peaks[number], start, "late"))
            waveforms.write(one, rows["at"])
            strikes = (chance(rows) > faint_strikes.LIKELY) & (selection.only_striker(channels[number]) is not None)
            kept = np.full(len(rows), -1)
            kept[strikes] = tails.write(one, rows["at"][strikes])
            tail.add(kept)
            rows["at"] += first
            found.add(rows)
    columns = [rows.all() for rows in (found, risen, late, tail)]
    n = len(columns[0])
    stored, sought = np.arange(n), np.zeros((n, faint_strikes.N_TOLD), np.float32)
    heard = Heard(
        *columns[:2], *columns[1:3], np.median(quiet, axis=0), watch, waveforms, tails, columns[3], stored, sought
    )
    mixed = np.array([selection.is_mixed(channel) for channel in channels])[columns[0]["channel"]]
    return faint_strikes.search(heard, classifier.first(columns[0], mixed), sound, channels, (length, before, after))


def idle(file: str, expected_hz: int) -> np.ndarray:
    """Read the idle recording, which has the rate of the recording that it belongs to."""
    samples, rate_hz = audio.read_part(file, 0.0, IDLE_S)
    if rate_hz != expected_hz:
        raise InputError(
            f"{file}: expected the recording's rate, {expected_hz} Hz; found {rate_hz} Hz; "
            "record the idle machine with the same settings"
        )
    if len(samples) < LEAST_IDLE_S * rate_hz:
        raise InputError(
            f"{file}: expected some seconds of the idle machine; found {len(samples) / rate_hz:.1f} s; record it again"
        )
    return samples


def _idle_floors(detection: Detection, channels, cut: flux.Frames, step: int) -> dict[int, np.ndarray]:
    """Return the noise of each channel from the idle recording; a file with one channel serves all."""
    if not detection.idle_file:
        return {}
    samples = idle(detection.idle_file, cut.rate_hz * step)
    columns = [min(channel.channel, samples.shape[1]) - 1 for channel in channels]
    return {
        number: flux.band_power(audio.thin(flux.without_offset(samples[:, column]), step), cut).mean(axis=0)
        for number, column in enumerate(columns)
    }


def _aligned(
    heard: Heard, candidates: np.ndarray, keep: np.ndarray, sounds: Mapping[int, second_pass.Sounds], rate_hz: int
):
    """Return sample and standard error (samples) of the kept candidates, placed by their own sounds where one fits.

    `keep` are their numbers among all.
    """
    columns = heard.waveforms.columns
    at, fitted = candidates["at"].copy(), candidates["spread"].astype(float)
    for number, its in sounds.items():
        # What the known sound found was placed by it.
        mine = np.flatnonzero((candidates["channel"] == number) & (heard.sought[keep, 0] <= 0))
        others = candidates["at"][candidates["channel"] != number]
        leaking = selection.beside(candidates["at"][mine], others, LEAK_S * rate_hz)
        for begin in range(0, len(mine), template.AT_ONCE):
            part = slice(begin, begin + template.AT_ONCE)
            rows = mine[part]
            stored = heard.waveforms.read(heard.stored[keep[rows]])
            lag, lag_se = template.moved(
                stored, candidates["spread"][rows], leaking[part], its.taps, its.sounds, columns
            )
            at[rows] += lag
            fitted[rows] = np.where(np.isnan(lag_se), fitted[rows], lag_se)
    attack = candidates["attack"].astype(float)
    return at, np.sqrt(np.square(SPREADS * fitted) + np.square(ATTACKS * attack) + np.square(FLOOR_SE_S * rate_hz))


def _rebounds(heard: Heard, candidates: np.ndarray, probability, first, tail, rate_hz: int):
    """Return what bounced after the strikes of the channels that have a sound of their own, and its probability.

    `first` is where the hits were placed when their tails were kept; `tail` the numbers of those.
    """
    found, chance = [candidates[:0]], [np.zeros(0)]
    sure = probability > second_pass.SURE
    for number in np.unique(candidates["channel"][tail >= 0]):
        mine = np.flatnonzero(sure & (candidates["channel"] == number))
        mine = mine[np.argsort(candidates["at"][mine], kind="stable")]
        until = np.diff(candidates["at"][mine], append=np.inf)
        mine, until = mine[tail[mine] >= 0], until[tail[mine] >= 0]
        which = tail[mine]
        strike, lag, height, its = rebounds.search(
            candidates["at"][mine], first[mine], until, lambda rows, which=which: heard.tails.read(which[rows]), rate_hz
        )
        rows = candidates[mine[strike]]
        rows["at"] += lag
        rows["peak"] *= height
        rows["bands"] *= np.square(height)[:, None]
        # What strikes elsewhere at that moment may be heard here.
        others = candidates["at"][sure & (candidates["channel"] != number)]
        alone = ~selection.beside(rows["at"], others, LEAK_S * rate_hz)
        found.append(rows[alone])
        chance.append(its[alone])
    return np.concatenate(found), np.concatenate(chance)


def _placed(heard: Heard, shelf: Shelf, channels, detection: Detection, rate_hz: int) -> tuple[np.ndarray, ...]:
    """Return the hits of all channels, rebounds too, with their standard error (samples) and probability."""
    gap = detection.minimum_gap_ms / 1000 * rate_hz
    keep, probability, sounds = selection.kept(heard, channels, detection, rate_hz)
    candidates = shelf.whole(heard.candidates, keep)
    at, at_se = _aligned(heard, candidates, keep, sounds, rate_hz)
    first, candidates["at"] = candidates["at"].copy(), at
    # Two that were found at a leak and at the strike behind it may have moved to the same place.
    once = selection.apart(candidates, probability, gap)
    candidates, at_se, probability = candidates[once], at_se[once], probability[once]
    bounced, chance = _rebounds(heard, candidates, probability, first[once], heard.tail[keep][once], rate_hz)
    likely = chance >= selection.least(detection)
    candidates = np.concatenate([candidates, bounced[likely]])
    at_se = np.append(at_se, np.hypot(bounced["spread"], FLOOR_SE_S * rate_hz)[likely])
    probability = np.append(probability, chance[likely])
    once = selection.apart(candidates, probability, gap)
    return candidates[once], at_se[once], probability[once]


def _in_time(hits: tuple, channels, delays_s: Mapping, sound: audio.Audio) -> tuple:
    """Return hits as they come from `_placed` in the order of time, and when they struck (s)."""
    candidates, at_se, probability = hits
    delay_s = np.array([channel.delay_s + _striker_delay(channel, delays_s) for channel in channels])
    hit_s = candidates["at"] / sound.rate_hz - delay_s[candidates["channel"]]
    order = np.lexsort((candidates["channel"], hit_s))
    return candidates[order], at_se[order], probability[order], hit_s[order]


def _decided(watch: faults.Watch, hits: tuple, channels, sound: audio.Audio) -> tuple[pa.Table, list[str]]:
    """Return the table of hits, which come as from `_in_time`, and the faults of the recording."""
    candidates, at_se, probability, hit_s = hits
    level_db = 20 * np.log10(candidates["peak"] + 1e-10)
    snr_db = level_db - 20 * np.log10(candidates["noise"] + 1e-10)
    first = [channel.hears[0] for channel in channels]
    kind = np.array([what if what in selection.MARKS else "strike" for what in first], object)[candidates["channel"]]
    for number in range(len(channels)):
        mine = np.flatnonzero((candidates["channel"] == number) & (kind == "strike"))
        kind[mine[rebounds.rebounds(hit_s[mine], level_db[mine])]] = "rebound"
    names = [selection.only_striker(channel) for channel in channels]
    with np.errstate(divide="ignore"):
        bands_db = 10 * np.log10(candidates["bands"])
    bands_db[~np.isfinite(bands_db)] = np.nan
    table = tables.build(
        "hits",
        {
            "hit_id": np.arange(len(hit_s)),
            "channel": np.array([channel.channel for channel in channels])[candidates["channel"]],
            "hit_s": hit_s,
            "hit_se": at_se / sound.rate_hz,
            "level_db": level_db,
            "snr_db": snr_db,
            "probability": probability,
            "striker": tables.arrow([names[number] for number in candidates["channel"]]),
            "kind": tables.arrow(kind.tolist()),
            "bands_db": bands_db,
        },
    )
    return table, _faults(watch, channels, candidates, level_db, probability, sound)


def _faults(watch: faults.Watch, channels, candidates, level_db, probability, sound: audio.Audio) -> list[str]:
    sure = probability > 0.5
    columns = [(name, "f8") for name in ("channel", "at", "level_db")]
    hits = np.zeros(sure.sum(), [*columns, ("bands", "f4", (tables.N_BANDS,))])
    for name in ("channel", "at", "bands"):
        hits[name] = candidates[name][sure]
    hits["at"] *= sound.step  # the watch counts all samples of the file
    hits["level_db"] = level_db[sure]
    lengths = tuple(sound.whole.track_lengths[channel.channel - 1] for channel in channels)
    return faults.faults(watch, hits, lengths)


def _striker_delay(channel: Channel, delays_s: Mapping) -> float:
    return delays_s.get(selection.only_striker(channel) or "", 0.0)
