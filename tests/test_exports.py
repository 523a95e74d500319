"""What one takes along: read back with a MIDI library, it is what the tables hold."""

import csv
import inspect
import io
import json
import re
from datetime import date

import mido
import numpy as np
import pyarrow as pa
import pytest

from pipeline.exports import Sheet, csv_of, hits_file, sheet_csv, sheet_html, tempo_file
from pipeline.settings import Barrel, Machine, Striker

MACHINE = Machine(Barrel(8, 400.0, "song"), (), None, (Striker("oak block", (60,)), Striker("slate", (62,))))


def make_notes(n=64, seed=0):
    """Eighth notes of two strikers at random, four beats a bar, eight bars a turn."""
    generator = np.random.default_rng(seed)
    beat = np.arange(n) * 0.5
    first = generator.integers(0, 2, n).astype(bool)
    return pa.table(
        {
            "note_id": np.arange(n),
            "score_beat": beat,
            "bar": (beat // 4).astype(int) + 1,
            "beat_in_bar": beat % 4 + 1,
            "striker": np.where(first, "oak block", "slate").tolist(),
            "pitch": np.where(first, 60, 62),
            "velocity": generator.integers(1, 128, n),
            "barrel_turn": beat / 32,
        }
    )


def make_tempo(seed=0, start_s=3.21, restart=False):
    """Half beats of a machine whose tempo wanders by a fifth; with `restart` it begins again from beat 8, 5 s later."""
    generator = np.random.default_rng(seed)
    beat = np.arange(0, 32, 0.5)
    time_s = start_s + np.concatenate(
        [[0], np.cumsum(0.3 * (1 + 0.2 * np.cumsum(generator.normal(0, 0.1, len(beat) - 1))))]
    )
    parts = [(1, 1, beat, time_s)]
    if restart:
        parts.append((1, 2, beat[16:], time_s[-1] + 5.0 + np.arange(len(beat) - 16) * 0.31))
    rows = [(p, s, b, t) for p, s, beats, times in parts for b, t in zip(beats, times, strict=True)]
    names = ("playthrough", "segment", "score_beat", "time_s")
    return pa.table(dict(zip(names, map(list, zip(*rows, strict=True)), strict=True)))


def read_back(file):
    """Return (seconds, pitch, velocity) of each note-on as the MIDI library plays the saved file, and its length."""
    saved = io.BytesIO()
    file.save(file=saved)
    saved.seek(0)
    now_s, found = 0.0, []
    for message in mido.MidiFile(file=saved):
        now_s += message.time
        if message.type == "note_on" and message.velocity:
            found.append((now_s, message.note, message.velocity))
    return found, now_s, saved.getvalue()


@pytest.mark.parametrize("start_s", [0.0, 0.03, 3.21, 61.7])
@pytest.mark.parametrize("seed", range(3))
def test_each_note_of_the_machines_tempo_lies_within_a_millisecond_of_its_smooth_time(seed, start_s):
    notes, tempo = make_notes(seed=seed), make_tempo(seed, start_s)
    played, _, _ = read_back(tempo_file(notes, tempo))
    beat = notes["score_beat"].to_numpy()
    expected_s = np.interp(beat, tempo["score_beat"].to_numpy(), tempo["time_s"].to_numpy())
    assert [one[1:] for one in played] == list(
        zip(notes["pitch"].to_pylist(), notes["velocity"].to_pylist(), strict=True)
    )
    assert np.abs(np.array([one[0] for one in played]) - expected_s).max() < 1e-3


def test_a_take_that_begins_again_has_both_stretches_at_their_times():
    notes, tempo = make_notes(), make_tempo(restart=True)
    played, _, _ = read_back(tempo_file(notes, tempo))
    assert len(played) == 64 + 48
    second = tempo["time_s"].to_numpy()[64:]
    assert np.abs(np.array([one[0] for one in played[64:]]) - second).max() < 1e-3


def test_another_midi_library_reads_the_same_times():
    pretty_midi = pytest.importorskip("pretty_midi")
    notes, tempo = make_notes(), make_tempo()
    played, _, raw = read_back(tempo_file(notes, tempo))
    theirs = sorted(note.start for part in pretty_midi.PrettyMIDI(io.BytesIO(raw)).instruments for note in part.notes)
    np.testing.assert_allclose(theirs, [one[0] for one in played], atol=1e-3)


def test_partitura_reads_the_same_times():
    """Its onsets count from the first note."""
    partitura = pytest.importorskip("partitura")
    played, _, raw = read_back(tempo_file(make_notes(), make_tempo()))
    theirs = sorted(
        note["note_on"]
        for note in partitura.load_performance_midi(mido.MidiFile(file=io.BytesIO(raw))).performedparts[0].notes
    )
    np.testing.assert_allclose(np.diff(theirs), np.diff([one[0] for one in played]), atol=1e-3)


def make_aligned():
    """Six notes: the fourth missed, and a stray hit; the last two notes share a striker."""
    return pa.table(
        {
            "status": ["played", "played", "played", "missed", "played", "extra", "outside"],
            "playthrough": [1] * 7,
            "segment": [1] * 7,
            "striker": ["oak block", "slate", "oak block", "slate", "slate", None, "slate"],
            "bar": [1, 1, 1, 1, 2, None, 9],
            "beat_in_bar": [1.0, 2.0, 3.0, 4.0, 1.0, None, 1.0],
            "score_beat": [0.0, 1.0, 2.0, 3.0, 4.0, None, 32.0],
            "hit_s": [1.00012, 1.61234, 2.2, None, 3.4, 2.9, None],
            "hit_id": [0, 1, 2, None, 4, 3, None],
        }
    )


def test_the_strikes_are_at_their_times_and_what_was_missed_has_a_marker_where_it_should_have_come():
    file = hits_file(make_notes(), make_aligned(), {0: 0.0, 1: -60.0, 2: -30.0}, 12.5)
    played, length_s, raw = read_back(file)
    assert [one[1] for one in played] == [60, 62, 60, 0, 62]
    assert np.abs(np.array([one[0] for one in played]) - [1.00012, 1.61234, 2.2, 2.9, 3.4]).max() < 1e-4
    assert [one[2] for one in played][:3] == [127, 1, 64]
    assert abs(length_s - 12.5) < 1e-3  # as long as the recording
    now_s, marks = 0.0, []
    for message in mido.MidiFile(file=io.BytesIO(raw)):
        now_s += message.time
        if message.type == "marker":
            marks.append((round(now_s, 3), message.text))
    assert marks == [(2.8, "missed: slate, bar 1 beat 4")]
    assert [track.name for track in file.tracks[1:]] == ["oak block", "slate", "double or stray"]


def test_a_strike_that_comes_while_the_last_is_held_ends_it():
    from pipeline.exports.tempo_file import track_of

    track = track_of("x", [(0, 60, 90), (10, 60, 90), (12, 60, 90)], 0, hold=100)
    kinds = [(message.type, message.time) for message in track if message.type.startswith("note")]
    assert kinds == [
        ("note_on", 0),
        ("note_off", 10),
        ("note_on", 0),
        ("note_off", 2),
        ("note_on", 0),
        ("note_off", 100),
    ]


# --- the work sheet ---------------------------------------------------------------------------------------------------


def make_place(striker, turn, deg, move_mm=None, bar=1):
    """Return a place as the work list names it (`worklist.places`)."""
    return {
        "score_beat": 4.0 * (bar - 1),
        "striker": striker,
        "row": [one.name for one in MACHINE.strikers].index(striker) + 1,
        "bar": bar,
        "beat_in_bar": 1.5,
        "turn": turn,
        "index_deg": deg,
        "index_mm": None if deg is None else round(deg / 360 * np.pi * 400, 1),
        "move_mm": move_mm,
    }


def make_job(rank, where, places=(), certainty=0.99, correction="do so"):
    return {
        "arrangement": "song",
        "build_day": date(2031, 5, 3),
        "setup": "",
        "rank": rank,
        "where": where,
        "correction": correction,
        "places": json.dumps(places) if places else None,
        "certainty": certainty,
    }


def sheet_of(*jobs, machine=MACHINE):
    return Sheet.of_jobs(pa.Table.from_pylist(list(jobs)), {"": machine})


def test_the_sheet_goes_round_the_barrel():
    late = make_job(1, "slate", [make_place("slate", 2, 50.6, 1.5, bar=10), make_place("slate", 1, 5.6, 0.3)])
    early = make_job(2, "oak block", [make_place("oak block", 1, 90.0, -0.4, bar=3)])
    sheet = sheet_of(late, early, make_job(4, "flywheel"))
    assert [(line.turn, line.degrees, line.from_mark_mm, line.row) for line in sheet.lines] == [
        (None, None, None, None),
        (1, 5.6, 19.5, 2),
        (2, 50.6, 176.6, 2),
        (1, 90.0, 314.2, 1),
    ]
    assert [line.move.replace("\N{NO-BREAK SPACE}", " ") for line in sheet.lines] == [
        "",
        "→ 0.3 mm forward",
        "→ 1.5 mm forward",
        "← 0.4 mm backward",
    ]
    assert "against the direction of rotation: what strikes later lies behind" in sheet_html(sheet)


def test_pins_that_come_round_every_turn_stand_once():
    places = [make_place("slate", turn, 5.6, 1.0, bar=turn * 8) for turn in (1, 2, 3)]
    machine = Machine(Barrel(8, 400.0, "turn"), (), None, MACHINE.strikers)
    assert [(line.turn, line.degrees) for line in sheet_of(make_job(1, "slate", places), machine=machine).lines] == [
        (1, 5.6)
    ]
    assert len(sheet_of(make_job(1, "slate", places)).lines) == 3


def test_without_a_described_barrel_there_are_places_in_the_song_and_no_angles():
    sheet = sheet_of(make_job(1, "slate", [make_place("slate", None, None), make_place("slate", None, None, bar=2)]))
    assert [(line.turn, line.degrees, line.from_mark_mm, line.move) for line in sheet.lines] == [
        (None, None, None, "")
    ] * 2
    assert [line.note.replace("\N{NO-BREAK SPACE}", " ") for line in sheet.lines] == [
        "bar 1 beat 1 1/2",
        "bar 2 beat 1 1/2",
    ]


def test_the_sheet_takes_the_places_of_the_work_list_as_it_writes_them():
    """The keys are those of `worklist.places`."""
    from pipeline.worklist import places

    written = re.findall(r'^            "(\w+)":', inspect.getsource(places), re.MULTILINE)
    assert set(make_place("slate", 1, 5.6)) == set(written)


def test_only_sure_jobs_stand_on_the_sheet_and_the_others_are_counted():
    sheet = sheet_of(make_job(1, "slate"), make_job(2, "oak block", certainty=0.7))
    page = sheet_html(sheet)
    assert "slate" in page and "oak block" not in page and "1\N{NO-BREAK SPACE}finding less sure" in page
    nothing = sheet_html(sheet_of(make_job(1, "x", certainty=0.5)))
    assert "No job is sure enough to be done." in nothing


def test_the_sheet_opens_with_the_caution_and_escapes_names():
    page = sheet_html(sheet_of(make_job(1, "<b>slate</b> & co")))
    assert "standstill, wheel blocked, people off the pedals, belt tension released" in page
    assert page.index("standstill") < page.index("<table") and "&lt;b&gt;slate&lt;/b&gt; &amp; co" in page
    assert page.count("☐") == 1 and not re.search(r"https?:|<script|\bsafe", page)
    first = sheet_csv(sheet_of(make_job(1, "slate"))).splitlines()[0]
    assert "standstill, wheel blocked" in first


# --- CSV --------------------------------------------------------------------------------------------------------------


def test_a_text_that_a_spreadsheet_could_run_is_made_plain_and_numbers_stay():
    evil = ["=1+1", "+1", "-1", "@SUM(A1)", "\tx", "plain", "a=b", None]
    text = csv_of(pa.table({"text": evil, "number": [-1.5, 2.0, -3.0, 0.0, 1e-9, 5.0, 6.0, None]}))
    rows = list(csv.reader(io.StringIO(text)))
    assert rows[0] == ["text", "number"]
    assert [row[0] for row in rows[1:]] == ["'=1+1", "'+1", "'-1", "'@SUM(A1)", "'\tx", "plain", "a=b", ""]
    assert [row[1] for row in rows[1:]] == ["-1.5", "2.0", "-3.0", "0.0", "1e-09", "5.0", "6.0", ""]
    sheet = sheet_csv(sheet_of(make_job(1, "=cmd")))
    assert ",'=cmd: do so" in sheet
