"""Look for faults that only a metronome's channel shows: dropouts, exact clicks, two clocks, swapped channels."""

import numpy as np

from pipeline.settings import Channel

FEW_CLICKS = 12
EVEN = 0.004  # scatter over the interval that only a metronome reaches
JUMP_S = 0.0012  # a step of the clicks' phase that lasts: a lost or doubled buffer
EXACT_SAMPLES = 0.6  # clicks of a sequencer's own track scatter less
DRIFT_PPM = 30.0
WRONG_TEMPO_PPM = 3000.0  # beyond this the tempo is not the one that was played


def faults(channels: tuple[Channel, ...], rate_hz: int, hits: np.ndarray, zero: list) -> list[str]:
    """Return one sentence 'name: finding; cure' for each fault of a click channel; parameters as `health.faults`."""
    found = []
    for number, channel in enumerate(channels):
        if channel.hears != ("click",):
            continue
        at = np.sort(hits["at"][hits["channel"] == number])
        if len(at) < FEW_CLICKS:
            continue
        if not _even(at):
            found += _swapped(channels, number, hits)
            continue
        found += _dropouts(at, channel, rate_hz) + _exact(at, channel, zero[number]) + _drift(at, channel, rate_hz)
    return found


def _even(at: np.ndarray) -> bool:
    gap = np.diff(at)
    usual = np.median(gap)
    beats = np.maximum(np.round(gap / usual), 1)
    return bool(np.median(np.abs(gap / beats - usual)) < EVEN * usual)


def _swapped(channels, number: int, hits) -> list[str]:
    for other, channel in enumerate(channels):
        at = np.sort(hits["at"][hits["channel"] == other])
        if other != number and len(at) >= FEW_CLICKS and _even(at) and channel.hears != ("index",):
            return [
                f"swapped: channel {channels[number].channel} should be the click and is uneven, channel "
                f"{channel.channel} ({', '.join(channel.hears)}) is even; swap them in the rig"
            ]
    return [
        f"click: channel {channels[number].channel} should be the click and is uneven; "
        "check that the metronome, not a striker, is on this channel"
    ]


def _counted(at: np.ndarray) -> tuple[np.ndarray, float]:
    """Return the number of each click, missing ones counted, and the usual interval."""
    usual = float(np.median(np.diff(at)))
    return np.concatenate([[0], np.cumsum(np.maximum(np.round(np.diff(at) / usual), 1))]), usual


def _dropouts(at: np.ndarray, channel: Channel, rate_hz: int) -> list[str]:
    count, usual = _counted(at)
    step = (np.diff(at) - np.diff(count) * usual) / rate_hz
    jump = np.flatnonzero(np.abs(step) > JUMP_S)
    # A single misplaced click jumps there and back; a lost buffer only there.
    lasting = [k for k in jump if abs(step[max(k - 1, 0) : k + 2].sum()) > JUMP_S]
    if not lasting:
        return []
    return [
        f"dropout: the click of channel {channel.channel} jumps {len(lasting)} times, by up to "
        f"{np.abs(step[lasting]).max() * 1000:.1f} ms, first at {at[lasting[0]] / rate_hz:.1f} s; "
        "use a larger buffer and close other programs"
    ]


def _exact(at: np.ndarray, channel: Channel, zero: list) -> list[str]:
    count, _ = _counted(at)
    line = np.polyfit(count, at, 1)
    silent = sum(b - a for a, b in zero) > 0.5 * (at[-1] - at[0])
    if not silent or np.std(at - np.polyval(line, count)) > EXACT_SAMPLES:
        return []
    return [
        f"click not looped back: channel {channel.channel} is exact to the sample and silent between clicks, so it "
        "does not share the way of the microphones; loop it from an output to an input by cable"
    ]


def _drift(at: np.ndarray, channel: Channel, rate_hz: int) -> list[str]:
    if not channel.bpm:
        return []
    count, _ = _counted(at)
    interval_s = np.polyfit(count, at / rate_hz, 1)[0]
    ppm = (interval_s * channel.bpm * channel.per_beat / 60 - 1) * 1e6
    if abs(ppm) > WRONG_TEMPO_PPM:
        return [
            f"click tempo: channel {channel.channel} clicks at {60 / interval_s / channel.per_beat:.2f} bpm, "
            f"the rig says {channel.bpm:g}; mend bpm or per_beat in the rig"
        ]
    if abs(ppm) < DRIFT_PPM:
        return []
    return [
        f"two clocks: recorder and metronome differ by {ppm:+.0f} ppm; "
        "run both from one interface, or trust the click's own tempo only"
    ]
