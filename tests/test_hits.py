"""Hits of a recording: what comes in, what comes out, what is refused."""

from datetime import date

import mido
import numpy as np
import pyarrow.compute as pc
import pytest
import soundfile

from pipeline import hits, tables
from pipeline.hits import channels
from pipeline.hits.search import template_in_noise
from pipeline.hits.signal import flux, leakage, onset
from pipeline.settings import Barrel, Channel, Detection, Machine, Recording, Rig, Striker

RATE_HZ = 48000
MACHINE = Machine(
    Barrel(), (), None, (Striker("oak", (60,)), Striker("slate", (62,), channel=10), Striker("cup", (64,)))
)


def make_strikes(hit_s, duration_s: float, hz: float = 2100.0, peak: float = 0.3, seed: int = 1) -> np.ndarray:
    """Decaying tones that begin at the given seconds, between samples too, in faint noise."""
    time = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    samples = np.random.default_rng(seed).normal(size=len(time)) * 1e-4
    for start_s in hit_s:
        after = time - start_s
        on = (after >= 0) & (after < 0.2)
        samples[on] += peak * np.exp(-after[on] / 0.015) * np.sin(2 * np.pi * hz * after[on])
    return samples


def make_recording(path, samples, rate_hz=RATE_HZ, subtype="FLOAT", **more) -> Recording:
    soundfile.write(path, samples, rate_hz, subtype=subtype)
    return Recording("take", str(path), date(2031, 5, 3), "rig", "song", **more)


def rig(*hears) -> Rig:
    return Rig("rig", tuple(Channel(k, (what,) if isinstance(what, str) else what) for k, what in enumerate(hears, 1)))


def find(recording, its_rig=None, detection=None, **more):
    return hits.find(recording, its_rig, MACHINE, detection or Detection(), **more)


def strikes_of(table) -> np.ndarray:
    rows = table.filter(pc.greater(table["probability"], 0.5))
    return rows["hit_s"].to_numpy()


def test_hits_are_placed_from_the_files_first_sample_and_named(tmp_path):
    true_s = np.arange(1.0, 9.0, 0.37)
    recording = make_recording(tmp_path / "take.wav", make_strikes(true_s, 10.0), start_s=2.0)
    table, said = find(recording, rig("oak"))
    assert np.allclose(strikes_of(table), true_s[true_s > 2.0], atol=1e-4)
    assert set(table["striker"].to_pylist()) == {"oak"} and set(table["kind"].to_pylist()) == {"strike"}
    assert said["refused"] == "" and said["duration_s"] == 10.0 and said["rate_hz"] == RATE_HZ
    assert tables.build("hits", {name: table[name] for name in table.column_names}).equals(table)


def test_delays_of_channel_and_striker_are_taken_off(tmp_path):
    true_s = np.arange(1.0, 9.0, 0.37)
    recording = make_recording(tmp_path / "take.wav", make_strikes(true_s, 10.0))
    late = Rig("rig", (Channel(1, ("oak",), delay_s=0.02),))
    table, _ = find(recording, late, delays_s={"oak": 0.003})
    assert np.allclose(strikes_of(table), true_s - 0.023, atol=1e-4)


def test_a_longer_beginning_shifts_all_hits_and_nothing_else(tmp_path):
    samples = make_strikes(np.arange(1.0, 14.0, 0.29), 15.0)
    one, _ = find(make_recording(tmp_path / "a.wav", samples), rig("oak"))
    silence = np.random.default_rng(3).normal(size=RATE_HZ) * 1e-4
    two, _ = find(make_recording(tmp_path / "b.wav", np.concatenate([silence, samples])), rig("oak"))
    assert np.allclose(strikes_of(two) - 1.0, strikes_of(one), atol=5e-5)


@pytest.mark.parametrize("change", ["quieter", "flac", "folder"])
def test_the_same_sound_in_another_form_gives_the_same_hits(tmp_path, change):
    samples = np.stack(
        [make_strikes(np.arange(1.0, 12.0, step), 13.0, seed=k) for k, step in enumerate((0.31, 0.43))], 1
    )
    one, _ = find(make_recording(tmp_path / "a.wav", samples), rig("oak", "slate"))
    other = tmp_path / "b.wav"
    if change == "quieter":
        again = make_recording(other, samples / 10)
    elif change == "flac":
        again = make_recording(tmp_path / "b.flac", samples, subtype="PCM_24")
    else:
        folder = tmp_path / "tracks"
        folder.mkdir()
        for track in (0, 1):
            soundfile.write(folder / f"track {track + 9}.wav", samples[:, track], RATE_HZ, subtype="FLOAT")
        again = Recording("take", str(folder), date(2031, 5, 3), "rig", "song")
    two, _ = find(again, rig("oak", "slate"))
    assert np.allclose(strikes_of(two), strikes_of(one), atol=5e-5)


@pytest.mark.parametrize("rate_hz", [22050, 44100, 96000, 192000])
def test_other_sampling_rates_give_the_same_hits(tmp_path, rate_hz):
    from scipy.signal import resample_poly

    true_s = np.arange(1.0, 7.0, 0.37)
    divisor = np.gcd(rate_hz, RATE_HZ)
    samples = resample_poly(make_strikes(true_s, 8.0), rate_hz // divisor, RATE_HZ // divisor)
    table, _ = find(make_recording(tmp_path / "take.wav", samples, rate_hz), rig("oak"))
    assert np.allclose(strikes_of(table), true_s, atol=2e-4)


def test_overlapping_channels_give_one_hit_timed_on_its_own_microphone(tmp_path):
    true_s = np.arange(1.0, 12.0, 0.37)
    own = make_strikes(true_s, 13.0)
    room = make_strikes(true_s + 0.004, 13.0, peak=0.1, seed=2)
    recording = make_recording(tmp_path / "take.wav", np.stack([own, room], 1))
    table, _ = find(recording, Rig("rig", (Channel(1, ("oak",)), Channel(2, ("everything",), delay_s=0.004))))
    assert np.allclose(strikes_of(table), true_s, atol=1e-4)
    assert set(table.filter(pc.greater(table["probability"], 0.5))["channel"].to_pylist()) == {1}


@pytest.mark.parametrize(
    ("hears", "mixed", "leaking", "nearer_to_the_last"),
    [
        (["oak"], [False], [False], []),
        (["oak", "slate"], [False, False], [True, True], []),
        (["oak", "slate", "click"], [False] * 3, [True, True, False], []),
        (["oak", "index", "everything"], [False, False, True], [True, True, False], [0]),
        (["oak", ("slate", "cup"), ("oak", "slate", "cup")], [False, True, True], [True, True, False], [0, 1]),
        ([("oak", "slate"), ("slate", "cup")], [True, True], [True, True], []),
        (["everything", "everything"], [True, True], [True, True], []),
    ],
)
def test_channels_are_what_the_rig_says(hears, mixed, leaking, nearer_to_the_last):
    its = rig(*hears).channels
    assert channels.are_mixed(its).tolist() == mixed and channels.are_leaking(its).tolist() == leaking
    assert channels.nearer_channels(len(its) - 1, its) == nearer_to_the_last
    assert channels.is_wide(its[-1], its) == bool(nearer_to_the_last)


def test_a_channel_that_the_rig_does_not_name_hears_nothing(tmp_path):
    samples = np.stack([make_strikes(np.arange(1.0, 9.0, step), 10.0) for step in (0.41, 0.29)], 1)
    recording = make_recording(tmp_path / "take.wav", samples)
    table, _ = find(recording, Rig("rig", (Channel(2, ("index",)),)))
    assert set(table["channel"].to_pylist()) == {2} and set(table["kind"].to_pylist()) == {"index"}


def test_rebounds_are_called_so_and_rolls_are_not(tmp_path):
    true_s = np.arange(1.0, 12.0, 0.5)
    samples = make_strikes(true_s, 13.0) + make_strikes(true_s + 0.035, 13.0, peak=0.05, seed=2)
    table, _ = find(make_recording(tmp_path / "bounce.wav", samples), rig("oak"))
    assert table["kind"].to_pylist() == ["strike", "rebound"] * len(true_s)
    roll_s = (np.arange(1.0, 12.0, 1.0)[:, None] + np.arange(6) * 0.06).ravel()
    table, _ = find(make_recording(tmp_path / "roll.wav", make_strikes(roll_s, 13.0)), rig("oak"))
    assert table["kind"].to_pylist() == ["strike"] * len(roll_s)


@pytest.mark.parametrize(
    ("samples", "its_rig", "says"),
    [
        (np.zeros((RATE_HZ * 2, 1)), rig("oak"), "found silence"),
        (np.zeros((0, 1)), rig("oak"), "found no samples"),
        (np.random.default_rng(1).normal(size=(RATE_HZ, 1)) * 0.01, rig("oak"), "expected strikes; found none"),
        (make_strikes([1.0], 2.0)[:, None], rig("oak", "slate"), "expected channel 2 of rig 'rig'; found 1 channel"),
    ],
)
def test_what_cannot_be_used_is_refused_in_one_line(tmp_path, samples, its_rig, says):
    table, said = find(make_recording(tmp_path / "take.wav", samples), its_rig)
    assert len(table) == 0 and says in said["refused"] and "\n" not in said["refused"]


def test_a_rate_that_holds_no_strike_is_refused(tmp_path):
    table, said = find(make_recording(tmp_path / "take.wav", make_strikes([1.0], 2.0), rate_hz=2000))
    assert len(table) == 0 and "expected 8000 samples a second or more; found 2000" in said["refused"]


def test_pulses_of_a_tachometer_that_are_all_alike_are_not_clipped(tmp_path):
    samples = make_strikes(np.arange(20) + 0.5 + 0.1 * np.sin(np.arange(20)), 21.0, hz=700.0)
    _, said = find(make_recording(tmp_path / "take.wav", samples), rig("index"))
    assert said["refused"] == "" and not any(one.startswith("clipped") for one in said["health"])


def test_a_missing_and_an_unreadable_file_are_refused(tmp_path):
    (tmp_path / "broken.wav").write_bytes(b"RIFF of nothing")
    for name in ("none.wav", "broken.wav", "none.csv", "none.mid"):
        table, said = find(Recording("take", str(tmp_path / name), date(2031, 5, 3), "rig", "song"), rig("oak"))
        assert len(table) == 0 and said["refused"].startswith(str(tmp_path / name))


def make_list(path, text: str) -> Recording:
    path.write_text(text, encoding="utf-8")
    return Recording("take", str(path), date(2031, 5, 3), "", "song")


def test_a_list_with_names_needs_no_rig(tmp_path):
    recording = make_list(
        tmp_path / "hits.csv", "hit_s,striker,level_db\n1.5,slate,-8\n0.25,oak,\n2.75,index,\n3,click,\n"
    )
    table, said = find(recording)
    assert table["hit_s"].to_pylist() == [0.25, 1.5, 2.75, 3.0]
    assert table["striker"].to_pylist() == ["oak", "slate", None, None]
    assert table["kind"].to_pylist() == ["strike", "strike", "index", "click"]
    assert table["channel"].to_pylist() == [0, 0, 0, 0] and said["rate_hz"] == 0


def test_a_list_of_times_alone_is_one_mixed_microphone(tmp_path):
    table, _ = find(make_list(tmp_path / "hits.csv", "hit_s\n0.5\n1.25\n"))
    assert table["channel"].to_pylist() == [1, 1] and table["striker"].to_pylist() == [None, None]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("hit_s\n500\n1012\n1480\n", "they look like milliseconds"),
        ("hit_s\n-0.5\n", "(line 2): expected hit_s from 0 on"),
        ("hit_s\nsoon\n", "(line 2): expected a number in hit_s; found 'soon'"),
        ("hit_s,striker\n1.0,Oak\n", "did you mean 'oak'?"),
        ("hit_s,channel\n1.0,0\n", "channels count from 1"),
        ("time\n1.0\n", "expected a column hit_s; found time"),
        ("hit_s\n", "found none"),
        ("", "found an empty file"),
        ("hit_s\n" + "\n".join(f"{0.125 * k:.4f}" for k in range(40) if k % 3), "on a grid of 125 ms"),
    ],
)
def test_a_bad_list_is_refused_with_its_slip(tmp_path, text, says):
    table, said = find(make_list(tmp_path / "hits.csv", text))
    assert len(table) == 0 and says in said["refused"]


def test_a_list_that_was_played_is_not_called_quantised(tmp_path):
    played_s = np.arange(200) * 0.25 + np.random.default_rng(2).normal(size=200) * 0.003
    text = "hit_s\n" + "\n".join(f"{hit_s:.3f}" for hit_s in played_s + 1)
    assert len(find(make_list(tmp_path / "hits.csv", text))[0]) == 200


def test_notes_of_a_trigger_module_become_strikers(tmp_path):
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=500_000, time=0)])
    for note, channel, ticks in ((60, 0, 480), (62, 9, 240), (62, 0, 240), (99, 0, 10)):
        track.append(mido.Message("note_on", note=note, channel=channel, velocity=127, time=ticks))
        track.append(mido.Message("note_off", note=note, channel=channel, time=0))
    mido.MidiFile(ticks_per_beat=480, tracks=[track]).save(tmp_path / "hits.mid")
    table, _ = find(Recording("take", str(tmp_path / "hits.mid"), date(2031, 5, 3), "", "song"))
    assert table["striker"].to_pylist() == ["oak", "slate"]
    assert np.allclose(table["hit_s"].to_numpy(), [0.5, 0.75]) and table["level_db"].to_pylist() == [0.0, 0.0]


def make_midi(path, events: str, division: str = "0060", n_tracks: str = "0001") -> Recording:
    """Write a MIDI file of one track from hexadecimal digits."""
    chunk = bytes.fromhex(events.replace(" ", ""))
    header = bytes.fromhex(f"4D546864000000060000{n_tracks}{division}4D54726B")
    path.write_bytes(header + len(chunk).to_bytes(4, "big") + chunk)
    return Recording("take", str(path), date(2031, 5, 3), "", "song")


@pytest.mark.parametrize(
    ("division", "tick_s"),
    [("E728", 1 / 1000), ("E250", 1 / 2400), ("E804", 1 / 96), ("E364", 1001 / 30000 / 100), ("0060", 1 / 96)],
)
def test_a_trigger_module_in_smpte_time_is_read_in_seconds(tmp_path, division, tick_s):
    # SMF 1.0 specification: bit 15 set, minus the frames a second, ticks a frame; 29 is 30000/1001 frames a second; a
    # tempo has no effect there. Ticks 96 and 1096, by running status; 60 bpm where the division counts quarter notes.
    table, _ = find(make_midi(tmp_path / "hits.smf", "00FF51030F4240 60903C7F 8768 3C40 00FF2F00", division))
    assert np.allclose(table["hit_s"].to_numpy(), np.array([96, 1096]) * tick_s, rtol=1e-12)


@pytest.mark.parametrize(
    ("parts", "says"),
    [
        ({"division": "0000"}, "expected ticks per quarter note; found 0"),
        ({"division": "E700"}, "expected 24, 25, 29 or 30 frames of at least one tick; found 25 frames of 0"),
        ({"n_tracks": "0002"}, "expected 2 tracks, as its header says; found 1"),
        ({"events": "FF" * 40 + "7F903C40 00FF2F00"}, "it goes on to tick"),
        ({"events": "FFFFFFFF7F903C40 00FF2F00"}, "it goes on to tick"),
        ({"events": "87FFFF7F903C40 00FF2F00"}, "expected hits within 6 hours; found one after 24 hours"),
        ({"events": "00903C"}, "it ends within an event"),
        ({"events": "003C40 00FF2F00"}, "running status"),
        ({"events": "00FF5103000000 00903C40 00FF2F00"}, "found 0 microseconds a quarter note at tick 0"),
        ({"events": "00FF2F00"}, "expected hits; found none"),
        ({"events": "00903D40 00903E40 00FF2F00"}, "expected notes of the strikers; found 61, 62; add them under"),
    ],
)
def test_a_damaged_trigger_file_is_refused_in_one_line(tmp_path, parts, says):
    table, said = find(make_midi(tmp_path / "hits.mid", **{"events": "00903C40 00FF2F00", **parts}))
    assert len(table) == 0 and says in said["refused"] and "\n" not in said["refused"]
    assert said["refused"].startswith(f"{tmp_path / 'hits.mid'}: expected ")


def test_band_powers_add_up_to_the_mean_square():
    # Parseval's theorem: white noise of variance 1 has power 1; the bands leave out what lies below 94 Hz and above
    # 16 kHz.
    samples = np.random.default_rng(4).normal(size=RATE_HZ).astype(np.float32)
    cut = flux.frames(RATE_HZ)
    covered = (cut.edges[-1] - cut.edges[0]) / (cut.size / 2)
    assert flux.band_power(samples, cut)[10:-10].sum(axis=1).mean() == pytest.approx(covered, rel=0.03)


def test_the_running_maximum_is_the_definition():
    values = np.random.default_rng(5).normal(size=200)
    for reach in (1, 3, 6, 60):
        plain = [values[max(0, k - reach) : k + reach + 1].max() for k in range(200)]
        assert np.array_equal(flux.running_maximum(values, reach), plain)


def test_the_predictor_finds_the_model_that_made_the_noise():
    # x[n] = 1.2 x[n-1] - 0.6 x[n-2] + e[n]: the prediction error filter is 1, -1.2, 0.6 (definition of the model).
    rng = np.random.default_rng(6)
    noise = rng.normal(size=20_000)
    series = np.zeros(20_000)
    for k in range(2, 20_000):
        series[k] = 1.2 * series[k - 1] - 0.6 * series[k - 2] + noise[k]
    taps = onset.predictor(series[None])[0]
    assert taps[:3] == pytest.approx([1, -1.2, 0.6], abs=0.03) and np.abs(taps[3:]).max() < 0.04


def test_placing_a_known_pulse_keeps_to_the_bound_and_near_it():
    # Kay 1993 (range estimation, from memory): var >= 1 / sum((2 pi f)^2 |S|^2 / (N P)); white noise of variance P.
    # Placing without knowing the pulse cannot be better than that; a sharp pulse at 20 dB should cost less than 0.1 ms.
    rng = np.random.default_rng(7)
    time, sd = np.arange(480) / RATE_HZ, 10 ** (-20 / 20)
    at = 4800 + 9600 * np.arange(100) + rng.random(100)
    samples = rng.normal(size=100 * 9600) * sd
    for start in at:
        after = np.arange(480) / RATE_HZ + (np.ceil(start) - start) / RATE_HZ
        samples[int(np.ceil(start)) :][:480] += np.exp(-after / 0.002) * np.sin(2 * np.pi * 3000 * after)
    spectrum = np.fft.rfft(np.exp(-time / 0.002) * np.sin(2 * np.pi * 3000 * time), 4800)
    slope = np.square(2 * np.pi * np.fft.rfftfreq(4800, 1 / RATE_HZ) * np.abs(spectrum))
    bound_s = 1 / np.sqrt(2 * slope.sum() / (4800 * sd**2))
    near = np.round(at).astype(int) + rng.integers(-60, 60, 100)
    error_s = (onset.place(samples.astype(np.float32), near, RATE_HZ).at - at) / RATE_HZ
    assert error_s.std() > bound_s
    assert np.median(np.abs(error_s)) < 1e-4


def test_a_whisper_that_is_over_before_the_strike_does_not_place_it():
    rng = np.random.default_rng(9)
    at = 9600 * np.arange(1, 41)
    samples = rng.normal(size=42 * 9600) * 1e-3
    for start in at:
        samples[start - 250 :][:60] += rng.normal(size=60) * 5e-3
        after = np.arange(2400) / RATE_HZ
        samples[start:][:2400] += 0.3 * np.exp(-after / 0.01) * np.sin(2 * np.pi * 2100 * after)
    error = onset.place(samples.astype(np.float32), at - 100, RATE_HZ).at - at
    assert np.abs(error).max() <= 0.0001 * RATE_HZ


def test_the_highest_near_a_candidate_is_the_definition():
    rng = np.random.default_rng(10)
    at, owner, height = rng.uniform(0, 1000, 200), rng.integers(0, 3, 200), rng.random(200)
    heights = leakage.highest_near(at, owner, height, 4, 5.0)
    for one in range(200):
        plain = [max([0.0, *height[(owner == k) & (np.abs(at - at[one]) < 5.0)]]) for k in range(4)]
        plain[owner[one]] = height[one]
        assert heights[one] == pytest.approx(plain, abs=1e-6)


def test_what_is_silent_where_it_was_placed_is_not_above_what_leaks_in_later():
    # Channel 1 has 20 dB less of channel 0, and that only with some more milliseconds.
    loud = 10 ** (np.random.default_rng(11).normal(size=40) / 20)
    risen = np.concatenate(
        [np.column_stack([loud, 0.1 * loud]), np.column_stack([loud, 0.0 * loud]), np.eye(2)[[1] * 20]]
    )
    owner = np.repeat([0, 1, 1], (40, 40, 20))
    late = np.concatenate([loud, 0.1 * loud, np.ones(20)])
    above_db, late_db = leakage.above_leakage_db(risen, risen, late, np.array([1e-4, 1e-4]), owner, np.ones(100))
    assert (late_db[40:80] < 0).all() and (late_db[80:] > 0).all() and (above_db[40:80] < 0).all()


def test_leakage_is_told_from_strikes_at_the_same_moment():
    # Channel 1 hears 20 dB less of channel 0; every third strike of 0 comes with one of 1.
    rng = np.random.default_rng(8)
    both = np.arange(60) % 3 == 0
    loud = 10 ** (rng.normal(size=60) / 20)
    leaked = 0.1 * loud * 10 ** (rng.normal(size=60) * 0.5 / 20)
    found_by_0 = np.column_stack([loud, np.where(both, loud, leaked)])
    risen = np.concatenate([found_by_0, found_by_0])
    owner = np.repeat([0, 1], 60)
    above_db, _ = leakage.above_leakage_db(
        risen, risen, risen[np.arange(120), owner], np.array([1e-4, 1e-4]), owner, np.ones(120)
    )
    assert (above_db[:60] >= 0).all()
    assert np.array_equal(above_db[60:] >= 0, both)


def test_a_striker_that_rests_while_another_is_searched_loses_no_hit(tmp_path):
    rng, played_s = np.random.default_rng(31), (np.arange(0.5, 23.0, 0.41), np.arange(0.6, 8.0, 0.43))
    channels = [make_strikes(its, 24.0, hz=hz, seed=int(hz)) for its, hz in zip(played_s, (900.0, 1700.0), strict=True)]
    samples = np.stack(channels, axis=1) + rng.normal(size=(24 * RATE_HZ, 2)) * 0.06
    table, said = find(make_recording(tmp_path / "take.wav", samples), rig("oak", "slate"))
    for number, its in enumerate(played_s, 1):
        found_s = strikes_of(table.filter(pc.equal(table["channel"], number)))
        assert np.abs(found_s[:, None] - its).min(axis=0).max() < 2e-3 and len(found_s) <= len(its) + 1, said


def test_low_bodies_in_noise_are_placed_within_three_times_the_least_error(tmp_path):
    """No estimate of an arrival scatters less than sd / sqrt(sum of squared slopes): Kay 1993, Fundamentals of
    Statistical Signal Processing, section 3.5 (from memory)."""
    rng = np.random.default_rng(21)
    true_s = 0.5 + np.arange(80) * 0.45 + rng.uniform(0, 0.1, 80)
    samples = make_strikes(true_s, 37.5, hz=90.0, seed=22)
    noise = rng.normal(size=len(samples)) * 0.3 * 10 ** (-10 / 20)
    found_s = strikes_of(find(make_recording(tmp_path / "take.wav", samples + noise), rig("oak"))[0])
    error_s = np.array([found_s[np.abs(found_s - start_s).argmin()] - start_s for start_s in true_s])
    slopes = np.diff(make_strikes([0.1], 0.5, hz=90.0, seed=23)[4700:12000]) * RATE_HZ
    bound_s = 0.3 * 10 ** (-10 / 20) / np.sqrt(np.square(slopes).sum())
    assert len(found_s) >= 78 and np.abs(error_s).max() < 0.01
    assert 0.8 * bound_s < error_s.std() < 3 * bound_s


def test_the_noise_between_strikes_is_told_though_strikes_ring():
    # White noise of variance v has the power v in every bin when the window's squares add up to 1 (Parseval).
    samples = make_strikes(np.arange(0.2, 9.8, 0.5), 10.0, peak=0.5)
    samples = samples + np.random.default_rng(24).normal(size=len(samples)) * 0.01
    power = template_in_noise.noise_power(samples.astype(np.float32), RATE_HZ)
    away = np.abs(np.linspace(0, RATE_HZ / 2, len(power)) - 2100) > 1500
    off_db = np.abs(10 * np.log10(power[away] / 0.01**2))
    assert np.median(off_db) < 0.5 and off_db.max() < 1.5
