"""Select the candidates that are kept as hits.

In: candidates and their probabilities. Out: numbers of those that are likely enough, the likeliest of their channel
within the least gap, no faint marks, and not heard better by a nearer microphone.
"""

import numpy as np

from pipeline.hits.candidates import has_near
from pipeline.hits.channels import is_mark, is_wide, nearer_channels
from pipeline.hits.signal import flux
from pipeline.settings import Channel, Detection

FAINT_MARK = 0.25  # of the usual peak of turn marks and clicks, which are all alike: fainter ones are something else
USUAL_QUANTILE = 0.75  # of the peaks of marks: the usual one
SAME_STRIKE_S = 0.012  # two microphones that hear a strike within this hear the same one: 4 m of air
FIRST_SHARE = 0.08  # of the probability that keeps a candidate: with so much at first it is worth a second pass


def least(detection: Detection) -> float:
    """Return the probability from which a candidate is kept."""
    return 0.5 * (1 - detection.sensitivity)


def least_at_first(detection: Detection) -> float:
    """Return the first probability from which a candidate is worth a second pass."""
    return FIRST_SHARE * least(detection)


def kept(
    rows: np.ndarray, probability: np.ndarray, channels: tuple[Channel, ...], detection: Detection, rate_hz: int
) -> np.ndarray:
    """Return the candidates that are kept.

    Parameters
    ----------
    rows : (n,) array of DTYPE
        The fields `candidates.HITS_ONLY` are not asked for.
    probability : (n,) array
        That the channel's own striker struck.
    channels : tuple of Channel
    detection : Detection
    rate_hz : int

    Returns
    -------
    keep : (n_kept,) int array
        Their numbers, rising.
    """
    keep = np.flatnonzero(probability >= least(detection))
    keep = keep[apart(rows[keep], probability[keep], detection.minimum_gap_ms / 1000 * rate_hz)]
    keep = keep[~_faint_marks(rows[keep], channels)]
    if any(is_wide(channel, channels) for channel in channels):
        keep = keep[~_heard_nearer(rows[keep], channels, rate_hz)]
    return keep


def apart(rows: np.ndarray, probability: np.ndarray, gap: float) -> np.ndarray:
    """Return which candidates are the likeliest of their channel within a gap.

    Parameters
    ----------
    rows : (n,) array of DTYPE
    probability : (n,) array
    gap : float
        Samples.

    Returns
    -------
    apart : (n_apart,) int array
        Their numbers, rising.
    """
    order = np.lexsort((rows["at"], rows["channel"]))
    at, channel = rows["at"][order], rows["channel"][order]
    # Of two that are as likely, the one at the sharper rise.
    height = np.round(probability[order], 2) + 1e-4 * rows["rise"][order, flux.SHARP]
    alive = np.ones(len(order), bool)
    # The highest first: what stands within the gap of it falls.
    for middle in np.argsort(-height, kind="stable"):
        if alive[middle]:
            for step in (-1, 1):
                other = middle + step
                while (
                    0 <= other < len(order) and channel[other] == channel[middle] and abs(at[other] - at[middle]) < gap
                ):
                    alive[other] = False
                    other += step
    return np.sort(order[alive])


def _faint_marks(rows: np.ndarray, channels: tuple[Channel, ...]) -> np.ndarray:
    """Return which candidates of turn marks and clicks are far fainter than the others of their channel."""
    faint = np.zeros(len(rows), bool)
    for number, channel in enumerate(channels):
        mine = rows["channel"] == number
        if is_mark(channel) and mine.any():
            faint |= mine & (rows["peak"] < FAINT_MARK * np.quantile(rows["peak"][mine], USUAL_QUANTILE))
    return faint


def _heard_nearer(rows: np.ndarray, channels: tuple[Channel, ...], rate_hz: int) -> np.ndarray:
    """Return which candidates of a wide channel a nearer microphone has, too."""
    number = rows["channel"]
    at = rows["at"] - (np.array([channel.delay_s for channel in channels]) * rate_hz)[number]
    nearer = np.zeros(len(rows), bool)
    for wide in range(len(channels)):
        others = np.isin(number, nearer_channels(wide, channels))
        mine = number == wide
        nearer[mine] = has_near(at[mine], at[others], SAME_STRIKE_S * rate_hz)
    return nearer
