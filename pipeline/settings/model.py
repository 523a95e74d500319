"""Hold what the user says: machine, set-ups, microphones, recordings; checked before anything runs."""

from dataclasses import dataclass, field
from datetime import date


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


@dataclass(frozen=True)
class Barrel:
    bars_per_turn: float | None = None  # None: not told, no angles
    diameter_mm: float | None = None
    pins: str = "song"  # song: each note has its own pin; turn: the same pins come round every turn


@dataclass(frozen=True)
class Shaft:
    name: str
    turns: float  # per turn of the barrel
    drive: str = "belt"  # belt, toothed, freewheel


@dataclass(frozen=True)
class Wheel:
    """One disc or ring of the flywheel as built; `count` of them."""

    mass_kg: float
    outer_mm: float
    inner_mm: float = 0.0
    count: int = 1


@dataclass(frozen=True)
class Flywheel:
    """Either `inertia_kg_m2` or `wheels`; it turns with the shaft named flywheel (else with the barrel)."""

    inertia_kg_m2: float | None = None
    diameter_mm: float | None = None
    wheels: tuple[Wheel, ...] = ()


@dataclass(frozen=True)
class Striker:
    name: str
    notes: tuple[int, ...]
    channel: int | None = None  # MIDI channel 1-16; None: any
    delay_ms: float = 0.0  # of its microphone
    was: str | None = None  # a former name


@dataclass(frozen=True)
class Machine:
    """The machine in one set-up."""

    barrel: Barrel
    shafts: tuple[Shaft, ...]
    flywheel: Flywheel | None
    strikers: tuple[Striker, ...]
    finest_move_mm: float = 0.2


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
    name: str
    channels: tuple[Channel, ...]


@dataclass(frozen=True)
class Detection:
    minimum_gap_ms: float = 12.0
    sensitivity: float = 0.5  # 0 to 1
    mains_hz: float | None = 50.0
    idle_file: str | None = None


@dataclass(frozen=True)
class Recording:
    """One line of recordings.csv."""

    recording: str
    file: str
    build_day: date
    rig: str  # '' for a hit list that needs none
    arrangement: str
    setup: str = ""
    session: int = 1
    start_s: float | None = None
    stop_s: float | None = None
    crew: str = ""
    note: str = ""


@dataclass(frozen=True)
class Group:
    """The recordings of one arrangement, build day, session and set-up: what is compared."""

    arrangement: str
    build_day: date
    session: int
    setup: str
    recordings: tuple[Recording, ...] = field(compare=False)

    @property
    def id(self) -> str:
        """A file name: letters, digits, `_ . -`; different for different groups."""
        raise NotImplementedError


@dataclass(frozen=True)
class Settings:
    """The whole configuration, checked."""

    path: str
    results: str
    baseline: date | None
    arrangements: tuple[Arrangement, ...]
    machine: Machine  # without a set-up
    setups: tuple[tuple[str, Machine], ...]
    rigs: tuple[Rig, ...]
    detection: Detection
    recordings: tuple[Recording, ...]

    # machine_of(setup) -> Machine; recording(id) -> Recording; rig(name) -> Rig | None;
    # arrangement(name) -> Arrangement; groups() -> tuple[Group, ...]; group(id) -> Group
