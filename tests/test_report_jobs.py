"""What a job wins, in the reader's words."""

import pytest

from pipeline.report import lists, news
from tests.test_report import keys, lead_of, make_settings


def jobs_of(folder, *rows):
    settings = make_settings(folder)
    group = settings.groups()[-1]
    usual = {"where": "slate", "finding": "found so", "correction": "do so", "certainty": 0.97}
    rows = [keys(group) | usual | {"rank": at} | row for at, row in enumerate(rows, 1)]
    return lead_of(folder, settings, worklist=rows)


GAIN = {"gain_noticed": 14.36, "gain_low": 9.96, "gain_high": 19.8}
SAID = {
    "14 fewer missed or double strikes a playthrough (10.0 to 20)": {"part": "striker", "gain_missed": 14.36},
    "14 fewer strikes heard displaced a playthrough (10.0 to 20)": {"part": "pin", "gain_s": 0.00004},
    "14 fewer strikes heard displaced a playthrough (10.0 to 20) and 0.1 ms of 7.0 ms spread": {
        "part": "pin",
        "gain_s": 0.00006,
    },
    "at most 14 fewer strikes heard displaced a playthrough (10.0 to 20)": {"part": "load"},
    # Known to the last digit shown: no range.
    "1.0 fewer strikes heard displaced a playthrough": {
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
    assert columns["Wins"][1].startswith("at most ") and columns["Sure"] == ["97\xa0%"] * 2
