"""Faults of a recording: each is found when it is made, and none is found where there is none.

How often on many machines, rates and degrees of badness: tests/benchmarks/hits_health.py.
"""

from datetime import date

import numpy as np
import pytest
import soundfile

from pipeline import hits
from pipeline.hits.health import click, clipping, faults, gain_step
from pipeline.hits.health.watch import Watch
from pipeline.hits.signal import flux
from pipeline.settings import Barrel, Channel, Detection, Machine, Recording, Rig, Striker
from tests.benchmarks import hits_health, hits_takes

RATE_HZ = 48000
NAMES = ("oak", "slate")
MACHINE = Machine(Barrel(), (), None, tuple(Striker(name, (k,)) for k, name in enumerate(NAMES)))
CLICK_S = 0.625  # 96 bpm


def make_take(seed: int, duration_s: float = 40.0) -> np.ndarray:
    """Two strikers of several modes that leak a little into each other, and a looped-back click, in noise."""
    rng = np.random.default_rng(seed)
    n = round(duration_s * RATE_HZ)
    own = np.zeros((n, 2))
    for striker in (0, 1):
        modes = rng.uniform(180, 700) * np.array([1.0, 2.7, 5.3, 9.1])
        for start_s in np.arange(0.7 + 0.2 * striker, duration_s - 1, 0.55) + rng.normal(size=1) * 0.01:
            add(own[:, striker], start_s + rng.normal() * 0.005, modes, 0.25 * 10 ** (rng.normal() * 1.5 / 20), rng)
    take = np.zeros((n, 3))
    take[:, 0] = own[:, 0] + 0.06 * np.roll(own[:, 1], 12)
    take[:, 1] = own[:, 1] + 0.06 * np.roll(own[:, 0], 12)
    for start_s in np.arange(0.5, duration_s - 0.5, CLICK_S):
        add(take[:, 2], start_s + rng.normal() * 5e-6, np.array([1900.0]), 0.4, rng, 0.003)
    return take + rng.normal(size=(n, 3)) * np.array([4e-4, 4e-4, 1e-4])


def add(samples, start_s, modes, peak, rng, decay_s=0.05) -> None:
    begin = int(np.ceil(start_s * RATE_HZ))
    after = np.arange(round(8 * decay_s * RATE_HZ)) / RATE_HZ + begin / RATE_HZ - start_s
    wave = sum(
        rng.uniform(0.5, 1) / (k + 1) * np.exp(-after * (k + 1) / decay_s) * np.sin(2 * np.pi * hz * after)
        for k, hz in enumerate(modes)
    )
    end = min(begin + len(wave), len(samples))
    samples[begin:end] += peak * wave[: end - begin]


def faults_of(folder, take, click=None, subtype="PCM_24", idle=None) -> list[str]:
    soundfile.write(folder / "take.wav", take, RATE_HZ, subtype=subtype)
    if idle is not None:
        soundfile.write(folder / "idle.wav", idle, RATE_HZ, subtype=subtype)
    hears = (*((name,) for name in NAMES), ("click",))
    channels = [Channel(k, what, bpm=96.0 if what == ("click",) else None) for k, what in enumerate(hears, 1)]
    if click is not None:
        channels[2] = click
    recording = Recording("take", str(folder / "take.wav"), date(2031, 5, 3), "rig", "song")
    detection = Detection() if idle is None else Detection(idle_file=str(folder / "idle.wav"))
    _, said = hits.find(recording, Rig("rig", tuple(channels)), MACHINE, detection)
    assert said["refused"] == ""
    return said["health"]


def clip(take):
    take[:, 0] = np.clip(take[:, 0] * 2, -0.45, 0.45)
    return take


def hum(take):
    time = np.arange(len(take)) / RATE_HZ
    take[:, 1] += 0.004 * sum(np.sin(2 * np.pi * 50 * k * time + k) / k for k in (1, 2, 3, 5))
    return take


def rumble(take):
    time = np.arange(len(take)) / RATE_HZ
    take[:, 0] += 0.006 * np.sin(2 * np.pi * 14 * time) * (1 + 0.3 * np.sin(2 * np.pi * 0.4 * time))
    return take


def gate(take):
    level = np.convolve(np.abs(take[:, 0]), np.ones(2400) / 2400, "same")
    take[level < 0.003, 0] = 0.0
    return take


def touch_gain(take):
    take[len(take) // 2 :, 1] *= 10 ** (-5 / 20)
    return take


def die(take):
    take[:, 1] = 0.0
    return take


def copy(take):
    take[:, 1] = 0.8 * take[:, 0]
    return take


def drop_out(take):
    at = round(17.3 * RATE_HZ)
    return np.concatenate([take[:at], take[at + 256 :]])


def swap(take):
    return take[:, [0, 2, 1]]


def two_clocks(take):
    at = np.arange(len(take)) * (1 + 120e-6)
    return np.stack([np.interp(at, np.arange(len(take)), column) for column in take.T], axis=1)


def limit(take, least=0.02, power=0.7):
    level = np.zeros(len(take))
    held = 0.0
    fall = np.exp(-1 / (0.25 * RATE_HZ / 48))
    for k in range(0, len(take), 48):
        held = max(np.abs(take[k : k + 48, 0]).max(), held * fall)
        level[k : k + 48] = held
    take[:, 0] *= np.minimum(1, least / np.maximum(level, 1e-6)) ** power
    return take


def thin(take):
    # 10 nF on 5.3 kilohm, before a preamplifier with noise of its own.
    from scipy.signal import butter, lfilter

    take[:, :2] = lfilter(*butter(1, 3000, "high", fs=RATE_HZ), take[:, :2], axis=0)
    take[:, :2] += np.random.default_rng(8).normal(size=(len(take), 2)) * 6e-5
    return take


FAULTS = {
    "clipped": (clip, "channel 1 (oak)"),
    "hum": (hum, "channel 2 (slate) carries -50 dB"),  # 0.004 × (1, 1/2, 1/3, 1/5): 0.0033 root mean square
    "rumble": (rumble, "channel 1 (oak)"),
    "gate": (gate, "channel 1 (oak)"),
    "gain touched": (touch_gain, "channel 2 (slate) changes by -5 dB after about 20 s"),
    "dead": (die, "channel 2 (slate) holds no sound"),
    "identical": (copy, "channels 1 and 2"),
    "dropout": (drop_out, "jumps once, by 5.3 ms, at about 17 s"),  # 256 samples at 48 kHz
    "swapped": (swap, "channel 3 should be the click"),
    "two clocks": (two_clocks, "comes 120 ppm faster"),
    "limiter": (limit, "channel 1 (oak)"),
    "thin": (thin, "low-impedance"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_named_with_its_place_its_size_and_its_cure(tmp_path, name):
    fault, says = FAULTS[name]
    said = faults_of(tmp_path, fault(make_take(31)))
    assert [sentence.split(":")[0] for sentence in said] == [name]
    assert says in said[0] and "; " in said[0]


def test_a_preamplifier_that_clips_before_a_coupling_capacitor_is_told(tmp_path):
    from scipy.signal import butter, lfilter

    take = make_take(35)
    cut = np.clip(take[:, 0] * 2, -0.45, 0.45)
    take[:, 0] = (
        0.6 * lfilter(*butter(1, 2, "high", fs=RATE_HZ), cut) + np.random.default_rng(1).normal(size=len(cut)) * 1e-5
    )
    said = faults_of(tmp_path, take)
    assert [sentence.split(":")[0] for sentence in said] == ["clipped"]


@pytest.mark.parametrize("seed", [41, 42, 43])
def test_a_sound_recording_has_no_faults(tmp_path, seed):
    assert faults_of(tmp_path, make_take(seed)) == []


def swell(take):
    """Strikes that grow by 10 dB while the noise stays."""
    noise = np.random.default_rng(2).normal(size=(len(take), 2)) * 4e-4
    take[:, :2] *= np.linspace(0.32, 1, len(take))[:, None]
    take[:, :2] += noise
    return take


def rest(take):
    take[12 * RATE_HZ : 32 * RATE_HZ, :2] = np.random.default_rng(3).normal(size=(20 * RATE_HZ, 2)) * 4e-4
    return take


def offset(take):
    return take + 0.05


@pytest.mark.parametrize("change", [swell, rest, offset])
def test_music_that_swells_or_rests_and_an_offset_are_no_faults(tmp_path, change):
    assert faults_of(tmp_path, change(make_take(44))) == []


def bang(take):
    """A cable that goes in: full scale, three times within a second."""
    time_s, rng = np.arange(RATE_HZ) / RATE_HZ, np.random.default_rng(9)
    for at_s in (6.0, 6.35, 6.6):
        wave = 3 * np.sign(np.sin(57 * time_s + 0.3)) * np.exp(-time_s / 0.15)
        wave += np.exp(-time_s / 0.1) * rng.normal(size=len(time_s))
        begin = round(at_s * RATE_HZ)
        take[begin : begin + len(wave), 0] += wave
    return np.clip(take, -1, 1 - 2**-23)


def ring(take):
    """A bar tuned to a harmonic of the mains that sounds on from strike to strike."""
    rng = np.random.default_rng(10)
    for start_s in np.arange(0.7, len(take) / RATE_HZ - 1, 1.3):
        add(take[:, 0], start_s + rng.normal() * 0.005, np.array([200.1, 540.0]), 0.2, rng, 1.5)
    return take


def silent_first(take):
    take[: len(take) // 2, 1] = 0.0
    return take


def unplugged_first(take):
    take[: len(take) // 2, 1] = np.random.default_rng(11).normal(size=len(take) // 2) * 1e-5
    return take


def short(take):
    return take[-5 * RATE_HZ :]


@pytest.mark.parametrize("change", [bang, ring, silent_first, unplugged_first, short])
def test_what_happens_to_any_recording_is_no_fault(tmp_path, change):
    assert faults_of(tmp_path, change(make_take(47, 16.0))) == []


def test_noise_that_sixteen_bits_hide_is_no_gate_and_no_limiter(tmp_path):
    quiet = make_take(48, 16.0) * 0.02
    assert faults_of(tmp_path, quiet, subtype="PCM_16") == []


def test_an_idle_recording_raises_no_fault(tmp_path):
    idle = np.random.default_rng(12).normal(size=(3 * RATE_HZ, 3)) * np.array([4e-4, 4e-4, 1e-4])
    assert faults_of(tmp_path, make_take(49, 16.0), idle=idle) == []


def test_one_striker_that_strikes_now_and_then_leaves_the_other_microphone_alive(tmp_path):
    rng = np.random.default_rng(13)
    take = rng.normal(size=(32 * RATE_HZ, 3)) * np.array([4e-4, 4e-4, 1e-4])
    for start_s in (3.0, 12.0, 21.0, 29.0):
        add(take[:, 0], start_s, np.array([420.0, 1130.0]), 0.25, rng)
    for start_s in np.arange(0.5, 31.5, CLICK_S):
        add(take[:, 2], start_s, np.array([1900.0]), 0.4, rng, 0.003)
    assert faults_of(tmp_path, take) == []


def test_level_noise_that_steps_on_one_microphone_alone_is_its_gain():
    # One strike on either side; noise that steps everywhere is the room's.
    rng = np.random.default_rng(14)
    here_db, there_db = (rng.normal(size=40) * 0.1 - 70 for _ in range(2))
    here_db[21:] -= 6.0
    struck_s, level_db, all_s = np.array([9.0, 31.0]), np.array([-12.0, -17.0]), np.arange(1.0, 39.0, 4)
    found = gain_step.find(here_db, [there_db], struck_s, level_db, all_s)
    assert found.step_db == pytest.approx(-6, abs=0.3) and found.time_s == pytest.approx(21, abs=1)
    there_db[21:] -= 6.0
    assert gain_step.find(here_db, [there_db], struck_s, level_db, all_s) is None


def test_a_limiter_that_makes_all_strikes_equally_high_is_no_clipping(tmp_path):
    said = faults_of(tmp_path, limit(make_take(51), 0.1, 1.0))
    assert [sentence.split(":")[0] for sentence in said] == ["limiter"]


def test_low_drums_that_die_between_strikes_are_no_rumble(tmp_path):
    take, rng = make_take(50, 24.0), np.random.default_rng(18)
    for start_s in np.arange(0.8, 23, 1.3):
        add(take[:, 1], start_s + rng.normal() * 0.02, np.array([40.0]), 0.3, rng, 0.2)
    assert faults_of(tmp_path, take) == []


def test_a_metronome_is_known_when_strikes_hide_half_of_it_and_a_machine_is_none():
    rng = np.random.default_rng(15)
    at = np.arange(100) * 14104.3
    assert click.is_metronome(at[rng.random(100) < 0.5])
    assert not click.is_metronome(at + rng.normal(size=100) * 0.002 * RATE_HZ)


def test_strikes_on_a_swinging_grid_are_refused_and_played_ones_are_not(tmp_path):
    # Every second sixteenth a 24th of a beat late, 138 beats a minute.
    step = np.cumsum(np.random.default_rng(16).choice([1, 1, 2, 3], 120))
    grid_s = 0.5 + (step / 4 + (step % 2) / 24) * 60 / 138
    for off_s, refused in ((0.0, True), (0.003, False)):
        hit_s = np.sort(grid_s + off_s * np.random.default_rng(17).normal(size=len(grid_s)))
        (tmp_path / "hits.csv").write_text("hit_s\n" + "\n".join(f"{one:.4f}" for one in hit_s))
        recording = Recording("take", str(tmp_path / "hits.csv"), date(2031, 5, 3), "", "song")
        assert ("on a grid" in hits.find(recording, None, MACHINE, Detection())[1]["refused"]) == refused


def test_a_clock_that_strikes_as_evenly_as_a_grid_is_refused_only_if_it_never_drifts(tmp_path):
    # Half a millisecond from turn to turn adds up; what was moved to a grid of 2 s stays there.
    for seed in range(10):
        played_s = np.cumsum(2 + np.random.default_rng(seed).normal(size=150) * 0.0005)
        (tmp_path / "hits.csv").write_text("hit_s\n" + "\n".join(f"{one:.4f}" for one in played_s))
        recording = Recording("take", str(tmp_path / "hits.csv"), date(2031, 5, 3), "", "song")
        assert hits.find(recording, None, MACHINE, Detection())[1]["refused"] == ""


def test_a_few_turn_marks_among_many_strikes_are_no_dead_channel(tmp_path):
    take = make_take(36)
    take[:, 2] = np.random.default_rng(2).normal(size=len(take)) * 1e-4
    for start_s in (3.0, 23.0):
        add(take[:, 2], start_s, np.array([900.0, 2400.0]), 0.4, np.random.default_rng(1))
    said = faults_of(tmp_path, take, click=Channel(3, ("index",)))
    assert not any(sentence.startswith("dead") for sentence in said), said


def test_a_striker_that_rests_is_no_dead_microphone(tmp_path):
    take = make_take(45)
    take[:, 1] = 0.06 * np.roll(take[:, 0], 12) + np.random.default_rng(4).normal(size=len(take)) * 4e-4
    assert faults_of(tmp_path, take) == []


def test_a_long_take_that_grows_louder_and_louder_is_not_clipped():
    # Later the tops of the downward half waves all lie below what is looked at.
    rate_hz, time_s, rng = 8000, np.arange(40_000) / 8000, np.random.default_rng(6)
    watch = Watch((Channel(1, ("oak",)),), rate_hz, 50.0)
    for block in range(120):
        height = 10 ** ((block / 2 - 60 + rng.normal(size=10)) / 20)
        wave = np.sin(2 * np.pi * 200 * time_s) * np.exp(-((time_s % 0.5) / 0.05)) * np.repeat(height, 4000)
        samples = np.where(wave > 0, wave, wave if block < 20 else 0.1 * wave).astype(np.float32)
        frames = flux.frames(rate_hz)
        watch.see(block * len(samples), 0, [samples], [flux.band_power(samples, frames)], frames.hop)
    hits_found = np.zeros(0, [("channel", "f8"), ("at", "f8"), ("level_db", "f8"), ("bands", "f4", (12,))])
    assert not any(said.startswith("clipped") for said in faults.faults(watch, hits_found, (4_800_000,)))


def test_a_click_that_follows_a_tempo_map_is_no_fault(tmp_path):
    take = make_take(46)
    take[:, 2] = np.random.default_rng(5).normal(size=len(take)) * 1e-4
    gap_s = np.concatenate([np.full(20, 0.6), np.full(15, 0.5), np.linspace(0.5, 0.7, 12), np.full(30, 0.55)])
    rng = np.random.default_rng(6)
    for at_s in 0.5 + np.cumsum(gap_s):
        if at_s < 39.5:
            add(take[:, 2], at_s, np.array([1900.0]), 0.4, rng, 0.003)
    assert faults_of(tmp_path, take, Channel(3, ("click",))) == []


def test_a_click_that_was_not_looped_back_is_told(tmp_path):
    take = make_take(32)
    take[:, 2] = 0.0
    for start in range(24000, len(take) - 24000, 30000):
        take[start : start + 96, 2] = 0.4 * np.sin(np.arange(96) / 3) * np.linspace(1, 0, 96)
    take[:, 2] += np.random.default_rng(7).integers(-1, 2, len(take)) * 2.0**-23  # dither
    assert any(sentence.startswith("click not looped back") for sentence in faults_of(tmp_path, take))


def make_clicks(take, at_s, noise=1e-4):
    """Put another click in the place of the take's."""
    rng = np.random.default_rng(19)
    take[:, 2] = rng.normal(size=len(take)) * noise
    for start_s in at_s:
        add(take[:, 2], start_s, np.array([1900.0]), 0.4, rng, 0.003)
    return take


def test_a_click_that_pauses_between_two_playthroughs_has_no_dropout(tmp_path):
    first_s = np.arange(0.5, 15, CLICK_S)
    take = make_clicks(make_take(52), [*first_s, *(first_s[-1] + 9.7 * CLICK_S + np.arange(0, 14, CLICK_S))])
    assert faults_of(tmp_path, take) == []


def test_a_dropout_that_swallows_a_click_is_told(tmp_path):
    # The 25th is gone, and 20 ms with it.
    at_s = np.arange(0.5, 39, CLICK_S) - 0.02 * (np.arange(0.5, 39, CLICK_S) > 16)
    (said,) = faults_of(tmp_path, make_clicks(make_take(53), np.delete(at_s, 25)))
    assert said.startswith("dropout: the click of channel 3 jumps once, by 20.0 ms, at about 16 s")


def test_the_noise_of_a_cable_that_sixteen_bits_hide_is_no_click_of_the_sequencer(tmp_path):
    take = make_clicks(make_take(54), np.arange(0.5, 39, CLICK_S), 3e-6)
    take = np.round(take * 2**15) / 2**15
    assert (take[30_000:31_000, 2] == 0).all()
    assert faults_of(tmp_path, take, subtype="PCM_16") == []
    take[:, 2] = 0.0
    for start in range(24_000, len(take) - 24_000, 30_000):
        take[start : start + 96, 2] = 0.4 * np.sin(np.arange(96) / 3) * np.linspace(1, 0, 96)
    said = faults_of(tmp_path, take, subtype="PCM_16")
    assert [sentence.split(":")[0] for sentence in said] == ["click not looped back"]


@pytest.mark.parametrize("spread_db", [0.0, 0.05])
def test_a_machine_that_strikes_always_alike_is_not_clipped(tmp_path, spread_db):
    take, rng = make_take(55, 24.0), np.random.default_rng(20)
    take[:, 0] = rng.normal(size=len(take)) * 4e-4
    for start_s in np.arange(0.7, 23, 0.55):
        peak = 0.25 * 10 ** (rng.normal() * spread_db / 20)
        add(take[:, 0], start_s + rng.normal() * 0.01, np.array([420.0, 1130.0]), peak, np.random.default_rng(21))
    assert faults_of(tmp_path, take) == []


def test_a_machine_that_strikes_harder_from_one_moment_on_is_no_touched_gain(tmp_path):
    # All microphones hear it, strikes and noise, one more than the other.
    take = make_take(56)
    take[len(take) // 2 :, :2] *= 10 ** (np.array([4.0, 5.5]) / 20)
    assert faults_of(tmp_path, take) == []


def test_a_wrong_tempo_of_the_click_is_told(tmp_path):
    said = faults_of(tmp_path, make_take(33), Channel(3, ("click",), bpm=90.0))
    assert any(sentence.startswith("click tempo") and "96.00 bpm" in sentence for sentence in said)


def test_a_microphone_whose_strikes_pass_for_leaks_is_not_dead():
    # Its gain was touched while two others held one sound, so that nobody could tell whose strikes are whose.
    sound, words = hits_takes.make_take(96027), set(hits_health.FAULTS) - {"limiter"}
    take, made = hits_health.spoil(sound, np.random.default_rng([96027, 52, 2]), words)
    assert [faulty.word for faulty in made] == ["swapped", "gain touched", "identical"]
    said = hits_health.said_of(take)
    assert said and not any(sentence.startswith("dead") for sentence in said)


def clipping_of(wave):
    peak = float(np.abs(wave).max())
    ends = min(float(wave.min()), 0.0), max(float(wave.max()), 0.0)
    peaks = clipping.peaks_of_block(wave, 0, ends, peak, RATE_HZ)
    return clipping.find(clipping.merged(peaks, peak), peak, RATE_HZ, False)


def bursts(one, n=12, apart_s=0.5):
    wave = np.zeros(round((n + 1) * apart_s * RATE_HZ), np.float32)
    for k in range(n):
        first = round((k + 0.5) * apart_s * RATE_HZ)
        wave[first : first + len(one)] += one
    return wave


def test_a_wave_so_far_over_that_it_comes_and_goes_within_a_sample_is_clipped():
    at = np.arange(480)
    far_over = np.clip(3000 * np.exp(-at / 96) * np.sin(at / 7), -1, 1)
    assert clipping_of(bursts(far_over)).over_db > 20


def test_one_low_sound_again_and_again_that_is_not_cut_off_is_not_clipped():
    at = np.arange(4800)
    round_peaks = 0.5 * np.exp(-at / 2000) * np.sin(2 * np.pi * 55 * at / RATE_HZ)
    assert clipping_of(bursts(round_peaks)) is None
