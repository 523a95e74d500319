"""Tell what the channels of a rig are to one another: one striker's, many strikers', a mark's; leaking; wide.

In: the channels of a rig, in its order. Out: flags; a channel's number counts from 0 in that order.
"""

import numpy as np

from pipeline.settings import Channel

EVERYTHING = ("everything",)
CLICK = ("click",)
MARKS = ("index", "click")  # no strikes: the turn mark and the metronome


def only_striker(channel: Channel) -> str | None:
    """Return the striker that a channel hears; None where it hears several strikers or marks."""
    only = len(channel.hears) == 1 and channel.hears[0] not in (*EVERYTHING, *MARKS)
    return channel.hears[0] if only else None


def is_mixed(channel: Channel) -> bool:
    """Tell whether a channel hears several strikers."""
    return len(channel.hears) > 1 or channel.hears == EVERYTHING


def is_mark(channel: Channel) -> bool:
    """Tell whether a channel hears turn marks or clicks."""
    return channel.hears[0] in MARKS


def are_mixed(channels: tuple[Channel, ...]) -> np.ndarray:
    """Return which channels hear several strikers, (n_channels,) bool array."""
    return np.array([is_mixed(channel) for channel in channels], bool)


def are_leaking(channels: tuple[Channel, ...]) -> np.ndarray:
    """Return which channels leak into one another, (n_channels,) bool array.

    Not those that hear other channels' strikers on purpose (`is_wide`), nor the click: it comes by cable.
    """
    wide = np.array([is_wide(channel, channels) for channel in channels])
    leaking = ~wide & np.array([channel.hears != CLICK for channel in channels])
    return leaking & (leaking.sum() > 1)


def is_wide(channel: Channel, channels: tuple[Channel, ...]) -> bool:
    """Tell whether some of what a channel hears has a nearer microphone, too."""
    return any(_is_nearer(other, channel) for other in channels if other != channel)


def nearer_channels(wide: int, channels: tuple[Channel, ...]) -> list[int]:
    """Return the numbers of the channels whose microphones are nearer to some of what channel `wide` hears."""
    return [number for number, other in enumerate(channels) if number != wide and _is_nearer(other, channels[wide])]


def _is_nearer(other: Channel, channel: Channel) -> bool:
    if is_mark(other) or is_mark(channel) or other.hears == EVERYTHING:
        return False
    fewer = len(channel.hears) > len(other.hears) and bool({*channel.hears} & {*other.hears})
    return channel.hears == EVERYTHING or fewer
