"""Open a recording's sound and the idle recording; refuse, in one line, what holds no strikes by its header.

In: the recording's row and its rig. Out: `audio.Audio` to read from, and the channels that are heard.
"""

import numpy as np

from pipeline import audio
from pipeline.errors import InputError
from pipeline.hits import channels as rig_channels
from pipeline.settings import Channel, Recording, Rig

LEAST_RATE_HZ = 8000  # half of it is the highest frequency: bands from 150 to 4000 Hz, 8 of 12, are left to see a rise
IDLE_S, LEAST_IDLE_S = 20.0, 1.0  # of the idle recording that are read; shorter ones hold few quiet moments


def opened(recording: Recording, rig: Rig | None) -> tuple[audio.Audio, tuple[Channel, ...]]:
    """Open a recording.

    Parameters
    ----------
    recording : Recording
    rig : Rig or None
        None: one microphone that hears everything.

    Returns
    -------
    sound : audio.Audio
    channels : tuple of Channel
        Those that are heard, in the rig's order.

    Raises
    ------
    InputError
        No such file, not readable, no samples, too low a rate, a channel beyond the file's.
    """
    sound = audio.look(recording.file, recording.start_s, recording.stop_s)
    channels = _channels(recording, rig, sound.n_channels)
    if sound.n_samples == 0:
        raise InputError(f"{recording.file}: expected sound; found no samples; record or copy it again")
    if sound.rate_hz < LEAST_RATE_HZ:
        raise InputError(
            f"{recording.file}: expected {LEAST_RATE_HZ} samples a second or more; found {sound.rate_hz}; "
            "record or export it at 44100 or 48000 Hz"
        )
    return sound, channels


def _channels(recording: Recording, rig: Rig | None, n_channels: int) -> tuple[Channel, ...]:
    if rig is None:
        return (Channel(1, rig_channels.EVERYTHING),)
    if far := [channel.channel for channel in rig.channels if channel.channel > n_channels]:
        raise InputError(
            f"{recording.file}: expected channel {max(far)} of rig '{rig.name}'; found {n_channels} channels; "
            "choose another rig or export all channels"
        )
    return rig.channels


def idle(file: str, rate_hz: int) -> np.ndarray:
    """Read the beginning of the idle recording.

    Parameters
    ----------
    file : str
    rate_hz : int
        Of the recording that it belongs to; the idle recording must have the same.

    Returns
    -------
    samples : (n, n_channels) float32 array

    Raises
    ------
    InputError
        Not readable, another rate, less than `LEAST_IDLE_S`.
    """
    samples, its_rate_hz = audio.read_part(file, 0.0, IDLE_S)
    if its_rate_hz != rate_hz:
        raise InputError(
            f"{file}: expected the recording's rate, {rate_hz} Hz; found {its_rate_hz} Hz; "
            "record the idle machine with the same settings"
        )
    if len(samples) < LEAST_IDLE_S * rate_hz:
        raise InputError(
            f"{file}: expected some seconds of the idle machine; found {len(samples) / rate_hz:.1f} s; record it again"
        )
    return samples
