"""What must not matter does not: how a recording is cut, padded, stored, scaled, sampled; hum, rumble, offset, a bang.

The sounds are real percussion (`hits_scenes.TEST_SOUNDS`, which nothing was tuned on). The same hits: each within
0.05 ms of one in the other form.
"""

import tempfile
from datetime import date
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import resample_poly

from pipeline import hits
from pipeline.settings import Barrel, Channel, Detection, Machine, Recording, Rig, Striker
from tests.benchmarks import hits_scenes

pytestmark = pytest.mark.skipif(not hits_scenes.installed(), reason="sounds of package sonic-pi-samples not installed")
NAMES = ("drum_snare_soft", "tabla_ke2", "drum_tom_lo_soft")
RATE_HZ, PEAK = 48_000, 0.3
SAME_S = 5e-5
SURE, LIKELY = 0.75, 0.25  # a hit of .5 may be .45 in another form


@cache
def make_scene(seed: int, snr_db: float = 45.0, duration_s: float = 12.0) -> np.ndarray:
    samples = hits_scenes.scene(
        seed, NAMES, mixed=False, per_s=2, snr_db=snr_db, duration_s=duration_s, least_gap_s=0.12
    ).samples
    samples.flags.writeable = False  # many tests share it
    return samples


@cache
def whole(seed: int, snr_db: float = 45.0) -> dict[str, np.ndarray]:
    """Return the hits of a scene as it is."""
    with tempfile.TemporaryDirectory() as folder:
        return find(Path(folder), make_scene(seed, snr_db))


def found_in(path, detection: Detection | None = None, rig: Rig | None = None, **more) -> dict[str, np.ndarray]:
    """Return columns of all hits."""
    rig = rig or Rig("rig", tuple(Channel(k, (name,)) for k, name in enumerate(NAMES, 1)))
    machine = Machine(Barrel(), (), None, tuple(Striker(name, (k,)) for k, name in enumerate(NAMES)))
    recording = Recording("take", str(path), date(2031, 5, 3), "rig", "song", **more)
    table, said = hits.find(recording, rig, machine, detection or Detection())
    assert said["refused"] == ""
    found = {name: np.array(table[name].to_pylist()) for name in ("hit_s", "channel", "probability")}
    return found


def sure(found: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    return {name: column[found["probability"] >= SURE] for name, column in found.items()}


def find(folder, samples, rate_hz: int = RATE_HZ, name: str = "take.wav", subtype: str = "FLOAT", **more):
    soundfile.write(folder / name, samples, rate_hz, subtype=subtype)
    return found_in(folder / name, **more)


def assert_same(one, two, later_s: float = 0.0, within_s: float = SAME_S) -> None:
    """Each sure hit of one must be a likely hit of the other."""
    assert len(sure(one)["hit_s"]) > 40
    for mine, other, shift_s in ((one, two, later_s), (two, one, -later_s)):
        for channel in np.unique(sure(mine)["channel"]):
            there = other["hit_s"][(other["channel"] == channel) & (other["probability"] >= LIKELY)]
            at_s = sure(mine)["hit_s"][sure(mine)["channel"] == channel] + shift_s
            off_ms = np.abs(there - at_s[:, None]).min(axis=1) * 1000
            assert off_ms.max() <= within_s * 1000, (
                f"channel {channel}: hits at {at_s[off_ms > within_s * 1000].round(3)} s are off by "
                f"{off_ms[off_ms > within_s * 1000].round(3)} ms"
            )


def test_a_recording_cut_in_two_gives_the_hits_of_the_whole(tmp_path):
    soundfile.write(tmp_path / "take.wav", make_scene(8306), RATE_HZ, subtype="FLOAT")
    struck_s = np.sort(sure(whole(8306))["hit_s"])
    gap_s = np.diff(struck_s)
    at = int(np.argmax(gap_s[8:-8])) + 8
    cut_s = float(struck_s[at] + 0.8 * gap_s[at])
    parts = [found_in(tmp_path / "take.wav", **where) for where in ({"stop_s": cut_s}, {"start_s": cut_s})]
    assert_same(whole(8306), {name: np.concatenate([part[name] for part in parts]) for name in parts[0]})


def test_a_longer_beginning_and_end_change_nothing(tmp_path):
    samples = make_scene(8106)
    rng = np.random.default_rng(1)
    before, after = (rng.normal(size=(n, len(NAMES))) * PEAK * 10 ** (-45 / 20) for n in (77_777, 40_000))
    longer = np.concatenate([before, samples, after]).astype(np.float32)
    assert_same(whole(8106), find(tmp_path, longer, name="b.wav"), 77_777 / RATE_HZ)


def test_20_db_less_change_nothing(tmp_path):
    samples = make_scene(8306)
    assert_same(whole(8306), find(tmp_path, samples / 10, name="b.wav"))


@pytest.mark.parametrize(("name", "subtype"), [("b.flac", "PCM_24"), ("b.wav", "PCM_24"), ("b.aiff", "PCM_24")])
def test_another_format_changes_nothing(tmp_path, name, subtype):
    samples = make_scene(8106)
    assert_same(whole(8106), find(tmp_path, samples, name=name, subtype=subtype))


def test_a_folder_of_tracks_is_the_same_as_a_file(tmp_path):
    samples = make_scene(8306)
    (tmp_path / "tracks").mkdir()
    for k in range(samples.shape[1]):
        soundfile.write(tmp_path / "tracks" / f"track {k + 8}.wav", samples[:, k], RATE_HZ, subtype="FLOAT")
    assert_same(whole(8306), found_in(tmp_path / "tracks"))


def resampled(samples: np.ndarray, rate_hz: int) -> np.ndarray:
    divisor = np.gcd(rate_hz, RATE_HZ)
    return resample_poly(samples, rate_hz // divisor, RATE_HZ // divisor, axis=0)


@pytest.mark.parametrize("rate_hz", [44_100, 88_200, 96_000, 192_000])
@pytest.mark.parametrize("seed", [8106, 8306])
def test_another_sampling_rate_gives_the_same_hits(tmp_path, seed, rate_hz):
    assert_same(whole(seed), find(tmp_path, resampled(make_scene(seed), rate_hz), rate_hz, name="b.wav"))


@cache
def at_half_the_rate(seed: int) -> dict[str, np.ndarray]:
    """Return the hits of a scene at 22.05 kHz."""
    with tempfile.TemporaryDirectory() as folder:
        return find(Path(folder), resampled(make_scene(seed), 22_050), 22_050)


# Half the bandwidth is gone, and what a filter without delay leaves begins earlier: a soft tom by up to 0.08 ms.
@pytest.mark.parametrize(
    "within_s", [1e-4, pytest.param(SAME_S, marks=pytest.mark.xfail(reason="not reached at 22 kHz: 0.08 ms"))]
)
def test_half_the_sampling_rate_gives_nearly_the_same_hits(within_s):
    assert_same(whole(8306), at_half_the_rate(8306), within_s=within_s)


def test_an_offset_changes_nothing(tmp_path):
    samples = make_scene(8106)
    assert_same(whole(8106), find(tmp_path, samples + 0.05, name="b.wav"))


@pytest.mark.parametrize("what", ["hum", "rumble"])
def test_hum_and_rumble_6_db_above_the_noise_lose_no_hit(tmp_path, what):
    samples = make_scene(8108, snr_db=40)
    time, noise = np.arange(len(samples)) / RATE_HZ, PEAK * 10 ** (-40 / 20)
    if what == "hum":
        wave = sum(np.sin(2 * np.pi * 50 * k * time + k) / k for k in (1, 2, 3, 5, 7))
    else:
        wave = np.sin(2 * np.pi * 13 * time) + np.sin(2 * np.pi * 23 * time + 1)
    wave *= 2 * noise / wave.std()
    # The noise itself is another one then: places may differ by more than between two forms of one sound.
    assert_same(whole(8108, 40), find(tmp_path, samples + wave[:, None]), within_s=2e-4)


def test_a_bang_when_the_cable_goes_in_costs_no_hit(tmp_path):
    samples = make_scene(8106)
    time = np.arange(len(samples)) / RATE_HZ
    bang = np.where(time >= 0.1, 0.95 * np.exp(-(time - 0.1) / 0.02), 0)
    bang -= np.where(time >= 0.13, 0.9 * np.exp(-(time - 0.13) / 0.05), 0)
    two = find(tmp_path, (samples + bang[:, None]).clip(-1, 1))
    assert_same(whole(8106), {name: column[two["hit_s"] > 0.45] for name, column in two.items()})


def test_two_microphones_that_hear_one_strike_give_one_hit(tmp_path):
    samples = make_scene(8306)
    room = np.roll(0.3 * samples.sum(axis=1), round(0.004 * RATE_HZ))
    channels = tuple(Channel(k, (name,)) for k, name in enumerate(NAMES, 1))
    rig = Rig("rig", (*channels, Channel(len(NAMES) + 1, ("everything",), delay_s=0.004)))
    both = find(tmp_path, np.column_stack([samples, room]), name="b.wav", rig=rig)
    assert_same(whole(8306), both)
    # What the room microphone alone is said to hear is doubtful at most: nothing else struck.
    assert both["probability"][both["channel"] == len(NAMES) + 1].max(initial=0.0) < 0.5
    assert set(sure(both)["channel"]) == {1, 2, 3}


def make_idle(folder, snr_db: float = 30.0, seconds: float = 6.0, rate_hz: int = RATE_HZ) -> str:
    rng = np.random.default_rng(2)
    samples = rng.normal(size=(round(seconds * rate_hz), len(NAMES))) * PEAK * 10 ** (-snr_db / 20)
    soundfile.write(folder / "idle.wav", samples, rate_hz, subtype="FLOAT")
    return str(folder / "idle.wav")


def test_an_idle_recording_tells_the_noise_where_a_body_rings_on(tmp_path):
    # A body that is struck again before it has died away leaves no quiet moment in the take: what rings is no noise.
    rng, time = np.random.default_rng(3), np.arange(12 * RATE_HZ) / RATE_HZ
    true_s = np.arange(0.5, 11.5, 0.25) + rng.uniform(-0.02, 0.02, 44)
    ringing = np.zeros(len(time))
    for number, at_s in enumerate(true_s):
        after = np.maximum(time - at_s, 0)
        peak = 0.3 if number % 2 == 0 else 0.01
        ringing += (time >= at_s) * peak * np.exp(-after / 1.2) * np.sin(2 * np.pi * 900 * after)
        ringing += (time >= at_s) * 0.3 * peak * np.exp(-after / 0.01) * np.sin(2 * np.pi * 5200 * after)
    noise = PEAK * 10 ** (-70 / 20)
    samples = (ringing + rng.normal(size=len(time)) * noise)[:, None].repeat(3, axis=1)
    rig = Rig("rig", (Channel(1, (NAMES[0],)),))
    idle = Detection(idle_file=make_idle(tmp_path, snr_db=70))
    found = sure(find(tmp_path, samples, detection=idle, rig=rig))
    near = np.abs(found["hit_s"][:, None] - true_s).min(axis=1)
    assert len(found["hit_s"]) == len(true_s) and near.max() < 1e-3


def test_an_idle_recording_changes_no_plain_hit(tmp_path):
    samples = make_scene(8111, snr_db=30)
    detection = Detection(idle_file=make_idle(tmp_path))
    assert_same(find(tmp_path, samples), find(tmp_path, samples, detection=detection))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"rate_hz": 44_100}, "expected the recording's rate, 48000 Hz; found 44100 Hz"),
        ({"seconds": 0.0}, "idle.wav"),
        ({"seconds": 0.2}, "idle.wav"),
        (None, "idle.wav: expected a recording; found no such file"),
    ],
)
def test_an_idle_recording_that_tells_nothing_is_named_in_one_line(tmp_path, change, says):
    path = str(tmp_path / "idle.wav") if change is None else make_idle(tmp_path, **change)
    soundfile.write(tmp_path / "take.wav", make_scene(8112, duration_s=3.0), RATE_HZ, subtype="FLOAT")
    rig = Rig("rig", (Channel(1, (NAMES[0],)),))
    recording = Recording("take", str(tmp_path / "take.wav"), date(2031, 5, 3), "rig", "song")
    table, said = hits.find(recording, rig, Machine(Barrel(), (), None, ()), Detection(idle_file=path))
    assert len(table) == 0 and says in said["refused"] and "\n" not in said["refused"]
