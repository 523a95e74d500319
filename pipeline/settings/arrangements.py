"""Read the arrangements: standard MIDI files, or the grids of clock tests."""

from dataclasses import dataclass

from pipeline.settings.strikers import MIDI_CHANNELS
from pipeline.settings.yaml_values import Fields, Value

_NOT_IN_FILE_NAMES = "/\\{}"
_LONGEST_NAME = 80  # bytes; file systems allow 255, and temporary names and endings need room
# Chosen: what is larger is a slip.
_FASTEST_BPM = 2000
_MOST_BARS = 100_000
_MOST_STRIKES = 500_000  # of a clock; chosen: a day of six strikes a second
_MOST_TRACKS = 65_535  # of the file format
_MOST_PER_BAR = 100  # beats, strikes
_MOST_BARS_PER_TURN = 10_000


@dataclass(frozen=True)
class Clock:
    """A grid for a clock test without a song: `bars` bars of `beats_per_bar` beats, `strikes_per_bar` even strikes."""

    bpm: float
    bars: int
    striker: str
    beats_per_bar: int = 4
    strikes_per_bar: int = 1
    bars_per_turn: float | None = None


@dataclass(frozen=True)
class Arrangement:
    """One arrangement: a standard MIDI file (`file`) or a `clock`; one of the two is None.

    Of a file `tracks` (names or numbers) and MIDI `channels` say which notes the machine plays; () for all.
    """

    name: str
    file: str | None = None
    clock: Clock | None = None
    tracks: tuple[int | str, ...] = ()
    channels: tuple[int, ...] = ()


def read_arrangements(fields: Fields) -> tuple[tuple[str, ...], tuple[Arrangement, ...]]:
    """Return the names of all arrangements, also of those with faults, and the arrangements."""
    if "arrangements" not in fields:
        return (), ()
    entries = fields["arrangements"].named("arrangement")
    if fields["arrangements"].is_mapping and not fields["arrangements"].node.value:
        fields["arrangements"].fault("at least one arrangement", "none", "add a name and its MIDI file")
    arrangements = []
    for name, value in entries:
        if any(sign in _NOT_IN_FILE_NAMES for sign in name) or not name[0].isalnum():
            value.fault("a name that can name a file", f"'{name}'", r"begin with a letter or digit, leave out / \ { }")
        if len(name.encode()) > _LONGEST_NAME:
            value.fault(f"a name of at most {_LONGEST_NAME} bytes", f"{len(name.encode())}", "shorten it")
        if value.is_mapping and any(key.value == "file" for key, _ in value.node.value):
            arrangements.append(_chosen(name, value))
        elif value.is_mapping:
            arrangements.append(Arrangement(name, clock=_clock(value)))
        else:
            path = value.path()
            value.require_file(path, "a standard MIDI file")
            arrangements.append(Arrangement(name, file=path))
    return tuple(name for name, _ in entries), tuple(arrangements)


def _chosen(name: str, value: Value) -> Arrangement:
    """Read a file of which the machine plays some tracks or MIDI channels."""
    fields = value.fields("tracks channels", required="file")
    path = fields["file"].path()
    fields["file"].require_file(path, "a standard MIDI file")
    tracks = [_track(entry) for entry in fields["tracks"].items()] if fields.get("tracks") else []
    channels = (
        [entry.whole(None, 1, MIDI_CHANNELS) for entry in fields["channels"].items()] if fields.get("channels") else []
    )
    return Arrangement(
        name,
        file=path,
        tracks=tuple(one for one in tracks if one is not None),
        channels=tuple(one for one in channels if one is not None),
    )


def _track(entry: Value) -> int | str | None:
    """Return the number of a track, or its name: what is quoted is a name."""
    if entry.is_scalar and entry.node.style is None and entry.node.value.isdecimal():
        return entry.whole(None, 1, _MOST_TRACKS)
    return entry.text(what="the name or the number of a track")


def _clock(value: Value) -> Clock:
    fields = value.fields("beats_per_bar strikes_per_bar bars_per_turn", required="bpm bars striker")
    clock = Clock(
        bpm=fields.number("bpm", 60.0, 0, _FASTEST_BPM, above=True),
        bars=fields.whole("bars", 1, 1, _MOST_BARS),
        striker=fields.text("striker", ""),
        beats_per_bar=fields.whole("beats_per_bar", 4, 1, _MOST_PER_BAR),
        strikes_per_bar=fields.whole("strikes_per_bar", 1, 1, _MOST_PER_BAR),
        bars_per_turn=fields.number("bars_per_turn", None, 0, _MOST_BARS_PER_TURN, above=True),
    )
    if clock.bars * clock.strikes_per_bar > _MOST_STRIKES:
        value.fault(f"at most {_MOST_STRIKES} strikes", f"{clock.bars * clock.strikes_per_bar}", "set fewer bars")
    return clock


def default_arrangement(fields: Fields, names: tuple[str, ...]) -> str | None:
    """Return the arrangement of recordings that name none; None where there is no such default."""
    if fields.get("arrangement") is None:
        return names[0] if len(names) == 1 else None
    value = fields["arrangement"]
    name = value.text()
    if name is not None and names and name not in names:
        value.choice(None, names)
        return names[0]  # one fault is enough: the rows that rely on it are not to blame
    return name
