"""The configuration and the list of recordings: what is read, what is refused, what a change runs again."""

import codecs
import os
import re
import shutil
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings, strategies

from pipeline import tables
from pipeline.__main__ import main
from pipeline.errors import InputError
from pipeline.notes import notes
from pipeline.settings import (
    Arrangement,
    Barrel,
    Channel,
    Clock,
    Detection,
    Edit,
    Flywheel,
    Group,
    Shaft,
    Striker,
    Wheel,
    check,
    claim,
    fingerprint,
    fingerprints,
    load,
)
from pipeline.settings.fingerprints import SMALL_BYTES, code_of
from pipeline.settings.note_names import note_name, note_number
from pipeline.settings.unplayed_notes import n_notes_of, song_of
from tests.worklist_tables import make, make_striker

ROOT = Path(__file__).parent.parent

CONFIGURATION = """\
arrangements:
  song: song.mid
  clock: {bpm: 96, beats_per_bar: 4, bars: 64, strikes_per_bar: 1, striker: clock arm, bars_per_turn: 1}
arrangement: song
recordings: recordings.csv
results: results/demo
baseline: 2031-05-03
machine:
  barrel: {bars_per_turn: 8, diameter_mm: 420, pins: song}
  shafts:
    flywheel: {turns: 6.5, drive: belt}
    crank: {turns: 3.0, drive: freewheel}
  flywheel: {inertia_kg_m2: 1.9, diameter_mm: 600}
  strikers:
    - {name: oak block, notes: [48, 60]}
    - {name: slate, notes: [67], delay_ms: 1.5}
    - {name: brass cup, notes: [76], channel: 1, was: tin cup}
setups:
  wide pulley: {shafts: {flywheel: 5.0}}
  late slate: {strikers: [{name: slate, delay_ms: 3}]}
rigs:
  full: [{channel: 1, hears: oak block}, {channel: 2, hears: [slate, brass cup]}, {channel: 3, hears: index}]
  one mic: [{channel: 1, hears: everything}]
detection: {minimum_gap_ms: 12, sensitivity: 0.5, mains_hz: 50, idle_file: idle.wav}
"""
HEADING = "recording,file,build_day,rig,arrangement,setup,session,start_s,stop_s,crew,note\n"
RECORDINGS = (
    HEADING
    + """\
a1,a1.wav,2031-05-03,full,,,,,,,
a2,a2.wav,2031-05-03,one mic,,,,1.5,60,two people,"fast, loud"
b1,b1,2031-05-04,full,song,wide pulley,2,,,,
c1,c1.csv,2031-05-04,,clock,late slate,,,,,
"""
)
# The example of the Standard MIDI File 1.0 specification (secondary): notes 48 and 60 on channel 3, 67 on 2, 76 on 1.
SONG = bytes.fromhex(
    "4D546864000000060000000100604D54726B0000003B00FF58040402180800FF510307A12000C00500C12E00C24600923060003C606091"
    "434060904C208140823040003C400081434000804C4000FF2F00"
)


@pytest.fixture(autouse=True)
def workshop(tmp_path, monkeypatch):
    """A working folder with a configuration that has no fault."""
    monkeypatch.chdir(tmp_path)
    Path("config.yaml").write_text(CONFIGURATION)
    Path("recordings.csv").write_text(RECORDINGS)
    Path("song.mid").write_bytes(SONG)
    Path("idle.wav").write_bytes(b"audio")
    for name in ("a1.wav", "a2.wav", "c1.csv"):
        Path(name).write_bytes(b"found")
    Path("b1").mkdir()
    Path("b1/track 1.wav").write_bytes(b"audio")
    return tmp_path


def make_configuration(*changes, recordings=RECORDINGS):
    """Write the configuration with some words changed, and the list of recordings."""
    text = CONFIGURATION
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    Path("config.yaml").write_text(text)
    Path("recordings.csv").write_text(recordings)


def faults_of(*changes, recordings=RECORDINGS):
    make_configuration(*changes, recordings=recordings)
    with pytest.raises(InputError) as raised:
        load("config.yaml")
    return list(raised.value.faults)


def loaded(*changes, recordings=RECORDINGS):
    make_configuration(*changes, recordings=recordings)
    return load("config.yaml")


# --- what is read ----------------------------------------------------------------------------------------------------


def test_every_key_of_the_contract_is_read():
    config = load("config.yaml")
    assert config.path == "config.yaml" and config.results == "results/demo"
    assert config.baseline == date(2031, 5, 3)
    assert config.arrangements == (
        Arrangement("song", "song.mid"),
        Arrangement("clock", clock=Clock(96, 64, "clock arm", 4, 1, 1)),
    )
    assert config.machine.barrel == Barrel(8, 420, "song")
    assert config.machine.shafts == (Shaft("flywheel", 6.5, "belt"), Shaft("crank", 3, "freewheel"))
    assert config.machine.flywheel == Flywheel(1.9, 600)
    assert config.machine.finest_move_mm == 0.2
    assert config.machine.strikers == (
        Striker("oak block", (48, 60)),
        Striker("slate", (67,), delay_ms=1.5),
        Striker("brass cup", (76,), channel=1, was="tin cup"),
    )
    assert config.rig("full").channels == (
        Channel(1, ("oak block",)),
        Channel(2, ("slate", "brass cup")),
        Channel(3, ("index",)),
    )
    assert config.detection == Detection(12, 0.5, 50, "idle.wav")
    a2, b1, c1 = (config.recording(name) for name in ("a2", "b1", "c1"))
    assert (a2.start_s, a2.stop_s, a2.crew, a2.note, a2.session) == (1.5, 60, "two people", "fast, loud", 1)
    assert (a2.arrangement, b1.setup, b1.session, b1.build_day) == ("song", "wide pulley", 2, date(2031, 5, 4))
    assert config.rig(c1.rig) is None


def test_optional_parts_may_be_left_out_and_one_arrangement_is_the_default():
    Path("config.yaml").write_text(
        "arrangements: {song: song.mid}\nrecordings: recordings.csv\n"
        "machine: {strikers: [{name: all of them, notes: [48, 60, 67, 76]}]}\nrigs: {r: [{channel: 1, hears: index}]}\n"
    )
    Path("recordings.csv").write_text("recording,file,build_day,rig\nx,x.wav,2031-05-03,r\n")
    config = load("config.yaml")
    assert config.recording("x").arrangement == "song"
    assert config.machine.barrel == Barrel() and config.machine.shafts == () and config.machine.flywheel is None
    assert (config.results, config.baseline, config.setups, config.detection) == ("results", None, (), Detection())


def test_a_clock_test_needs_neither_machine_nor_striker():
    Path("config.yaml").write_text(
        "arrangements: {clock: {bpm: 60, bars: 8, striker: arm}}\nrecordings: recordings.csv\n"
        "rigs: {r: [{channel: 1, hears: arm}]}\n"
    )
    Path("recordings.csv").write_text("recording,file,build_day,rig\nx,x.wav,2031-05-03,r\n")
    config = load("config.yaml")
    assert config.machine_of("", "clock").strikers == (Striker("arm", ()),)
    assert config.machine_of("").strikers == ()


def test_the_template_has_no_fault_and_shows_every_key(workshop):
    text = (ROOT / "config" / "template.yaml").read_text()
    shutil.copy(ROOT / "config" / "recordings.csv", "recordings.csv")
    Path("template.yaml").write_text(text.replace("midi/song.mid", "song.mid").replace("audio/idle.wav", "idle.wav"))
    config = load("template.yaml", read_songs=False)
    assert len(config.recordings) == 4 and len(config.setups) == 3
    assert dict(config.setups)["without wheel"].flywheel is None
    for key in ("pulleys_mm", "inner_mm", "per_beat", "distance_m", "delay_ms", "was", "channel", "count", "baseline"):
        assert re.search(rf"\b{key}\b", text), key


def test_a_setup_changes_only_what_it_names():
    config = loaded(
        (
            "wide pulley: {shafts: {flywheel: 5.0}}",
            "wide pulley: {barrel: {diameter_mm: 421}, shafts: {crank: {turns: 4}, fan: 2},"
            " flywheel: [{mass_kg: 18, outer_mm: 600, inner_mm: 420, count: 2}], finest_move_mm: 0.5}",
        )
    )
    machine = config.machine_of("wide pulley")
    assert machine.barrel == Barrel(8, 421, "song")
    assert machine.shafts == (Shaft("flywheel", 6.5), Shaft("crank", 4, "freewheel"), Shaft("fan", 2, "belt"))
    assert machine.flywheel == Flywheel(wheels=(Wheel(18, 600, 420, 2),))
    assert machine.finest_move_mm == 0.5 and machine.strikers == config.machine.strikers
    assert config.machine_of("late slate").strikers[1] == Striker("slate", (67,), delay_ms=3)
    assert config.machine_of("") == config.machine


def test_nothing_after_the_colon_takes_a_part_away_in_a_setup():
    config = loaded(("{flywheel: 5.0}", "{crank: }, flywheel: "))
    assert config.machine_of("wide pulley").shafts == (Shaft("flywheel", 6.5),)
    assert config.machine_of("wide pulley").flywheel is None


def test_pulleys_stand_for_the_turns_of_the_driven_shaft():
    # A driver of 390 mm moves 390 mm of belt per unit of its angle; a driven pulley of 60 mm turns 6.5 times as far.
    config = loaded(("flywheel: {turns: 6.5, drive: belt}", "flywheel: {pulleys_mm: [390, 60], drive: toothed}"))
    assert config.machine.shafts[0] == Shaft("flywheel", 6.5, "toothed")


def test_distance_delays_by_the_air_it_crosses_and_delays_add_to_the_rig():
    config = loaded(
        ("hears: everything", "hears: everything, distance_m: 10"),
        ("{channel: 3, hears: index}", "{channel: 3, hears: click, bpm: 96, per_beat: 2, delay_ms: -4}"),
    )
    delay_s = config.rig("one mic").channels[0].delay_s
    assert delay_s == pytest.approx(0.029)
    # Sound goes 343 m/s in air of 20 °C (common value, from memory); the contract rounds to 2.9 ms a metre.
    assert delay_s == pytest.approx(10 / 343, rel=0.01)
    assert config.rig("full").channels[2] == Channel(3, ("click",), -0.004, 96, 2)


@pytest.mark.parametrize("off", ["no", "off", "~", "0", "false", ""])
def test_mains_hum_can_be_told_to_be_absent(off):
    assert loaded(("mains_hz: 50", f"mains_hz: {off}")).detection.mains_hz is None


def test_words_that_yaml_takes_for_other_things_are_names_here():
    config = loaded(
        ("name: oak block", "name: no"),
        ("hears: oak block", "hears: no"),
        ("  one mic:", "  on:"),
        ("  wide pulley:", "  2031-05-03:"),
        ("{name: slate, notes", "{name: 1e3, notes"),
        ("[slate, brass cup]", "[1e3, brass cup]"),
        ("{strikers: [{name: slate, delay_ms: 3}]}", "{strikers: [{name: 1e3, delay_ms: 3}]}"),
        recordings=RECORDINGS.replace("one mic", "on").replace("wide pulley", "2031-05-03"),
    )
    assert [striker.name for striker in config.machine.strikers[:2]] == ["no", "1e3"]
    assert config.recording("a2").rig == "on" and config.recording("b1").setup == "2031-05-03"


@pytest.mark.parametrize(
    "rewrite",
    [
        lambda text: text.replace("\n", "\r\n").encode(),
        lambda text: codecs.BOM_UTF8 + text.encode(),
        lambda text: text.encode("utf-16"),
        lambda text: text.rstrip("\n").encode(),
    ],
    ids=["Windows line ends", "byte order mark", "UTF-16", "no last line end"],
)
def test_text_files_may_be_saved_in_any_common_way(rewrite):
    expected = load("config.yaml")
    Path("config.yaml").write_bytes(rewrite(CONFIGURATION))
    Path("recordings.csv").write_bytes(rewrite(RECORDINGS))
    assert load("config.yaml") == expected


@pytest.mark.parametrize("separator", [";", "\t"])
def test_a_list_may_be_separated_as_spreadsheets_do(separator):
    expected = load("config.yaml")
    text = RECORDINGS.replace('"fast, loud"', "fast loud").replace(",", separator)
    if separator == ";":
        text = text.replace("1.5", "1,5")  # where the comma is decimal the separator is a semicolon
    Path("recordings.csv").write_text(text.replace("fast loud", "fast, loud"))
    assert load("config.yaml") == expected


def test_a_list_may_hold_remarks_empty_lines_and_capital_headings():
    expected = load("config.yaml")
    text = 'sep=,\n# what, "ever"\n' + RECORDINGS.replace("recording,", "Recording,").replace("\nb1", "\n\n,,,\n#x\nb1")
    Path("recordings.csv").write_text(text)
    assert load("config.yaml") == expected


@pytest.mark.parametrize("name", ["-dash.wav", "a b.wav", "it's.wav", '"q".wav', "$HOME.wav", "grüße.wav", "a;b,c.wav"])
def test_odd_names_of_files_are_no_fault(name):
    quoted = name.replace('"', '""')
    assert loaded(recordings=f'{HEADING}a,"{quoted}",2031-05-03,full\n').recording("a").file == name
    shutil.copy("song.mid", name)
    assert loaded(("song: song.mid", f"song: '{name.replace(chr(39), chr(39) * 2)}'")).arrangements[0].file == name


def test_a_path_may_stand_in_a_block():
    assert loaded(("song: song.mid", "song: >\n    song.mid")).arrangements[0].file == "song.mid"


def test_merge_keys_and_aliases_work():
    config = loaded(
        (
            "    crank: {turns: 3.0, drive: freewheel}",
            "    crank: &c {turns: 3, drive: toothed}\n    b: {<<: *c, turns: 2}",
        )
    )
    assert config.machine.shafts[2] == Shaft("b", 2, "toothed")


# --- what is refused -------------------------------------------------------------------------------------------------

FAULTS = {
    "an unknown key": (("detection:", "dectection:"), "line 24): unknown key 'dectection' (did you mean 'detection'?)"),
    "a nested unknown key": (
        ("  barrel:", "  barell:"),
        "line 9): machine: unknown key 'barell' (did you mean 'barrel'?)",
    ),
    "a text for a number": (("sensitivity: 0.5", "sensitivity: high"), "expected a number from 0 to 1; found 'high'"),
    "a quoted number": (("bpm: 96", 'bpm: "96"'), "line 3): arrangement 'clock': bpm: expected a number above 0"),
    "a number with a unit": (("mm: 420", "mm: 420 mm"), "found '420 mm'; leave the unit out: 420"),
    "a decimal comma": (
        ("    crank: {turns: 3.0, drive: freewheel}", "    crank: 3,5"),
        "write the decimal point: 3.5",
    ),
    "a decimal comma in braces": (("turns: 6.5", "turns: 6,5"), "unknown key '5'; a decimal comma?"),
    "an octal number": (("[48, 60]", "[48, 060]"), "found '060'; leave the leading zero out: 60"),
    "a sexagesimal number": (("turns: 3.0", "turns: 1:30"), "found '1:30'"),
    "no number at all": (("inertia_kg_m2: 1.9", "inertia_kg_m2: .nan"), "found '.nan'"),
    "a number out of range": (("sensitivity: 0.5", "sensitivity: 1.5"), "from 0 to 1; found '1.5'"),
    "a note out of range": (("[48, 60]", "[48, 60, 128]"), "expected a number from 0 to 127; found '128'"),
    "half a bar": (("bars: 64", "bars: 64.5"), "expected a whole number from 1 to 100000; found '64.5'"),
    "a list for a text": (("striker: clock arm", "striker: [a, b]"), "expected a text; found a list"),
    "a word that is no choice": (("pins: song", "pins: songs"), "found 'songs' (did you mean 'song'?)"),
    "a drive that is none": (("drive: belt", "drive: rope"), "expected 'belt', 'toothed' or 'freewheel'; found 'rope'"),
    "a key twice": (
        ("results:", "results: x\nresults:"),
        "expected the key 'results' once; found it again (first in line 6)",
    ),
    "a name twice": (("  one mic:", "  Full: []\n  one mic:"), "found 'Full' again (first in line 22)"),
    "a missing arrangement": (
        ("song: song.mid", "song: sung.mid"),
        "at 'sung.mid'; found no file (did you mean 'song.mid'?)",
    ),
    "a folder for a file": (("idle.wav", "b1"), "at 'b1'; found a folder"),
    "a missing list": (("recordings.csv", "recordngs.csv"), "found no file (did you mean 'recordings.csv'?)"),
    "an unknown default": (("arrangement: song", "arrangement: sonk"), "found 'sonk' (did you mean 'song'?)"),
    "a date that is none": (("baseline: 2031-05-03", "baseline: 2031-5-3"), "expected a day as year-month-day"),
    "braces in a path": (
        ("results/demo", "'results/{demo}'"),
        "expected a path without braces; found 'results/{demo}'",
    ),
    "a line break in a path": (("song: song.mid", 'song: "so\\nng.mid"'), "expected a path on one line"),
    "results over one's own files": (
        ("results: results/demo", "results: ."),
        "expected a folder of its own for results",
    ),
    "results in a file": (("results/demo", "idle.wav"), "expected a folder; found the file 'idle.wav'"),
    "an arrangement that names no file": (("  clock:", "  a/b:"), "expected a name that can name a file; found 'a/b'"),
    "turns and pulleys": (
        ("turns: 6.5,", "turns: 6.5, pulleys_mm: [2, 1],"),
        "either 'turns' or 'pulleys_mm'; found both",
    ),
    "one pulley": (("turns: 6.5,", "pulleys_mm: [2],"), "expected two diameters: [driver, driven]"),
    "a shaft without turns": (
        ("turns: 6.5, ", ""),
        "shaft 'flywheel': expected 'turns' or 'pulleys_mm'; found neither",
    ),
    "a ring inside out": (
        ("{inertia_kg_m2: 1.9, diameter_mm: 600}", "[{mass_kg: 1, outer_mm: 5, inner_mm: 9}]"),
        "expected an inner diameter below the outer one; found inner_mm 9, outer_mm 5",
    ),
    "a flywheel that is a number": (("{inertia_kg_m2: 1.9, diameter_mm: 600}", "1.9"), "expected {inertia_kg_m2: …"),
    "pins of a turn without turns": (
        ("{bars_per_turn: 8, diameter_mm: 420, pins: song}", "{pins: turn}"),
        "expected the key 'bars_per_turn' beside 'pins: turn'",
    ),
    "a reserved name": (("name: slate, n", "name: click, n"), "'click', which rigs use for something else"),
    "a former name that is in use": (("was: tin cup", "was: slate"), "a former name of 'brass cup' that no other"),
    "a setup of another barrel": (
        ("{shafts: {flywheel: 5.0}}", "{barrel: {bars_per_turn: 4}}"),
        "setup 'wide pulley': barrel: bars_per_turn: expected what stands under machine (8.0); found '4'",
    ),
    "a setup of other notes": (("name: slate, delay_ms: 3", "name: slate, notes: [1]"), "found [1]; leave it out"),
    "a setup of an unknown striker": (("[{name: slate, ", "[{name: slat, "), "found 'slat' (did you mean 'slate'?)"),
    "a channel twice": (
        ("{channel: 3,", "{channel: 1,"),
        "entry 3: channel: expected every channel once; found channel 1 again",
    ),
    "a channel from zero": (("{channel: 1, hears: oak", "{channel: 0, hears: oak"), "expected a number from 1 to"),
    "an unknown ear": (("hears: oak block", "hears: oak blok"), "found 'oak blok' (did you mean 'oak block'?)"),
    "a former name in a rig": (
        ("[slate, brass cup]", "[slate, tin cup]"),
        "found 'tin cup' (it is called 'brass cup' now)",
    ),
    "index and striker on one channel": (("hears: index", "hears: [index, slate]"), "index or click alone"),
    "a tempo of no click": (
        ("hears: index", "hears: index, bpm: 96"),
        "expected 'bpm' only where the channel hears the click",
    ),
    "two delays": (
        ("hears: index", "hears: index, delay_ms: 1, distance_m: 1"),
        "either 'delay_ms' or 'distance_m'; found both",
    ),
    "a rig without list": (("[{channel: 1, hears: everything}]", "everything"), "expected a list of channels"),
    "a single ring": (("{inertia_kg_m2: 1.9, diameter_mm: 600}", "{mass_kg: 1, outer_mm: 9}"), "put [ ] around it"),
    "typographic quotes": (("song: song.mid", "song: “song.mid”"), "found typographic quotes “"),
    "a no-break space": (("sensitivity: 0.5", "sensitivity:\u00a00.5"), "it holds a no-break space"),
    "a backslash": (("song: song.mid", "song: b1\\song.mid"), "found no file; write / for \\"),
    "a tag": (("results/demo", "!!python/object/apply:os.system [ls]"), "found the tag 'tag:yaml.org,2002:python"),
    "a tab": (("  song: song.mid", "\tsong: song.mid"), "line 2): expected an indent of spaces; found a tab"),
    "a missing space": (("arrangement: song", "arrangement:song"), "expected ':' and a space after a key; found none"),
    "an open brace": (
        ("bars_per_turn: 1}", "bars_per_turn: 1"),
        "',' or '}' within { } (begun in line 3)",
    ),
    "an open bracket": (("notes: [67]", "notes: [67"), "expected ',' or ']' within [ ] (begun in line 16); found"),
    "open quotes": (("song: song.mid", "song: 'song.mid"), "expected the closing quotes of line 2"),
    "two colons": (("song: song.mid", "song: song: mid"), "put a text that holds ': ' in quotes"),
    "a wrong indent": (("  shafts:", "   shafts:"), "expected the same indent among keys (begun in line 9)"),
    "a sign before a text": (("song: song.mid", "song: @song.mid"), "found '@' at its start; put the text in quotes"),
    "two documents": (("machine:", "---\nmachine:"), "found a line '---' that begins another"),
    "a control character": (("slate", "sl\x07ate"), "line 16): expected text; found a control character"),
}


@pytest.mark.parametrize(("change", "expected"), FAULTS.values(), ids=FAULTS)
def test_each_fault_of_the_configuration_is_one_line(change, expected):
    faults = faults_of(change)
    assert any(expected in fault for fault in faults), faults
    assert all(
        re.match(r"(config\.yaml|record\w+\.csv|song\.mid|sung\.mid)( \(line \d+\))?: ", fault) for fault in faults
    )
    # One slip is not told in many ways: at most its one or two plain consequences stand beside it.
    assert len(faults) <= 3, faults


def test_a_note_that_two_strikers_claim_names_both():
    (fault,) = faults_of(("notes: [67]", "notes: [67, 76]"))
    assert "note 76" in fault and "'slate' (line 16)" in fault and "'brass cup'" in fault and "(line 17)" in fault


def test_one_note_on_two_channels_may_have_two_strikers():
    config = loaded(("notes: [67],", "notes: [67, 76], channel: 2,"))
    assert config.machine.strikers[1].notes == (67, 76)


def test_every_fault_is_told_at_once_in_the_order_of_the_files():
    faults = faults_of(
        ("detection:", "dectection:"),
        ("turns: 3.0", "turns: three"),
        recordings=RECORDINGS.replace("full", "ful").replace("2031-05-04", "4-5-2031"),
    )
    places = [re.match(r"(\S+) \(line (\d+)\)", fault).groups() for fault in faults]
    assert places == [
        ("config.yaml", "12"),
        ("config.yaml", "24"),
        ("recordings.csv", "2"),
        ("recordings.csv", "4"),
        ("recordings.csv", "4"),
        ("recordings.csv", "5"),
    ]


@pytest.mark.parametrize("ending", ["csv", "CSV", "mid", "midi", "smf", "SMF"])
def test_no_list_of_hits_that_can_be_read_needs_a_rig(ending):
    assert loaded(recordings=RECORDINGS.replace("c1.csv", f"c1.{ending}")).recording("c1").rig == ""


def test_a_note_that_no_striker_plays_is_a_fault():
    faults = faults_of(("notes: [48, 60]", "notes: [48]"))
    assert faults == [
        "song.mid: expected a striker for every note; found none for note 60 (C4) on channel 3, first in bar 1 on "
        "beat 1, 1 in all; add it to a striker's notes or take it out",
        "song.mid: does the machine play a part of it? write {file: …, tracks: […]}; the file has track 1 on channel "
        "1: 1 note, E5; track 1 on channel 2: 1 note, G4; track 1 on channel 3: 2 notes, C3 to C4",
    ]
    make_configuration(("notes: [48, 60]", "notes: [48]"))
    assert load("config.yaml", read_songs=False).machine.strikers[0].notes == (48,)


LIST_FAULTS = {
    "no letter first": ("1a,x.wav,2031-05-03,full", "a letter, then letters, digits, _ . - (at most 100); found '1a'"),
    "a space in a name": ("a b,x.wav,2031-05-03,full", "found 'a b' (did you mean 'a_b'?)"),
    "a name twice": ("x,x.wav,2031-05-03,full\nX,x.wav,2031-05-03,full", "found 'X' again (first in line 2)"),
    "an unknown rig": ("x,x.wav,2031-05-03,ful", "expected a configured rig; found 'ful' (did you mean 'full'?)"),
    "no rig": ("x,x.wav,2031-05-03,", "expected a rig (only a list of hits needs none); found nothing"),
    "an unknown arrangement": ("x,x.wav,2031-05-03,full,sonk", "found 'sonk' (did you mean 'song'?)"),
    "an unknown setup": ("x,x.wav,2031-05-03,full,,wide puly", "found 'wide puly' (did you mean 'wide pulley'?)"),
    "a day that is none": ("x,x.wav,5-3-2031,full", "expected the build_day as year-month-day, such as 2031-05-03"),
    "a line that ends before the day": ("x,x.csv", "expected the build_day as year-month-day, such as 2031-05-03"),
    "a day that never was": ("x,x.wav,2031-02-30,full", "found '2031-02-30'"),
    "no file": ("x,,2031-05-03,full", "expected a file; found nothing"),
    "braces": ("x,x{1}.wav,2031-05-03,full", "expected a path without braces; found 'x{1}.wav'"),
    "a line break": ('x,"x\n.wav",2031-05-03,full', "line 2): expected a path on one line"),
    "half a session": ("x,x.wav,2031-05-03,full,,,1.5", "expected a whole number in the column 'session'; found '1.5'"),
    "a start before the start": ("x,x.wav,2031-05-03,full,,,,-1", "expected a number from 0 to 1000000 in"),
    "a stop before the start": (
        "x,x.wav,2031-05-03,full,,,,9,8",
        "expected a stop_s after start_s; found start_s 9 and stop_s 8",
    ),
    "too many cells": ("x,x.wav,2031-05-03,full,,,,,,,a,b", "expected at most 11 cells; found 12"),
    "an open quote": ('x,"x.wav,2031-05-03,full', "found cells that cannot be told apart"),
    "no recording": ("", "expected at least one recording; found only the heading"),
}


@pytest.mark.parametrize(("rows", "expected"), LIST_FAULTS.values(), ids=LIST_FAULTS)
def test_each_fault_of_the_list_is_one_line(rows, expected):
    (fault,) = faults_of(recordings=f"{HEADING}{rows}\n")
    assert fault.startswith("recordings.csv") and expected in fault


def test_a_misspelt_column_is_told_with_its_likely_slip():
    faults = faults_of(recordings=RECORDINGS.replace("build_day", "buildday").replace("crew", "weather"))
    assert faults[0] == "recordings.csv (line 1): unknown column 'buildday' (did you mean 'build_day'?)"
    assert faults[1].startswith("recordings.csv (line 1): unknown column 'weather'; use 'recording', 'file'")
    assert len(faults) == 2


def test_a_column_twice_or_missing_is_told():
    assert faults_of(recordings=RECORDINGS.replace("crew", "file"))[0].endswith(
        "expected the column 'file' once; found it again; delete one"
    )
    (fault,) = faults_of(recordings="recording,file,rig\nx,x.wav,full\n")
    assert fault == "recordings.csv (line 1): expected the column 'build_day'; found none; add it"


@pytest.mark.parametrize("text", ["a1,a1.wav,2031-05-03,full\n", HEADING.replace(",", "|"), "hello\n"])
def test_a_list_without_a_usable_heading_is_one_line(text):
    (fault,) = faults_of(recordings=text)
    assert "line 1): expected a heading (recording,file,build_day,rig, …); found '" in fault


def test_braces_within_a_folder_of_tracks_are_refused():
    Path("b1/{2}.wav").write_bytes(b"")
    (fault,) = faults_of()
    assert "recordings.csv (line 4): expected a path without braces; found 'b1/{2}.wav'" in fault


def test_a_missing_recording_stops_no_workflow_and_check_says_it(capsys):
    Path("a1.wav").unlink()
    assert load("config.yaml").recording("a1").file == "a1.wav"
    assert main(["check", "config.yaml"]) == 1
    assert "recordings.csv (line 2): 'a1' will be refused: no file at 'a1.wav'" in capsys.readouterr().err


def test_check_warns_of_what_may_be_a_slip_and_is_silent_otherwise():
    four = "".join(f"t{n},t{n}.wav,2031-05-03,full\n" for n in range(4))
    for name in ("t0", "t1", "t2", "t3", "t4"):
        Path(f"{name}.wav").write_bytes(b"")
    make_configuration(recordings=HEADING + four)
    assert check("config.yaml").warnings == ()
    make_configuration(("{flywheel: 5.0}", "{crank: 5.0, flywhel: 3}"), recordings=HEADING + four)
    assert [warning.partition(":")[0] for warning in check("config.yaml").warnings] == ["config.yaml (line 19)"] * 2
    make_configuration(("[slate, brass cup]", "slate"), recordings=HEADING + four)
    unheard = "config.yaml: no microphone of rig 'full' hears 'brass cup': unheard, not missed"
    assert check("config.yaml").warnings == (unheard,)
    wheel = (
        ("    flywheel: {turns: 6.5, drive: belt}\n", ""),
        ("wide pulley: {shafts: {flywheel: 5.0}}", "wide pulley: {}"),
    )
    make_configuration(*wheel, recordings=HEADING + four)
    (said,) = check("config.yaml").warnings
    assert said.startswith("config.yaml: no shaft is named 'flywheel', so the wheel is taken to turn with the barrel")
    none = ("flywheel: {inertia_kg_m2: 1.9, diameter_mm: 600}", "flywheel: ")
    make_configuration(*wheel, none, recordings=HEADING + four)
    assert not check("config.yaml").warnings
    make_configuration(("2031-05-03", "2031-05-09"), recordings=HEADING + four + "t4,t1.wav,2031-05-10,full\n")
    warnings = check("config.yaml").warnings
    assert warnings[0] == "recordings.csv (line 6): 't4' is the same take as 't1' and counts twice"
    assert warnings[1].startswith("config.yaml: no recording of the baseline 2031-05-09")
    assert "a single take in 1 of 2 groups to compare (2031-05-10); record two or three each time" in warnings[2]


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", "found an empty file"),
        (b" \n", "found an empty file"),
        (b"# only this\n", "found only comments"),
        (b"---\n", "found only comments"),
        (b"- a\n- b\n", "expected keys (arrangements, recordings, machine, …); found a list"),
        (b"hello", "found 'hello'"),
        (b"RIFF\x24\0\0\0WAVEfmt ", "found no text but a binary file"),
        (bytes(range(256)) * 9, "found no text but a binary file"),
        ("arrangements: {schl\xe4ger: x}\n".encode("latin-1"), "line 1): expected text in UTF-8; found the byte 0xe4"),
        (b"a: " + b"[" * 20000, "found thousands"),
        (b"arrangements: *nothing\n", "found undefined alias 'nothing'"),
        (b"results: x\n", "expected the key 'arrangements'; found none; add it"),
    ],
)
@pytest.mark.parametrize("name", ["config.yaml", "recordings.csv"])
def test_what_is_no_configuration_or_list_is_said_in_one_line_each(name, content, expected):
    Path(name).write_bytes(content)
    with pytest.raises(InputError) as raised:
        load("config.yaml")
    assert all(fault.startswith(name) for fault in raised.value.faults)
    if name == "config.yaml" or "file" in expected or "UTF-8" in expected:
        assert any(expected in fault for fault in raised.value.faults), raised.value.faults


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("confg.yaml", "found no file (did you mean 'config.yaml'?)"),
        ("no/config.yaml", "found no file (there is no folder 'no')"),
        ("b1", "found a folder"),
        ("x{y}.yaml", "expected a path without braces"),
        ("x\0y", "expected a path on one line"),
    ],
)
def test_a_configuration_that_is_not_there_is_one_line(path, expected):
    with pytest.raises(InputError, match=re.escape(expected)) as raised:
        load(path)
    assert len(raised.value.faults) == 1


LINES = CONFIGURATION.splitlines()


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    strategies.lists(
        strategies.tuples(
            strategies.integers(0, len(CONFIGURATION)),
            strategies.integers(0, 12),
            strategies.text(strategies.sampled_from(" \t\n:,{}[]'\"#&*!|>-%@`0159.eabclno~é\\\0"), max_size=4),
        ),
        min_size=1,
        max_size=3,
    )
)
def test_a_damaged_configuration_loads_or_says_its_faults_and_never_breaks(damages):
    text = CONFIGURATION
    for at, length, put in damages:
        text = text[:at] + put + text[at + length :]
    Path("config.yaml").write_text(text, encoding="utf-8")
    try:
        load("config.yaml")
    except InputError as error:
        assert error.faults and all(fault and "\n" not in fault for fault in error.faults)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    strategies.integers(0, len(RECORDINGS)),
    strategies.integers(0, 12),
    strategies.text(strategies.sampled_from(" \t\n\r;,'\"#0159.-abé{}\0"), max_size=5),
)
def test_a_damaged_list_loads_or_says_its_faults_and_never_breaks(at, length, put):
    Path("recordings.csv").write_text(RECORDINGS[:at] + put + RECORDINGS[at + length :], encoding="utf-8")
    try:
        load("config.yaml")
    except InputError as error:
        assert error.faults and all(fault and "\n" not in fault for fault in error.faults)


# --- asking ----------------------------------------------------------------------------------------------------------


def test_recordings_of_one_arrangement_day_session_and_setup_are_one_group():
    config = load("config.yaml")
    assert [(group.key, [take.recording for take in group.recordings]) for group in config.groups()] == [
        (("clock", date(2031, 5, 4), 1, "late slate"), ["c1"]),
        (("song", date(2031, 5, 3), 1, ""), ["a1", "a2"]),
        (("song", date(2031, 5, 4), 2, "wide pulley"), ["b1"]),
    ]
    for group in config.groups():
        assert config.group(group.id) == group


NAMES = strategies.text(min_size=0, max_size=60)


KEYS = strategies.tuples(NAMES, strategies.integers(1, 20), NAMES)


@given(strategies.lists(KEYS, unique_by=lambda key: repr(key).casefold(), min_size=2, max_size=6))
def test_the_id_of_a_group_is_a_file_name_of_its_own(keys):
    ids = [Group(song, date(2031, 5, 3), session, setup, ()).id for song, session, setup in keys]
    assert len({one.casefold() for one in ids}) == len(keys)
    assert all(re.fullmatch(r"[A-Za-z0-9_.-]{1,200}", one) for one in ids)


def test_asking_for_what_is_not_configured_is_one_line():
    config = load("config.yaml")
    for ask in (config.recording, config.rig, config.arrangement_of, config.machine_of, config.group):
        with pytest.raises(InputError, match=r"^config\.yaml: expected a configured .*; found 'songg'"):
            ask("songg")


# --- what users have --------------------------------------------------------------------------------------------------


def make_band():
    """Write a song of three tracks: a piano, the machine's bells, and a second track of the same name."""
    import mido

    file = mido.MidiFile(ticks_per_beat=96)
    for name, channel, pitches in (
        ("piano", 0, (48, 61, 90)),
        ("Bells", 9, (60, 67)),
        ("bells", 1, (76,)),
        ("", 2, (5,)),
    ):
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)] if name else [])
        for pitch in pitches:
            track.append(mido.Message("note_on", note=pitch, channel=channel, velocity=90, time=96))
        file.tracks.append(track)
    file.save("song.mid")


CHOSEN = {
    "by name, whatever its case": ("tracks: [bells]", [(2, 76), (10, 60), (10, 67)]),
    "by number": ("tracks: [2]", [(10, 60), (10, 67)]),
    "by both": ("tracks: [bells, 3]", [(2, 76), (10, 60), (10, 67)]),
    "one without brackets": ("tracks: 3", [(2, 76)]),
    "by channel": ("channels: [2, 10]", [(2, 76), (10, 60), (10, 67)]),
    "by both kinds": ("tracks: [bells], channels: 10", [(10, 60), (10, 67)]),
}


@pytest.mark.parametrize(("chosen", "expected"), CHOSEN.values(), ids=CHOSEN)
def test_tracks_and_channels_choose_what_the_machine_plays(chosen, expected):
    make_band()
    config = loaded(("song: song.mid", f"song: {{file: song.mid, {chosen}}}"), (", channel: 1, was", ", was"))
    song = song_of(config.arrangement_of("song"))
    assert [tuple(row) for row in song.notes[:, 1:3].tolist()] == expected


def test_another_choice_of_tracks_is_another_arrangement():
    make_band()
    hashes = {
        fingerprint(
            loaded(("song: song.mid", f"song: {{file: song.mid, {chosen}}}"), (", channel: 1, was", ", was")),
            arrangement="song",
            stage="notes",
        )
        for chosen in ("tracks: [bells]", "tracks: [2]", "channels: [2, 10]", "tracks: [2], channels: [10]")
    }
    assert len(hashes) == 4


def test_notes_without_a_striker_list_the_parts_of_the_song():
    make_band()
    *unplayed, parts = faults_of((", channel: 1, was", ", was"))
    assert len(unplayed) == 3 and "none for note 61 (C#4) on channel 1" in unplayed[0]
    assert parts == (
        "song.mid: does the machine play a part of it? write {file: …, tracks: […]}; the file has track 1 'piano' on "
        "channel 1: 3 notes, C3 to F#6; track 2 'Bells' on channel 10: 2 notes, C4 to G4; track 3 'bells' on channel "
        "2: 1 note, E5; track 4 on channel 3: 1 note, F-1"
    )


WRONG_TRACKS = {
    "an unknown name": (
        "tracks: [bels]",
        "expected a track of the file; found 'bels'; the tracks are 1 'piano', 2 'Bells'",
    ),
    "an unknown number": ("tracks: [7]", "expected a track of the file; found '7'; the tracks are 1 'piano'"),
    "a quoted number is a name": ("tracks: ['2']", "expected a track of the file; found '2'; the tracks are"),
    "number 0": ("tracks: [0]", "tracks, entry 1: expected a number from 1 to 65535; found '0'"),
    "a channel beyond 16": ("channels: [17]", "channels, entry 1: expected a number from 1 to 16; found '17'"),
    "nothing there": (
        "tracks: [1], channels: [10]",
        "expected notes on the tracks and channels that are named; found none",
    ),
    "an unknown key": ("track: [1]", "unknown key 'track' (did you mean 'tracks'?)"),
}


@pytest.mark.parametrize(("chosen", "expected"), WRONG_TRACKS.values(), ids=WRONG_TRACKS)
def test_a_wrong_choice_of_tracks_is_one_line(chosen, expected):
    make_band()
    faults = faults_of(("song: song.mid", f"song: {{file: song.mid, {chosen}}}"), (", channel: 1, was", ", was"))
    assert len(faults) == 1 and expected in faults[0]


def test_notes_may_be_named():
    config = loaded(
        ("notes: [48, 60]", "notes: [C3, c4]"), ("notes: [67]", "notes: G4"), ("notes: [76]", "notes: [Fb5]")
    )
    assert [striker.notes for striker in config.machine.strikers] == [(48, 60), (67,), (76,)]


@pytest.mark.parametrize("wrong", ["H4", "C", "C10", "do"])
def test_a_name_that_is_no_note_is_one_line(wrong):
    (fault,) = faults_of(("notes: [67]", f"notes: [{wrong}]"), ("song: song.mid", "song: song.mid"))[:1]
    assert f"expected a MIDI note from 0 to 127, or its name from C-1 to G9 (C4 is 60); found '{wrong}'" in fault


def test_every_midi_note_has_a_name_that_is_read_as_it():
    """The 88 keys of a piano go from A0, 21, to C8, 108; A4, 69, is the 440 Hz of ISO 16 (common practice)."""
    assert [note_name(number) for number in (0, 21, 60, 61, 69, 108, 127)] == [
        "C-1",
        "A0",
        "C4",
        "C#4",
        "A4",
        "C8",
        "G9",
    ]
    assert [note_number(note_name(number)) for number in range(128)] == list(range(128))
    assert [note_number(name) for name in ("Db4", "C♯4", "B♭3", "Cb4", "B#3", "G#9", "Cb-1")] == [
        61,
        61,
        58,
        59,
        60,
        None,
        None,
    ]


@pytest.mark.parametrize("typed", ["2031-05-03", "2031/05/03", "2031/5/3", "03.05.2031", "3.5.2031"])
def test_days_are_read_as_they_are_written_in_many_places(typed):
    config = loaded(("baseline: 2031-05-03", f"baseline: {typed}"), recordings=RECORDINGS.replace("2031-05-03", typed))
    assert config.baseline == config.recording("a1").build_day == date(2031, 5, 3)


@pytest.mark.parametrize("typed", ["05/03/2031", "3.5.31", "31/5/3", "2031-5-3", "30.02.2031", "2031-05-03 12:00"])
def test_a_day_that_may_be_another_is_refused(typed):
    faults = faults_of(recordings=RECORDINGS.replace("2031-05-03", typed, 1))
    assert (
        len(faults) == 1
        and f"expected the build_day as year-month-day, such as 2031-05-03; found '{typed}'" in faults[0]
    )


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le-bom", "utf-16-be-bom"])
@pytest.mark.parametrize("said", [False, True])
def test_a_list_is_read_as_spreadsheets_save_it(separator, encoding, said):
    expected = loaded().recordings
    text = "\r\n".join([f"sep={separator}"] * said + RECORDINGS.replace(",", separator).splitlines()) + "\r\n"
    text = text.replace(f'"fast{separator} loud"', '"fast, loud"')
    raw = text.encode(encoding.removesuffix("-bom"))
    raw = {"utf-16-le-bom": codecs.BOM_UTF16_LE, "utf-16-be-bom": codecs.BOM_UTF16_BE}.get(encoding, b"") + raw
    Path("recordings.csv").write_bytes(raw)
    assert load("config.yaml").recordings == expected


def without_rigs(text):
    return "".join(",".join([*line.split(",")[:3], *line.split(",")[4:]]) + "\n" for line in text.splitlines())


def test_lists_of_hits_need_no_column_of_rigs():
    only = HEADING + "c1,c1.csv,2031-05-04,,clock,late slate,,,,,\n"
    assert loaded(recordings=without_rigs(only)).recording("c1").rig == ""
    (fault,) = faults_of(
        recordings=without_rigs(HEADING + "a1,a1.wav,2031-05-03,full,,,,,,,\nb1,b1,2031-05-03,full,,,,,,,\n")
    )
    assert fault == (
        "recordings.csv (line 1): expected the column 'rig'; found none, which 'a1' and 1 more cannot do without (only "
        "lists of hits can); add it"
    )


DOUBTS = {
    "metres": (
        "diameter_mm: 420",
        "diameter_mm: .51",
        "line 9): machine: barrel: diameter_mm: 0.51 mm is unusual; is it in metres? then write 510",
    ),
    "centimetres": ("diameter_mm: 420", "diameter_mm: 12", "12 mm is unusual; is it in centimetres? then write 120"),
    "micrometres": ("diameter_mm: 600", "diameter_mm: 15000", "15000 mm is unusual; look it over"),
    "a wheel in metres": ("diameter_mm: 600", "diameter_mm: 0.6", "0.6 mm is unusual; is it in metres? then write 600"),
    "a ring in metres": (
        "{inertia_kg_m2: 1.9, diameter_mm: 600}",
        "[{mass_kg: 4, outer_mm: 0.6}]",
        "outer_mm: 0.6 mm is unusual; is it in metres? then write 600",
    ),
}


@pytest.mark.parametrize(("old", "new", "expected"), DOUBTS.values(), ids=DOUBTS)
def test_an_improbable_size_is_doubted_and_allowed(old, new, expected):
    usual = check("config.yaml").warnings
    make_configuration((old, new))
    found = check("config.yaml")
    assert not found.faults
    (doubt,) = set(found.warnings) - set(usual)
    assert expected in doubt


@pytest.mark.parametrize("size", ["30", "190", "1000", "2500"])
def test_a_size_that_machines_have_is_not_doubted(size):
    usual = check("config.yaml").warnings
    make_configuration(("diameter_mm: 420", f"diameter_mm: {size}"))
    assert check("config.yaml").warnings == usual


def test_results_among_the_recordings_are_doubted_and_beside_the_configuration_are_not():
    Path("takes").mkdir()
    Path("a1.wav").rename("takes/a1.wav")
    usual = check("config.yaml").warnings
    make_configuration(("results/demo", "takes/results"), recordings=RECORDINGS.replace("a1.wav", "takes/a1.wav"))
    (doubt,) = set(check("config.yaml").warnings) - set(usual)
    assert "the folder of results, 'takes/results', lies in the folder of recordings 'takes'" in doubt


# --- where paths start -----------------------------------------------------------------------------------------------


def test_paths_start_at_the_folder_of_the_configuration_and_are_said_from_where_one_works(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path.parent)
    away = load(f"{tmp_path.name}/config.yaml")
    assert away.results == f"{tmp_path.name}/results/demo"
    assert away.recordings_file == f"{tmp_path.name}/recordings.csv"
    assert away.arrangement_of("song").file == f"{tmp_path.name}/song.mid"
    assert away.detection.idle_file == f"{tmp_path.name}/idle.wav"
    assert [one.file for one in away.recordings][:3] == [
        f"{tmp_path.name}/{name}" for name in ("a1.wav", "a2.wav", "b1")
    ]
    (tmp_path / "song.mid").rename(tmp_path / "song2.mid")
    with pytest.raises(InputError) as raised:
        load(f"{tmp_path.name}/config.yaml")
    assert raised.value.faults == (
        f"{tmp_path.name}/config.yaml (line 2): arrangement 'song': expected a standard MIDI file at "
        f"'{tmp_path.name}/song.mid'; found no file (did you mean '{tmp_path.name}/song2.mid'?); "
        "correct the path (it starts at the folder of the configuration)",
    )


def test_an_absolute_path_stays_as_it_is(tmp_path, monkeypatch):
    make_configuration(("song.mid", str(tmp_path / "song.mid")))
    monkeypatch.chdir(tmp_path.parent)
    assert load(f"{tmp_path.name}/config.yaml").arrangement_of("song").file == str(tmp_path / "song.mid")


def test_the_usual_folder_of_results_lies_beside_the_configuration(tmp_path, monkeypatch):
    make_configuration(("results: results/demo\n", ""))
    monkeypatch.chdir(tmp_path.parent)
    assert load(f"{tmp_path.name}/config.yaml").results == f"{tmp_path.name}/results"


def test_the_folder_of_the_configuration_is_no_folder_of_results_from_anywhere(tmp_path, monkeypatch):
    make_configuration(("results: results/demo", "results: ."))
    monkeypatch.chdir(tmp_path.parent)
    assert f"found '{tmp_path.name}', which holds {tmp_path.name}/config.yaml" in refusal(
        f"{tmp_path.name}/config.yaml"
    )


def test_a_job_is_the_same_wherever_one_works(tmp_path, monkeypatch):
    asked = [("notes", "song"), ("hits", "a1"), ("aligned", "b1"), ("tables", ""), ("worklist", ""), ("report", "")]
    fingerprints_of = fingerprints.Fingerprints(load("config.yaml")).of
    here = [fingerprints_of(*one) for one in asked]
    monkeypatch.chdir(tmp_path.parent)
    for path in (f"{tmp_path.name}/config.yaml", f"./{tmp_path.name}/config.yaml", str(tmp_path / "config.yaml")):
        fingerprints_of = fingerprints.Fingerprints(load(path)).of
        assert [fingerprints_of(*one) for one in asked] == here


# --- whose the results are -------------------------------------------------------------------------------------------


def refusal(config):
    with pytest.raises(InputError) as raised:
        load(config)
    (fault,) = raised.value.faults
    return fault


def test_a_folder_of_results_that_belongs_to_another_configuration_is_refused_in_one_line():
    shutil.copy("config.yaml", "other.yaml")
    claim("results/demo", "other.yaml")
    assert refusal("config.yaml") == (
        "config.yaml (line 6): results: expected a folder of its own for results; found in 'results/demo' what belongs "
        "to 'other.yaml'; name another folder; or, if that one was renamed or moved, write '../../config.yaml' for "
        "'../../other.yaml' into results/demo/belongs-to.txt"
    )
    load("other.yaml")
    assert [file.name for file in Path("results/demo").iterdir()] == ["belongs-to.txt"]


def test_a_renamed_configuration_is_told_how_to_keep_its_results_and_keeps_their_mark():
    mark = claim("results/demo", "config.yaml")
    Path("config.yaml").rename("better name.yaml")
    said = refusal("better name.yaml")
    assert "belongs to 'config.yaml', which is not there any more" in said
    old, new, file = re.search("write '(.*)' for '(.*)' into (.*)$", said).group(2, 1, 3)
    text = Path(file).read_text("utf-8")
    assert text.count(old) == 1
    Path(file).write_text(text.replace(old, new), "utf-8")
    load("better name.yaml")
    assert claim("results/demo", "better name.yaml") == mark


def test_a_project_that_is_moved_or_copied_with_its_results_or_reached_by_a_link_goes_on(tmp_path, monkeypatch):
    mark = claim("results/demo", "config.yaml")
    Path("link.yaml").symlink_to("config.yaml")
    load("link.yaml")
    load(str(Path("config.yaml").absolute()))
    moved = tmp_path.parent / f"{tmp_path.name} moved"
    shutil.copytree(tmp_path, moved, symlinks=True)
    monkeypatch.chdir(moved)
    assert load("config.yaml") and claim("results/demo", "config.yaml") == mark


def test_results_of_an_older_version_are_taken_over_and_those_of_another_mark_are_not():
    path = tables.path("results/demo", "hits", recording="a1")
    tables.write(path, "hits", tables.empty("hits"))
    load("config.yaml")
    tables.write(path, "hits", tables.empty("hits"), mark="theirs")
    assert "found in 'results/demo' tables of another one, and no belongs-to.txt" in refusal("config.yaml")


@pytest.mark.parametrize("text", [b"", b"one line\n", b"\xff\xfe\x00"])
def test_a_damaged_note_of_the_owner_is_one_line(text):
    claim("results/demo", "config.yaml")
    Path("results/demo/belongs-to.txt").write_bytes(text)
    assert "found in 'results/demo' a damaged results/demo/belongs-to.txt; delete that file" in refusal("config.yaml")


def test_the_usual_folder_of_results_is_looked_at_too():
    Path("results").mkdir()
    claim("results", "other.yaml")
    make_configuration(("results: results/demo\n", ""))
    assert "in 'results' what belongs to 'other.yaml', which is not there any more" in refusal("config.yaml")


# --- what check finds in recordings ----------------------------------------------------------------------------------


def make_sound(path, n_channels=3, rate_hz=48_000, seconds=1.0):
    soundfile.write(path, np.zeros((int(seconds * rate_hz), n_channels)), rate_hz)


@pytest.fixture
def recorded():
    """The workshop with recordings that have no fault."""
    for name in ("a1.wav", "a2.wav", "b1/track 1.wav", "idle.wav"):
        make_sound(name, seconds=30 if name == "idle.wav" else 2)
    Path("c1.csv").write_text("hit_s,striker\n1.0,clock arm\n2.0,clock arm\n")


def said_by_check(capsys):
    status = main(["check", "config.yaml"])
    printed = capsys.readouterr()
    assert (status == 1) == bool(printed.err)
    return printed.err.splitlines()


def test_check_finds_nothing_in_recordings_without_a_fault(recorded, capsys):
    assert said_by_check(capsys) == []


def test_check_warns_of_repeats_faster_than_earlier_results_show_to_be_good(recorded, capsys):
    """The arm strikes once a bar of 2.5 s (four quarter notes at 96)."""
    for gap_s, words in ((3.0, ["clock", "clock arm must strike again after 2.5 s at bar 2 beat 1 "]), (2.5, None)):
        row = make_striker("clock arm", shortest_good_gap_s=gap_s)
        tables.write("results/demo/tables/strikers.parquet", "strikers", make("strikers", [row]))
        assert main(["check", "config.yaml"]) == 0
        said = [line for line in capsys.readouterr().out.splitlines() if "strike again" in line]
        assert bool(said) == bool(words) and all(word in said[0] for word in words or [])


def test_check_opens_headers_and_lists_and_says_each_fault_with_its_row(recorded, capsys):
    make_sound("a1.wav", n_channels=2)
    Path("b1/track 2.wav").write_bytes(b"no sound")
    Path("c1.csv").write_text("hit_s,striker\n1.0,clock arm\n2.0,old arm\n3.0,older arm\n4.0,old arm\n")
    first, second, *rest = said_by_check(capsys)
    assert first == (
        "recordings.csv (line 2): 'a1' will be refused: a1.wav: expected channel 3 of rig 'full'; found 2 channels; "
        "choose another rig or export all channels"
    )
    assert second.startswith("recordings.csv (line 4): 'b1' will be refused: b1/track 2.wav: expected audio")
    (names,) = rest
    assert names.startswith("recordings.csv (line 5): 'c1' will be refused: c1.csv: expected the strikers' names (")
    assert names.endswith(
        "); found 'old arm' (line 3) and 'older arm' (line 4); was one renamed? then write 'was: its former name' "
        "beside its new name"
    )
    load("config.yaml")  # nor does any of it stop the workflow


def test_check_says_once_what_holds_for_many_recordings(recorded, capsys):
    """A renamed striker, and a folder that is gone, would be as many long lines as there are takes."""
    more = "".join(f"d{n},d{n}.csv,2031-05-04,,,,,\n" for n in range(30))
    make_configuration(recordings=RECORDINGS + more)
    for n in range(30):
        Path(f"d{n}.csv").write_text("hit_s,striker\n" + "1.0,slate\n" * (n % 3) + "2.0,old arm\n")
    Path("d0.csv").write_text("hit_s,striker\n2.0,another arm\n")
    first, second, others = said_by_check(capsys)
    assert "'d0' will be refused: d0.csv: expected the strikers' names" in first and "found 'another arm'" in first
    assert "'d1' will be refused: d1.csv: expected the strikers' names" in second and "found 'old arm'" in second
    assert others.startswith("recordings.csv: the same holds for 'd2' (line ") and others.endswith(" and 18 more")


SPOILED = {
    "start beyond the end": (
        lambda: make_sound("a2.wav", seconds=1),
        "'a2' will be refused: a2.wav: expected sound between 1.5 s (start_s) and 60 s",
    ),
    "too few tracks": (
        lambda: make_sound("b1/track 1.wav", n_channels=1),
        "'b1' will be refused: b1: expected channel 3 of rig 'full'; found 1",
    ),
    "idle of another rate": (
        lambda: make_sound("a2.wav", rate_hz=44_100, seconds=3),
        "'a2' will be refused: idle.wav: expected the recording's rate, 44100 Hz",
    ),
    "list of nothing": (
        lambda: Path("c1.csv").write_bytes(b""),
        "'c1' will be refused: c1.csv: expected a list of hits (CSV); found an empty file",
    ),
    "empty file": (
        lambda: Path("a2.wav").write_bytes(b""),
        "'a2' will be refused: a2.wav: expected audio; found an empty file",
    ),
}


@pytest.mark.parametrize(("spoil", "words"), SPOILED.values(), ids=SPOILED)
def test_check_finds(recorded, capsys, spoil, words):
    spoil()
    (said,) = said_by_check(capsys)
    assert words in said


def test_check_says_which_channels_of_a_list_the_rig_does_not_name(recorded, capsys):
    Path("c1.csv").write_text("hit_s,channel\n1.0,1\n2.0,7\n3.0,1\n4.0,7\n")
    make_configuration(recordings=RECORDINGS.replace("c1.csv,2031-05-04,,", "c1.csv,2031-05-04,one mic,"))
    assert main(["check", "config.yaml"]) == 0
    line = "note: recordings.csv (line 5): 'c1': its 2 hits on channel 7 are left out: rig 'one mic' does not name that"
    assert line in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(("bpm", "doubted"), [(96, False), (96.5, False), (100, True), (48, True)])
def test_check_doubts_the_tempo_of_a_click_that_a_list_holds_otherwise(recorded, capsys, bpm, doubted):
    make_configuration(
        ("{channel: 3, hears: index}]", f"{{channel: 3, hears: click, bpm: {bpm}}}]"),
        recordings=RECORDINGS.replace("c1.csv,2031-05-04,,", "c1.csv,2031-05-04,full,"),
    )
    rows = "".join(f"{2 + n * 0.625:.3f},3\n{2.3 + n * 1.31 + n * n % 7 * 0.013:.3f},1\n" for n in range(20))
    Path("c1.csv").write_text(f"hit_s,channel\n{rows}")
    assert main(["check", "config.yaml"]) == 0
    line = f"'c1': its click comes at 96.0 a minute, rig 'full' says {bpm}; mend bpm or per_beat"
    assert (line in " ".join(capsys.readouterr().out.split())) == doubted


def test_check_says_faults_of_the_list_and_of_the_other_recordings_at_once(recorded, capsys):
    make_configuration(recordings=RECORDINGS.replace("b1,b1,2031-05-04", "b1,b1,2031-13-04"))
    make_sound("a1.wav", n_channels=2)
    said = said_by_check(capsys)
    assert len(said) == 2 and "2031-13-04" in said[0] and "'a1' will be refused" in said[1]


# --- what a change runs again ----------------------------------------------------------------------------------------


def make_fingerprints(config):
    """Return the fingerprint of every job of the workflow."""
    jobs = {
        ("notes", one.name): fingerprint(config, arrangement=one.name, stage="notes") for one in config.arrangements
    }
    for take in config.recordings:
        for stage in ("hits", "aligned", "exports"):
            jobs[stage, take.recording] = fingerprint(config, recording=take.recording, stage=stage)
    for group in config.groups():
        jobs["timing", group.id] = fingerprint(config, group=group.id, stage="timing")
    for stage in ("tables", "trend", "worklist", "report"):
        jobs[stage, ""] = fingerprint(config, stage=stage)
    return jobs


SUMMARIES = {(stage, "") for stage in ("tables", "trend", "worklist", "report")}
A, B, C = "2031-05-03_1_song", "2031-05-04_2_song_wide-pulley", "2031-05-04_1_clock_late-slate"
CHANGES = {
    "nothing": ([], lambda rows: rows, ""),
    "another sensitivity": (
        [("sensitivity: 0.5", "sensitivity: 0.6")],
        lambda rows: rows,
        "hits a1 a2 b1 c1, aligned a1 a2 b1 c1, exports a1 a2 b1 c1, timing A B C, tables, trend, worklist, report",
    ),
    "a microphone of one rig moved": (
        [("hears: everything", "hears: everything, distance_m: 1")],
        lambda rows: rows,
        "hits a2, aligned a2, exports a2, timing A, tables, trend, worklist, report",
    ),
    "another pulley in one set-up": (
        [("flywheel: 5.0", "flywheel: 5.1")],
        lambda rows: rows,
        "exports a1 a2 b1 c1, timing B, tables, trend, worklist, report",
    ),
    "another baseline": ([("2031-05-03", "2031-05-04")], lambda rows: rows, "trend, report"),
    "another clock test": (
        [("bars: 64", "bars: 32")],
        lambda rows: rows,
        "notes clock, aligned c1, exports c1, timing C, tables, trend, worklist, report",
    ),
    "an arrangement that nobody plays yet": (
        [("  clock:", "  other: song.mid\n  clock:")],
        lambda rows: rows,
        "tables, trend, worklist, report",
    ),
    "another folder of results": ([("results/demo", "results/other")], lambda rows: rows, ""),
    "a remark": ([("machine:", "# the machine\nmachine:")], lambda rows: rows, ""),
    "another order of the takes": ([], lambda rows: [rows[0], *reversed(rows[1:])], "trend, report"),
    "the crew of one take": (
        [],
        lambda rows: [row.replace("two people", "three people") for row in rows],
        "trend, report",
    ),
    "the note of one take": ([], lambda rows: [row.replace("loud", "soft") for row in rows], "report"),
    "the start of one take": (
        [],
        lambda rows: [row.replace("1.5,60", "1.6,60") for row in rows],
        "hits a2, aligned a2, exports a2, timing A, tables, trend, worklist, report",
    ),
    "a new take": (
        [],
        lambda rows: [*rows, "b2,b2.wav,2031-05-04,full,song,wide pulley,2,,,,"],
        "timing B, tables, trend, worklist, report",
    ),
    "a take deleted": (
        [],
        lambda rows: [row for row in rows if not row.startswith("a2")],
        "timing A, tables, trend, worklist, report",
    ),
}


@pytest.mark.parametrize(("changes", "rows", "expected"), CHANGES.values(), ids=CHANGES)
def test_a_change_runs_exactly_what_depends_on_it(changes, rows, expected):
    before = make_fingerprints(loaded())
    after = make_fingerprints(loaded(*changes, recordings="\n".join(rows(RECORDINGS.splitlines())) + "\n"))
    wanted = set()
    groups = {group.id.partition(".")[0]: group.id for group in load("config.yaml").groups()}
    for stage, *jobs in (part.split() for part in expected.split(", ") if part):
        wanted |= {(stage, groups[{"A": A, "B": B, "C": C}[job]] if stage == "timing" else job) for job in jobs or [""]}
    assert {job for job in before.keys() & after.keys() if before[job] != after[job]} == wanted


# --- corrections by hand ---------------------------------------------------------------------------------------------

EDITS = """\
recording,from_s,to_s,action,note_id
a1,12.1,12.9,ignore,
a1,20,20.2,note_id,2
a2,5,6,Extra,
"""


def make_edits(text=EDITS):
    Path("edits.csv").write_text(text)
    return [("results: results/demo", "edits: edits.csv\nresults: results/demo")]


def test_corrections_by_hand_are_with_their_recordings():
    config = loaded(*make_edits())
    assert config.recording("a1").edits == (Edit(12.1, 12.9, "ignore"), Edit(20.0, 20.2, "note_id", 2))
    assert config.recording("a2").edits == (Edit(5.0, 6.0, "extra"),) and config.recording("b1").edits == ()
    assert config.recording("a1").ignores(12.1) and not config.recording("a1").ignores(12.9)
    assert Edit(12.1, 12.9, "ignore").where == "12.1–12.9\xa0s"


def test_a_list_of_corrections_as_a_spreadsheet_saves_it_or_without_lines_is_read():
    text = "sep=;\nRecording;from_s;to_s;action\n\na1;12,1;12,9;ignore\na1;12,1;12,9;ignore\n"
    assert loaded(*make_edits(text)).recording("a1").edits == (Edit(12.1, 12.9, "ignore"),)
    assert loaded(*make_edits("recording,from_s,to_s,action\n")).recording("a1").edits == ()
    assert loaded(("results: results/demo", "edits:\nresults: results/demo")).recording("a1").edits == ()


WRONG_EDITS = {
    "a3,1,2,ignore,": "expected a recording of the list; found 'a3'; use 'a1', 'a2', 'b1' or 'c1'",
    "a1,2,1,ignore,": "expected a to_s after from_s; found from_s 2 and to_s 1; exchange or correct them",
    "a1,2,2,ignore,": "expected a to_s after from_s",
    "a1,,2,ignore,": "expected seconds of the file in the column 'from_s'; found nothing; fill it in",
    "a1,soon,2,ignore,": "expected a number from 0 to 1000000 in the column 'from_s'; found 'soon'",
    "a1,-1,2,ignore,": "expected a number from 0 to 1000000 in the column 'from_s'; found '-1'",
    "a1,1,2,ignroe,": "expected an action; found 'ignroe' (did you mean 'ignore'?)",
    "a1,1,2,,": "expected an action; found ''; use 'ignore', 'extra' or 'note_id'",
    "a1,1,2,note_id,": "expected a whole number in the column 'note_id' beside the action 'note_id'; found nothing",
    "a1,1,2,note_id,1.5": "found '1.5'",
    "a1,1,2,extra,3": "expected no note_id beside the action 'extra'; found '3'; empty it, or write note_id",
    "a1,1,2,note_id,3": "expected a note_id of 'song', 0 to 2; found 3; correct it",
    "c1,1,2,note_id,64": "expected a note_id of 'clock', 0 to 63; found 64; correct it",
    "a1,1,2,ignore,,x": "expected at most 5 cells; found 6",
    "a1,12.5,13,extra,": "found 'extra' for 12.5–13 s, which overlaps 'ignore' for 12.1–12.9 s; delete or shorten it",
    "a1,20.1,20.3,note_id,1": "found 'note_id' for 20.1–20.3 s, which overlaps 'note_id' for 20–20.2 s",
    "a1,1,99,ignore,": "which overlaps 'note_id' for 20–20.2 s; delete or shorten it or the one in line 3",
}


@pytest.mark.parametrize(("row", "words"), WRONG_EDITS.items(), ids=WRONG_EDITS)
def test_a_wrong_correction_is_one_line_with_its_place(row, words):
    (fault,) = faults_of(*make_edits(EDITS + row + "\n"))
    assert fault.startswith("edits.csv (line 5): expected ") and words in fault.replace("\xa0", " ")


def test_notes_of_a_correction_count_as_the_table_of_notes_has_them():
    """The song writes two notes of one striker at its first tick: they are one."""
    config = loaded()
    for one in config.arrangements:
        assert n_notes_of(one, config.machine) == len(notes(config, one.name))


def test_a_wrong_list_of_corrections_is_told():
    (fault,) = faults_of(*make_edits("recording,from_s,to,action\n"))
    assert fault == "edits.csv (line 1): unknown column 'to' (did you mean 'to_s'?)"
    Path("edits.csv").unlink()
    (fault,) = faults_of(("results: results/demo", "edits: edits.csv\nresults: results/demo"))
    assert fault.startswith("config.yaml (line 6): edits: expected the corrections by hand (CSV) at 'edits.csv'")


def test_what_overlaps_and_says_the_same_or_only_touches_is_no_fault():
    config = loaded(*make_edits(EDITS + "a1,12.5,14,ignore,\na1,14,15,extra,\na2,12,13,note_id,0\n"))
    assert len(config.recording("a1").edits) == 4


def test_a_correction_of_one_take_runs_that_take_its_group_and_the_summaries():
    without = make_fingerprints(loaded())
    before = make_fingerprints(loaded(*make_edits()))
    changed = {job for job in before if before[job] != without[job]}
    assert changed == {(stage, take) for stage in ("aligned", "exports") for take in ("a1", "a2")} | {
        ("timing", A),
        *SUMMARIES,
    }
    # A line put before the others moves them and changes nothing of them.
    after = make_fingerprints(loaded(*make_edits(EDITS.replace("a1,12.1", "b1,1,2,ignore,\na1,12.1"))))
    group = next(name for stage, name in before if stage == "timing" and name.startswith(B))
    assert {job for job in before if before[job] != after[job]} == {
        ("aligned", "b1"),
        ("exports", "b1"),
        ("timing", group),
        *SUMMARIES,
    }


def test_check_speaks_of_corrections_and_of_the_lines_of_recordings_that_have_none(capsys):
    make_configuration(*make_edits())
    Path("c1.csv").write_text("hit_s,striker\n" + "".join(f"{n * 0.61:.3f},clock arm\n" for n in range(20)))
    main(["check", "config.yaml"])
    said = capsys.readouterr().out.replace("\xa0", " ").splitlines()
    assert [line for line in said if line.startswith("by hand")] == [
        "by hand: a1 12.1–12.9 s: ignored",
        "by hand: a1 20–20.2 s: the hit is note 2",
        "by hand: a2 5–6 s: no strikes of the arrangement",
    ]


def test_a_changed_build_day_moves_a_take_to_another_group():
    before = make_fingerprints(loaded())
    after = make_fingerprints(loaded(recordings=RECORDINGS.replace("a2.wav,2031-05-03", "a2.wav,2031-05-02")))
    assert before["hits", "a2"] == after["hits", "a2"]
    assert before["aligned", "a2"] != after["aligned", "a2"]
    assert before["timing", A] != after["timing", A] and ("timing", "2031-05-02_1_song") in after
    assert before["tables", ""] != after["tables", ""]


def test_a_recording_that_comes_or_goes_changes_its_own_jobs_only():
    config = load("config.yaml")
    before = make_fingerprints(config)
    Path("a1.wav").unlink()
    changed = {job for job, mark in make_fingerprints(config).items() if mark != before[job]}
    assert changed == {(stage, "a1") for stage in ("hits", "aligned", "exports")} | {("timing", A)} | SUMMARIES
    Path("a1.wav").write_bytes(b"found")
    assert make_fingerprints(config) == before
    Path("b1/track 2.wav").write_bytes(b"one more")
    assert {take for stage, take in before if before[stage, take] != make_fingerprints(config)[stage, take]} >= {"b1"}


def changed_by(config, change):
    """Return which jobs are run again by a change of a file."""
    before = make_fingerprints(config)
    change()
    after = make_fingerprints(config)
    return {f"{stage} {name}".strip() for stage, name in before if after[stage, name] != before[stage, name]}


LARGE = bytes(SMALL_BYTES + 1)


def put(path, content, date_s):
    Path(path).write_bytes(content)
    os.utime(path, (date_s, date_s))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ((b"found", 2e9), (b"other", 2e9)),  # a small file of the same size and date
        ((LARGE, 2e9), (LARGE, 1e9)),  # a large file of the same size and an older date
        ((LARGE, 1e9), (LARGE + b"x", 1e9)),
    ],
)
@pytest.mark.parametrize(
    ("path", "jobs"),
    [
        ("a1.wav", "hits a1"),
        ("b1/track 1.wav", "hits b1"),
        ("c1.csv", "hits c1"),
        ("idle.wav", "hits a1, hits a2, hits b1, hits c1"),
        ("song.mid", "notes song"),
    ],
)
def test_a_file_replaced_by_an_older_one_is_noticed_and_so_is_what_stands_on_it(path, jobs, old, new):
    config = load("config.yaml")
    put(path, *old)
    changed = changed_by(config, lambda: put(path, *new))
    first = {job for job in changed if job.split()[0] in ("notes", "hits")}
    assert first == set(jobs.split(", "))
    takes = {job.split()[1] for job in first} if "hits" in jobs else {"a1", "a2", "b1"}
    assert {job for job in changed if job.startswith("aligned")} == {f"aligned {take}" for take in takes}
    assert {"tables", "trend", "worklist", "report"} <= changed
    assert changed_by(config, lambda: None) == set()


def test_hidden_files_of_a_folder_of_tracks_and_dates_of_small_files_say_nothing():
    config = load("config.yaml")
    assert changed_by(config, lambda: Path("b1/.DS_Store").write_bytes(b"x")) == set()
    assert changed_by(config, lambda: os.utime("c1.csv", (1e9, 1e9))) == set()


def test_changed_code_changes_all_that_stands_on_it(monkeypatch):
    config = load("config.yaml")
    real = fingerprints.code_of

    def other_code():
        monkeypatch.setattr(fingerprints, "code_of", lambda stage: real(stage) + "x" * (stage == "aligned"))

    stages = {job.split()[0] for job in changed_by(config, other_code)}
    assert stages == {"aligned", "exports", "timing", "tables", "trend", "worklist", "report"}


def test_changed_code_changes_the_jobs_of_its_stage_only(tmp_path):
    for stage in ("notes", "hits", "timing"):
        (tmp_path / stage).mkdir()
        (tmp_path / stage / "fit.py").write_text("ROUNDS = 2\n")
    (tmp_path / "settings").mkdir()
    for module in ("trend.py", "audio.py", "midi.py", "flywheel.py", "settings/strikers.py"):
        (tmp_path / module).write_text("ROUNDS = 2\n")
    stages = ("notes", "hits", "timing", "trend", "report")

    def changed_by(file):
        (tmp_path / file).write_text((tmp_path / file).read_text() + "ROUNDS = 3\n")
        after = {stage: code_of.__wrapped__(stage, tmp_path) for stage in stages}
        changed = {stage for stage in stages if after[stage] != before[stage]}
        before.update(after)
        return changed

    before = {stage: code_of.__wrapped__(stage, tmp_path) for stage in stages}
    assert changed_by("hits/fit.py") == {"hits"}
    assert changed_by("audio.py") == {"hits", "report"}  # the report plays sound
    assert changed_by("midi.py") == changed_by("settings/strikers.py") == {"notes", "hits"}
    assert changed_by("trend.py") == {"trend"} and changed_by("flywheel.py") == {"timing", "trend"}


def test_an_unknown_stage_is_our_fault():
    with pytest.raises(ValueError, match="stage 'hit' is none of"):
        fingerprint(load("config.yaml"), stage="hit")
