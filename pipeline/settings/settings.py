"""The parts of a checked configuration, as frozen dataclasses."""

import hashlib
import re
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property

from pipeline.errors import InputError
from pipeline.settings.faults import choice_of, slip

_LONGEST_WORD = 40  # letters of a name within the name of a file


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
    def key(self) -> tuple[str, date, int, str]:
        """The four columns that name the group in every table."""
        return self.arrangement, self.build_day, self.session, self.setup

    @property
    def id(self) -> str:
        """A file name: letters, digits, `_ . -`; different for different groups.

        Names that are not made of letters, digits and hyphens are shortened to those and carry a hash.
        """
        parts = (self.arrangement, self.setup)
        words = "_".join(re.sub(r"[^A-Za-z0-9]+", "-", part).strip("-")[:_LONGEST_WORD] for part in parts)
        name = f"{self.build_day}_{self.session}_{words}".rstrip("_")
        if all(re.fullmatch(rf"[A-Za-z0-9-]{{0,{_LONGEST_WORD}}}", part) for part in parts):
            return name
        return f"{name}.{hashlib.sha256(repr(parts).encode()).hexdigest()[:8]}"


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
    recordings_file: str = ""  # the list they stand in

    def machine_of(self, setup: str, arrangement: str = "") -> Machine:
        """Return the machine as it was in a set-up; '' is the machine without one.

        With the name of a clock test, its striker is among the strikers, last where the machine does not name it.
        """
        machine = self.machine if setup == "" else self._named("set-up", setup, dict(self.setups))
        clock = self.arrangement_of(arrangement).clock if arrangement else None
        if clock is None or clock.striker in (striker.name for striker in machine.strikers):
            return machine
        return replace(machine, strikers=(*machine.strikers, Striker(clock.striker, ())))

    def rig(self, name: str) -> Rig | None:
        """Return a microphone set-up; None for '' (a list of hits that needs none)."""
        return None if name == "" else self._named("rig", name, {rig.name: rig for rig in self.rigs})

    @cached_property
    def _recordings(self) -> dict[str, Recording]:
        return {recording.recording: recording for recording in self.recordings}

    @cached_property
    def _groups(self) -> dict[str, Group]:
        members: dict[tuple, list[Recording]] = {}
        for recording in self.recordings:
            key = (recording.arrangement, recording.build_day, recording.session, recording.setup)
            members.setdefault(key, []).append(recording)
        groups = (Group(*key, tuple(members[key])) for key in sorted(members))
        return {group.id: group for group in groups}

    def arrangement_of(self, name: str) -> Arrangement:
        """Return an arrangement by its name."""
        return self._named("arrangement", name, {arrangement.name: arrangement for arrangement in self.arrangements})

    def recording(self, identity: str) -> Recording:
        """Return a recording by its name."""
        return self._named("recording", identity, self._recordings)

    def groups(self) -> tuple[Group, ...]:
        """Return what is compared, by arrangement, day, session and set-up; recordings in the order of the list."""
        return tuple(self._groups.values())

    def group(self, identity: str) -> Group:
        """Return a group by its `id`."""
        return self._named("group", identity, self._groups)

    def group_of(self, recording: str) -> Group:
        """Return the group that a recording belongs to."""
        take = self.recording(recording)
        key = (take.arrangement, take.build_day, take.session, take.setup)
        return next(group for group in self.groups() if key == group.key)

    def _named(self, what: str, name: str, found: dict):
        if name in found:
            return found[name]
        near = slip(name, found)
        do = f"use {choice_of(found)}" if len(found) <= 12 else "see the configuration"
        raise InputError(f"{self.path}: expected a configured {what}; found '{name}'{near}; {do}")
