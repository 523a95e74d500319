"""Read the arrangements: standard MIDI files, or the grids of clock tests."""

from dataclasses import dataclass

from pipeline.settings.yaml_values import Fields, Value

_NOT_IN_FILE_NAMES = "/\\{}"
_LONGEST_NAME = 80  # bytes; file systems allow 255, and temporary names and endings need room
# Chosen: what is larger is a slip.
_FASTEST_BPM = 2000
_MOST_BARS = 100_000
_MOST_STRIKES = 500_000  # of a clock; chosen: a day of six strikes a second
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
    """One arrangement: a standard MIDI file (`file`) or a `clock`; one of the two is None."""

    name: str
    file: str | None = None
    clock: Clock | None = None


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
        if value.is_mapping:
            arrangements.append(Arrangement(name, clock=_clock(value)))
        else:
            path = value.path()
            value.require_file(path, "a standard MIDI file")
            arrangements.append(Arrangement(name, file=path))
    return tuple(name for name, _ in entries), tuple(arrangements)


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
