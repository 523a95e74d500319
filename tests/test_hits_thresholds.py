"""Faults of a recording at their thresholds: just above each it is said, just below it is not.

Cheap signals at 8 kHz, or what `watch.Watch` has measured of each block; no whole recordings. How often on sound and
spoilt recordings: tests/benchmarks/hits_health.py.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from pipeline.hits.health import background, click, faults
from pipeline.hits.health.watch import Watch
from pipeline.hits.signal import flux
from pipeline.settings import Channel
from pipeline.tables import N_BANDS

RATE_HZ = 8000
BLOCK = 5 * RATE_HZ
HITS = [("channel", "f8"), ("at", "f8"), ("level_db", "f8"), ("bands", "f4", (N_BANDS,))]


def make_noise(seed, duration_s=20.0, power=1e-6):
    return np.random.default_rng(seed).normal(size=round(duration_s * RATE_HZ)) * np.sqrt(power)


def make_sine(hz, power, n):
    return np.sqrt(2 * power) * np.sin(2 * np.pi * hz * np.arange(n) / RATE_HZ)


def make_hits(times_s, channel=0, level_db=-12.0, bands=0.0):
    """Return hits at some seconds, all alike."""
    made = np.zeros(len(times_s), HITS)
    made["at"] = np.array(times_s) * RATE_HZ
    made["channel"], made["level_db"], made["bands"] = channel, level_db, bands
    return made


def put(*parts):
    joined = np.concatenate(parts)
    return joined[np.argsort(joined["at"], kind="stable")]


def watch_of(*samples, hears=(("oak",), ("slate",), ("cup",)), mains_hz=50.0, first=0):
    """Return what is seen of channels, block by block, as `listen` shows them."""
    channels = tuple(Channel(k, what) for k, what in enumerate(hears[: len(samples)], 1))
    watch, frames = Watch(channels, RATE_HZ, mains_hz), flux.frames(RATE_HZ)
    for begin in range(0, len(samples[0]), BLOCK):
        block = [np.float32(one[begin : begin + BLOCK]) for one in samples]
        watch.see(first + begin, 0, block, [flux.band_power(one, frames) for one in block], frames.hop)
    return watch


def said(watch, hits=None, lengths=()):
    return faults.faults(watch, make_hits([]) if hits is None else hits, lengths)


def names(watch, hits=None, lengths=()):
    return [sentence.split(":")[0] for sentence in said(watch, hits, lengths)]


LOW = background.Background(
    hum=0.0,
    rumble=0.0,
    quietest=1e-6,
    above=1e-7,
    hum_pieces=np.full(101, 1e-7),
    rumble_pieces=np.full(101, 1e-9),
    bands=np.full(N_BANDS, 1e-8),
)


def with_low(*blocks, channel_db=-40.0):
    """Return the watch of one channel with these measures of its blocks."""
    watch = watch_of(np.zeros(8))
    watch.peak[:] = 10 ** (channel_db / 20)
    watch.background = [list(blocks)]
    return watch


# --- hum and rumble --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("power", "told"), [(1.4e-6, True), (0.75e-6, False)])
def test_hum_is_said_once_it_is_louder_than_the_noise(power, told):
    samples = make_noise(1) + make_sine(50, power / 2, 160_000) + make_sine(150, power / 2, 160_000)
    assert names(watch_of(samples)) == ["hum"] * told
    assert names(watch_of(samples, mains_hz=None)) == []  # nobody asked
    assert names(watch_of(samples, mains_hz=60.0)) == []  # no harmonic of it is there


@pytest.mark.parametrize(("power", "told"), [(0.8e-6, True), (0.3e-6, False)])
def test_rumble_is_said_once_it_has_half_of_the_power_of_the_noise(power, told):
    assert names(watch_of(make_noise(2) + make_sine(17, power, 160_000))) == ["rumble"] * told


HUM = replace(LOW, hum=1e-5, quietest=1.2e-5, above=1e-6, hum_pieces=np.full(101, 1e-5))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({}, "carries -50 dB of mains hum, 7 dB above the other noise;"),  # 1e-5 over 2e-6
        ({"quietest": 1.05e-5}, "-50 dB of mains hum, 10 dB above"),  # a tenth of all there is, at least
        ({"above": 9e-6}, "-50 dB of mains hum, about as loud as"),
        ({"above": 1.1e-5}, None),
        ({"quietest": 1.95e-5}, "about as loud as"),
        ({"quietest": 2.05e-5}, None),
        ({"quietest": 2.05e-5, "rumble": 2e-6, "rumble_pieces": np.full(101, 2e-6)}, "about as loud as"),
        ({"quietest": 6.5e-6, "above": 1e-7}, "12 dB above"),
        ({"quietest": 6.0e-6}, None),  # hum that is not there at the quietest moments
        ({"hum": 10**-7.2, "quietest": 1e-7, "above": 1e-9}, "-72 dB of mains hum"),
        ({"hum": 10**-7.4, "quietest": 1e-7, "above": 1e-9}, None),  # nobody hears it
    ],
)
def test_hum_is_held_against_all_that_is_there_at_the_quietest_moments(change, says):
    found = said(with_low(*[replace(HUM, **change)] * 5))
    assert len(found) == (says is not None) and (says is None or says in found[0])


@pytest.mark.parametrize(
    ("n_quiet", "quieter_db", "told_db"),
    [(3, 20.0, -50), (5, 1.3, -50), (5, 1.7, None), (10, 1.7, None), (14, 1.7, -52), (4, 0.0, -50)],
)
def test_a_ringing_body_falls_between_strikes_and_hum_does_not(n_quiet, quieter_db, told_db):
    humming = np.full(101, 1e-5)
    humming[50 : 50 + n_quiet] *= 10 ** (-quieter_db / 10)
    found = said(with_low(*[replace(HUM, hum_pieces=humming)] * 5))
    assert [told_db] == [int(one.split(" carries ")[1].split(" dB")[0]) for one in found] or (told_db, found) == (
        None,
        [],
    )


@pytest.mark.parametrize(("n_humming", "told"), [(4, True), (3, False), (11, True)])
def test_in_some_blocks_strikes_may_hide_the_hum(n_humming, told):
    blocks = [HUM] * n_humming + [replace(HUM, hum=0.0)] * (11 - n_humming)
    assert names(with_low(*blocks)) == ["hum"] * told


RUMBLE = replace(LOW, rumble=1e-5, quietest=2e-5, above=1e-6, rumble_pieces=np.full(101, 1e-5))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({}, "rumble: channel 1 (oak) carries -50 dB below 30 Hz, about as loud as the other noise;"),
        ({"above": 1.9e-5}, "about as loud"),
        ({"above": 2.1e-5}, None),
        ({"quietest": 1.3e-5}, "5 dB above the other noise;"),  # beside the rest, or a tenth of all
        ({"quietest": 1.01e-5, "above": 0.0}, "10 dB above"),
        ({"rumble": 10**-7.2, "quietest": 1e-7, "above": 0.0}, "-72 dB below"),
        ({"rumble": 10**-7.4, "quietest": 4.2e-8, "above": 0.0}, None),
    ],
)
def test_rumble_is_held_against_the_noise(change, says):
    found = said(with_low(*[replace(RUMBLE, **change)] * 5))
    assert len(found) == (says is not None) and (says is None or says in found[0])


@pytest.mark.parametrize(("n_rumbling", "told"), [(16, True), (13, False)])
def test_rumble_has_to_be_there_in_the_quieter_blocks(n_rumbling, told):
    blocks = [RUMBLE] * n_rumbling + [replace(RUMBLE, rumble=0.0)] * (21 - n_rumbling)
    assert names(with_low(*blocks)) == ["rumble"] * told


@pytest.mark.parametrize(("middle", "told_db"), [(4.3e-6, -54), (4.7e-6, -60)])
def test_low_drums_die_away_and_rumble_does_not(middle, told_db):
    # Of 101 moments those of 3, 12 and 50 % are held against one another; 6.5 dB or more from the second to the third
    # are drums, and what lies 4 dB above the first is all that rumble may be.
    rumbling = np.repeat([1e-12, 4e-7, 9e-7, 1e-6, 1.2e-6, middle, 1e-3], [3, 1, 8, 1, 37, 50, 1])
    rumbling = np.random.default_rng(3).permutation(rumbling)
    (found,) = said(with_low(*[replace(RUMBLE, quietest=1e-6, above=0.0, rumble_pieces=rumbling)] * 5))
    assert f"carries {told_db} dB below" in found


# --- dead ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("peak_db", "told"), [(-69.0, False), (-71.0, True)])
def test_a_channel_without_sound_is_dead(peak_db, told):
    watch = watch_of(make_sine(1000, 10 ** (peak_db / 10) / 2, 40_000))
    assert [one for one in said(watch) if one.startswith("dead: channel 1 (oak) holds no sound;")] == said(watch)
    assert len(said(watch)) == told


@cache
def in_noise(hears):
    return watch_of(make_noise(4), make_noise(5), hears=hears)


def two_of_which(hits, hears=(("oak",), ("slate",)), level_db=None):
    """Return what is said of two microphones in noise, of which the levels of the second are given."""
    watch = in_noise(hears)
    watch.levels_db = {0: np.full(1000, -60.0), 1: np.full(1000, -60.0) if level_db is None else level_db}
    return [one.split(" (")[0] for one in said(watch, hits)]


UNSTRUCK = ["dead: channel 2"]
TIMES_S = np.linspace(1, 19, 100)


@pytest.mark.parametrize(("n_hits", "told"), [(8, True), (7, False)])
def test_where_others_are_struck_a_microphone_without_strikes_is_dead(n_hits, told):
    assert two_of_which(make_hits(TIMES_S[:n_hits])) == UNSTRUCK * told
    marks = (("oak",), ("index",))
    assert two_of_which(make_hits(TIMES_S[:n_hits]), marks) == UNSTRUCK * told
    assert two_of_which(make_hits(TIMES_S[:n_hits]), (("click",), ("slate",))) == []  # clicks are no strikes


@pytest.mark.parametrize(("n_strays", "told"), [(2, True), (3, False)])
def test_a_few_strays_do_not_make_it_alive(n_strays, told):
    hits = put(make_hits(TIMES_S[: 100 - n_strays]), make_hits(TIMES_S[100 - n_strays :], 1))
    assert two_of_which(hits) == UNSTRUCK * told
    one = put(make_hits(TIMES_S[: 101 - n_strays]), make_hits(TIMES_S[101 - n_strays :], 1))
    assert two_of_which(one, (("oak",), ("index",))) == UNSTRUCK * told  # of turn marks two are all there may be


def test_a_turn_mark_is_dead_whatever_it_hears_of_others():
    risen = np.where(np.isin(np.arange(1000), (TIMES_S / 0.02).astype(int)), -57.5, -60.0)
    assert two_of_which(make_hits(TIMES_S), level_db=risen) == []
    assert two_of_which(make_hits(TIMES_S), (("oak",), ("index",)), risen) == UNSTRUCK


@pytest.mark.parametrize(
    ("risen_db", "scatter_db", "told"),
    [(1.2, 0.0, False), (0.3, 0.0, False), (0.2, 0.0, True), (0.8, 1.5, True), (0.8, 1.0, False), (1.2, 1.5, False)],
)
def test_a_microphone_that_hears_its_neighbours_is_alive(risen_db, scatter_db, told):
    # By 1 dB in any case, by 0.25 dB where that is four standard errors: 1.5 dB of scatter over 40 strikes are 0.24 dB.
    rise_db, level_db = risen_db + np.tile([1.0, -1.0], 20) * scatter_db, np.full(1000, -60.0)
    piece = (TIMES_S[::2][:40] / 0.02).astype(int)
    level_db[piece + 2] += np.maximum(rise_db, 0)
    level_db[piece - 3] += np.maximum(-rise_db, 0)
    assert two_of_which(make_hits(TIMES_S[::2][:40]), level_db=level_db) == UNSTRUCK * told


@pytest.mark.parametrize("place", [-3, -2, -1, 0, 1, 2, 3])
def test_what_it_hears_comes_with_the_strike_or_just_after(place):
    # The part that is heard begins 7 s into the file. Strikes at its very ends have no pieces on both sides.
    times_s = np.concatenate([[0.0, 0.03], TIMES_S, [19.95, 19.99]])
    level_db = np.full(1000, -60.0)
    level_db[(TIMES_S / 0.02).astype(int) + place] += 1.2
    watch = watch_of(make_noise(4), make_noise(5), first=7 * RATE_HZ)
    watch.levels_db = {0: np.full(1000, -60.0), 1: level_db}
    assert names(watch, make_hits(times_s + 7)) == ["dead"] * (place not in (0, 1, 2))
    level_db[(TIMES_S / 0.02).astype(int) - 2] += 1.2  # as loud before it
    assert names(watch, make_hits(times_s + 7)) == ["dead"]


def test_one_loud_moment_before_a_strike_hides_no_other():
    level_db = np.full(1000, -60.0)
    level_db[(TIMES_S / 0.02).astype(int)] += 0.5
    level_db[int(TIMES_S[50] / 0.02) - 2] += 5.0
    assert two_of_which(make_hits(TIMES_S), level_db=level_db) == []


def test_strikes_at_the_very_ends_tell_nothing_of_what_is_heard():
    assert two_of_which(make_hits(np.repeat([0.0, 0.03, 19.97, 19.99], 3))) == UNSTRUCK


@pytest.mark.parametrize(("peak_db", "told"), [(26.0, False), (23.0, True)])
def test_low_drums_that_nobody_found_are_no_dead_microphone(peak_db, told):
    # 40 Hz, far below the bands in which levels are followed; 300 times the noise's power are 24.8 dB.
    drums, rng = make_noise(5, power=1e-6), np.random.default_rng(6)
    after = np.arange(4000) / RATE_HZ
    for begin in np.round(np.arange(0.5, 19, 1.3) * RATE_HZ + rng.uniform(-400, 400, 15)).astype(int):
        drums[begin : begin + 4000] += 1e-3 * 10 ** (peak_db / 20) * np.exp(-after / 0.1) * np.sin(250 * after)
    watch = watch_of(make_noise(4), drums)
    watch.levels_db = {k: np.full(1000, -60.0) for k in (0, 1)}
    assert names(watch, make_hits(TIMES_S)) == ["dead"] * told
    once = np.where(np.arange(160_000) < 40_000, drums, make_noise(7))  # a cable that goes in
    watch = watch_of(make_noise(4), once)
    watch.levels_db = {k: np.full(1000, -60.0) for k in (0, 1)}
    assert names(watch, make_hits(TIMES_S)) == ["dead"]


@pytest.mark.parametrize(("share", "louder_db", "told"), [(0.02, 3.2, False), (0.02, 2.8, True), (0.006, 40.0, True)])
def test_a_microphone_that_hears_something_is_alive(share, louder_db, told):
    # Away from the strikes, or its rise at them would be told.
    level_db, free = (
        np.full(1000, -60.0),
        np.setdiff1d(np.arange(1000), (TIMES_S / 0.02).astype(int)[:, None] + np.arange(-3, 3)),
    )
    level_db[free[: round(1000 * share)]] += louder_db
    assert two_of_which(make_hits(TIMES_S), level_db=level_db) == UNSTRUCK * told


# --- identical -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("correlation", "told"), [(0.975, True), (0.965, False), (-0.975, True), (-0.965, False)])
def test_channels_are_identical_when_they_hold_the_same_sound(correlation, told):
    one, other = make_noise(6), make_noise(7)
    two = correlation * one + np.sqrt(1 - correlation**2) * other
    found = said(watch_of(one, 0.3 * two, make_noise(8)))
    assert found == ["identical: channels 1 and 2 hold the same sound; check the routing of the interface"] * told


def test_many_channels_of_one_sound_are_one_sentence_and_hum_or_an_offset_are_no_sound():
    one = make_noise(9)
    assert said(watch_of(one, make_noise(10), -one))[0].startswith("identical: channels 1 and 3 hold")
    assert said(watch_of(one, 2 * one, -one))[0].startswith("identical: channels 1 to 3 hold")
    hum = make_sine(50, 2e-6, 160_000) + 0.01
    assert names(watch_of(one + hum, make_noise(10) + hum)) == ["hum"]


def test_silent_channels_are_dead_and_not_identical():
    zeros = np.zeros(160_000)
    assert names(watch_of(zeros, zeros, make_noise(11))) == ["dead"]


# --- gate ------------------------------------------------------------------------------------------------------------


def gated(length_s, n, before=None, hears=("oak",), hit_s=(0.5, 19.5)):
    """Return what is said of noise that falls silent `n` times for so long; `before` are its samples up to there."""
    samples = make_noise(12)
    for begin in np.round(np.linspace(1, 18.5, n) * RATE_HZ).astype(int):
        if before is not None:
            samples[begin - len(before) : begin] = before
        samples[begin : begin + round(length_s * RATE_HZ)] = 0.0
    return said(watch_of(samples, hears=(hears,)), make_hits(hit_s))


@pytest.mark.parametrize(
    ("length_s", "n", "told"),
    [
        (0.0055, 200, True),  # 1.1 of 19 s
        (0.0045, 250, False),  # some samples may be alike
        (0.028, 37, True),  # 1.04 of 19 s
        (0.024, 37, False),
        (0.5, 4, True),
        (0.8, 3, False),  # a cable that comes loose
    ],
)
def test_a_gate_closes_again_and_again_for_a_twentieth_of_the_time(length_s, n, told):
    found = gated(length_s, n)
    assert [one.split(":")[0] for one in found] == ["gate"] * told
    assert not told or f"exactly silent for {n * length_s / 0.19:.0f} %" in found[0]


def test_no_gate_closes_as_often_as_rounding_does():
    # Over 17.5 s; blocks have 5 s, the last one 3.5 s of it.
    assert len(gated(0.006, 690)) == 1 and gated(0.006, 1100) == []


def test_a_click_is_silent_between_and_a_microphone_without_two_strikes_tells_nothing():
    assert not any(one.startswith("gate") for one in gated(0.1, 40, hears=("click",)))
    assert gated(0.1, 40, hit_s=(0.5,)) == []
    assert gated(0.1, 40, hit_s=(18.9, 19.5)) == []  # all of it before the first


STEP = 2.0**-15


@pytest.mark.parametrize(
    ("steps", "before_s", "told"), [(4, 0.0, True), (3, 0.0, False), (100, 0.02, True), (100, 0.03, False)]
)
def test_sound_that_fades_within_the_steps_of_its_samples_is_no_gate(steps, before_s, told):
    # So many steps until so long before the silence, and one step before and after that.
    soft, loud = np.tile([1, 0], 400), np.tile([steps, 1 - steps], 40)
    before = np.concatenate([soft[:160], loud, soft[: round(before_s * RATE_HZ)]]) * STEP
    assert (len(gated(0.1, 40, before)) == 1) == told


def test_a_silence_over_the_end_of_a_block_is_one():
    # Three in all, of which two go on into the next block: so a cable that comes loose three times is no gate.
    samples = make_noise(13)
    for begin in (4.5, 9.5, 14.0):
        samples[round(begin * RATE_HZ) : round((begin + 0.9) * RATE_HZ)] = 0.0
    watch = watch_of(samples)
    assert [(b - a) / RATE_HZ for a, b in watch.silences[0]] == pytest.approx([0.9] * 3, abs=1e-3)
    assert said(watch, make_hits([0.5, 19.5])) == []


# --- clipped ---------------------------------------------------------------------------------------------------------


def make_struck(seed, limit=np.inf, scatter_db=2.0, duration_s=20.0):
    """Return strikes of 300 Hz twice a second, in noise, cut off at `limit`."""
    rng, samples = np.random.default_rng(seed), make_noise(seed, duration_s, 1e-8)
    for begin in np.round(np.arange(0.3, duration_s - 0.5, 0.5) * RATE_HZ + rng.uniform(-400, 400, 39)).astype(int):
        after = np.arange(2000) / RATE_HZ
        samples[begin : begin + 2000] += (
            0.3 * 10 ** (scatter_db * rng.normal() / 20) * np.exp(-after / 0.05) * np.sin(1885 * after)
        )
    return np.clip(samples, -limit, limit)


@pytest.mark.parametrize(("steady", "told"), [(1 / 13, True), (1 / 11, False)])
def test_a_tone_that_goes_on_heaps_up_without_being_cut_off(steady, told):
    watch = watch_of(make_struck(14, 0.3))
    watch.background = [[replace(LOW, quietest=0.09 * steady, above=0.0)] * 3]
    (found,) = said(watch) or [""]
    assert found.startswith("clipped: channel 1 (oak) is cut off at ") == told
    assert names(watch_of(make_struck(14))) == []


@pytest.mark.parametrize(
    ("powers_db", "told"),
    [([0.0, 0.0, 0.0], False), ([0.0, 0.28, 0.56], False), ([0.0, 0.32, 0.64], True), ([0.0, 0.0], True), ([], True)],
)
def test_strikes_of_one_strength_are_equally_high_without_being_cut_off(powers_db, told):
    # 0.3 dB between the quartiles, here half of the whole; of fewer strikes nobody can tell.
    hits = make_hits(np.arange(1.0, 1 + len(powers_db)), bands=0.0)
    hits["bands"][:, 4] = 10 ** (np.array(powers_db) / 10 - 4)
    assert names(watch_of(make_struck(14, scatter_db=0.0)), hits) == ["clipped"] * told


def test_wave_peaks_are_merged_so_that_memory_does_not_grow():
    watch, frames = Watch((Channel(1, ("oak",)),), RATE_HZ, None), flux.frames(RATE_HZ)
    struck = np.float32(make_struck(15, 0.3))
    for number in range(150):
        block = struck[number * 1000 :][:4000]
        watch.see(number * 4000, 0, [block], [np.zeros((501, N_BANDS), np.float32)], frames.hop)
    assert 4 <= len(watch.wave_peaks[0]) <= 110


def test_the_peak_is_the_highest_of_either_side():
    samples = make_noise(16, 6.0, 1e-8)
    samples[100], samples[30_000] = 0.2, -0.4
    assert watch_of(samples).peak == pytest.approx(0.4, rel=1e-3)


# --- gain and limiter ------------------------------------------------------------------------------------------------


def test_a_gain_that_was_touched_is_told_with_the_seconds_of_the_recording():
    # The part that is heard begins 100 s into the file.
    rng, n = np.random.default_rng(17), 40 * 50
    watch = watch_of(make_noise(18, 40.0), first=100 * RATE_HZ)
    watch.levels_db = {0: -70 + rng.normal(size=n) * 0.3 - 6.0 * (np.arange(n) > n / 2)}
    hits = make_hits(np.arange(100.5, 140), level_db=-12 - 6.0 * (np.arange(100.5, 140) > 120))
    assert said(watch, hits) == [
        "gain touched: channel 1 (oak) changes by -6 dB after about 120 s; leave the gain alone during a take"
    ]
    # Another microphone's noise steps by as much: then few strikes tell nothing.
    few = hits[[5, 35]]
    both = watch_of(make_noise(18, 40.0), make_noise(19, 40.0), first=100 * RATE_HZ)
    both.levels_db = {0: watch.levels_db[0], 1: np.full(n, -70.0)}
    struck = put(few, make_hits(np.arange(101.0, 139), 1))
    assert [one.split(" (")[0] for one in said(both, struck)] == ["gain touched: channel 1"]
    for hears in (("index",), ("click",)):
        alone = watch_of(make_noise(18, 40.0), make_noise(19, 40.0), hears=(("oak",), hears), first=100 * RATE_HZ)
        alone.levels_db = both.levels_db
        assert "gain touched" not in names(alone, struck)


def test_levels_are_followed_from_the_first_sample_seen():
    loud = make_noise(20, 12.0) * np.where(np.arange(12 * RATE_HZ) < 6 * RATE_HZ, 1.0, 0.1)
    watch = watch_of(loud, first=7 * RATE_HZ)
    level_db = watch.level_db(0)
    assert len(level_db) == pytest.approx(600, abs=2) and watch.level_db(0) is level_db
    assert level_db[:298].min() > level_db[304:].max() + 10
    floor_db = watch.noise_floor_db(0)
    assert len(floor_db) in (11, 12) and floor_db[4] == pytest.approx(floor_db[9] + 20, abs=1.0)
    assert watch.noise_floor_db(0) is floor_db
    assert len(Watch((Channel(1, ("oak",)),), RATE_HZ, None).level_db(0)) == 0


def test_the_levels_of_blocks_are_joined_piece_by_piece():
    watch = watch_of(np.zeros(8))
    one, two = np.arange(250.0), 1000 + np.arange(130.0)
    watch.block_levels[0] = [(0, 0.02, one), (BLOCK, 0.02, two)]
    assert watch.level_db(0).tolist() == [*one, *two]


def test_a_limiter_is_told_of_a_microphone_and_not_of_a_turn_mark():
    rng, middle_s = np.random.default_rng(21), (np.arange(3000) + 0.5) * 0.02
    hit_s, height_db = np.arange(0.5, 59) + rng.uniform(-0.2, 0.2, 59), rng.normal(size=59) * 2 - 12
    since_s = middle_s[:, None] - hit_s
    turned_db = np.maximum(12 + 0.9 * (height_db - height_db.max()), 0)
    level_db = -70 + rng.normal(size=3000) * 0.05
    level_db -= (turned_db * np.exp(-since_s.clip(0) / 0.3) * (since_s >= 0)).max(axis=1)
    for hears, told in ((("oak",), ["limiter"]), (("index",), [])):
        watch = watch_of(make_noise(22, 60.0), hears=(hears,))
        watch.levels_db = {0: level_db}
        assert names(watch, make_hits(hit_s, level_db=height_db)) == told


# --- thin ------------------------------------------------------------------------------------------------------------

BINS = np.diff(flux.frames(48_000).edges)


def thin(density_db, strikes_db=None, n_hits=20, levels_db=-12.0, hears=(("oak",), ("slate",))):
    """Return what is said of microphones whose noise, and the loud strikes in it, have these levels in the bands."""
    channels = tuple(Channel(k, what) for k, what in enumerate(hears, 1))
    watch = Watch(channels, 48_000, None)
    watch.peak[:], watch.start = 0.5, 0
    hits = []
    for number, its_db in enumerate(density_db):
        watch.background[number] = [replace(LOW, bands=BINS * 10 ** (np.asarray(its_db) / 10))] * 4
        if strikes_db is not None:
            bands = 10 ** (np.asarray(strikes_db) / 10)
            hits.append(make_hits(np.linspace(1, 19, n_hits), number, levels_db, bands))
    return faults.faults(watch, put(*hits) if hits else make_hits([]), ())


WHITE = np.full(N_BANDS, -110.0)


def blue(by_db):
    """Return noise whose upper bands are louder."""
    return WHITE + by_db * (np.arange(N_BANDS) >= 8)


@pytest.mark.parametrize(("by_db", "told"), [(1.7, True), (1.3, False), (0.0, False), (-10.0, False)])
def test_noise_that_grows_with_frequency_is_behind_a_high_pass(by_db, told):
    expected = (
        "thin: the microphones of channels 1 and 2 lose their lows (their noise is 2 dB weaker below 2 kHz than above "
        "5 kHz), as contact microphones do in low-impedance inputs; use inputs of 1 MΩ or a preamplifier for contact "
        "microphones"
    )
    assert thin([blue(by_db)] * 2) == [expected] * told


def test_half_of_the_microphones_and_two_at_least_have_to_be_thin():
    three = (("a",), ("b",), ("c",), ("d",), ("e",))
    for n_thin, n, told in ((2, 4, True), (2, 5, False), (1, 2, False), (1, 1, False), (3, 5, True)):
        assert (thin([blue(6.0)] * n_thin + [WHITE] * (n - n_thin), hears=three[:n]) != []) == told
    assert thin([blue(6.0), blue(6.0)], hears=(("a",), ("click",))) == []


def test_few_samples_a_second_hold_no_highs_to_compare():
    assert thin([blue(8.0) - 18.5] * 2) == [] and len(thin([blue(8.0) - 17.5] * 2)) == 1
    for band in (9, 10):  # the last band is not looked at
        silent = blue(8.0)
        silent[band] = -121.0
        assert thin([silent] * 2) == []


@pytest.mark.parametrize(("band", "told"), [(0, True), (1, True), (4, True), (6, True), (7, True), (8, True)])
def test_bodies_that_ring_make_some_bands_louder_and_the_quietest_tells(band, told):
    noise = blue(6.0)
    noise[band] += 30.0
    assert (thin([noise] * 2) != []) == told
    lone = WHITE.copy()
    lone[band] -= 30.0
    assert (thin([lone] * 2) != []) == (1 <= band <= 6)


def skirt(slope_db=4.0, below_db=15.0):
    """Return a strike of a body that sounds high; below, it falls by `slope_db` from the second band to the lowest."""
    return np.append([-60.0 - slope_db, -60.0, -58.0], np.full(N_BANDS - 3, -58.0 + below_db))


@pytest.mark.parametrize(
    ("strike", "told"),
    [
        (skirt(3.7), True),
        (skirt(3.3), False),
        (skirt(below_db=10.5), True),
        (skirt(below_db=9.5), False),  # a drum, which sounds down there
    ],
)
def test_strikes_that_fall_towards_the_lows_are_behind_a_high_pass(strike, told):
    found = thin([WHITE] * 2, strike)
    assert len(found) == told and (not told or "(their strikes fall by 4 dB from 400 to 200 Hz)" in found[0])


def test_strikes_tell_of_a_high_pass_only_above_level_noise():
    level, rising = WHITE.copy(), WHITE.copy()
    level[3], rising[3] = -106.2, -105.8
    assert len(thin([level] * 2, skirt())) == 1 and thin([rising] * 2, skirt()) == []
    for noise_db, told in ((-67.5, True), (-66.0, False)):  # the lowest bands have to stand 3 dB above it
        assert (thin([np.full(N_BANDS, noise_db)] * 2, skirt()) != []) == told


def test_eight_strikes_of_two_microphones_are_needed_and_the_loud_ones_are_looked_at():
    assert len(thin([WHITE] * 2, skirt(), n_hits=8)) == 1 and thin([WHITE] * 2, skirt(), n_hits=7) == []
    assert thin([WHITE], skirt(), hears=(("oak",),)) == []
    # What leaks in is softer than strikes: three quarters may.
    level_db = np.where(np.arange(20) % 4 == 0, -12.0, -30.0)
    bands = np.where((np.arange(20) % 4 == 0)[:, None], skirt(), skirt(slope_db=0.0))
    assert len(thin([WHITE] * 2, bands, levels_db=level_db)) == 1
    level_db = np.where(np.arange(20) % 2 == 0, -12.0, -30.0)
    bands = np.where((np.arange(20) % 2 == 0)[:, None], skirt(slope_db=0.0), skirt())
    assert thin([WHITE] * 2, bands, levels_db=level_db) == []


# --- lengths ---------------------------------------------------------------------------------------------------------


def test_a_track_that_ends_a_second_early_is_told():
    watch = watch_of(make_noise(23), make_noise(24))
    assert said(watch, lengths=(160_000, 152_001)) == []
    assert said(watch, lengths=(160_000, 148_000)) == [
        "short track: channel 2 ends 1.5 s before the longest; export all tracks over the whole take"
    ]


# --- a click that was not looped back --------------------------------------------------------------------------------


def said_of_clicks(noise, bits, accents=(1.0, 0.6), off=0.0):
    """Return what is said of clicks twice a second, which may fall between samples, in noise, with so many bits."""
    rng, samples = np.random.default_rng(25), np.random.default_rng(26).normal(size=160_000) * noise
    times = np.arange(0.25, 19.9, 0.5)
    for number, at_s in enumerate(times):
        after = np.arange(60) + off * rng.random()
        begin = round(at_s * RATE_HZ)
        samples[begin : begin + 60] += 0.4 * accents[number % 2] * np.exp(-after / 15) * np.sin(0.9 * after)
    samples = np.round(samples * 2 ** (bits - 1)) / 2 ** (bits - 1)
    return names(watch_of(samples, hears=(("click",),)), make_hits(times))


@pytest.mark.parametrize(
    ("noise", "bits", "off", "told"),
    [
        (0.0, 16, 0.0, True),  # a sequencer's own click
        (3e-6, 16, 0.0, False),  # a good cable, whose noise 16 bits hide
        (0.0, 16, 0.5, False),  # nobody can tell
        (0.0, 24, 0.5, True),
        (1e-7, 24, 0.0, True),  # dither
        (1e-5, 24, 0.0, False),  # a cable
    ],
)
def test_a_click_is_not_looped_back_where_it_is_exact_or_more_silent_than_a_cable(noise, bits, off, told):
    assert said_of_clicks(noise, bits, off=off) == ["click not looped back"] * told
    assert said_of_clicks(noise, bits, (1.0, 1.0), off) == ["click not looped back"] * told


def test_a_short_recording_has_no_silence_to_tell_of():
    assert Watch((Channel(1, ("click",)),), RATE_HZ, None).silence_db(0) == 0.0


@pytest.mark.parametrize("n_lost", [3, 5, 8])
def test_lost_sound_is_no_wrong_tempo(n_lost):
    # 60 ms each; of two that fall between the same clicks' neighbours not all is put back.
    for seed in range(10):
        rng, at_s = np.random.default_rng(seed), np.arange(0.5, 40, 0.5)
        at_s = at_s - 0.06 * np.searchsorted(np.sort(rng.uniform(4, 36, n_lost)), at_s)
        channels = (Channel(1, ("click",), bpm=120.0),)
        found = click.faults(channels, RATE_HZ, make_hits(at_s + rng.normal(size=len(at_s)) * 5e-6), [0.0])
        assert [one.split(":")[0] for one in found] == ["dropout"]
