"""The quick code of the hits says what its definition says, and keeps no more than it must."""

import numpy as np
import pytest

from pipeline.hits.candidates import DTYPE, HITS_ONLY
from pipeline.hits.health import gain_step
from pipeline.hits.search import first_pass, matched_filter
from pipeline.hits.signal import flux, leakage, onset
from pipeline.hits.signal.spool import Fields, Rows

RATE_HZ = 48_000


def make_strikes(seed: int, seconds: float = 5.0, noise: float = 0.003) -> np.ndarray:
    """Return decaying tones of different strength in noise, four a second."""
    rng, time = np.random.default_rng(seed), np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    samples = rng.normal(size=len(time)) * noise
    for at_s in np.arange(0.5, seconds - 0.3, 0.25) + rng.uniform(0, 0.05):
        after = np.maximum(time - at_s, 0.0)
        samples += (time >= at_s) * 10 ** rng.uniform(-2.5, -0.5) * np.exp(-after / 0.05) * np.sin(9000 * after)
    return samples.astype(np.float32)


def test_band_power_is_the_sum_of_a_windowed_spectrum():
    samples, cut = make_strikes(1, 1.0), flux.frames(RATE_HZ)
    power = flux.band_power(samples, cut)
    window = np.hanning(cut.size + 1)[:-1]
    padded = np.pad(samples.astype(float), cut.size)
    for frame in (0, 17, 600, len(power) - 1):
        begin = frame * cut.hop - cut.size // 2 + cut.size
        spectrum = np.abs(np.fft.rfft(padded[begin : begin + cut.size] * window)) ** 2
        expected = [spectrum[low:high].sum() for low, high in zip(cut.edges[:-1], cut.edges[1:], strict=True)]
        assert power[frame] == pytest.approx(np.array(expected) * 2 / cut.size / np.square(window).sum(), rel=1e-4)


@pytest.mark.parametrize("hop", [48, 44, 22])
def test_peaks_are_those_of_the_samples_without_their_running_mean(hop):
    samples = make_strikes(2, 0.3)
    n_frames, wide = len(samples) // hop + 1, leakage.SLOW_FRAMES * hop
    slow = np.convolve(samples.astype(float), np.ones(wide) / wide)[wide - wide // 2 - 1 :][: len(samples)]
    fast = np.pad(np.abs(samples - slow), (0, hop))
    expected = [fast[frame * hop : (frame + 1) * hop].max() for frame in range(n_frames)]
    assert leakage.peaks(samples, hop, n_frames) == pytest.approx(np.array(expected), abs=1e-6)


def test_the_first_change_is_where_the_likelihood_of_a_window_first_reaches_the_alarm():
    # Basseville & Nikiforov 1993, ch. 2.4.3, window by window and sample by sample.
    rng = np.random.default_rng(3)
    error = np.square(rng.normal(size=(20, 1800)))
    for row, at in enumerate(rng.integers(1050, 1400, 20)):
        error[row, at : at + 200] *= 10 ** rng.uniform(0.3, 3)
    total = np.cumsum(np.pad(error, ((0, 0), (1, 0))), axis=1)
    begin, end = 1000, 1500
    lengths = [max(onset.SHORTEST, round(length * RATE_HZ / 1000)) for length in onset.WINDOWS_MS]
    start, _, _, highest = onset._first_change(total, begin, end, RATE_HZ)

    def reached(row: int, stop: int) -> float:
        ratios = [max((total[row, stop] - total[row, stop - n]) / n, 1.0) for n in lengths]
        return max(0.5 * n * (ratio - 1 - np.log(ratio)) for n, ratio in zip(lengths, ratios, strict=True))

    for row in range(len(error)):
        inside = np.array([reached(row, stop) for stop in range(begin, end)])
        before = max(reached(row, stop) for stop in range(onset.ORDER + lengths[-1], begin))
        alarm = min(max(onset.ALARM, onset.ALARM_OVER_BEFORE * before), onset.ALARM_SHARE * inside.max())
        stop = begin + int((inside >= alarm).argmax()) + round(onset.WAIT_MS * RATE_HZ / 1000)
        look_back = np.arange(onset.SHORTEST, lengths[-1])
        ratio = np.maximum((total[row, stop] - total[row, stop - look_back]) / look_back, 1.0)
        best = look_back[(look_back * (ratio - 1 - np.log(ratio))).argmax()]
        assert highest[row] == pytest.approx(inside.max()) and start[row] == stop - best


def test_what_is_not_placed_would_not_have_been_likely():
    samples, cut = make_strikes(4), flux.frames(RATE_HZ)
    power, inside = flux.band_power(samples, cut), slice(9600, len(samples) - 9600)

    def score(rows):
        return np.log(rows["gain"] + 1) + rows["rise"][:, flux.BROAD]

    every, found = (
        first_pass.of_channel(samples, power, inside, first_pass.Search(cut, 8, None, score, least))[0]
        for least in (-np.inf, 6.0)
    )
    assert 0 < len(found) < len(every)
    assert np.array_equal(found, every[score(every) >= 6.0])


def test_levels_are_those_of_the_placing():
    samples = make_strikes(5)
    near = np.arange(5000, 200_000, 7001)
    placed, (peak, noise) = onset.place(samples, near, RATE_HZ), onset.levels(samples, near, RATE_HZ)
    assert np.array_equal(peak, placed.peak) and np.array_equal(noise, placed.noise)


def test_no_step_of_the_gain_is_passed_over():
    rng = np.random.default_rng(6)
    for step_db, n in ((3.0, 40), (-6.0, 25), (0.0, 60), (2.2, 16)):
        floor_db = -80 + rng.normal(size=n) * 0.4 + step_db * (np.arange(n) > n // 2)
        looked_at = gain_step._changes(floor_db)
        for at in np.setdiff1d(np.arange(gain_step.LEAST_PIECES, n - gain_step.LEAST_PIECES), looked_at):
            assert gain_step._step_of_noise(int(at), floor_db) is None


def test_rows_that_were_added_are_all_there():
    rows, parts = Rows(3, np.float32), [np.random.default_rng(k).random((k * 700, 3), np.float32) for k in range(6)]
    for part in parts:
        rows.add(part)
    assert np.array_equal(rows.all(), np.concatenate(parts))
    assert len(Rows(None, np.int32).all()) == 0


def test_rows_whose_fields_were_put_away_come_back_whole():
    rng, rows = np.random.default_rng(7), np.zeros(9000, DTYPE)
    for name in DTYPE.names:
        rows[name] = rng.integers(0, 1000, rows[name].shape)
    keep = np.flatnonzero(rng.random(len(rows)) < 0.7)
    with Fields(HITS_ONLY) as fields:
        left = fields.put(rows)
        assert not set(HITS_ONLY) & set(left.dtype.names) and left.itemsize < 0.6 * rows.itemsize
        assert np.array_equal(fields.whole(left, keep), rows[keep])
    with Fields(HITS_ONLY) as fields:
        assert len(fields.whole(fields.put(rows[:0]), keep[:0])) == 0


def test_what_arrives_at_many_channels_is_what_arrives_at_each():
    peak, frame = np.random.default_rng(8).random((3, 400), np.float32), np.array([0, 5, 77, 395, 399])
    for window, (after, before) in leakage.WINDOWS.items():
        found = leakage.arriving(peak, frame, window)
        for channel in range(3):
            for number, at in enumerate(frame):
                near, rang = (peak[channel, np.clip(np.arange(at + a, at + b), 0, 399)] for a, b in (after, before))
                assert found[channel, number] == pytest.approx(np.sqrt(max(near.max() ** 2 - rang.max() ** 2, 0)))


def test_strikes_are_taken_out_of_one_another_to_the_last():
    # Högbom's CLEAN, sample by sample over the whole ring, is the reference: the same strikes, the same heights.
    rng = np.random.default_rng(23)
    before, after = (round(seconds * RATE_HZ) for seconds in matched_filter.RING_S)
    lag = np.arange(-before, after)
    ring = np.cos(0.13 * lag) * np.exp(-np.abs(lag) / 300.0)
    at = np.array([9_000, 9_650, 14_200, 40_000, 40_420, 80_000, 140_500, 160_777])
    height = np.array([30.0, 21.0, 12.0, 25.0, 9.0, 7.0, 18.0, 28.0])
    heard = 0.3 * rng.normal(size=4 * RATE_HZ)
    for one, its in zip(at, height, strict=True):
        low, high = max(0, one - before), min(len(heard), one + after)
        heard[low:high] += its * ring[low - one + before : high - one + before]
    envelope = matched_filter._envelope(ring, before, round(matched_filter.ENVELOPE_S * RATE_HZ))
    made = matched_filter.Filter(np.zeros(0), np.zeros(0), ring, envelope, 20.0, 0.0, 1.0)
    found = np.array(matched_filter.strikes(heard, made, 0, [], np.zeros((0, 2)), RATE_HZ))
    strong = found[found[:, 1] > 6.0]
    np.testing.assert_allclose(np.sort(strong[:, 0]), at, atol=3.0)
    left, reference = heard.copy(), []
    for _ in at:
        top = int(left.argmax())
        reference.append((top, left[top]))
        low, high = max(0, top - before), min(len(left), top + after)
        left[low:high] -= left[top] * ring[low - top + before : high - top + before]
    reference = np.array(reference)[np.argsort([one for one, _ in reference])]
    strong = strong[np.argsort(strong[:, 0])]
    np.testing.assert_allclose(strong[:, 0], reference[:, 0], atol=1.0)
    np.testing.assert_allclose(strong[:, 1], reference[:, 1], atol=2 * matched_filter.LEAST_RING)
