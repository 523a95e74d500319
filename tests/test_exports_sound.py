"""The sound that one takes along: opened with other readers, its ticks and strikes are where the tables say.

Truth: takes rendered by the demo's simulator (`demo.sound`), whose strikes begin at known times. Readers:
scipy.io.wavfile and soundfile. The detector is a plain threshold, none of ours.
"""

import tracemalloc
from dataclasses import replace
from datetime import timedelta
from io import BytesIO
from types import SimpleNamespace

import numpy as np
import pyarrow as pa
import pytest
import scipy.io.wavfile
import soundfile

from pipeline import audio, failures, playback, tables
from pipeline.commands import sound as command
from pipeline.errors import InputError
from pipeline.exports import mended, sound
from pipeline.settings import Arrangement, Barrel, Channel, Detection, Machine, Recording, Rig, Settings, Striker
from tests.heard_takes import (
    BEAT_S,
    DAY,
    GROUP,
    NAMES,
    OWN,
    PIN_S,
    RATE_HZ,
    ROOM,
    START_S,
    make,
    make_job,
    make_own,
    make_room,
    make_tables,
    make_take,
    onset_s,
    strikers,
)
from tests.test_failures import limited_files


def exported(path, rig, rows, pins=(), pin_s=PIN_S, **cut):
    """Return the rate, the files as scipy reads them (full scale 1), which strikes move, and the tables."""
    found, by = make_tables(rows, pins, pin_s), playback.microphones(rig, Machine(Barrel(), (), None, strikers()))
    strikes = mended.strikes(
        found.aligned, found.hits, mended.off_of(found.lateness, [make_job(rows, pins)], dict.fromkeys(NAMES, 0.0)), by
    )
    moves, heard = mended.can_move(strikes), audio.look(path, **cut)
    pieces = tuple(mended.pieces(strikes, moves, one, heard.rate_hz) for one in strikes.heard.T)
    files = [BytesIO(), BytesIO()]
    sound.write(sound.Takes(heard, by, ticks_of(found), pieces), files)
    return heard.rate_hz, [read(file) for file in files], (strikes, moves), found


def ticks_of(found):
    return playback.ticks_s(tables.numbers(found.notes["score_beat"]), playback.stretches(found.tempo))


def read(file):
    file.seek(0)
    rate_hz, samples = scipy.io.wavfile.read(file)
    assert rate_hz == RATE_HZ and samples.dtype == np.int32  # 24 bit, in the upper bytes
    return samples / 2.0**31


# --- as recorded ------------------------------------------------------------------------------------------------------


def test_the_ticks_are_where_the_smooth_motion_puts_the_beats_and_the_strikes_where_they_were(tmp_path):
    rows = make_take()
    make_own(tmp_path / "t1.wav", rows)
    _, (plain, _), _, _ = exported(tmp_path / "t1.wav", OWN, rows)
    for row in rows:
        due_s = START_S + row["beat"] * BEAT_S
        assert abs(onset_s(plain[:, 0], due_s) - due_s) < 0.001
        assert abs(onset_s(plain[:, 1], row["true_s"]) - row["true_s"]) < 0.001
    silent = np.abs(plain[:, 0]) == 0
    assert silent.mean() > 0.98  # nothing but ticks on the left


@pytest.mark.parametrize("rig", [OWN, ROOM], ids=["own", "room"])
def test_the_right_channel_is_the_recording_up_to_one_gain_where_nothing_moves(tmp_path, rig):
    rows = make_take(n=30)  # longer than one block
    samples = (make_own if rig is OWN else make_room)(tmp_path / "t1.wav", rows)
    _, (plain, same), _, _ = exported(tmp_path / "t1.wav", rig, rows)
    late = round(0.0035 * RATE_HZ) if rig is ROOM else 0
    machine = samples.sum(axis=1)[late:]
    gain = playback.MACHINE_PEAK / np.abs(machine).max()
    assert np.abs(plain[: len(machine), 1] - gain * machine).max() < 2.0**-22  # 24 bit and float32
    assert len(plain) == len(samples) and np.array_equal(plain, same)


def test_channels_that_hear_marks_are_left_out_and_delays_are_taken_off(tmp_path):
    chance = np.random.default_rng(3)
    samples = chance.uniform(-0.5, 0.5, (RATE_HZ, 4)).astype(np.float32)
    soundfile.write(tmp_path / "t1.wav", samples, RATE_HZ, subtype="FLOAT")
    channels = (Channel(1, ("index",)), Channel(2, ("slate",), delay_s=0.01), Channel(4, ("oak block", "iron rail")))
    machine = Machine(Barrel(), (), None, (Striker("slate", (60,), delay_ms=-5.0), *strikers()[::2]))
    by = playback.microphones(Rig("r", (*channels, Channel(3, ("click",)))), machine)
    file = BytesIO()
    sound.write(sound.Takes(audio.look(tmp_path / "t1.wav"), by, np.zeros(0), None), [file])
    written, late = read(file)[:, 1], round(0.005 * RATE_HZ)
    expected = samples[:, 3].copy()
    expected[:-late] += samples[late:, 1]
    assert np.abs(written - expected * playback.MACHINE_PEAK / np.abs(expected).max()).max() < 2.0**-22


def test_it_never_clips_however_loud_the_channels_are(tmp_path):
    loud = np.sign(np.sin(np.arange(RATE_HZ) / 30.0)).astype(np.float32)[:, None] * np.ones(3, np.float32) * 5.0
    soundfile.write(tmp_path / "t1.wav", loud, RATE_HZ, subtype="FLOAT")
    _, (plain, _), _, _ = exported(tmp_path / "t1.wav", OWN, make_take(n=2))
    assert 0.69 < np.abs(plain[:, 1]).max() < 0.71 and np.abs(plain[:, 0]).max() < 0.36


def test_outside_of_start_and_stop_there_is_silence_and_the_times_stay(tmp_path):
    rows = make_take()
    make_own(tmp_path / "t1.wav", rows)
    whole = exported(tmp_path / "t1.wav", OWN, rows)[1][0]
    part = exported(tmp_path / "t1.wav", OWN, rows, start_s=3.0, stop_s=9.0)[1][0]
    assert len(part) == len(whole) and not part[: 3 * RATE_HZ, 1].any() and not part[9 * RATE_HZ :, 1].any()
    inside = slice(3 * RATE_HZ, 9 * RATE_HZ)
    gain = np.abs(part[inside, 1]).max() / np.abs(whole[inside, 1]).max()
    assert np.abs(part[inside, 1] - gain * whole[inside, 1]).max() < 1e-6


def test_a_file_too_long_for_wav_is_rf64(tmp_path, monkeypatch):
    rows = make_take(n=4)
    make_own(tmp_path / "t1.wav", rows)
    found = make_tables(rows)
    by = playback.microphones(OWN, Machine(Barrel(), (), None, strikers()))
    takes = sound.Takes(audio.look(tmp_path / "t1.wav"), by, ticks_of(found), None)
    short, long = BytesIO(), BytesIO()
    sound.write(takes, [short])
    monkeypatch.setattr(sound, "LARGEST_WAV", 1000)
    sound.write(takes, [long])
    assert (short.getvalue()[:4], long.getvalue()[:4]) == (b"RIFF", b"RF64")
    read_back = [soundfile.read(BytesIO(one.getvalue()))[0] for one in (short, long)]
    assert np.array_equal(*read_back)


def test_memory_does_not_grow_with_length(tmp_path):
    chance, peaks = np.random.default_rng(1), []
    for n_s in (40, 400):
        path = tmp_path / f"{n_s}.wav"
        soundfile.write(path, chance.normal(0, 0.1, n_s * 8000), 8000, subtype="PCM_16")
        by = (playback.Microphone(0, None, 0.0),)
        strikes = mended.Strikes(
            np.arange(1.0, n_s, 2), np.full(len(np.arange(1.0, n_s, 2)), 0.02), np.ones((n_s // 2, 1), bool)
        )
        pieces = (mended.pieces(strikes, mended.can_move(strikes), strikes.heard[:, 0], 8000),)
        tracemalloc.start()
        with open(tmp_path / "out.wav", "wb") as one, open(tmp_path / "mended.wav", "wb") as other:
            sound.write(sound.Takes(audio.look(path), by, np.arange(0, n_s, 0.5), pieces), [one, other])
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.1 * peaks[0]


# --- mended -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("way", [1, -1], ids=["late", "early"])
@pytest.mark.parametrize("rig", [OWN, ROOM], ids=["own", "room"])
@pytest.mark.parametrize("seed", [11, 12])
def test_a_pin_22_ms_out_sounds_in_its_place_and_the_others_stay(tmp_path, seed, rig, way):
    pins = (7, 16)
    rows = make_take(seed, late_s=dict.fromkeys(pins, way * PIN_S))
    (make_own if rig is OWN else make_room)(tmp_path / "t1.wav", rows)
    _, (plain, fixed), (_, moves), _ = exported(tmp_path / "t1.wav", rig, rows, pins, way * PIN_S)
    assert moves.sum() == 2
    for row in rows:
        out_s = way * PIN_S if row["note_id"] in pins else 0.0
        assert abs(onset_s(plain[:, 1], row["true_s"]) - row["true_s"]) < 0.001
        assert abs(onset_s(fixed[:, 1], row["true_s"] - out_s) - (row["true_s"] - out_s)) < 0.001
    # Each strike sounds once: as many rises as before.
    assert n_rises(fixed[:, 1]) == n_rises(plain[:, 1]) == len(rows)


def n_rises(samples):
    """Count strikes: loud where for 100 ms before nothing was."""
    size = np.abs(samples)
    loud = np.flatnonzero(size > 0.2 * size.max())
    return 1 + int((np.diff(loud) > 0.1 * RATE_HZ).sum())


def test_where_a_strike_was_the_noise_goes_on_at_its_level(tmp_path):
    rows = make_take(late_s={7: -PIN_S})
    make_own(tmp_path / "t1.wav", rows)
    found = make_tables(rows)
    off = {(1, 7): -PIN_S}
    by = playback.microphones(OWN, Machine(Barrel(), (), None, strikers()))
    strikes = mended.strikes(found.aligned, found.hits, off, by)
    pieces = mended.pieces(strikes, mended.can_move(strikes), strikes.heard[:, 1], RATE_HZ)
    samples, _ = soundfile.read(tmp_path / "t1.wav", dtype="float32")
    begin = round((rows[7]["true_s"] - 0.001) * RATE_HZ)
    gap = pieces.read(samples[:, 1], 0, begin, round(0.018 * RATE_HZ), 0)
    before = samples[begin - len(gap) - 400 : begin - 400, 1]
    assert 0.5 < gap.std() / before.std() < 2.0
    assert np.abs(np.diff(gap)).max() < 3 * np.abs(np.diff(before)).max()  # no click where it is joined


def test_on_one_microphone_a_chord_moves_only_as_a_whole(tmp_path):
    rows = make_take(chord_every=6)
    chord = [row["note_id"] for row in rows if row["beat"] == 6]
    for row in rows:
        if row["note_id"] in chord:
            row["true_s"] = START_S + row["beat"] * BEAT_S + PIN_S
    make_room(tmp_path / "t1.wav", rows)
    *_, (_, one_moves), _ = exported(tmp_path / "t1.wav", ROOM, rows, chord[:1])
    assert not one_moves.any()
    _, (_, fixed), (_, all_move), _ = exported(tmp_path / "t1.wav", ROOM, rows, chord)
    assert all_move.sum() == 2
    due_s = START_S + 6 * BEAT_S
    assert abs(onset_s(fixed[:, 1], due_s) - due_s) < 0.001
    # With a microphone each, one of them moves by itself.
    make_own(tmp_path / "t2.wav", rows)
    *_, (_, apart), _ = exported(tmp_path / "t2.wav", OWN, rows, chord[:1])
    assert apart.sum() == 1


def strikes_at(hit_s, off_s, heard=None):
    heard = np.ones((len(hit_s), 1), bool) if heard is None else np.array(heard, bool)
    return mended.Strikes(np.array(hit_s, float), np.array(off_s, float), heard)


def test_a_strike_stays_where_it_would_run_into_another():
    assert mended.can_move(strikes_at([1.0, 1.025], [0, 0.02])).tolist() == [False, False]  # 5 ms would be left
    assert mended.can_move(strikes_at([1.0, 1.04], [0, 0.02])).tolist() == [False, True]
    assert mended.can_move(strikes_at([1.0, 1.025], [-0.02, 0])).tolist() == [False, False]
    # What moves alike does not come closer.
    assert mended.can_move(strikes_at([1.0, 1.025], [0.02, 0.02])).tolist() == [True, True]
    # A strike that one of its microphones cannot move stays on the others, and so does who moved with it.
    both = strikes_at([1.0, 1.015, 1.05], [0.02, 0.02, 0.0], [[1, 0], [1, 1], [0, 1]])
    assert mended.can_move(both).tolist() == [True, True, False]
    both = strikes_at([1.0, 1.015, 1.03], [-0.02, -0.02, 0.0], [[1, 0], [1, 1], [0, 1]])
    assert mended.can_move(both).tolist() == [False, False, False]
    assert mended.can_move(strikes_at([1.0], [0.02], [[0]])).tolist() == [False]  # nobody hears it


def test_strikes_that_sound_together_and_move_nearly_alike_are_one_piece_and_go_by_the_mean():
    alike = strikes_at([1.0, 1.004], [0.02, 0.0203])
    assert mended.can_move(alike).tolist() == [True, True]
    pieces = mended.pieces(alike, mended.can_move(alike), alike.heard[:, 0], 100_000)
    assert pieces.later.tolist() == [0, -2015, 0]
    assert mended.can_move(strikes_at([1.0, 1.004], [0.02, 0.0207])).tolist() == [False, False]


def test_what_sounds_long_after_a_moved_strike_stays():
    """A microphone beside a striker that plays seldom hears the others, softly: they shall not move along."""
    strikes = strikes_at([1.0, 9.0], [0.02, 0.0])
    pieces = mended.pieces(strikes, mended.can_move(strikes), strikes.heard[:, 0], 8000)
    samples = np.random.default_rng(2).normal(size=80_000).astype(np.float32)
    assert np.array_equal(pieces.read(samples, 0, 0, 80_000, 0)[17_000:], samples[17_000:])


@pytest.mark.parametrize("seed", range(2))
def test_blocks_are_the_whole_cut_into_parts(seed):
    """The quick reading equals one by the definition, sample for sample."""
    chance = np.random.default_rng(seed)
    hit_s = np.cumsum(chance.uniform(0.06, 1.6, 14))
    strikes = strikes_at(hit_s, chance.choice([0.0, 0.02, -0.03, 0.004], 14))
    moves = mended.can_move(strikes)
    assert moves.sum() > 5
    pieces = mended.pieces(strikes, moves, strikes.heard[:, 0], 4000)
    samples = chance.normal(size=int((hit_s[-1] + 2) * 4000)).astype(np.float32)
    whole = np.concatenate([
        pieces.read(samples, 0, begin, min(1777, len(samples) - begin), 0) for begin in range(0, len(samples), 1777)
    ])  # fmt: skip
    np.testing.assert_allclose(whole, by_definition(pieces, samples), atol=1e-6)
    # A strike that stays is left alone: its first 50 ms are the recording's own.
    for at in np.flatnonzero(~moves):
        own = slice(round(hit_s[at] * 4000), round((hit_s[at] + 0.02) * 4000))
        assert np.array_equal(whole[own], samples[own])


def by_definition(pieces, samples):
    out = np.zeros(len(samples))
    for at in range(len(samples)):
        now = max(one for one in range(len(pieces.begin)) if pieces.begin[one] <= at)
        source = at - pieces.later[now]
        source = source if source < pieces.end[now] else 2 * pieces.end[now] - 1 - source
        value = samples[source] if 0 <= source < len(samples) else 0.0
        if now + 1 < len(pieces.begin) and at >= pieces.begin[now + 1] - pieces.fade:
            share = (at - pieces.begin[now + 1]) / pieces.fade + 1
            value = (1 - share) * value + share * samples[at - pieces.later[now + 1]]
        out[at] = value
    return out


def test_a_job_takes_off_what_the_work_list_counts_it_by():
    rows = make_take(n=6)
    lateness = make_tables(rows, pins=(1,)).lateness.to_pylist()
    for row in lateness:
        row["striker_s"] = 0.012 if row["striker"] == "slate" else -0.006
    table = pa.Table.from_pylist(lateness)
    delay_s = {"slate": 0.009, "oak block": -0.0045, "iron rail": -0.0045}
    late = {"mends": "delay", "where": "slate", "late_s": 0.0135, "places": None}
    company = {"mends": "company", "where": "slate", "late_s": None, "places": None}
    slates = [(1, row["note_id"]) for row in rows if row["striker"] == "slate"]
    assert mended.off_of(table, [make_job(rows, (1, 2))], delay_s) == {(1, 1): PIN_S}
    assert mended.off_of(table, [late], delay_s) == dict.fromkeys(slates, 0.0135)
    assert mended.off_of(table, [company], delay_s) == pytest.approx(dict.fromkeys(slates, 0.003))
    both = mended.off_of(table, [late, make_job(rows, (1,))], delay_s)
    assert both[1, 1] == pytest.approx(PIN_S + (0.0135 if rows[1]["striker"] == "slate" else 0.0))


def test_only_sure_jobs_that_move_strikes_by_a_known_time_are_done():
    kinds = ("place", "delay", "company", "missed", "double", "load")
    jobs = [GROUP | {"rank": at, "certainty": 0.99, "mends": kind} for at, kind in enumerate(kinds, 1)]
    jobs.append(GROUP | {"rank": 9, "certainty": 0.9, "mends": "place"})
    assert [job["rank"] for job in mended.jobs_that_move(make("worklist", jobs))] == [1, 2, 3]


def test_a_rebound_goes_with_its_strike_and_a_stray_strike_stays():
    rows = make_take(n=3)
    aligned = make_tables(rows).aligned.to_pylist()
    more = {"status": "extra", "shared": 1, "playthrough": 1, "segment": 1}
    aligned += [dict.fromkeys(aligned[0]) | more | {"hit_id": 90 + at, "hit_s": 1.5 + at / 10} for at in range(2)]
    hits = make("hits", [
        *({"hit_id": row["note_id"], "channel": 1, "hit_s": row["true_s"], "kind": "strike"} for row in rows),
        {"hit_id": 90, "channel": 2, "hit_s": 1.5, "kind": "rebound"},
        {"hit_id": 91, "channel": 2, "hit_s": 1.6, "kind": "strike"},
    ])  # fmt: skip
    by = playback.microphones(OWN, Machine(Barrel(), (), None, strikers()))
    found = mended.strikes(pa.Table.from_pylist(aligned), hits, {}, by)
    assert 1.5 not in found.hit_s
    assert found.heard[found.hit_s == 1.6].tolist() == [[False, True, False]]


# --- the command ------------------------------------------------------------------------------------------------------


def make_project(folder, rows, pins=(), take="t1.wav", certainty=0.99):
    """Write the tables of one take with a job at `pins`; return the settings."""
    recording = Recording("t1", str(folder / take), DAY, "own", "song")
    machine = Machine(Barrel(8, 420.0), (), None, strikers())
    arrangements = (Arrangement("song", file="song.mid"),)
    settings = Settings(
        "c", str(folder / "results"), None, arrangements, machine, (), (OWN,), Detection(), (recording,)
    )
    found, group = make_tables(rows, pins), settings.groups()[0]
    at = {"build_day": DAY, "group": group.id}
    job = GROUP | {"rank": 1} | make_job(rows, pins, certainty=certainty)
    listed = make("worklist", [job] if pins else [])
    written = {
        "notes": (found.notes, {"arrangement": "song"}),
        "tempo": (found.tempo, at),
        "lateness": (found.lateness, at),
        "aligned": (found.aligned, {"build_day": DAY, "recording": "t1"}),
        "strikers": (make("strikers", [GROUP | {"striker": name} for name in NAMES]), {}),
        "worklist": (listed, {}),
        "asked": (make("asked", []), {}),
    }
    for name, (table, keys) in written.items():
        tables.write(tables.path(settings.results, name, **keys), name, table)
    length_s = soundfile.info(folder / "t1.wav").duration if (folder / "t1.wav").exists() else 0.0
    said = {"duration_s": length_s, "rate_hz": RATE_HZ, "n_channels": 3}
    tables.write(tables.path(settings.results, "hits", recording="t1"), "hits", found.hits, said=said)
    return settings


def plain_spaces(lines):
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in lines]


def test_the_command_writes_both_files_and_says_what_they_hold(tmp_path):
    rows = make_take(late_s={7: PIN_S})
    make_own(tmp_path / "t1.wav", rows)
    out = tmp_path / "out"
    said = plain_spaces(command.write(make_project(tmp_path, rows, (7,)), out))
    assert {path.name for path in out.iterdir()} == {"t1.wav", "t1-mended.wav"}
    assert "of 1 recording the arrangement's ticks (left) and the machine (right)" in said[0]
    assert said[1].endswith("(-mended.wav): 1 strike moved, by up to 22.0 ms")
    assert "a sketch" in said[2] and "turn the volume down first" in said[3] and "Local rules" in said[3]
    assert len(said) == 4
    again = (out / "t1-mended.wav").read_bytes()
    command.write(make_project(tmp_path, rows, (7,)), out)
    assert (out / "t1-mended.wav").read_bytes() == again
    # A finding that is not sure moves nothing, and what was mended before is gone.
    said = command.write(make_project(tmp_path, rows, (7,), certainty=0.9), out)
    assert {path.name for path in out.iterdir()} == {"t1.wav"}
    assert "nothing to hear mended" in said[1] and not any("moved, by" in line for line in said)


def test_a_disk_without_room_is_said_before_anything_is_written(tmp_path, monkeypatch):
    rows = make_take(late_s={7: PIN_S})
    n = len(make_own(tmp_path / "t1.wav", rows))
    settings, out = make_project(tmp_path, rows, (7,)), tmp_path / "out"
    free = 2 * 6 * n - 1  # two files, two channels of three bytes
    monkeypatch.setattr("shutil.disk_usage", lambda path: SimpleNamespace(free=free))
    with pytest.raises(OSError) as raised:
        command.write(settings, out)
    assert failures.line("pindrift export", raised.value).startswith("pindrift export: expected room on the disk")
    assert not list(out.iterdir())


@pytest.mark.parametrize("room", [0, 40, 1000, 50_000, 200_000])
def test_a_disk_that_fills_while_sound_is_written_is_told_as_such_and_leaves_nothing(tmp_path, capfd, room):
    """libsndfile writes through callbacks: what these raise is printed as a traceback and ends as another error."""
    rows = make_take(late_s={7: PIN_S})
    make_own(tmp_path / "t1.wav", rows)
    settings, out = make_project(tmp_path, rows, (7,)), tmp_path / "out"
    with limited_files(room), pytest.raises(OSError) as raised:
        command.write(settings, out)
    assert failures.line("pindrift export", raised.value).startswith("pindrift export: expected room on the disk")
    assert not list(out.iterdir()) and capfd.readouterr() == ("", "")


def test_the_newest_takes_are_written_or_those_that_are_named(tmp_path):
    rows, out = make_take(), tmp_path / "out"
    make_own(tmp_path / "t1.wav", rows)
    newest = make_project(tmp_path, rows)
    old = replace(newest.recordings[0], recording="t0", build_day=DAY - timedelta(1))
    both = replace(newest, recordings=(old, *newest.recordings))
    of_t1, of_t0 = ({"build_day": one.build_day, "group": one.id} for one in reversed(both.groups()))
    for name in ("tempo", "lateness"):
        table = tables.read(tables.path(both.results, name, **of_t1), name)
        at = table.schema.get_field_index("recording")
        renamed = table.set_column(at, table.schema.field(at), pa.array(["t0"] * len(table)))
        tables.write(tables.path(both.results, name, **of_t0), name, renamed)
    for name, days in (("aligned", (DAY, old.build_day)), ("hits", (None, None))):
        paths = [
            tables.path(both.results, name, recording=one, **({"build_day": day} if day else {}))
            for one, day in zip(("t1", "t0"), days, strict=True)
        ]
        paths[1].parent.mkdir(parents=True, exist_ok=True)
        paths[1].write_bytes(paths[0].read_bytes())
    for asked, written in (((), {"t1.wav"}), (("t0",), {"t0.wav"}), (("t1", "t0"), {"t0.wav", "t1.wav"})):
        command.write(both, out, asked)
        assert {path.name for path in out.iterdir()} == written
    with pytest.raises(InputError, match="expected a configured recording; found 't2'"):
        command.write(both, out, ("t2",))


def test_a_list_of_hits_has_no_sound_and_a_line_says_so(tmp_path):
    rows = make_take()
    (tmp_path / "t1.csv").write_text("hit_s\n1.0\n")
    said = command.write(make_project(tmp_path, rows, take="t1.csv"), tmp_path / "out")
    assert said == ["no sound of t1: a list of hits, which has no sound"]
    assert not list((tmp_path / "out").glob("*.wav"))


def test_a_recording_that_is_gone_or_another_one_is_said_and_leaves_no_old_sound(tmp_path):
    rows, out = make_take(), tmp_path / "out"
    samples = make_own(tmp_path / "t1.wav", rows)
    settings = make_project(tmp_path, rows)
    command.write(settings, out)
    assert (out / "t1.wav").exists()
    soundfile.write(tmp_path / "t1.wav", samples[: 5 * RATE_HZ], RATE_HZ)
    said = command.write(settings, out)
    assert len(said) == 1 and "has changed since the last run" in said[0] and not (out / "t1.wav").exists()
    command.write(replace(settings, recordings=settings.recordings), out)
    (tmp_path / "t1.wav").unlink()
    said = command.write(settings, out)
    assert len(said) == 1 and "found no such file" in said[0] and not (out / "t1.wav").exists()
