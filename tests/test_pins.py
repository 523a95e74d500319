"""The table of pins: counts of playthroughs and of strikes, and pins that miss more often than others."""

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import tables
from pipeline.settings import Barrel
from pipeline.timing import tables_of
from pipeline.timing.tables import pins as pins_table
from tests import timing_machine

PER_TURN = 8  # beats


def make_turning(chance, bars=16, n_strikers=3):
    """Compose a bar that comes again every two, each time by the same pins."""
    rows = [(beat, beat % n_strikers, "song") for beat in range(bars * 4)]
    notes = timing_machine.notes_of(rows).to_pandas()
    notes["pin_id"] = notes["score_beat"].astype(int) % PER_TURN
    return tables.build("notes", {name: pa.array(notes[name].tolist()) for name in notes})


def make_takes(chance, notes, missed, n, rounds=1):
    truth = timing_machine.make_truth(chance, notes, 3, misplaced=0.0)
    truth.missed = 0.0
    takes = []
    for k in range(n):
        hit_s = timing_machine.make_take(chance, notes, truth, rounds=rounds).aligned.to_pandas()
        hit_s = hit_s.sort_values(["playthrough", "note_id"])
        takes.append(
            timing_machine.take_of(
                notes, hit_s["hit_s"].to_numpy(), missed[k], hit_s["playthrough"].to_numpy(), f"take-{k}"
            )
        )
    return takes


def pins_of(notes, takes):
    made = tables_of(timing_machine.make_group(takes), timing_machine.make_machine(3), notes, takes)
    return made["pins"].to_pandas().set_index("pin_id")


def test_a_pin_that_comes_round_counts_playthroughs_apart_from_strikes():
    chance = np.random.default_rng(1)
    notes = make_turning(chance)
    pin = np.tile(notes["pin_id"].to_numpy(), 2)
    playthrough = np.repeat([1, 2], len(notes))
    missed = [np.zeros(len(pin), bool) for _ in range(2)]
    # In the first take pin 3 misses once, and all of the second playthrough.
    missed[0][(pin == 3) & (playthrough == 2)] = True
    missed[0][np.flatnonzero(pin == 3)[0]] = True
    pins = pins_of(notes, make_takes(chance, notes, missed, 2, rounds=2))
    assert len(pins) == PER_TURN
    per_turn = len(notes) // PER_TURN
    columns = ["n_takes", "n_missed", "n_struck", "n_failed"]
    assert pins.loc[3, columns].tolist() == [3, 1, 3 * per_turn - 1, per_turn + 1]
    assert (pins.drop(index=3)[columns] == [4, 0, 4 * per_turn, 0]).all(axis=None)


def test_a_pin_of_its_own_note_strikes_once_a_playthrough():
    chance = np.random.default_rng(2)
    notes = timing_machine.make_notes(chance, n_strikers=3, bars=24, sections="AB")
    missed = [np.zeros(len(notes), bool) for _ in range(3)]
    for take in missed:
        take[4] = True
    missed[0][9] = True
    pins = pins_of(notes, make_takes(chance, notes, missed, 3))
    pd.testing.assert_series_equal(pins["n_takes"], pins["n_struck"], check_names=False)
    pd.testing.assert_series_equal(pins["n_missed"], pins["n_failed"], check_names=False)
    assert pins["n_missed"][[4, 9, 10]].tolist() == [3, 1, 0]
    assert pins["miss_q_value"][4] < 0.05 and pins["miss_q_value"][9] > 0.5


def test_a_pin_lies_at_its_degrees_and_millimetres_from_the_index_mark():
    """420 mm across: π × 420 / 360 = 3.665 mm a degree; a bar of eight is 45 degrees, and bar 9 is bar 1 again."""
    turn = np.array([0.0, 1 / 8, 0.5, 1.0, 1.125, 3 - 1e-13])
    deg, mm = pins_table.from_index(turn, Barrel(8.0, 420.0))
    np.testing.assert_allclose(deg, [0, 45, 180, 0, 45, 0], atol=1e-9)
    np.testing.assert_allclose(mm, [0, 164.9336, 659.7345, 0, 164.9336, 0], atol=1e-4)
    assert np.isnan(pins_table.from_index(turn, Barrel(None, 420.0))).all()
    deg, mm = pins_table.from_index(turn, Barrel(8.0))
    assert deg[1] == 45 and np.isnan(mm).all()


def test_the_table_says_where_on_the_barrel_each_pin_stands():
    chance = np.random.default_rng(3)
    notes = timing_machine.make_notes(chance, n_strikers=3, bars=24, sections="AB")
    pins = pins_of(notes, make_takes(chance, notes, [np.zeros(len(notes), bool)], 1))
    turn = notes["score_beat"].to_numpy() / 32 % 1
    np.testing.assert_allclose(pins["index_deg"], 360 * turn)
    np.testing.assert_allclose(pins["index_mm"], np.pi * 420 * turn)


def test_what_a_pins_own_strikes_say_is_within_its_error_where_the_spread_of_pins_is_uncertain():
    """Two takes hardly tell how far pins spread: what that adds to the error is no prior that could be taken out."""
    chance = np.random.default_rng(9003)
    notes = timing_machine.make_notes(chance, bars=48, n_strikers=5)
    truth = timing_machine.make_truth(chance, notes, 5, misplaced=0.0, pin_sd_s=0.0004)
    truth.jitter_s, truth.jitter_df = 0.0012, 6.0
    takes = timing_machine.make_takes(chance, notes, truth, 2)
    made = tables_of(timing_machine.make_group(takes), timing_machine.make_machine(5), notes, takes)
    pins = made["pins"].to_pandas()
    away = ((pins["free_s"] - truth.pin_s[pins["pin_id"]]) / pins["free_se"]).dropna()
    assert len(away) > 200
    assert away.abs().max() < 4.0  # of 210 normal variables one lies beyond it once in 75 such machines
    assert 0.9 < away.std() < 1.1


def make_seldom_in_company(seed, n_company, company_s=0.0, out_s=0.0):
    """Return tables and pins of three takes in which striker 4 fires with others at `n_company` of its pins alone.

    Others hold it up by `company_s`, or the first of these pins is out by `out_s`.
    """
    chance = np.random.default_rng([91, seed])
    frame = timing_machine.make_notes(chance, 5, bars=24, density=(1.2, 1.8), rolled=False).to_pandas()
    own = frame.loc[frame["pitch"] == 64, "score_beat"]
    others = frame[(frame["pitch"] != 64) & frame["score_beat"].isin(own)]
    kept = others["score_beat"].drop_duplicates().sample(n_company, random_state=seed)
    frame = frame.drop(others.index[~others["score_beat"].isin(kept)])
    notes = timing_machine.notes_of(list(zip(frame["score_beat"], frame["pitch"] - 60, frame["passage"], strict=True)))
    laid = notes.to_pandas()
    at = laid.loc[(laid["pitch"] == 64) & laid["score_beat"].isin(kept), "pin_id"].to_numpy()
    truth = timing_machine.make_truth(chance, notes, 5, misplaced=0.0)
    truth.company_s[4] = company_s
    truth.pin_s[at[0]] += out_s
    takes, machine = timing_machine.make_takes(chance, notes, truth, 3), timing_machine.make_machine(5)
    pins = tables_of(timing_machine.make_group(takes), machine, notes, takes)["pins"].to_pandas()
    return pins.set_index("pin_id"), at


def test_pins_at_which_alone_others_fire_with_a_striker_are_not_surely_misplaced():
    """Before, both were called misplaced: company of 16 ms at two pins looks like two pins 16 ms out."""
    pins, at = make_seldom_in_company(0, 2, company_s=0.016)
    assert not pins["misplaced"].any() and pins.index[pins["or_company"]].tolist() == at.tolist()
    assert (pins.loc[at, "q_value"] == 1).all()


def test_a_pin_is_called_misplaced_where_another_in_company_is_in_time():
    pins, at = make_seldom_in_company(1, 3, out_s=0.016)
    assert pins.index[pins["misplaced"]].tolist() == [at[0]] and not pins["or_company"].any()
