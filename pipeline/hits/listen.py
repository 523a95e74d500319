"""Go through a recording block by block and keep of each candidate only what the decisions need."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from pipeline import audio, tables
from pipeline.errors import InputError
from pipeline.hits import leak, place, rebound, rise
from pipeline.settings import Channel, Detection, Recording, Rig

BLOCK_S = 10.0
CONTEXT_S = (0.6, 0.3)  # before and after a block: longer than anything a candidate is measured on
COARSEST_DB, FINEST_DB = 4.0, 1.0  # threshold of the flux at sensitivity 0 and 1
ALL = ("everything",)
MARKS = ("index", "click")
SILENT_PEAK = 10 ** (-80 / 20)
BANDS_S = 0.030
LEVEL_S = (0.0005, 0.004)  # before and after the start: what reaches the other microphones

CANDIDATE = np.dtype(
    [
        ("channel", "i4"),
        ("at", "f8"),  # sample of the recording
        ("at_se", "f4"),
        ("peak", "f4"),
        ("noise", "f4"),
        ("gain", "f4"),
        ("flux", "f4"),
        ("bands", "f4", (tables.N_BANDS,)),
    ]
)


@dataclass(frozen=True)
class Heard:
    """All candidates of a recording, and the level of every heard channel at each of them (dB)."""

    candidates: np.ndarray
    level_db: np.ndarray
    peak: np.ndarray


def listen(recording: Recording, rig: Rig | None, detection: Detection, delays_s: Mapping) -> tuple[pa.Table, dict]:
    """Find the hits of a sound recording; the parameters and results are those of `hits.find`."""
    sound = audio.look(recording.file, recording.start_s, recording.stop_s)
    channels = _channels(recording, rig, sound.n_channels)
    if sound.n_samples == 0:
        raise InputError(f"{recording.file}: expected sound; found no samples; record or copy it again")
    heard = _candidates(sound, channels, detection)
    if heard.peak.max(initial=0.0) < SILENT_PEAK:
        raise InputError(
            f"{recording.file}: expected sound; found silence in every channel that the rig names; "
            "check the cable, the gain and the rig"
        )
    table = _decided(heard, channels, detection, sound.rate_hz, delays_s)
    if not len(table):
        raise InputError(
            f"{recording.file}: expected strikes; found none in {(sound.stop - sound.start) / sound.rate_hz:.1f} s of "
            "sound; check the microphones, the gain and detection: sensitivity"
        )
    health = []
    if sound.truncated:
        health.append("truncated: the file ends before its header says; copy it again, or go on with what is there")
    return table, {
        "health": health,
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


def _candidates(sound: audio.Audio, channels: tuple[Channel, ...], detection: Detection) -> Heard:
    cut = rise.frames(sound.rate_hz)
    threshold_db = COARSEST_DB + (FINEST_DB - COARSEST_DB) * detection.sensitivity
    gap = max(1, round(detection.minimum_gap_ms / 1000 * sound.rate_hz / cut.hop / 2))
    found, levels, peak = [], [], np.zeros(len(channels))
    length, before, after = (round(seconds * sound.rate_hz / cut.hop) * cut.hop for seconds in (BLOCK_S, *CONTEXT_S))
    for first, begin, samples in sound.blocks(length, before, after):
        columns = [np.ascontiguousarray(samples[:, channel.channel - 1]) for channel in channels]
        for number, column in enumerate(columns):
            peak[number] = max(peak[number], np.abs(column).max(initial=0.0))
            rows = _of_block(column, begin, length, cut, threshold_db, gap)
            rows["channel"] = number
            at = np.round(rows["at"]).astype(np.int64)
            levels.append(np.stack([_level_db(other, at, sound.rate_hz) for other in columns], axis=1))
            rows["at"] += first
            found.append(rows)
    if not found:
        return Heard(np.zeros(0, CANDIDATE), np.zeros((0, len(channels))), peak)
    return Heard(np.concatenate(found), np.concatenate(levels), peak)


def _of_block(samples, begin, length, cut: rise.Frames, threshold_db: float, gap: int) -> np.ndarray:
    """Return the candidates whose rise lies in the block, without its context."""
    power = rise.band_power(samples, cut)
    rises = rise.flux(power, rise.floors(power))
    at = rise.peaks(rises, threshold_db, gap)
    at = at[(at * cut.hop >= begin) & (at * cut.hop < begin + length) & (at * cut.hop < len(samples))]
    placed = place.place(samples, at * cut.hop, cut.rate_hz)
    rows = np.zeros(len(at), CANDIDATE)
    rows["at"], rows["at_se"], rows["peak"] = placed.at, placed.at_se, placed.peak
    rows["noise"], rows["gain"], rows["flux"] = placed.noise, placed.gain, rises[at]
    total = np.cumsum(np.pad(power.astype(np.float64), ((1, 0), (0, 0))), axis=0)
    start = np.clip(np.round(placed.at / cut.hop).astype(np.int64), 0, len(power) - 1)
    stop = np.minimum(start + round(BANDS_S * cut.rate_hz / cut.hop), len(power))
    rows["bands"] = (total[stop] - total[start]) / np.maximum(stop - start, 1)[:, None]
    return rows


def _level_db(samples: np.ndarray, at: np.ndarray, rate_hz: int) -> np.ndarray:
    before, after = round(LEVEL_S[0] * rate_hz), round(LEVEL_S[1] * rate_hz)
    if not len(at):
        return np.zeros(0)
    padded = np.pad(samples, (before, after))
    return 20 * np.log10(np.abs(padded[at[:, None] + np.arange(before + after)]).max(axis=1) + 1e-10)


def _decided(heard: Heard, channels, detection: Detection, rate_hz: int, delays_s: Mapping) -> pa.Table:
    candidates = heard.candidates
    delay_s = np.array([channel.delay_s + _striker_delay(channel, delays_s) for channel in channels])
    hit_s = candidates["at"] / rate_hz - delay_s[candidates["channel"]]
    above_db = leak.above_leakage_db(
        heard.level_db, candidates["channel"], leak.leakage(heard.level_db, candidates["channel"], len(channels))
    )
    keep = np.flatnonzero(above_db > leak.MARGIN_DB)
    keep = keep[np.lexsort((candidates["channel"][keep], hit_s[keep]))]
    candidates, hit_s = candidates[keep], hit_s[keep]
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
    return tables.build(
        "hits",
        {
            "hit_id": np.arange(len(keep)),
            "channel": np.array([channel.channel for channel in channels])[candidates["channel"]],
            "hit_s": hit_s,
            "hit_se": candidates["at_se"] / rate_hz,
            "level_db": level_db,
            "snr_db": snr_db,
            "probability": 1 / (1 + np.exp(-(candidates["flux"] - 2.5) * 1.5)),
            "striker": pa.array([names[number] for number in candidates["channel"]], pa.string()),
            "kind": pa.array(kind.tolist(), pa.string()),
            "bands_db": pa.FixedSizeListArray.from_arrays(pa.array(bands_db.ravel(), pa.float32()), tables.N_BANDS),
        },
    )


def _only_striker(channel: Channel) -> str | None:
    only = len(channel.hears) == 1 and channel.hears[0] not in (*ALL, *MARKS)
    return channel.hears[0] if only else None


def _striker_delay(channel: Channel, delays_s: Mapping) -> float:
    return delays_s.get(_only_striker(channel) or "", 0.0)
