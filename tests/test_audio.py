"""Reading of recordings: blocks, folders of tracks, parts, damaged files."""

import numpy as np
import pytest
import soundfile
from scipy.signal import firwin

from pipeline import audio
from pipeline.errors import InputError

RATE_HZ = 48000


def make_noise(n: int, n_channels: int = 2, seed: int = 5) -> np.ndarray:
    return (np.random.default_rng(seed).normal(size=(n, n_channels)) * 0.1).astype(np.float32)


def write(path, samples, rate_hz=RATE_HZ, subtype="FLOAT"):
    soundfile.write(path, samples, rate_hz, subtype=subtype)
    return path


def read_in_blocks(file, length: int, before: int, after: int) -> np.ndarray:
    parts = []
    for _, begin, samples in audio.look(file).blocks(length, before, after):
        parts.append(samples[begin : begin + length])
    return np.concatenate(parts)


@pytest.mark.parametrize(
    ("length", "before", "after"), [(1000, 0, 0), (1000, 300, 700), (777, 5000, 20), (10**6, 10, 10)]
)
def test_blocks_put_together_are_the_file(tmp_path, length, before, after):
    samples = make_noise(10_001)
    file = write(tmp_path / "take.wav", samples)
    assert np.array_equal(read_in_blocks(file, length, before, after), samples)


def test_a_block_knows_where_it_lies_in_the_recording(tmp_path):
    samples = make_noise(5000)
    file = write(tmp_path / "take.wav", samples)
    for first, _, block in audio.look(file, 0.01, 0.09).blocks(512, 100, 50):
        assert np.array_equal(block, samples[first : first + len(block)])


def test_a_folder_is_read_in_natural_order_and_short_tracks_end_in_silence(tmp_path):
    samples = make_noise(4000, 3)
    write(tmp_path / "track 10.wav", samples[:3000, 2])
    write(tmp_path / "track 2.wav", samples[:, 1])
    write(tmp_path / "Track 1.wav", samples[:, 0])
    (tmp_path / "notes.txt").write_text("mind the belt")
    sound = audio.look(tmp_path)
    assert (sound.n_channels, sound.n_samples, sound.track_lengths) == (3, 4000, (4000, 4000, 3000))
    expected = samples.copy()
    expected[3000:, 2] = 0
    assert np.array_equal(read_in_blocks(tmp_path, 999, 10, 10), expected)


def test_a_track_named_with_raised_digits_has_its_place_too(tmp_path):
    for name in ("1²3.wav", "1x.wav", "10.wav", "٢.wav", "1.wav"):
        write(tmp_path / name, make_noise(10, 1))
    assert [track.path.name for track in audio.look(tmp_path).tracks] == [
        "1.wav",
        "1x.wav",
        "1²3.wav",
        "٢.wav",
        "10.wav",
    ]


def test_tracks_of_different_rates_are_refused_in_one_line(tmp_path):
    write(tmp_path / "1.wav", make_noise(100, 1), 44100)
    write(tmp_path / "2.wav", make_noise(100, 1), 48000)
    with pytest.raises(InputError, match=r"one sampling rate; found 44100 Hz in 1.wav and 48000 Hz in 2.wav"):
        audio.look(tmp_path)


@pytest.mark.parametrize("ending", ["wav", "flac", "aiff"])
def test_a_truncated_file_is_read_as_far_as_it_goes(tmp_path, ending):
    whole = write(tmp_path / f"whole.{ending}", make_noise(48000), subtype="PCM_16")
    content = whole.read_bytes()
    cut = tmp_path / f"cut.{ending}"
    cut.write_bytes(content[: len(content) // 2])
    sound = audio.look(cut)
    assert sound.truncated and not audio.look(whole).truncated
    assert 10_000 < sound.n_samples < 25_000
    assert np.array_equal(read_in_blocks(cut, 4096, 0, 0), read_in_blocks(whole, 4096, 0, 0)[: sound.n_samples])


@pytest.mark.parametrize(
    ("content", "says"),
    [(b"", "found an empty file"), (b"hello", "libsndfile reads"), (None, "no such file or folder")],
)
def test_what_is_no_sound_is_refused_in_one_line(tmp_path, content, says):
    file = tmp_path / "take.wav"
    if content is not None:
        file.write_bytes(content)
    with pytest.raises(InputError, match=says) as caught:
        audio.look(file)
    assert len(caught.value.faults) == 1


def test_an_empty_folder_and_a_part_that_holds_nothing_are_refused(tmp_path):
    with pytest.raises(InputError, match="one audio file per track"):
        audio.look(tmp_path)
    with pytest.raises(InputError, match=r"found a recording of 1\.0 s"):
        audio.look(write(tmp_path / "take.wav", make_noise(RATE_HZ)), 2.0, 3.0)


def test_what_is_not_a_number_comes_as_silence(tmp_path):
    samples = make_noise(1000)
    samples[17, 1] = np.nan
    samples[18, 0] = np.inf
    block = read_in_blocks(write(tmp_path / "take.wav", samples), 300, 0, 0)
    assert block[17, 1] == 0 and block[18, 0] == 0 and np.isfinite(block).all()


def test_a_part_holds_the_channels_asked_for(tmp_path):
    samples = make_noise(RATE_HZ, 3)
    file = write(tmp_path / "take.wav", samples)
    part, rate_hz = audio.read_part(file, 0.25, 0.5, (3, 1))
    assert rate_hz == RATE_HZ and np.array_equal(part, samples[12000:24000][:, [2, 0]])
    with pytest.raises(InputError, match="expected channel 4; found 3 channels"):
        audio.read_part(file, 0, 1, (4,))


def test_a_full_scale_sine_reads_as_full_scale(tmp_path):
    # AES17 (secondary): a full-scale sine peaks at 0 dBFS; at a quarter of the rate and 45 degrees its samples reach
    # -3.01 dBFS only.
    time = np.arange(4800)
    for hz, phase, expected_db in ((997, 0.0, 0.0), (RATE_HZ / 4, np.pi / 4, -3.01)):
        sine = np.sin(2 * np.pi * hz * time / RATE_HZ + phase)
        file = write(tmp_path / "sine.wav", sine, subtype="PCM_24")
        part, _ = audio.read_part(file, 0, 1)
        assert 20 * np.log10(np.abs(part).max()) == pytest.approx(expected_db, abs=0.005)


@pytest.mark.parametrize(
    ("rate_hz", "step"), [(8000, 1), (48_000, 1), (88_200, 2), (96_000, 2), (192_000, 4), (90_001, 1)]
)
def test_high_rates_are_thinned_by_a_whole_number(tmp_path, rate_hz, step):
    whole = audio.look(write(tmp_path / "take.wav", make_noise(1001), rate_hz), 0.0, 0.01)
    sound = audio.thinned(whole)
    assert (sound.step, sound.rate_hz * sound.step, sound.n_samples) == (step, rate_hz, -(-1001 // step))
    assert sound.whole.rate_hz == rate_hz and 0 <= sound.whole.stop - whole.stop < step


@pytest.mark.parametrize("step", [2, 4])
def test_thinning_is_a_low_pass_without_delay(step):
    # The window method of scipy.signal.firwin (Oppenheim & Schafer, ch. 7), convolved as the definition has it.
    samples, reach = make_noise(9001, 1)[:, 0], audio.FILTER_SAMPLES * step
    taps = firwin(2 * reach + 1, 1 / step, window=("kaiser", audio.FILTER_BETA))
    expected = np.convolve(samples.astype(float), taps)[reach : reach + len(samples) : step]
    assert np.abs(audio.thin(samples, step) - expected).max() < 2e-5


def test_what_cannot_be_heard_is_not_folded_back():
    time = np.arange(96_000) / 96_000
    for hz, left in ((9000.0, 1.0), (20_000.0, 1.0), (28_000.0, 0.0), (39_000.0, 0.0)):
        middle = audio.thin(np.sin(2 * np.pi * hz * time).astype(np.float32), 2)[1000:-1000]
        expected = left * np.sin(2 * np.pi * hz * time[::2])[1000:-1000]
        assert np.abs(middle - expected).max() < 2e-4  # -74 dB


def test_thinned_blocks_put_together_are_the_thinned_file(tmp_path):
    samples = make_noise(30_001)
    sound = audio.thinned(audio.look(write(tmp_path / "take.wav", samples, 96_000)))
    parts = [block[begin : begin + 1000] for _, begin, block in sound.blocks(1000, 50, 50)]
    assert np.abs(np.concatenate(parts) - audio.thin(samples, 2)).max() < 2e-5
