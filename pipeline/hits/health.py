"""Look for faults of a recording; each is named with its cure in one sentence.

`Watch` sees every block once and keeps a few numbers a channel; `faults` judges them with the hits. A threshold here
separates simulated faults from sound recordings (tests/test_hits_health.py), not good from bad machines.
"""

import numpy as np

from pipeline.hits import clicks
from pipeline.settings import Channel

PIECE_S = 2.5  # noise and gain are followed in pieces of this length
QUIET_S = 0.34  # the quietest such stretch of a block tells hum and rumble
CLIPPED_RUN = 3  # equal samples at the top: a clipped wave
HARMONICS = 8  # of the mains that are added up
HUM_TO_NOISE, RUMBLE_TO_NOISE = 1.0, 1.0  # power over that of the other noise, from which it is said
AUDIBLE_POWER = 10 ** (-80 / 10)  # fainter hum and rumble disturb nothing
RUMBLE_HZ = 40.0
GATED_SHARE, GATED_RUNS = 0.1, 4  # of the time between first and last hit that is exactly 0, in this many pieces
SAME_CORRELATION = 0.9999
DEAD_PEAK = 10 ** (-70 / 20)
FEW_HITS = 8
GAIN_STEP_DB = 2.5
PUMPING_DB = 3.0
THIN_DB = -27.0  # level below 400 Hz against the loudest band


class Watch:
    """What a recording's blocks tell about its faults.

    Parameters
    ----------
    channels : tuple of Channel
        Those that are heard.
    mains_hz : float or None
        None: hum is not looked for.
    """

    def __init__(self, channels: tuple[Channel, ...], rate_hz: int, mains_hz: float | None):
        n = len(channels)
        self.channels, self.rate_hz, self.mains_hz = channels, rate_hz, mains_hz
        self.peak = np.zeros(n)
        self.flat = [[] for _ in range(n)]  # (height, run, overshoot) of flat tops
        self.zero = [[] for _ in range(n)]  # first and last sample of stretches of zeros
        self.quiet = [[] for _ in range(n)]  # power of hum, rumble and the other noise
        self.floor_db = [[] for _ in range(n)]  # of the upper bands, a piece each
        self.product = np.zeros((n, n))

    def see(self, first: int, begin: int, heard: list[np.ndarray], power: list[np.ndarray], hop: int) -> None:
        """Look at one block; `heard` and `power` hold its samples and band powers with context, a channel each."""
        for number, (samples, its) in enumerate(zip(heard, power, strict=True)):
            own = samples[begin:]
            self.peak[number] = max(self.peak[number], np.abs(own).max(initial=0.0))
            self.flat[number] += _flat_tops(own)
            self.zero[number] += [(first + begin + a, first + begin + b) for a, b in _zeros(own, self.rate_hz)]
            self._noise(number, own)
            piece = max(1, round(PIECE_S * self.rate_hz / hop))
            upper = its[begin // hop :, -4:].sum(axis=1)
            for at in range(0, len(upper) - piece // 2, piece):
                level = np.percentile(upper[at : at + piece : 4], 15)
                self.floor_db[number].append(10 * np.log10(level + 1e-14))
        thinned = np.stack([samples[begin::7] for samples in heard])
        self.product += thinned @ thinned.T

    def _noise(self, number: int, samples: np.ndarray) -> None:
        size = round(QUIET_S * self.rate_hz)
        n = len(samples) // (size // 2) * (size // 2)
        if n < 2 * size:
            return
        halves = np.square(samples[:n].reshape(-1, size // 2)).sum(axis=1, dtype=np.float64)
        at = int((halves[:-1] + halves[1:]).argmin()) * (size // 2)
        stretch = samples[at : at + size] * np.hanning(size)
        power = np.square(np.abs(np.fft.rfft(stretch))) / size**2 * 16 / 3
        frequency = np.fft.rfftfreq(size, 1 / self.rate_hz)
        width = 1.6 / QUIET_S
        if self.mains_hz:
            harmonic = np.abs(frequency - self.mains_hz * np.round(frequency / self.mains_hz)) < width
            harmonic &= (frequency > self.mains_hz / 2) & (frequency < self.mains_hz * (HARMONICS + 0.5))
        else:
            harmonic = np.zeros(len(frequency), bool)
        low = (frequency > 2) & (frequency < RUMBLE_HZ) & ~harmonic
        rest = ~harmonic & ~low & (frequency > RUMBLE_HZ)
        self.quiet[number].append((power[harmonic].sum(), power[low].sum(), power[rest].sum()))


def faults(watch: Watch, hits: np.ndarray, lengths: tuple[int, ...]) -> list[str]:
    """Return one sentence 'name: finding; cure' for each fault.

    Parameters
    ----------
    hits : (n_hits,) structured array
        `channel` (number among the heard channels), `at` (sample), `level_db`, `bands` (power), `before`, `after`
        (power of the upper bands just before and well after), in the order of time.
    lengths : tuple of int
        Samples of each heard channel's own file.
    """
    found = []
    for number, channel in enumerate(watch.channels):
        mine = hits[hits["channel"] == number]
        where = f"channel {channel.channel} ({', '.join(channel.hears)})"
        for check in (_dead, _clipped, _hum, _rumble, _gated, _gain_touched, _pumping):
            sentence = check(watch, number, mine, len(hits))
            if sentence:
                found.append(sentence.format(where=where))
            if sentence and check is _dead:
                break
    found += _same(watch) + _thin(watch, hits) + _lengths(watch, lengths)
    return found + clicks.faults(watch.channels, watch.rate_hz, hits, watch.zero)


def _flat_tops(samples: np.ndarray) -> list[tuple[float, int, float]]:
    """Return height, length and estimated overshoot of runs of equal samples at the block's highest level."""
    size = np.abs(samples)
    top = float(size.max(initial=0.0))
    if top < 1e-3:
        return []
    at = np.flatnonzero(size >= top * (1 - 2e-4))
    if len(at) < CLIPPED_RUN:
        return []
    runs = np.split(at, np.flatnonzero(np.diff(at) > 1) + 1)
    flat = []
    for run in runs:
        if len(run) >= CLIPPED_RUN and run[0] > 0:
            # A parabola that enters with this slope rises by slope × length / 4 above the top.
            slope = top - size[run[0] - 1]
            flat.append((top, len(run), slope * len(run) / 4))
    return flat


def _zeros(samples: np.ndarray, rate_hz: int) -> list[tuple[int, int]]:
    """Return first and last sample of stretches of exact zeros of 20 ms or more."""
    shortest = round(0.02 * rate_hz)
    sounds = np.flatnonzero(samples)
    edges = np.concatenate([[-1], sounds, [len(samples)]])
    gap = np.flatnonzero(np.diff(edges) > shortest)
    return [(int(edges[at]) + 1, int(edges[at + 1])) for at in gap]


def _dead(watch, number, mine, n_all) -> str:
    channel = watch.channels[number]
    if watch.peak[number] < DEAD_PEAK:
        return "dead: {where} holds no sound; check its cable, its gain and the rig"
    if not len(mine) and n_all > FEW_HITS and channel.hears != ("everything",):
        return "dead: {where} holds no strike while others do; check its cable and the rig"
    return ""


def _clipped(watch, number, mine, n_all) -> str:
    flat = [one for one in watch.flat[number] if one[0] >= 0.98 * watch.peak[number]]
    if len(flat) < 2:
        return ""
    over_db = 20 * np.log10(1 + np.median([one[2] / one[0] for one in flat]))
    return (
        f"clipped: {{where}} is cut off in {len(flat)} places, by about {max(over_db, 0.1):.1f} dB; "
        f"turn its gain down by {np.ceil(over_db + 3):.0f} dB"
    )


def _hum(watch, number, mine, n_all) -> str:
    if not watch.quiet[number] or not watch.mains_hz:
        return ""
    hum, _, rest = np.median(watch.quiet[number], axis=0)
    if hum < HUM_TO_NOISE * rest or hum < AUDIBLE_POWER:
        return ""
    return (
        f"hum: {{where}} carries {10 * np.log10(hum):.0f} dB of mains hum; "
        "use a balanced cable, keep it away from power leads, run computer and interface from one socket"
    )


def _rumble(watch, number, mine, n_all) -> str:
    if not watch.quiet[number]:
        return ""
    _, rumble, rest = np.median(watch.quiet[number], axis=0)
    if rumble < RUMBLE_TO_NOISE * rest or rumble < AUDIBLE_POWER:
        return ""
    return (
        f"rumble: {{where}} carries {10 * np.log10(rumble):.0f} dB below {RUMBLE_HZ:.0f} Hz; "
        "put the stand on foam or switch on the preamplifier's low cut"
    )


def _gated(watch, number, mine, n_all) -> str:
    if len(mine) < 2 or watch.channels[number].hears == ("click",):
        return ""
    begin, end = mine["at"].min(), mine["at"].max()
    inside = [(max(a, begin), min(b, end)) for a, b in watch.zero[number] if b > begin and a < end]
    share = sum(b - a for a, b in inside) / max(end - begin, 1)
    if share < GATED_SHARE or len(inside) < GATED_RUNS:
        return ""
    return (
        f"gate: {{where}} is exactly silent for {share:.0%} of the time between strikes, so soft strikes are lost; "
        "switch the noise gate off"
    )


def _gain_touched(watch, number, mine, n_all) -> str:
    """Find a step at which noise and strikes change by the same amount."""
    floor_db = np.array(watch.floor_db[number])
    if len(floor_db) < 6 or len(mine) < 2 * FEW_HITS:
        return ""
    piece_of = np.clip(mine["at"] / watch.rate_hz / PIECE_S, 0, len(floor_db) - 1).astype(int)
    best = (0.0, 0)
    for at in range(2, len(floor_db) - 1):
        early, late = mine["level_db"][piece_of < at], mine["level_db"][piece_of >= at]
        if min(len(early), len(late)) < FEW_HITS // 2:
            continue
        noise_step = np.median(floor_db[at:]) - np.median(floor_db[:at])
        # The upper quarter: what leaks in is softer than strikes.
        level_step = np.quantile(late, 0.75) - np.quantile(early, 0.75)
        both = min(abs(noise_step), abs(level_step))
        steady = max(np.std(floor_db[at:]), np.std(floor_db[:at])) < both / 2
        if noise_step * level_step > 0 and abs(noise_step - level_step) < 2.0 and steady and both > abs(best[0]):
            best = (float(np.sign(level_step) * both), at)
    if abs(best[0]) < GAIN_STEP_DB:
        return ""
    return (
        f"gain touched: {{where}} changes by {best[0]:+.0f} dB after about {best[1] * PIECE_S:.0f} s; "
        "leave the gain alone during a take"
    )


def _pumping(watch, number, mine, n_all) -> str:
    """Find noise that is lower after strikes than before them: a ringing body can only make it higher."""
    if len(mine) < FEW_HITS or watch.channels[number].hears == ("click",):
        return ""
    gap_s = np.diff(mine["at"]) / watch.rate_hz
    alone = np.append(gap_s > 0.25, True) & np.insert(gap_s > 0.5, 0, True)
    use = mine[alone & (mine["before"] > 1e-13) & (mine["after"] > 1e-13)]
    if len(use) < FEW_HITS:
        return ""
    fall_db = 10 * np.log10(use["before"] / use["after"])
    if np.median(fall_db) < PUMPING_DB or np.mean(fall_db > 1) < 0.8:
        return ""
    return (
        f"limiter: {{where}} is turned down by about {np.median(fall_db):.0f} dB after each strike; "
        "switch limiter, compressor and automatic gain off"
    )


def _same(watch: Watch) -> list[str]:
    found, power = [], np.sqrt(np.diag(watch.product))
    for a in range(len(power)):
        for b in range(a):
            alike = watch.product[a, b] / (power[a] * power[b] + 1e-12)
            if abs(alike) > SAME_CORRELATION and min(watch.peak[[a, b]]) > DEAD_PEAK:
                one, two = watch.channels[b].channel, watch.channels[a].channel
                found.append(
                    f"identical: channels {one} and {two} hold the same sound; check the routing of the interface"
                )
    return found


def _thin(watch: Watch, hits: np.ndarray) -> list[str]:
    """Find strikers' microphones that all lack lows; one bright striker is no fault."""
    low_db = []
    for number, channel in enumerate(watch.channels):
        mine = hits[hits["channel"] == number]
        if len(mine) >= FEW_HITS and channel.hears[0] not in ("index", "click"):
            level_db = 10 * np.log10(mine["bands"] + 1e-12)
            low_db.append(np.median(level_db[:, :3].max(axis=1) - level_db.max(axis=1)))
    if len(low_db) < 2 or max(low_db) > THIN_DB:
        return []
    return [
        f"thin: no microphone has lows (below 400 Hz at least {-max(low_db):.0f} dB down), as when a contact "
        "microphone meets a low-impedance input; use an input of 1 MΩ or a preamplifier for contact microphones"
    ]


def _lengths(watch: Watch, lengths: tuple[int, ...]) -> list[str]:
    short = min(lengths, default=0)
    if max(lengths, default=0) - short < watch.rate_hz:
        return []
    number = lengths.index(short)
    return [
        f"short track: channel {watch.channels[number].channel} ends {(max(lengths) - short) / watch.rate_hz:.1f} s "
        "before the longest; export all tracks over the whole take"
    ]
