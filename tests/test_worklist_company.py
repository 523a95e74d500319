"""Strikers that come late in company or soon after their own last strike: one job each, with the test that tells."""

import numpy as np
import pandas as pd
import pytest

from pipeline import tables
from tests.worklist_tables import NAMES, jobs, make, make_lateness, make_notes, make_striker

LATE_S = 0.018


def make_case(late_of_oak):
    """Return notes in which oak block strikes with slate at every fourth of its notes, and it is late where told."""
    notes = make_notes().to_pandas().assign(bar=1 + np.arange(400) // 8, beat_in_bar=1.0 + np.arange(400) % 8 / 2)
    with_it = notes["note_id"] % 8 == 1  # slate, written together with the oak block before it
    for name in ("score_beat", "score_s", "beat_in_bar", "bar"):
        notes.loc[with_it, name] = notes.loc[notes["note_id"] % 8 == 0, name].to_numpy()
    late_s = np.where((notes["striker"] == "oak block") & late_of_oak(notes), LATE_S, 0.0)
    late = make_lateness(n_takes=2, offsets=dict(enumerate(late_s))).to_pandas()
    late = late.assign(striker_s=late_s[late["note_id"]], late_s=late_s[late["note_id"]])
    late["score_beat"], late["score_s"] = (
        notes[name].to_numpy()[late["note_id"]] for name in ("score_beat", "score_s")
    )
    late["hit_s"] = 2.0 + late["score_s"] + late["felt_s"]
    notes = tables.build("notes", {name: list(notes[name]) for name in notes})
    return notes, make("lateness", late.to_dict("records"))


def make_both(**oak):
    usual = {"company_s": 0.0, "company_se": 0.0005, "readiness_s": 0.0, "readiness_se": 0.0005, "delay_s": 0.0}
    return [make_striker(NAMES[0], **usual | oak), make_striker(NAMES[1], **usual)]


def in_company(notes):
    return notes["note_id"] % 8 == 0


def test_a_striker_late_in_company_is_one_job_that_names_the_test_that_settles_it():
    notes, late = make_case(in_company)
    made = jobs(late, make_both(company_s=LATE_S), notes=notes)
    (found,) = made.to_dict("records")
    assert (found["part"], found["where"], found["effort"]) == ("striker", "oak block", "at the lever")
    assert found["finding"] == "strikes 18.0 ms (±1.0) later when one other fires with it"
    assert found["mends"] == "company" and np.isnan(found["late_s"])
    told = "fire oak block alone at bar 1 beat 1 with the other lifted: if it is on time then, the others hold it up"
    assert found["to_be_sure"] == told
    # 50 of its 200 notes have company, and are heard displaced; a chord of a displaced strike counts no more.
    assert found["gain_noticed"] == pytest.approx(49, abs=1) and found["gain_low"] > 35


def test_company_and_readiness_of_one_striker_are_one_job():
    notes, late = make_case(in_company)
    (found,) = jobs(late, make_both(company_s=LATE_S, readiness_s=0.005), notes=notes).to_dict("records")
    assert found["finding"] == (
        "strikes 18.0 ms (±1.0) later when one other fires with it and up to 5.0 ms (±1.0) later soon after its own "
        "last strike"
    )
    assert found["effort"] == "new part"
    assert found["to_be_sure"].endswith(
        "; lift oak block over bar 1 beat 1: if it is on time at bar 1 beat 2 then, it is not ready again so soon"
    )


def test_what_is_not_surely_there_or_not_heard_or_makes_it_early_is_no_job():
    notes, late = make_case(in_company)
    assert len(jobs(late, make_both(company_s=0.001), notes=notes)) == 0
    assert len(jobs(late, make_both(company_s=-LATE_S), notes=notes)) == 0
    assert len(jobs(late, make_both(company_s=None, company_se=None), notes=notes)) == 0
    quiet, unheard = make_case(lambda notes: notes["note_id"] < 0)
    assert len(jobs(unheard, make_both(company_s=LATE_S), notes=quiet)) == 0


def test_a_striker_that_never_has_company_is_not_told_to_be_fired_without_it():
    """Readiness alone: no test of company, whatever the notes."""
    notes, late = make_case(in_company)
    (found,) = jobs(late, make_both(readiness_s=LATE_S), notes=notes).to_dict("records")
    assert "alone" not in found["to_be_sure"] and found["finding"].startswith("strikes up to 18.0 ms")
    lonely = notes.to_pandas().assign(score_s=np.arange(400) * 0.4)
    lonely = tables.build("notes", {name: list(lonely[name]) for name in lonely})
    (found,) = jobs(late, make_both(company_s=LATE_S), notes=lonely).to_dict("records")
    assert pd.isna(found["to_be_sure"])
