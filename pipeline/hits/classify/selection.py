"""Decide which candidates are hits: by what they are, by what neighbours explain, by what stands too near."""

import numpy as np

from pipeline.hits.classify import classifier
from pipeline.hits.search import second_pass
from pipeline.hits.signal import flux
from pipeline.settings import Channel, Detection

ALL = ("everything",)
MARKS = ("index", "click")
FAINT_MARK = 0.25  # of the usual peak of turn marks and clicks: fainter ones are something else
SAME_S = 0.012  # two microphones that hear a strike within this hear the same one
FIRST_SHARE = 0.08  # of the probability that keeps a candidate: what has it at first sight is worth a second look


def kept(heard, channels, detection: Detection, rate_hz: int):
    """Decide which candidates are kept.

    Parameters
    ----------
    heard : listen.Heard
    channels : tuple of Channel
    detection : Detection
    rate_hz : int

    Returns
    -------
    keep : (n_kept,) int array
        In the order found.
    probability : (n_kept,) array
        That its channel's own struck.
    sounds : dict of int to again.Sounds
        Of each channel, from 0, that has some.
    """
    number, mixed = heard.candidates["channel"], np.array([is_mixed(channel) for channel in channels])
    shares = sharing(channels)
    seen, sounds = second_pass.look(heard, classifier.first(heard.candidates, mixed[number]), shares, mixed, rate_hz)
    probability = classifier.second(heard.candidates, mixed[number], seen, rate_hz)
    keep = np.flatnonzero(probability >= least(detection))
    keep = keep[apart(heard.candidates[keep], probability[keep], detection.minimum_gap_ms / 1000 * rate_hz)]
    keep = keep[~_faint_marks(heard.candidates[keep], channels)]
    wide = np.array([_is_wide(channel, channels) for channel in channels])
    if wide.any():
        delay = np.array([channel.delay_s for channel in channels]) * rate_hz
        at = heard.candidates["at"][keep] - delay[number[keep]]
        keep = keep[~_heard_nearer(at, number[keep], channels, SAME_S * rate_hz)]
    return keep, probability[keep], sounds


def sharing(channels: tuple[Channel, ...]) -> np.ndarray:
    """Return which channels hear neighbours and are heard by them, (n_channels,) bool array."""
    wide = np.array([_is_wide(channel, channels) for channel in channels])
    # A click comes by cable: nothing leaks from it or into it.
    shares = ~wide & np.array([channel.hears != ("click",) for channel in channels])
    return shares & (shares.sum() > 1)


def only_striker(channel: Channel) -> str | None:
    """Return the striker that a channel hears, None where it hears several or marks."""
    only = len(channel.hears) == 1 and channel.hears[0] not in (*ALL, *MARKS)
    return channel.hears[0] if only else None


def beside(at: np.ndarray, others: np.ndarray, near: float) -> np.ndarray:
    """Return which samples have another one nearer than `near`, (n,) bool array."""
    others = np.sort(others)
    return np.searchsorted(others, at + near) > np.searchsorted(others, at - near, side="right")


def worth(detection: Detection) -> float:
    """Return the probability at first sight from which a candidate is worth a second look."""
    return FIRST_SHARE * least(detection)


def is_mixed(channel: Channel) -> bool:
    """Tell whether a channel hears several strikers."""
    return len(channel.hears) > 1 or channel.hears == ALL


def least(detection: Detection) -> float:
    """Return the probability from which a candidate is kept."""
    return 0.5 * (1 - detection.sensitivity)


def _faint_marks(candidates: np.ndarray, channels) -> np.ndarray:
    """Return which turn marks and clicks are far fainter than the others of their channel, which are all alike."""
    faint = np.zeros(len(candidates), bool)
    for number, channel in enumerate(channels):
        mine = candidates["channel"] == number
        if channel.hears[0] in MARKS and mine.any():
            faint |= mine & (candidates["peak"] < FAINT_MARK * np.quantile(candidates["peak"][mine], 0.75))
    return faint


def _is_wide(channel: Channel, channels: tuple[Channel, ...]) -> bool:
    """Tell whether some of what a channel hears has a nearer microphone too."""
    return any(_covers(channel, other) for other in channels if other != channel)


def _covers(channel: Channel, other: Channel) -> bool:
    if other.hears[0] in MARKS or channel.hears[0] in MARKS or other.hears == ALL:
        return False
    return channel.hears == ALL or (len(channel.hears) > len(other.hears) and bool({*channel.hears} & {*other.hears}))


def _heard_nearer(at: np.ndarray, number: np.ndarray, channels, same: float) -> np.ndarray:
    """Return which hits of a wide channel a nearer microphone has too (within `same` samples)."""
    twice = np.zeros(len(at), bool)
    for wide, channel in enumerate(channels):
        nearer = [other for other, its in enumerate(channels) if other != wide and _covers(channel, its)]
        mine = number == wide
        twice[mine] = beside(at[mine], at[np.isin(number, nearer)], same)
    return twice


def apart(candidates: np.ndarray, probability: np.ndarray, gap: float) -> np.ndarray:
    """Return which candidates are likeliest of their channel within `gap` samples, in the order given."""
    order = np.lexsort((candidates["at"], candidates["channel"]))
    at, channel = candidates["at"][order], candidates["channel"][order]
    # Of two that are as likely, the one at the sharper rise.
    height = np.round(probability[order], 2) + 1e-4 * candidates["rise"][order, flux.SHARP]
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
