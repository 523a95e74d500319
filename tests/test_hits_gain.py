"""A gain that was touched, and a limiter: just above each threshold it is said, just below it is not.

Levels are made as `watch.Watch` follows them: noise between strikes a piece of 20 ms, its floor a second. How often on
sound recordings: tests/benchmarks/hits_health.py.
"""

import numpy as np
import pytest

from pipeline.hits.health import gain_step, limiter

FEW = np.array([9.0, 31.0]), np.array([-12.0, -17.0])  # a strike on either side
PATTERN = np.array([1.0, -1.0, 0.0, 1.0, -1.0, 0.0, 1.0, -1.0])  # its middle 0, its middle distance from there 1


def make_floor(step_db=-6.0, at=20, n=40, scatter_db=0.0, ramp=0):
    """Return a floor a second that steps in second `at`; its scatter in the sense of 1.4826 middle distances."""
    floor_db = -70 + np.tile(PATTERN, n // 8 + 1)[:n] * scatter_db / 1.4826
    return floor_db + step_db * np.interp(np.arange(n), [at - 0.5 - ramp, at + 0.5 + ramp], [0, 1])


def make_strikes(step_db=-6.0, at=20, n=40, per_side=19, spread_db=0.0, above_db=0.0):
    """Return times and levels of strikes either side of `at`, evenly spread over `n` seconds."""
    before = np.linspace(0.5, at - 1.5, per_side)
    after = np.linspace(at + 1.5, n - 0.5, per_side)
    level_db = -12 + np.tile(PATTERN, per_side // 8 + 1)[:per_side] * spread_db / 1.4826
    return np.append(before, after), np.append(level_db, level_db + step_db + above_db)


def found(floor_db, strikes, others_db=(), all_s=None):
    hit_s, level_db = strikes
    return gain_step.find(floor_db, list(others_db), hit_s, level_db, np.arange(0.5, 39) if all_s is None else all_s)


# --- the floor -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("quiet", "floor_db"), [(0.3, -70.0), (0.15, -30.0)])
def test_the_floor_of_a_second_is_the_noise_where_strikes_leave_a_fifth_of_it(quiet, floor_db):
    level_db = np.where(np.arange(500) % 50 < 50 * quiet, -70.0, -30.0).astype(np.float16)
    assert gain_step.noise_floor_db(level_db).tolist() == [floor_db] * 10


# --- a step of noise and strikes -------------------------------------------------------------------------------------


@pytest.mark.parametrize("step_db", [-6.0, 6.0, 12.0, 2.3, -2.3, 28.0])
@pytest.mark.parametrize("at", [8, 20, 31])
def test_a_step_of_noise_and_strikes_is_told_with_its_size_and_time(step_db, at):
    step = found(make_floor(step_db, at), make_strikes(step_db, at))
    assert step.step_db == pytest.approx(step_db) and step.time_s == pytest.approx(at + 0.5)


@pytest.mark.parametrize("step_db", [0.0, 1.7, -1.7, 32.0, -32.0])
def test_what_no_hand_does_is_no_step(step_db):
    assert found(make_floor(step_db), make_strikes(step_db)) is None


@pytest.mark.parametrize(("at", "told"), [(6, True), (4, False), (33, True), (35, False)])
def test_six_seconds_on_either_side_are_needed(at, told):
    step = found(make_floor(at=at), make_strikes(at=at))
    assert (step is not None) == told and (step is None or step.time_s == at + 0.5)


def test_so_short_a_take_tells_nothing():
    assert found(make_floor(at=6, n=13), make_strikes(at=6, n=13)) is None
    assert found(make_floor(at=6, n=14), make_strikes(at=6, n=14)) is not None


@pytest.mark.parametrize("above_db", [0.0, -0.5])
def test_strikes_that_grow_while_the_noise_stays_are_no_step_nor_noise_alone(above_db):
    assert found(make_floor(0.0), make_strikes(-6.0)) is None
    assert found(make_floor(-6.0), make_strikes(above_db)) is None
    assert found(make_floor(-6.0), make_strikes(6.0)) is None


@pytest.mark.parametrize(
    ("step_db", "struck_db", "told"),
    [
        (3.0, 4.7, True),  # 0.6 of the step more
        (3.0, 4.9, False),
        (-3.0, -4.7, True),
        (10.0, 4.2, True),  # 0.6 of the step less
        (10.0, 3.8, False),
        (3.0, 2.1, True),  # strikes step, too
        (3.0, 1.9, False),
    ],
)
def test_noise_and_strikes_have_to_change_alike(step_db, struck_db, told):
    assert (found(make_floor(step_db), make_strikes(struck_db)) is not None) == told


@pytest.mark.parametrize(
    ("step_db", "scatter_db", "told"),
    [(4.0, 0.4, True), (4.0, 0.6, False), (10.0, 1.1, True), (10.0, 1.3, False), (25.0, 2.8, True), (25.0, 3.2, False)],
)
def test_noise_that_comes_and_goes_hides_a_step(step_db, scatter_db, told):
    # 0.12 of the step.
    assert (found(make_floor(step_db, scatter_db=scatter_db), make_strikes(step_db)) is not None) == told


@pytest.mark.parametrize(("ramp", "told"), [(0, True), (2, True), (2.5, True), (3, False), (4, False), (5, False)])
def test_noise_that_fades_over_seconds_is_no_hand_on_a_knob(ramp, told):
    assert (found(make_floor(ramp=ramp), make_strikes()) is not None) == told


@pytest.mark.parametrize(("n_before", "n_after", "told"), [(7, 1, True), (8, 0, False), (1, 7, True), (5, 2, False)])
def test_eight_strikes_are_needed_and_some_on_either_side(n_before, n_after, told):
    hit_s = np.append(np.linspace(1, 18, n_before), np.linspace(22, 39, n_after))
    level_db = np.where(hit_s < 20, -12.0, -18.0)
    assert (found(make_floor(), (hit_s, level_db)) is not None) == told


def test_strikes_in_the_second_of_the_step_belong_to_neither_side():
    within = np.repeat([20.0, 20.5, 21.0], 4)
    for few in (False, True):  # where few strikes are enough, too
        hit_s, level_db = FEW if few else make_strikes()
        both = np.append(hit_s, within), np.append(level_db, np.full(12, -40.0))
        assert found(make_floor(), both, [make_floor(0.0)] * few) is not None
    after = np.append(np.linspace(12, 19.9, 9), np.linspace(21.1, 21.9, 9))
    assert found(make_floor(), (after, np.where(after < 20, -12.0, -18.0))) is not None


def test_strikes_near_the_step_tell_more_than_those_far_away():
    # Far from it they change the other way; near it, from 4 to 8 s away, as the noise does.
    hit_s = np.array([1.0, 3, 5, 7, 9, 13, 14, 15, 26, 27, 28, 31, 33, 35, 37, 39])
    near, late = np.abs(hit_s - 20.5) < 9, hit_s > 20
    level_db = np.where(near, np.where(late, -18.0, -12.0), np.where(late, -8.0, -20.0))
    assert found(make_floor(), (hit_s, level_db)) is not None
    assert found(make_floor(), (hit_s[~near], level_db[~near])) is None


def test_the_steepest_of_two_steps_is_told():
    floor_db = make_floor(-4.0, at=12) + make_floor(-7.0, at=28) + 70
    hit_s = np.arange(0.5, 40)
    level_db = -12 - 4.0 * (hit_s > 12.5) - 7.0 * (hit_s > 28.5)
    step = found(floor_db, (hit_s, level_db))
    assert step.time_s == 28.5 and step.step_db == pytest.approx(-7)


# --- beside other microphones ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("scatter_db", "moved_db", "told"),
    [(0.2, 0.0, True), (0.35, 0.0, False), (0.2, -1.5, True), (0.2, -2.1, False), (0.2, 2.6, False), (0.2, -40, True)],
)
def test_of_level_noise_a_step_on_one_microphone_alone_is_enough(scatter_db, moved_db, told):
    # A gate on the other moves it further than any noise.
    floor_db, other_db = make_floor(scatter_db=scatter_db), make_floor(moved_db)
    assert (found(floor_db, FEW, [other_db]) is not None) == told
    assert found(floor_db, FEW) is None  # nobody to compare it with
    assert found(floor_db, FEW, [other_db[:15]]) is None


def test_a_step_before_the_first_or_after_the_last_strike_of_all_may_be_anything():
    for all_s in (np.arange(22.0, 40), np.arange(0.0, 19)):
        assert found(make_floor(), FEW, [make_floor(0.0)], all_s) is None


@pytest.mark.parametrize(("step_db", "told"), [(14.0, True), (16.0, False), (-14.0, True), (-16.0, False)])
@pytest.mark.parametrize("side", [0, 1])
def test_a_microphone_without_strikes_before_a_large_step_was_plugged_in(step_db, told, side):
    one = FEW[0][side : side + 1], FEW[1][side : side + 1]
    assert (found(make_floor(step_db), one, [make_floor(0.0)]) is not None) == told


@pytest.mark.parametrize("moved", ["soft", "middle", "loud", "none"])
def test_what_leaks_in_on_one_side_only_does_not_speak_against_a_step(moved):
    # Of 100 strikes 7 are strays, some soft, most middling or loud; of one kind alone the level changes as the noise.
    kinds = np.repeat(["stray", "soft", "low", "middle", "high", "loud", "loudest"], [7, 8, 22, 30, 20, 8, 5])
    height_db = dict(zip(dict.fromkeys(kinds), (-60.0, -50.0, -40.0, -30.0, -20.0, -10.0, -0.0), strict=True))
    before_db = np.array([height_db[kind] for kind in kinds])
    hit_s = np.append(np.linspace(0.5, 18.5, 100), np.linspace(21.5, 39.5, 100))
    level_db = np.append(before_db, before_db - 6.0 * (kinds == moved))
    step = found(make_floor(), (hit_s, level_db), [make_floor(0.0)])
    assert (step is not None) == (moved != "none")


@pytest.mark.parametrize(("common_db", "told"), [(0.0, True), (2.0, True), (3.0, False)])
def test_noise_that_all_microphones_hear_is_taken_off_and_the_own_shows_the_most(common_db, told):
    # A fan that howls, and grows as the gain falls by 6 dB: the microphone's own level has to fall by 0.6 of that.
    room_db = make_floor(common_db, scatter_db=2.0)
    own_db = room_db + make_floor(-6.0) + 70
    step = found(own_db, make_strikes(-6.0), [room_db, room_db, room_db])
    assert (step is not None) == told and (step is None or step.step_db == pytest.approx(-6, abs=0.1))


# --- a limiter -------------------------------------------------------------------------------------------------------


def make_noise_between(seed: int, off_db: float, ring_db: float = 0.0, unheard: int = 0):
    """Levels every 20 ms between 60 strikes of 2 dB scatter, which a limiter turns down by up to `off_db`, 10:1, back
    in 0.3 s; bodies that ring `ring_db` above the noise 0.1 s later, 100 dB less each second; strikes nobody found."""
    rng = np.random.default_rng(seed)
    middle_s = (np.arange(3000) + 0.5) * 0.02
    hit_s, hit_db = np.sort(rng.uniform(0.5, 59, 60)), rng.normal(size=60) * 2 - 12
    turned_db = np.maximum(off_db + 0.9 * (hit_db - hit_db.max()), 0)
    since_s = middle_s[:, None] - np.append(hit_s, rng.uniform(1, 59, unheard))
    after = since_s >= 0
    held_db = (turned_db * np.exp(-since_s[:, :60].clip(0) / 0.3) * after[:, :60]).max(axis=1)
    ringing = (after * 10 ** ((ring_db - 100 * (since_s - 0.1).clip(-0.1)) / 10)).sum(axis=1)
    noise_db = -70 + rng.normal(size=3000) * 0.3
    return 10 * np.log10(10 ** (noise_db / 10) + 1e-7 * ringing) - held_db, hit_s, hit_db


@pytest.mark.parametrize("seed", [21, 22, 23])
def test_a_limiter_of_six_decibels_is_told_by_how_the_noise_comes_back_and_bodies_that_ring_are_none(seed):
    for off_db, ring_db, unheard, found in ((6, 0, 0, True), (6, 12, 0, True), (0, 12, 0, False), (0, 12, 60, False)):
        level_db, hit_s, hit_db = make_noise_between(seed, off_db, ring_db, unheard)
        fall_db = limiter.gain_reduction_db(level_db, hit_s, hit_s, hit_db)
        assert (fall_db is not None) == found, (off_db, ring_db, unheard, fall_db)
        assert not found or fall_db < 6  # where bodies no longer ring, a part of it is left


def make_limited(off_db, seed=1, duration_s=60.0, scatter_db=0.05, release_s=0.3, spread_db=2.0):
    """Levels every 20 ms between strikes a second apart, each loud in its own piece; the loudest is turned down by
    `off_db`, 10:1. Times and heights of the strikes."""
    rng, n = np.random.default_rng(seed), round(duration_s / 0.02)
    hit_s = np.arange(0.5, duration_s - 0.9) + rng.uniform(-0.2, 0.2, len(np.arange(0.5, duration_s - 0.9)))
    hit_db = rng.normal(size=len(hit_s)) * spread_db - 12
    turned_db = np.maximum(off_db + 0.9 * (hit_db - hit_db.max()), 0)
    since_s = (np.arange(n) + 0.5)[:, None] * 0.02 - hit_s
    held_db = (turned_db * np.exp(-since_s.clip(0) / release_s) * (since_s >= 0)).max(axis=1)
    level_db = -70 + rng.normal(size=n) * scatter_db - held_db
    level_db[(hit_s / 0.02).astype(int)] = hit_db
    return level_db, hit_s, hit_db


def fall(level_db, hit_s, hit_db, own=slice(None)):
    return limiter.gain_reduction_db(level_db, hit_s, hit_s[own], hit_db[own])


@pytest.mark.parametrize(
    ("off_db", "release_s", "low_db", "high_db"),
    [(6, 0.15, 1.0, 1.8), (6, 0.3, 1.7, 2.7), (6, 0.6, 2.5, 3.5), (12, 0.3, 5.0, 6.5), (12, 0.6, 5.5, 8.0)],
)
def test_of_a_limiter_less_is_said_than_it_takes(off_db, release_s, low_db, high_db):
    # What it takes off right after a strike does not show under the strike.
    for seed in (1, 2, 3):
        assert low_db < fall(*make_limited(off_db, seed, release_s=release_s)) < high_db < off_db


@pytest.mark.parametrize("scatter_db", [0.05, 0.3, 1.0, 2.0])
def test_noise_alone_is_no_limiter(scatter_db):
    for seed in range(12):
        assert fall(*make_limited(0.0, seed, scatter_db=scatter_db)) is None


def test_a_fall_of_half_a_decibel_is_said_and_less_moves_nothing():
    for seed in (1, 2, 3):
        assert fall(*make_limited(3.2, seed)) > 0.5 and fall(*make_limited(2.0, seed)) is None


def test_noise_that_varies_leaves_a_small_fall_unsure():
    told = [[fall(*make_limited(off_db, seed, scatter_db=2.0)) is not None for seed in range(8)] for off_db in (2.6, 5)]
    assert sum(told[0]) <= 1 and sum(told[1]) >= 7


@pytest.mark.parametrize(("noise_db", "told"), [(-96.0, True), (-98.0, False)])
def test_rounding_that_hides_the_noise_tells_nothing(noise_db, told):
    # A 16-bit step has a noise of -98 dB (a twelfth of its square); what is left of it in the upper bands is less.
    level_db, hit_s, hit_db = make_limited(3.5)
    assert (fall(level_db + noise_db + 70, hit_s, hit_db) is not None) == told


@pytest.mark.parametrize(("duration_s", "told"), [(12, True), (8.9, True), (7.9, False)])
def test_eight_strikes_are_needed(duration_s, told):
    level_db, hit_s, hit_db = make_limited(12.0, duration_s=duration_s, release_s=0.6)
    assert (len(hit_s) >= 8) == told
    assert (fall(level_db, hit_s, hit_db) is not None) == told


def test_where_a_channel_has_few_strikes_whatever_is_loud_in_it_counts():
    # What sounds before the first or after the last piece has no level.
    level_db, hit_s, hit_db = make_limited(12.0, spread_db=6.0)
    whole_db = fall(level_db, hit_s, hit_db)
    for n in (0, 7):
        assert fall(level_db, hit_s, hit_db, slice(n)) == pytest.approx(whole_db, rel=1e-6)
        outside = np.concatenate([[-0.7], hit_s, [59.95, 60.5]])
        assert fall(level_db, outside, np.zeros(len(outside)), slice(n)) == pytest.approx(whole_db, rel=0.02)
    assert fall(level_db, hit_s, hit_db, slice(8)) < whole_db / 2  # eight are taken for all there are


@pytest.mark.parametrize(
    ("share", "louder_db", "told"), [(0.15, 3.0, True), (0.35, 3.0, False), (0.35, 1.4, True), (0.35, 12.0, False)]
)
def test_a_room_with_other_sounds_tells_nothing(share, louder_db, told):
    level_db, hit_s, hit_db = make_limited(12.0)
    level_db[np.random.default_rng(4).random(len(level_db)) < share] += louder_db
    assert (fall(level_db, hit_s, hit_db) is not None) == told


def test_noise_that_changes_over_a_take_is_no_limiter_and_hides_none():
    for drift_db in (8.0, -8.0):
        drift = drift_db * np.sin(np.arange(3000) / 400)
        for off_db in (0.0, 6.0):
            level_db, hit_s, hit_db = make_limited(off_db)
            assert (fall(level_db + drift, hit_s, hit_db) is not None) == (off_db > 0)


def test_a_gate_between_strikes_is_no_limiter():
    level_db, hit_s, hit_db = make_limited(0.0)
    for at_s in hit_s:
        level_db[round(at_s / 0.02) + 10 : round(at_s / 0.02) + 35] = -150.0
    assert fall(level_db, hit_s, hit_db) is None


def test_noise_that_falls_before_strikes_is_no_limiter():
    # A crew that breathes in before each strike: a limiter acts after it.
    level_db, hit_s, hit_db = make_limited(0.0)
    until_s = hit_s[np.minimum(np.searchsorted(hit_s, (np.arange(3000) + 0.5) * 0.02), len(hit_s) - 1)]
    level_db -= 4 * np.exp(-(until_s - (np.arange(3000) + 0.5) * 0.02).clip(0) / 0.3)
    assert fall(level_db, hit_s, hit_db) is None


def test_nothing_is_said_of_nothing():
    level_db, hit_s, hit_db = make_limited(12.0)
    assert fall(level_db, hit_s[:0], hit_db[:0]) is None
    assert fall(level_db[:30], hit_s, hit_db) is None


@pytest.mark.parametrize(("duration_s", "told"), [(7.9, True), (5.9, False)])
def test_four_windows_of_two_seconds_are_needed(duration_s, told):
    # Twice the strikes in half of the time.
    level_db, hit_s, hit_db = make_limited(12.0, duration_s=2 * duration_s, release_s=0.6)
    assert len(hit_s) >= 8
    assert (fall(level_db[::2], hit_s / 2, hit_db) is not None) == told


def test_a_strike_that_swells_for_some_pieces_is_as_loud_as_its_loudest():
    level_db, hit_s, hit_db = make_limited(12.0, spread_db=6.0)
    whole_db, piece = fall(level_db, hit_s, hit_db), (hit_s / 0.02).astype(int)
    level_db[piece] = level_db[piece + 1] = -70.0
    level_db[piece + 2] = hit_db
    assert fall(level_db, hit_s, hit_db, slice(0)) == pytest.approx(whole_db, rel=0.02)
    level_db[piece + 4] = -5.0  # what bounces later, however loud, counts as noise only
    assert fall(level_db, hit_s, hit_db, slice(0)) == pytest.approx(whole_db, rel=0.2)


@pytest.mark.parametrize(("gap_s", "n_gaps"), [(0.22, 4), (0.1, 12)])
@pytest.mark.parametrize(("off_db", "ring_db", "told"), [(12, 0, True), (0, 0, False), (0, 12, False), (0, 25, False)])
def test_between_fast_rolls_a_limiter_is_told_and_bodies_that_ring_are_none(gap_s, n_gaps, off_db, ring_db, told):
    """Strikes every 60 ms but for some gaps; bodies ring `ring_db` above the noise 0.1 s later, 100 dB/s less."""
    middle_s = (np.arange(700) + 0.5) * 0.02
    for seed in (3, 4, 5):
        rng, begin_s, hit_s = np.random.default_rng(seed), np.linspace(0.7, 12.8, n_gaps), np.arange(0.1, 13.9, 0.06)
        hit_s = hit_s[((hit_s <= begin_s[:, None]) | (hit_s >= begin_s[:, None] + gap_s)).all(axis=0)]
        hit_db = rng.normal(size=len(hit_s)) * 2 - 12
        since_s = middle_s[:, None] - hit_s
        turned_db = np.maximum(off_db + 0.9 * (hit_db - hit_db.max()), 0)
        held_db = (turned_db * np.exp(-since_s.clip(0) / 0.3) * (since_s >= 0)).max(axis=1)
        ringing = ((since_s >= 0) * 10 ** ((ring_db - 100 * (since_s - 0.1).clip(-0.1)) / 10)).sum(axis=1)
        level_db = 10 * np.log10(10 ** ((-70 + rng.normal(size=700) * 0.05) / 10) + 1e-7 * ringing * (ring_db > 0))
        assert (fall(level_db - held_db, hit_s, hit_db) is not None) == told
