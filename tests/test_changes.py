"""The table of changes: what became of each thing since the group before."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from pipeline import settings, tables
from pipeline.timing.tables import pins as pins_table
from pipeline.trend.changes import before_and_now, matching, pairs, verdicts
from tests import timing_machine
from tests.benchmarks import build_days
from tests.benchmarks.build_days import CHANGED


def make_things(change_s, se_s=0.001, **columns):
    """Return `change_s` as pins that stood right before."""
    n = len(change_s)
    frame = pd.DataFrame({"kind": "pin", "thing": [f"pin {k}" for k in range(n)], "quantity": "place"}, index=range(n))
    frame = frame.assign(
        before=0.0, after=np.asarray(change_s, float), change=np.asarray(change_s, float), change_se=se_s
    )
    frame = frame.assign(df=np.inf, unit="s", family="pins", least=0.0, told=True, is_new=False, asked=False, job=None)
    return frame.assign(out_before=False, out_after=np.abs(frame["after"]) > 0.006).assign(**columns)


def make_small(seed, bars=12, n_strikers=4):
    chance = np.random.default_rng(seed)
    notes = timing_machine.make_notes(chance, n_strikers, bars=bars, density=(0.7, 1.6), sections="AB")
    truth = timing_machine.make_truth(chance, notes, n_strikers, misplaced=0.0)
    return chance, notes, truth


def make_pair(slower=1.0):
    groups = [settings.Group("song", build_days.FIRST + timedelta(day), 1, "", ()) for day in range(2)]
    return pairs.Pair(*groups, slower=slower, same_rig=True, pin_of={})


def make_recording(arrangement, day):
    return settings.Recording(f"take-{day}", "take.wav", build_days.FIRST + timedelta(day), "full", arrangement)


def compared(chance, notes, truths, n_strikers=4, n_takes=3):
    days = [
        build_days.play(chance, notes, build_days.fresh(one), day, n_takes, n_strikers)
        for day, one in enumerate(truths)
    ]
    return build_days.changes(days, {"song": notes}, n_strikers=n_strikers)


def pins_of(made):
    pins = made[(made["kind"] == "pin") & (made["quantity"] == "place")]
    return pins.set_index(pins["thing"].str.extract(r"(\d+)")[0].astype(int)).sort_index()


def test_one_moved_pin_of_a_barrel_is_called_with_its_size_and_the_others_are_left_alone():
    chance, notes, truth = make_small(5)
    after = replace(truth, pin_s=truth.pin_s.copy())
    after.pin_s[17] += 0.012
    pins = pins_of(compared(chance, notes, (truth, after)))
    assert pins.loc[17, "verdict"] == "worse" and abs(pins.loc[17, "change"] - 0.012) < 0.003
    assert not pins.drop(index=17)["verdict"].isin(CHANGED).any()


def test_a_striker_whose_lever_moved_is_called_and_none_of_its_pins():
    chance, notes, truth = make_small(6)
    after = replace(truth, delay_s=truth.delay_s.copy())
    after.delay_s[2] += 0.008
    made = compared(chance, notes, (truth, after))
    assert not pins_of(made)["verdict"].isin(CHANGED).any()
    delays = made[made["quantity"] == "delay"].set_index("thing")
    assert delays["verdict"].isin(CHANGED).to_dict() == {f"striker {k}": k == 2 for k in range(4)}
    assert abs(delays.loc["striker 2", "change"] - 0.008) < 0.002


def test_a_slower_day_moves_no_pin():
    """A pin is out by an angle: at a fifth slower its 15 ms are 18 ms, and it was not touched."""
    chance, notes, truth = make_small(7)
    truth.pin_s[[9, 21]] = 0.015, -0.015
    truth.tempo_sd, truth.jitter_s = 0.0, 0.0005
    slow = np.array([5, 6])
    days = [build_days.play(chance, notes, build_days.fresh(truth), 0, 3, 4)]
    takes = [timing_machine.make_take(chance, notes, build_days.fresh(truth), f"slow-{k}", speed=0.8) for k in slow]
    when = build_days.FIRST + timedelta(1)
    takes = [replace(take, recording=replace(take.recording, build_day=when)) for take in takes]
    group = settings.Group("song", when, 1, "", tuple(take.recording for take in takes))
    days.append(build_days.Day(group, build_days.timing.tables_of(group, timing_machine.make_machine(4), notes, takes)))
    made = build_days.changes(days, {"song": notes}, n_strikers=4)
    assert not made["verdict"].isin(CHANGED).any()
    assert pins_of(made).loc[9, "before"] == pytest.approx(0.015 / 0.8, abs=0.0015)


def test_pins_that_an_inserted_bar_shifts_are_found_again_and_the_new_ones_are_new():
    chance, notes, truth = make_small(8)
    frame = notes.to_pandas()
    later = frame["score_beat"] >= 16
    inserted = frame[(frame["score_beat"] < 4)].assign(score_beat=lambda one: one["score_beat"] + 16)
    rows = pd.concat([frame.assign(score_beat=frame["score_beat"] + 4 * later), inserted])
    rows = rows.sort_values(["score_beat", "pitch"])
    edited = timing_machine.notes_of(list(zip(rows["score_beat"], rows["pitch"] - 60, rows["passage"], strict=True)))
    old_of = matching.pins(frame, edited.to_pandas())
    kept = edited.to_pandas()
    kept = kept[~kept["bar"].eq(5)]
    assert len(old_of) == len(frame) == len(kept)
    assert [old_of[pin] for pin in kept["pin_id"]] == frame["pin_id"].tolist()

    pin_s = np.zeros(len(edited))
    pin_s[kept["pin_id"]] = truth.pin_s
    first = build_days.play(chance, notes, build_days.fresh(truth), 0, 3, 4)
    again = build_days.play(chance, edited, build_days.fresh(replace(truth, pin_s=pin_s)), 1, 3, 4, "song in two")
    pins = pins_of(build_days.changes([first, again], {"song": notes, "song in two": edited}, n_strikers=4))
    assert set(pins["before_arrangement"]) == {"song"}
    new = pins["verdict"] == "new"
    assert new[new].index.tolist() == [pin for pin in edited["pin_id"].to_pylist() if pin not in old_of]
    assert pins.loc[~new, "before"].notna().all() and not pins.loc[~new, "verdict"].isin(CHANGED).any()


def test_a_pin_that_is_gone_is_listed():
    _, notes, _ = make_small(9)
    frame = notes.to_pandas()
    fewer = frame[frame["bar"] != 3]
    rows = list(zip(fewer["score_beat"] - 4 * (fewer["bar"] > 3), fewer["pitch"] - 60, fewer["passage"], strict=True))
    shorter = timing_machine.notes_of(rows)
    assert len(matching.pins(frame, shorter.to_pandas())) == len(shorter)
    of_pins = {"free_s": 0.0, "free_se": 0.001, "misplaced": False}
    pair = replace(make_pair(), pin_of=matching.pins(frame, shorter.to_pandas()))
    made = before_and_now.pins(pair, frame.assign(**of_pins), shorter.to_pandas().assign(**of_pins)).assign(asked=False)
    gone = verdicts.with_verdicts(made)[made["thing"].str.endswith("before")]
    assert gone["bar"].tolist() == [3] * (frame["bar"] == 3).sum() and set(gone["verdict"]) == {"cannot be told"}


def test_a_pin_that_todays_takes_did_not_reach_is_not_gone():
    _, notes, _ = make_small(9)
    frame = notes.to_pandas().assign(free_s=0.0, free_se=0.001, misplaced=False)
    pair = replace(make_pair(), pin_of={int(pin): int(pin) for pin in frame["pin_id"]})
    made = before_and_now.pins(pair, frame, frame[frame["bar"] > 3]).assign(asked=False)
    told = verdicts.with_verdicts(made).set_index("thing")
    assert not told.index.str.endswith("before").any() and len(told) == len(frame)
    assert (told["verdict"].eq("cannot be told") == told["bar"].le(3)).all()
    made = before_and_now.pins(pair, frame[frame["bar"] > 3], frame).assign(asked=False)
    assert not verdicts.with_verdicts(made)["verdict"].eq("new").any()


def test_another_song_is_not_taken_for_an_edited_one():
    songs = {
        name: timing_machine.make_notes(np.random.default_rng(seed), 4, bars=12, sections="AB").to_pandas()
        for name, seed in (("song", 10), ("other", 99))
    }
    groups = [
        settings.Group(name, build_days.FIRST + timedelta(day), 1, "", (make_recording(name, day),))
        for day, name in enumerate(songs)
    ]
    days = [build_days.Day(group, {}) for group in groups]
    used = pd.DataFrame([group.key for group in groups], columns=list(tables.GROUP_KEYS)).assign(tempo_bpm=96.0)
    assert pairs.compared(build_days.settings_of(days), used, songs) == []
    same = {"song": songs["song"], "other": songs["song"]}
    assert [one.before for one in pairs.compared(build_days.settings_of(days), used, same)] == groups[:1]


def test_what_is_called_is_what_bonferronis_correction_of_statsmodels_rejects():
    """statsmodels' multipletests is the outside authority, at the family's share of 5 %; Holm's rejects no less."""
    chance = np.random.default_rng(3)
    change_s = chance.normal(0, 0.001, 500)
    change_s[:40] += chance.normal(0, 0.006, 40)
    made = verdicts.with_verdicts(make_things(change_s))
    p = 2 * stats.norm.sf(np.abs(change_s) / 0.001)
    called = made["verdict"].isin(CHANGED).to_numpy()
    assert (called == multipletests(p, verdicts.ERRORS["pins"], "bonferroni")[0]).all() and called.sum() > 5
    assert (multipletests(p, verdicts.ERRORS["pins"], "holm")[0] >= called).all()
    assert sum(verdicts.ERRORS.values()) == pytest.approx(0.05)


def test_pins_of_which_something_was_asked_are_told_by_narrower_intervals():
    made = verdicts.with_verdicts(make_things(np.full(500, 0.0035), asked=np.arange(500) < 5))
    assert made["verdict"].isin(CHANGED).tolist() == [True] * 5 + [False] * 495


@pytest.mark.parametrize(
    ("before", "after", "se", "asked", "verdict"),
    [
        (0.0, 0.015, 0.001, False, "worse"),
        (0.015, 0.0005, 0.001, False, "mended"),
        (0.015, -0.014, 0.001, False, "moved"),
        (0.015, 0.021, 0.001, False, "worse"),
        (0.002, -0.004, 0.001, False, "moved"),
        (0.0001, 0.005, 0.001, False, "worse"),  # never called out, and surely further from its place
        (0.005, 0.0001, 0.001, False, "mended"),  # never called out, and gone
        (0.020, 0.012, 0.001, False, "moved"),  # nearer, and still out
        (0.001, 0.0, 0.001, False, "unchanged"),
        (0.015, 0.014, 0.001, True, "unchanged"),
        (0.015, 0.010, 0.005, True, "cannot be told"),  # it holds no change and the cure
        (0.001, 0.0, 0.010, False, "cannot be told"),
    ],
)
def test_the_word_of_a_verdict(before, after, se, asked, verdict):
    out = {"out_before": abs(before) > 0.006, "out_after": abs(after) > 0.006}
    made = make_things([after - before], se_s=se, before=before, after=after, asked=asked, **out)
    assert verdicts.with_verdicts(made)["verdict"].tolist() == [verdict]


def test_of_two_strikers_nobody_can_say_which_moved():
    frame = pd.DataFrame({"striker": ["a", "b"], "delay_se": 0.0005})
    for name in ("company", "readiness"):
        frame = frame.assign(**{f"{name}_s": np.nan, f"{name}_se": np.nan})
    pair = make_pair()
    was, now = frame.assign(delay_s=[0.0, 0.0]), frame.assign(delay_s=[0.01, -0.01])
    made = before_and_now.strikers(pair, was, now, set()).assign(asked=False)
    assert set(verdicts.with_verdicts(made)["verdict"]) == {"cannot be told"}
    three = pd.concat([frame, frame.tail(1).assign(striker="c")], ignore_index=True)
    was, now = three.assign(delay_s=0.0), three.assign(delay_s=[0.01, -0.005, -0.005])
    made = verdicts.with_verdicts(before_and_now.strikers(pair, was, now, set()).assign(asked=False))
    assert made.set_index(["quantity", "thing"]).loc["delay", "verdict"].isin(CHANGED).tolist() == [True, False, False]
    # With other microphones, or one that was moved, times are not compared.
    for other, moved in ((replace(pair, same_rig=False), set()), (pair, {"a"})):
        made = verdicts.with_verdicts(before_and_now.strikers(other, was, now, moved).assign(asked=False))
        assert made.set_index(["quantity", "thing"]).loc[("delay", "a"), "verdict"] == "cannot be told"


def test_a_project_without_a_second_day_has_no_changes():
    given = {name: tables.empty(name) for name in build_days.GIVEN}
    assert not len(build_days.trend.changes(build_days.settings_of([]), {}, tables.empty("asked"), **given))


def test_the_free_estimate_of_a_pin_takes_its_prior_out_again():
    """1/V = 1/σ² + 1/V_free and offset/V = free/V_free: the product of prior and likelihood of normal variables."""
    sd, free_se, free_s = 0.001, np.array([0.0005, 0.002]), np.array([0.002, -0.003])
    variance = 1 / (1 / sd**2 + 1 / free_se**2)
    frame = pd.DataFrame({"offset_s": variance * free_s / free_se**2, "offset_se": np.sqrt(variance)})
    frame = frame.assign(misplaced=False, n_played=3)
    frame.loc[2], frame.loc[3] = (0.02, 0.0007, True, 3), (0.0, sd, False, 0)
    frame = frame.assign(likeliest_s=frame["offset_s"], likeliest_se=frame["offset_se"])
    made = pins_table._free(frame, sd)
    np.testing.assert_allclose(made["free_s"], [*free_s, 0.02, np.nan])
    np.testing.assert_allclose(made["free_se"], [*free_se, 0.0007, np.nan])
    # What other scales add to the error is no prior.
    by_others = pins_table._free(frame.assign(offset_se=np.sqrt(frame["offset_se"] ** 2 + 1e-8)), sd)
    np.testing.assert_allclose(by_others["free_s"], made["free_s"])
    np.testing.assert_allclose(by_others["free_se"][:2], np.sqrt(free_se**2 + 1e-8))
    assert pa.array(made["free_s"], from_pandas=True).null_count == 1
