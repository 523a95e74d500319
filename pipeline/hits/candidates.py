"""Records that the rooms of the stage hand on: a candidate's row, all candidates of a recording, evidence, hits.

A candidate is a rise that may be a strike. The first pass measures it, the matched filter may replace it, the second
pass adds evidence, the classifier gives a probability, the selection keeps it as a hit.
"""

from dataclasses import dataclass, fields

import numpy as np

from pipeline import tables
from pipeline.hits.signal import flux
from pipeline.hits.signal.spool import Waveforms

DTYPE = np.dtype(
    [
        ("channel", "i4"),  # number of the heard channel, from 0
        ("at", "f8"),  # onset, sample of the recording
        ("spread", "f4"),  # standard deviation of the onset's likelihood, samples
        ("attack", "f4"),  # samples from the onset to -20 dB of the peak
        ("peak", "f4"),  # full scale is 1
        ("noise", "f4"),  # root mean square before the onset
        ("gain", "f4"),  # log likelihood gained by a change of variance at the onset, nats
        ("rise", "f4", (len(flux.MEASURES),)),  # log spectral flux by each measure, dB
        ("strongest", "f4"),  # rise of the band that rises most, dB
        ("middle", "f4"),  # rise of the band in the middle, dB
        ("low", "f4", (2,)),  # departure of the lowest bands (`low_bands`), and its rise, dB; 0 with one striker
        ("below", "f4"),  # level relative to the loudest around, dB, 0 or less
        ("bands", "f4", (tables.N_BANDS,)),  # mean power after the onset
    ]
)
HITS_ONLY = ("spread", "attack", "bands")  # fields that nothing asks for before candidates are selected
NOT_SEARCHED, NOT_FOUND = 0.0, -1.0  # `filter_height` of what the matched filter did not search, or find; else over 0
N_HEIGHTS = 3  # over the noise, over the usual, over what else rings


@dataclass(frozen=True)
class Candidates:
    """All candidates of a recording and what later decisions need of its sound.

    Attributes
    ----------
    rows : (n,) array of DTYPE
        In the order found. Without the fields `HITS_ONLY` once those lie on disk.
    arriving : (n, n_channels) float32 array
        How far the peaks of every channel rise at each candidate (`leakage.arriving`).
    arriving_filtered : (n, n_channels) float32 array
        The same by the matched filter where it searched: it reaches below the noise, too.
    arriving_late : (n,) float32 array
        How far the own channel rises with some more milliseconds, for a slow body.
    noise_peak : (n_channels,) array
        Peak of each channel's noise around a rise.
    waveforms, tails : Waveforms
        On disk: the waveform around each candidate, and the longer tail of those that may make a template.
    waveform, tail : (n,) int arrays
        Numbers of each candidate's in them; tail -1: none was kept.
    filter_height : (n, N_HEIGHTS) float32 array
        Height in the output of the matched filter over the noise, over the usual strike and over what else rings;
        `NOT_SEARCHED` or `NOT_FOUND` in all three.
    """

    rows: np.ndarray
    arriving: np.ndarray
    arriving_filtered: np.ndarray
    arriving_late: np.ndarray
    noise_peak: np.ndarray
    waveforms: Waveforms
    tails: Waveforms
    waveform: np.ndarray
    tail: np.ndarray
    filter_height: np.ndarray


@dataclass(frozen=True)
class Evidence:
    """What the second pass adds on each candidate, all (n,) arrays but `filter_height`.

    Attributes
    ----------
    above_leakage_db, above_leakage_late_db : float
        Level over the most that leaks in, and with some more milliseconds for a slow body. Infinite without
        neighbours and where what leaks in lies below the noise.
    peak_above_leakage_db : float
        The same by the peaks of the candidates of the other channels.
    to_usual_db, to_loud_db : float
        Level relative to the usual strike of its channel, peak relative to its loud ones.
    has_template : bool
        Whether its channel has a template; without one the next three are 0, 0 and 0.
    correlation : float, 0 to 1
        With the template that is most like it.
    matched_snr : float
        Output of the matched filter over the root mean square of its output in the noise before.
    to_strongest_db : float, 0 or less
        The same output relative to the strongest around.
    filter_height : (n, N_HEIGHTS)
        As in `Candidates`.
    """

    above_leakage_db: np.ndarray
    above_leakage_late_db: np.ndarray
    peak_above_leakage_db: np.ndarray
    to_usual_db: np.ndarray
    to_loud_db: np.ndarray
    has_template: np.ndarray
    correlation: np.ndarray
    matched_snr: np.ndarray
    to_strongest_db: np.ndarray
    filter_height: np.ndarray

    @property
    def found(self) -> np.ndarray:
        """Which candidates the matched filter of the whole recording found, (n,) bool array."""
        return self.filter_height[:, 0] > 0

    @property
    def not_found(self) -> np.ndarray:
        """Which candidates it searched for and did not find, (n,) bool array."""
        return self.filter_height[:, 0] < 0

    def part(self, which: slice | np.ndarray) -> "Evidence":
        """Return the evidence on some of the candidates."""
        return Evidence(*(getattr(self, field.name)[which] for field in fields(self)))


@dataclass(frozen=True)
class Hits:
    """Candidates that are kept, and rebounds.

    Attributes
    ----------
    rows : (n,) array of DTYPE
    se : (n,) array
        Standard error of `at`, samples.
    probability : (n,) array
        That the channel's own striker struck there, or that its strike bounced.
    tail, tail_at : (n,) arrays
        Number of the stored tail, -1 without one, and the sample around which it was cut out.
    """

    rows: np.ndarray
    se: np.ndarray
    probability: np.ndarray
    tail: np.ndarray
    tail_at: np.ndarray

    def part(self, which: np.ndarray) -> "Hits":
        """Return some of the hits."""
        return Hits(*(getattr(self, field.name)[which] for field in fields(self)))


def has_near(at: np.ndarray, others: np.ndarray, reach: float) -> np.ndarray:
    """Return which samples have another one nearer than `reach` samples.

    Parameters
    ----------
    at : (n,) array
    others : (n_others,) array
        In any order.

    Returns
    -------
    has_near : (n,) bool array
    """
    others = np.sort(others)
    return np.searchsorted(others, at + reach) > np.searchsorted(others, at - reach, side="right")
