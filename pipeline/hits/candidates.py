"""Measure candidates: everything of one channel's block that a later decision needs, a row each."""

from collections.abc import Callable

import numpy as np

from pipeline import audio, tables
from pipeline.hits.signal import flux, onset

BROAD_DB, NARROW_DB = 0.8, 2.5  # of those measures: about ten candidates a second in noise
SHARP_DB, SHARP_GAP = 3.0, 3  # the same for the shortest measure, and frames within which only the strongest counts
SHARP_NEAR = (-3, 9)  # around a peak of the others
NARROW_APART = 20  # frames from a broad rise at which a narrow one is another
NEIGHBOUR_FRAMES = 4  # a measure counts with its best frame this near
AROUND_FRAMES = 60  # the level is held against the loudest this near
BANDS_S = 0.030
EDGE_S = 0.006  # from the recording's ends: what lies beyond them is not known
DTYPE = np.dtype(
    [
        ("channel", "i4"),  # number among the heard channels, from 0
        ("at", "f8"),  # sample of the recording
        ("spread", "f4"),  # samples
        ("attack", "f4"),  # samples from the start to -20 dB
        ("peak", "f4"),
        ("noise", "f4"),  # root mean square before
        ("gain", "f4"),  # nats
        ("rise", "f4", (len(flux.MEASURES),)),  # dB
        ("strongest", "f4"),  # dB
        ("middle", "f4"),  # dB
        ("below", "f4"),  # level against the loudest around, dB
        ("bands", "f4", (tables.N_BANDS,)),  # power
    ]
)
LAST = ("spread", "attack", "bands")  # fields that are asked for of those which are kept


def of_block(
    samples: np.ndarray,
    power: np.ndarray,
    floor: np.ndarray | None,
    inside: slice,
    cut: flux.Frames,
    gap: int,
    chance: Callable[[np.ndarray], np.ndarray],
    least: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the likely candidates of one channel whose rise lies in a block.

    Most rises are noise. What would not be likely however well it was placed is dropped before it is placed.

    Parameters
    ----------
    samples : (n,) float32 array
        The block with its context.
    power : (n_frames, N_BANDS) array
        Its `rise.band_power`.
    floor : (N_BANDS,) array, optional
        Power of the noise where an idle recording told it; else it is taken from the block.
    inside : slice
        The block itself, samples.
    gap : int
        Frames within which only the strongest rise counts.
    chance : callable
        Gives the probability of candidates by all but `channel`, `at`, `spread`, `attack` and `bands`.
    least : float
        Probability from which they are worth to be kept.

    Returns
    -------
    candidates : (n_candidates,) array of DTYPE
        `at` counts from the beginning of `samples`.
    frame : (n_candidates,) int array
        Where they rise.
    """
    rises = flux.rises(power, flux.floors(power) if floor is None else np.maximum(floor, flux.LEAST_FLOOR), cut)
    frame = _frames(rises.measured, gap)
    frame = frame[(frame * cut.hop >= inside.start) & (frame * cut.hop < min(inside.stop, len(samples)))]
    rows = np.zeros(len(frame), DTYPE)
    rows["rise"] = _best_near(rises.measured, frame)
    rows["strongest"], rows["middle"] = rises.strongest_db[frame], rises.middle_db[frame]
    loudest = flux.running_maximum(rises.level_db, AROUND_FRAMES)
    rows["below"] = _best_near(rises.level_db[:, None], frame)[:, 0] - loudest[frame]
    rows["peak"], rows["noise"] = onset.levels(samples, frame * cut.hop, cut.rate_hz)
    possible = np.zeros(len(frame), bool)
    for rows["gain"] in (0.0, onset.MOST_GAIN):
        possible |= chance(rows) >= least
    rows, frame = rows[possible], frame[possible]
    placed = onset.place(samples, frame * cut.hop, cut.rate_hz)
    for name in ("at", "spread", "attack", "peak", "noise", "gain"):
        rows[name] = getattr(placed, name)
    rows["bands"] = _mean_power(power, placed.at / cut.hop, round(BANDS_S * cut.rate_hz / cut.hop))
    kept = chance(rows) >= least
    return rows[kept], frame[kept]


def between_ends(at: np.ndarray, sound: audio.Audio) -> np.ndarray:
    """Return which samples lie far enough inside the recording's ends; what begins or ends with it is no rise."""
    edge = EDGE_S * sound.rate_hz
    return (at >= sound.start + edge) & (at < sound.stop - edge)


def _frames(measured: np.ndarray, gap: int) -> np.ndarray:
    """Return where the broad and the narrow measure have their peaks, at the sharpest rise near each, and where others
    rise sharply.

    The broad one looks 8 ms ahead: it rises before the strike, and of a neighbour's leak and the strike that follows
    it makes one.
    """
    frame = flux.peaks(measured[:, flux.BROAD], BROAD_DB, gap)
    narrow = flux.peaks(measured[:, flux.NARROW], NARROW_DB, 2 * gap)
    near = np.searchsorted(frame, narrow + NARROW_APART) > np.searchsorted(frame, narrow - NARROW_APART)
    frame = np.sort(np.concatenate([frame, narrow[~near]]))
    sharp = flux.peaks(measured[:, flux.SHARP], SHARP_DB, SHARP_GAP)
    height = np.zeros(len(measured) + sum(np.abs(SHARP_NEAR)) + 1)
    height[sharp - SHARP_NEAR[0]] = measured[sharp, flux.SHARP]
    near = height[frame[:, None] + np.arange(SHARP_NEAR[1] - SHARP_NEAR[0] + 1)]
    moved = np.where(near.max(axis=1, initial=0) > 0, frame + near.argmax(axis=1) + SHARP_NEAR[0], frame)
    left = frame[np.abs(moved - frame) >= SHARP_GAP]
    return np.unique(np.concatenate([moved, left, sharp])).astype(np.int64)


def _best_near(values: np.ndarray, frame: np.ndarray) -> np.ndarray:
    near = np.clip(frame[:, None] + np.arange(-NEIGHBOUR_FRAMES, NEIGHBOUR_FRAMES + 1), 0, len(values) - 1)
    return values[near].max(axis=1) if len(frame) else np.zeros((0, values.shape[1]))


def _mean_power(power: np.ndarray, frame: np.ndarray, n_frames: int) -> np.ndarray:
    start = np.clip(np.round(frame).astype(np.int64), 0, len(power) - 1)
    here = start[:, None] + np.arange(n_frames)
    inside = here < len(power)
    total = (power[np.minimum(here, len(power) - 1)] * inside[:, :, None]).sum(axis=1, dtype=np.float64)
    return total / inside.sum(axis=1, keepdims=True)
