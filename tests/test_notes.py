"""Arrangements: what stands in a MIDI file or a clock's grid becomes the table of notes."""

import struct
import time
from fractions import Fraction
from pathlib import Path

import mido
import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings, strategies

from pipeline import tables
from pipeline.errors import InputError
from pipeline.midi import read_song, seconds_at
from pipeline.notes import notes
from pipeline.settings import Arrangement, Barrel, Clock, Detection, Machine, Settings, Striker
from pipeline.settings.unplayed_notes import faults_of_file

# The examples of the Standard MIDI File 1.0 specification, format 0 and 1 (secondary: read in a copy).
FORMAT_0 = (
    "4D546864000000060000000100604D54726B0000003B00FF58040402180800FF510307A12000C00500C12E00C24600923060003C606091"
    "434060904C208140823040003C400081434000804C4000FF2F00"
)
FORMAT_1 = (
    "4D546864000000060001000400604D54726B0000001400FF58040402180800FF510307A1208300FF2F004D54726B0000001000C0058140"
    "904C2081404C0000FF2F004D54726B0000000F00C12E609143408220430000FF2F004D54726B0000001500C24600923060003C60830030"
    "00003C0000FF2F00"
)
ALL = (Striker("all", tuple(range(128))),)


@pytest.fixture(autouse=True)
def workshop(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def make_settings(*, strikers=ALL, clock=None, bars_per_turn=None, pins="song"):
    machine = Machine(Barrel(bars_per_turn, None, pins), (), None, strikers)
    arrangement = Arrangement("song", None if clock else "song.mid", clock)
    return Settings("config.yaml", "results", None, (arrangement,), machine, (), (), Detection(), ())


def make_song(*tracks, division=480, kind=1):
    """Write a MIDI file from tracks of (tick, message or meta-message name, values)."""
    file = mido.MidiFile(type=kind, ticks_per_beat=division)
    for track in tracks:
        written = mido.MidiTrack()
        before = 0
        for tick, name, *values in sorted(track, key=lambda event: event[0]):
            written.append(_message(name, *values).copy(time=tick - before))
            before = tick
        file.tracks.append(written)
    file.save("song.mid")


def _message(name, *values):
    if name == "note":
        pitch, channel, velocity = (*values, *(60, 1, 100)[len(values) :])
        return mido.Message("note_on", note=pitch, channel=channel - 1, velocity=velocity)
    if name == "tempo":
        return mido.MetaMessage("set_tempo", tempo=values[0])
    if name == "signature":
        return mido.MetaMessage("time_signature", numerator=values[0], denominator=values[1])
    return mido.MetaMessage(name, text=values[0])


def make_bytes(events, division="0060", kind="0000", n_tracks="0001"):
    """Write a MIDI file of one track from hexadecimal digits."""
    chunk = bytes.fromhex(events.replace(" ", ""))
    header = bytes.fromhex(f"4D54686400000006{kind}{n_tracks}{division}")
    Path("song.mid").write_bytes(header + b"MTrk" + struct.pack(">I", len(chunk)) + chunk)


def column(name, **keys):
    return notes(make_settings(**keys), "song")[name].to_pylist()


def fault(**keys):
    with pytest.raises(InputError) as raised:
        notes(make_settings(**keys), "song")
    (line,) = raised.value.faults
    assert line.startswith("song.mid: expected ")
    return line


# --- published examples ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("example", [FORMAT_0, FORMAT_1], ids=["format 0", "format 1"])
def test_the_example_of_the_specification_plays_as_it_says(example):
    # SMF 1.0 specification, example files (secondary): notes 48 and 60 on at 0 s on channel 3, 67 at .5 s on 2, 76 at
    # 1 s on 1, all off at 2 s, last tick 384 at 96 ticks a quarter note.
    Path("song.mid").write_bytes(bytes.fromhex(example))
    song = read_song("song.mid")
    assert song.notes[:, :3].tolist() == [[0, 3, 48], [0, 3, 60], [96, 2, 67], [192, 1, 76]]
    strikers = tuple(Striker(f"s{pitch}", (pitch,)) for pitch in (48, 60, 67, 76))
    table = notes(make_settings(strikers=strikers), "song").to_pydict()
    assert table["pitch"] == [48, 60, 67, 76] and table["striker"] == ["s48", "s60", "s67", "s76"]
    assert table["score_s"] == [0, 0, 0.5, 1.0] and table["score_beat"] == [0, 0, 1, 2]
    assert table["velocity"] == [0x60, 0x60, 0x40, 0x20]
    assert table["bar"] == [1] * 4 and table["beat_in_bar"] == [1, 1, 2, 3]
    assert table["note_id"] == [0, 1, 2, 3] == table["pin_id"]


def test_a_tempo_map_gives_the_times_of_the_specification():
    # Worked from the specification's definition: 480 ticks a quarter; 500000, 666667, 400000 µs at 0, 1920, 2880.
    tempos = [(0, "tempo", 500000), (1920, "tempo", 666667), (2880, "tempo", 400000)]
    make_song([*tempos, *((480 * n, "note") for n in range(9))])
    expected = [0, 0.5, 1, 1.5, 2, 2.666667, 3.333334, 3.733334, 4.133334]
    np.testing.assert_allclose(column("score_s"), expected, atol=1e-9)
    assert column("score_beat") == list(range(9))


def test_a_signature_of_six_eighths_counts_eighths_and_leaves_the_tempo_to_the_quarter():
    # SMF 1.0 specification: FF 58 04 06 03 24 08 is 6/8 (denominator 2^3); the tempo stays per quarter note.
    make_bytes("00FF580406032408 00FF510307A120 00903C40 30903C40 8160903C40 00FF2F00")  # ticks 0, 48, 272
    table = notes(make_settings(), "song").to_pydict()
    assert table["bar"] == [1, 1, 1] and table["score_s"][:2] == [0, 0.25]
    assert table["beat_in_bar"] == [1, 2, 1 + 272 / 48]
    assert table["bar_start_beat"] == [0, 0, 0] and table["bar_beats"] == [3, 3, 3]
    make_bytes("00FF580406032408 8220903C40 00FF2F00")  # 288 ticks are six eighths of 48
    assert column("bar") == [2] and column("beat_in_bar") == [1]


@pytest.mark.parametrize(
    ("division", "tick_s"),
    [("E728", 1 / 1000), ("E250", 1 / 2400), ("E804", 1 / 96), ("E364", 1001 / 30000 / 100)],
    ids=["25 frames of 40", "30 of 80", "24 of 4", "29.97 of 100"],
)
def test_smpte_time_is_read_in_seconds_and_tempo_events_have_no_effect(division, tick_s):
    # SMF 1.0 specification: bit 15 set, minus the frames a second, ticks a frame; E728 = 25 × 40 = 1000 ticks/s; 29
    # is 30 drop-frame, 30000/1001 frames/s.
    make_bytes("00FF51030F4240 00903C40 8768903C40 00FF2F00", division=division)  # ticks 0 and 1000
    table = notes(make_settings(), "song").to_pydict()
    np.testing.assert_allclose(table["score_s"], [0, 1000 * tick_s], rtol=1e-12)
    np.testing.assert_allclose(table["score_beat"], [0, 2 * 1000 * tick_s], rtol=1e-12)  # 120 bpm, as we define it


def test_without_tempo_and_signature_it_is_120_bpm_in_four_quarters():
    # SMF 1.0 specification: the defaults.
    make_song([(480 * n, "note") for n in range(6)])
    assert column("score_s") == [0, 0.5, 1, 1.5, 2, 2.5]
    assert column("bar") == [1, 1, 1, 1, 2, 2] and column("beat_in_bar") == [1, 2, 3, 4, 1, 2]


# --- against the definition and another reader -----------------------------------------------------------------------


EVENTS = strategies.lists(
    strategies.tuples(
        strategies.integers(0, 5000),
        strategies.one_of(
            strategies.tuples(strategies.just("tempo"), strategies.integers(1, 2**24 - 1)),
            strategies.tuples(strategies.just("note"), strategies.integers(0, 127), strategies.integers(1, 16)),
            strategies.tuples(
                strategies.just("signature"), strategies.integers(1, 13), strategies.sampled_from([1, 2, 4, 8, 16, 64])
            ),
        ),
    ).map(lambda event: (event[0], *event[1])),
    min_size=1,
    max_size=30,
)
ANY_FOLDER = settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@ANY_FOLDER
@given(EVENTS, strategies.sampled_from([1, 7, 96, 480, 960, 32767]))
def test_times_equal_those_at_which_the_midi_library_plays(events, division):
    assume(any(event[1] == "note" for event in events))
    make_song(events, division=division)
    played, now = [], 0.0
    for message in mido.MidiFile("song.mid"):
        now += message.time
        if message.type == "note_on":
            played.append((now, message.channel + 1, message.note))
    song = read_song("song.mid")
    found = zip(seconds_at(song, song.notes[:, 0]).tolist(), *song.notes[:, 1:3].T.tolist(), strict=True)
    expected = sorted(played, key=lambda one: (round(one[0], 9), *one[1:]))
    got = sorted(found, key=lambda one: (round(one[0], 9), *one[1:]))
    np.testing.assert_allclose(got, expected, rtol=1e-9, atol=1e-9)


@ANY_FOLDER
@given(EVENTS, strategies.sampled_from([1, 7, 96, 480]))
def test_bars_and_beats_equal_counting_them_one_by_one(events, division):
    assume(any(event[1] == "note" for event in events))
    make_song(events, division=division)
    signatures = {0: (4, 4)} | {tick: tuple(rest) for tick, name, *rest in events if name == "signature"}
    ticks = np.unique(read_song("song.mid").notes[:, 0]).tolist()  # one striker: one note at a time
    table = notes(make_settings(), "song")
    names = ("bar", "beat_in_bar", "bar_start_beat", "bar_beats")
    found = list(zip(*(table[name].to_pylist() for name in names), strict=True))
    np.testing.assert_allclose(found, [_counted(tick, signatures, division) for tick in ticks], rtol=1e-9)


def _counted(tick, signatures, division):
    """Walk from bar line to bar line; a new signature opens a bar wherever it stands.

    Return the tick's bar, its beat there, and where the bar begins and how long it is in quarter notes.
    """
    bar, line = 0, Fraction(0)
    while True:
        bar += 1
        numerator, denominator = signatures[max(start for start in signatures if start <= line)]
        beat = Fraction(4 * division, denominator)
        end = min([line + numerator * beat, *(start for start in signatures if start > line)])
        if tick < end:
            return bar, float(1 + (tick - line) / beat), float(line / division), float((end - line) / division)
        line = Fraction(end)


@settings(ANY_FOLDER, max_examples=300)
@given(
    strategies.sampled_from([FORMAT_0, FORMAT_1]),
    strategies.lists(strategies.tuples(strategies.integers(0, 200), strategies.binary(max_size=4)), max_size=3),
    strategies.integers(0, 200),
)
def test_a_damaged_file_is_read_or_refused_and_never_breaks(example, damages, length):
    raw = bytes.fromhex(example)[: None if length > 150 else length]
    for at, put in damages:
        raw = raw[:at] + put + raw[at + len(put) :]
    Path("song.mid").write_bytes(raw)
    try:
        table = notes(make_settings(), "song")
    except InputError as error:
        assert all(line.startswith("song.mid: expected ") and "\n" not in line for line in error.faults)
    else:
        assert len(table) and np.isfinite(table["score_s"].to_numpy()).all()


# --- what counts as a note -------------------------------------------------------------------------------------------


def test_a_note_on_without_velocity_is_the_end_of_a_note():
    make_song([(0, "note", 60, 1, 100), (240, "note", 60, 1, 0), (480, "note", 60, 1, 1)])
    assert column("score_beat") == [0, 1]


def test_notes_are_ranked_by_tick_channel_and_pitch():
    strikers = tuple(Striker(f"{pitch}", (pitch,)) for pitch in (50, 60, 62, 70))
    make_song(
        [(480, "note", 50), (0, "note", 70, 1), (0, "note", 62, 2)],
        [(0, "note", 60, 2)],
    )
    assert column("pitch", strikers=strikers) == [70, 60, 62, 50]
    assert column("note_id", strikers=strikers) == [0, 1, 2, 3]


def test_a_striker_strikes_once_at_a_time_as_loud_as_the_loudest():
    make_song([(0, "note", 60, 1, 20), (0, "note", 61, 1, 90), (0, "note", 60, 1, 30), (1, "note", 60, 2, 40)])
    one = (Striker("one", (60, 61)),)
    assert column("velocity", strikers=one) == [90, 40] and column("pitch", strikers=one) == [61, 60]
    two = (Striker("one", (60,)), Striker("two", (61,)))
    assert column("velocity", strikers=two) == [30, 90, 40]


def test_tempo_markers_and_signatures_count_in_any_track():
    make_song(
        [(0, "note"), (960, "note"), (1440, "note")],
        [(480, "tempo", 1_000_000), (0, "signature", 3, 4)],
        [(960, "marker", "second part")],
    )
    assert column("score_s") == [0, 1.5, 2.5] and column("bar") == [1, 1, 2]
    assert column("passage") == ["opening", "second part", "second part"]


def test_a_striker_with_a_channel_hears_only_that_channel():
    strikers = (Striker("low", (60,), channel=1), Striker("high", (60,), channel=16))
    make_song([(0, "note", 60, 1), (480, "note", 60, 16)])
    assert column("striker", strikers=strikers) == ["low", "high"]
    with pytest.raises(InputError) as raised:
        notes(make_settings(strikers=strikers[:1]), "song")
    unplayed, parts = raised.value.faults
    assert "none for note 60 (C4) on channel 16 ('low' plays it on channel 1 only)" in unplayed
    assert parts.endswith("the file has track 1 on channel 1: 1 note, C4; track 1 on channel 16: 1 note, C4")


def test_every_note_that_nobody_strikes_is_one_line_with_its_first_place():
    make_song([(480 * n, "note", 60 + n % 3) for n in range(10)])
    with pytest.raises(InputError) as raised:
        notes(make_settings(strikers=(Striker("one", (60,)),)), "song")
    assert len(raised.value.faults) == 2
    assert "none for note 62 (D4) on channel 1, first in bar 1 on beat 3, 3 in all;" in raised.value.faults[1]


def test_chunks_that_are_no_tracks_and_a_longer_header_are_passed_over():
    # SMF 1.0 specification: "your programs should expect alien chunks and treat them as if they weren't there".
    raw = bytes.fromhex(FORMAT_0)
    alien = b"XFIH" + struct.pack(">I", 3) + b"abc"
    Path("song.mid").write_bytes(
        raw[:4] + struct.pack(">I", 8) + raw[8:14] + b"\0\0" + alien + raw[14:] + alien + b"trailing"
    )
    assert column("pitch", strikers=tuple(Striker(str(n), (n,)) for n in range(128))) == [48, 60, 67, 76]
    data = struct.pack("<4sI4s4sI", b"RIFF", len(raw) + 12, b"RMID", b"data", len(raw))
    Path("song.mid").write_bytes(data + raw)
    assert len(read_song("song.mid").notes) == 4


# --- passages --------------------------------------------------------------------------------------------------------


def test_markers_name_the_passages_and_a_name_that_comes_again_is_another_passage():
    marks = [(480, "marker", "verse"), (960, "marker", "chorus"), (1440, "marker", "verse"), (1920, "marker", " ")]
    make_song([*marks, *((480 * n, "note") for n in range(5))])
    assert column("passage") == ["opening", "verse", "chorus", "verse (2)", "verse (2)"]


def test_a_passage_may_be_called_opening_itself():
    make_song([(0, "marker", "opening"), (0, "note"), (480, "marker", "opening"), (480, "note")])
    assert column("passage") == ["opening", "opening (2)"]
    make_song([(0, "note"), (480, "marker", "opening"), (480, "note")])
    assert column("passage") == ["opening", "opening (2)"]


def test_a_marker_may_be_written_in_utf_8_or_latin_1():
    for encoding in ("utf-8", "latin-1"):
        text = "Brücke".encode(encoding)
        make_bytes(f"00FF06{len(text):02X}{text.hex()} 00903C40 00FF2F00")
        assert column("passage") == ["Brücke"]


def test_without_markers_every_eight_bars_are_a_passage():
    make_song([(1920 * n, "note") for n in range(17)])
    assert column("passage") == ["bars 1-8"] * 8 + ["bars 9-16"] * 8 + ["bar 17"]


# --- the barrel ------------------------------------------------------------------------------------------------------


def test_at_one_tempo_the_barrel_turns_by_bars():
    make_song([(0, "tempo", 400_000), (0, "signature", 3, 4), *((480 * n, "note") for n in range(40))])
    np.testing.assert_allclose(column("barrel_turn", bars_per_turn=2), np.arange(40) / 6, rtol=1e-12)
    np.testing.assert_allclose(column("barrel_turn"), np.arange(40) / 3, rtol=1e-12)  # not told: it counts bars


def test_under_a_tempo_map_the_barrel_still_turns_by_bars():
    # Bar 1 takes 2 s, bar 2 takes 4 s, and each is a quarter of the barrel.
    make_song([(0, "tempo", 500_000), (1920, "tempo", 1_000_000), *((480 * n, "note") for n in range(8))])
    np.testing.assert_allclose(column("barrel_turn", bars_per_turn=4), np.arange(8) / 16, rtol=1e-12)


def test_pins_that_come_round_every_turn_are_the_same_pins():
    make_song([(0, "tempo", 517_333), *((160 * n, "note", 60 + n % 2) for n in range(12 * 7))])
    pins = column("pin_id", bars_per_turn=2, pins="turn", strikers=(Striker("a", (60,)), Striker("b", (61,))))
    assert pins == [n % 24 for n in range(84)]
    assert column("pin_id", bars_per_turn=2) == list(range(84))


def test_two_strikers_at_one_place_of_the_barrel_have_a_pin_each():
    make_song([(1920 * n, "note", 60 + part) for n in range(3) for part in (0, 1)])
    strikers = (Striker("a", (60,)), Striker("b", (61,)))
    assert column("pin_id", bars_per_turn=1, pins="turn", strikers=strikers) == [0, 1, 0, 1, 0, 1]


@ANY_FOLDER
@given(
    strategies.lists(strategies.integers(0, 7679), min_size=1, max_size=40, unique=True),
    strategies.integers(100_000, 3_000_000),
)
def test_the_pins_of_a_turn_do_not_depend_on_the_tempo(ticks, tempo):
    ticks = [tick for tick in ticks if not any(0 < abs(tick - other) % 1920 < 2 for other in ticks)]
    assume(ticks)
    make_song([(0, "tempo", tempo), *((tick, "note") for tick in ticks)])
    place = [tick % 1920 for tick in sorted(ticks)]
    first = {one: rank for rank, one in enumerate(dict.fromkeys(place))}
    assert column("pin_id", bars_per_turn=1, pins="turn") == [first[one] for one in place]


# --- a clock test ----------------------------------------------------------------------------------------------------


def test_a_clock_is_an_even_row_of_strikes():
    table = notes(make_settings(clock=Clock(96, 64, "clock arm", 4, 1, 1)), "song").to_pydict()
    assert len(table["note_id"]) == 64 and set(table["striker"]) == {"clock arm"} and set(table["pitch"]) == {0}
    np.testing.assert_allclose(np.diff(table["score_s"]), 4 * 60 / 96)
    assert table["bar"] == list(range(1, 65)) and table["barrel_turn"] == list(range(64))
    assert table["passage"][7:9] == ["bars 1-8", "bars 9-16"]


def test_strikes_divide_the_bar_of_a_clock():
    table = notes(make_settings(clock=Clock(60, 2, "arm", 3, 6), bars_per_turn=2), "song").to_pydict()
    assert table["score_beat"] == [0.5 * n for n in range(12)] == table["score_s"]
    assert table["beat_in_bar"] == [1, 1.5, 2, 2.5, 3, 3.5] * 2
    assert table["bar_start_beat"] == [0] * 6 + [3] * 6 and table["bar_beats"] == [3] * 12
    np.testing.assert_allclose(table["barrel_turn"], np.arange(12) / 12)


def test_the_pins_of_a_clock_come_round_every_turn():
    clock = Clock(60, 6, "arm", 4, 2, 2)
    assert notes(make_settings(clock=clock, pins="turn"), "song")["pin_id"].to_pylist() == [0, 1, 2, 3] * 3


def test_the_table_keeps_its_contract_when_written_and_read(tmp_path):
    Path("song.mid").write_bytes(bytes.fromhex(FORMAT_1))
    table = notes(make_settings(), "song")
    tables.write(tmp_path / "notes.parquet", "notes", table)
    assert tables.read(tmp_path / "notes.parquet", "notes").equals(table)


# --- what is refused -------------------------------------------------------------------------------------------------

NOTE = "00903C40 00FF2F00"
REFUSED = {
    "three patterns": ({"events": NOTE, "kind": "0002", "n_tracks": "0001"}, None),
    "type 3": ({"events": NOTE, "kind": "0003"}, "found type 3; export it as type 0 or 1"),
    "no ticks": ({"events": NOTE, "division": "0000"}, "expected ticks per quarter note; found 0"),
    "frames that are none": ({"events": NOTE, "division": "E028"}, "found 32 frames of 40"),
    "frames without ticks": ({"events": NOTE, "division": "E700"}, "found 25 frames of 0"),
    "a track too few": ({"events": NOTE, "n_tracks": "0002"}, "expected 2 tracks, as its header says; found 1"),
    "no notes": ({"events": "00FF2F00"}, "expected notes; found none"),
    "only ends of notes": ({"events": "00903C00 00803C40 00FF2F00"}, "expected notes; found none"),
    "no tempo": ({"events": "00FF5103000000" + NOTE}, "found 0 microseconds a quarter note at tick 0"),
    "no beats in a bar": ({"events": "00FF580400021808" + NOTE}, "expected a time signature such as 4/4; found 0/4"),
    "a beat of nothing": ({"events": "00FF580404FF1808" + NOTE}, "expected a time signature such as 4/4; found 4/"),
    "a short signature": ({"events": "00FF580104" + NOTE}, "found a fault in track 1 of 1"),
    "running status from nothing": ({"events": "003C40 00FF2F00"}, "found a fault in track 1 of 1 (running status"),
    "a data byte too high": ({"events": "00903CC0 00FF2F00"}, "found a fault in track 1 of 1 (data byte"),
    "an undefined status": ({"events": "00F54040 00FF2F00"}, "found a fault in track 1 of 1"),
    "half an event": ({"events": "00903C"}, "found a fault in track 1 of 1 (it ends within an event)"),
    "a time without end": ({"events": "FF" * 40 + "7F903C40 00FF2F00"}, "it goes on to tick"),
    "a key of nine sharps": ({"events": "00FF59020900" + NOTE}, "found a fault in track 1 of 1"),
}


@pytest.mark.parametrize(("given_bytes", "expected"), REFUSED.values(), ids=REFUSED)
def test_what_cannot_be_played_is_refused_in_one_line(given_bytes, expected):
    make_bytes(**given_bytes)
    if expected is None:  # one pattern alone is played as what it is
        assert column("pitch") == [60]
    else:
        assert expected in fault()


def test_separate_patterns_are_refused_in_one_line():
    raw = bytearray(bytes.fromhex(FORMAT_1))
    raw[9] = 2
    Path("song.mid").write_bytes(raw)
    assert "found type 2, whose tracks are separate patterns; export it as type 0 or 1" in fault()


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        (b"", "found an empty file"),
        (b"RIFF\x24\0\0\0WAVEfmt ", "found another kind of file"),
        (b"MThd\0\0\0\6\0", "found its first bytes only"),
        (bytes.fromhex(FORMAT_0)[:-9], "found a fault in track 1 of 1 (the file ends within it)"),
        (bytes.fromhex(FORMAT_1)[:66], "expected 4 tracks, as its header says; found 2"),
    ],
)
def test_a_file_that_is_cut_or_of_another_kind_is_one_line(raw, expected):
    Path("song.mid").write_bytes(raw)
    assert expected in fault()
    (line,) = faults_of_file(Arrangement("song", "song.mid"), None)
    assert expected in line


def test_a_missing_file_is_one_line():
    assert "found none; correct the path" in fault()


def test_twenty_thousand_notes_are_read_in_a_moment():
    track = mido.MidiTrack(mido.Message("note_on", note=n % 128, velocity=64, time=7) for n in range(20_000))
    mido.MidiFile(tracks=[track]).save("song.mid")
    config = make_settings(bars_per_turn=8, pins="turn")
    before = time.process_time()
    assert len(notes(config, "song")) == 20_000
    assert time.process_time() - before < 4  # measured .35 s
