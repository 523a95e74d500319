"""What a job wins, in the reader's words."""

import pytest

from pipeline.report import lists, news
from tests.test_report import keys, lead_of, make_settings


def jobs_of(folder, *rows):
    settings = make_settings(folder)
    group = settings.groups()[-1]
    usual = {"where": "slate", "finding": "found so", "correction": "do so", "certainty": 0.97}
    usual |= {"effort": "at the lever"}
    rows = [keys(group) | usual | {"rank": at} | row for at, row in enumerate(rows, 1)]
    return lead_of(folder, settings, worklist=rows)


GAIN = {"gain_noticed": 14.36, "gain_low": 9.96, "gain_high": 19.8}
SAID = {
    "14 fewer noticed faults a playthrough (10.0 to 20)": {"part": "striker", "gain_missed": 14.36},
    "14 fewer noticed faults a playthrough (10.0 to 20), 57 → 43": {"part": "pin", "noticed_before": 57.4},
    # Counted apart: 12 faults are all there were.
    "14 fewer noticed faults a playthrough (10.0 to 20), 12 → 0.0": {"part": "pin", "noticed_before": 12.0},
    "14 fewer noticed faults a playthrough (10.0 to 20), and 0.1 ms of 7.0 ms spread": {
        "part": "pin",
        "gain_s": 0.00006,
    },
    "at most 14 fewer noticed faults a playthrough (10.0 to 20)": {"part": "load", "gain_s": 0.00004},
    # Known to the last digit shown: no range.
    "1.0 fewer noticed faults a playthrough": {
        "part": "pin",
        "gain_noticed": 0.9997,
        "gain_low": 0.994,
        "gain_high": 1.0,
    },
}


@pytest.mark.parametrize("said", SAID)
def test_a_job_says_what_it_wins_and_how_surely(tmp_path, said):
    found = jobs_of(tmp_path, GAIN | SAID[said])
    (job,) = news.jobs(found)
    assert job.gain.replace("\xa0", " ") == said
    assert (job.finding, job.correction, job.certainty, job.sure) == ("Found so.", "Do so.", "97\xa0%", True)


def test_the_list_shows_every_job_in_its_order(tmp_path):
    found = jobs_of(tmp_path, GAIN | {"part": "pin"}, GAIN | {"part": "load", "where": "load per strike"})
    columns = {column.title: column.cells for column in lists.jobs(found)}
    assert columns["Where"] == ["1. slate", "2. load per strike"]
    assert columns["Work"] == ["At the lever"] * 2 and "To be sure" not in columns
    assert columns["Wins"][1].startswith("at most ") and columns["Sure"] == ["97\xa0%"] * 2


def test_a_job_says_what_to_record_next(tmp_path):
    asked = {"to_be_sure": "fire slate alone at bar 12 beat 1 with the other 3 lifted: then so"}
    found = jobs_of(tmp_path, GAIN | asked | {"part": "striker"})
    told = "Fire slate alone at bar 12 beat 1 with the other 3 lifted: then so."
    assert news.jobs(found)[0].to_be_sure == told
    assert {column.title: column.cells for column in lists.jobs(found)}["To be sure"] == [told]
