"""Walk one sound recording through the stage: from its file to the table of hits and what is wrong with it.

In: a recording of sound, its rig, the detection's settings. Out: a table of the contract `hits`, and what else is said
of the recording. Each room is entered once:

    sound_file.opened -> first_pass -> faint_strikes -> second_pass -> classifier -> selection
        -> template_onset -> rebounds -> the table; health.faults has watched the first pass
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pyarrow as pa

from pipeline import audio, tables
from pipeline.errors import InputError
from pipeline.hits import candidates, sound_file
from pipeline.hits.candidates import Hits
from pipeline.hits.channels import are_mixed, is_mark, only_striker
from pipeline.hits.classify import classifier, selection
from pipeline.hits.health import faults
from pipeline.hits.health.watch import Watch
from pipeline.hits.search import faint_strikes, first_pass, rebounds, second_pass, template_onset
from pipeline.hits.signal import template
from pipeline.hits.signal.spool import Fields, Waveforms
from pipeline.settings import Channel, Detection, Recording, Rig

SILENT_PEAK = 10 ** (-80 / 20)  # 3 steps of 16 bit: a recording that nowhere exceeds it holds no sound
SURE_PROBABILITY = 0.5  # from which a hit is used to look for faults of the recording
LEAST_LEVEL = 1e-10  # -200 dB, so that silence has a level


def find(
    recording: Recording, rig: Rig | None, detection: Detection, delays_s: Mapping[str, float]
) -> tuple[pa.Table, dict]:
    """Find the hits of a sound recording.

    Parameters
    ----------
    recording : Recording
    rig : Rig or None
        None: one microphone that hears everything.
    detection : Detection
    delays_s : mapping of str to float
        What a striker's own microphone adds, beside its channel's `delay_s`.

    Returns
    -------
    hits : pyarrow.Table
        Contract `hits`, at least one row.
    said : dict
        `health` (sentences), `duration_s`, `rate_hz`, `n_channels`.

    Raises
    ------
    InputError
        The file, the rig or the idle recording cannot be used; silence; no strikes.
    """
    sound, channels = sound_file.opened(recording, rig)
    sound = audio.thinned(sound)
    watch = Watch(channels, sound.whole.rate_hz, detection.mains_hz)
    hits = _hits(sound, channels, detection, watch)
    # All candidates of a long recording were much; Arrow's own pool would take new memory beside what is free by now.
    pa.set_memory_pool(pa.system_memory_pool())
    table, hits = _table(hits, channels, delays_s, sound)
    health = faults.faults(watch, _sure_hits(hits, table, sound.step), _track_lengths(sound, channels))
    _check(recording, table, watch, sound)
    if sound.truncated:
        health.insert(0, "truncated: the file ends before its header says; copy it again, or go on with what is there")
    return table, {
        "health": health,
        "duration_s": sound.n_samples / sound.rate_hz,
        "rate_hz": sound.whole.rate_hz,
        "n_channels": sound.n_channels,
    }


def _hits(sound: audio.Audio, channels: tuple[Channel, ...], detection: Detection, watch: Watch) -> Hits:
    """Return the hits and rebounds of all channels; `at` counts samples of the recording, no delay is taken off."""
    rate_hz = sound.rate_hz
    gap, least = detection.minimum_gap_ms / 1000 * rate_hz, selection.least(detection)
    waveforms, tails = Waveforms(template.shape(rate_hz)), Waveforms(rebounds.shape(rate_hz))
    with waveforms, tails, Fields(candidates.HITS_ONLY) as fields:
        found = first_pass.search(sound, channels, detection, watch, waveforms, tails)
        found = faint_strikes.search(found, sound, channels)
        found = replace(found, rows=fields.put(found.rows))
        evidence, templates = second_pass.look(found, channels, rate_hz)
        probability = classifier.own_strike(found.rows, are_mixed(channels)[found.rows["channel"]], evidence, rate_hz)
        del evidence  # of a long recording it is as large as all candidates
        keep = selection.kept(found.rows, probability, channels, detection, rate_hz)
        rows, probability = fields.whole(found.rows, keep), probability[keep]
        at, se = template_onset.refined(found, rows, keep, templates, rate_hz)
        hits = Hits(rows, se, probability, found.tail[keep], rows["at"].copy())
        hits.rows["at"] = at
        # Two that were found at a leak and at the strike behind it may have moved to the same place.
        hits = hits.part(selection.apart(hits.rows, hits.probability, gap))
        hits = rebounds.added(hits, tails, least, rate_hz)
    return hits.part(selection.apart(hits.rows, hits.probability, gap))


def _table(
    hits: Hits, channels: tuple[Channel, ...], delays_s: Mapping[str, float], sound: audio.Audio
) -> tuple[pa.Table, Hits]:
    """Return the table of the contract in the order of time, and the hits in that order."""
    delay_s = np.array([channel.delay_s + delays_s.get(only_striker(channel) or "", 0.0) for channel in channels])
    hit_s = hits.rows["at"] / sound.rate_hz - delay_s[hits.rows["channel"]]
    order = np.lexsort((hits.rows["channel"], hit_s))
    hits, hit_s = hits.part(order), hit_s[order]
    number, level_db = hits.rows["channel"], _db(hits.rows["peak"])
    names = [only_striker(channel) for channel in channels]
    with np.errstate(divide="ignore"):
        bands_db = 10 * np.log10(hits.rows["bands"])
    bands_db[~np.isfinite(bands_db)] = np.nan
    columns = {
        "hit_id": np.arange(len(hit_s)),
        "channel": np.array([channel.channel for channel in channels])[number],
        "hit_s": hit_s,
        "hit_se": hits.se / sound.rate_hz,
        "level_db": level_db,
        "snr_db": level_db - _db(hits.rows["noise"]),
        "probability": hits.probability,
        "striker": tables.arrow([names[one] for one in number]),
        "kind": tables.arrow(_kinds(number, hit_s, level_db, channels)),
        "bands_db": bands_db,
    }
    return tables.build("hits", columns), hits


def _db(amplitude: np.ndarray) -> np.ndarray:
    return 20 * np.log10(amplitude + LEAST_LEVEL)


def _kinds(number: np.ndarray, hit_s: np.ndarray, level_db: np.ndarray, channels: tuple[Channel, ...]) -> list[str]:
    """Return the kind of each hit: strike, rebound, index or click."""
    kinds = [channel.hears[0] if is_mark(channel) else "strike" for channel in channels]
    kind = np.array(kinds, object)[number]
    for one in range(len(channels)):
        mine = np.flatnonzero((number == one) & (kind == "strike"))
        kind[mine[rebounds.are_rebounds(hit_s[mine], level_db[mine])]] = "rebound"
    return kind.tolist()


def _sure_hits(hits: Hits, table: pa.Table, step: int) -> np.ndarray:
    """Return what `faults` asks of the hits; `at` counts samples of the file."""
    sure = hits.probability > SURE_PROBABILITY
    columns = [(name, "f8") for name in ("channel", "at", "level_db")]
    rows = np.zeros(sure.sum(), [*columns, ("bands", "f4", (tables.N_BANDS,))])
    for name in ("channel", "at", "bands"):
        rows[name] = hits.rows[name][sure]
    rows["at"] *= step
    rows["level_db"] = _db(hits.rows["peak"])[sure]
    return rows


def _track_lengths(sound: audio.Audio, channels: tuple[Channel, ...]) -> tuple[int, ...]:
    return tuple(sound.whole.track_lengths[channel.channel - 1] for channel in channels)


def _check(recording: Recording, table: pa.Table, watch: Watch, sound: audio.Audio) -> None:
    """Refuse a recording without sound or without strikes."""
    if watch.peak.max(initial=0.0) < SILENT_PEAK:
        raise InputError(
            f"{recording.file}: expected sound; found silence, or values that are no numbers, in every channel "
            "that the rig names; check the cable, the gain and the rig"
        )
    if not len(table):
        raise InputError(
            f"{recording.file}: expected strikes; found none in {(sound.stop - sound.start) / sound.rate_hz:.1f} s of "
            "sound; check the microphones, the gain and detection: sensitivity"
        )
