"""Which results no longer stand."""

from pathlib import Path

import pytest

from pipeline import hits, results
from pipeline.__main__ import main
from pipeline.settings import Fingerprints, load
from tests.test_workflow import make_project, make_take


@pytest.fixture
def made(tmp_path, monkeypatch):
    """A project of one list of hits with its notes and hits made; return what to ask."""
    monkeypatch.chdir(make_project(tmp_path, takes=("a1",)))
    assert main(["notes", "my.yaml", "round"]) == main(["hits", "my.yaml", "a1"]) == 0

    def again():
        config = load("my.yaml")
        return set(results.to_make_again(config, Fingerprints(config)))

    return again


HITS, NOTES = "results/hits/a1.parquet", "results/notes/round.parquet"


def test_what_is_not_made_yet_is_to_be_made_and_what_is_whole_is_not(made):
    config = load("my.yaml")
    every = {one.path for one in results.listed(config, Fingerprints(config))}
    assert made() == every - {HITS, NOTES} | {"results/report/index.html", "results/report/finding.txt"}


def test_a_recording_that_is_replaced_while_it_is_read_shows_at_the_next_start(made, monkeypatch):
    real = hits.find

    def replaced_meanwhile(*arguments):
        found = real(*arguments)
        make_take("a1.csv", "round.mid", seed=8)
        return found

    monkeypatch.setattr(hits, "find", replaced_meanwhile)
    assert main(["hits", "my.yaml", "a1"]) == 0
    assert HITS in made()


def test_another_version_of_a_library_that_calculates_makes_everything_again(made):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("pipeline.settings.fingerprints._libraries", lambda: ("9.9",))
        assert {HITS, NOTES} <= made()
    assert not {HITS, NOTES} & made()


def test_the_report_stands_only_with_the_files_that_were_sealed(made):
    page, finding = Path("results/report/index.html"), Path("results/report/finding.txt")
    page.parent.mkdir()
    page.write_text("page")
    finding.write_text("finding")
    results.seal_report("results", Fingerprints(load("my.yaml")).of("report"))
    assert str(page) not in made()
    page.write_text("pag")
    assert {str(page), str(finding)} <= made()
    page.write_text("page")
    assert str(page) not in made()
    finding.unlink()
    assert str(finding) in made()
