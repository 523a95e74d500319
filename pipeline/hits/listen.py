"""Go through a recording block by block and keep of each candidate only what the decisions need."""

import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from pipeline import audio, tables
from pipeline.errors import InputError
from pipeline.hits import align, candidate, health, judge, leak, rebound, rise
from pipeline.settings import Channel, Detection, Recording, Rig

BLOCK_S = 5.0  # two pieces of health.PIECE_S
CONTEXT_S = (0.12, 0.25)  # before and after a block: longer than anything a candidate is measured on
ALL = ("everything",)
MARKS = ("index", "click")
SILENT_PEAK = 10 ** (-80 / 20)
LATE_DB = 7.0  # above what leaks in: a slow strike behind a leak must be plain
FAINT_MARK = 0.25  # of the usual peak of turn marks and clicks: fainter ones are something else
LEAK_S = 0.001  # a leak comes at most this much after its strike, and may be placed as much before it
SAME_S = 0.012  # two microphones that hear a strike within this hear the same one
# A standard error is made of these: the width of the likelihood, the attack, and what differs from hit to hit. The
# three numbers cover the error after each striker's own constant lag (tests/benchmarks/hits_goals.py).
SPREADS, ATTACKS, FLOOR_SE_S = 1.5, 0.5, 0.00005
IDLE_S = 20.0  # of an idle recording that are read
SURE = 0.6  # probability from which a hit helps to make an average


@dataclass(frozen=True)
class Heard:
    """All candidates of a recording, and how far every heard channel rises at each of them (`leak.arriving`)."""

    candidates: np.ndarray
    risen: np.ndarray
    late: np.ndarray  # how far the own channel rises with some more milliseconds
    quiet: np.ndarray
    watch: health.Watch


def listen(recording: Recording, rig: Rig | None, detection: Detection, delays_s: Mapping) -> tuple[pa.Table, dict]:
    """Find the hits of a sound recording; the parameters and results are those of `hits.find`."""
    sound = audio.look(recording.file, recording.start_s, recording.stop_s)
    channels = _channels(recording, rig, sound.n_channels)
    if sound.n_samples == 0:
        raise InputError(f"{recording.file}: expected sound; found no samples; record or copy it again")
    with tempfile.TemporaryFile(buffering=1 << 16) as store:
        heard = _candidates(sound, channels, detection, store)
        store.flush()
        table, sentences = _decided(heard, channels, detection, sound, delays_s, store)
    if heard.watch.peak.max(initial=0.0) < SILENT_PEAK:
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
        "rate_hz": sound.rate_hz,
        "n_channels": sound.n_channels,
    }


def _channels(recording: Recording, rig: Rig | None, n_channels: int) -> tuple[Channel, ...]:
    if rig is None:
        return (Channel(1, ALL),)
    if far := [channel.channel for channel in rig.channels if channel.channel > n_channels]:
        raise InputError(
            f"{recording.file}: expected channel {max(far)} of rig '{rig.name}'; found {n_channels} channels; "
            "choose another rig or export all channels"
        )
    return rig.channels


def _candidates(sound: audio.Audio, channels: tuple[Channel, ...], detection: Detection, store) -> Heard:
    """Go through the recording once; waveforms go to the open file `store`, in the order of the candidates."""
    cut, columns = rise.frames(sound.rate_hz), align.shape(sound.rate_hz)
    gap = max(1, round(detection.minimum_gap_ms / 1000 * sound.rate_hz / cut.hop / 2))
    found, risen, late, quiet = [], [], [], []
    idle = _idle_floors(detection, channels, cut)
    watch = health.Watch(channels, sound.rate_hz, detection.mains_hz)
    length, before, after = (round(seconds * sound.rate_hz / cut.hop) * cut.hop for seconds in (BLOCK_S, *CONTEXT_S))
    for first, begin, samples in sound.blocks(length, before, after):
        heard = [np.ascontiguousarray(samples[:, channel.channel - 1]) for channel in channels]
        power = [rise.band_power(one, cut) for one in heard]
        peaks = [leak.peaks(one, cut.hop, len(its)) for one, its in zip(heard, power, strict=True)]
        quiet.append([leak.quiet(its) for its in peaks])
        inside = begin + length  # what follows belongs to the next block
        watch.see(first, begin, [one[:inside] for one in heard], power, cut.hop)
        for number, one in enumerate(heard):
            rows, frame = candidate.of_block(one, power[number], idle.get(number), begin, length, cut, gap)
            rows["channel"] = number
            # What will never count is dropped at once: in noise that is most of it.
            likely = judge.probability(rows, np.full(len(rows), _is_mixed(channels[number]))) >= _least(detection)
            rows, frame = rows[likely], frame[likely]
            start = np.round(rows["at"] / cut.hop).astype(np.int64)
            risen.append(
                np.stack(
                    [
                        leak.arriving(its, *((start, "own") if other == number else (frame, "other")))
                        for other, its in enumerate(peaks)
                    ],
                    axis=1,
                )
            )
            late.append(leak.arriving(peaks[number], start, "late"))
            store.write(candidate.waveforms(one, rows["at"], columns).tobytes())
            rows["at"] += first
            found.append(rows)
    return Heard(np.concatenate(found), np.concatenate(risen), np.concatenate(late), np.median(quiet, axis=0), watch)


def _idle_floors(detection: Detection, channels, cut: rise.Frames) -> dict[int, np.ndarray]:
    """Return the noise of each channel from the idle recording; a file with one channel serves all."""
    if not detection.idle_file:
        return {}
    samples, rate_hz = audio.read_part(detection.idle_file, 0.0, IDLE_S)
    if rate_hz != cut.rate_hz:
        raise InputError(
            f"{detection.idle_file}: expected the recording's rate, {cut.rate_hz} Hz; found {rate_hz} Hz; "
            "record the idle machine with the same settings"
        )
    columns = [min(channel.channel, samples.shape[1]) - 1 for channel in channels]
    return {
        number: rise.band_power(np.ascontiguousarray(samples[:, column]), cut).mean(axis=0)
        for number, column in enumerate(columns)
    }


def _kept(heard: Heard, channels, detection: Detection, rate_hz: int) -> tuple[np.ndarray, np.ndarray]:
    """Return which candidates are kept, in the order found, and their probability."""
    number = heard.candidates["channel"]
    mixed = np.array([_is_mixed(channel) for channel in channels])
    probability = judge.probability(heard.candidates, mixed[number])
    wide = np.array([_is_wide(channel, channels) for channel in channels])
    # A click comes by cable: nothing leaks from it or into it.
    shares = ~wide & np.array([channel.hears != ("click",) for channel in channels])
    narrow = np.flatnonzero(shares)
    above_db = np.full(len(number), np.inf)
    mine = shares[number]
    above_db[mine] = leak.above_leakage_db(
        heard.risen[mine][:, narrow], heard.quiet[narrow], np.searchsorted(narrow, number[mine]), probability[mine]
    )
    own = heard.risen[np.arange(len(number)), number]
    late_db = above_db + 20 * np.log10((heard.late + 1e-9) / (own + 1e-9))
    belongs = (above_db >= 0) | (late_db >= LATE_DB)
    keep = np.flatnonzero(belongs & (probability >= _least(detection)))
    # A slow strike behind a leak counts where no better candidate stands.
    worth = probability[keep] - (above_db[keep] < 0)
    keep = keep[_apart(heard.candidates[keep], worth, detection.minimum_gap_ms / 1000 * rate_hz)]
    keep = keep[~_faint_marks(heard.candidates[keep], channels)]
    if wide.any():
        delay = np.array([channel.delay_s for channel in channels]) * rate_hz
        at = heard.candidates["at"][keep] - delay[number[keep]]
        keep = keep[~_heard_nearer(at, number[keep], channels, SAME_S * rate_hz)]
    return keep, probability[keep]


def _is_mixed(channel: Channel) -> bool:
    return len(channel.hears) > 1 or channel.hears == ALL


def _least(detection: Detection) -> float:
    """Return the probability from which a candidate is kept."""
    return 0.5 * (1 - detection.sensitivity)


def _faint_marks(candidates: np.ndarray, channels) -> np.ndarray:
    """Return which turn marks and clicks are far fainter than the others of their channel, which are all alike."""
    faint = np.zeros(len(candidates), bool)
    for number, channel in enumerate(channels):
        mine = candidates["channel"] == number
        if channel.hears[0] in MARKS and mine.any():
            faint |= mine & (candidates["peak"] < FAINT_MARK * np.quantile(candidates["peak"][mine], 0.75))
    return faint


def _is_wide(channel: Channel, channels: tuple[Channel, ...]) -> bool:
    """Tell whether some of what a channel hears has a nearer microphone too."""
    return any(_covers(channel, other) for other in channels if other != channel)


def _covers(channel: Channel, other: Channel) -> bool:
    if other.hears[0] in MARKS or channel.hears[0] in MARKS or other.hears == ALL:
        return False
    return channel.hears == ALL or (len(channel.hears) > len(other.hears) and bool({*channel.hears} & {*other.hears}))


def _heard_nearer(at: np.ndarray, number: np.ndarray, channels, same: float) -> np.ndarray:
    """Return which hits of a wide channel a nearer microphone has too (within `same` samples)."""
    twice = np.zeros(len(at), bool)
    for wide, channel in enumerate(channels):
        nearer = [other for other, its in enumerate(channels) if other != wide and _covers(channel, its)]
        there = np.sort(at[np.isin(number, nearer)])
        mine = np.flatnonzero(number == wide)
        if len(there) and len(mine):
            after = np.searchsorted(there, at[mine])
            left, right = there[np.maximum(after - 1, 0)], there[np.minimum(after, len(there) - 1)]
            twice[mine] = np.minimum(np.abs(at[mine] - left), np.abs(right - at[mine])) < same
    return twice


def _apart(candidates: np.ndarray, worth: np.ndarray, gap: float) -> np.ndarray:
    """Return which candidates are worth most of their channel within `gap` samples, in the order given."""
    order = np.lexsort((candidates["at"], candidates["channel"]))
    at, channel = candidates["at"][order], candidates["channel"][order]
    # Of two that are worth the same, the one at the sharper rise.
    height = np.round(worth[order], 2) + 1e-4 * candidates["rise"][order, -1]
    alive = np.ones(len(order), bool)
    # The highest first: what stands within the gap of it falls.
    for middle in np.argsort(-height, kind="stable"):
        if alive[middle]:
            for step in (-1, 1):
                other = middle + step
                while (
                    0 <= other < len(order) and channel[other] == channel[middle] and abs(at[other] - at[middle]) < gap
                ):
                    alive[other] = False
                    other += step
    return np.sort(order[alive])


def _aligned(
    candidates: np.ndarray, probability, keep: np.ndarray, store, rate_hz: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return sample and standard error (samples) of each kept hit, placed by its own sound where one fits."""
    columns = align.shape(rate_hz)
    at, fitted = candidates["at"].copy(), candidates["spread"].astype(float)
    for number in np.unique(candidates["channel"]):
        mine = np.flatnonzero(candidates["channel"] == number)
        leaking = _struck_beside(candidates, number, LEAK_S * rate_hz)
        sure = mine[probability[mine] > SURE]
        pool = np.sort(sure[np.argsort(-candidates["gain"][sure], kind="stable")[: align.POOL]])
        if len(pool) < align.FEWEST:
            continue
        pool = pool[np.argsort(-candidates["gain"][pool], kind="stable")]
        taps, sounds = align.sounds(_stored(store, keep[pool], columns).astype(np.float32), columns)
        for begin in range(0, len(mine), 256):
            rows = mine[begin : begin + 256]
            lag, lag_se, _ = align.moved(
                _stored(store, keep[rows], columns),
                candidates["spread"][rows],
                leaking[begin : begin + 256],
                taps,
                sounds,
                columns,
            )
            at[rows] += lag
            fitted[rows] = np.where(np.isnan(lag_se), fitted[rows], lag_se)
    attack = candidates["attack"].astype(float)
    return at, np.sqrt(np.square(SPREADS * fitted) + np.square(ATTACKS * attack) + np.square(FLOOR_SE_S * rate_hz))


def _struck_beside(candidates: np.ndarray, number: int, near: float) -> np.ndarray:
    """Return at which candidates of a channel another one has a candidate too, within `near` samples."""
    mine = candidates["at"][candidates["channel"] == number]
    others = np.sort(candidates["at"][candidates["channel"] != number])
    return np.searchsorted(others, mine + near) > np.searchsorted(others, mine - near)


def _stored(store, rows: np.ndarray, columns: align.Shape) -> np.ndarray:
    """Read back waveforms; a mapped file would count as memory as it grows."""
    size = 2 * columns.n
    parts = [np.frombuffer(os.pread(store.fileno(), size, int(row) * size), np.float16) for row in rows]
    return np.stack(parts) if parts else np.zeros((0, columns.n), np.float16)


def _decided(heard: Heard, channels, detection: Detection, sound: audio.Audio, delays_s: Mapping, store):
    """Return the table of hits and the faults of the recording."""
    rate_hz = sound.rate_hz
    keep, probability = _kept(heard, channels, detection, rate_hz)
    candidates = heard.candidates[keep]
    at, at_se = _aligned(candidates, probability, keep, store, rate_hz) if len(keep) else (np.zeros(0), np.zeros(0))
    # Two that were found at a leak and at the strike behind it may have moved to the same place.
    candidates["at"] = at
    once = _apart(candidates, probability, detection.minimum_gap_ms / 1000 * rate_hz)
    candidates, at, at_se, probability = candidates[once], at[once], at_se[once], probability[once]
    delay_s = np.array([channel.delay_s + _striker_delay(channel, delays_s) for channel in channels])
    hit_s = at / rate_hz - delay_s[candidates["channel"]]
    order = np.lexsort((candidates["channel"], hit_s))
    candidates, hit_s, at_se, probability = candidates[order], hit_s[order], at_se[order], probability[order]
    level_db = 20 * np.log10(candidates["peak"] + 1e-10)
    snr_db = level_db - 20 * np.log10(candidates["noise"] + 1e-10)
    kind = np.array([channel.hears[0] if channel.hears[0] in MARKS else "strike" for channel in channels], object)
    kind = kind[candidates["channel"]]
    for number in range(len(channels)):
        mine = np.flatnonzero((candidates["channel"] == number) & (kind == "strike"))
        kind[mine[rebound.rebounds(hit_s[mine], level_db[mine])]] = "rebound"
    names = [_only_striker(channel) for channel in channels]
    with np.errstate(divide="ignore"):
        bands_db = 10 * np.log10(candidates["bands"])
    bands_db[~np.isfinite(bands_db)] = np.nan
    table = tables.build(
        "hits",
        {
            "hit_id": np.arange(len(hit_s)),
            "channel": np.array([channel.channel for channel in channels])[candidates["channel"]],
            "hit_s": hit_s,
            "hit_se": at_se / rate_hz,
            "level_db": level_db,
            "snr_db": snr_db,
            "probability": probability,
            "striker": pa.array([names[number] for number in candidates["channel"]], pa.string()),
            "kind": pa.array(kind.tolist(), pa.string()),
            "bands_db": pa.FixedSizeListArray.from_arrays(pa.array(bands_db.ravel(), pa.float32()), tables.N_BANDS),
        },
    )
    return table, _faults(heard, channels, candidates, at[order], level_db, probability, sound)


def _faults(heard: Heard, channels, candidates, at, level_db, probability, sound: audio.Audio) -> list[str]:
    sure = probability > 0.5
    columns = [(name, "f8") for name in ("channel", "at", "level_db", "before", "after")]
    hits = np.zeros(sure.sum(), [*columns, ("bands", "f4", (tables.N_BANDS,))])
    for name in ("channel", "bands", "before", "after"):
        hits[name] = candidates[name][sure]
    hits["at"], hits["level_db"] = at[sure], level_db[sure]
    lengths = tuple(sound.track_lengths[channel.channel - 1] for channel in channels)
    return health.faults(heard.watch, hits, lengths)


def _only_striker(channel: Channel) -> str | None:
    only = len(channel.hears) == 1 and channel.hears[0] not in (*ALL, *MARKS)
    return channel.hears[0] if only else None


def _striker_delay(channel: Channel, delays_s: Mapping) -> float:
    return delays_s.get(_only_striker(channel) or "", 0.0)
