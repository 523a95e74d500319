"""Find the strikes and the clicks of one take, without a configuration."""

import os
from dataclasses import dataclass
from datetime import date

import numpy as np
import pyarrow as pa

from pipeline import audio, hits
from pipeline.errors import InputError
from pipeline.hits.health import click as metronome
from pipeline.settings import Barrel, Channel, Detection, Machine, Recording, Rig, Striker, is_list
from pipeline.settings.csv_rows import read_rows
from pipeline.settings.faults import Faults
from pipeline.settings.note_names import HIGHEST, note_name

CLICK = "click"
OPENING_S = 30.0  # in which the click is looked for; chosen
SURE = 0.5  # probability from which a hit counts as a strike


@dataclass(frozen=True)
class Heard:
    """What a take holds: times in seconds from the beginning of the file, in order."""

    name: str
    strike_s: np.ndarray
    click_s: np.ndarray  # empty where there is no click
    click_channel: int | None
    duration_s: float
    health: tuple[str, ...]


def heard(path: str, click: int | None) -> Heard:
    """Return the strikes and the clicks of a recording or of a list of hits.

    Parameters
    ----------
    path : str
        What `file` in a list of recordings may be.
    click : int or None
        Channel of the click; None: the channel that is as even as only a metronome is, if there is one.

    Raises
    ------
    InputError
        The take cannot be used.
    """
    if not os.path.exists(path):
        raise InputError(f"{path}: expected a recording or a list of hits; found no such file; correct the path")
    n_channels = 0 if is_list(path) else audio.look(path).n_channels
    if click and n_channels and click > n_channels:
        raise InputError(f"{path}: expected the click on channel {click}; found {n_channels} channels; correct --click")
    if click is None and n_channels > 1:
        # A channel that is known to carry the click is not searched for faint strikes.
        click = _metronome(*_found(path, n_channels, None, OPENING_S))
    table, said = _found(path, n_channels, click)
    if said["refused"]:
        raise InputError(said["refused"])
    click = click or _metronome(table, said)
    at_s, channel, sure = (table[name].to_numpy() for name in ("hit_s", "channel", "probability"))
    kind = np.array(table["kind"].to_pylist())
    if click:
        kind = np.where(channel == click, CLICK, kind)
    strikes = at_s[(kind == "strike") & (sure >= SURE)]
    return Heard(
        os.path.basename(os.path.normpath(path)),
        np.sort(strikes),
        np.sort(at_s[kind == CLICK]),
        click,
        said["duration_s"],
        tuple(said["health"]),
    )


def _found(path: str, n_channels: int, click: int | None, stop_s: float | None = None) -> tuple[pa.Table, dict]:
    """Return what `hits.find` does of a take, or of its first seconds."""
    rig = _listened(n_channels, click)
    take = Recording("take", path, date.min, rig.name if rig else "", "", stop_s=stop_s)
    return hits.find(take, rig, _machine(path, n_channels), Detection())


def _listened(n_channels: int, click: int | None) -> Rig | None:
    """Return a rig in which each channel has its own striker, but one for the click; None of a list.

    A strike that several microphones hear is then one strike, of the nearest.
    """
    if not n_channels:
        return None
    numbers = [number for number in range(1, n_channels + 1) if number != click]
    channels = [Channel(number, (_striker(number),)) for number in numbers]
    if click:
        channels.append(Channel(click, (CLICK,)))
    return Rig("look", tuple(sorted(channels, key=lambda channel: channel.channel)))


def _striker(number: int) -> str:
    return f"microphone {number}"


def _machine(path: str, n_channels: int) -> Machine:
    """Return a machine with a striker for each microphone, or for each that a list of hits names."""
    names = [_striker(number) for number in range(1, n_channels + 1)]
    if path.lower().endswith(".csv"):
        rows, _ = read_rows(path, "a list of hits", Faults()) or ([], "")
        heading = [cell.casefold() for cell in rows[0][1]] if rows else []
        if "striker" in heading:
            named = {cells[heading.index("striker")] for _, cells in rows[1:] if len(cells) == len(heading)}
            names = sorted(named - {"", "index", CLICK})
    if names or not is_list(path):
        return Machine(Barrel(), (), None, tuple(Striker(name, ()) for name in names))
    return Machine(Barrel(), (), None, tuple(Striker(note_name(note), (note,)) for note in range(HIGHEST + 1)))


def _metronome(table: pa.Table, said: dict) -> int | None:
    """Return the channel that strikes as evenly as only a metronome does, if it is the only one of several."""
    at_s, channel = table["hit_s"].to_numpy(), table["channel"].to_numpy()
    kind, rate_hz = np.array(table["kind"].to_pylist()), said["rate_hz"] or 48_000
    if (kind == CLICK).any():
        return None
    strikes = kind == "strike"
    even = [
        int(number)
        for number in np.unique(channel[strikes & (channel > 0)])
        if metronome.is_metronome(np.round(at_s[strikes & (channel == number)] * rate_hz))
    ]
    return even[0] if len(even) == 1 and len(np.unique(channel)) > 1 else None
