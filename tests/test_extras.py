"""Extra hits: a sound of the strike, a rebound, or a double or stray strike.

Truth is simulated here: `hit_se` 0.1 ms and gaps of 12.0, 16.3 and 84.3 ms are those found in recordings of single
sounds made elsewhere.
"""

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from pipeline import tables
from pipeline.timing import tables_of
from pipeline.timing.data import extras
from tests import timing_machine

PLACING_S = 0.0001


def make_strikes(chance, n_pins=60, n_takes=3, n_strikers=2, jitter_s=0.0015, together_s=0.25, rounds=1):
    """Play `n_pins` of each striker in turn, one strike each `together_s`, in `rounds` turns of the barrel."""
    n = n_pins * n_strikers * rounds
    take, number = np.repeat(np.arange(n_takes), n), np.tile(np.arange(n), n_takes)
    frame = pd.DataFrame({"take": take, "striker": number % n_strikers, "pin": number % (n_pins * n_strikers)})
    frame["hit_s"] = 2 + together_s * number + chance.normal(0, jitter_s, len(frame))
    frame["hit_id"] = number
    return frame.assign(hit_se=PLACING_S, level_db=-12 + chance.normal(0, 1.5, len(frame)), played=True)


def make_extras(strikes, which, gap_s, fall_db=10.0, chance=None, striker=None):
    """Put an extra hit `gap_s` after the strikes `which`, found to PLACING_S."""
    of = strikes[which]
    chance = chance or np.random.default_rng(0)
    hit_s = of["hit_s"] + gap_s + chance.normal(0, PLACING_S, len(of))
    frame = pd.DataFrame({"take": of["take"], "striker": of["striker"] if striker is None else striker})
    frame = frame.assign(hit_s=hit_s, hit_se=PLACING_S, level_db=of["level_db"] - fall_db, kind="strike")
    return frame.reset_index(drop=True)


def told(strikes, *extra):
    return extras.told(pd.concat(extra, ignore_index=True), strikes, int(strikes["striker"].max()) + 1)


@pytest.mark.parametrize("gap_s", [0.012, 0.0163, 0.0843, -0.021])
def test_what_nearly_every_strike_has_at_one_gap_is_its_sound(gap_s):
    for seed in range(5):
        chance = np.random.default_rng(seed)
        strikes = make_strikes(chance)
        which = (strikes["striker"] == 0) & (chance.random(len(strikes)) < 0.9)
        made = told(strikes, make_extras(strikes, which, gap_s, chance=chance))
        assert (made["sound_of"] == 0).all() and not made["rebound"].any()
        np.testing.assert_allclose(made["sound_gap_s"], gap_s, atol=2e-4)


def test_two_sounds_of_one_striker_and_what_bounces_between_them_are_told_apart():
    chance = np.random.default_rng(3)
    strikes = make_strikes(chance)
    mine = (strikes["striker"] == 0).to_numpy()
    bounce = mine & (chance.random(len(strikes)) < 0.3)
    made = told(
        strikes,
        make_extras(strikes, mine, 0.0163, chance=chance),
        make_extras(strikes, mine, 0.0843, chance=chance),
        make_extras(strikes, bounce, chance.uniform(0.025, 0.075, bounce.sum()), chance=chance),
    )
    n = int(mine.sum())
    assert (made["sound_of"][: 2 * n] == 0).all() and made["rebound"].sum() == bounce.sum()
    assert set(made["sound_gap_s"].dropna().round(4)) == {0.0163, 0.0843}


@pytest.mark.parametrize(("spread", "share"), [(0.05, 1.0), (0.05, 0.5), (0.1, 1.0), (0.012, 0.3), (0.025, 0.4)])
@pytest.mark.parametrize("gap_s", [0.020, 0.045])
def test_a_bounce_from_a_stiff_stop_is_no_sound(gap_s, spread, share):
    """Restitution that varies by 5 % at every strike; less where it does not come with most."""
    for seed in range(8):
        chance = np.random.default_rng(seed)
        strikes = make_strikes(chance)
        which = (strikes["striker"] == 0) & (chance.random(len(strikes)) < share)
        gaps_s = gap_s * (1 + spread * chance.standard_normal(which.sum()))
        made = told(strikes, make_extras(strikes, which, gaps_s, chance=chance))
        assert (made["sound_of"] < 0).all()
        assert made["rebound"].mean() == 1.0


def test_a_striker_that_always_follows_another_at_a_written_gap_is_not_its_sound():
    """Its leak, found to 0.1 ms, in a machine of no jitter at all: the worst case."""
    chance = np.random.default_rng(5)
    strikes = make_strikes(chance, jitter_s=0.0)
    other = (strikes["striker"] == 1).to_numpy()
    strikes.loc[other, "hit_s"] -= 0.25 - 0.0625
    leak = make_extras(strikes, other, 0.0003, chance=chance, striker=0)
    made = told(strikes, leak)
    assert (made["sound_of"] < 0).all()
    # The control: where the other one strikes with half of them only, the rest shows that it is a sound.
    half = other & (strikes["pin"] % 4 == 1).to_numpy()
    own = make_extras(strikes, (strikes["striker"] == 0).to_numpy(), 0.0628, chance=chance)
    assert (told(strikes[~half], own)["sound_of"] == 0).all()


@pytest.mark.parametrize("n_pins", [1, 4])
def test_what_comes_at_one_pin_alone_is_no_sound_of_the_striker(n_pins):
    """The same pin every turn of the barrel, always, at one gap: it is the pin."""
    chance = np.random.default_rng(6)
    strikes = make_strikes(chance, n_pins=n_pins, rounds=15)
    made = told(strikes, make_extras(strikes, (strikes["pin"] == 0).to_numpy(), 0.03, chance=chance))
    assert len(made) == 45 and (made["sound_of"] < 0).all()


def test_what_comes_at_one_pin_at_one_gap_is_no_rebound_of_the_striker():
    for seed in range(5):
        chance = np.random.default_rng(seed)
        strikes = make_strikes(chance, n_takes=5)
        fault = (strikes["pin"] == 0).to_numpy()
        bounce = (strikes["striker"] == 0).to_numpy() & ~fault & (chance.random(len(strikes)) < 0.05)
        scatter_s = chance.uniform(0.02, 0.07, bounce.sum())
        made = told(
            strikes,
            make_extras(strikes, fault, 0.03, chance=chance),
            make_extras(strikes, bounce, scatter_s, chance=chance),
        )
        assert not made["rebound"][:5].any() and made["rebound"][5:].all()
        # A pin that bounces always, at gaps that scatter, does bounce.
        always = told(strikes, make_extras(strikes, fault, chance.uniform(0.02, 0.07, 5), chance=chance))
        assert always["rebound"].all()


def test_strays_and_few_hits_are_no_sound_and_no_rebound():
    for seed in range(10):
        chance = np.random.default_rng(seed)
        strikes = make_strikes(chance)
        few = make_extras(strikes, np.arange(len(strikes)) < 2 * (extras.FEWEST_STRIKES - 1), 0.0163)
        few = few[few["striker"] == 0]
        stray = pd.DataFrame({"take": 0, "striker": 0, "hit_s": chance.uniform(2, 30, 40), "hit_se": PLACING_S})
        # As loud as a loud strike: a weaker stray just behind a strike is not told from a rebound.
        made = told(strikes, few, stray.assign(level_db=-7.0, kind="strike"))
        assert (made["sound_of"] < 0).all()
        assert not made["rebound"][len(few) :].any()


def test_a_double_strike_as_loud_as_its_strike_is_no_rebound_unless_it_was_heard_as_one():
    strikes = make_strikes(np.random.default_rng(7))
    some = np.arange(len(strikes)) % 7 == 0  # another pin in each take
    assert not told(strikes, make_extras(strikes, some, 0.04, fall_db=1.8))["rebound"].any()
    assert not told(strikes, make_extras(strikes, some, 0.09))["rebound"].any()
    assert not told(strikes, make_extras(strikes, some, 0.005))["rebound"].any()
    assert told(strikes, make_extras(strikes, some, 0.04, fall_db=2.2))["rebound"].all()
    assert told(strikes, make_extras(strikes, some, 0.04, fall_db=1.8).assign(kind="rebound"))["rebound"].all()


def test_a_sound_in_a_microphone_for_all_belongs_to_the_striker_whose_notes_it_follows():
    chance = np.random.default_rng(8)
    strikes = make_strikes(chance)
    made = told(strikes, make_extras(strikes, (strikes["striker"] == 1).to_numpy(), 0.0163, striker=-1, chance=chance))
    assert (made["sound_of"] == 1).all() and (made["striker"] == -1).all()


def test_hits_placed_to_a_millisecond_tell_a_sound_from_a_bounce_only_where_a_bounce_would_scatter_more():
    chance = np.random.default_rng(9)
    strikes = make_strikes(chance).assign(hit_se=0.001)
    mine = (strikes["striker"] == 0).to_numpy()
    for gap_s, is_sound in ((0.0163, False), (0.0843, True)):
        gaps_s = gap_s + chance.normal(0, 0.001, mine.sum())
        made = told(strikes, make_extras(strikes, mine, gaps_s, chance=chance).assign(hit_se=0.001))
        assert ((made["sound_of"] == 0).mean() > 0.95) == is_sound


def make_take_with_sounds(chance, notes, truth, name, striker, gap_s, strays=2):
    """Give every strike of `striker` an extra hit `gap_s` later, and the take some strays."""
    take = timing_machine.make_take(chance, notes, truth, name)
    aligned, hits = take.aligned.to_pandas(), take.hits.to_pandas()
    mine = aligned[(aligned["striker"] == striker) & (aligned["status"] == "played")]
    hit_s = np.append(mine["hit_s"] + gap_s, chance.uniform(5, 20, strays))
    more = hits.iloc[np.zeros(len(hit_s), int)].assign(hit_s=hit_s, striker=striker, level_db=-20.0)
    hits = pd.concat([hits, more.assign(hit_id=len(hits) + np.arange(len(more)))], ignore_index=True)
    extra = aligned.iloc[np.zeros(len(hit_s), int)].assign(status="extra", striker=striker, hit_s=hit_s, shared=1)
    extra = extra.assign(hit_id=hits["hit_id"].to_numpy()[-len(hit_s) :], confidence=np.nan)
    for column in ("note_id", "pin_id", "bar", "beat_in_bar", "passage", "score_beat", "score_s"):
        extra[column] = None
    aligned = pd.concat([aligned, extra], ignore_index=True)
    columns = {name: aligned[name].tolist() for name in tables.CONTRACTS["aligned"].schema.names}
    bands = pa.array([[0.0] * 12] * len(hits), pa.list_(pa.float32(), 12))
    heard = {name: hits[name].tolist() for name in tables.CONTRACTS["hits"].schema.names if name != "bands_db"}
    made = tables.build("aligned", columns), tables.build("hits", heard | {"bands_db": bands})
    return timing_machine.Take(take.recording, *made, take.said)


def test_a_sound_is_in_no_count_of_double_or_stray_strikes():
    chance = np.random.default_rng(10)
    notes = timing_machine.make_notes(chance, n_strikers=3, bars=16, sections="AB")
    truth = timing_machine.make_truth(chance, notes, n_strikers=3)
    takes = [make_take_with_sounds(chance, notes, truth, f"take-{k}", "striker 1", 0.0163) for k in (1, 2)]
    made = tables_of(timing_machine.make_group(takes), timing_machine.make_machine(3), notes, takes)
    strikers = made["strikers"].to_pandas().set_index("striker")
    assert strikers["n_extra"].tolist() == [0, 4, 0] and strikers["n_rebound"].sum() <= 4
    assert strikers["n_sound"].tolist() == [0, strikers["n_played"].iloc[1], 0]
    assert strikers["sound_gap_s"].iloc[1] == pytest.approx(0.0163, abs=1e-6)
    assert strikers["sound_gap_s"].isna().tolist() == [True, False, True]
    assert made["recordings"]["n_extra"].to_pylist() == [2, 2]
    assert sum(made["passages"]["n_extra"].to_pylist()) == 4
