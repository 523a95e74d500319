"""Look for faults of a recording; each is named with its cure in one sentence (`wording`).

`Watch` sees every block once and keeps a few numbers a channel; `faults` judges them with the hits. A threshold here
separates simulated faults from sound recordings (tests/benchmarks/hits_health.py), not good from bad machines.
"""

from collections import Counter

import numpy as np

from pipeline.hits.health import background, click, clipping, gain_step
from pipeline.hits.health.wording import Finding, numbers, sentences
from pipeline.hits.signal import flux
from pipeline.settings import Channel

HUM_TO_NOISE, RUMBLE_TO_NOISE = 1.0, 0.5  # power over that of the other noise, from which it is said
AUDIBLE_POWER = 10 ** (-73 / 10)  # fainter hum and rumble disturb nothing
STEADY = 1.6  # hum over all that is there at the quietest moments
STEADY_AMONG, STEADY_DB = (0.03, 0.12), 1.5  # quantiles of the moments between which hum stays; a ringing body falls
# Quantiles of the moments; how far rumble's middle lies above the second (3 to 5 dB), and above the first at least.
RUMBLE_AMONG, RUMBLE_DB = (0.03, 0.12, 0.5), (6.5, 4.0)
HUMMING_BLOCKS = 0.7  # quantile: in some blocks strikes hide it
QUIETER_BLOCKS = 0.25  # of the blocks: those that tell what lies under the strikes
GATED_SHARE, GATED_RUNS = 0.05, 4  # of the time between first and last hit that is silent, in this many pieces
GATE_S = 0.005  # samples that do not differ for so long: no microphone is so quiet
MOST_SILENCES = 200  # in a block of 5 s: no gate closes so often, but rounding does
ROUNDED_S, ROUNDED = 0.025, 3  # but few bits are: sound that fades stays so long before within so many steps of them
EQUAL_DB = 0.3  # between the quartiles of power: a machine that strikes so evenly; clipped strikes keep 0.7 or more
COARSE = 2**-16  # a change from sample to sample that is larger in all of a file: it has 16 bit
CLICK_S, EXACT = (0.05, 0.01), 0.9  # from click to click, at least; length that is compared; share that comes again
STRIKING = 300.0  # peak² of the middle block over its power at quiet moments; noise of 5 s has some 25
CREST = 12.0  # peak² over the power at quiet moments: a steady tone heaps up, too, and has 2
SAME_CORRELATION, LAG_S = 0.97, 0.0005  # leaks reach 0.6
DEAD_PEAK = 10 ** (-70 / 20)
FEW_HITS = 8
MANY_TOPS = 100  # lists of them, from which they are put together
STRAY = 0.02  # of all hits: what noise alone may look like
HEARD_DB = (1.0, 0.25)  # by which a working microphone's level rises with its neighbours: for certain; if surely
SURELY = 4.0  # standard errors
# Quantile of a channel's levels that lies this far above the middle one where it hears anything; noise varies by 1 dB.
HEARS_AT, HEARS_DB = 0.99, 3.0
MARKS = (("index",), ("click",))
LOWS, HIGHS = slice(1, 7), slice(9, 11)  # bands: 300 to 2300 Hz, 5 to 11 kHz; the lowest holds rumble, too
BLUE_DB, LEVEL_DB = 1.5, 4.0  # noise, an equal width each: highs above lows; lows that hold nothing else, no rumble
UNHEARD_DB = -120.0  # noise of one bin: no preamplifier is so quiet, but few samples a second hold no highs
LOUD, HEARD_TO_NOISE = 0.75, 2.0  # quantile of the strikes that are looked at; power
SKIRT_DB = -10.0  # three lowest bands against the loudest: below all that the body sounds
SLOPE_DB = 3.5  # from the lowest band to the next; a strike's beginning alone gives 0 to 2, a high pass 5


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
        self.start = None  # the first sample seen
        self.peak = np.zeros(n)
        self.block_peak = [[] for _ in range(n)]
        self.tops = [[] for _ in range(n)]  # cut ones
        self.silence = [[] for _ in range(n)]  # first and last sample of stretches without any noise
        self.low = [[] for _ in range(n)]  # hum, rumble and quietest moments, a block each
        self.upper_db = [[] for _ in range(n)]  # first sample, seconds a piece, levels, a block each
        self.uppers, self.floors = {}, {}  # once all is seen
        self.finest = np.full(n, np.inf)  # least change from sample to sample of a click's channel
        self.shapes = [Counter() for _ in range(n)]  # how often a click's samples came, by their hash
        self.product = np.zeros((n, n))
        self.bins = np.maximum(np.diff(flux.frames(rate_hz).edges), 1)  # of the spectrum, in each band

    def see(self, first: int, begin: int, heard: list[np.ndarray], power: list[np.ndarray], hop: int) -> None:
        """Look at one block; `heard` and `power` hold its samples and band powers with context, a channel each."""
        here = first + begin
        self.start = here if self.start is None else self.start
        for number, (samples, its) in enumerate(zip(heard, power, strict=True)):
            own = samples[begin:]
            ends = float(own.min(initial=0.0)), float(own.max(initial=0.0))
            self.block_peak[number].append(max(ends[1], -ends[0]))
            self.peak[number] = max(self.peak[number], self.block_peak[number][-1])
            self.tops[number] += clipping.of_block(own, here, ends, self.peak[number], self.rate_hz)
            if len(self.tops[number]) > MANY_TOPS:
                self.tops[number] = clipping.thinned(self.tops[number], self.peak[number])
            self._see_silences(number, here, own)
            if self.channels[number].hears == ("click",):
                step = np.abs(np.diff(own))
                self.finest[number] = min(self.finest[number], step[step > 0].min(initial=np.inf))
                self.shapes[number].update(_shapes(own, self.rate_hz))
            frames = its[begin // hop : begin // hop + len(own) // hop]
            low = background.low(own, self.rate_hz, self.mains_hz, frames, hop / self.rate_hz)
            if low is not None:
                self.low[number].append(low)
            level_db, piece_s = background.upper_db(frames, hop / self.rate_hz)
            self.upper_db[number].append((here, piece_s, level_db))
        # Differences: a common offset or hum makes no two channels alike.
        lag = round(LAG_S * self.rate_hz)
        thinned = np.stack([samples[begin + lag :: 7] - samples[begin:-lag:7] for samples in heard])
        self.product += thinned @ thinned.T

    def _see_silences(self, number: int, here: int, own: np.ndarray) -> None:
        """Keep where a channel falls silent all at once."""
        silences = _silences(own, self.rate_hz)
        if len(silences) > MOST_SILENCES:
            return
        for begin, end in silences:
            before = own[max(begin - round(ROUNDED_S * self.rate_hz), 0) : begin] - own[begin]
            if begin > 0 and _falls(before):
                self.silence[number].append((here + begin, here + end))
            elif begin == 0 and self.silence[number] and self.silence[number][-1][1] == here:
                self.silence[number][-1] = (self.silence[number][-1][0], here + end)  # it goes on

    def upper(self, number: int) -> np.ndarray:
        """Return the level of a channel's upper bands (dB) every `ground.PIECE_S`, from the first sample seen."""
        if number not in self.uppers:
            self.uppers[number] = self._upper(number)
        return self.uppers[number]

    def _upper(self, number: int) -> np.ndarray:
        at_s, levels_db = [], []
        for start, piece_s, level_db in self.upper_db[number]:
            at_s.append((start - self.start) / self.rate_hz + (np.arange(len(level_db)) + 0.5) * piece_s)
            levels_db.append(level_db)
        if not at_s:
            return np.zeros(0)
        at_s, level_db = np.concatenate(at_s), np.concatenate(levels_db)
        if not len(at_s):
            return np.zeros(0)
        grid_s = np.arange(background.PIECE_S / 2, at_s[-1] + background.PIECE_S / 2, background.PIECE_S)
        return level_db[np.clip(np.searchsorted(at_s, grid_s - background.PIECE_S / 2), 0, len(at_s) - 1)]

    def silence_db(self, number: int) -> float:
        """Return the level of a channel's upper bands where nothing sounds; 0 where nobody can tell.

        Samples of 16 bit hide the noise of a good cable. But clicks that came by cable differ in a bit here and there.
        """
        shapes = self.shapes[number]
        if self.finest[number] > COARSE and sum(n for n in shapes.values() if n > 1) < EXACT * shapes.total():
            return 0.0
        return float(np.median(self.upper(number))) if len(self.upper(number)) else 0.0

    def floor(self, number: int) -> np.ndarray:
        """Return `gain.floor_db` of a channel, worked out once all is seen."""
        if number not in self.floors:
            self.floors[number] = gain_step.floor_db(self.upper(number))
        return self.floors[number]


def faults(watch: Watch, hits: np.ndarray, lengths: tuple[int, ...]) -> list[str]:
    """Return one sentence 'name: finding; cure' for each fault; what many channels share is one.

    Parameters
    ----------
    hits : (n_hits,) structured array
        `channel` (number among the heard channels), `at` (sample), `level_db`, `bands` (power), in the order of time.
    lengths : tuple of int
        Samples of each heard channel's own file.
    """
    findings = []
    for number in range(len(watch.channels)):
        dead = _dead(watch, number, hits)
        checks = () if dead else (_clipped, _hum, _rumble, _gated, _gain_touched, _pumping)
        findings += filter(None, [dead, *(check(watch, number, hits) for check in checks)])
    found = sentences(findings) + _same(watch) + _thin(watch, hits) + _lengths(watch, lengths)
    silence_db = [watch.silence_db(number) for number in range(len(watch.channels))]
    return found + click.faults(watch.channels, watch.rate_hz, hits, silence_db)


def _silences(samples: np.ndarray, rate_hz: int) -> list[tuple[int, int]]:
    """Return first and last sample of stretches of GATE_S or more in which no sample differs from the next."""
    shortest = round(GATE_S * rate_hz)
    probes = samples[:: max(1, shortest // 2)]
    if not (probes[:-1] == probes[1:]).any():
        return []
    changes = np.flatnonzero(samples[1:] != samples[:-1])
    edges = np.concatenate([[-1], changes, [len(samples) - 1]])
    gap = np.flatnonzero(np.diff(edges) >= shortest)
    return [(int(edges[at]) + 1, int(edges[at + 1]) + 1) for at in gap]


def _shapes(own: np.ndarray, rate_hz: int) -> list[int]:
    """Return a hash of the samples of each loud sound, without a common offset."""
    size = np.abs(own)
    loud = np.flatnonzero(size > size.max(initial=0.0) / 2)
    begin = loud[np.diff(loud, prepend=-rate_hz) > CLICK_S[0] * rate_hz]
    steps = np.round(np.diff(own) / COARSE).astype(np.int32)
    length = round(CLICK_S[1] * rate_hz)
    return [hash(steps[at : at + length].tobytes()) for at in begin if at + length <= len(steps)]


def _falls(before: np.ndarray) -> bool:
    """Tell whether sound falls silent from above what the finest step of its samples hides."""
    step = np.abs(np.diff(before, append=0.0))
    return bool(np.abs(before).max(initial=0.0) > ROUNDED * step[step > 0].min(initial=np.inf))


def _dead(watch: Watch, number: int, hits: np.ndarray) -> Finding | None:
    """Find a channel without sound, or one that nobody's strikes reach, its own or a neighbour's."""
    if watch.peak[number] < DEAD_PEAK:
        return Finding("silent", watch.channels[number])
    if any(number in pair for pair in _twins(watch)):
        return None  # each is taken for the other's leak
    mine = hits["channel"] == number
    # A turn mark comes once a turn: a few of them among hundreds of strikes are all there are.
    strays = 1 if watch.channels[number].hears in MARKS else STRAY * len(hits)
    if mine.sum() > strays or _struck(watch, hits).sum() < FEW_HITS or _hears_others(watch, number, hits):
        return None
    if _pumping(watch, number, hits):  # what a neighbour's strikes turn down hears them
        return None
    # Low drums sound where levels are not followed, and may have been taken for leaks.
    if np.median(np.square(watch.block_peak[number])) > STRIKING * _steady(watch, number) > 0:
        return None
    # Its strikes may have been taken for leaks, as where its gain was touched while two others hold one sound.
    level_db = watch.upper(number)
    if len(level_db) and np.quantile(level_db, HEARS_AT) - np.median(level_db) > HEARS_DB:
        return None
    return Finding("unstruck", watch.channels[number])


def _hears_others(watch: Watch, number: int, hits: np.ndarray) -> bool:
    if watch.channels[number].hears in MARKS:
        return False
    level_db = watch.upper(number)
    piece = ((hits["at"][_struck(watch, hits)] - watch.start) / watch.rate_hz / background.PIECE_S).astype(int)
    piece = piece[(piece >= 3) & (piece + 3 < len(level_db))]
    if not len(piece):
        return False
    after = np.max([level_db[piece + k] for k in (0, 1, 2)], axis=0).astype(float)
    before = np.max([level_db[piece - k] for k in (1, 2, 3)], axis=0).astype(float)
    rise_db = np.mean(after - before)
    rise_se_db = np.std(after - before) / np.sqrt(len(piece))
    return bool(rise_db > HEARD_DB[0] or (rise_db > HEARD_DB[1] and rise_db > SURELY * rise_se_db))


def _struck(watch: Watch, hits: np.ndarray) -> np.ndarray:
    """Return which hits are strikes, no turn marks and no clicks."""
    return np.array([channel.hears not in MARKS for channel in watch.channels])[hits["channel"].astype(int)]


def _clipped(watch: Watch, number: int, hits: np.ndarray) -> Finding | None:
    mine = hits[hits["channel"] == number]
    alike = watch.channels[number].hears in MARKS or click.is_metronome(mine["at"]) or _equally_strong(mine)
    clipped = clipping.clipping(watch.tops[number], watch.peak[number], watch.rate_hz, alike)
    if clipped is not None and not alike and _pumping(watch, number, hits):  # a limiter makes strikes equally high, too
        clipped = clipping.clipping(watch.tops[number], watch.peak[number], watch.rate_hz, True)
    if clipped is None or watch.peak[number] ** 2 < CREST * _steady(watch, number):
        return None
    return Finding("clipped", watch.channels[number], (max(clipped.over_db, 0.1), clipped.n_strikes))


def _steady(watch: Watch, number: int) -> float:
    """Return the power at the quietest moments of a channel's middle block; 0 of a short recording."""
    return float(np.median([low.quietest for low in watch.low[number]] or [0.0]))


def _equally_strong(mine: np.ndarray) -> bool:
    """Tell whether strikes are so alike that nothing but their evenness need make them equally high."""
    power_db = 10 * np.log10(mine["bands"].sum(axis=1) + 1e-15)
    enough = len(mine) >= clipping.LEAST_STRIKES
    return bool(enough and np.subtract(*np.quantile(power_db, (0.75, 0.25))) < EQUAL_DB)


def _low(watch: Watch, number: int) -> tuple[float, float, float]:
    """Return hum, rumble and the other noise of a channel's quieter blocks (power)."""
    if not watch.low[number]:
        return 0.0, 0.0, 1.0
    blocks = np.array([(low.hum, low.rumble, low.quietest, low.above) for low in watch.low[number]])
    hum = np.quantile(blocks[:, 0], HUMMING_BLOCKS)
    rumble, quietest, above = np.quantile(blocks[:, 1:], QUIETER_BLOCKS, axis=0)
    # What is not there at the quietest moments is no hum, but struck bodies of that pitch.
    hum = min(hum, _keeps_on(watch.low[number])) if hum < STEADY * quietest else 0.0
    rumble = min(rumble, _rumbles_on(watch.low[number]))
    # A small difference of large powers tells little of what is left; above the hum it is heard for itself.
    return hum, rumble, max(quietest - hum - rumble, above, 0.1 * quietest, 1e-12)


def _keeps_on(blocks: list[background.Low]) -> float:
    """Return the power that stays the same at the mains' harmonics, as hum does under the strikes; 0 if none does."""
    humming = np.concatenate([block.humming for block in blocks])
    if not len(humming):
        return 0.0
    low, high = np.quantile(humming, STEADY_AMONG)
    return float(high) if high < low * 10 ** (STEADY_DB / 10) else 0.0


def _rumbles_on(blocks: list[background.Low]) -> float:
    """Return the most that rumble can be: it never stays far below its middle power, as low drums do once they died."""
    least, low, middle = np.quantile(np.concatenate([block.rumbling for block in blocks]), RUMBLE_AMONG)
    return float(middle if middle < low * 10 ** (RUMBLE_DB[0] / 10) else least * 10 ** (RUMBLE_DB[1] / 10))


def _hum(watch: Watch, number: int, hits: np.ndarray) -> Finding | None:
    hum, _, noise = _low(watch, number)
    if hum < HUM_TO_NOISE * noise or hum < AUDIBLE_POWER:
        return None
    return Finding("hum", watch.channels[number], (10 * np.log10(hum), 10 * np.log10(hum / noise)))


def _rumble(watch: Watch, number: int, hits: np.ndarray) -> Finding | None:
    _, rumble, noise = _low(watch, number)
    if rumble < RUMBLE_TO_NOISE * noise or rumble < AUDIBLE_POWER:
        return None
    return Finding("rumble", watch.channels[number], (10 * np.log10(rumble), 10 * np.log10(rumble / noise)))


def _gated(watch: Watch, number: int, hits: np.ndarray) -> Finding | None:
    struck = hits["at"][_struck(watch, hits)]  # whoever's: a gate may let nothing of its own striker through
    if len(struck) < 2 or watch.channels[number].hears == ("click",):
        return None
    begin, end = struck.min(), struck.max()
    inside = [(max(a, begin), min(b, end)) for a, b in watch.silence[number] if b > begin and a < end]
    share = sum(b - a for a, b in inside) / max(end - begin, 1)
    if share < GATED_SHARE or len(inside) < GATED_RUNS:
        return None
    return Finding("gate", watch.channels[number], (share,))


def _gain_touched(watch: Watch, number: int, hits: np.ndarray) -> Finding | None:
    mine, struck = hits[hits["channel"] == number], hits[_struck(watch, hits)]
    others = [k for k, channel in enumerate(watch.channels) if k != number and channel.hears not in MARKS]
    mine_s, all_s = ((these["at"] - watch.start) / watch.rate_hz for these in (mine, struck))
    step = gain_step.step(watch.floor(number), [watch.floor(k) for k in others], mine_s, mine["level_db"], all_s)
    if step is None:
        return None
    return Finding("gain", watch.channels[number], (step.step_db, step.time_s + watch.start / watch.rate_hz))


def _pumping(watch: Watch, number: int, hits: np.ndarray) -> Finding | None:
    if watch.channels[number].hears in MARKS:
        return None
    mine, at_s = hits["channel"] == number, (hits["at"] - watch.start) / watch.rate_hz
    all_s = np.sort(at_s[_struck(watch, hits)])
    turned_db = gain_step.pumping_db(watch.upper(number), all_s, at_s[mine], hits["level_db"][mine])
    return None if turned_db is None else Finding("limiter", watch.channels[number], (turned_db,))


def _twins(watch: Watch) -> list[tuple[int, int]]:
    """Return pairs of channels that hold the same sound."""
    power = np.sqrt(np.diag(watch.product)) + 1e-9
    alike = np.abs(watch.product / np.outer(power, power)) > SAME_CORRELATION
    sounds = watch.peak > DEAD_PEAK
    return [(a, b) for b in range(len(power)) for a in range(b) if alike[a, b] and sounds[a] and sounds[b]]


def _same(watch: Watch) -> list[str]:
    groups = []
    for pair in map(set, _twins(watch)):
        groups = [pair.union(*(one for one in groups if one & pair)), *(one for one in groups if not one & pair)]
    return [
        f"identical: channels {numbers([watch.channels[one].channel for one in group])} hold the same sound; "
        "check the routing of the interface"
        for group in sorted(groups, key=min)
    ]


def _thin(watch: Watch, hits: np.ndarray) -> list[str]:
    """Find strikers' microphones behind a high pass, by their noise or by their strikes.

    All noise of a microphone is as strong low as high, or stronger; behind a high pass it grows with frequency. Where a
    preamplifier's own noise hides that, strikes tell it: below what a body sounds, a strike has the same level
    everywhere, and so have bright bodies. Drums, which sound down there, tell nothing, nor do microphones that have
    some rumble or bodies that never stop ringing.
    """
    microphones, rises_db, slopes_db = [], [], []
    again = {b for _, b in _twins(watch)}
    for number, channel in enumerate(watch.channels):
        if channel.hears in MARKS or not watch.low[number] or number in again:
            continue
        noise = _noise(watch.low[number])
        density_db = 10 * np.log10(noise / watch.bins + 1e-15)
        if density_db[HIGHS].min() < UNHEARD_DB:
            continue
        microphones.append(channel.channel)
        # Bodies that still ring make some bands louder: the quietest tell.
        rises_db.append(density_db[HIGHS].min() - density_db[LOWS].min())
        slope_db = _skirt_slope_db(hits[hits["channel"] == number], noise)
        if slope_db is not None and np.ptp(density_db[: LOWS.stop]) < LEVEL_DB:
            slopes_db.append(slope_db)
    blue_db = [one for one in rises_db if one > BLUE_DB]
    if len(blue_db) >= max(2, len(microphones) / 2):
        shown = f"their noise is {np.median(blue_db):.0f} dB weaker below 2 kHz than above 5 kHz"
    elif len(microphones) >= 2 and slopes_db and min(slopes_db) >= SLOPE_DB:
        shown = f"their strikes fall by {min(slopes_db):.0f} dB from 400 to 200 Hz"
    else:
        return []
    return [
        f"thin: the microphones of channels {numbers(microphones)} lose their lows ({shown}), as contact "
        "microphones do in low-impedance inputs; use inputs of 1 MΩ or a preamplifier for contact microphones"
    ]


def _noise(blocks: list[background.Low]) -> np.ndarray:
    """Return the power of the bands in the quieter blocks, where the least sounds on."""
    bands = np.array([block.bands for block in blocks])
    total = bands.sum(axis=1)
    return np.median(bands[total <= np.quantile(total, QUIETER_BLOCKS)], axis=0)


def _skirt_slope_db(mine: np.ndarray, noise: np.ndarray) -> float | None:
    """Return the slope of the strikes from the lowest band to the next where a body sounds far above them."""
    if len(mine) < FEW_HITS:
        return None
    loud = mine["level_db"] >= np.quantile(mine["level_db"], LOUD)  # the others may be what leaks in
    power = np.median(mine["bands"][loud], axis=0)
    level_db = 10 * np.log10(np.maximum(power - noise, 0.1 * noise) + 1e-15)
    skirt = level_db[:3].max() - level_db.max() < SKIRT_DB and (power[:2] > HEARD_TO_NOISE * noise[:2]).all()
    return float(level_db[1] - level_db[0]) if skirt else None


def _lengths(watch: Watch, lengths: tuple[int, ...]) -> list[str]:
    short = min(lengths, default=0)
    if max(lengths, default=0) - short < watch.rate_hz:
        return []
    number = lengths.index(short)
    return [
        f"short track: channel {watch.channels[number].channel} ends {(max(lengths) - short) / watch.rate_hz:.1f} s "
        "before the longest; export all tracks over the whole take"
    ]
