"""Judge what `watch` has collected, with the hits: which faults a recording has.

In: `Watch` after the last block, and the hits. Out: one sentence 'name: finding; cure' a fault. A check of one channel
is a function (watch, number, hits) -> Finding or None in CHECKS; `wording` makes the sentences. Checks that compare
channels, or need the click, write their own sentences.
"""

import numpy as np

from pipeline.hits.health import background, click, clipping, gain_step, gate, high_pass, limiter
from pipeline.hits.health.watch import MARKS, Watch
from pipeline.hits.health.wording import Finding, numbers, sentences

DEAD_PEAK = 10 ** (-70 / 20)  # measured: a channel whose largest sample is smaller holds no sound
LEAST_STRIKES = 8  # chosen: of all channels, before one without any is called dead
STRAY_SHARE = 0.02  # measured: of all hits; so many does noise alone look like
# Measured: by which a working microphone's level rises at its neighbours' strikes; the smaller rise has to be so many
# standard errors, too.
LEAKAGE_RISE_DB, SMALL_LEAKAGE_RISE_DB, SMALL_RISE_TO_SE = 1.0, 0.25, 4.0
AROUND_STRIKE = 3  # chosen: pieces of `background.LEVEL_PIECE_S` before a strike, and from it on, that are compared
# Measured: this quantile of a channel's levels lies so far above their median where it hears anything; noise varies by
# 1 dB.
HEARS_AT, HEARS_DB = 0.99, 3.0
# Squared crest factor: peak² over the power at quiet moments. Measured: of a channel that holds strikes, in the median
# block; noise of 5 s has some 25.
STRUCK_CREST = 300.0
CLIPPED_CREST = 12.0  # measured: least of a clipped channel; a steady tone has equally high peaks, too, and 2
EQUAL_STRENGTH_DB = 0.3  # measured: between the quartiles of strikes' power; clipped strikes keep 0.7 or more
HUM_TO_NOISE, RUMBLE_TO_NOISE = 1.0, 0.5  # power over that of the other noise; chosen: where it adds 3, and 2 dB
AUDIBLE_POWER = 10 ** (-73 / 10)  # chosen: fainter hum and rumble disturb nothing
SAME_CORRELATION = 0.97  # measured: leakage reaches 0.6
SHORT_TRACK_S = 1.0  # chosen: a shorter difference loses no music


def faults(watch: Watch, hits: np.ndarray, lengths: tuple[int, ...]) -> list[str]:
    """Return one sentence 'name: finding; cure' for each fault; channels that share one are named together.

    Parameters
    ----------
    watch : Watch
        After the last block.
    hits : (n_hits,) structured array
        Likely hits: `channel` (place among the channels that are heard), `at` (sample of the file), `level_db`,
        `bands` (power).
    lengths : tuple of int
        Samples of each channel's track.
    """
    identical = _identical_pairs(watch)
    paired = {number for pair in identical for number in pair}
    findings = []
    for number in range(len(watch.channels)):
        # Of two that hold the same sound each is taken for the other's leakage: neither can be called unstruck.
        dead = _silent(watch, number) or (None if number in paired else _unstruck(watch, number, hits))
        findings += [dead] if dead else filter(None, [check(watch, number, hits) for check in CHECKS])
    found = sentences(findings) + _identical(watch, identical)
    found += high_pass.sentences(watch, hits, {second for _, second in identical}) + _short_track(watch, lengths)
    silence_db = [watch.silence_db(number) for number in range(len(watch.channels))]
    return found + click.faults(watch.channels, watch.rate_hz, hits, silence_db)


def _silent(watch: Watch, number: int) -> Finding | None:
    """Find a channel without sound."""
    return Finding("silent", watch.channels[number]) if watch.peak[number] < DEAD_PEAK else None


def _unstruck(watch: Watch, number: int, hits: np.ndarray) -> Finding | None:
    """Find a channel that no strike reaches, neither its own striker's nor a neighbour's."""
    mine = hits["channel"] == number
    # A turn mark comes once a turn: a few of them among hundreds of strikes are all there are.
    strays = 1 if watch.channels[number].hears in MARKS else STRAY_SHARE * len(hits)
    if mine.sum() > strays or watch.is_strike(hits).sum() < LEAST_STRIKES or _hears_leakage(watch, number, hits):
        return None
    if _limited(watch, number, hits):  # a channel that a neighbour's strikes turn down hears them
        return None
    # Low drums sound below the bands whose level is followed, and may have been taken for leakage.
    if np.median(np.square(watch.block_peak[number])) > STRUCK_CREST * watch.quietest_power(number) > 0:
        return None
    # Its strikes may have been taken for leakage, as where its gain was touched while two others hold one sound.
    level_db = watch.level_db(number)
    if len(level_db) and np.quantile(level_db, HEARS_AT) - np.median(level_db) > HEARS_DB:
        return None
    return Finding("unstruck", watch.channels[number])


def _hears_leakage(watch: Watch, number: int, hits: np.ndarray) -> bool:
    """Tell whether a channel's level rises at the strikes of any channel."""
    if watch.channels[number].hears in MARKS:
        return False
    level_db = watch.level_db(number)
    piece = (watch.since_start_s(hits[watch.is_strike(hits)]) / background.LEVEL_PIECE_S).astype(int)
    piece = piece[(piece >= AROUND_STRIKE) & (piece + AROUND_STRIKE < len(level_db))]
    if not len(piece):
        return False
    after = np.max([level_db[piece + k] for k in range(AROUND_STRIKE)], axis=0).astype(float)
    before = np.max([level_db[piece - k] for k in range(1, AROUND_STRIKE + 1)], axis=0).astype(float)
    rise_db = np.mean(after - before)
    rise_se_db = np.std(after - before) / np.sqrt(len(piece))
    return bool(
        rise_db > LEAKAGE_RISE_DB or (rise_db > SMALL_LEAKAGE_RISE_DB and rise_db > SMALL_RISE_TO_SE * rise_se_db)
    )


def _clipped(watch: Watch, number: int, hits: np.ndarray) -> Finding | None:
    mine = hits[hits["channel"] == number]
    # Where strikes are alike, or a limiter is at work, peaks are equally high without being clipped.
    alike = watch.channels[number].hears in MARKS or click.is_metronome(mine["at"]) or _equally_strong(mine)
    peaks, highest = watch.wave_peaks[number], watch.peak[number]
    clipped = clipping.find(peaks, highest, watch.rate_hz, alike)
    if clipped is not None and not alike and _limited(watch, number, hits):
        clipped = clipping.find(peaks, highest, watch.rate_hz, True)
    if clipped is None or highest**2 < CLIPPED_CREST * watch.quietest_power(number):
        return None
    return Finding("clipped", watch.channels[number], (max(clipped.over_db, 0.1), clipped.n_strikes))


def _equally_strong(mine: np.ndarray) -> bool:
    """Tell whether strikes have so much the same power that their peaks are equally high."""
    power_db = 10 * np.log10(mine["bands"].sum(axis=1) + 1e-15)
    enough = len(mine) >= clipping.LEAST_STRIKES
    return bool(enough and np.subtract(*np.quantile(power_db, (0.75, 0.25))) < EQUAL_STRENGTH_DB)


def _hum(watch: Watch, number: int, hits: np.ndarray) -> Finding | None:
    hum, _, noise = background.hum_rumble_noise(watch.background[number])
    if hum < HUM_TO_NOISE * noise or hum < AUDIBLE_POWER:
        return None
    return Finding("hum", watch.channels[number], (10 * np.log10(hum), 10 * np.log10(hum / noise)))


def _rumble(watch: Watch, number: int, hits: np.ndarray) -> Finding | None:
    _, rumble, noise = background.hum_rumble_noise(watch.background[number])
    if rumble < RUMBLE_TO_NOISE * noise or rumble < AUDIBLE_POWER:
        return None
    return Finding("rumble", watch.channels[number], (10 * np.log10(rumble), 10 * np.log10(rumble / noise)))


def _gated(watch: Watch, number: int, hits: np.ndarray) -> Finding | None:
    at = hits["at"][watch.is_strike(hits)]  # of all channels: a gate may let none of its own striker's through
    if len(at) < 2 or watch.channels[number].hears == ("click",):
        return None
    share = gate.silent_share(watch.silences[number], at.min(), at.max())
    return None if share is None else Finding("gate", watch.channels[number], (share,))


def _gain_touched(watch: Watch, number: int, hits: np.ndarray) -> Finding | None:
    mine, all_strikes = hits[hits["channel"] == number], hits[watch.is_strike(hits)]
    others = [k for k, channel in enumerate(watch.channels) if k != number and channel.hears not in MARKS]
    step = gain_step.find(
        watch.noise_floor_db(number),
        [watch.noise_floor_db(k) for k in others],
        watch.since_start_s(mine),
        mine["level_db"],
        watch.since_start_s(all_strikes),
    )
    if step is None:
        return None
    return Finding("gain", watch.channels[number], (step.step_db, step.time_s + watch.start / watch.rate_hz))


def _limited(watch: Watch, number: int, hits: np.ndarray) -> Finding | None:
    if watch.channels[number].hears in MARKS:
        return None
    mine, at_s = hits["channel"] == number, watch.since_start_s(hits)
    all_s = np.sort(at_s[watch.is_strike(hits)])
    reduction_db = limiter.gain_reduction_db(watch.level_db(number), all_s, at_s[mine], hits["level_db"][mine])
    return None if reduction_db is None else Finding("limiter", watch.channels[number], (reduction_db,))


CHECKS = (_clipped, _hum, _rumble, _gated, _gain_touched, _limited)  # of each channel that is not dead


def _identical_pairs(watch: Watch) -> list[tuple[int, int]]:
    """Return pairs of channels that hold the same sound, the lower place first."""
    size = np.sqrt(np.diag(watch.product)) + 1e-9
    alike = np.abs(watch.product / np.outer(size, size)) > SAME_CORRELATION
    sounds = watch.peak > DEAD_PEAK
    return [(a, b) for b in range(len(size)) for a in range(b) if alike[a, b] and sounds[a] and sounds[b]]


def _identical(watch: Watch, pairs: list[tuple[int, int]]) -> list[str]:
    """Return a sentence for each group of channels that hold the same sound."""
    groups = []
    for pair in map(set, pairs):
        groups = [pair.union(*(one for one in groups if one & pair)), *(one for one in groups if not one & pair)]
    return [
        f"identical: channels {numbers([watch.channels[one].channel for one in group])} hold the same sound; "
        "check the routing of the interface"
        for group in sorted(groups, key=min)
    ]


def _short_track(watch: Watch, lengths: tuple[int, ...]) -> list[str]:
    short = min(lengths, default=0)
    if max(lengths, default=0) - short < SHORT_TRACK_S * watch.rate_hz:
        return []
    number = lengths.index(short)
    return [
        f"short track: channel {watch.channels[number].channel} ends {(max(lengths) - short) / watch.rate_hz:.1f} s "
        "before the longest; export all tracks over the whole take"
    ]
