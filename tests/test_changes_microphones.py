"""Was a microphone moved or exchanged, was a gain touched? And which jobs of the earlier list are answered."""

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline import tables
from pipeline.trend.changes import fates, microphones
from pipeline.trend.changes.verdicts import with_verdicts

NAMES = ("oak block", "slate", "brass cup", "hide drum")
KEYS = {"arrangement": "song", "session": 1, "setup": ""}
WORKLIST = Path(fates.__file__).parents[2] / "worklist"


def make_strikers(chance, day, n_takes=3, take_sd_db=0.2, louder=None, other_sound=None, names=NAMES, rig="full"):
    """Return what 'strikers' says of the microphones: levels and sounds that takes vary, and what was changed."""
    rows = []
    for number, name in enumerate(names):
        levels = chance.normal(-10 - number + (louder or {}).get(name, 0), take_sd_db, n_takes)
        shape = 6 * np.cos(np.arange(tables.N_BANDS) * (1 + number)) + (other_sound or {}).get(name, 0)
        sounds = shape + chance.normal(0, take_sd_db, (n_takes, tables.N_BANDS))
        row = KEYS | {"build_day": date(2031, 5, 3 + day), "striker": name, "rig": rig, "channel": number + 1}
        row |= {"level_db": levels.mean(), "level_take_sd_db": levels.std(ddof=1), "n_takes": n_takes}
        row |= {"level_common_take_sd_db": abs(chance.normal(0, take_sd_db)), "sound_db": sounds.mean(axis=0)}
        rows.append(row | {"sound_take_sd_db": np.sqrt(sounds.var(axis=0, ddof=1).mean())})
    return pd.DataFrame(rows)


def moved(before, now):
    """Return what is called moved."""
    scale = microphones.take_sds(pd.concat([before, now], ignore_index=True))
    made = with_verdicts(microphones.microphones(before, now, scale).assign(asked=False))
    return {(row.thing.removeprefix("full, "), row.quantity) for row in made.itertuples() if row.verdict == "moved"}


def test_equal_days_have_no_moved_microphone():
    chance = np.random.default_rng(1)
    called = [moved(make_strikers(chance, 0), make_strikers(chance, 1)) for _ in range(60)]
    assert sum(map(bool, called)) <= 1


def test_a_gain_that_was_touched_shows_in_the_level_and_another_microphone_in_the_sound():
    chance = np.random.default_rng(2)
    before = make_strikers(chance, 0)
    assert moved(before, make_strikers(chance, 1, louder={"slate": -6})) == {("channel 2", "level")}
    tilt = {"slate": np.linspace(-6, 6, tables.N_BANDS)}
    assert moved(before, make_strikers(chance, 1, other_sound=tilt)) == {("channel 2", "sound")}


def test_a_crew_that_strikes_harder_moved_no_microphone():
    """All channels louder alike: their row alone may say it, none of the channels."""
    chance = np.random.default_rng(3)
    before = make_strikers(chance, 0, n_takes=6)
    louder = make_strikers(chance, 1, n_takes=6, louder=dict.fromkeys(NAMES, 5))
    assert moved(before, louder) <= {("all channels", "level")}


def test_a_gain_touched_between_takes_of_one_day_is_no_change_of_days():
    chance = np.random.default_rng(4)
    before = make_strikers(chance, 0)
    before.loc[1, ["level_db", "level_take_sd_db"]] = before.loc[1, "level_db"] + 3, 4.5
    assert moved(before, make_strikers(chance, 1)) == set()


def test_other_microphones_are_not_compared():
    chance = np.random.default_rng(5)
    before, now = make_strikers(chance, 0), make_strikers(chance, 1, rig="room", louder={"slate": -20})
    scale = microphones.take_sds(pd.concat([before, now]))
    assert not len(microphones.microphones(before, now, scale))


def test_one_take_a_day_tells_nothing():
    chance = np.random.default_rng(6)
    days = [make_strikers(chance, day, louder={"slate": -9 * day}) for day in range(2)]
    days = [day.assign(n_takes=1, level_take_sd_db=np.nan, sound_take_sd_db=np.nan) for day in days]
    assert moved(*days) == set()


def make_job(part, where, finding, **more):
    return {"rank": 1, "part": part, "where": where, "finding": finding, "correction": "move it", "places": None} | more


def joined(jobs, made, notes=None):
    columns = {"score_beat": [], "striker": [], "pin_id": []} if notes is None else notes
    return fates.Asked(pd.DataFrame(jobs), pd.DataFrame(columns)).joined(pd.DataFrame(made), {7: 3, 8: 4})


def test_a_job_of_two_pins_is_asked_of_both_by_their_numbers_of_today():
    places = '[{"score_beat": 1.0, "striker": "slate"}, {"score_beat": 2.0, "striker": "slate"}]'
    notes = {"score_beat": [1.0, 2.0, 2.0], "striker": ["slate", "slate", "oak block"], "pin_id": [3, 4, 5]}
    made = [{"kind": "pin", "thing": f"pin {pin}", "quantity": "place"} for pin in (3, 7, 8, 9)]
    jobs = [make_job("pin", "2 pins", "they are 9 ms out of place: 2 late", places=places)]
    assert joined(jobs, made, notes)["asked"].tolist() == [False, True, True, False]
    missing = [make_job("pin", "2 pins", "missed 4 of 6 times", places=places)]
    assert not joined(missing, made, notes)["asked"].any()
    assert fates.Asked(pd.DataFrame(missing), pd.DataFrame(notes)).missing({7: 3, 8: 4}) == {7, 8}


@pytest.mark.parametrize(
    ("finding", "quantities"),
    [
        ("strikes 9.0 ms later than the middle one of all strikers", {"delay"}),
        ("45 of 456 strikes missed (9.9 %)", {"missed"}),
        ("8 double strikes beside 143 played, weaker and soon after: bounces", {"extra"}),
        ("strikes 2.3 ms later when one other fires with it", {"company"}),
        ("strikes 2 ms later when one other fires with it and up to 3 ms later soon after its own last strike",
         {"company", "readiness"}),
    ],
)  # fmt: skip
def test_a_job_of_a_striker_is_answered_by_what_was_found(finding, quantities):
    every = ("delay", "missed", "extra", "company", "readiness")
    made = [{"kind": "striker", "thing": name, "quantity": one} for name in NAMES[:2] for one in every]
    found = joined([make_job("striker", "slate", finding)], made)
    assert set(found.loc[found["asked"], "quantity"]) == quantities
    assert set(found.loc[found["asked"], "thing"]) == {"slate"}


def test_every_phrase_by_which_a_job_is_known_stands_in_the_work_list():
    text = "".join(path.read_text(encoding="utf-8") for path in WORKLIST.glob("*.py"))
    assert all(phrase in text for phrase in fates.FINDINGS)


@pytest.mark.parametrize(("verdict", "fate"), [*fates.FATES.items(), ("cannot be told", "cannot be told")])
def test_the_fate_of_a_job_follows_from_the_verdict_of_its_thing(verdict, fate):
    made = pd.DataFrame({"verdict": [verdict, verdict], "job": ["slate: move it", None]})
    found = fates.told(made.assign(before=0.02, after=-0.02, change_low=-0.041, change_high=-0.039))["fate"]
    assert found[0] == fate and pd.isna(found[1])


@pytest.mark.parametrize(("after", "fate"), [(0.008, "done and won a part"), (0.0195, "done and did not win")])
def test_a_job_won_a_part_where_its_thing_is_surely_nearer_and_still_out(after, fate):
    row = {"verdict": "moved", "job": "slate: move it", "before": 0.02, "after": after}
    row |= {"change_low": after - 0.021, "change_high": after - 0.019}
    assert fates.told(pd.DataFrame([row]))["fate"][0] == fate
