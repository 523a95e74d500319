"""Find where something may have struck: a sudden rise in several frequency bands of one channel.

Log spectral flux (after Dixon 2006, "Onset detection revisited", and Böck & Widmer 2013) in `tables.N_BANDS` bands at a
hop of about a millisecond. Deviations: the rise is measured above the loudest of a few milliseconds before (a body that
beats between two modes is no onset), and power below the running floor of its band counts little, so that noise, hum
and rumble raise nothing however loud they are.
"""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from pipeline.tables import N_BANDS

HOP_S = 0.001
WINDOW_S = 0.0053  # as short as a band of 200 Hz allows; a strike is far shorter
LOWEST_HZ, HIGHEST_HZ = 150.0, 16000.0
FULL_SCALE_FLOOR = 1e-10  # power, -100 dB: rounding of 16 bit lies about here
FLOOR_DEPTH = 3e-7  # of the loudest power of the block: what lies 65 dB below a strike is no strike
FLOOR_WEIGHT = 4.0  # power below this many floors counts little
BACK_FRAMES = (6, 9)  # the rise is taken above the loudest of these frames before
_FRAMES_AT_ONCE = 1024  # keeps the spectra in the processor's cache


@dataclass(frozen=True)
class Frames:
    """How a channel is cut into frames: `hop` and `size` samples, `edges` of the bands in bins of the spectrum."""

    rate_hz: int
    hop: int
    size: int
    edges: tuple[int, ...]


def frames(rate_hz: int) -> Frames:
    """Choose frames for a sampling rate; bands that lie above half of it are empty."""
    size = 1 << round(np.log2(rate_hz * WINDOW_S))
    bin_hz = rate_hz / size
    wanted = np.geomspace(LOWEST_HZ, HIGHEST_HZ, N_BANDS + 1) / bin_hz
    edges = [1]
    for edge in wanted[1:]:
        edges.append(max(edges[-1] + 1, round(edge)))
    top = size // 2 + 1
    return Frames(rate_hz, max(1, round(rate_hz * HOP_S)), size, tuple(min(edge, top) for edge in edges))


def band_power(samples: np.ndarray, cut: Frames) -> np.ndarray:
    """Return the power in each band and frame.

    Parameters
    ----------
    samples : (n,) float32 array

    Returns
    -------
    power : (n_frames, N_BANDS) float32 array
        A full-scale sine within a band gives about 0.5. Frame k is centred at sample `k * hop`; what lies outside the
        samples counts as silence.
    """
    half = cut.size // 2
    n_frames = len(samples) // cut.hop + 1
    padded = np.zeros((n_frames - 1) * cut.hop + cut.size, np.float32)
    padded[half : half + len(samples)] = samples[: len(padded) - half]
    window = np.hanning(cut.size + 1)[:-1].astype(np.float32)
    # Parseval: the squared window is taken out, so that the bands add up to the mean square.
    window /= np.sqrt(np.float32(cut.size) * np.square(window).sum() / 2)
    of_bin = np.zeros((cut.size // 2 + 1, N_BANDS), np.float32)
    for band, (low, high) in enumerate(zip(cut.edges[:-1], cut.edges[1:], strict=True)):
        of_bin[low:high, band] = 1.0
    cut_up = sliding_window_view(padded, cut.size)[:: cut.hop]
    power = np.empty((n_frames, N_BANDS), np.float32)
    for begin in range(0, n_frames, _FRAMES_AT_ONCE):
        spectrum = np.fft.rfft(cut_up[begin : begin + _FRAMES_AT_ONCE] * window)
        power[begin : begin + _FRAMES_AT_ONCE] = (np.square(spectrum.real) + np.square(spectrum.imag)) @ of_bin
    return power


def floors(power: np.ndarray) -> np.ndarray:
    """Return the floor of each band: the level that a tenth of the frames stay under, as a mean power.

    Returns
    -------
    floor : (N_BANDS,) float32 array
    """
    quiet = np.percentile(power[::4], 10, axis=0) * 3.0
    return np.maximum(quiet, max(FULL_SCALE_FLOOR, FLOOR_DEPTH * float(power.max(initial=0.0)))).astype(np.float32)


def flux(power: np.ndarray, floor: np.ndarray) -> np.ndarray:
    """Return how far each frame rises above what came before: mean over the bands, dB, at least 0."""
    level_db = 10 * np.log10(power + FLOOR_WEIGHT * floor)
    first, last = BACK_FRAMES
    before = np.full_like(level_db, -np.inf)
    for back in range(first, last + 1):
        np.maximum(before[back:], level_db[:-back], out=before[back:])
    before[:first] = level_db[:first]
    rise = np.maximum(level_db - before, 0.0)
    used = power.max(axis=0, initial=0.0) > 0
    return rise[:, used].mean(axis=1) if used.any() else np.zeros(len(power), np.float32)


def peaks(rise: np.ndarray, threshold_db: float, gap: int) -> np.ndarray:
    """Return the frames at which `rise` is over the threshold and the highest within `gap` frames, first of equals."""
    if not len(rise):
        return np.zeros(0, np.int64)
    padded = np.pad(rise, (gap, gap), constant_values=-1.0)
    highest = _running_maximum(padded, 2 * gap + 1)
    at = np.flatnonzero((rise >= highest) & (rise > threshold_db))
    # A plateau has several equal peaks; its first is the one.
    return at[np.diff(at, prepend=-gap - 1) > gap] if len(at) else at


def _running_maximum(padded: np.ndarray, width: int) -> np.ndarray:
    """Return the maximum over each `width` consecutive values, by doubling."""
    reached, length = padded, 1
    while 2 * length <= width:
        reached = np.maximum(reached[:-length], reached[length:])
        length *= 2
    rest = width - length
    return np.maximum(reached[: len(reached) - rest], reached[rest:]) if rest else reached
