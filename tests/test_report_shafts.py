"""What the report says of shafts out of true, and the machines on which each sentence would be false."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from pipeline import settings
from pipeline.report import causes, lists, shafts


def make_found(drive="belt", n_takes=2, amplitude_s=0.002, **row):
    """Return what the report reads of a machine with one wobble, every take with a phase of its own."""
    usual = {"shaft": "flywheel", "harmonic": 1, "order": 6.44, "creep": 6.44 / 6.5 - 1, "creep_se": 0.00025}
    usual |= {"amplitude_s": amplitude_s, "amplitude_se": 0.00008, "phase_turn": np.nan}
    turn = np.arange(0, 12, 1 / 32)
    notes = pd.DataFrame({"note_id": np.arange(len(turn)), "barrel_turn": turn})
    chance, late = np.random.default_rng(1), []
    for take in range(n_takes):
        wave_s = amplitude_s * np.sin(2 * np.pi * (6.44 * turn + 0.3 * take))
        late.append(notes.assign(recording=f"take-{take}", segment=1, playthrough=1, shaft_s=wave_s))
    late = pd.concat(late).drop(columns="barrel_turn")
    late["rest_s"] = chance.normal(0, 0.001, len(late))
    machine = settings.Machine(settings.Barrel(8.0), (settings.Shaft("flywheel", 6.5, drive),), None, ())
    budget = pd.DataFrame({"ruler": ["felt"], "part": ["shaft"], "detectable_s": [0.0005]})
    return SimpleNamespace(
        shafts=pd.DataFrame([usual | row]), lateness=late, notes=notes, machine=machine, budget=budget
    )


def test_a_belt_shaft_that_turns_less_is_said_with_its_error_and_what_may_do_so():
    """A belt that creeps and a pulley that is larger than written look alike."""
    (said,) = shafts.said(make_found())
    assert "Flywheel turns 6.44 times per turn of the barrel, the pulleys say 6.50: 0.92\N{NO-BREAK SPACE}%" in said
    assert (
        "% (±0.05) less, by creep of the belt or pulleys of other sizes" in said
        and "moves strikes by 2.0\N{NO-BREAK SPACE}ms" in said
    )


@pytest.mark.parametrize(
    "row", [{"creep": -0.0004, "creep_se": 0.00025}, {"creep": np.nan}, {"creep": -0.01, "creep_se": np.nan}]
)
def test_a_creep_that_is_not_sure_is_not_said(row):
    (said,) = shafts.said(make_found(**row))
    assert "creep" not in said and "pulleys" not in said and "6.44 times" in said


def test_the_table_says_how_sure_the_ratio_is():
    """One that is off by less than its error does not read as a belt that creeps."""
    columns = lists.shafts(make_found(creep=-0.0032, creep_se=0.0025))
    (column,) = (one for one in columns if one.title == "Off the told ratio")
    assert column.cells[0].replace("\N{NO-BREAK SPACE}", " ") == "−0.32 % (±0.49)"


def test_a_shaft_that_turns_more_than_told_does_not_creep():
    (said,) = shafts.said(make_found(order=6.6, creep=6.6 / 6.5 - 1))
    assert "creeps" not in said and "measure the drive again" in said


def test_a_freewheel_has_no_belt():
    (said,) = shafts.said(make_found(drive="freewheel"))
    assert "belt" not in said and "pulleys" not in said and "you say 6.50" in said


@pytest.mark.parametrize(
    ("turn", "where"),
    [(0.25, "latest at a quarter turn"), (0.98, "latest at the start"), (0.37, "latest at 0.37 of a turn")],
)
def test_a_toothed_drive_says_where_in_its_turn_it_is_latest(turn, where):
    row = {"order": 9.0, "creep": np.nan, "creep_se": np.nan, "phase_turn": turn / 9.0}
    assert where in shafts.said(make_found(drive="toothed", **row))[0]
    assert "latest" not in shafts.said(make_found())[0]


def test_an_order_that_nobody_named_is_said_to_be_so():
    (said,) = shafts.said(make_found(shaft=None, order=13.3, creep=np.nan))
    assert said.startswith("Something that turns 13.30 times") and "nobody named a shaft that does" in said


def test_the_circle_and_the_sentence_give_one_size():
    """The fit draws waves towards 0: what it adds to each hit is a little less than the size that it estimates."""
    found = make_found(n_takes=3)
    found.lateness["shaft_s"] *= 0.95
    for said in (shafts.said(found)[0], shafts.circle(found).sentence, shafts.circle(found).wide):
        assert "2.0\N{NO-BREAK SPACE}ms" in said


def test_the_circle_shows_the_wobble_through_all_phases_of_the_takes():
    picture = shafts.circle(make_found(n_takes=3))
    assert "2.0\N{NO-BREAK SPACE}ms to either side" in picture.sentence
    assert picture.wide.count("h0") >= shafts.PARTS - 1
    harmonic, size_s, strikes_s = shafts._folded(*(lambda one: (one, one.shafts.iloc[0]))(make_found(n_takes=3)))
    wave_s = 0.002 * np.sin(2 * np.pi * (np.arange(shafts.PARTS) + 0.5) / shafts.PARTS)
    np.testing.assert_allclose(strikes_s, wave_s, atol=0.0006)
    assert harmonic == 1 and size_s == pytest.approx(0.002, rel=0.01)


def test_no_wobble_no_circle():
    found = make_found()
    found.shafts = found.shafts.iloc[:0]
    assert shafts.circle(found) is None and shafts.said(found) == []
    found = make_found()
    found.lateness = found.lateness.iloc[:30]
    assert shafts.circle(found) is None


def test_what_would_have_been_found_is_said_only_where_nothing_was():
    found = make_found()
    assert causes._no_wobble(found, "felt") == ""
    found.shafts = found.shafts.iloc[:0]
    assert causes._no_wobble(found, "felt").startswith(". No wobble was found; one of 0.5\N{NO-BREAK SPACE}ms or more")
    assert causes._no_wobble(found, "song") == ""
    found.budget = found.budget.assign(detectable_s=np.nan)
    assert causes._no_wobble(found, "felt") == ""
