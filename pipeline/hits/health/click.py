"""Look for faults that only a metronome's channel shows: dropouts, exact clicks, two clocks, swapped channels.

A click may follow a tempo map: it counts as even when its intervals change little from one to the next.
"""

import numpy as np

from pipeline.settings import Channel

FEW_CLICKS = 12
EVEN = 0.004  # change from interval to interval that only a metronome keeps to; below
STRICTLY_EVEN = 0.001  # to take another channel for the metronome
USUAL, MOST_BEATS = (0.2, 0.5), 4  # quantiles of the intervals that may be a beat, or two, where clicks are missing
TOO_SOON = 0.6  # of the usual interval: not a click but something struck beside it
AROUND = 4  # intervals on either side that say how long the one between should be
JUMP_S = 0.0005  # a step of the clicks' phase that lasts: a lost or doubled buffer
JUMP_TO_SCATTER = 10.0
PAUSE_BEATS = 2  # an interval of more: the metronome stopped, and began again at any moment
STEADY_S = 0.002  # clicks of one tempo lie this near their line
SURELY_STEADY_S = 0.0002  # and this near where lost sound had to be put back
CABLE_DB = -118.0  # any analogue way is noisier than that between 4 and 16 kHz
DRIFT_PPM, DRIFT_TO_ERROR = 30.0, 4.0
WRONG_TEMPO_PPM = 3000.0  # beyond this the tempo is not the one that was played


def faults(channels: tuple[Channel, ...], rate_hz: int, hits: np.ndarray, silence_db: list[float]) -> list[str]:
    """Return one sentence 'name: finding; cure' for each fault of a click channel.

    Parameters
    ----------
    hits : (n_hits,) structured array
        As `health.faults`.
    silence_db : list of float
        Level of each channel's upper bands where nothing sounds.
    """
    found = []
    for number, channel in enumerate(channels):
        if channel.hears != ("click",):
            continue
        at = _clicks(hits, number)
        if len(at) < FEW_CLICKS or _unevenness(at) > EVEN:
            found += _swapped(channels, number, hits) or ([] if len(at) < FEW_CLICKS else _uneven(channel))
            continue
        jumps = _jumps(at, rate_hz)
        found += _dropouts(at, jumps, channel, rate_hz)
        if silence_db[number] < CABLE_DB:
            found.append(_not_looped(channel))
        found += _drift(at, jumps, channel, rate_hz)
    return found


def is_metronome(at: np.ndarray) -> bool:
    """Tell whether strikes at these samples come as evenly as only a metronome does.

    Some may be missing, taken for what leaks of strikes at the same moment, and a few be something else.
    """
    if len(at) < FEW_CLICKS:
        return False
    gap = np.diff(np.sort(at))
    short, middle = np.quantile(gap[gap > 0], USUAL)
    for usual in (short, middle, short / 2):
        beats = np.round(gap / usual)
        told = (beats >= 1) & (beats <= MOST_BEATS)
        gap_, beats_ = gap[told], beats[told]
        if len(gap_) < FEW_CLICKS - 1:
            continue
        off = np.abs(gap_[1:] - beats_[1:] * gap_[:-1] / beats_[:-1])
        if np.median(off) < STRICTLY_EVEN * usual:
            return True
    return False


def _clicks(hits: np.ndarray, number: int) -> np.ndarray:
    return _in_time(np.sort(hits["at"][hits["channel"] == number]))


def _in_time(at: np.ndarray) -> np.ndarray:
    """Return samples in order without what comes too soon after the one before."""
    if len(at) < FEW_CLICKS:
        return at
    soonest = TOO_SOON * np.median(np.diff(at))
    kept = [at[0]]
    for one in at[1:]:
        if one - kept[-1] >= soonest:
            kept.append(one)
    return np.array(kept)


def _beats(at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return how many beats each interval spans (missing clicks counted), and samples per beat."""
    gap = np.diff(at)
    padded = np.pad(gap, AROUND, mode="reflect")
    usual = np.median([padded[k : k + len(gap)] for k in range(2 * AROUND + 1)], axis=0)
    beats = np.maximum(np.round(gap / usual), 1)
    return beats, gap / beats


def _unevenness(at: np.ndarray) -> float:
    """Return the middle change from interval to interval, as a share of the interval."""
    _, per_beat = _beats(at)
    return float(np.median(np.abs(np.diff(per_beat)) / per_beat[1:]))


def _swapped(channels, number: int, hits) -> list[str]:
    for other, channel in enumerate(channels):
        elsewhere = other != number and channel.hears not in (("index",), ("click",))
        if elsewhere and is_metronome(hits["at"][hits["channel"] == other]):
            return [
                f"swapped: channel {channels[number].channel} should be the click and is uneven, channel "
                f"{channel.channel} ({', '.join(channel.hears)}) is even; swap them in the rig"
            ]
    return []


def _uneven(channel: Channel) -> list[str]:
    return [
        f"click: channel {channel.channel} should be the click and is uneven; "
        "check that the metronome, not a striker, is on this channel"
    ]


def _jumps(at: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return how many samples each interval is longer than its neighbours allow, 0 where it is not.

    An interval may be as long as a neighbour, or as where the neighbours before or after it lead in a straight line, or
    anything between: so a tempo map is no fault. Of the first and the last interval nobody can tell.
    """
    beats, per_beat = _beats(at)
    before, after = np.roll(per_beat, 1), np.roll(per_beat, -1)
    near = np.stack([before, after, 2 * before - np.roll(per_beat, 2), 2 * after - np.roll(per_beat, -2)])
    near[[0, 2], 0], near[[1, 3], -1] = after[0], before[-1]  # at either end only one side is known
    near[2, 1], near[3, -2] = before[1], after[-2]
    step = beats * (per_beat - np.clip(per_beat, near.min(axis=0), near.max(axis=0)))
    scatter = 1.4826 * np.median(np.abs(step - np.median(step)))
    jump = np.where(np.abs(step) > max(JUMP_S * rate_hz, JUMP_TO_SCATTER * scatter), step, 0.0)
    # A single misplaced click jumps there and back; a lost buffer only there.
    lasts = np.array([abs(step[max(k - 1, 0) : k + 2].sum()) > abs(step[k]) / 2 for k in range(len(step))])
    lasts[[0, -1]] = False
    lasts[beats > PAUSE_BEATS] = False
    return jump * lasts


def _dropouts(at: np.ndarray, jumps: np.ndarray, channel: Channel, rate_hz: int) -> list[str]:
    where = np.flatnonzero(jumps)
    if not len(where):
        return []
    first_s = (at[where[0]] + at[where[0] + 1]) / 2 / rate_hz  # somewhere between two clicks
    jump = f"{np.abs(jumps).max() / rate_hz * 1000:.1f} ms"
    how = f"jumps once, by {jump}," if len(where) == 1 else f"jumps {len(where)} times, by up to {jump}, first"
    return [
        f"dropout: the click of channel {channel.channel} {how} at about {first_s:.0f} s, so sound was lost or doubled "
        "there; use a larger buffer and close other programs"
    ]


def _not_looped(channel: Channel) -> str:
    return (
        f"click not looped back: channel {channel.channel} is silent between clicks as no cable is, so it does not "
        "share the way of the microphones; loop it from an output to an input by cable"
    )


def _drift(at: np.ndarray, jumps: np.ndarray, channel: Channel, rate_hz: int) -> list[str]:
    """Hold the tempo against the true one; what was lost or doubled is put back first.

    Where the metronome paused, the longest part of it is held.
    """
    if not channel.bpm:
        return []
    beats, per_beat = _beats(at)
    ends = np.concatenate([[-1], np.flatnonzero(beats > PAUSE_BEATS), [len(beats)]])
    longest = int(np.diff(ends).argmax())
    part = slice(ends[longest] + 1, ends[longest + 1])
    at, beats, jumps = at[part.start : part.stop + 1], beats[part], jumps[part]
    if len(at) < FEW_CLICKS:
        return []
    count = np.concatenate([[0], np.cumsum(beats)])
    whole_s = (at - np.concatenate([[0], np.cumsum(jumps)])) / rate_hz
    line = np.polyfit(count, whole_s, 1)
    off_s = whole_s - np.polyval(line, count)
    interval_s, true_s = line[0], 60 / channel.bpm / channel.per_beat
    ppm = (interval_s / true_s - 1) * 1e6
    # Much lost sound moves the line, but not the usual interval.
    usual_ppm = (np.median(per_beat) / rate_hz / true_s - 1) * 1e6
    if min(abs(ppm), abs(usual_ppm)) > WRONG_TEMPO_PPM:
        return [
            f"click tempo: channel {channel.channel} clicks at {60 / interval_s / channel.per_beat:.2f} bpm, "
            f"the rig says {channel.bpm:g}; mend bpm or per_beat in the rig"
        ]
    error_ppm = off_s.std() / (count.std() * np.sqrt(len(count))) / true_s * 1e6
    steady_s = SURELY_STEADY_S if jumps.any() else STEADY_S
    if abs(ppm) > WRONG_TEMPO_PPM or off_s.std() > steady_s or abs(ppm) < max(DRIFT_PPM, DRIFT_TO_ERROR * error_ppm):
        return []
    faster = "slower" if ppm > 0 else "faster"
    return [
        f"two clocks: the click of channel {channel.channel} comes {abs(ppm):.0f} ppm {faster} than the rig says, so "
        "recorder and metronome have clocks of their own; run both from one interface, or trust the click's own "
        "tempo only"
    ]
