"""A draft of a configuration: what is guessed, that each guess is marked, and that it is a right configuration."""

import os
import re
import struct
from datetime import date
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile

from demo import chance as draws
from demo import machine as simulator
from demo import tune as tunes
from pipeline import settings
from pipeline.commands.new import draft, names
from pipeline.commands.new.takes import day_in, takes_in
from pipeline.midi import read_song
from tests.test_commands import pindrift

NOON = 1_930_000_000.0  # 27 February 2031
PITCHES = (48, 60, 64, 67)


def make_song(path, notes=tuple((0, pitch) for pitch in PITCHES)):
    track = mido.MidiTrack()
    for channel, pitch in notes * 2:
        track.append(mido.Message("note_on", channel=channel, note=pitch, velocity=90))
        track.append(mido.Message("note_off", channel=channel, note=pitch, time=480))
    mido.MidiFile(tracks=[track], ticks_per_beat=480).save(path)


def make_sound(path, n_channels=1, n_samples=9000):
    path.parent.mkdir(parents=True, exist_ok=True)
    sound = np.random.default_rng(1).normal(0, 0.01, (n_samples, n_channels))
    soundfile.write(path, sound, 48_000)
    os.utime(path, (NOON, NOON))


@pytest.fixture
def folder(tmp_path):
    """A folder with spaces outside the clone: a song and takes of all kinds."""
    folder = tmp_path / "my workshop"
    folder.mkdir()
    make_song(folder / "song (2).mid")
    takes = folder / "takes"
    make_sound(takes / "2031-05-03 morning.wav", 5)
    make_sound(takes / "12.5.2031" / "a.flac")
    make_sound(takes / "12.5.2031" / "b.flac", n_samples=9100)
    for number in (1, 2, 10):
        make_sound(takes / "take_20310517_153000" / f"track {number}.wav")
    make_sound(takes / "undated.wav", 2)
    (takes / "triggered 2031-05-18.csv").write_text("hit_s,channel\n1.0,1\n2.0,2\n")
    (takes / "notes.txt").write_text("loud\n")
    (takes / "broken.wav").write_bytes(b"no sound")
    return folder


def new(folder, *more, status=0):
    words = ("new", "drafted here", "--arrangement", "song (2).mid", "--recordings", "takes")
    return pindrift(folder, *(words + more), status=status)


def test_the_draft_is_a_right_configuration_and_the_next_command_is_said_as_it_is_typed(folder):
    printed, beside = new(folder)
    assert not beside and all(len(row) <= 80 for row in printed if "left out" not in row)
    assert printed[-1] == "  pindrift check 'drafted here/machine.yaml'"
    checked, beside = pindrift(folder, "check", "drafted here/machine.yaml")
    assert not beside
    assert checked[-1].endswith("no fault found; recordings: 6; groups to compare: 5")


def test_what_stands_in_the_draft(folder):
    new(folder)
    os.chdir(folder)
    config = settings.load("drafted here/machine.yaml")
    assert [(one.name, one.notes) for one in config.machine.strikers] == [
        ("C3", (48,)),
        ("C4", (60,)),
        ("E4", (64,)),
        ("G4", (67,)),
    ]
    assert config.arrangement_of("song 2").file == "song (2).mid"
    assert [(one.recording, one.file, str(one.build_day), one.rig) for one in config.recordings] == [
        ("undated", "takes/undated.wav", str(date.fromtimestamp(NOON)), "2 channels"),
        ("take-2031-05-03-morning", "takes/2031-05-03 morning.wav", "2031-05-03", "5 channels"),
        ("a", "takes/12.5.2031/a.flac", "2031-05-12", "1 channel"),
        ("b", "takes/12.5.2031/b.flac", "2031-05-12", "1 channel"),
        ("take_20310517_153000", "takes/take_20310517_153000", "2031-05-17", "3 channels"),
        ("triggered-2031-05-18", "takes/triggered 2031-05-18.csv", "2031-05-18", ""),
    ]
    # As many microphones as strikers, or more: one each. Fewer: the first hears everything.
    assert [channel.hears for channel in config.rig("5 channels").channels] == [("C3",), ("C4",), ("E4",), ("G4",)]
    for few in ("1 channel", "2 channels", "3 channels"):
        assert [channel.hears for channel in config.rig(few).channels] == [("everything",)]


def test_every_guess_is_marked_and_counted(folder):
    printed, _ = new(folder)
    text = (folder / "drafted here/machine.yaml").read_text("utf-8")
    guesses = [line for line in text.splitlines() if re.search("name: |channel: ", line)]
    assert len(guesses) == 4 + 5 + 1 + 2 + 3 and all("# check: " in line for line in guesses)
    listed = (folder / "drafted here/recordings.csv").read_text("utf-8").splitlines()
    before = {line.split(",")[0]: listed[:rank] for rank, line in enumerate(listed) if rank and line[0] != "#"}
    marks = {name: [line for line in above if line[0] == "#"][-1] for name, above in before.items()}
    assert "dates of the files" in marks["undated"] and "in the names of files" in marks["a"]
    n_marks = sum(text.count("# check:") for text in (text, "\n".join(listed))) - text[:300].count("`# check:`")
    assert any(f"guessed: {n_marks} times" in row for row in printed)


def test_the_names_of_tracks_stand_beside_their_channels(folder):
    new(folder)
    text = (folder / "drafted here/machine.yaml").read_text("utf-8")
    lines = [re.search(r"channel: (\d).*file (.*)\)", line) for line in text.splitlines() if "(file " in line]
    assert [match.groups() for match in lines] == [("1", "track 1.wav"), ("2", "track 2.wav"), ("3", "track 10.wav")]


def make_named_song(path, tracks):
    """Write a song of several tracks: (name, channel, pitches)."""
    made = []
    for name, channel, pitches in tracks:
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)])
        for pitch in pitches:
            track.append(mido.Message("note_on", channel=channel, note=pitch, velocity=90))
            track.append(mido.Message("note_off", channel=channel, note=pitch, time=480))
        made.append(track)
    mido.MidiFile(type=1, tracks=made, ticks_per_beat=480).save(path)


def test_a_track_with_one_note_names_its_striker(folder):
    tracks = [("Oak <block>", 0, [60, 60]), ("slate", 1, [62]), ("bells", 2, [70, 71]), ("click", 3, [80])]
    make_named_song(folder / "song (2).mid", [*tracks, ("twice", 4, [90]), ("twice", 5, [91]), ("", 6, [95])])
    new(folder)
    os.chdir(folder)
    config = settings.load("drafted here/machine.yaml")
    names = {one.notes[0]: one.name for one in config.machine.strikers}
    assert names == {
        60: "Oak block",
        62: "slate",
        70: "A#4",
        71: "B4",
        80: "G#5",
        90: "F#6",
        91: "G6",
        95: "B6",
    }


def test_a_note_that_two_tracks_play_is_named_after_neither(folder):
    make_named_song(folder / "song (2).mid", [("oak block", 0, [60]), ("slate", 1, [60])])
    new(folder)
    os.chdir(folder)
    config = settings.load("drafted here/machine.yaml")
    assert [one.name for one in config.machine.strikers] == ["C4 of channel 1", "C4 of channel 2"]


def test_files_of_tracks_that_are_called_after_a_striker_a_click_or_a_mark_are_their_microphones(folder):
    make_named_song(folder / "song (2).mid", [("oak block", 0, [60]), ("oak", 1, [62]), ("bells", 2, [70, 71])])
    names = ("01 Click.wav", "02_oak-block.wav", "03 turn mark.wav", "04 A#4.wav", "05 oak.wav", "06 hall.wav")
    for name in names:
        make_sound(folder / "takes" / "tracks 2031-05-20" / name)
    new(folder)
    os.chdir(folder)
    rig = settings.load("drafted here/machine.yaml").rig("6 channels")
    heard = {channel.channel: channel.hears for channel in rig.channels}
    assert heard == {1: ("click",), 2: ("oak block",), 3: ("index",), 4: ("A#4",), 5: ("oak",)}
    text = (folder / "drafted here/machine.yaml").read_text("utf-8")
    assert "# - {channel: 6, hears: …}  # check: what? (file 06 hall.wav)" in text


def test_the_cautions_are_said_and_nothing_is_called_safe(folder):
    said = " ".join(" ".join(new(folder)[0]).split())
    for caution in ("guards before feet and hands", "nobody in the plane of the rim", "wheel blocked", "local codes"):
        assert caution in said.replace("Local", "local")
    assert "safe" not in said


def test_a_file_that_cannot_be_used_is_left_out_with_its_reason(folder):
    printed, _ = new(folder)
    assert any(row.startswith("left out: takes/broken.wav: expected audio that libsndfile reads") for row in printed)


def test_a_track_whose_name_is_no_text_is_left_out(folder):
    tracks = folder / "takes" / "2031-05-20"
    make_sound(tracks / "one.wav")
    os.link(tracks / "one.wav", os.fsencode(tracks) + b"/\xff.wav")
    printed, beside = new(folder)
    assert not beside and "2031-05-20" in " ".join(printed).partition("left out: ")[2]


def test_a_pipe_among_the_takes_is_passed(folder):
    os.mkfifo(folder / "takes" / "pipe")
    assert new(folder)[1] == []


def test_nothing_is_written_over(folder):
    new(folder)
    before = {path: path.read_bytes() for path in (folder / "drafted here").iterdir()}
    assert set(before) == {folder / "drafted here" / name for name in ("machine.yaml", "recordings.csv")}
    _, beside = new(folder, status=1)
    assert beside == [
        "drafted here/machine.yaml: expected a folder without a configuration; found this file; name another folder"
    ]
    assert {path: path.read_bytes() for path in (folder / "drafted here").iterdir()} == before


WRONG = {
    "no song": (["--arrangement", "none.mid"], "none.mid: expected a standard MIDI file; found"),
    "no MIDI": (
        ["--arrangement", "takes/undated.wav"],
        "takes/undated.wav: expected a standard MIDI file; found another",
    ),
    "no folder": (["--recordings", "tokes"], "tokes: expected a folder of recordings; found none"),
    "nothing there": (["--recordings", "empty"], "empty: expected recordings or lists of hits; found none"),
}


@pytest.mark.parametrize("case", WRONG)
def test_what_a_draft_cannot_be_made_of_is_one_line_and_writes_nothing(folder, case):
    (folder / "empty").mkdir()
    words, said = WRONG[case]
    printed, beside = new(folder, *words, status=1)
    assert not printed and len(beside) == 1 and beside[0].startswith(said)
    assert not (folder / "drafted here").exists()


# --- days -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "day"),
    [
        ("2031-05-03.wav", "2031-05-03"),
        ("take 2 (2031_05_03)", "2031-05-03"),
        ("REC20310503", "2031-05-03"),
        ("20310503_153000_1.wav", "2031-05-03"),
        ("20310503153000.wav", "2031-05-03"),
        ("am 3.5.2031 laut", "2031-05-03"),
        ("2031-5-3", "2031-05-03"),
        ("05-03-2031", None),  # the fifth of March or the third of May
        ("20311303", None),
        ("take 12345678", None),
        ("120503", None),
        ("song 96 bpm 48000", None),
        ("2031-02-30", None),
    ],
)
def test_a_day_is_read_in_a_name_or_not_at_all(name, day):
    assert day_in(name) == (day and date.fromisoformat(day))


def test_the_day_that_a_recorder_wrote_into_the_file_goes_before_the_date_of_the_file(tmp_path):
    make_sound(tmp_path / "takes/a.wav")
    raw = (tmp_path / "takes/a.wav").read_bytes()
    # EBU Tech 3285: description 256, originator 32, reference 32, date 10, time 8 letters.
    bext = bytes(320) + b"2031:05:03" + b"15:30:00" + bytes(264)
    chunk = b"bext" + struct.pack("<I", len(bext)) + bext
    size = struct.pack("<I", len(raw) - 8 + len(chunk))
    (tmp_path / "takes/a.wav").write_bytes(raw[:4] + size + raw[8:12] + chunk + raw[12:])
    (take,), _ = takes_in(tmp_path / "takes", tmp_path / "song.mid")
    assert (take.build_day, take.day_from) == (date(2031, 5, 3), "recorder")


# --- what is a take ---------------------------------------------------------------------------------------------------


def test_files_of_one_length_are_the_tracks_of_one_take_and_others_are_takes(tmp_path):
    for name, n_samples in (("a", 9000), ("b", 9000), ("c", 9000)):
        make_sound(tmp_path / "same" / f"{name}.wav", n_samples=n_samples)
        make_sound(tmp_path / "other" / f"{name}.wav", n_samples=n_samples + ord(name))
    (take,), _ = takes_in(tmp_path / "same", tmp_path / "song.mid")
    assert take.tracks == ("a.wav", "b.wav", "c.wav") and take.n_channels == 3
    takes, _ = takes_in(tmp_path / "other", tmp_path / "song.mid")
    assert [(take.recording, take.n_channels, take.tracks) for take in takes] == [(name, 1, ()) for name in "abc"]


def test_the_arrangement_and_lists_of_other_things_are_no_takes(tmp_path):
    for name in ("song.mid", "trigger.mid"):
        make_song(tmp_path / name)
    (tmp_path / "prices.csv").write_text("what,price\nnail,1\n")
    takes, left_out = takes_in(tmp_path, tmp_path / "song.mid")
    assert [take.recording for take in takes] == ["trigger"] and not left_out


def test_names_that_a_list_does_not_allow_become_names_that_differ(tmp_path):
    for rank, name in enumerate(("3 hé.wav", "3-h-.wav", "TAKE-3-H.wav", "née {1}.wav", "no.wav")):
        make_sound(tmp_path / name, n_samples=9000 + rank)
    takes, left_out = takes_in(tmp_path, tmp_path / "song.mid")
    names = [take.recording for take in takes]
    assert sorted(names) == ["TAKE-3-H", "no", "take-3-h-2", "take-3-h-3"]
    assert len(left_out) == 1 and "{1}" in left_out[0] and "without braces" in left_out[0]


@pytest.mark.parametrize(
    "name", ["no", "a: b", "C#4", "'it's'", '"x"', "süß", "#1", "../x y.mid", "-", "1e3", "{a}", "x,y"]
)
def test_what_is_quoted_is_read_as_it_was(name):
    import yaml

    assert yaml.safe_load(f"[{{a: {draft.quoted(name)}}}]") == [{"a": name}]


def test_a_pitch_on_two_midi_channels_becomes_two_strikers(tmp_path):
    make_song(tmp_path / "song.mid", ((0, 60), (3, 60), (3, 62)))
    text = draft.configuration(read_song(str(tmp_path / "song.mid")), "song.mid", [])
    assert "{name: C4 of channel 1, notes: [60], channel: 1}" in text
    assert "{name: C4 of channel 4, notes: [60], channel: 4}" in text
    assert "{name: D4, notes: [62]}" in text
    # Of a file with several parts one is asked which are the machine's.
    assert text.count("  #   track 1 on channel ") == 2 and "tracks: […], channels: […]" in text
    (tmp_path / "machine.yaml").write_text(text)
    (tmp_path / "recordings.csv").write_text("recording,file,build_day,rig\na,a.csv,2031-05-03,\n")
    assert len(settings.load(str(tmp_path / "machine.yaml")).machine.strikers) == 3


@pytest.mark.long
def test_a_drafted_configuration_runs_to_its_report(tmp_path):
    from tests.test_workflow import make_project

    make_project(tmp_path / "x", takes=("a1", "a2"))
    for name in ("a1", "a2"):
        path = tmp_path / "x" / f"{name}.csv"
        path.write_text("\n".join(line.partition(",")[0] for line in path.read_text().splitlines()) + "\n")
    pindrift(tmp_path, "new", "own", "--arrangement", "x/round.mid", "--recordings", "x")
    printed, _ = pindrift(tmp_path, "run", "own/machine.yaml")
    assert printed[-1] == "report: own/results/report/index.html" and Path(tmp_path, printed[-1][8:]).exists()


# --- names from lists of hits -----------------------------------------------------------------------------------------


def struck_by(seed, n_strikers):
    """Return the notes of a simulated machine's song, who plays each, and the names in its list of hits."""
    machine = draws.random_machine(n_strikers, seed)
    tune = tunes.random_tune(n_strikers, 24, seed, notes_per_bar=8)
    notes = tunes.notes_table(tune, machine)
    faults = draws.random_faults(machine, notes, seed)
    take = simulator.simulate(machine, notes, faults, draws.random_crew(machine, notes, faults, seed), seed)
    heard, extras = ~take.strikes.missed, take.extras
    struck = [*zip(take.strikes.strike_s[heard], take.strikes.striker[heard], strict=True)]
    struck = sorted([*struck, *zip(extras.strike_s, extras.striker, strict=True)])
    return notes["pitch"].to_pylist(), notes["striker"].to_pylist(), tuple(str(name) for _, name in struck)


def test_names_of_a_list_are_told_by_the_order_of_its_strikes_and_none_is_wrong():
    """Simulated truth: missed, stray and late strikes, in songs whose strikers play alike by chance or not."""
    n_named, n_notes = 0, 0
    for seed in range(3000, 3012):
        pitches, truth, struck = struck_by(seed, 3 + seed % 10)
        player = dict(zip(pitches, truth, strict=True))
        named = names.guess(sorted(player), pitches, struck)
        assert all(player[pitch] == name for pitch, name in named.items())
        n_named, n_notes = n_named + len(named), n_notes + len(player)
    assert n_named > 0.8 * n_notes


def test_strikers_that_always_strike_together_get_no_name():
    chance = np.random.default_rng(5)
    together = [name for _ in range(40) for name in chance.permutation(["left", "right"])]
    struck = (*together, *["low"] * 30)
    assert names.guess([60, 62, 48], [60, 62] * 40 + [48] * 30, struck) == {48: "low"}
    assert names.guess([60], [60] * 9, ()) == {} and names.guess([60], [60] * 9, ("a",) * 3) == {}


def listed(path, struck):
    path.write_text(
        "hit_s,striker\n" + "".join(f"{n / 2 + n % 7 * 0.013:.3f},{name}\n" for n, name in enumerate(struck)), "utf-8"
    )


def test_a_draft_takes_the_names_of_a_list_and_check_finds_no_fault(tmp_path):
    make_song(tmp_path / "song.mid", [(0, pitch) for pitch in (60, 60, 62, 60, 64, 64, 62)] + [(0, 48)] * 12)
    order = ["oak", "oak", "C4", "oak", "brass: cup", "brass: cup", "C4"] + ["slate"] * 12
    (tmp_path / "takes").mkdir()
    listed(tmp_path / "takes" / "a 2031-05-03.csv", order * 2)
    listed(tmp_path / "takes" / "b 2031-05-03.csv", ["click", *order, "index"])
    _, beside = pindrift(tmp_path, "new", "own", "--arrangement", "song.mid", "--recordings", "takes")
    text = (tmp_path / "own/machine.yaml").read_text("utf-8")
    for line in (
        "- {name: oak, notes: [60]}  # check: C4, 6 strikes; the name by the order of strikes in a 2031-05-03.csv",
        "- {name: C4, notes: [62]}  # check: D4, 4 strikes; the name by",
        '- {name: "brass: cup", notes: [64]}  # check: E4, 4 strikes; the name by',
        "- {name: slate, notes: [48]}  # check: C3, 24 strikes; the name by",
    ):
        assert line in text, text
    assert not beside and "also name" not in text
    checked, beside = pindrift(tmp_path, "check", "own/machine.yaml")
    assert not beside and "no fault found" in checked[-1]


def test_names_that_fit_no_note_are_asked_for(tmp_path):
    make_song(tmp_path / "song.mid", [(0, 60), (0, 62)] * 8)
    (tmp_path / "takes").mkdir()
    listed(tmp_path / "takes" / "a.csv", ["left", "right", "left", "RIGHT", "everything", "red\u202e"] * 8)
    pindrift(tmp_path, "new", "own", "--arrangement", "song.mid", "--recordings", "takes")
    text = (tmp_path / "own/machine.yaml").read_text("utf-8")
    assert "    # check: lists of hits also name these, and each needs its notes above: left\n" in text
    assert [one.name for one in settings.load(str(tmp_path / "own/machine.yaml")).machine.strikers] == ["C4", "D4"]
