"""What the report says of single things since the group before; each sentence is silent where it would be false."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline import report
from pipeline.report import since
from tests import test_report
from tests.test_report import FIRST, SECOND

PIN = {"kind": "pin", "quantity": "place", "unit": "s", "before_se": 0.0005, "after_se": 0.002}
MM = 66.0  # per second: of the barrel of test_report


def make_changes(group, *rows):
    keys = test_report.keys(group) | {"before_arrangement": "song", "before_day": FIRST, "before_session": 1}
    return [keys | row for row in rows]


def make_pin(pin, before_s, after_s, verdict, **more):
    row = {"thing": f"pin {pin}", "note_id": pin, "striker": "slate", "bar": 11, "beat_in_bar": 3.0}
    return PIN | row | {"before": before_s, "after": after_s, "verdict": verdict} | more


def lead(folder, *rows):
    settings = test_report.make_settings(folder)
    group = next(one for one in settings.groups() if one.build_day == SECOND and one.arrangement == "song")
    return test_report.lead_of(folder, settings, changes=make_changes(group, *rows))


def told(folder, *rows):
    """Return {heading: sentences}, spaces plain."""
    parts = since.listed(lead(folder, *rows))
    return {part.title: [one.replace("\N{NO-BREAK SPACE}", " ") for one in part.said] for part in parts}


def test_a_mended_pin_is_told_in_millimetres_with_the_error_of_today(tmp_path):
    said = told(tmp_path, make_pin(40, -1.9 / MM, 0.2 / MM, "mended", job="a: b", fate="done and won"))
    assert said == {"Mended": ["Slate, bar 11 beat 3: was 1.9 mm early, now 0.2 mm late (±0.3): mended."]}


def test_a_pin_that_lies_less_than_the_last_digit_out_is_in_place(tmp_path):
    said = told(tmp_path, make_pin(40, -1.9 / MM, 0.01 / MM, "mended"))
    assert said["Mended"][0].endswith("now in place (±0.3 mm): mended.")


@pytest.mark.parametrize(
    ("now_mm", "end"), [(0.0, "moved."), (0.25, "moved."), (-0.9, "moved, and not where it belongs.")]
)
def test_a_moved_pin_is_not_where_it_belongs_only_beyond_its_error(tmp_path, now_mm, end):
    """The error of 0.3 mm is that of 19 in 20: 0.25 mm may be none."""
    said = told(tmp_path, make_pin(40, 0.5 / MM, now_mm / MM, "moved"))
    assert [sentences[0].partition("): ")[2] for sentences in said.values()] == [end]


@pytest.mark.parametrize(
    ("now_mm", "heading"),
    [(0.9, "Better, and not all gone"), (-1.8, "Changed, and neither better nor worse")],
)
def test_what_lies_surely_less_far_out_is_better_though_not_in_place(tmp_path, now_mm, heading):
    """Before, a delay that was taken away by half stood under 'neither mended nor worse'. Half an interval: 0.5 mm."""
    ends = {"change_low": (now_mm - 2.4) / MM, "change_high": (now_mm - 1.4) / MM}
    assert list(told(tmp_path, make_pin(40, 1.9 / MM, now_mm / MM, "moved", **ends))) == [heading]


def test_every_fate_has_its_heading_and_the_count(tmp_path):
    job = {"job": "slate, bar 11 beat 3: move it", "fate": "not done"}
    rows = [
        make_pin(40, 0.02, 0.0, "mended", job="one: move it", fate="done and won"),
        make_pin(41, 0.02, 0.021, "unchanged", **job),
        make_pin(42, 0.02, -0.01, "moved", job="two: move it", fate="done and did not win"),
        make_pin(43, 0.001, 0.02, "worse"),
        make_pin(44, 0.02, 0.01, "cannot be told", job="three: move it", fate="cannot be told"),
    ]
    found = lead(tmp_path, *rows)
    assert [part.title for part in since.listed(found)] == ["Mended", "Still to do", "New since", "Cannot be told yet"]
    assert since.fates(found).startswith("Of 4 pins on that day's list")
    assert "1 is done and won, 1 is done and did not win, 1 is not done and 1 cannot be told." in since.fates(found)
    assert since.needs_caution(found) and not since.needs_caution(lead(tmp_path, *rows[:1]))
    page = test_report.said(test_report.page_of(tmp_path, changes=make_changes(found.group, *rows)))
    page = page.replace("\N{NO-BREAK SPACE}", " ")
    assert "Since 9 May 2031: thing by thing" in page and "Still to do" in page


def test_each_pin_of_a_job_of_several_counts_by_itself(tmp_path):
    job = {"job": "2 pins: move 2 pins"}
    rows = [make_pin(40, 0.02, 0.0, "mended", fate="done and won", **job)]
    rows.append(make_pin(41, 0.02, 0.02, "unchanged", fate="not done", **job))
    assert since.fates(lead(tmp_path, *rows)) == "Of 2 pins on that day's list 1 is done and won and 1 is not done."


@pytest.mark.parametrize(
    ("n_struck", "now"), [(3, "now its strikes scatter too much to place it"), (0, "now not heard")]
)
def test_a_pin_that_struck_is_not_called_unheard_because_nothing_places_it(tmp_path, n_struck, now):
    """On a machine that scatters by 8 ms, 8 of 10 pins of the list were said to be unheard; all had struck."""
    found = lead(tmp_path, make_pin(40, -1.9 / MM, np.nan, "cannot be told", job="a: b", fate="cannot be told"))
    pins = found.pins.assign(pin_id=[40, *range(1000, 999 + len(found.pins))], n_struck=n_struck)
    (part,) = since.listed(replace(found, pins=pins))
    assert (
        part.said[0].replace("\N{NO-BREAK SPACE}", " ").startswith(f"Slate, bar 11 beat 3: was 1.9 mm early, {now}: ")
    )


def test_unmoved_pins_are_counted_with_the_move_that_would_have_been_seen(tmp_path):
    """Half an interval 6 ms, errors .5 and 2 ms: 6 + 1.645 × 2.06 = 9.4 ms are 0.6 mm."""
    rows = [make_pin(k, 0.0, 0.001, "unchanged", change_low=-0.005, change_high=0.007) for k in range(3)]
    rows.append(make_pin(3, 0.0, np.nan, "cannot be told"))  # it never struck today: no move of it could be seen
    said = since.summary(lead(tmp_path, *rows)).replace("\N{NO-BREAK SPACE}", " ")
    assert said == (
        "At all 3 pins whose strikes place them now and before no move was seen; at half of them one of 0.6 mm would "
        "have been, 95 times in 100."
    )


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        (
            {"quantity": "delay", "before": 0.008, "after": 0.0013, "after_se": 0.0002, "verdict": "mended"},
            "Slate: was 8.0 ms later than the middle one of all strikers, now 1.3 ms later (±0.4): mended.",
        ),
        (
            {"quantity": "missed", "before": 0.1, "after": 0.2, "after_se": 0.01, "verdict": "worse", "unit": "ratio"},
            "Slate: strikes missed: were 10.0 %, now 20.0 % (±2.0): worse than it was.",
        ),
        (
            {"kind": "shaft", "thing": "crank", "quantity": "wobble", "before": 0.003, "before_se": 0.0001}
            | {"after": np.nan, "verdict": "mended"},
            "Wobble of the crank: was 3.0 ms (±0.2), now none is found: mended.",
        ),
        (
            {"kind": "microphone", "thing": "full, channel 3", "quantity": "sound", "change": 4.2, "verdict": "moved"},
            "Full, channel 3 (slate): sounds different, by 4.2 dB over the bands; was the microphone moved or "
            "exchanged, or its striker changed? Delays through it are not compared.",
        ),
        (
            {"kind": "microphone", "thing": "full, channel 3", "quantity": "level", "change": -6.1, "verdict": "moved"},
            "Full, channel 3 (slate): 6.1 dB softer than before; was its gain touched?",
        ),
    ],
)
def test_strikers_shafts_and_microphones_are_told(tmp_path, row, sentence):
    base = {"kind": "striker", "thing": "slate", "striker": "slate", "unit": "s"}
    said = told(tmp_path, base | row)
    assert [one for some in said.values() for one in some] == [sentence]


def test_without_a_day_before_there_is_no_such_section(tmp_path):
    settings = test_report.make_project(tmp_path)
    report.write(tmp_path / "report", report.read(settings))
    page = (tmp_path / "report" / "index.html").read_text(encoding="utf-8")
    assert "thing by thing" not in page and "Thing by thing" not in page


def test_a_pin_that_is_gone_is_listed_and_one_that_was_not_reached_is_not(tmp_path):
    gone = make_pin(40, 0.02, np.nan, "cannot be told", note_id=np.nan)
    assert told(tmp_path, gone) == {}
    said = told(tmp_path, gone | {"thing": "pin 40 before"})
    assert said == {
        "Not found in the arrangement of today": [
            "Slate, bar 11 beat 3: was 1.3 mm late; nothing says where it is now."
        ]
    }


def test_new_pins_of_a_song_that_kept_its_name_ask_whether_it_was_edited(tmp_path):
    """An edited song with a name of its own is not asked: there new pins are what was to be."""
    new = {"before": np.nan, "before_se": np.nan, "bar": 9}
    rows = [make_pin(pin, None, 0.001, "new", **new) for pin in (40, 41)]
    said = since.summary(lead(tmp_path, *rows)).replace("\N{NO-BREAK SPACE}", " ")
    assert said.startswith("2 pins are new in the arrangement: no take before struck those of bar 9.")
    assert "Was the song edited? Then give the edited file a name of its own under arrangements" in said
    other = [row | {"before_arrangement": "older"} for row in rows]
    changes = [one | {"before_arrangement": "older"} for one in make_changes(lead(tmp_path).group, *other)]
    found = test_report.lead_of(tmp_path, test_report.make_settings(tmp_path), changes=changes)
    assert since.summary(found).replace("\N{NO-BREAK SPACE}", " ") == "2 pins are new in the arrangement."


def test_what_is_unchanged_and_was_not_asked_is_not_told_singly(tmp_path):
    assert told(tmp_path, make_pin(40, 0.02, 0.02, "unchanged"), make_pin(41, 0.0, 0.01, "cannot be told")) == {}
