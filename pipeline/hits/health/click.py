"""Find faults that the metronome's channel shows: dropouts, a click not looped back, two clocks, swapped channels.

In: times of hits, level between clicks. Out: sentences. A click may follow a tempo map: it counts as even if its
intervals change little from one to the next.
"""

from collections import Counter

import numpy as np

from pipeline import robust, words
from pipeline.settings import Channel

LEAST_CLICKS = 12  # chosen: fewer tell nothing of their evenness
# Measured: median change from interval to interval, as a share of it, below which only a metronome stays; the smaller
# one is needed to take another channel for the metronome.
EVEN, STRICTLY_EVEN = 0.004, 0.001
# Chosen: quantiles of the intervals that may be a beat, or two, where clicks are missing; longest interval that counts.
BEAT_QUANTILES, MOST_BEATS = (0.2, 0.5), 4
TOO_SOON = 0.6  # chosen: of the median interval; a hit so soon after a click is a strike, not a click
AROUND = 4  # chosen: intervals on either side that say how long the one between should be
# Measured: least step of the clicks' phase that lasts (a lost or doubled buffer), and least over the steps' scatter.
JUMP_S, JUMP_TO_SCATTER = 0.0005, 10.0
PAUSE_BEATS = 2  # chosen: in a longer interval the metronome paused, and may begin again at any moment
# Measured: clicks of one tempo lie this near a straight line; where lost sound had to be put back, nearer.
STEADY_S, MENDED_STEADY_S = 0.002, 0.0002
CABLE_DB = -118.0  # chosen between 24-bit dither and the noise of any analogue path, from 4 to 16 kHz
DRIFT_PPM, DRIFT_TO_SE = 30.0, 4.0  # measured: least difference between two clocks, and in standard errors
WRONG_TEMPO_PPM = 3000.0  # chosen: ten times what clocks differ by; beyond it, the rig names another tempo
COARSE_STEP = 2**-16  # derived: half of a 16-bit step; a file whose finest change is larger may hide noise
# Chosen: least time between two sounds that are compared, and length that is compared; half and double change no test.
SHAPE_APART_S, SHAPE_S = 0.05, 0.01
LEAST_REPEATED = 0.9  # measured: share of the clicks whose samples come again exactly, where no cable carried them


def shapes(own: np.ndarray, rate_hz: int) -> list[int]:
    """Return a hash of the samples of each loud sound of a block, without a common offset.

    Parameters
    ----------
    own : (n,) array
        Samples of a click's channel.
    rate_hz : int
    """
    size = np.abs(own)
    loud = np.flatnonzero(size > size.max(initial=0.0) / 2)
    begin = loud[np.diff(loud, prepend=-rate_hz) > SHAPE_APART_S * rate_hz]
    steps = np.round(np.diff(own) / COARSE_STEP).astype(np.int32)
    length = round(SHAPE_S * rate_hz)
    return [hash(steps[at : at + length].tobytes()) for at in begin if at + length <= len(steps)]


def repeat_exactly(counted: Counter) -> bool:
    """Tell whether most sounds of a channel come again with the very same samples, from how often each hash came."""
    return sum(n for n in counted.values() if n > 1) >= LEAST_REPEATED * counted.total()


def is_metronome(at: np.ndarray) -> bool:
    """Tell whether hits come as evenly as only a metronome does.

    Some may be missing (taken for leakage of strikes at the same moment), and a few may be something else.

    Parameters
    ----------
    at : (n,) array
        Samples, in any order; fewer than LEAST_CLICKS are no metronome.
    """
    if len(at) < LEAST_CLICKS:
        return False
    gap = np.diff(np.sort(at))
    short, middle = np.quantile(gap[gap > 0], BEAT_QUANTILES)
    for usual in (short, middle, short / 2):
        beats = np.round(gap / usual)
        told = (beats >= 1) & (beats <= MOST_BEATS)
        gap_told, beats_told = gap[told], beats[told]
        if len(gap_told) < LEAST_CLICKS - 1:
            continue
        off = np.abs(gap_told[1:] - beats_told[1:] * gap_told[:-1] / beats_told[:-1])
        if np.median(off) < STRICTLY_EVEN * usual:
            return True
    return False


def faults(channels: tuple[Channel, ...], rate_hz: int, hits: np.ndarray, silence_db: list[float]) -> list[str]:
    """Return one sentence 'name: finding; cure' for each fault of a click channel.

    Parameters
    ----------
    channels : tuple of Channel
    rate_hz : int
        Of the file.
    hits : (n_hits,) structured array
        As `faults.faults`.
    silence_db : list of float
        Level of each channel's high bands between clicks; 0 where nobody can tell.
    """
    found = []
    for number, channel in enumerate(channels):
        if channel.hears != ("click",):
            continue
        at = _clicks(hits, number)
        if len(at) < LEAST_CLICKS or _unevenness(at) > EVEN:
            found += _swapped(channels, number, hits) or ([] if len(at) < LEAST_CLICKS else _uneven(channel))
            continue
        jumps = _jumps(at, rate_hz)
        found += _dropouts(at, jumps, channel, rate_hz)
        if silence_db[number] < CABLE_DB:
            found.append(_not_looped(channel))
        found += _drift(at, jumps, channel, rate_hz)
    return found


def _clicks(hits: np.ndarray, number: int) -> np.ndarray:
    return _in_time(np.sort(hits["at"][hits["channel"] == number]))


def _in_time(at: np.ndarray) -> np.ndarray:
    """Return samples in order without what comes too soon after the one before."""
    if len(at) < LEAST_CLICKS:
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
    """Return the median change from interval to interval, as a share of the interval."""
    _, per_beat = _beats(at)
    return float(np.median(np.abs(np.diff(per_beat)) / per_beat[1:]))


def _swapped(channels: tuple[Channel, ...], number: int, hits: np.ndarray) -> list[str]:
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
    scatter = robust.SD_OF_MAD * np.median(np.abs(step - np.median(step)))
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
    jump = words.with_plain_spaces(words.milliseconds(np.abs(jumps).max() / rate_hz, digits=1))
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
    """Compare the tempo with the rig's; what was lost or doubled is put back first.

    Where the metronome paused, its longest part is compared.
    """
    if not channel.bpm:
        return []
    beats, per_beat = _beats(at)
    ends = np.concatenate([[-1], np.flatnonzero(beats > PAUSE_BEATS), [len(beats)]])
    longest = int(np.diff(ends).argmax())
    part = slice(ends[longest] + 1, ends[longest + 1])
    at, beats, jumps = at[part.start : part.stop + 1], beats[part], jumps[part]
    if len(at) < LEAST_CLICKS:
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
    se_ppm = off_s.std() / (count.std() * np.sqrt(len(count))) / true_s * 1e6
    steady_s = MENDED_STEADY_S if jumps.any() else STEADY_S
    if abs(ppm) > WRONG_TEMPO_PPM or off_s.std() > steady_s or abs(ppm) < max(DRIFT_PPM, DRIFT_TO_SE * se_ppm):
        return []
    faster = "slower" if ppm > 0 else "faster"
    return [
        f"two clocks: the click of channel {channel.channel} comes {abs(ppm):.0f} ppm {faster} than the rig says, so "
        "recorder and metronome have clocks of their own; run both from one interface, or trust the click's own "
        "tempo only"
    ]
