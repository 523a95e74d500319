"""Read a rig: which audio channel hears what, and what its microphone adds to the time."""

from dataclasses import dataclass

from pipeline.settings.faults import slip
from pipeline.settings.strikers import RESERVED, Striker
from pipeline.settings.yaml_values import Fields, Value

SECONDS_PER_METRE = 0.0029  # sound in air; the contract's 2.9 ms a metre (343 m/s gives 2.92)
# Chosen: what is larger is a slip.
_MOST_CHANNELS = 1024
_LONGEST_DELAY_MS = 1000
_FARTHEST_M = 100
_FASTEST_BPM = 2000
_MOST_CLICKS_PER_BEAT = 96


@dataclass(frozen=True)
class Channel:
    """One audio channel of a rig.

    `hears` holds names of strikers; ('everything',), ('index',) or ('click',) for those three.
    `delay_s` is what the microphone adds (delay_ms, or distance_m at 2.9 ms a metre).
    """

    channel: int  # from 1
    hears: tuple[str, ...]
    delay_s: float = 0.0
    bpm: float | None = None  # of a click: its true tempo
    per_beat: float = 1.0  # of a click: clicks per quarter note


@dataclass(frozen=True)
class Rig:
    """A microphone set-up: its channels, by number."""

    name: str
    channels: tuple[Channel, ...]


def read_rig(name: str, value: Value, strikers: tuple[Striker, ...], arms: list[str]) -> Rig:
    """Read one rig.

    Parameters
    ----------
    name : str
    value : Value
    strikers : tuple of Striker
        Of the machine.
    arms : list of str
        Strikers of clock tests, which need not be among `strikers`.
    """
    if not value.is_list:
        value.fault("a list of channels, each {channel: …, hears: …}")
        return Rig(name, ())
    if not value.node.value:
        value.fault("at least one channel", "an empty list", "add {channel: 1, hears: everything}")
    channels, lines = [], {}
    for entry in value.items():
        fields = entry.fields("delay_ms distance_m bpm per_beat", required="channel hears")
        number = fields.whole("channel", None, 1, _MOST_CHANNELS)
        hears = _hears(fields["hears"], strikers, arms) if "hears" in fields else ()
        if number is None or not hears:
            continue
        if number in lines:
            fields["channel"].fault("every channel once", f"channel {number} again (first in line {lines[number]})")
            continue
        lines[number] = entry.line
        channels.append(_channel(fields, number, hears))
    return Rig(name, tuple(sorted(channels, key=lambda channel: channel.channel)))


def _channel(fields: Fields, number: int, hears: tuple[str, ...]) -> Channel:
    if "delay_ms" in fields and "distance_m" in fields:
        fields["distance_m"].fault("either 'delay_ms' or 'distance_m'", "both", "delete one")
    if hears != ("click",):
        for key in ("bpm", "per_beat"):
            if key in fields:
                fields[key].fault(f"'{key}' only where the channel hears the click", f"it beside {list(hears)}")
    delay_s = fields.number("delay_ms", 0.0, -_LONGEST_DELAY_MS, _LONGEST_DELAY_MS) / 1000
    return Channel(
        channel=number,
        hears=hears,
        delay_s=delay_s + fields.number("distance_m", 0.0, 0, _FARTHEST_M) * SECONDS_PER_METRE,
        bpm=fields.number("bpm", None, 0, _FASTEST_BPM, above=True),
        per_beat=fields.number("per_beat", 1.0, 0, _MOST_CLICKS_PER_BEAT, above=True),
    )


def _hears(value: Value, strikers: tuple[Striker, ...], arms: list[str]) -> tuple[str, ...]:
    """Return what the channel hears; () after a fault."""
    names = list(dict.fromkeys([*(striker.name for striker in strikers), *arms]))
    former = {striker.was: striker.name for striker in strikers if striker.was}
    if value.is_nothing or value.is_mapping or not value.items():
        value.fault("a striker, a list of strikers, everything, index or click")
        return ()
    heard = []
    for entry in value.items():
        name = entry.text(what="the name of a striker, everything, index or click")
        if name is None:
            return ()
        if name not in names and name not in RESERVED:
            if not strikers:  # their own fault has been said
                return ()
            near = slip(name, [*names, *RESERVED])
            hint = f" (it is called '{former[name]}' now)" if name in former else near
            entry.fault("a striker, everything, index or click", f"'{name}'{hint}", "" if hint else _listed(names))
            return ()
        heard.append(name)
    if len(heard) > 1 and any(name in RESERVED for name in heard):
        value.fault("everything, index or click alone, or a list of strikers", f"{heard}", "give it its own channel")
        return ()
    return tuple(dict.fromkeys(heard))


def _listed(names: list[str]) -> str:
    shown = ", ".join(f"'{name}'" for name in names[:12])
    return f"the strikers are {shown}" + (" …" if len(names) > 12 else "")
