"""A drive that gives way is a job where the machine surely did it, and only there."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from pipeline import worklist
from pipeline.worklist import slips
from tests import worklist_tables
from tests.worklist_tables import make, make_lateness, make_notes, make_settings

SLIP = worklist_tables.GROUP | {"segment": 1, "playthrough": 1, "bar": 12, "size_s": 0.03, "size_se": 0.0005}
AT = 200  # of 400 notes


def jobs_of(**more):
    """Return the jobs of three takes in which all strikes from one on come 30 ms later."""
    late_s = np.where(np.arange(400) >= AT, 0.03, 0.0)
    late = make_lateness(load_s=late_s, n_takes=3)
    names = sorted(set(late["recording"].to_pylist()))
    row = SLIP | {"score_beat": AT * 0.5, "q_value": 1e-6, "cause": "unknown"} | more
    rows = [row | {"recording": name} for name in names]
    settings = make_settings(n_takes=3)
    given = {name: make(name, []) for name in ("strikers", "pins", "recordings")} | {"slips": make("slips", rows)}
    tempo = {settings.groups()[-1].id: make("tempo", [])}
    at = {settings.groups()[-1].id: late}
    return worklist.jobs(settings, at, tempo, {}, {"song": make_notes()}, **given).to_pandas().to_dict("records")


def test_a_slip_of_every_take_is_one_job_that_names_drive_and_pins():
    (job,) = jobs_of(common_place=1)
    assert job["where"] == "the drive at bar 12" and job["part"] == "shaft" and job["mends"] == "slip"
    assert "come 30.0 ms (±0.6) later, of all strikers: the drive gives way there, or every pin from" in job["finding"]
    assert "move no single pin there before" in job["correction"] and job["certainty"] > 0.99
    assert 0 < job["gain_low"] <= job["gain_noticed"] < 10


@pytest.mark.parametrize("cause", ["unknown", "recording"])
def test_what_a_recording_may_have_done_is_no_job_at_the_machine(cause):
    assert jobs_of(cause=cause) == []


def test_slips_that_the_click_lays_to_the_machine_are_a_job_wherever_they_come():
    (job,) = jobs_of(cause="machine")
    assert job["where"] == "the drive" and "the click does not (t0 bar 12, t1 bar 12 and t2 bar 12)" in job["finding"]


@pytest.mark.parametrize(("turns_apart", "said"), [(1.0, True), (0.7, False)])
def test_places_at_one_angle_of_the_barrel_are_one_job_that_says_so(turns_apart, said):
    notes = make_notes().to_pandas()
    notes["barrel_turn"] = notes["score_beat"] / 32
    at = [20.0 + round(64 * turns_apart * k) / 2 for k in range(4)]
    rows = [
        SLIP | {"recording": f"t{take}", "score_beat": beat, "bar": 3 + k, "common_place": k + 1, "cause": "unknown"}
        for k, beat in enumerate(at)
        for take in range(3)
    ]
    heard = SimpleNamespace(notes=notes, machine=make_settings().machine)
    told = slips._once_a_turn(heard, pd.DataFrame(rows))
    assert told == (", each time at the same angle of the barrel, 225° from the mark" if said else "")
